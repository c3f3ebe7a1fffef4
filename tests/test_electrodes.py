"""Leak of wet contacts: the closed form's line voltages, and the statistics of the tape."""

from __future__ import annotations

import numpy as np
import pytest

from sim.world.electrodes import Wetting, leak_conductance_siemens, leak_tape, wetted_tape

STEADY = Wetting(
    mean_wetted_frac=0.5,
    film_spread_frac=0.0,
    film_time_s=1.0,
    splash_rate_hz=0.0,
    splash_drain_s=0.2,
    bubble_rate_hz=0.0,
    bubble_time_s=0.05,
)
FILM = STEADY._replace(film_spread_frac=0.1)
TICK_S = 0.005
TICKS = 400_000

# Newman 1966 (closed form; printed values computed from it): two far-apart discs of 1 mm radius against
# a pull-up to 3.3 V. S/m, ohm, V at 10 kohm, V at 1 kohm.
WET_CONTACTS = [
    (4.29175, 116.503, 0.03800, 0.34434),
    (0.57, 877.193, 0.26613, 1.54206),
    (0.25, 2000.0, 0.55000, 2.20000),
    (0.05, 10000.0, 1.65000, 3.00000),
    (0.02, 25000.0, 2.35714, 3.17308),
]


def tape(wetting: Wetting, seed: int = 7) -> np.ndarray:
    return wetted_tape(np.random.default_rng(seed), TICKS, TICK_S, wetting)


@pytest.mark.parametrize(("s_m", "ohm", "at_10k_v", "at_1k_v"), WET_CONTACTS)
def test_wet_contact_pulls_its_line_down(s_m: float, ohm: float, at_10k_v: float, at_1k_v: float) -> None:
    """The pair's resistance, and the line voltages it makes of two pull-ups, are the printed ones."""
    resistance = 1.0 / leak_conductance_siemens(s_m, 1e-3)
    assert resistance == pytest.approx(ohm, abs=0.5e-3)
    assert 3.3 * resistance / (resistance + 10e3) == pytest.approx(at_10k_v, abs=0.5e-5)
    assert 3.3 * resistance / (resistance + 1e3) == pytest.approx(at_1k_v, abs=0.5e-5)


def test_a_half_wetted_gap_leaks_half() -> None:
    """The leak is proportional to the wetted share."""
    assert leak_conductance_siemens(0.2, 1e-3, 0.5) == pytest.approx(0.5 * leak_conductance_siemens(0.2, 1e-3))


def test_film_keeps_its_mean_and_spread() -> None:
    """Far from its bounds the film has the mean and spread asked for, within four standard errors."""
    film = tape(FILM)
    # A correlation time of 1 s leaves 2000 s / (2 x 1 s) independent values.
    independent = TICKS * TICK_S / 2.0
    assert film.mean() == pytest.approx(0.5, abs=4.0 * 0.1 / np.sqrt(independent))
    assert film.std() == pytest.approx(0.1, rel=4.0 / np.sqrt(2.0 * independent))


def test_film_starts_in_its_stationary_state() -> None:
    """Over many tapes the first value already has the film's whole spread."""
    firsts = [wetted_tape(np.random.default_rng(seed), 2, TICK_S, FILM)[0] for seed in range(2000)]
    assert np.std(firsts) == pytest.approx(0.1, rel=4.0 / np.sqrt(2.0 * 2000))


def test_film_forgets_at_its_time_constant() -> None:
    """Values one time constant apart are correlated by 1/e."""
    film = tape(FILM) - 0.5
    lag = round(FILM.film_time_s / TICK_S)
    correlation = np.mean(film[lag:] * film[:-lag]) / np.mean(film * film)
    assert correlation == pytest.approx(np.exp(-1.0), abs=0.1)


def test_film_is_mirrored_at_its_bounds() -> None:
    """A film far wider than its bounds stays inside them and fills the range evenly."""
    film = tape(FILM._replace(film_spread_frac=3.0))
    assert film.min() >= 0.0
    assert film.max() <= 1.0
    assert film.mean() == pytest.approx(0.5, abs=0.02)
    assert film.std() == pytest.approx(1.0 / np.sqrt(12.0), abs=0.02)


def test_splashes_wet_as_often_as_asked() -> None:
    """A dry gap with Poisson splashes has the mean wetting rate x drain / (1 + rate x drain)."""
    wetted = tape(STEADY._replace(mean_wetted_frac=0.0, splash_rate_hz=2.0, splash_drain_s=0.2))
    assert wetted.mean() == pytest.approx(0.4 / 1.4, rel=0.04)
    assert wetted.max() == 1.0


def test_splash_drains_exponentially() -> None:
    """One drain time after a lone splash 1/e of it is left."""
    wetted = tape(STEADY._replace(mean_wetted_frac=0.0, splash_rate_hz=0.01, splash_drain_s=0.2))
    start = int(np.argmax(wetted == 1.0))
    assert wetted[start + round(0.2 / TICK_S)] == pytest.approx(np.exp(-1.0), rel=1e-9)


def test_bubbles_open_the_gap_as_often_as_asked() -> None:
    """Poisson bubbles with exponential stays leave the gap open the share 1 - exp(-rate x stay) of the time."""
    wetted = tape(STEADY._replace(mean_wetted_frac=1.0, bubble_rate_hz=3.0, bubble_time_s=0.1))
    # Stays are rounded up to whole ticks, half a tick on average.
    assert np.mean(wetted == 0.0) == pytest.approx(1.0 - np.exp(-3.0 * (0.1 + 0.5 * TICK_S)), rel=0.05)
    assert set(np.unique(wetted)) == {0.0, 1.0}


def test_tape_is_the_wetted_share_of_the_full_leak() -> None:
    """The leak is the full conductance times the wetted share of the same draw."""
    leak = leak_tape(np.random.default_rng(3), 1000, 1e-3, 4e-4, Wetting())
    wetted = wetted_tape(np.random.default_rng(3), 1000, 1e-3, Wetting())
    assert leak.max() > 0.0
    assert np.array_equal(leak, 4e-4 * wetted)


def test_same_generator_gives_the_same_tape() -> None:
    """Two generators of one seed draw one tape, bit for bit; another seed draws another."""
    assert np.array_equal(tape(Wetting(), 5), tape(Wetting(), 5))
    assert not np.array_equal(tape(Wetting(), 5), tape(Wetting(), 6))


def test_empty_tape() -> None:
    """A run of no ticks has an empty tape."""
    assert wetted_tape(np.random.default_rng(0), 0, 1e-3, Wetting()).shape == (0,)
