"""The figures of a stage, taken from a run and from a logger's recording in the same way (row 4)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import to_s, to_us
from sim.jobs.plan.marks import marks_of, matched
from sim.jobs.plan.model import Number, Stage
from sim.record.table import Table

RPM_PER_RAD_S = 30.0 / math.pi
Floats = NDArray[np.float64]

# Slower than a turn a second is standing still; common practice, no source.
STILL_RPM = 60.0
# How long just before a mark is "before".
BEFORE_S = 0.3
# Extremes are of means over so long: shorter ones are noise, and no logger's samples agree on them.
SMOOTH_S = 0.05


class Column(NamedTuple):
    """One column of the logger's file.

    run : the run's column it is; times `scale`.
    reads : what an instrument is taken to resolve, where the vehicle file does not say; common practice, no source.
    needed : whether a replay can do nothing without it.
    """

    unit: str
    run: str
    says: str
    reads: float
    scale: float = 1.0
    needed: bool = False


LOGGED = {
    "hall_counts": Column("counts", "hall_counts", "throttle sensor, raw", 2.0, needed=True),
    "deadman": Column("", "deadman", "1 while the dead-man's input reads pressed", 0.0, needed=True),
    "mode_button": Column("", "mode_button", "1 while the mode button's input reads pressed", 0.0),
    "kill_cord": Column("", "kill_cord", "1 while the cord reads in place", 0.0),
    "left_pulse_us": Column("us", "left_pulse_us", "pulse to the left ESC", 10.0),
    "right_pulse_us": Column("us", "right_pulse_us", "pulse to the right ESC", 10.0),
    "bus_v": Column("V", "bus_v", "drive bus, behind main switch and leads", 0.05),
    "pack_v": Column("V", "pack_v", "at the pack's own terminals: with bus_v it tells leads and joints", 0.05),
    "pack_a": Column("A", "bus_a", "drawn from the pack", 1.0),
    "left_rpm": Column("rpm", "left_rad_s", "left shaft", 10.0, RPM_PER_RAD_S),
    "right_rpm": Column("rpm", "right_rad_s", "right shaft", 10.0, RPM_PER_RAD_S),
    "thrust_n": Column("N", "thrust_n", "pull on the tether, by a load cell", 2.0),
    "speed_m_s": Column("m/s", "speed_m_s", "through the water, by log or by time over a measured line", 0.05),
    "pack_degc": Column("degC", "pack_degc", "the warmest cell's surface", 1.0),
    "left_esc_degc": Column("degC", "left_esc_degc", "left ESC's case", 1.0),
    "right_esc_degc": Column("degC", "right_esc_degc", "right ESC's case", 1.0),
}
"""What a plan can compare, in the order of the logger's file."""

# What a run tells and a logger does not: there the rider reads the display.
STEP = "power_step"
# What is resolved of times, by a logger at 100 Hz.
READS_S = 0.01
# A speed falls slowly and is measured roughly: it is taken over so long where a time hangs on it.
SLOW_S = 0.25


class Taken(NamedTuple):
    """A figure, or why there is none.

    logged : all that it needs was there, and it still did not come.
    stepped : the power step was the one that it is expected in, as far as is known.
    """

    value: float | None
    why: str = ""
    logged: bool = False
    stepped: bool = True


def run_columns() -> frozenset[str]:
    """What a run has to keep for its figures."""
    return frozenset((*(column.run for column in LOGGED.values()), STEP))


def as_logged(table: Table) -> Table:
    """A run as a perfect logger would have it."""
    columns = {name: each.scale * table[each.run] for name, each in LOGGED.items() if each.run in table}
    return Table(table.t_us, columns | ({STEP: table[STEP]} if STEP in table else {}))


def reads_of(of: str, steps: Mapping[str, float]) -> float:
    """What an instrument is taken to resolve of a signal; `steps` are those that the vehicle file states."""
    if " - " in of:
        return max(reads_of(part, steps) for part in of.split(" - "))
    name = {"pulse_us": "left_pulse_us", "rpm": "left_rpm"}.get(of, of)
    return steps.get(name) or LOGGED[name].reads


def signal(table: Table, of: str) -> tuple[Floats | None, str]:
    """A signal of a logged table, or the name of the first column that is missing."""
    both = {"pulse_us": ("left_pulse_us", "right_pulse_us"), "rpm": ("left_rpm", "right_rpm")}.get(of)
    if both is None and " - " in of:
        minuend, subtrahend = of.split(" - ")
        both = (minuend, subtrahend)
    names = both or (of,)
    there = [name for name in names if name in table]
    # Of the higher of two, one tells as much as there is.
    if not there or (len(there) < len(names) and " - " in of):
        return None, next(name for name in names if name not in table)
    if len(there) == 1:
        return table[there[0]], ""
    first, second = (table[name] for name in there)
    return (first - second if " - " in of else np.maximum(first, second)), ""


