"""Moments that a recording shows by itself, and which of a script's they are (row 4).

Nobody keeps a script's clock by hand. What happened is told by the contacts and
the lever, and matched with the script in order, whatever the pauses.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import to_s
from sim.jobs.plan.model import Levels, Mark, MarkKind
from sim.record.table import Table

# A state that lasts no longer is bounce, or a sample gone wrong; common practice, no source.
BRIEF_S = 0.03
# A shorter press is one of a gesture, not the start of a ride.
HOLD_S = 0.5
# Lever travel at which it counts as pulled, and at which as let back.
UP_FRAC, DOWN_FRAC = 0.6, 0.4
# A reading this near to either end of the converter comes from no sound sensor.
RAIL_FRAC = 0.02
# What a pause that differs by so much costs of a match.
PAUSE_S = 10.0
# A press of a gesture says less than the start of a ride.
LIGHT = 0.2
# Water that clicks by itself can fill a recording with marks; more than these are not looked at.
MOST = 3000

Mask = NDArray[np.bool_]


def marks_of(table: Table, levels: Levels) -> tuple[Mark, ...]:
    """All marks of a table in order of time; a column that is not there shows none."""
    found: list[Mark] = []
    if "deadman" in table:
        for start, stop in _spells(steady(table["deadman"] > 0.5, table.t_us)):
            held_s = to_s(int(table.t_us[min(stop, len(table) - 1)] - table.t_us[start]))
            if held_s < HOLD_S and stop < len(table):
                found.append(_at(table, "click", start))
                continue
            # A contact that is closed when the recording begins was not pressed in it.
            found += [_at(table, "press", start)] if start else []
            found += [_at(table, "release", stop)] if stop < len(table) else []
    if "mode_button" in table:
        pressed = _spells(steady(table["mode_button"] > 0.5, table.t_us))
        found += [_at(table, "button", start) for start, _ in pressed if start]
    if "kill_cord" in table:
        found += _pairs(table, steady(table["kill_cord"] < 0.5, table.t_us), "cord out", "cord back")
    if "hall_counts" in table:
        counts = table["hall_counts"]
        edge = RAIL_FRAC * levels.counts_max
        off = steady((counts <= edge) | (counts >= levels.counts_max - edge), table.t_us)
        found += _pairs(table, off, "wire off", "wire on")
        found += _pairs(table, steady(pulled(counts, off, levels), table.t_us), "lever up", "lever down")
    return tuple(sorted(found, key=lambda mark: mark.at_s)[:MOST])


def pulled(counts: NDArray[np.float64], off: Mask, levels: Levels) -> Mask:
    """Whether the lever is pulled; between the two borders, and with its wire off, as before."""
    travel = (counts - levels.rest_counts) / (levels.full_counts - levels.rest_counts)
    up, down = (travel > UP_FRAC) & ~off, (travel < DOWN_FRAC) & ~off
    told = np.where(up | down, np.arange(len(counts)), -1)
    last = np.maximum.accumulate(told)
    return np.where(last >= 0, up[np.maximum(last, 0)], False)


def steady(values: Mask, t_us: NDArray[np.int64]) -> Mask:
    """Values without their brief states, each of which takes the state before it."""
    if not len(values):
        return values
    starts = np.concatenate(([0], np.flatnonzero(np.diff(values)) + 1))
    ends = np.concatenate((t_us[starts[1:]], [t_us[-1]]))
    lasts = (ends - t_us[starts] >= BRIEF_S * 1e6) | (ends == t_us[-1])
    lasts[0] = True
    kept = starts[lasts]
    return np.repeat(values[kept], np.diff(np.concatenate((kept, [len(values)]))))


def _pairs(table: Table, values: Mask, begins: MarkKind, ends: MarkKind) -> list[Mark]:
    spells = _spells(values)
    return [
        *(_at(table, begins, start) for start, _ in spells if start),
        *(_at(table, ends, stop) for _, stop in spells if stop < len(table)),
    ]


def _spells(values: Mask) -> list[tuple[int, int]]:
    """The stretches of true values, each as its first and one past its last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], values, [False]))))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def _at(table: Table, kind: MarkKind, index: int) -> Mark:
    return Mark(kind=kind, at_s=to_s(int(table.t_us[index])))


def matched(script: Sequence[Mark], seen: Sequence[Mark]) -> list[float | None]:
    """When each mark of a script was, in the recording's own time; None where it was not found.

    Notes
    -----
    The heaviest common subsequence of both (the dynamic programme of edit
    distances, as in the handbooks): marks of one kind match, in order, whatever
    lies between; of several ways the one in which pauses are most alike.
    """
    rows, columns = len(script), len(seen)
    best = np.zeros((rows + 1, columns + 1))
    for row in range(rows - 1, -1, -1):
        for column in range(columns - 1, -1, -1):
            skipped = max(best[row + 1, column], best[row, column + 1])
            if script[row].kind == seen[column].kind:
                skipped = max(skipped, best[row + 1, column + 1] + _worth(script, row, seen, column))
            best[row, column] = skipped
    found: list[float | None] = [None] * rows
    row = column = 0
    while row < rows and column < columns:
        alike = script[row].kind == seen[column].kind
        if alike and best[row, column] <= best[row + 1, column + 1] + _worth(script, row, seen, column) + 1e-12:
            found[row] = seen[column].at_s
            row, column = row + 1, column + 1
        elif best[row + 1, column] >= best[row, column + 1]:
            row += 1
        else:
            column += 1
    return found


def _worth(script: Sequence[Mark], row: int, seen: Sequence[Mark], column: int) -> float:
    """What a match is worth: more where the pauses before and behind are alike."""
    weight = LIGHT if script[row].kind in ("click", "button") else 1.0
    differ = 0.0
    for step in (-1, 1):
        if 0 <= row + step < len(script) and 0 <= column + step < len(seen):
            asked = abs(script[row + step].at_s - script[row].at_s)
            differ += min(abs(abs(seen[column + step].at_s - seen[column].at_s) - asked) / PAUSE_S, 1.0)
    return weight * (1.0 - 0.2 * differ)
