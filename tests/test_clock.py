"""The clock: whole microseconds, the one way to seconds, and how many ticks a run has."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.base import clock


@given(st.integers(min_value=0, max_value=10**13))
def test_microseconds_survive_the_way_to_seconds_and_back(t_us: int) -> None:
    """Every instant up to 100 days comes back from seconds unchanged."""
    assert clock.to_us(clock.to_s(t_us)) == t_us


@pytest.mark.parametrize(
    ("t_s", "t_us"), [(0.0, 0), (0.001, 1000), (0.1, 100_000), (1e-7, 0), (6e-7, 1), (0.0167, 16_700)]
)
def test_seconds_become_the_nearest_microsecond(t_s: float, t_us: int) -> None:
    """A time in seconds is rounded to the nearest whole microsecond, though 0.1 is no binary number."""
    assert clock.to_us(t_s) == t_us


@given(st.integers(min_value=0, max_value=10**10), st.integers(min_value=1, max_value=20_000))
def test_ticks_cover_the_run(duration_us: int, tick_us: int) -> None:
    """The last tick starts before the run's end and reaches it."""
    ticks = clock.tick_count(duration_us, tick_us)
    assert ticks * tick_us >= duration_us
    assert (ticks - 1) * tick_us < duration_us


def test_a_run_of_no_length_has_no_ticks() -> None:
    """Nothing starts before the end of a run that has none."""
    assert clock.tick_count(0, 1000) == 0
