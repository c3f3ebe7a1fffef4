"""The water film across a contact, in the numbers that the vehicle file has for it (row 4).

The film's law is the simulation's own (``sim/world/electrodes.py``): a wander
between its bounds, splashes that wet in full and drain, bubbles that open the
gap. What is fitted is that law's seven numbers; whether water keeps to it, the
figure shows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import stats

from sim.jobs.fit.interval import TAIL, Floats, mean_of, median_of, poisson_rate, robust_sigma
from sim.jobs.fit.standing import stretches
from sim.jobs.fit.told import Notebook, Panel
from sim.jobs.fit.trace import Mask, Trace

# Of the highest leak: under the first the gap is open, a jump by the second within one row is a splash.
OPEN_FRAC, JUMP_FRAC = 0.02, 0.15
# A jump from below this is a bubble that goes, not a splash that comes.
WET_FRAC = 0.05
# A splash's fall is followed down to this share of its peak, and left out of the film until the second.
FALL_FRAC, FORGET_FRAC = 0.45, 0.05
# A film is told from so many blocks at least, each of so many of its own correlation times.
BLOCKS, LEAST_BLOCKS, BLOCK_TIMES = 20, 6, 3.0
# The film's correlation is followed down to this.
CORRELATED = 0.6
LEAST_FALL_ROWS = 4
# Splashes that tell their own height, and the drain.
LEAST_SPLASHES = 3


class Piece(NamedTuple):
    """An unbroken, untouched stretch of a leak: its times and conductances, shape (rows,)."""

    t_s: Floats
    siemens: Floats
    interval_s: float


class Splash(NamedTuple):
    """Where a splash came, how high, and how fast it drained; the last is NaN where the film hid it."""

    at_s: float
    peak_siemens: float
    drain_s: float


class Sight(NamedTuple):
    """What was seen in a piece: splashes, the rows of bubbles, and when a bubble went that had hidden a splash."""

    piece: Piece
    splashes: tuple[Splash, ...]
    bubbles: tuple[tuple[int, int], ...]
    hidden_s: tuple[float, ...]


def fit_film(
    book: Notebook, part: str, recorded: Sequence[tuple[Trace, Floats, Mask]], conductivity_s_m: float | None
) -> None:
    """The film's seven numbers and the electrodes' radius.

    Parameters
    ----------
    recorded : of each recording its conductance in siemens, shape (rows,), and the rows that count.
    conductivity_s_m : of the water; without it the radius, and what is a share of full wetting, are not told.

    Notes
    -----
    Rates are exact of a count over the time in which they could have been seen. Bubbles overlap: with arrivals of
    rate r and stays of mean s, a stretch without water lasts (exp(r s) - 1)/r in the mean (handbook form of a
    queue without waiting). The wander's intervals are those of a block jackknife: what is
    left out is one block of time after the other.
    """
    pieces = [piece for trace, siemens, mask in recorded for piece in _pieces(trace, siemens, mask)]
    length_s = sum(float(piece.t_s[-1] - piece.t_s[0]) for piece in pieces)
    if not pieces or length_s < 1.0:
        book.miss(f"{part}.film", "a second of an untouched line without a gap", f"{length_s:.2f} s")
        return
    highest = max(float(np.percentile(piece.siemens, 99.9)) for piece in pieces)
    noise = float(np.median([line_noise(piece) for piece in pieces]))
    if highest < 12.0 * noise or highest <= 0.0:
        book.miss(f"{part}.film", "a leak that stands out of the line's noise", f"{1e6 * highest:.2g} uS at most")
        return
    jump = max(JUMP_FRAC * highest, 8.0 * noise)
    dry = max(OPEN_FRAC * highest, 4.0 * noise)
    # In one row the film itself moves by so much; what goes further is a bubble or a splash.
    step = float(np.median([robust_sigma(np.diff(piece.siemens)) for piece in pieces]))
    wet = max(WET_FRAC * highest, 2.0 * dry, dry + 5.0 * step)
    sights = [_sight(piece, jump, dry, wet) for piece in pieces]
    splashes = [splash for sight in sights for splash in sight.splashes]
    rows = sum(len(piece.t_s) for piece in pieces)
    seen_s = sum(float(np.count_nonzero(piece.siemens > wet)) * piece.interval_s for piece in pieces)
    if seen_s < 0.1 * length_s:
        book.miss(f"{part}.film", "a contact that is wet most of the time", "one that is mostly dry")
        return
    rate = poisson_rate(len(splashes), seen_s)
    book.tell_band(f"{part}.film.splash_rate_hz", "Hz", rate, "exact, of a count", rows, of_vehicle=True)
    drain_s = _drain(book, part, splashes)
    _bubbles(book, part, sights, seen_s)
    full = _full(book, part, pieces, splashes, drain_s, highest, rows, conductivity_s_m)
    _wander(book, part, sights, drain_s, full, conductivity_s_m)
    _picture(book, part, max(pieces, key=lambda piece: len(piece.t_s)), full)


def line_noise(piece: Piece) -> float:
    """The line's own noise in a leak, in siemens, told from the film's wander: over two rows the film moves by twice
    the variance of one, and noise does not."""
    one = robust_sigma(np.diff(piece.siemens)) ** 2
    two = robust_sigma(piece.siemens[2:] - piece.siemens[:-2]) ** 2
    return math.sqrt(max(0.5 * (2.0 * one - two), 0.0))


def _pieces(trace: Trace, siemens: Floats, mask: Mask) -> list[Piece]:
    found = []
    for part in trace.unbroken:
        for start, stop in stretches(mask[part]):
            rows = slice(part.start + start, part.start + stop)
            if stop - start >= 20:
                found.append(Piece(trace.t_s[rows], siemens[rows], trace.interval_s))
    return found


def _sight(piece: Piece, jump: float, dry: float, wet: float) -> Sight:
    bubbles = tuple(_bubble_rows(piece, dry, wet))
    return Sight(piece, tuple(_splashes(piece, jump, wet)), bubbles, tuple(_hidden(piece, bubbles, jump)))


def _splashes(piece: Piece, jump: float, wet: float) -> list[Splash]:
    """Rows in which the leak rises at once from a film that was there."""
    siemens = piece.siemens
    rises = np.flatnonzero((np.diff(siemens) > jump) & (siemens[:-1] > wet)) + 1
    found: list[Splash] = []
    last = -2
    for row in rises.tolist():
        # A rise spread over two rows is one splash.
        if row > last + 1:
            peak = float(siemens[row : row + 2].max())
            found.append(Splash(float(piece.t_s[row]), peak, _fall_s(piece, row, peak)))
        last = row
    return found


def _fall_s(piece: Piece, row: int, peak: float) -> float:
    """Time constant of the fall behind a peak, as long as it only falls."""
    stop = row + 1
    siemens = piece.siemens
    while stop < len(siemens) and FALL_FRAC * peak < siemens[stop] <= siemens[stop - 1]:
        stop += 1
    # The last of them may already be the film.
    rows = slice(row, stop - 1)
    if stop - 1 - row < LEAST_FALL_ROWS:
        return math.nan
    slope = float(np.polyfit(piece.t_s[rows], np.log(siemens[rows]), 1)[0])
    return -1.0 / slope if slope < 0.0 else math.nan


def _drain(book: Notebook, part: str, splashes: Sequence[Splash]) -> float:
    known = np.array([splash.drain_s for splash in splashes if math.isfinite(splash.drain_s)])
    if len(known) < LEAST_SPLASHES:
        needed = f"{LEAST_SPLASHES} splashes that fall far enough before the film hides them"
        book.miss(f"{part}.film.splash_drain_s", needed, f"{len(known)}")
        return float(np.median(known)) if known.size else 0.15
    middle, low, high = median_of(known)
    how = "of a median, by the sign test"
    if not math.isfinite(low):
        fit = mean_of(known)
        middle, half = float(fit.values[0]), float(fit.half[0])
        low, high, how = middle - half, middle + half, f"Student's t of {len(known)} splashes"
    book.tell_band(f"{part}.film.splash_drain_s", "s", (middle, low, high), how, len(known), of_vehicle=True)
    return middle


def _bubble_rows(piece: Piece, dry: float, wet: float) -> list[tuple[int, int]]:
    """Rows in which the gap is open: it opens within one row, where a film that dries up takes its time."""
    return [
        (start, stop) for start, stop in stretches(piece.siemens <= dry) if start == 0 or piece.siemens[start - 1] > wet
    ]


def _hidden(piece: Piece, bubbles: Sequence[tuple[int, int]], jump: float) -> list[float]:
    """When bubbles went that left more water than they found: a splash came meanwhile."""
    siemens = piece.siemens
    return [
        float(piece.t_s[stop])
        for start, stop in bubbles
        if start > 0 and stop < len(siemens) and siemens[stop] - siemens[start - 1] > jump
    ]


def _bubbles(book: Notebook, part: str, sights: Sequence[Sight], seen_s: float) -> None:
    """Rate and stay of what opens the gap, from the stretches without water and the time between them."""
    whole = [
        (stop - start) * sight.piece.interval_s
        for sight in sights
        for start, stop in sight.bubbles
        if start > 0 and stop < len(sight.piece.siemens)
    ]
    stays = np.array(whole)
    begun = sum(start > 0 for sight in sights for start, _ in sight.bubbles)
    rows = sum(len(sight.piece.t_s) for sight in sights)
    rate, low, high = poisson_rate(begun, seen_s)
    book.tell_band(f"{part}.film.bubble_rate_hz", "Hz", (rate, low, high), "exact, of a count", rows, of_vehicle=True)
    if len(stays) < LEAST_SPLASHES:
        book.miss(f"{part}.film.bubble_time_s", f"{LEAST_SPLASHES} bubbles that come and go", f"{len(stays)}")
        return
    mean = float(stays.mean())
    # Exponential stays: twice their sum over the mean goes as chi-squared.
    chi = stats.chi2(2 * len(stays))
    ends = [2.0 * float(stays.sum()) / float(chi.ppf(share)) for share in (1.0 - TAIL, TAIL)]
    alone = [math.log1p(rate * each) / rate for each in (mean, *ends)]
    how = "exact, of exponential stays, less their overlap"
    book.tell_band(f"{part}.film.bubble_time_s", "s", (alone[0], alone[1], alone[2]), how, len(stays), of_vehicle=True)


def _full(
    book: Notebook,
    part: str,
    pieces: Sequence[Piece],
    splashes: Sequence[Splash],
    drain_s: float,
    highest: float,
    rows: int,
    conductivity_s_m: float | None,
) -> float:
    """The leak of a gap wetted in full: the splashes' peaks, or else the highest there was."""
    peaks = np.array([splash.peak_siemens for splash in splashes])
    full, band, how = highest, (math.nan, math.nan), ""
    if len(peaks) >= LEAST_SPLASHES:
        # A peak is seen half an interval after it came, in the mean.
        seen = math.exp(0.5 * pieces[0].interval_s / drain_s)
        middle, low, high = median_of(peaks * seen)
        if not math.isfinite(low):
            fit = mean_of(peaks * seen)
            low, high = float(fit.values[0] - fit.half[0]), float(fit.values[0] + fit.half[0])
            middle = float(fit.values[0])
        spread = seen - 1.0
        full, band = middle, (low * (1.0 - spread), high * (1.0 + spread))
        how = f"peaks of {len(peaks)} splashes, taken as wetted in full"
    if conductivity_s_m is None or conductivity_s_m <= 0.0:
        needed = "--water or --conductivity of the water it was recorded in"
        book.miss(f"{part}.electrode_radius_m", needed, "neither, or air")
    elif not how:
        needed = f"{LEAST_SPLASHES} splashes that wet it in full"
        book.miss(f"{part}.electrode_radius_m", needed, f"{len(peaks)}; the highest leak is {1e6 * highest:.1f} uS")
    else:
        per = 1.0 / (2.0 * conductivity_s_m)
        radius = (full * per, band[0] * per, band[1] * per)
        book.tell_band(f"{part}.electrode_radius_m", "m", radius, how, rows, of_vehicle=True)
    return full