def taken(stage: Stage, table: Table) -> tuple[dict[str, Taken], list[float | None]]:
    """Every figure of a stage by its id, and when each of its marks was."""
    kinds = {mark.kind for mark in stage.marks}
    seen = [mark for mark in marks_of(table, stage.levels) if mark.kind in kinds]
    when = matched(stage.marks, seen)
    return {number.id: take(number, stage, table, when) for number in stage.numbers}, when


def take(number: Number, stage: Stage, table: Table, when: Sequence[float | None]) -> Taken:
    """One figure."""
    needed = (number.mark, number.to_mark, *(() if number.rest_mark is None else (number.rest_mark,)))
    for mark in needed:
        if when[mark] is None:
            return Taken(None, f"no '{stage.marks[mark].kind}' was found where the script has it")
    values, missing = signal(table, number.of)
    over, missing_over = signal(table, number.over) if number.over else (None, "")
    if values is None or missing or missing_over:
        return Taken(None, f"{missing or missing_over} was not logged")
    if number.power_step is not None and STEP in table:
        there = int(table[STEP][min(_index(table, float(when[number.mark] or 0.0)), len(table) - 1)])
        if there != number.power_step:
            return Taken(None, f"the power step was {there}, not {number.power_step}", stepped=False)
    start = _index(table, float(when[number.mark] or 0.0) + number.from_s)
    stop = _index(table, float(when[number.to_mark] or 0.0) + number.to_s)
    if stop - start < 2 or not np.isfinite(values[start:stop]).all():
        return Taken(None, "its time is not in the recording")
    if number.take in ("falls", "rises"):
        found = _wait(number, table, values, float(when[number.mark] or 0.0), start, stop)
        # What had not come when the recording ended may have come later.
        return Taken(None, "the recording ends before it") if found.value is None and stop == len(table) else found
    if number.take == "mean":
        value = float(np.mean(values[start:stop]))
        if number.rest_mark is not None:
            rest_s = float(when[number.rest_mark] or 0.0)
            before = values[_index(table, rest_s - BEFORE_S) : _index(table, rest_s)]
            value = float(np.mean(before)) - value if len(before) else math.nan
        if over is not None:
            value /= float(np.mean(over[start:stop])) or math.nan
        return Taken(value, logged=True) if math.isfinite(value) else Taken(None, f"{number.over} was nothing")
    smooth = smoothed(values[start:stop], table.t_us)
    index = int(np.argmax(smooth) if number.take == "highest" else np.argmin(smooth))
    return Taken(float(smooth[index]), logged=True)


def _wait(number: Number, table: Table, values: Floats, at_s: float, start: int, stop: int) -> Taken:
    """The time from a mark until a signal falls and stays, or first rises."""
    level = number.level
    if level is None:
        if number.take == "falls":
            reference = values[_index(table, at_s - BEFORE_S) : _index(table, at_s)]
            base = 0.0
        else:
            # Pulses begin at stop, not at nothing.
            reference = values[max(stop - _ticks(table, BEFORE_S), start) : stop]
            base = float(values[start])
        if not len(reference):
            return Taken(None, "its time is not in the recording")
        level = base + float(number.level_frac or 0.0) * (float(np.mean(reference)) - base)
    inside = values[start:stop]
    if number.level is None and number.take == "falls":
        inside = smoothed(inside, table.t_us, SLOW_S)
    if number.take == "falls":
        late = np.flatnonzero(inside > level)
        index = int(late[-1]) + 1 if len(late) else 0
    else:
        early = np.flatnonzero(inside >= level)
        index = int(early[0]) if len(early) else len(inside)
    if index == len(inside):
        word = "fall" if number.take == "falls" else "rise"
        return Taken(None, f"did not {word} to {level:.4g} in the time", logged=True)
    moment_s = to_s(int(table.t_us[start + index]))
    return Taken(max(moment_s - at_s, 0.0), logged=True)


def smoothed(values: Floats, t_us: NDArray[np.int64], over_s: float = SMOOTH_S) -> Floats:
    """Means over some time, each of what comes from its sample on; fewer than values, where that is not all there."""
    size = min(max(round(over_s * 1e6 / _interval_us(t_us)), 1), len(values))
    sums = np.concatenate(([0.0], np.cumsum(values)))
    means: Floats = (sums[size:] - sums[:-size]) / size
    return means


def _interval_us(t_us: NDArray[np.int64]) -> float:
    return float(t_us[1] - t_us[0]) if len(t_us) > 1 else 1.0


def _ticks(table: Table, seconds: float) -> int:
    return max(round(seconds * 1e6 / _interval_us(table.t_us)), 1)


def _index(table: Table, at_s: float) -> int:
    """The first row at or after a moment."""
    return int(np.searchsorted(table.t_us, to_us(at_s)))
