"""Where in frequency a noise is, and which tones stand out of it (row 4)."""

from __future__ import annotations

import numpy as np
from scipy import signal, stats
from scipy.ndimage import median_filter

from sim.jobs.fit.interval import Fit, Floats, fitted

LEAST_ROWS = 256
MOST_SEGMENT = 4096
# Segments wanted, so that chance shows as little as may be.
SEGMENTS = 16
# In noise without tones one recording in a thousand shows one.
CHANCE = 0.001
MOST_TONES = 5
# The floor under a tone is the median of so many lines about it.
FLOOR_LINES = 65
# What a Hann window's overlapping halves leave of their own number as independent segments.
INDEPENDENT = 0.95
# Most rows a tone is fitted to.
MOST_ROWS = 50_000


def spectrum_of(values: Floats, rate_hz: float) -> tuple[Floats, Floats, int] | None:
    """Power spectral density by Welch's method.

    Returns
    -------
    at_hz, density : shape (lines,), from 0 to half the rate; density in the square of the unit a hertz.
    segments : how many were averaged.
    None where there are too few rows.
    """
    if len(values) < LEAST_ROWS:
        return None
    size = min(max(2 * len(values) // SEGMENTS, LEAST_ROWS // 2), MOST_SEGMENT)
    at_hz, density = signal.welch(values, rate_hz, nperseg=size, detrend="constant")
    return at_hz, density, max(1, (len(values) - size) // (size - size // 2) + 1)


def peaks_of(at_hz: Floats, density: Floats, segments: int) -> list[float]:
    """Frequencies that stand out of the noise about them more than chance would let them, the loudest first.

    Notes
    -----
    Each line of an averaged spectrum of noise goes as chi-squared with two degrees of freedom for each segment
    (handbook form); the bound is for all lines together. The lowest two lines are the level's own wander.
    """
    lines = min(FLOOR_LINES, 2 * (len(density) // 4) + 1)
    freedom = 2.0 * max(1.0, INDEPENDENT * segments)
    # The median of so many lines lies below their mean.
    inner = median_filter(density[1:-1], size=lines, mode="reflect") * freedom / stats.chi2.median(freedom)
    # The first and the last line hold half of what the others do.
    floor = np.concatenate((inner[:1], inner, inner[-1:]))
    bound = floor * stats.chi2.isf(CHANCE / len(density), freedom) / freedom
    found = signal.find_peaks(density)[0]
    loud = [index for index in found if index > 1 and density[index] > bound[index]]
    loud.sort(key=lambda index: -float(density[index]))
    return [float(at_hz[index]) for index in loud[:MOST_TONES]]


def tone(values: Floats, rate_hz: float, near_hz: float) -> tuple[Fit, Floats] | None:
    """One sine by least squares: in-phase and quadrature amplitude, and frequency.

    Returns
    -------
    fit : of the two amplitudes and the frequency in hertz. model : the sine over all rows.
    None where the frequency is not told.
    """
    t_s = np.arange(len(values)) / rate_hz
    kept = slice(0, min(len(values), MOST_ROWS))
    short, at = values[kept], t_s[kept]
    line_hz = rate_hz / len(short)
    # A finer look about the line: the segments of the spectrum are shorter than the recording.
    width = rate_hz / min(MOST_SEGMENT, max(2 * len(short) // SEGMENTS, LEAST_ROWS // 2))
    tried = near_hz + np.arange(-width, width + 0.5 * line_hz, 0.5 * line_hz)
    powers = [abs(np.vdot(np.exp(2j * np.pi * hz * at), short)) for hz in tried if 0.0 < hz < 0.5 * rate_hz]
    best = [hz for hz in tried if 0.0 < hz < 0.5 * rate_hz][int(np.argmax(powers))]

    def wave(parameters: Floats, when: Floats) -> Floats:
        phase = 2.0 * np.pi * (best + parameters[2] * line_hz) * when
        made: Floats = parameters[0] * np.cos(phase) + parameters[1] * np.sin(phase)
        return made

    phasor = 2.0 * np.vdot(np.exp(-2j * np.pi * best * at), short) / len(short)
    start = np.array([phasor.real, phasor.imag, 0.0])
    found = fitted(lambda parameters: short - wave(parameters, at), start)
    if not np.isfinite(found.half).all() or np.hypot(*found.values[:2]) < max(found.half[:2]):
        return None
    scale = np.array([1.0, 1.0, line_hz])
    shifted = found.values * scale + np.array([0.0, 0.0, best])
    fit = Fit(shifted, found.half * scale, found.covariance, found.residuals, found.sigma, found.how)
    return fit, wave(found.values, t_s)
