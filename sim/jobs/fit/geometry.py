"""The magnets' closed form fitted to the throttle's curve: does the geometry explain it? (row 4)"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import stats

from sim.jobs.fit.interval import JACOBIAN, Fit, Floats, fitted
from sim.jobs.fit.standing import noise_counts
from sim.jobs.fit.told import Notebook, Panel
from sim.jobs.fit.trace import Given, Trace
from sim.jobs.fit.vehicle_codes import Codes
from sim.world import lever

KEYS = ("polarization_tesla", "gap_m", "rest_offset_m")
UNITS = {"polarization_tesla": "T", "gap_m": "m", "rest_offset_m": "m"}
# A curve needs so much of the travel, and so many places.
LEAST_TRAVEL_FRAC = 0.5
BINS = 24
POINTS = 401
# The geometry explains the curve where what it leaves is under this share of the range; common practice, no source.
EXPLAINED_FRAC = 0.01
# More rows tell the same three numbers again.
MOST_ROWS = 20_000
# A model may be wrong by so little without chance noticing it.
CHANCE = 0.001
# A number known no better than to itself is not known.
KNOWN_FRAC = 1.0


def with_numbers(carriage: lever.LeverParams, values: Floats, keys: Sequence[str] = KEYS) -> lever.LeverParams:
    """The same lever with some of its numbers changed."""
    changed: dict[str, Any] = {key: float(value) for key, value in zip(keys, values, strict=True)}
    return carriage._replace(**changed)


def fit_curve(book: Notebook, traces: Sequence[Trace], given: Given, codes: Codes) -> None:
    """Counts against the true position, through the closed form of both magnets.

    Notes
    -----
    Polarisation and sensitivity come as a product, rest offset and misalignment along the travel as a difference:
    sensitivity and misalignment are held at the vehicle file's. Rows in which the lever moves faster than it can be
    told where it is, and spikes, are left to the loss.
    """
    places = np.concatenate([codes.place(trace) for trace in traces])
    counts = np.concatenate([trace.table["hall_counts"] for trace in traces])
    span = float(np.ptp(places))
    if span < LEAST_TRAVEL_FRAC:
        book.miss("magnets", f"positions over {LEAST_TRAVEL_FRAC:g} of the travel", f"{span:.2f}")
        return
    stride = max(1, len(places) // MOST_ROWS)
    places, counts = places[::stride], counts[::stride]
    fit = _solved(places, counts, codes)
    model = codes.counts(with_numbers(codes.magnets, fit.values), places)
    explained = _verdict(book, places, counts - model, codes)
    for index, key in enumerate(KEYS):
        band = f"{fit.values[index]:.3g} +- {fit.half[index]:.2g}"
        if not explained:
            book.miss(f"throttle.{key}", "a curve that the magnets' closed form can make", f"{band}, which does not")
        elif fit.half[index] < KNOWN_FRAC * abs(float(fit.values[index])):
            book.tell_fit(f"throttle.{key}", UNITS[key], fit, index, of_vehicle=True)
        else:
            book.miss(f"throttle.{key}", "a curve that bends enough to tell it from the others", band)
    at = np.linspace(float(places.min()), float(places.max()), 201)
    line = codes.counts(with_numbers(codes.magnets, fit.values), at)
    note = "closed form of both magnets; data less fit below"
    book.panels.append(
        Panel(
            "Converter's code over the travel",
            note,
            "lever, 0 at rest to 1 at full",
            "counts",
            (places, counts),
            (at, line),
            (places, counts - model),
            dots=True,
        )
    )


def _solved(places: Floats, counts: Floats, codes: Codes) -> Fit:
    """The three numbers, from the vehicle file's own as a start, within what can be built."""
    carriage = codes.magnets
    start = np.array([getattr(carriage, key) for key in KEYS])
    sized = np.abs(start)
    reach = carriage.travel_m + abs(carriage.misalign_x_m)
    low = np.array([-10.0, 0.05 * sized[1], start[2] - reach])
    high = np.array([10.0, 20.0 * sized[1], start[2] + reach])
    low[0], high[0] = (0.01, 10.0) if start[0] > 0.0 else (-10.0, -0.01)
    scale = np.array([sized[0], sized[1], max(carriage.travel_m, 1e-6)])

    # The closed form takes its time; straight lines between so many of its points are off by hundredths of a count.
    at = np.linspace(float(places.min()), float(places.max()), POINTS)

    def left(values: Floats) -> Floats:
        try:
            return counts - np.interp(places, at, codes.counts(with_numbers(carriage, values * scale), at))
        except ValueError:
            # A carriage that would strike the sensor: worse than any other.
            return np.full(len(counts), 10.0 * codes.counts_max)

    fit = fitted(left, start / scale, low / scale, high / scale)
    return Fit(
        fit.values * scale,
        fit.half * scale,
        fit.covariance * np.outer(scale, scale),
        fit.residuals,
        fit.sigma,
        fit.how,
    )


