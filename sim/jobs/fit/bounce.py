"""A contact's bounce: from the first edge to the last, of every press and release that was recorded finely (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from sim.jobs.fit.interval import TAIL, Floats
from sim.jobs.fit.told import Notebook, Panel
from sim.jobs.fit.trace import Mask, Trace

# Edges nearer to each other than this are one train: common practice for a debounce, 20 to 50 ms.
APART_US = 25_000
# A mean of fewer recording intervals than this is no mean of bounces but of the logger's own grid.
INTERVALS = 10.0
LEAST_TRAINS = 5
# A longest duration is sought from just above the longest seen to many times that.
LOG_OVER = (-60.0, 14.0)


def trains(trace: Trace, reads: Floats, touched: Mask) -> Floats:
    """Microseconds from the first to the last edge of each press and each release, 0 where it was clean.

    Edges while nobody touches the contact are water's, and left out.

    A train that ends where it began, a click, is none.
    """
    at = np.flatnonzero(np.diff(reads)) + 1
    at = at[touched[at]]
    if not at.size:
        return np.empty(0)
    t_us = trace.table.t_us[at]
    first = np.concatenate(([True], np.diff(t_us) > APART_US))
    starts = np.flatnonzero(first)
    stops = np.append(starts[1:], len(at)) - 1
    # An even number of edges leads back to where it began.
    moved = (stops - starts) % 2 == 0
    spans: Floats = (t_us[stops] - t_us[starts])[moved].astype(np.float64)
    return spans


def fit_bounce(book: Notebook, part: str, recorded: Sequence[tuple[Trace, Floats, Mask]]) -> None:
    """Mean and longest bounce of a contact.

    Notes
    -----
    Source of the longest: the distribution of the largest of n draws is inverted for the bounds of a Beta(1, b)
    share of a longest duration, which is how the simulation draws them (see ``sim/world/bounce.py``), at its median
    and at both ends of 95 %.
    """
    best = min((_grid_us(trace) for trace, _, _ in recorded), default=math.inf)
    spans = np.concatenate([trains(*each) for each in recorded] or [np.empty(0)])
    if len(spans) < LEAST_TRAINS:
        book.miss(f"{part}.bounce_us_mean", f"{LEAST_TRAINS} presses and releases or more", f"{len(spans)}")
        return
    mean = float(spans.mean())
    if mean < INTERVALS * best:
        got = f"a row every {best:.0f} us, in which they take {mean:.0f} us in the mean and {spans.max():.0f} at most"
        needed = f"a row every {max(mean, 500.0) / INTERVALS:.0f} us or a dump of changes"
        book.miss(f"{part}.bounce_us_mean", needed, got)
        return
    # A plain mean, since a robust one would take the few long ones for outliers.
    half = float(stats.t.isf(TAIL, len(spans) - 1)) * float(spans.std(ddof=1)) / math.sqrt(len(spans))
    how = f"Student's t of {len(spans)} trains"
    book.tell(f"{part}.bounce_us_mean", "us", mean, half, how, len(spans), of_vehicle=True)
    longest = float(spans.max())
    low, middle, high = (_longest(longest, mean, len(spans), share) for share in (1.0 - TAIL, 0.5, TAIL))
    if math.isfinite(high):
        how = "the largest of so many, inverted"
        book.tell_band(f"{part}.bounce_us_max", "us", (middle, low, high), how, len(spans), of_vehicle=True)
    else:
        got = f"{len(spans)}, the longest {longest:.0f} us, after which none longer can be ruled out"
        book.miss(f"{part}.bounce_us_max", "more presses and releases", got)
    _picture(book, part, np.sort(spans), mean, middle if math.isfinite(middle) else longest)


def _picture(book: Notebook, part: str, ordered: Floats, mean: float, top: float) -> None:
    share = (np.arange(len(ordered)) + 0.5) / len(ordered)

    def law(at: Floats) -> Floats:
        shorter: Floats = 1.0 - np.clip(1.0 - at / top, 0.0, 1.0) ** (top / mean - 1.0)
        return shorter

    at = np.linspace(0.0, top, 200)
    note = f"{len(ordered)} trains; fit: the simulation's own law with this mean and longest"
    words = ("from first to last edge (us)", "share that is shorter")
    panel = Panel(f"Bounce of {part}", note, *words, (ordered, share), (at, law(at)), dots=True)
    book.panels.append(panel._replace(left=(ordered, share - law(ordered))))


def _grid_us(trace: Trace) -> float:
    """How finely a recording tells a moment."""
    return 1.0 if trace.changes else 1e6 * trace.interval_s


def _longest(longest: float, mean: float, n: int, share: float) -> float:
    """The longest duration there can be, of which the largest of `n` draws is `longest` or less with this chance.

    Endless where even draws without a longest would leave it so short.
    """

    def chance(log_over: float) -> float:
        top = longest * (1.0 + math.exp(log_over))
        ratio = top / mean - 1.0
        # One draw is longer than `longest` by (1 - longest/top)^ratio.
        over = ratio * (log_over - math.log1p(math.exp(log_over)))
        return n * math.log1p(-math.exp(over)) - math.log(share)

    if chance(LOG_OVER[1]) > 0.0:
        return math.inf
    return longest * (1.0 + math.exp(float(brentq(chance, *LOG_OVER))))
