"""A recording on the firmware's own ticks, and two recordings on one clock (row 1)."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError
from sim.record.table import Table
from sim.record.time_axis import find_gaps, gap_texts

# A clock that jumps by months would otherwise ask for more memory than there is.
MOST_TICKS = 50_000_000


def to_ticks(
    table: Table,
    tick_us: int,
    linear: Collection[str] = (),
    longest_gap_us: int | None = None,
    changes: bool = False,
) -> tuple[Table, tuple[str, ...]]:
    """Sample a table at every tick, as the firmware would have.

    Parameters
    ----------
    table : Table
        At least one row. Its first sample becomes t = 0.
    tick_us : int > 0
    linear : names of columns to interpolate instead of hold; for slow voltages and currents only.
    longest_gap_us : the longest pause that is no gap; None takes three median intervals.
    changes : whether the rows are the moments something changed: then there are no intervals and no gaps.

    Returns
    -------
    Table
        At 0, tick_us, 2 tick_us, ... up to the last sample.
    notes : the recording's median interval and jitter, samples and pulses no tick saw, and gaps, at the recording's
        own times.

    Raises
    ------
    ValueError
        No rows, a tick that is not positive, or a name in `linear` that is no column.
    InputError
        The recording is too long for its ticks.

    Notes
    -----
    A held column shows at each tick the newest sample at or before it, so
    that no value and no early knowledge is invented. Interpolation looks
    ahead to the next sample; across a gap it holds, as nothing is known there.
    """
    unknown = sorted(set(linear) - set(table.names))
    if not len(table) or tick_us <= 0 or unknown:
        raise ValueError(f"cannot put {len(table)} rows on ticks of {tick_us} us, interpolating {unknown or 'nothing'}")
    since_us = table.t_us - table.t_us[0]
    ticks = int(since_us[-1]) // tick_us + 1
    if ticks > MOST_TICKS:
        got = f"{since_us[-1] / 1e6:.0f} s, {ticks} ticks of {tick_us} us"
        raise InputError([Fault("the recording", "t_us", f"a length of at most {MOST_TICKS} ticks", got)])
    grid = np.arange(ticks, dtype=np.int64) * tick_us
    newest = np.searchsorted(since_us, grid, side="right") - 1
    gaps = find_gaps(table.t_us, np.inf if changes else longest_gap_us)
    in_gap = np.isin(newest, gaps)
    columns = {}
    for name in table.names:
        held = table[name][newest]
        if name in linear:
            held = np.where(in_gap, held, np.interp(grid, since_us, table[name]))
        columns[name] = held
    unseen = len(table) - 1 - int(np.count_nonzero(np.diff(newest)))
    notes = [] if changes else _interval_notes(table.t_us, gaps)
    if unseen:
        what = "moments of change" if changes else "samples"
        notes.append(f"{unseen} {what} fell between ticks of {tick_us} us and are not seen")
    notes += [text for name in table.names if (text := _pulse_note(name, table[name], since_us, table.t_us, tick_us))]
    notes += [f"{text}: last values held across" for text in gap_texts(table.t_us, gaps)]
    return Table(grid, columns), tuple(notes)


def lag_us(a: NDArray[np.float64], b: NDArray[np.float64], tick_us: int, longest_us: int) -> int:
    """How much later `b` shows what `a` shows, by cross-correlation.

    Parameters
    ----------
    a, b : float64, shapes (n,) and (m,)
        One signal twice, on the same ticks, finite.
    tick_us : int > 0
    longest_us : int >= 0
        The largest lag tried, either way.

    Returns
    -------
    int
        A multiple of tick_us, positive where `b` is late. Of equally good lags the shortest; 0 where either is
        constant, since nothing can be lined up then.

    Notes
    -----
    For each lag the correlation coefficient over the samples that overlap is
    taken; at least half of the shorter signal has to overlap.
    """
    shorter = min(len(a), len(b))
    most = min(longest_us // tick_us, shorter // 2)
    # Taking the level off first keeps the sums small against rounding.
    a, b = a - a.mean(), b - b.mean()
    best, best_score = 0, 0.0
    for lag in sorted(range(-most, most + 1), key=abs):
        early, late = a[max(-lag, 0) :], b[max(lag, 0) :]
        size = min(len(early), len(late))
        score = _correlation(early[:size], late[:size])
        if score > best_score + 1e-12:
            best, best_score = lag, score
    return best * tick_us


def align(a: Table, b: Table, column: str, tick_us: int, longest_us: int) -> tuple[Table, Table, int]:
    """Put two tables on one clock by what a column shows in both.

    Parameters
    ----------
    a, b : Table
        Each has `column`; each clock counts from its own first sample.
    column : the signal to line up, a command for instance.
    tick_us, longest_us : as in `lag_us`.

    Returns
    -------
    Table, Table
        Held at the same ticks, from 0, over the time both cover once `b` is moved earlier by the lag.
    int
        The lag found, positive where `b` was late.
    """
    on_a, on_b = to_ticks(a, tick_us)[0], to_ticks(b, tick_us)[0]
    lag = lag_us(on_a[column], on_b[column], tick_us, longest_us)
    from_a, from_b = max(-lag, 0) // tick_us, max(lag, 0) // tick_us
    size = min(len(on_a) - from_a, len(on_b) - from_b)
    return _cut(on_a, from_a, size), _cut(on_b, from_b, size), lag


def _cut(table: Table, first: int, size: int) -> Table:
    """`size` rows from `first` on, with the first tick at 0."""
    return Table(table.t_us[:size], {name: table[name][first : first + size] for name in table.names})


def _correlation(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """The correlation coefficient, 0 where either is constant."""
    a, b = a - a.mean(), b - b.mean()
    # Not np.dot: for sums as short as these the threads it starts cost more than they save.
    scale = float(np.sqrt(_product(a, a) * _product(b, b)))
    return _product(a, b) / scale if scale > 0.0 else 0.0


def _product(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return float(np.einsum("i,i", a, b))


def _pulse_note(
    name: str, values: NDArray[np.float64], since_us: NDArray[np.int64], t_us: NDArray[np.int64], tick_us: int
) -> str:
    """What a contact does between two ticks and has undone by the next, as a firmware would miss it."""
    starts = np.flatnonzero(np.diff(values)) + 1
    if len(starts) < 2 or np.any((values != 0.0) & (values != 1.0)):
        return ""
    # The tick that first shows each state; a state is not seen where the next one has the same.
    shown = -(-since_us[starts] // tick_us)
    missed = starts[:-1][shown[1:] == shown[:-1]]
    if not missed.size:
        return ""
    first = int(missed[0])
    end = int(starts[np.searchsorted(starts, first, side="right")])
    pressed = int(np.count_nonzero(values[missed]))
    return (
        f"{name}: {pressed} times at 1 and {len(missed) - pressed} times at 0 for less than a tick of {tick_us} us, not"
        f" seen; the first at {t_us[first] / 1e6:.6f} s for {t_us[end] - t_us[first]} us"
    )


def _interval_notes(t_us: NDArray[np.int64], gaps: NDArray[np.intp]) -> list[str]:
    steps = np.delete(np.diff(t_us), gaps)
    if not steps.size:
        return ["recorded once: there is no interval"]
    median = float(np.median(steps))
    jitter = float(np.sqrt(np.mean((steps - median) ** 2)))
    return [f"recorded every {median:.0f} us (median), jitter {jitter:.0f} us rms, {steps.min()} to {steps.max()} us"]
