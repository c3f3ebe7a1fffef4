"""The throttle reading's noise: how much, at which frequencies, its spikes, and whether the motors push it (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from sim.base.clock import to_us
from sim.jobs.fit.interval import CONFIDENCE, TAIL, Floats, covariance_of, median_of, poisson_rate
from sim.jobs.fit.push import CURRENTS, SWING_A, Push, known_to_stand, push_of, swing_of, without
from sim.jobs.fit.spectrum import peaks_of, spectrum_of, tone
from sim.jobs.fit.standing import ROUNDING, SPIKE, Stand, moved_in_rest, stands
from sim.jobs.fit.told import Notebook, Panel, Series, Topic, listed
from sim.jobs.fit.trace import Given, Trace, having, names_of
from sim.jobs.fit.vehicle_codes import Codes

# So many rows of a lever that stands are asked for.
LEAST_ROWS = 200
QUIET_COUNTS = 0.4
# Of the noise's own change with current: rows under a quarter and over three quarters of the current's range.
QUARTERS = (0.25, 0.75)
VACUUM = 2e-7  # mu0 / 2 pi: tesla, metres and amperes


def fit_noise(traces: Sequence[Trace], given: Given) -> Topic:
    """All that recordings of a standing lever tell of the reading's noise.

    Parameters
    ----------
    traces : those with `hall_counts`; with `pack_a` the current's part is told too.

    Notes
    -----
    What is taken: the stretches told to be at rest, else those in which the true position, or the reading's own
    level, stays. In each, the reading less its level. Spikes are samples more than six standard deviations off,
    and are kept out of the noise. Rounding's variance of 1/12 count is taken off.
    """
    used = [trace for trace in having(traces, "hall_counts") if not trace.changes]
    book = Notebook("noise", names_of(used))
    if not used:
        book.miss("noise", "a recording, not of changes alone, with hall_counts", "none")
        return book.done()
    if moved := moved_in_rest(used):
        book.miss("noise at rest as told", "a reading that keeps its level in stretches told to be at rest", moved)
    push = push_of([stand for trace in used for stand in stands(trace)])
    # What the current does is told by itself, and is no noise.
    standing = [stand for trace in used for stand in stands(without(trace, push))]
    chosen = [stand for stand in standing if stand.told] or standing
    rows = sum(len(stand.counts) for stand in chosen)
    if rows < LEAST_ROWS:
        book.miss("noise", f"{LEAST_ROWS} rows of a lever that stands", f"{rows}")
        return book.done()
    volt = 1.0 / Codes.of(given).counts_per_v
    off = [(stand.counts - stand.level) * volt for stand in chosen]
    sigma = max(_sigma(chosen), ROUNDING) * volt
    spiky = [np.abs(each) > SPIKE * sigma + 0.5 * volt for each in off]
    _rms(book, off, spiky, volt)
    _spikes(book, chosen, off, spiky)
    longest = max(range(len(off)), key=lambda index: len(off[index]))
    _spectrum(book, chosen[longest], np.where(spiky[longest], 0.0, off[longest]))
    _current(book, standing, push, given, volt)
    book.series.append(_recorded(chosen, off))
    book.panels.insert(0, _picture(chosen[longest], off[longest], sigma))
    return book.done()


def _sigma(chosen: Sequence[Stand]) -> float:
    """Scatter of all stretches together, in counts, spikes aside."""
    sizes = np.array([len(stand.counts) for stand in chosen], dtype=np.float64)
    variances = np.array([stand.sigma**2 for stand in chosen])
    return float(np.sqrt(np.sum(sizes * variances) / np.sum(sizes)))


def _rms(book: Notebook, off: Sequence[Floats], spiky: Sequence[NDArray[np.bool_]], volt: float) -> None:
    """The standard deviation: the mean of the squares, with the interval that their own correlation leaves."""
    squares = np.concatenate([each[~mask] ** 2 for each, mask in zip(off, spiky, strict=True)])
    # Each stretch gave one row's worth away for its level.
    share = len(squares) / (len(squares) - len(off))
    mean = float(squares.mean()) * share
    covariance, freedom, how = covariance_of(
        np.ones((len(squares), 1)), squares - squares.mean(), np.ones_like(squares)
    )
    half = float(stats.t.isf(TAIL, freedom)) * math.sqrt(float(covariance[0, 0]))
    rounding = (ROUNDING * volt) ** 2

    def rms(square: float) -> float:
        return math.sqrt(max(square - rounding, 0.0))

    high = rms(mean + half)
    if high < QUIET_COUNTS * volt:
        # So little noise may never reach the next count.
        high, how = QUIET_COUNTS * volt, f"{how}; rounding hides less than {QUIET_COUNTS:g} counts"
    book.tell_band("sensor.noise_v_rms", "V", (rms(mean), rms(mean - half), high), how, len(squares), True)
    book.findings.append(
        f"Noise {1e3 * rms(mean):.2f} mV rms, {rms(mean) / volt:.2f} counts; spikes and rounding aside."
    )


def _spikes(book: Notebook, chosen: Sequence[Stand], off: Sequence[Floats], spiky: Sequence[NDArray[np.bool_]]) -> None:
    """Spikes: how often, how high, how long."""
    exposure = sum(len(stand.counts) * stand.trace.interval_s for stand in chosen)
    rows = sum(len(each) for each in off)
    heights, runs = [], []
    for each, mask in zip(off, spiky, strict=True):
        edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8))).reshape(-1, 2)
        runs += (edges[:, 1] - edges[:, 0]).tolist()
        heights += [float(np.abs(each[start:stop]).max()) for start, stop in edges]
    book.tell_band(
        "sensor.spike_rate_hz", "Hz", poisson_rate(len(heights), exposure), "exact, of a count", rows, of_vehicle=True
    )
    if not heights:
        book.miss("sensor.spike_v", "a spike beyond six standard deviations", f"none in {exposure:.0f} s")
        return
    middle, low, high = median_of(np.array(heights))
    if math.isfinite(low):
        how = "of a median, by the sign test"
        book.tell_band("sensor.spike_v", "V", (middle, low, high), how, len(heights), of_vehicle=True)
    else:
        book.miss("sensor.spike_v", "6 spikes or more", f"{len(heights)}")
    long = f", the longest {max(runs)} rows" if max(runs) > 1 else ", each one row long"
    signs = sum(int(np.count_nonzero(each[mask] > 0.0)) for each, mask in zip(off, spiky, strict=True))
    total = sum(int(np.count_nonzero(mask)) for mask in spiky)
    many = f"{len(heights)} spikes" if len(heights) > 1 else "One spike"
    book.findings.append(
        f"{many} in {exposure:.0f} s, {1e3 * middle:.0f} mV in the middle, up to {1e3 * max(heights):.0f} mV{long};"
        f" {signs} of {total} rows upwards."
    )


def _spectrum(book: Notebook, stand: Stand, off: Floats) -> None:
    """Where in frequency the noise is, and what stands out of it."""
    rate_hz = 1.0 / stand.trace.interval_s
    found = spectrum_of(off, rate_hz)
    if found is None:
        book.miss("noise spectrum", "256 rows of one stretch", f"{len(off)}")
        return
    at_hz, density, segments = found
    left = off
    tones: list[tuple[float, float]] = []
    for start_hz in peaks_of(at_hz, density, segments):
        heard = tone(left, rate_hz, start_hz)
        if heard is None:
            continue
        fit, model = heard
        left = left - model
        book.tell_fit(f"noise_tone_{len(tones) + 1}_hz", "Hz", fit, 2)
        size = math.hypot(float(fit.values[0]), float(fit.values[1])) / math.sqrt(2.0)
        book.tell(
            f"noise_tone_{len(tones) + 1}_v_rms",
            "V",
            size,
            float(max(fit.half[:2])) / math.sqrt(2.0),
            fit.how,
            len(off),
        )
        tones.append((float(fit.values[2]), size))
    words = listed(f"{hz:.4g} Hz ({1e3 * size:.2f} mV rms)" for hz, size in tones)
    book.findings.append(
        f"In the spectrum to {rate_hz / 2.0:.0f} Hz " + (f"stand out: {words}." if tones else "nothing stands out.")
    )
    marks = tuple((hz, float(np.interp(hz, at_hz, density)), f"{hz:.4g} Hz") for hz, _ in tones)
    floor = np.full(len(at_hz) - 1, float(np.median(density[1:])))
    note = f"Welch, {segments} segments; fit: white noise of the same middle"
    book.panels.append(
        Panel(
            "Noise over frequency",
            note,
            "frequency (Hz)",
            "V^2/Hz",
            (at_hz[1:], density[1:]),
            (at_hz[1:], floor),
            logarithmic=True,
            marks=marks,
        )
    )


def _current(book: Notebook, standing: Sequence[Stand], push: Push | None, given: Given, volt: float) -> None:
    """Whether the reading of a lever that stands goes with the current, and its noise with it."""
    if push is None:
        got = f"a swing of {swing_of(standing):.1f} A in such stretches"
        needed = f"pack_a swinging by {SWING_A:g} A while lever_frac or --rest tells that the lever stands"
        book.miss("current's push on the reading", needed, got)
        return
    fit, swing, rows = push.fit, push.swing_a, len(push.current_a)
    slope, half = float(fit.values[0]) * volt, float(fit.half[0]) * volt
    book.tell("current_push_ohm", "V/A", slope, half, fit.how, rows)
    _as_wires(book, slope, half, fit.how, rows, given)
    pushed = f"{1e3 * slope * swing:+.1f} +- {1e3 * half * swing:.1f} mV at {swing:.0f} A"
    verdict = "is pushed" if push.counts_a else "is not pushed beyond what noise allows"
    book.findings.append(f"The reading {verdict} by the current while the lever stands: {pushed}.")
    _noise_with_current(book, standing, swing, volt)
    order = np.argsort(push.current_a, kind="stable")
    line = np.array([push.current_a.min(), push.current_a.max()])
    book.panels.append(
        Panel(
            "Reading over current, lever standing",
            "each stretch less its own level at no current; the fit is one slope for all",
            "current (A)",
            "mV",
            (push.current_a[order], 1e3 * volt * push.over[order]),
            (line, 1e3 * slope * line),
            (push.current_a[order], 1e3 * volt * fit.residuals[order]),
            dots=True,
        )
    )


def _as_wires(book: Notebook, slope: float, half: float, how: str, rows: int, given: Given) -> None:
    """The push as the vehicle file has it: a shared ground wire, beside the stray field of leads at its distance."""
    codes = Codes.of(given)
    distance = given.vehicle.throttle.lead_distance_m
    stray = codes.v_per_tesla * VACUUM / float(distance)
    spread = max(stray - codes.v_per_tesla * VACUUM / distance.high, codes.v_per_tesla * VACUUM / distance.low - stray)
    ground, both = slope - stray, math.hypot(half, spread)
    if ground + both < 0.0:
        away = f", as leads {1e3 * codes.v_per_tesla * VACUUM / slope:.0f} mm away would" if slope > 0.0 else ""
        got = f"{1e6 * slope:+.1f} uV/A{away}; lead_distance_m alone makes {1e6 * stray:+.1f}"
        book.miss("sensor.ground_ohm", "a push that leads at lead_distance_m do not exceed", got)
        return
    band = max(ground, 0.0), max(ground - both, 0.0), max(ground + both, 0.0)
    book.tell_band("sensor.ground_ohm", "ohm", band, f"{how}; lead_distance_m's tolerance with it", rows, True)


def _noise_with_current(book: Notebook, standing: Sequence[Stand], swing: float, volt: float) -> None:
    """Scatter from row to row at little and at much current, as the brushless motors' ripple would raise it."""
    low_a, high_a = (share * swing for share in QUARTERS)
    few, many = [], []
    for stand in standing:
        current = stand.trace.get(*CURRENTS)
        if current is None or not known_to_stand(stand):
            continue
        steps = np.diff(stand.counts) * volt
        keep = np.abs(steps) <= SPIKE * math.sqrt(2.0) * stand.sigma * volt * 2.0
        middle = 0.5 * (current[stand.rows][1:] + current[stand.rows][:-1])
        few.append(steps[keep & (middle <= low_a)])
        many.append(steps[keep & (middle >= high_a)])
    quiet, loud = np.concatenate(few) ** 2, np.concatenate(many) ** 2
    if min(len(quiet), len(loud)) < LEAST_ROWS:
        book.miss(
            "noise with current", f"{LEAST_ROWS} rows each at little and much current", f"{len(quiet)} and {len(loud)}"
        )
        return
    ratio = math.sqrt(float(loud.mean()) / float(quiet.mean()))
    relative = math.hypot(_relative(loud), _relative(quiet))
    half = 0.5 * ratio * relative
    book.tell(
        "noise_ratio_with_current", "1", ratio, half, "block bootstrap of both mean squares", len(quiet) + len(loud)
    )
    word = "grows" if ratio - half > 1.0 else "does not grow beyond what chance allows"
    book.findings.append(
        f"From row to row the noise {word} with current: {ratio:.2f} +- {half:.2f} times as much over {high_a:.0f} A as"
        f" under {low_a:.0f} A."
    )