def _wander(
    book: Notebook,
    part: str,
    sights: Sequence[Sight],
    drain_s: float,
    full: float,
    conductivity_s_m: float | None,
) -> None:
    """Middle, deviation and correlation time of what is neither splash nor bubble."""
    kept, times = [], []
    for sight in sights:
        piece = sight.piece
        mask = np.ones(len(piece.siemens), dtype=np.bool_)
        for start, stop in sight.bubbles:
            # A row on either side may have seen the gap open for a part of its time.
            mask[max(start - 1, 0) : stop + 1] = False
        for at_s in (*(splash.at_s for splash in sight.splashes), *sight.hidden_s):
            since = piece.t_s - at_s
            mask &= (since < -0.5 * piece.interval_s) | (since > -math.log(FORGET_FRAC) * drain_s)
        values = np.where(mask, piece.siemens / full, np.nan)
        kept.append(values[mask])
        times.append((values, piece.interval_s))
    values = np.concatenate(kept)
    length_s = sum(len(each) * interval_s for each, (_, interval_s) in zip(kept, times, strict=True))
    if len(values) < 20:
        book.miss(f"{part}.film.mean_wetted_frac", "film between splashes and bubbles", f"{len(values)} rows")
        return
    whole = _law(times)
    tau_s = whole[2]
    blocks = min(BLOCKS, int(length_s / (BLOCK_TIMES * tau_s))) if math.isfinite(tau_s) else 0
    if blocks < LEAST_BLOCKS:
        keeps = f", in which it keeps its level for {tau_s:.1f} s" if math.isfinite(tau_s) else ""
        got = f"{length_s:.1f} s of it{keeps}"
        needed = f"film for {LEAST_BLOCKS * BLOCK_TIMES:g} of its own correlation times"
        book.miss(f"{part}.film.film_time_s", needed, got)
        return
    halves = _jackknife(times, blocks, whole)
    how = f"block jackknife, {blocks} blocks"
    told = [("film_time_s", "s", tau_s, halves[2])]
    if conductivity_s_m:
        told += [("mean_wetted_frac", "1", whole[0], halves[0]), ("film_spread_frac", "1", whole[1], halves[1])]
    else:
        needed = "--water or --conductivity, since it is a share of what the radius makes"
        book.miss(f"{part}.film.mean_wetted_frac, film_spread_frac", needed, "neither, or air")
    for key, unit, value, half in told:
        band = (value, max(value - half, 0.0), value + half)
        if key == "film_time_s":
            # A time's scatter is one of ratios.
            band = (value, value * math.exp(-half / value), value * math.exp(half / value))
        book.tell_band(f"{part}.film.{key}", unit, band, how, len(values), of_vehicle=True)


