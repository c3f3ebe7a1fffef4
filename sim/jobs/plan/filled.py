"""A stage that has been done: what its recording shows, held against what was expected (row 4)."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import to_s
from sim.base.document import load
from sim.base.errors import Fault, InputError
from sim.jobs.plan.marks import steady
from sim.jobs.plan.model import Number, Plan, Stage, Stop
from sim.jobs.plan.numbers import LOGGED, Taken, signal, taken
from sim.jobs.plan.plan import PLAN
from sim.jobs.replay import PULSES, Replay
from sim.record.table import Table

Word = Literal["within", "outside", "not measured"]


@dataclass(frozen=True, slots=True)
class Measured:
    """One figure, and whether it lies in its band.

    off : how far outside, in the figure's unit; None where it is not, or where it did not come at all.
    """

    number: Number
    taken: Taken
    word: Word
    off: float | None = None

    @property
    def why(self) -> str:
        """In words, where there is more to say than a number."""
        return self.taken.why


@dataclass(frozen=True, slots=True)
class Held:
    """One limit, and whether it was crossed; `at_s` is when first, in the recording's time, `worst` the furthest."""

    stop: Stop
    word: Literal["kept", "crossed", "not measured"]
    why: str = ""
    at_s: float | None = None
    worst: float | None = None


@dataclass(frozen=True, slots=True)
class Filled:
    """A stage filled in.

    found : how many of the script's marks the recording shows.
    offset_s : the recording's time less the script's, at the first mark that was found; None without any.
    changed : what went into the plan and is another now, by role.
    every_s : the recording's own interval, which every time is uncertain by.
    """

    plan: Plan
    stage: Stage
    recording: str
    found: int
    offset_s: float | None
    every_s: float
    figures: tuple[Measured, ...]
    limits: tuple[Held, ...]
    changed: tuple[str, ...] = ()

    @property
    def verdict(self) -> Literal["pass", "fail", "undecided"]:
        """Fail where a figure is outside or a limit crossed; undecided where nothing could be measured."""
        if any(each.word == "outside" for each in self.figures) or any(each.word == "crossed" for each in self.limits):
            return "fail"
        return "pass" if any(each.word == "within" for each in self.figures) else "undecided"

    def count(self, word: Word) -> int:
        """How many figures are so."""
        return sum(each.word == word for each in self.figures)

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "stage": self.stage.number,
            "title": self.stage.title,
            "verdict": self.verdict,
            "changed": list(self.changed),
            "marks": {"found": self.found, "of": len(self.stage.marks), "offset_s": self.offset_s},
            "figures": [
                {
                    "id": each.number.id,
                    "says": each.number.says,
                    "unit": each.number.unit,
                    "filed": each.number.filed,
                    "low": None if each.number.at_most else each.number.low,
                    "high": each.number.high,
                    "measured": each.taken.value,
                    "verdict": each.word,
                    "off": each.off,
                    "why": each.why,
                }
                for each in self.figures
            ],
            "limits": [
                each.stop.model_dump()
                | {"verdict": each.word, "at_s": each.at_s, "worst": each.worst, "said": each.why}
                for each in self.limits
            ],
        }


def load_plan(folder: Path) -> Plan:
    """The plan that stands in a folder.

    Raises
    ------
    InputError
        None there, or one that is none.
    """
    path = folder / PLAN
    with suppress(ValueError, OSError):
        # The quick way, which finds no places: whatever is wrong is told by the other.
        return Plan.model_validate_json(path.read_bytes())
    return load(path, Plan, "a plan, as drydive plan --out DIR writes it")


def stage_of(plan: Plan, number: int, folder: Path) -> Stage:
    """A stage by its number.

    Raises
    ------
    InputError
    """
    found = next((stage for stage in plan.stages if stage.number == number), None)
    if found is None:
        known = ", ".join(str(stage.number) for stage in plan.stages) or "none"
        raise InputError([Fault(str(folder / PLAN), "stages", f"a stage {number} among those planned", known)])
    return found


