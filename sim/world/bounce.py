"""Contact bounce: a clean make or break becomes a train of edges (row 1).

Drawn once before a run. Times are whole microseconds on the clock of the run.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Times = NDArray[np.int64]
Levels = NDArray[np.bool_]


class Bounce(NamedTuple):
    """How a contact bounces, on making and on breaking alike.

    mean_us, max_us : time from first to last edge, its mean and its longest;
        0 < mean < max. The defaults are those of 16 switches in J. Ganssle,
        "A Guide to Debouncing" (read second-hand).
    reopenings_mean : mean number of times the contact falls back before it
        settles, at least 1: assumed, no source.
    outlier_frac : share of edges that bounce for `outlier_us` instead.
    outlier_us : the worst switches left out of those means reached about 157 ms
        (same source, value from memory, not verified).
    """

    mean_us: float = 1557.0
    max_us: float = 6200.0
    reopenings_mean: float = 3.0
    outlier_frac: float = 0.0
    outlier_us: float = 157_000.0


GANSSLE = Bounce()


def durations_us(rng: np.random.Generator, n: int, bounce: Bounce) -> Times:
    """Bounce durations of `n` edges, in whole microseconds.

    Notes
    -----
    A Beta(1, b) share of the longest duration with ``b = max/mean - 1``: many
    short bounces, few long ones, with exactly the mean and maximum given. The
    shape between is assumed; the source has only the mean and the maximum.
    """
    share = 1.0 - rng.random(n) ** (1.0 / (bounce.max_us / bounce.mean_us - 1.0))
    outlier = rng.random(n) < bounce.outlier_frac
    return np.rint(np.where(outlier, bounce.outlier_us, bounce.max_us * share)).astype(np.int64)


def bounce_edges(
    rng: np.random.Generator, edge_times_us: ArrayLike, levels: ArrayLike, bounce: Bounce = GANSSLE
) -> tuple[Times, Levels]:
    """Clean edges with their bounce, as a finer list of edges.

    Parameters
    ----------
    rng : numpy Generator
    edge_times_us : array_like of int, shape (n,)
        Rising times of clean edges.
    levels : array_like of bool, shape (n,)
        The level from each edge on, taking turns.
    bounce : Bounce

    Returns
    -------
    times_us, levels : arrays, shape (m,)
        Rising times and the level from each on, taking turns. Each train starts at
        its clean edge and ends its whole duration later, unless the next clean
        edge cuts it short.
    """
    clean = np.asarray(edge_times_us, dtype=np.int64)
    spans = durations_us(rng, clean.size, bounce)
    times, marks = [clean], [np.asarray(levels, dtype=np.bool_)]
    for index, span in enumerate(spans.tolist()):
        if span < 2:
            # Too short to fall back within: a clean edge.
            continue
        # Fall back, remake, ...: an odd number of edges inside the span, then the settling one at its end.
        inside = 1 + 2 * int(rng.poisson(bounce.reopenings_mean - 1.0))
        toggles = clean[index] + np.append(np.sort(rng.integers(1, span, inside)), span)
        flips = marks[0][index] ^ (np.arange(inside + 1) % 2 == 0)
        following = clean[index + 1] if index + 1 < clean.size else np.inf
        times.append(toggles[toggles < following])
        marks.append(flips[toggles < following])
    return _settled(np.concatenate(times), np.concatenate(marks))


def _settled(times_us: Times, levels: Levels) -> tuple[Times, Levels]:
    """In order of time, the last level of each microsecond, and only where the level changes."""
    order = np.argsort(times_us, kind="stable")
    times_us, levels = times_us[order], levels[order]
    last = np.append(times_us[1:] != times_us[:-1], True)[: times_us.size]
    times_us, levels = times_us[last], levels[last]
    change = np.append(True, levels[1:] != levels[:-1])[: times_us.size]
    return times_us[change], levels[change]


def sampled(times_us: Times, levels: Levels, tick_us: int, n: int, initial: bool = False) -> Levels:
    """The level at each tick instant ``0, tick_us, ...``, shape (n,).

    An edge at the very instant of a tick has happened. Before the first edge
    the level is `initial`.
    """
    past = np.searchsorted(times_us, tick_us * np.arange(n, dtype=np.int64), side="right")
    return np.append(np.array([initial]), levels)[past]