def _relative(squares: Floats) -> float:
    """Half the interval of a mean of squares, as a share of it."""
    covariance, freedom, _ = covariance_of(np.ones((len(squares), 1)), squares - squares.mean(), np.ones_like(squares))
    return (
        float(stats.t.isf(0.5 * (1.0 - CONFIDENCE), freedom))
        * math.sqrt(float(covariance[0, 0]))
        / float(squares.mean())
    )


def _recorded(chosen: Sequence[Stand], off: Sequence[Floats]) -> Series:
    """The noise itself, spikes included, of the recording with the most of it, stretch after stretch."""
    lengths: dict[int, int] = {}
    for stand in chosen:
        lengths[id(stand.trace)] = lengths.get(id(stand.trace), 0) + len(stand.counts)
    most = max(lengths, key=lambda key: lengths[key])
    kept = [each for stand, each in zip(chosen, off, strict=True) if id(stand.trace) == most]
    values = np.concatenate(kept)
    interval_us = to_us(next(stand.trace.interval_s for stand in chosen if id(stand.trace) == most))
    return Series("hall_noise", "hall_noise_v", np.arange(len(values), dtype=np.int64) * max(interval_us, 1), values)


def _picture(stand: Stand, off: Floats, sigma: float) -> Panel:
    t_s = stand.t_s
    note = f"the longest stretch of a standing lever, less its level; lines at {SPIKE:g} standard deviations"
    edges = np.array([t_s[0], t_s[-1], np.nan, t_s[0], t_s[-1]])
    bound = 1e3 * SPIKE * sigma
    band = np.array([bound, bound, np.nan, -bound, -bound])
    return Panel(f"Noise, {stand.trace.name}", note, "time (s)", "mV", (t_s, 1e3 * off), (edges, band))