def filled(plan: Plan, stage: Stage, done: Replay) -> Filled:
    """Hold a replayed recording against a stage."""
    table = recorded(done)
    found, when = taken(stage, table)
    first = next((place for place, at_s in enumerate(when) if at_s is not None), None)
    offset = None if first is None else float(when[first] or 0.0) - stage.marks[first].at_s
    return Filled(
        plan=plan,
        stage=stage,
        recording=done.path.name,
        found=sum(at_s is not None for at_s in when),
        offset_s=offset,
        every_s=done.every_s,
        figures=tuple(judged(number, found[number.id], done.every_s) for number in stage.numbers),
        limits=tuple(held(stop, table, plan.stop_us) for stop in stage.stops),
        changed=tuple(name for name, hashed in done.inputs().items() if plan.inputs.get(name, hashed) != hashed),
    )


def recorded(done: Replay) -> Table:
    """What was truly recorded: nothing that a replay filled in, and the pulses of the day instead of the replayed."""
    # A logger's own column of what the replay commands too, as a power step, is no longer there.
    columns = {name: done.table[name] for name in done.recorded if name in LOGGED and name not in PULSES}
    columns |= {name: done.table[f"recorded_{name}"] for name in PULSES if f"recorded_{name}" in done.table}
    for name in ("left_rpm", "right_rpm"):
        if name in columns and np.all(columns[name] < 0.0):
            # So a board says that there is no reading.
            del columns[name]
    return Table(done.table.t_us, columns)


def judged(number: Number, value: Taken, every_s: float) -> Measured:
    """One figure against its band; a time is known no better than the recording's own interval."""
    if value.value is None:
        # All was logged, and it did not come: as expected only where some builds do without it too.
        if value.logged and number.low is not None:
            return Measured(number, value, "within" if number.missing else "outside")
        return Measured(number, value, "not measured")
    if number.low is None or number.high is None:
        return Measured(number, value, "not measured")
    room = every_s if number.unit == "s" else 0.0
    over = value.value - number.high - room
    under = -np.inf if number.at_most else number.low - room - value.value
    off = float(max(over, under))
    return Measured(number, value, "outside", off) if off > 0.0 else Measured(number, value, "within")


def held(stop: Stop, table: Table, stop_us: float) -> Held:
    """Whether a recording keeps a limit; what lasts no longer than a bounce does not count."""
    values, missing = signal(table, stop.of)
    if values is None:
        return Held(stop, "not measured", f"{missing} was not logged")
    counts = np.ones(len(table), dtype=np.bool_)
    if stop.when == "driven":
        pulses, missing = signal(table, "pulse_us")
        if pulses is None:
            return Held(stop, "not measured", f"{missing} was not logged: nobody knows when it was driven")
        counts = pulses > stop_us + LOGGED["left_pulse_us"].reads
    elif stop.when == "unheld":
        if "deadman" not in table:
            return Held(stop, "not measured", "deadman was not logged")
        counts = free_s(table) > stop.for_s
    beyond = values > stop.value if stop.side == "high" else values < stop.value
    crossed = np.flatnonzero(steady(beyond & counts, table.t_us))
    if not crossed.size:
        return Held(stop, "kept")
    there = values[crossed]
    worst = float(there.max() if stop.side == "high" else there.min())
    return Held(stop, "crossed", at_s=to_s(int(table.t_us[crossed[0]])), worst=worst)


def free_s(table: Table) -> NDArray[np.float64]:
    """For how long the dead-man has been free, at each row; from the beginning where it was never pressed."""
    pressed = steady(table["deadman"] > 0.5, table.t_us)
    since = np.maximum.accumulate(np.where(pressed, table.t_us, table.t_us[0]))
    found: NDArray[np.float64] = (table.t_us - since) / 1e6
    return found


def worst_first(figures: Sequence[Measured]) -> list[Measured]:
    """Those outside, by how far in widths of their bands; what did not come at all stands first."""

    def far(each: Measured) -> float:
        number = each.number
        if each.off is None or number.low is None or number.high is None:
            return np.inf
        return each.off / (number.high - number.low + number.reads)

    return sorted((each for each in figures if each.word == "outside"), key=far, reverse=True)
