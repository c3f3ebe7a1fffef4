"""The pack's protection: each limit with its delay, the latch, the release."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import protection

# Two current levels, cell undervoltage and temperature with delays, latched: common practice, no source.
GUARD = protection.Params(
    cell_v_low=2.7,
    cell_low_delay_s=1.0,
    slow_a=150.0,
    slow_delay_s=0.4,
    fast_a=300.0,
    fast_delay_s=0.02,
    warm_degc=65.0,
    warm_delay_s=2.0,
    dt_s=0.001,
)
WELL = protection.Inputs(cell_v_min=3.6, pack_a=50.0, pack_degc=20.0, release=0.0)

# Inputs that pass one limit: what they change, why it trips, the delay's name.
BEYOND = [
    ({"cell_v_min": 2.69}, protection.CELL_LOW, "cell_low_delay_s"),
    ({"pack_a": 151.0}, protection.CURRENT_HIGH, "slow_delay_s"),
    ({"pack_a": 301.0}, protection.CURRENT_SHORT, "fast_delay_s"),
    ({"pack_degc": 65.1}, protection.TOO_WARM, "warm_delay_s"),
]


def stepped(
    params: protection.Params, state: protection.State, inputs: protection.Inputs, ticks: int
) -> protection.State:
    for _ in range(ticks):
        state = protection.step(params, state, inputs)
    return state


def ticks_to_trip(params: protection.Params, inputs: protection.Inputs) -> tuple[int, int]:
    state = protection.initial(params)
    for tick in range(1, 5000):
        state = protection.step(params, state, inputs)
        if state.tripped != protection.CLOSED:
            return tick, state.tripped
    raise AssertionError("it never tripped")


@pytest.mark.parametrize(("change", "why", "delay"), BEYOND)
def test_trips_after_its_delay(change: dict[str, float], why: int, delay: str) -> None:
    """Each limit passed without a break opens the pack, for its own reason, within one tick of its own delay."""
    ticks, tripped = ticks_to_trip(GUARD, WELL._replace(**change))
    assert tripped == why
    assert ticks * GUARD.dt_s == pytest.approx(getattr(GUARD, delay), abs=GUARD.dt_s + 1e-9)


@pytest.mark.parametrize(("change", "why", "delay"), BEYOND)
def test_no_delay_trips_on_the_first_sample(change: dict[str, float], why: int, delay: str) -> None:
    """A limit without a delay opens the pack on the first sample beyond it, and not before."""
    params = GUARD._replace(**{delay: 0.0})
    assert stepped(params, protection.initial(params), WELL, 100).tripped == protection.CLOSED
    assert ticks_to_trip(params, WELL._replace(**change)) == (1, why)


@pytest.mark.parametrize(("change", "why", "delay"), BEYOND)
def test_one_good_sample_starts_the_delay_anew(change: dict[str, float], why: int, delay: str) -> None:
    """A limit passed for less than its delay, however often, does not open the pack."""
    state = protection.initial(GUARD)
    short = round(getattr(GUARD, delay) / GUARD.dt_s) - 2
    for _ in range(3):
        state = stepped(GUARD, state, WELL._replace(**change), short)
        state = stepped(GUARD, state, WELL, 1)
    assert state.tripped == protection.CLOSED


@given(st.floats(min_value=2.7, max_value=5.0), st.floats(min_value=-100.0, max_value=150.0), st.floats(-40.0, 65.0))
def test_inside_the_limits_it_never_trips(cell_v: float, pack_a: float, degc: float) -> None:
    """At or inside every limit the pack stays closed."""
    state = stepped(GUARD, protection.initial(GUARD), protection.Inputs(cell_v, pack_a, degc, 0.0), 2500)
    assert state.tripped == protection.CLOSED


def test_stays_open_when_all_is_well_again() -> None:
    """Once open, the pack stays open although every limit is kept again."""
    tripped = stepped(GUARD, protection.initial(GUARD), WELL._replace(pack_a=400.0), 30)
    assert stepped(GUARD, tripped, WELL._replace(pack_a=0.0), 10_000).tripped == protection.CURRENT_SHORT


def test_released_it_closes() -> None:
    """A release closes the pack, and it stays closed while all is well."""
    tripped = stepped(GUARD, protection.initial(GUARD), WELL._replace(pack_a=400.0), 30)
    released = stepped(GUARD, tripped, WELL._replace(pack_a=0.0, release=1.0), 1)
    assert stepped(GUARD, released, WELL, 1000).tripped == protection.CLOSED


def test_released_too_early_it_trips_again_after_its_delay() -> None:
    """A release while a cell is still low gives the cell its whole delay again, then the pack opens."""
    low = WELL._replace(cell_v_min=2.5)
    tripped = stepped(GUARD, protection.initial(GUARD), low, 1500)
    released = stepped(GUARD, tripped, low._replace(release=1.0), 1)
    assert released.tripped == protection.CLOSED
    assert stepped(GUARD, released, low, 998).tripped == protection.CLOSED
    assert stepped(GUARD, released, low, 1002).tripped == protection.CELL_LOW


def test_the_faster_level_is_named() -> None:
    """A current over both levels is reported as the one that opened the pack."""
    assert ticks_to_trip(GUARD, WELL._replace(pack_a=1000.0))[1] == protection.CURRENT_SHORT
