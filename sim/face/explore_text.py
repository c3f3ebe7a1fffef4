"""What ``explore`` prints (row 5)."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping, Sequence

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from controllers.board import Inputs
from sim.face.text import STYLES, lines
from sim.jobs.explore.explore import Exploration, Proof
from sim.jobs.explore.sequence import Written, readings, told
from sim.jobs.explore.space import Field

WORDS = {"pass": "proved", "fail": "refuted", "undecided": "undecided"}
# What is known of a walk that was left is what grew most.
GREW_MOST = 6
# So many numbers that were never reached are told with their words.
WORDED = 3


def summary(found: Exploration) -> str:
    """How many walks came to what, in one sentence."""
    count = {word: sum(proof.verdict == word for proof in found.proofs) for word in WORDS}
    said = ", ".join(f"{count[word]} {WORDS[word]}" for word in ("fail", "undecided", "pass") if count[word])
    states = sum(proof.walk.states for proof in found.proofs)
    moves = sum(proof.walk.transitions for proof in found.proofs)
    return f"{said}; {whole(states)} states, {whole(moves)} transitions"


def whole(number: int) -> str:
    """A whole number in groups of three."""
    return f"{number:,}".replace(",", " ")


def of_exploration(console: Console, found: Exploration, written: Mapping[int, Written]) -> None:
    """Every walk on a line; what refutes, with its sequence; what was left open; and what was reached at all."""
    console.print(_grid(found.proofs))
    shown: set[str] = set()
    for index, proof in enumerate(found.proofs):
        if proof.verdict == "fail" and proof.task.name not in shown:
            # What breaks a property with one round's readings mostly breaks it with another's.
            shown.add(proof.task.name)
            _sequence(console, proof, written.get(index))
        elif proof.walk.fields:
            lines(console, f"{_named(proof)}: what still grew", _grew(proof.walk.growing))
    engines = {(proof.walk.engine, proof.engine_why) for proof in found.proofs}
    for engine, why in sorted(engines):
        if why:
            console.print(Text(f"engine: {engine}: {why}", "dim"))
    lines(console, "reached", reached(found))
    lines(console, "all of it, and nothing is said of anything else", bounds(found))


def _named(proof: Proof) -> str:
    return f"{proof.task.name}, {proof.task.round}"


def _grid(proofs: Sequence[Proof]) -> Grid:
    grid = Grid(box=None, pad_edge=False, header_style="dim")
    right = ("states", "transitions", "depth", "seconds", "MB")
    for name in ("", "property", "readings of", *right, ""):
        grid.add_column(name, justify="right" if name in right else "left")
    for proof in proofs:
        walk = proof.walk
        grid.add_row(
            Text(WORDS[proof.verdict], STYLES[proof.verdict]),
            Text(proof.task.name, "bold"),
            Text(proof.task.round),
            whole(walk.states),
            whole(walk.transitions),
            str(walk.depth),
            f"{walk.seconds:.1f}",
            f"{walk.memory_bytes / 1e6:.0f}",
            Text("" if proof.verdict == "pass" else proof.why, "dim"),
        )
    return grid


def _sequence(console: Console, proof: Proof, written: Written | None) -> None:
    pins = readings(proof)
    tick_ms = proof.task.tick_us / 1000.0
    console.print(Text.assemble(("refuted", STYLES["fail"]), "  ", (_named(proof), "bold"), f"  {proof.why}"))
    said = [f"{tick * tick_ms:g} ms  {changed(values)}" for tick, values in told(proof)]
    lines(console, "  the shortest way there", [f"  {line}" for line in said])
    console.print(Text(f"    {(len(pins) - 1) * tick_ms:g} ms  here: tick {len(pins)} after the reset", "dim"))
    if written is not None:
        for line in _written(written):
            # A command that is broken into lines cannot be copied.
            console.print(Text(f"  {line}", "dim"), soft_wrap=True)


def _written(written: Written) -> Iterable[str]:
    if written.path is None:
        yield f"not written: {written.why}"
    elif written.why:
        yield f"{written.path}: does not fail in the same way: {written.why}"
    else:
        yield f"{written.path}: fails in the same way, at {written.at_s:g} s"
    if written.repeat:
        yield f"repeat: {shlex.join(written.repeat)}"


def changed(values: Mapping[str, int]) -> str:
    """Pins and what they read."""
    return ", ".join(f"{name} {value}" for name, value in values.items())


def _grew(fields: Sequence[Field]) -> list[str]:
    said = [
        f"{each.name}: {whole(each.values)} values from {each.low} to {each.high}, wider by {each.widened} of late"
        for each in fields
    ]
    rest = len(said) - GREW_MOST
    return said[:GREW_MOST] + ([f"and {rest} more"] if rest > 0 else [])


def reached(found: Exploration) -> list[str]:
    """How much of the controller was seen: an exploration that never drives proves nothing."""
    controller = found.controller
    driven = sum(proof.walk.reached.driven for proof in found.proofs)
    steps = sorted({step for proof in found.proofs for step in proof.walk.reached.power_steps if step > 0})
    return [
        f"drive in {whole(driven)} transitions, power steps {', '.join(map(str, steps)) or 'none'}",
        f"modes {_of(found.modes(), controller.modes)}",
        f"reasons {_of(found.reasons(), controller.reasons)}",
        f"{len(found.changes())} changes of mode: "
        + ", ".join(f"{before} to {after}" for before, after in sorted(found.changes())),
    ]


def _of(seen: set[int], known: Mapping[int, str]) -> str:
    """Numbers reached, and those that were not: the latter with their words, where that is short."""
    numbers = ", ".join(map(str, sorted(seen)))
    never = [number for number in known if number not in seen]
    if not never:
        return f"{numbers}{': all there are' if known else ''}"
    words = [f"{number} ({known[number]})" for number in never] if len(never) <= WORDED else map(str, never)
    return f"{numbers}; never {', '.join(words)}"


def bounds(found: Exploration) -> list[str]:
    """What was explored: readings, tick and parameters; everything else is not."""
    sets = [set((proof.task.params_set | proof.task.constants).items()) for proof in found.proofs]
    shared = set.intersection(*sets)
    said = []
    for name, proof in {proof.task.round: proof for proof in found.proofs}.items():
        moves, task = proof.task.space.moves, proof.task
        columns = zip(Inputs._fields, zip(*moves, strict=True), strict=True)
        varied = {pin: list(dict.fromkeys(column)) for pin, column in columns if len(set(column)) > 1}
        values = "; ".join(f"{pin} {', '.join(map(str, seen))}" for pin, seen in varied.items())
        own = _given(set((task.params_set | task.constants).items()) - shared)
        said.append(f"{name}: {len(moves)} combinations of {values}{own}")
    params = found.controller.params_path
    of = f"of {params.name}" if params else "that the controller has by itself"
    said.append(f"a tick of {found.proofs[0].task.tick_us} us, the parameters {of}{_given(shared)}")
    said.append("every other pin as on a quiet board")
    return said


def _given(pairs: set[tuple[str, int]]) -> str:
    """What was set beside the parameter file."""
    return "; with " + ", ".join(f"{key} {value}" for key, value in sorted(pairs)) if pairs else ""
