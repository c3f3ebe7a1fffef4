"""The lever's calibration: rest, full, dead band and drift, and whether the magnets explain the curve (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sim.jobs.fit.geometry import fit_curve, fit_ends
from sim.jobs.fit.interval import linear, mean_of
from sim.jobs.fit.push import push_of, without
from sim.jobs.fit.standing import MOVED_COUNTS, MOVED_SIGMA, Stand, has_place, moved_in_rest, stands
from sim.jobs.fit.told import Notebook, Panel, Topic
from sim.jobs.fit.trace import Given, Trace, having, names_of
from sim.jobs.fit.vehicle_codes import Codes

# A level within this share of the travel of the lowest or highest is that end's; common practice, no source.
NEAR_FRAC = 0.04
# Of the travel, where its true position is known.
END_FRAC = 0.005
# So many levels tell how well the lever comes back.
REPEATS = 3
# The dead band holds the reading at rest this many standard deviations wide.
BAND_SIGMA = 4.0
# Shorter than this, a drift is not looked for.
DRIFT_S = 10.0
S_PER_H = 3600.0
# Where a converter's noise is less than this, what it rounds away may be half a count.
QUIET_COUNTS = 0.4


class End(NamedTuple):
    """One end of the travel: its level in counts with half its interval, how, and the stretches it is from."""

    counts: float
    half: float
    how: str
    stands: tuple[Stand, ...]

    @property
    def rows(self) -> int:
        """Rows that went in."""
        return sum(len(each.counts) for each in self.stands)


def fit_lever(traces: Sequence[Trace], given: Given) -> Topic:
    """All that recordings of the throttle tell of the lever.

    Parameters
    ----------
    traces : those with `hall_counts` are taken; with `lever_frac` or `lever_m` the curve is fitted too.

    Notes
    -----
    Which end is rest: that of the stretches told, of the true position, or the one nearer to what the vehicle
    file makes of a lever at rest. An end's interval is Student's t over the levels of its stretches where there
    are three or more, which holds how well the lever comes back; with fewer it is that of the rows' mean.
    """
    used = [trace for trace in having(traces, "hall_counts") if not trace.changes]
    book = Notebook("lever", names_of(used))
    if not used:
        book.miss("lever", "a recording, not of changes alone, with hall_counts", "none")
        return book.done()
    if moved := moved_in_rest(used):
        book.miss("lever at rest as told", "a reading that keeps its level in stretches told to be at rest", moved)
    codes = Codes.of(given)
    push = push_of([stand for trace in used for stand in stands(trace)])
    if push is not None and push.counts_a:
        book.findings.append(
            f"The current's push, {push.counts_a:+.3f} counts/A, is taken off: every level is that at no current."
        )
    used = [without(trace, push) for trace in used]
    standing = [stand for trace in used for stand in stands(trace)]
    curve = [trace for trace in used if has_place(trace)]
    if not standing:
        book.miss("lever_rest_counts", "the lever standing still for 0.3 s", "a reading that never keeps its level")
    rest, full = _ends(standing, codes)
    if rest is not None:
        _rest(book, rest)
        _drift(book, rest)
    elif standing:
        level = f"levels of {min(stand.level for stand in standing):.0f} counts and more"
        book.miss("lever_rest_counts", "the lever standing at rest for 0.3 s", level)
    if full is not None:
        book.tell("lever_full_counts", "counts", full.counts, full.half, full.how, full.rows)
    if rest is not None and full is not None:
        _dead_band(book, rest, full)
    elif full is None and standing:
        level = f"a reading that keeps to {standing[0].level:.0f} counts"
        book.miss("lever_full_counts", "the lever pulled, and held for 0.3 s", level)
    if curve:
        fit_curve(book, curve, given, codes)
    elif rest is not None and full is not None:
        fit_ends(book, (rest.counts, rest.half), (full.counts, full.half), rest.rows + full.rows, given, codes)
    if standing and not curve:
        book.panels.append(_overview(used[0], rest, full))
    return book.done()


def _ends(standing: Sequence[Stand], codes: Codes) -> tuple[End | None, End | None]:
    """The levels at rest and at full; None where the lever was never held there."""
    placed = [
        (stand, float(codes.place(stand.trace)[stand.rows.start])) for stand in standing if has_place(stand.trace)
    ]
    if placed:
        rests = [stand for stand, place in placed if place <= END_FRAC]
        return _end(rests), _end([stand for stand, place in placed if place >= 1.0 - END_FRAC])
    if not standing:
        return None, None
    levels = np.array([stand.level for stand in standing])
    moved = max(MOVED_SIGMA * float(np.median([stand.sigma for stand in standing])), MOVED_COUNTS)
    told = [stand for stand in standing if stand.told]
    low, high = float(levels.min()), float(levels.max())
    if high - low < moved:
        # One level alone: which end it is, the vehicle file has to tell.
        return (_end(told or standing), None) if told or codes.nearer_rest(low) else (None, _end(standing))
    if told:
        rest = float(np.median([stand.level for stand in told]))
        far = high if high - rest >= rest - low else low
    else:
        rest, far = (low, high) if codes.nearer_rest(low) or not codes.nearer_rest(high) else (high, low)
    near = NEAR_FRAC * (high - low)
    rests = told or [stand for stand in standing if abs(stand.level - rest) <= near]
    fulls = [stand for stand in standing if abs(stand.level - far) <= near]
    return _end(rests), _end(fulls) if abs(far - rest) >= moved else None


def _end(chosen: Sequence[Stand]) -> End | None:
    if not chosen:
        return None
    hidden = 0.5 if float(np.median([stand.sigma for stand in chosen])) <= QUIET_COUNTS else 0.0
    if len(chosen) >= REPEATS:
        levels = np.array([stand.level for stand in chosen])
        fit = mean_of(levels)
        return End(float(fit.values[0]), float(fit.half[0]) + hidden, f"{len(chosen)} stretches", tuple(chosen))
    rows = np.concatenate([stand.counts[stand.clean] for stand in chosen])
    fit = mean_of(rows)
    return End(float(fit.values[0]), float(fit.half[0]) + hidden, fit.how, tuple(chosen))


def _rest(book: Notebook, rest: End) -> None:
    book.tell("lever_rest_counts", "counts", rest.counts, rest.half, rest.how, rest.rows)
    if len(rest.stands) < REPEATS:
        many = f"{len(rest.stands)} stretch{'es' if len(rest.stands) > 1 else ''} at rest"
        book.miss("how well the lever comes back", f"{REPEATS} stretches at rest or more", many)


def rest_sigma(rest: End) -> float:
    """The reading's scatter within the stretches at rest, in counts."""
    parts = [stand.counts[stand.clean] - stand.level for stand in rest.stands]
    rows = np.concatenate(parts)
    return float(np.sqrt(np.mean(rows * rows)))


