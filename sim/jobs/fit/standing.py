"""Stretches in which the throttle's lever stands still (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.ndimage import median_filter

from sim.jobs.fit.interval import Floats, robust_sigma
from sim.jobs.fit.trace import Mask, Trace

# A lever counts as standing where the reading keeps its level over this long, for at least that long; common
# practice, no source.
LOOK_S = 0.1
STAND_S = 0.3
# After a move the hand is still settling.
SETTLE_S = 0.05
# The level may wander by this many standard deviations of its own noise and one count.
WANDER = 5.0
# Behind so many standard deviations a sample is a spike.
SPIKE = 6.0
# The lever has moved where the level did by so many times the reading's noise, and so many counts.
MOVED_SIGMA, MOVED_COUNTS = 20.0, 20.0
# A quantised signal's least noise, in counts: that of rounding.
ROUNDING = 1.0 / math.sqrt(12.0)


class Stand(NamedTuple):
    """A stretch in which the lever stands.

    rows, level, sigma : its rows, their mean and their standard deviation, spikes aside.
    told : whether it was told that nobody touched anything in it.
    """

    trace: Trace
    rows: slice
    level: float
    sigma: float
    told: bool

    @property
    def counts(self) -> Floats:
        """The readings."""
        return self.trace.table["hall_counts"][self.rows]

    @property
    def t_s(self) -> Floats:
        """Their times."""
        return self.trace.t_s[self.rows]

    @property
    def length_s(self) -> float:
        """From the first row to the last."""
        return float(self.t_s[-1] - self.t_s[0])

    @property
    def clean(self) -> Mask:
        """Rows that are no spikes."""
        mask: Mask = np.abs(self.counts - self.level) <= SPIKE * max(self.sigma, ROUNDING) + 0.5
        return mask


def noise_counts(counts: Floats) -> float:
    """Scatter from row to row, whatever the level does: from the differences of neighbours, spikes aside."""
    return max(robust_sigma(np.diff(counts)) / math.sqrt(2.0), ROUNDING)


def stands(trace: Trace) -> list[Stand]:
    """Every stretch in which the lever stands, in order.

    Where the recording has the lever's true position, that decides; otherwise the reading's own level does, and what
    was told of its rest. A stretch does not reach over a gap.
    """
    counts = trace.table["hall_counts"]
    if (place := trace.get("lever_frac", "lever_m")) is not None:
        still = _still(place, trace)
    else:
        still = np.zeros(len(counts), dtype=np.bool_)
        for part in trace.unbroken:
            still[part] = _level(counts[part], max(round(LOOK_S / trace.interval_s), 2))
    moved = _moved(trace)
    found = []
    for part in trace.unbroken:
        told = trace.at_rest[part] & ~moved[part]
        for mask, is_told in ((told, True), (still[part] & ~told, False)):
            for start, stop in stretches(mask):
                rows = slice(part.start + start, part.start + stop)
                if trace.t_s[rows.stop - 1] - trace.t_s[rows.start] >= STAND_S and stop - start >= 8:
                    found.append(_stand(trace, rows, is_told))
    return sorted(found, key=lambda stand: stand.rows.start)


def _moved(trace: Trace) -> Mask:
    """Rows of stretches told to be at rest in which the reading's level moves all the same."""
    counts = trace.table["hall_counts"]
    moved = np.zeros(len(counts), dtype=np.bool_)
    look = max(round(LOOK_S / trace.interval_s), 2)
    for start, stop in stretches(trace.at_rest):
        part = counts[start:stop]
        if stop - start < 2 * look:
            continue
        smooth = median_filter(part, size=2 * (look // 2) + 1, mode="nearest")
        moved[start:stop] = float(np.ptp(smooth)) > max(MOVED_SIGMA * noise_counts(part), MOVED_COUNTS)
    return moved


def moved_in_rest(traces: Sequence[Trace]) -> str:
    """Which stretches told to be at rest were not, as far as the lever goes, in words; empty where all were."""
    words = []
    for trace in traces:
        moved = _moved(trace)
        for start, stop in stretches(trace.at_rest & moved):
            words.append(f"{trace.name} {trace.t_s[start]:.3g} to {trace.t_s[stop - 1]:.3g} s")
    return ", ".join(words)


def has_place(trace: Trace) -> bool:
    """Whether the recording has the lever's true position."""
    return trace.get("lever_frac", "lever_m") is not None


def _stand(trace: Trace, rows: slice, told: bool) -> Stand:
    counts = trace.table["hall_counts"][rows]
    level = float(np.median(counts))
    sigma = noise_counts(counts)
    near = counts[np.abs(counts - level) <= SPIKE * max(sigma, robust_sigma(counts)) + 0.5]
    return Stand(trace, rows, float(near.mean()), max(float(near.std()), ROUNDING), told)


def _still(place: Floats, trace: Trace) -> Mask:
    """Rows in which a true position does not change, the time to settle left out."""
    moved = np.concatenate(([True], np.diff(place) != 0.0))
    last = np.maximum.accumulate(np.where(moved, trace.t_s, -np.inf))
    still: Mask = trace.t_s - last >= SETTLE_S
    return still


def _level(counts: Floats, look: int) -> Mask:
    """Rows about which the running median keeps its level."""
    if len(counts) < 4 * look:
        return np.zeros(len(counts), dtype=np.bool_)
    smooth = median_filter(counts, size=2 * (look // 2) + 1, mode="nearest")
    before = np.concatenate((np.full(look, smooth[0]), smooth[:-look]))
    after = np.concatenate((smooth[look:], np.full(look, smooth[-1])))
    # The median of so many samples scatters by 1.25 sigma over their root.
    allowed = 1.0 + WANDER * 1.25 * noise_counts(counts) / np.sqrt(look)
    keeps: Mask = (np.abs(after - smooth) <= allowed) & (np.abs(smooth - before) <= allowed)
    return keeps


def stretches(mask: Mask) -> list[tuple[int, int]]:
    """First row of each stretch in which the mask holds, and the first one after it."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]
