"""Leak conductance of a wet contact: two electrodes in water, and how the film varies (row 1).

The conductance follows from the water; its variation is drawn once before a
run as a tape, one value a tick. What a contact's input makes of the leak is
not decided here.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]


class Wetting(NamedTuple):
    """How the water between two contacts comes and goes.

    No open data set of wet push-buttons was found: the form is a plausible one
    and every number is assumed, to be replaced by a measured film.

    mean_wetted_frac : middle of the film's wander, as a share of full wetting, 0 to 1.
    film_spread_frac : its standard deviation, >= 0, before the bounds at 0 and 1.
    film_time_s : its correlation time, > 0; the slow running and draining of a film.
    splash_rate_hz : splashes a second, >= 0; each wets the gap in full.
    splash_drain_s : time constant, > 0, with which a splash drains.
    bubble_rate_hz : bubbles a second, >= 0; each opens the gap in full.
    bubble_time_s : mean length of a bubble's stay, > 0, exponential.
    """

    mean_wetted_frac: float = 0.5
    film_spread_frac: float = 0.2
    film_time_s: float = 0.8
    splash_rate_hz: float = 0.4
    splash_drain_s: float = 0.15
    bubble_rate_hz: float = 0.3
    bubble_time_s: float = 0.05


def leak_conductance_siemens(conductivity_s_m: float, disc_radius_m: float, wetted_frac: float = 1.0) -> float:
    """Conductance between two wet contacts, in siemens.

    Parameters
    ----------
    conductivity_s_m : float, >= 0
    disc_radius_m : float, > 0
        Of either contact, taken as a disc flush in an insulator.
    wetted_frac : float, 0 to 1
        Share of full wetting; the conductance is taken as proportional to it.

    Notes
    -----
    Source: J. Newman 1966, "Resistance for flow of current to a disk",
    J. Electrochem. Soc. 113:501-502, doi:10.1149/1.2424003: one disc to far away
    ``R = 1 / (4 sigma a)``, so two discs far apart ``1 / (2 sigma a)``. Differs from
    a real contact in: discs a distance d apart conduct better, by a share of about
    ``2 a / (pi d)``; a thin film conducts worse, which is left to `wetted_frac`; and
    the polarisation of the metal at direct current is left out.
    """
    return 2.0 * conductivity_s_m * disc_radius_m * wetted_frac


def wetted_tape(rng: np.random.Generator, n: int, tick_s: float, wetting: Wetting) -> Floats:
    """The wetted share of a contact gap, one value a tick, 0 to 1, shape (n,).

    Notes
    -----
    Source: none. The film is an Ornstein-Uhlenbeck process, stepped exactly and
    folded back at 0 and 1; over it lies the latest splash's exponential drain,
    whichever is wetter; bubbles interrupt both.
    """
    film = _film(rng, n, tick_s, wetting)
    splash = _drained(_arrivals(rng, n, tick_s, wetting.splash_rate_hz), n, tick_s / wetting.splash_drain_s)
    bubbles = _arrivals(rng, n, tick_s, wetting.bubble_rate_hz)
    stays = np.ceil(rng.exponential(wetting.bubble_time_s / tick_s, bubbles.size)).astype(np.int64)
    # One up at each bubble's start and one down at its end: the running sum counts bubbles present.
    steps = np.bincount(bubbles, minlength=n + 1) - np.bincount(np.minimum(bubbles + stays, n), minlength=n + 1)
    open_gap = np.cumsum(steps)[:n] > 0
    wetted: Floats = np.where(open_gap, 0.0, np.maximum(film, splash))
    return wetted


def leak_tape(
    rng: np.random.Generator, n: int, tick_s: float, conductance_full_siemens: float, wetting: Wetting
) -> Floats:
    """The leak of a wet contact as a tape of conductances in siemens, shape (n,).

    Parameters
    ----------
    rng : numpy Generator
        The same generator state gives the same tape.
    n, tick_s : int, float
        Length and spacing of the tape.
    conductance_full_siemens : float
        Of the gap fully wetted, see `leak_conductance_siemens`.
    wetting : Wetting
    """
    return conductance_full_siemens * wetted_tape(rng, n, tick_s, wetting)


def _film(rng: np.random.Generator, n: int, tick_s: float, wetting: Wetting) -> Floats:
    """Exact steps of the stationary process, then each crossing of a bound mirrored back."""
    keep = float(np.exp(-tick_s / wetting.film_time_s))
    noise = wetting.film_spread_frac * rng.standard_normal(n)
    # The first value is drawn from the stationary spread, so that the tape has no run-in.
    noise[1:] *= np.sqrt(1.0 - keep * keep)
    value = 0.0
    wander = np.fromiter([value := keep * value + push for push in noise.tolist()], np.float64, n)
    folded: Floats = np.abs((wetting.mean_wetted_frac + wander + 1.0) % 2.0 - 1.0)
    return folded


def _arrivals(rng: np.random.Generator, n: int, tick_s: float, rate_hz: float) -> Ticks:
    """Ticks of a Poisson process, in order: so many in all, then each anywhere."""
    return np.sort(rng.integers(0, max(n, 1), rng.poisson(rate_hz * n * tick_s)))


def _drained(starts: Ticks, n: int, per_tick: float) -> Floats:
    """What is left at each tick of the latest arrival, 1 at its start and 0 before the first."""
    latest = np.full(n, -np.inf)
    latest[starts] = starts
    left: Floats = np.exp(per_tick * (np.maximum.accumulate(latest) - np.arange(n)))
    return left
