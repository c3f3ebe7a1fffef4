"""Two runs of one dive, or two replays of one recording, held side by side (row 4).

What differs may be the controller, its parameters, or the water. Both sides
draw the same chance, so that what comes out differs by that alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.board import Command, Inputs
from sim.base.clock import to_s
from sim.base.errors import Fault, InputError
from sim.bench.events import Event
from sim.jobs.case import Judged
from sim.jobs.replay import Replay
from sim.record.table import Table
from sim.verdict.requirement import Verdict

PINS = Inputs._fields
COMMANDS = Command._fields
# Two stretches of one column this close together are one: a ramp crosses another's without meaning it.
JOINED_S = 0.05
# The same event this much earlier or later happened at the same time, as a builder would say.
TOGETHER_S = 0.0005


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two.

    name : what is different about it, in words.
    inputs : each file that went in, with a hash.
    """

    name: str
    table: Table
    events: tuple[Event, ...]
    verdicts: tuple[Verdict, ...]
    limits: Mapping[str, float]
    modes: Mapping[int, str]
    reasons: Mapping[int, str]
    inputs: Mapping[str, str]


class Stretch(NamedTuple):
    """A time in which one column of the command differs.

    first, second : both values where they are furthest apart.
    why_first, why_second : each controller's own reason then; its mode where it gives none.
    """

    column: str
    from_s: float
    to_s: float
    first: float
    second: float
    why_first: str
    why_second: str


class Moved(NamedTuple):
    """An event of one side alone, or of both at another time.

    first_s, second_s : None on the side where it does not happen.
    """

    what: str
    first_s: float | None
    second_s: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs.

    pin, command : time and column of the first difference of what the pins read, and of what is commanded; None where
        there is none.
    """

    first: Side
    second: Side
    pin: tuple[float, str] | None
    command: tuple[float, str] | None
    stretches: tuple[Stretch, ...]
    events: tuple[Moved, ...]

    @property
    def same(self) -> bool:
        """Whether every command is the same at every tick."""
        return self.command is None


def side_of_run(judged: Judged, name: str) -> Side:
    """A run as one side."""
    run = judged.run
    controller = run.bench.controller
    modes, reasons = controller.modes, controller.reasons
    return Side(name, run.table, run.events, judged.verdicts, run.limits, modes, reasons, judged.inputs())


def side_of_replay(done: Replay, name: str) -> Side:
    """A replay as one side."""
    modes, reasons = done.controller.modes, done.controller.reasons
    return Side(name, done.table, done.events, done.verdicts, done.limits, modes, reasons, done.inputs())


def compare(first: Side, second: Side) -> Comparison:
    """Everything that differs between two sides.

    Raises
    ------
    InputError
        Two clocks: runs of another length or control rate cannot be compared tick by tick.
    """
    if not np.array_equal(first.table.t_us, second.table.t_us):
        spans = " and ".join(f"{len(side.table)} ticks to {_end_s(side):g} s" for side in (first, second))
        raise InputError([Fault("drydive compare", "", "two runs on one clock", spans)])
    shared = [name for name in commands(first, second) if name in first.table and name in second.table]
    stretches = sorted(
        (stretch for name in shared for stretch in _stretches(first, second, name)),
        key=lambda stretch: (stretch.from_s, COMMANDS.index(stretch.column)),
    )
    return Comparison(
        first=first,
        second=second,
        pin=_earliest(first.table, second.table, PINS),
        command=_earliest(first.table, second.table, shared),
        stretches=tuple(stretches),
        events=tuple(_moved(first.events, second.events)),
    )


def commands(first: Side, second: Side) -> tuple[str, ...]:
    """Columns of the command that mean the same on both sides: modes and reasons only if their words are the same."""
    pairs = (("mode", first.modes, second.modes), ("reason", first.reasons, second.reasons))
    unlike = {name for name, one, other in pairs if one != other}
    return tuple(name for name in COMMANDS if name not in unlike)


def _end_s(side: Side) -> float:
    return to_s(int(side.table.t_us[-1]))


def _differs(first: Table, second: Table, name: str) -> NDArray[np.bool_]:
    """Where a column differs; an unknown value on both sides does not."""
    one, other = first[name], second[name]
    differs: NDArray[np.bool_] = (one != other) & ~(np.isnan(one) & np.isnan(other))
    return differs


def _earliest(first: Table, second: Table, names: Sequence[str]) -> tuple[float, str] | None:
    found = []
    for order, name in enumerate(names):
        if name in first and name in second:
            ticks = np.flatnonzero(_differs(first, second, name))
            if ticks.size:
                found.append((int(ticks[0]), order))
    if not found:
        return None
    tick, order = min(found)
    return to_s(int(first.t_us[tick])), names[order]


def _stretches(first: Side, second: Side, name: str) -> Iterator[Stretch]:
    """A column's differences, those close together as one."""
    t_us = first.table.t_us
    ticks = np.flatnonzero(_differs(first.table, second.table, name))
    if not ticks.size:
        return
    breaks = np.flatnonzero(np.diff(t_us[ticks]) > JOINED_S * 1e6)
    for part in np.split(ticks, breaks + 1):
        one, other = first.table[name][part], second.table[name][part]
        worst = int(part[np.argmax(np.nan_to_num(np.abs(one - other), nan=np.inf))])
        last = min(int(part[-1]) + 1, len(t_us) - 1)
        yield Stretch(
            column=name,
            from_s=to_s(int(t_us[part[0]])),
            to_s=to_s(int(t_us[last])),
            first=float(first.table[name][worst]),
            second=float(second.table[name][worst]),
            why_first=_why(first, worst),
            why_second=_why(second, worst),
        )


