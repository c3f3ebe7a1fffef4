"""From a logger's time column to one clock that only runs forward (row 1).

A stamp may be missing, repeated, late, or far ahead; the counter behind it may
wrap, pass midnight, or start over. Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim.record.stamps import DAY_US
from sim.record.tally import SHOWN, RowLines, tally_of

UNIT_US = {"s": 1_000_000.0, "ms": 1_000.0, "us": 1.0, "ns": 1e-3}

# Unless the caller says otherwise, a pause this many times the median interval is a gap.
GAP_INTERVALS = 3.0

# An unnamed unit is the one that brings the median interval nearest to this, by ratio; common practice, no source.
_USUAL_INTERVAL_US = 10_000.0

# Far inside what 64 bits hold, and exact in a float.
LIMIT_US = 2.0**53

# Counters of 16 and 32 bits, in microseconds and milliseconds, begin again after so many microseconds.
_WRAPS_US = (1 << 16, (1 << 16) * 1000, 1 << 32, (1 << 32) * 1000)
# A counter wrapped if that leaves no longer pause than this, in median intervals.
_WRAP_INTERVALS = 10.0
# So many rows in a row are a clock that was set back, and fewer are rows that came late.
_SET_BACK_ROWS = 10
# Where this share of the rows repeats the stamp before, and no fewer rows than that, the stamps are coarse.
_COARSE_FRAC = 0.1
_COARSE_ROWS = 10


@dataclass(slots=True)
class Clock:
    """Which rows keep the clock running forward.

    t_us : int64, shape (rows,), mended; 0 where the stamp is missing.
    present : rows with a usable stamp.
    forward : present, and neither late nor far ahead.
    last : forward, and the last row of its stamp.
    ahead : rows dropped for being far ahead of what follows.
    turns : (row, what the counter did there, what that was taken for).
    coarse : rows whose stamp was moved on, because many bore the same.
    """

    t_us: NDArray[np.int64]
    present: NDArray[np.bool_]
    forward: NDArray[np.bool_]
    last: NDArray[np.bool_]
    ahead: list[int] = field(default_factory=list)
    turns: list[tuple[int, str]] = field(default_factory=list)
    coarse: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))


def guess_unit(stamps: NDArray[np.float64]) -> str:
    """The unit that makes the median interval the likeliest for a logger."""
    steps = np.diff(stamps[np.isfinite(stamps)])
    steps = steps[steps > 0.0]
    if not steps.size:
        return "s"
    median = float(np.median(steps))
    return min(UNIT_US, key=lambda unit: abs(np.log(median * UNIT_US[unit] / _USUAL_INTERVAL_US)))


def read_clock(stamps: NDArray[np.float64], unit: str, daily: bool = False) -> tuple[Clock, bool]:
    """Turn stamps into whole microseconds and find the rows that do not run forward.

    Parameters
    ----------
    stamps : shape (rows,), NaN where missing.
    unit : ``s``, ``ms``, ``us`` or ``ns``.
    daily : whether the clock begins anew at midnight.

    Returns
    -------
    Clock
    rounded : bool
        Whether a stamp was moved by more than a thousandth of a microsecond.
    """
    scaled = stamps * UNIT_US[unit]
    present = np.isfinite(scaled) & (np.abs(scaled) < LIMIT_US)
    scaled[~present] = 0.0
    whole = np.rint(scaled)
    rounded = bool(np.any(np.abs(scaled - whole) > 1e-3))
    del scaled
    clock = Clock(whole.astype(np.int64), present, present.copy(), present)
    del whole
    _run_forward(clock, daily)
    _spread(clock)
    clock.last = clock.forward.copy()
    if clock.forward.all():
        clock.last[:-1] = clock.t_us[1:] != clock.t_us[:-1]
    else:
        rows = np.flatnonzero(clock.forward)
        clock.last[rows[:-1][np.diff(clock.t_us[rows]) == 0]] = False
    return clock, rounded


def _run_forward(clock: Clock, daily: bool) -> None:
    """Find each place where the stamps fall back, and decide what happened there."""
    rows = np.flatnonzero(clock.present)
    t_us = clock.t_us[rows]
    steps = np.diff(t_us)
    starts = np.flatnonzero(steps < 0) + 1
    if not starts.size:
        return
    usual_us = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
    del steps
    runs = _Runs(t_us, usual_us, daily, int(t_us.max() - t_us.min()))
    for start, end in zip(starts.tolist(), [*starts[1:].tolist(), len(t_us)], strict=True):
        runs.add(start, end)
    clock.t_us[rows] = t_us
    clock.forward[rows[runs.dropped]] = False
    clock.ahead += rows[runs.ahead].tolist()
    clock.turns += [(int(rows[row]), what) for row, what in runs.turns]


class _Runs:
    """Stretches of stamps that each run forward, put one behind the other.

    t_us is changed in place: every stretch is moved on by what its counter lost.
    """

    def __init__(self, t_us: NDArray[np.int64], usual_us: float, daily: bool, span_us: int) -> None:
        self._t_us = t_us
        self._usual_us = usual_us
        self._daily = daily
        self._wraps_us = [wrap_us for wrap_us in _WRAPS_US if wrap_us > span_us]
        self._moved_us = 0
        # The rows kept last, and the stamp they end with.
        self._kept = (0, int(np.flatnonzero(np.diff(t_us) < 0)[0]) + 1)
        self.dropped = np.zeros(len(t_us), dtype=np.bool_)
        self.ahead: list[int] = []
        self.turns: list[tuple[int, str]] = []

    def add(self, start: int, end: int) -> None:
        """Put the next stretch behind the rows kept so far."""
        stretch = self._t_us[start:end]
        stretch += self._moved_us
        top, first = int(self._t_us[self._kept[1] - 1]), int(stretch[0])
        move_us, what = 0, ""
        if first < top:
            move_us, what = self._turn(top, first)
            if not what:
                start, move_us, what = self._fallen_back(start, stretch, top)
        if what:
            stretch += move_us
            self._moved_us += move_us
            self.turns.append((start, what))
        if start < end:
            self._kept = (start, end)

    def _fallen_back(self, start: int, stretch: NDArray[np.int64], top: int) -> tuple[int, int, str]:
        """Where the stretch begins once late rows are dropped, by how much it is moved on, and why."""
        first = int(stretch[0])
        if spike := self._spike(first):
            rows = range(self._kept[1] - spike, self._kept[1])
            self.dropped[rows] = True
            self.ahead += rows
            return start, 0, ""
        late = int(np.searchsorted(stretch, top))
        steady = late == len(stretch) or stretch[late] - stretch[late - 1] <= GAP_INTERVALS * self._usual_us
        if late < _SET_BACK_ROWS or not steady:
            self.dropped[start : start + late] = True
            return start + late, 0, ""
        what = (
            f"falls back by {(top - first) / 1e6:.6f} s: the logger started again or its clock was set; what follows is"
            " put one median interval behind, how long it paused is not known"
        )
        return start, top + max(round(self._usual_us), 1) - first, what

    def _turn(self, top: int, first: int) -> tuple[int, str]:
        """Whether the counter wrapped or midnight passed, and by how much it then has to be moved on."""
        if self._daily and DAY_US // 2 < top - first <= DAY_US:
            return DAY_US, "passes midnight; a day is added"
        for wrap_us in self._wraps_us:
            if 0 <= first + wrap_us - top <= min(_WRAP_INTERVALS * self._usual_us, wrap_us / 4):
                bits, unit = (wrap_us.bit_length() - 1, "us") if wrap_us & (wrap_us - 1) == 0 else (0, "ms")
                bits = bits or (wrap_us // 1000).bit_length() - 1
                return wrap_us, f"wraps as a counter of {bits} bits in {unit} does; {wrap_us} us are added"
        return 0, ""

    def _spike(self, first: int) -> int:
        """How many of the rows kept last jump far ahead of this stamp, if that is what they do; otherwise 0."""
        kept = self._t_us[slice(*self._kept)]
        before = int(np.searchsorted(kept, first, side="right"))
        ahead = len(kept) - before
        jumps = 0 < before < len(kept) and kept[before] - kept[before - 1] > GAP_INTERVALS * self._usual_us
        return ahead if jumps and ahead < _SET_BACK_ROWS else 0


def _spread(clock: Clock) -> None:
    """Where stamps are coarser than the rows, share the time to the next stamp out among the rows of one."""
    repeats = int(np.count_nonzero(clock.t_us[1:] == clock.t_us[:-1]))
    if repeats < max(_COARSE_ROWS, _COARSE_FRAC * len(clock.t_us)):
        return
    rows = np.flatnonzero(clock.forward)
    t_us = clock.t_us[rows]
    starts = np.concatenate(([0], np.flatnonzero(np.diff(t_us)) + 1))
    if len(starts) < 2:
        return
    counts = np.diff(np.concatenate((starts, [len(rows)])))
    widths = np.diff(t_us[starts])
    usual = int(np.median(widths))
    # The last stamp has none behind it; and rows before a gap were not written all through it.
    widths = np.minimum(np.concatenate((widths, [usual])), round(GAP_INTERVALS * usual))
    within = np.arange(len(rows)) - np.repeat(starts, counts)
    clock.t_us[rows] = t_us + within * np.repeat(widths, counts) // np.repeat(counts, counts)
    clock.coarse = rows[within > 0]


def clock_mends(clock: Clock, lines: RowLines) -> list[str]:
    """What was done about stamps, with the file's lines."""
    ahead = np.array(clock.ahead, dtype=np.intp)
    late = clock.present & ~clock.forward
    late[ahead] = False
    cases = (
        (np.flatnonzero(~clock.present), "without a usable stamp; dropped"),
        (np.flatnonzero(clock.forward & ~clock.last), "followed by a row with the same stamp; the later row kept"),
        (np.flatnonzero(late), "earlier than a row before; dropped"),
        (ahead, "far ahead of the rows that follow; dropped"),
        (clock.coarse, "with the stamp of the row before: stamps are coarser than rows; spread to the next stamp"),
    )
    mends = [
        f"time: {tally_of(lines.of(rows[:SHOWN]), len(rows)).places()} {what}" for rows, what in cases if len(rows)
    ]
    mends += [f"time: line {lines.line(row)} {what}" for row, what in clock.turns[:SHOWN]]
    return mends + ([f"time: {len(clock.turns) - SHOWN} more such turns"] if len(clock.turns) > SHOWN else [])


def find_gaps(t_us: NDArray[np.int64], longest_gap_us: float | None) -> NDArray[np.intp]:
    """Rows after which the clock pauses too long.

    Parameters
    ----------
    t_us : shape (rows,), increasing.
    longest_gap_us : the longest pause that is no gap; None takes GAP_INTERVALS times the median interval.
    """
    steps = np.diff(t_us)
    if longest_gap_us is None and steps.size:
        longest_gap_us = GAP_INTERVALS * float(np.median(steps))
    return np.flatnonzero(steps > (longest_gap_us or 0.0))


def gap_texts(t_us: NDArray[np.int64], gaps: NDArray[np.intp]) -> list[str]:
    """`gap of 45.000 ms from 15.000100 s` for the first gaps, and how many more there are."""
    texts = [f"gap of {(t_us[row + 1] - t_us[row]) / 1e3:.3f} ms from {t_us[row] / 1e6:.6f} s" for row in gaps[:SHOWN]]
    return texts + ([f"{len(gaps) - SHOWN} more gaps"] if len(gaps) > SHOWN else [])