def _law(parts: Sequence[tuple[Floats, float]]) -> tuple[float, float, float]:
    """Mean, deviation and correlation time of a film with rows that are NaN."""
    values = np.concatenate([each[np.isfinite(each)] for each, _ in parts])
    if len(values) < 20:
        return math.nan, math.nan, math.nan
    mean, spread = float(values.mean()), float(values.std())
    return mean, spread, _correlation_s(parts, mean, spread)


def _jackknife(
    parts: Sequence[tuple[Floats, float]], blocks: int, whole: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Half the 95 % interval of each of `_law`'s numbers: the law again and again with a block of time left out."""
    rows = sum(len(values) for values, _ in parts)
    left_out = []
    for block in range(blocks):
        first, stop, at, kept = block * rows // blocks, (block + 1) * rows // blocks, 0, []
        for values, interval_s in parts:
            holes = values.copy()
            holes[max(first - at, 0) : max(stop - at, 0)] = np.nan
            kept.append((holes, interval_s))
            at += len(values)
        left_out.append(_law(kept))
    scattered = np.array([each for each in left_out if all(map(math.isfinite, each))])
    n = len(scattered)
    spread = np.sqrt((n - 1) / n * np.sum((scattered - scattered.mean(axis=0)) ** 2, axis=0))
    t = float(stats.t.isf(TAIL, n - 1))
    return float(t * spread[0]), float(t * spread[1]), float(t * spread[2])


def _correlation_s(parts: Sequence[tuple[Floats, float]], mean: float, spread: float) -> float:
    """The time in which what is left of a deviation falls to 1/e, from the products at several lags.

    The straight line through their logarithms has a level of its own, which takes up the line's noise; short lags
    weigh more, as they are known better.
    """
    interval_s = parts[0][1]
    found: list[tuple[float, float]] = []
    longest = max(len(values) for values, _ in parts)
    for lag in np.unique(np.geomspace(1, longest // 4 + 1, 40).astype(int)).tolist():
        total, count = 0.0, 0
        for values, _ in parts:
            product = (values[lag:] - mean) * (values[:-lag] - mean)
            good = np.isfinite(product)
            total += float(product[good].sum())
            count += int(np.count_nonzero(good))
        correlation = total / count / (spread * spread) if count >= 10 and spread > 0.0 else 0.0
        if correlation < CORRELATED and len(found) >= 2:
            break
        if correlation <= 0.0:
            break
        found.append((lag * interval_s, correlation))
    if len(found) < 2:
        return math.nan
    at, levels = np.array(found).T
    slope = float(np.polyfit(at, np.log(levels), 1, w=1.0 / at)[0])
    return -1.0 / slope if slope < 0.0 else math.nan


def _picture(book: Notebook, part: str, piece: Piece, full: float) -> None:
    ends = np.array([piece.t_s[0], piece.t_s[-1]])
    book.panels.append(
        Panel(
            f"Leak of {part}, untouched",
            "from the line's voltage and the pull-up; line: wetted in full",
            "time (s)",
            "uS",
            (piece.t_s, 1e6 * piece.siemens),
            (ends, np.full(2, 1e6 * full)),
        )
    )