def _drift(book: Notebook, rest: End) -> None:
    """The level at rest over time, each recording with a level of its own."""
    parts = [(stand.trace, stand.t_s[stand.clean], stand.counts[stand.clean]) for stand in rest.stands]
    spans = [times[-1] - times[0] for _, times, _ in parts]
    reach = max(_reach(rest), max(spans))
    if reach < DRIFT_S:
        book.miss("lever_drift_counts_h", f"stretches at rest {DRIFT_S:g} s apart", f"{reach:.1f} s")
        return
    known = list(dict.fromkeys(id(trace) for trace, _, _ in parts))
    design = np.zeros((sum(len(times) for _, times, _ in parts), len(known) + 1))
    at = 0
    for trace, times, _ in parts:
        design[at : at + len(times), 0] = times / S_PER_H
        design[at : at + len(times), 1 + known.index(id(trace))] = 1.0
        at += len(times)
    fit = linear(design, np.concatenate([counts for _, _, counts in parts]))
    if book.tell_fit("lever_drift_counts_h", "counts/h", fit):
        slope, half = float(fit.values[0]), float(fit.half[0])
        moved = slope * reach / S_PER_H
        word = "drifts" if abs(slope) > half else "does not drift beyond what noise allows: it moves"
        book.findings.append(f"The reading at rest {word} {moved:+.1f} counts in {reach:.0f} s.")


def _reach(rest: End) -> float:
    """The longest time between stretches at rest of one recording."""
    by_trace: dict[int, list[Stand]] = {}
    for stand in rest.stands:
        by_trace.setdefault(id(stand.trace), []).append(stand)
    return max(float(each[-1].t_s[-1] - each[0].t_s[0]) for each in by_trace.values())


def _dead_band(book: Notebook, rest: End, full: End) -> None:
    """The travel that has to ask for nothing, so that a lever at rest never does."""
    levels = np.array([stand.level for stand in rest.stands])
    sigma = rest_sigma(rest)
    rows = rest.rows
    above = float(np.abs(levels - rest.counts).max())
    span = abs(full.counts - rest.counts)
    value = 1000.0 * (above + BAND_SIGMA * sigma) / span
    # A standard deviation from n rows is known to one part in sqrt(2 n); its part of the band with it.
    half = 1000.0 * (1.96 * BAND_SIGMA * sigma / math.sqrt(2.0 * rows) + rest.half) / span
    book.tell("lever_dead_band_permille", "permille", value, half, "levels at rest and their scatter", rows)
    book.findings.append(
        f"At rest the reading lies within {above:.1f} counts and {BAND_SIGMA:g} times {sigma:.1f} counts rms of"
        f" {rest.counts:.0f}: a dead band of {math.ceil(value)} permille holds it, spikes aside."
    )


def _overview(trace: Trace, rest: End | None, full: End | None) -> Panel:
    """The reading over time, with the levels found."""
    t_s, counts = trace.t_s, trace.table["hall_counts"]
    shown = np.full(len(counts), np.nan)
    for end in (rest, full):
        for stand in end.stands if end is not None else ():
            if stand.trace is trace:
                shown[stand.rows] = end.counts if end is not None else np.nan
    left = np.where(np.isnan(shown), np.nan, counts - shown)
    note = "the fit is the level at rest and at full; data less fit below"
    panel = Panel(f"Throttle reading, {trace.name}", note, "time (s)", "counts", (t_s, counts), (t_s, shown))
    return panel._replace(left=(t_s, left))
