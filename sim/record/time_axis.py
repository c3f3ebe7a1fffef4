"""From a logger's time column to one clock that only runs forward (row 1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.record.cells import SHOWN, Tally

UNIT_US = {"s": 1_000_000.0, "ms": 1_000.0, "us": 1.0}

# Unless the caller says otherwise, a pause this many times the median interval is a gap.
GAP_INTERVALS = 3.0

# An unnamed unit is the one that brings the median interval nearest to this, by ratio; common practice, no source.
_USUAL_INTERVAL_US = 10_000.0

# Far inside what 64 bits hold, and exact in a float.
_LIMIT_US = 2.0**53


@dataclass(frozen=True, slots=True)
class Clock:
    """Which rows keep the clock running forward.

    t_us : int64, shape (rows,); 0 where the stamp is missing.
    present : rows with a usable stamp.
    forward : present, and not before a row above.
    last : forward, and the last row of its stamp.
    """

    t_us: NDArray[np.int64]
    present: NDArray[np.bool_]
    forward: NDArray[np.bool_]
    last: NDArray[np.bool_]


def guess_unit(stamps: NDArray[np.float64]) -> str:
    """The unit that makes the median interval the likeliest for a logger."""
    steps = np.diff(stamps[np.isfinite(stamps)])
    steps = steps[steps > 0.0]
    if not steps.size:
        return "s"
    median = float(np.median(steps))
    return min(UNIT_US, key=lambda unit: abs(np.log(median * UNIT_US[unit] / _USUAL_INTERVAL_US)))


def read_clock(stamps: NDArray[np.float64], unit: str) -> tuple[Clock, bool]:
    """Turn stamps into whole microseconds and find the rows that do not run forward.

    Parameters
    ----------
    stamps : shape (rows,), NaN where missing.
    unit : ``s``, ``ms`` or ``us``.

    Returns
    -------
    Clock
    rounded : bool
        Whether a stamp was moved by more than a thousandth of a microsecond.
    """
    scaled = stamps * UNIT_US[unit]
    present = np.isfinite(scaled) & (np.abs(scaled) < _LIMIT_US)
    scaled = np.where(present, scaled, 0.0)
    whole = np.rint(scaled)
    t_us = whole.astype(np.int64)
    newest = np.maximum.accumulate(np.where(present, t_us, np.iinfo(np.int64).min))
    forward = present & (t_us == newest)
    rows = np.flatnonzero(forward)
    last = forward.copy()
    last[rows[:-1][t_us[rows[1:]] == t_us[rows[:-1]]]] = False
    return Clock(t_us, present, forward, last), bool(np.any(np.abs(scaled - whole) > 1e-3))


def clock_mends(clock: Clock, lines: NDArray[np.int64]) -> list[str]:
    """What was done about stamps that are missing, repeat or run backward, with the file's lines."""
    cases = (
        (~clock.present, "without a usable stamp; dropped"),
        (clock.forward & ~clock.last, "followed by a row with the same stamp; the later row kept"),
        (clock.present & ~clock.forward, "earlier than a row before; dropped"),
    )
    mends = []
    for rows, what in cases:
        tally = Tally()
        for line in lines[rows]:
            tally.add(int(line))
        if tally.count:
            mends.append(f"time: {tally.places()} {what}")
    return mends


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