def _verdict(book: Notebook, places: Floats, left: Floats, codes: Codes) -> bool:
    """Whether the geometry explains the curve: means of the residuals over the travel, against what noise allows."""
    edges = np.linspace(float(places.min()), float(places.max()), BINS + 1)
    at = np.clip(np.digitize(places, edges) - 1, 0, BINS - 1)
    sigma = max(noise_counts(left), float(np.std(left)) * 0.1)
    means, errors, counted = [], [], []
    for index in range(BINS):
        inside = left[at == index]
        if len(inside) >= 4:
            means.append(float(np.median(inside)))
            errors.append(1.2533 * sigma / np.sqrt(len(inside)))
            counted.append(0.5 * (edges[index] + edges[index + 1]))
    worst = int(np.argmax(np.abs(means)))
    span = abs(codes.full - codes.rest)
    allowed = float(stats.norm.isf(CHANCE / (2 * len(means)))) * errors[worst]
    share = abs(means[worst]) / span
    explained = share <= EXPLAINED_FRAC
    book.tell("lever_unexplained_counts", "counts", abs(means[worst]), 1.96 * errors[worst], JACOBIAN, len(left))
    beyond = "more" if abs(means[worst]) > allowed else "no more"
    book.findings.append(
        f"The magnets' geometry {'explains' if explained else 'does not explain'} the curve: at {counted[worst]:.2f} of"
        f" the travel it leaves {means[worst]:+.1f} counts, {1000.0 * share:.1f} permille of the range, {beyond} than"
        f" noise makes of {allowed:.1f}."
    )
    return explained


def fit_ends(
    book: Notebook, rest: tuple[float, float], full: tuple[float, float], rows: int, given: Given, codes: Codes
) -> None:
    """Polarisation and rest offset from the counts at both ends, where no position was recorded.

    Parameters
    ----------
    rest, full : counts and half their interval.

    Notes
    -----
    Two numbers from two: nothing is left to test the geometry by. The gap is held at the vehicle file's, and its
    tolerance goes into the intervals.
    """
    keys = ("polarization_tesla", "rest_offset_m")
    carriage = codes.magnets
    ends = np.array([0.0, 1.0])
    scale = np.array([abs(carriage.polarization_tesla), carriage.travel_m])
    gap = given.vehicle.throttle.gap_m

    def solved(counts: Floats, gap_m: float) -> Floats | None:
        base = carriage._replace(gap_m=gap_m)
        start = np.array([base.polarization_tesla, base.rest_offset_m]) / scale

        def left(values: Floats) -> Floats:
            try:
                return counts - codes.counts(with_numbers(base, values * scale, keys), ends)
            except ValueError:
                return np.full(2, 10.0 * codes.counts_max)

        done = fitted(left, start, start - 1.0, start + 1.0)
        return done.values * scale if float(np.abs(done.residuals).max()) < 0.5 else None

    counts = np.array([rest[0], full[0]])
    middle = solved(counts, float(gap))
    if middle is None:
        got = f"{rest[0]:.0f} and {full[0]:.0f} counts, which no polarisation and offset give with this gap"
        book.miss("throttle.polarization_tesla, throttle.rest_offset_m", "ends within the magnets' reach", got)
        return
    moved = [
        solved(counts + np.array([rest[1], 0.0]), float(gap)),
        solved(counts + np.array([0.0, full[1]]), float(gap)),
        *(solved(counts, end) for end in (gap.low, gap.high) if end != float(gap)),
    ]
    changes = [abs(each - middle) for each in moved if each is not None]
    if len(changes) < len(moved):
        book.miss("throttle.polarization_tesla, throttle.rest_offset_m", "a curve", "ends at the edge of the reach")
        return
    of_gap = np.max(changes[2:], axis=0) if len(changes) > 2 else np.zeros(2)
    half = np.sqrt(changes[0] ** 2 + changes[1] ** 2 + of_gap**2)
    how = "the ends' intervals and the gap's tolerance, carried through"
    for index, key in enumerate(keys):
        book.tell(f"throttle.{key}", UNITS[key], float(middle[index]), float(half[index]), how, rows, of_vehicle=True)
    book.miss("whether the magnets explain the curve", "lever_frac or lever_m beside hall_counts", "both ends alone")
