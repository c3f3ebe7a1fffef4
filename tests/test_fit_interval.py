"""The statistics behind every fit: intervals hold the truth as often as they say, whatever the noise."""

from __future__ import annotations

import numpy as np
import pytest
from fit_cases import least_of
from scipy import signal, stats

from sim.jobs.fit.interval import (
    JACOBIAN,
    block_length,
    fitted,
    linear,
    mean_of,
    median_of,
    poisson_rate,
    robust_sigma,
)

TRIES = 60


def coloured(rng: np.random.Generator, rows: int, keep: float) -> np.ndarray:
    """Noise of variance 1 of which so much is left in the next row."""
    long = signal.lfilter([np.sqrt(1.0 - keep * keep)], [1.0, -keep], rng.standard_normal(rows + 1000))
    return np.asarray(long[1000:])


@pytest.mark.parametrize("keep", [0.0, 0.5, 0.9, 0.98])
def test_a_means_interval_holds_it_in_coloured_noise_too(keep: float) -> None:
    """Of 60 means of noise with any correlation from row to row, as many intervals hold 0 as 95 % allows."""
    rows = 1500 if keep < 0.95 else 12_000
    fits = [mean_of(coloured(np.random.default_rng(seed), rows, keep)) for seed in range(TRIES)]
    assert sum(abs(fit.values[0]) <= fit.half[0] for fit in fits) >= least_of(TRIES)


def test_intervals_are_no_wider_than_they_have_to_be() -> None:
    """For white noise half the interval is 1.96 sigma over the root of the rows, within a few percent (handbook)."""
    halves = [mean_of(np.random.default_rng(seed).standard_normal(2000)).half[0] for seed in range(20)]
    assert np.mean(halves) == pytest.approx(stats.norm.isf(0.025) / np.sqrt(2000.0), rel=0.05)


def test_the_block_bootstrap_agrees_with_the_closed_form_of_a_correlated_mean() -> None:
    """Half an interval in AR(1) noise is that of white noise times sqrt((1+r)/(1-r)) (handbook), within 15 %."""
    halves = [mean_of(coloured(np.random.default_rng(seed), 6000, 0.8)).half[0] for seed in range(20)]
    wanted = stats.norm.isf(0.025) / np.sqrt(6000.0) * np.sqrt(1.8 / 0.2)
    assert np.mean(halves) == pytest.approx(wanted, rel=0.15)


def test_it_says_which_of_the_two_ways_was_taken() -> None:
    """White residuals take the Jacobian; correlated ones take blocks, and their length is told."""
    assert mean_of(np.random.default_rng(1).standard_normal(3000)).how == JACOBIAN
    assert mean_of(coloured(np.random.default_rng(1), 3000, 0.9)).how.startswith("block bootstrap, blocks of ")


def test_small_slow_errors_are_found_below_white_noise() -> None:
    """A tenth of the noise that keeps its level for 500 rows widens the interval, which row to row is not seen."""
    rng = np.random.default_rng(7)
    white = rng.standard_normal(40_000)
    slow = white + 0.15 * coloured(rng, 40_000, 0.998)
    assert mean_of(slow).half[0] > 2.0 * mean_of(white).half[0]


def test_blocks_grow_with_the_correlation() -> None:
    """A series that keeps its level longer gets longer blocks; a white one none."""
    lengths = [block_length(coloured(np.random.default_rng(3), 5000, keep)) for keep in (0.0, 0.5, 0.9)]
    assert lengths[0] == 1
    assert lengths[0] < lengths[1] < lengths[2]


def test_outliers_do_not_pull_a_line() -> None:
    """With one row in twenty thrown far off, slope and level come back within their intervals."""
    rng = np.random.default_rng(11)
    x = np.linspace(0.0, 1.0, 2000)
    y = 3.0 * x + 1.0 + 0.05 * rng.standard_normal(2000)
    y[rng.random(2000) < 0.05] += 20.0
    fit = linear(np.stack([x, np.ones_like(x)], axis=1), y)
    plain = np.polyfit(x, y, 1)
    assert fit.values == pytest.approx([3.0, 1.0], abs=0.05)
    assert abs(plain[1] - 1.0) > 0.5


def test_a_curve_is_fitted_as_scipy_fits_it() -> None:
    """INDEPENDENT: scipy.optimize.curve_fit of an exponential in Gaussian noise has the same values and intervals,
    but for what the loss takes off the largest of Gaussian residuals."""
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(5)
    t = np.linspace(0.0, 5.0, 4000)
    y = 2.0 * np.exp(-t / 1.5) + 0.3 + 0.02 * rng.standard_normal(4000)

    def model(at: np.ndarray, a: float, tau: float, c: float) -> np.ndarray:
        return a * np.exp(-at / tau) + c

    fit = fitted(lambda p: y - model(t, *p), np.array([1.0, 1.0, 0.0]))
    values, covariance = curve_fit(model, t, y, p0=(1.0, 1.0, 0.0))
    assert np.all(np.abs(fit.values - values) < 0.2 * fit.half)
    assert fit.half == pytest.approx(1.96 * np.sqrt(np.diag(covariance)), rel=0.1)


def test_a_parameter_at_its_bound_is_not_told() -> None:
    """A parameter that the data pull over its bound has an endless interval."""
    x = np.linspace(0.0, 1.0, 200)
    y = -x + 0.01 * np.random.default_rng(2).standard_normal(200)
    fit = fitted(lambda p: y - p[0] * x - p[1], np.array([0.5, 0.0]), np.array([0.0, -9.0]), np.array([9.0, 9.0]))
    assert np.isinf(fit.half[0])
    assert np.isfinite(fit.half[1])


def test_a_parameter_that_moves_nothing_is_not_told() -> None:
    """A column of zeros leaves its parameter open."""
    fit = linear(np.stack([np.zeros(100), np.ones(100)], axis=1), np.random.default_rng(0).standard_normal(100))
    assert np.isinf(fit.half[0])


@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39), (20, 12.22, 30.89)]
)
def test_a_counts_interval_is_the_published_one(count: int, low: float, high: float) -> None:
    """PUBLISHED: exact 95 % limits of a Poisson count (Garwood 1936, in every statistics handbook; from memory)."""
    value, *band = poisson_rate(count, 1.0)
    assert value == count
    assert band == pytest.approx([low, high], rel=2e-3)


def test_a_medians_interval_is_that_of_the_sign_test() -> None:
    """For n = 10 the 2nd and the 9th value hold the median with 97.9 % (handbook table of the sign test)."""
    assert median_of(np.arange(1.0, 11.0)) == (5.5, 2.0, 9.0)


def test_five_values_have_no_interval_of_95_percent() -> None:
    """Of 5 values all lie on one side of the median with 2 (1/2)^5 = 6.25 %, so that no interval reaches 95 %."""
    assert median_of(np.arange(5.0))[1:] == (-np.inf, np.inf)
    assert np.isfinite(median_of(np.arange(6.0))[1])


def test_the_robust_deviation_passes_over_outliers() -> None:
    """Of normal values the robust deviation is the standard one, with a tenth of them far away too."""
    values = np.random.default_rng(4).standard_normal(20_000)
    values[:1000] += 100.0
    assert robust_sigma(values) == pytest.approx(1.0, abs=0.08)
