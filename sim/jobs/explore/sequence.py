"""The sequence of readings that a walk ends with, and what was written of it (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from controllers.board import Inputs
from sim.base.clock import to_s
from sim.bench.control import SHIPPED, Controller
from sim.bench.loop import ControllerError
from sim.jobs.explore.explore import Proof
from sim.jobs.explore.monitors import FOUND
from sim.jobs.explore.space import ERROR
from sim.record.table import Table
from sim.verdict.requirement import Verdict

# After what was found there are some ticks more, to be seen in a figure.
TICKS_AFTER = 5


@dataclass(frozen=True, slots=True)
class Written:
    """A scenario or a recording that was written, and what came of running it.

    path : none where the readings cannot be made.
    why : why not; or how the run differs from the walk; empty where it fails in the same way.
    at_s : when it fails.
    repeat : what repeats it; empty for a scenario, which `check` does.
    """

    path: Path | None
    why: str = ""
    at_s: float | None = None
    repeat: tuple[str, ...] = ()


def readings(proof: Proof) -> tuple[Inputs, ...]:
    """The pins at each tick of what was found."""
    return tuple(proof.task.space.moves[move] for move in proof.walk.path)


def broken(proof: Proof) -> str:
    """What was found, as a comment of the file that holds it."""
    why = FOUND.get(proof.walk.found, proof.walk.why)
    return f"Found by exploring every state, {proof.walk.depth} ticks from the reset:\n{why}."


def named(controller: Controller) -> str:
    """A shipped controller by its name, another by its path."""
    return controller.path.stem if controller.path.parent == SHIPPED else str(controller.path.resolve())


def again(
    proof: Proof,
    path: Path,
    run: Callable[[], tuple[Table, Sequence[Verdict]]],
    how: str,
    first: int = 0,
    repeat: tuple[str, ...] = (),
) -> Written:
    """Run what was written, and see whether the pins read what they should and the requirement fails.

    Parameters
    ----------
    run : from the file; its table, and its only verdict.
    how : that it was run, in words. first : the row of the sequence's first tick.
    """
    pins, tick_us = readings(proof), proof.task.tick_us
    try:
        table, (verdict,) = run()
    except ControllerError as error:
        # What raises in the walk raises again.
        return Written(path, "" if proof.walk.ended == ERROR else str(error), to_s(len(pins) * tick_us), repeat)
    if got := unlike(table, pins, tick_us, first):
        return Written(path, f"{how}, {got}", repeat=repeat)
    if verdict.verdict != "fail":
        return Written(path, f"{how}, it is judged {verdict.verdict}: {verdict.why}", repeat=repeat)
    return Written(path, "", verdict.at_s, repeat)


def unlike(table: Table, pins: Sequence[Inputs], tick_us: int, first: int) -> str:
    """Where the pins of a run, from the row `first` on, do not read what they should; empty where they do."""
    for name in Inputs._fields:
        for tick, (got, each) in enumerate(zip(table[name][first:], pins, strict=False)):
            wanted = getattr(each, name)
            if got != wanted:
                return f"{name} reads {got:g} instead of {wanted} at {to_s((first + tick) * tick_us):g} s"
    return ""


def told(proof: Proof) -> list[tuple[int, Mapping[str, int]]]:
    """The sequence in few lines: the tick, from 0, and those of the pins varied that read otherwise than before."""
    pins = readings(proof)
    columns = zip(Inputs._fields, zip(*proof.task.space.moves, strict=True), strict=True)
    varied = [name for name, values in columns if len(set(values)) > 1]
    lines: list[tuple[int, Mapping[str, int]]] = []
    for tick, sample in enumerate(pins):
        changed = {
            name: getattr(sample, name)
            for name in varied
            if tick == 0 or getattr(sample, name) != getattr(pins[tick - 1], name)
        }
        if changed:
            lines.append((tick, changed))
    return lines
