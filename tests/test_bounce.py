"""Bounce trains against the published bounce times, and their form."""

from __future__ import annotations

import numpy as np
import pytest

from sim.world.bounce import GANSSLE, bounce_edges, durations_us, sampled

# PUBLISHED (second-hand): J. Ganssle, "A Guide to Debouncing": 16 switches, mean 1557 us, longest 6200 us.
MEAN_US, MAX_US = 1557.0, 6200.0

EDGES_US = np.arange(1, 401, dtype=np.int64) * 50_000
LEVELS = np.arange(400) % 2 == 0


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def test_durations_have_the_published_mean() -> None:
    """100 000 bounces last 1557 us on average, within four standard errors."""
    durations = durations_us(rng(), 100_000, GANSSLE)
    assert durations.mean() == pytest.approx(MEAN_US, abs=4.0 * durations.std() / np.sqrt(100_000))


def test_durations_reach_the_published_maximum_and_stop() -> None:
    """The longest of 100 000 bounces comes near 6200 us and none goes past it."""
    durations = durations_us(rng(), 100_000, GANSSLE)
    assert 0.95 * MAX_US < durations.max() <= MAX_US
    assert durations.min() >= 0


def test_outliers_last_as_long_as_asked() -> None:
    """A quarter of outliers at 157 ms (same source, value from memory) come out as a quarter of edges."""
    durations = durations_us(rng(), 100_000, GANSSLE._replace(outlier_frac=0.25))
    assert np.mean(durations == 157_000) == pytest.approx(0.25, abs=0.006)
    assert durations[durations != 157_000].max() <= MAX_US


def test_trains_last_from_their_edge_to_their_duration() -> None:
    """Each train begins at its clean edge, and the trains as drawn have the published mean and maximum."""
    times, _ = bounce_edges(rng(), EDGES_US, LEVELS)
    owner = np.searchsorted(EDGES_US, times, side="right") - 1
    lasts = np.array([times[owner == edge].max() - EDGES_US[edge] for edge in range(EDGES_US.size)])
    assert np.isin(EDGES_US, times).all()
    assert lasts.max() <= MAX_US
    # 400 trains of a standard deviation of 1204 us.
    assert lasts.mean() == pytest.approx(MEAN_US, abs=4.0 * 1204.0 / np.sqrt(400))


def test_trains_are_edges() -> None:
    """Times rise and levels take turns, so that every entry is an edge."""
    times, levels = bounce_edges(rng(), EDGES_US, LEVELS)
    assert np.all(np.diff(times) > 0)
    assert np.all(levels[1:] != levels[:-1])


def test_trains_fall_back_before_they_settle() -> None:
    """A train has three reopenings on average, a few less where two edges fall in one microsecond."""
    times, _ = bounce_edges(rng(), EDGES_US, LEVELS)
    assert (times.size - EDGES_US.size) / (2 * EDGES_US.size) == pytest.approx(3.0, abs=0.3)


def test_contact_settles_at_its_clean_level() -> None:
    """The longest bounce after each clean edge the level is the clean one."""
    times, levels = bounce_edges(rng(), EDGES_US, LEVELS)
    settled = sampled(times - 6200, levels, 50_000, 401)
    assert np.array_equal(settled[1:], LEVELS)


def test_next_edge_cuts_a_train_short() -> None:
    """A press shorter than its bounce leaves no edge of the press after the release's train is over."""
    always = GANSSLE._replace(outlier_frac=1.0, outlier_us=5000.0)
    times, levels = bounce_edges(rng(), [1000, 1500], [True, False], always)
    assert times[0] == 1000
    assert times[-1] <= 6500
    assert not levels[-1]


def test_next_edge_wins_at_the_same_instant() -> None:
    """A train that would settle at the very microsecond of the next clean edge yields to it."""
    always = GANSSLE._replace(outlier_frac=1.0, outlier_us=500.0)
    times, levels = bounce_edges(rng(), [1000, 1500], [True, False], always)
    assert not sampled(times, levels, 1500, 2)[1]


def test_bounce_too_short_to_fall_back_is_clean() -> None:
    """A bounce under 2 us adds no edge."""
    hard = GANSSLE._replace(outlier_frac=1.0, outlier_us=1.0)
    times, levels = bounce_edges(rng(), [1000, 9000], [True, False], hard)
    assert times.tolist() == [1000, 9000]
    assert levels.tolist() == [True, False]


def test_samples_see_an_edge_at_its_instant() -> None:
    """An edge at a tick has happened by then, one a microsecond later has not."""
    levels = sampled(np.array([1000, 2001]), np.array([True, False]), 1000, 4)
    assert levels.tolist() == [False, True, True, False]


def test_no_edges_leave_the_initial_level() -> None:
    """Without edges there is no bounce and the contact keeps its initial level."""
    times, levels = bounce_edges(rng(), [], [])
    assert times.size == 0
    assert sampled(times, levels, 1000, 3, initial=True).tolist() == [True, True, True]


def test_same_generator_gives_the_same_trains() -> None:
    """Two generators of one seed draw the same trains."""
    first, second = bounce_edges(rng(), EDGES_US, LEVELS), bounce_edges(rng(), EDGES_US, LEVELS)
    assert np.array_equal(first[0], second[0])