def _why(side: Side, tick: int) -> str:
    """The controller's reason at a tick; its mode where it gives none."""
    table = side.table
    if "reason" not in table or "mode" not in table:
        return ""
    mode = int(table["mode"][tick])
    if mode not in side.modes:
        return "the chip is not running"
    return side.reasons.get(int(table["reason"][tick]), "") or side.modes[mode]


def _moved(first: Sequence[Event], second: Sequence[Event]) -> Iterator[Moved]:
    """Events of one side alone, and those of both at another time, in order of time."""
    found: list[Moved] = []
    matcher = SequenceMatcher(None, [each.what for each in first], [each.what for each in second], autojunk=False)
    for kind, a, b, c, d in matcher.get_opcodes():
        if kind == "equal":
            for one, other in zip(first[a:b], second[c:d], strict=True):
                if abs(one.t_s - other.t_s) > TOGETHER_S:
                    found.append(Moved(one.what, one.t_s, other.t_s, one.why or other.why))
        else:
            found += [Moved(each.what, each.t_s, None, each.why) for each in first[a:b]]
            found += [Moved(each.what, None, each.t_s, each.why) for each in second[c:d]]
    yield from sorted(found, key=_when)


def _when(moved: Moved) -> float:
    return min(time for time in (moved.first_s, moved.second_s) if time is not None)


def as_json(found: Comparison) -> dict[str, Any]:
    """Plain data for ``--json``."""
    return {
        "same": found.same,
        "first_pin": found.pin and {"t_s": found.pin[0], "column": found.pin[1]},
        "first_command": found.command and {"t_s": found.command[0], "column": found.command[1]},
        "differences": [stretch._asdict() for stretch in found.stretches],
        "events": [moved._asdict() for moved in found.events],
        "sides": [
            {
                "name": side.name,
                "requirements": [
                    {"id": each.id, "verdict": each.verdict, "margin": each.margin, "unit": each.unit}
                    for each in side.verdicts
                ],
                "inputs": dict(side.inputs),
            }
            for side in (found.first, found.second)
        ],
    }
