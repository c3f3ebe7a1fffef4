"""The logic's supply: regulation, hold-up energy, brown-out, boot, resets counted."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import supply

DT_S = 1e-3
RAIL = supply.Params(
    rail_v_nominal=5.0,
    converter_v_min=9.0,
    diode_v=0.6,
    hold_f=0.00047,
    load_w=1.2,
    efficiency_frac=0.8,
    brown_out_v=4.3,
    brown_out_v_release=4.5,
    boot_s=0.15,
    dt_s=DT_S,
)
FED = supply.Inputs(feed_v=50.0, reset=0.0)
UNFED = supply.Inputs(feed_v=0.0, reset=0.0)


def running(params: supply.Params = RAIL, feed_v: float = 50.0) -> supply.State:
    return supply.State(hold_v=feed_v - params.diode_v, chip=supply.RUNNING, boot_s=0.0, resets=0.0)


def ticks_in(state: supply.State, inputs: supply.Inputs, chip: int, params: supply.Params = RAIL) -> int:
    """Ticks until the chip does something else than `chip`."""
    for tick in range(100_000):
        state, _ = supply.step(params, state, inputs)
        if state.chip != chip:
            return tick
    raise AssertionError("it never changed")


# Closed form (energy of a capacitor): C/2 (V0^2 - V1^2) = P t / eta. Brown-out is at 4.3/5 of the converter's minimum.
@pytest.mark.parametrize("feed_v", [20.0, 50.0])
@pytest.mark.parametrize("hold_f", [0.00047, 0.01])
def test_hold_up_time_is_the_capacitors_energy(feed_v: float, hold_f: float) -> None:
    """Cut off, the chip runs on for the energy above its brown-out over the power drawn, within one tick."""
    params = RAIL._replace(hold_f=hold_f)
    low_v = 9.0 * 4.3 / 5.0
    expected_s = 0.5 * hold_f * ((feed_v - 0.6) ** 2 - low_v**2) * 0.8 / 1.2
    ticks = ticks_in(running(params, feed_v), UNFED, supply.RUNNING, params)
    assert ticks * DT_S == pytest.approx(expected_s, abs=DT_S)


# Same closed form, tick by tick.
def test_capacitor_gives_its_energy_at_the_power_drawn() -> None:
    """Cut off for 20 ms, the capacitor has given 20 ms of the load's power over the efficiency."""
    state = running()
    for _ in range(20):
        state, out = supply.step(RAIL, state, UNFED)
        assert out.load_w == 0.0
    given_j = 0.5 * RAIL.hold_f * ((50.0 - 0.6) ** 2 - state.hold_v * state.hold_v)
    assert given_j == pytest.approx(0.020 * 1.2 / 0.8, rel=1e-9)


def test_fed_supply_draws_its_load_over_its_efficiency() -> None:
    """Fed, the supply draws 1.5 W for a load of 1.2 W at 0.8."""
    _, out = supply.step(RAIL, running(), FED)
    assert out.load_w == pytest.approx(1.5)


@given(st.floats(min_value=9.6, max_value=80.0))
def test_rail_is_regulated(feed_v: float) -> None:
    """While the converter has its minimum behind the diode the rail is nominal."""
    assert supply.step(RAIL, running(RAIL, feed_v), supply.Inputs(feed_v, 0.0))[1].rail_v == 5.0


# Drop-out in proportion to the input is a simplification: common practice, no source.
@given(st.floats(min_value=0.6, max_value=9.6))
def test_rail_falls_with_the_input_below_its_minimum(feed_v: float) -> None:
    """Below the converter's minimum the rail is in proportion to what is left behind the diode."""
    empty = running()._replace(hold_v=0.0)
    _, out = supply.step(RAIL, empty, supply.Inputs(feed_v, 0.0))
    assert out.rail_v == pytest.approx(5.0 * (feed_v - 0.6) / 9.0, abs=1e-9)


# A brown-out detector with hysteresis, then a boot: common practice, no source.
@pytest.mark.parametrize(("rail_v", "chip"), [(4.31, supply.RUNNING), (4.29, supply.HELD)])
def test_brown_out_level(rail_v: float, chip: int) -> None:
    """A rail under the brown-out level resets the chip, one above it does not."""
    feed_v = rail_v / 5.0 * 9.0 + 0.6
    state, _ = supply.step(RAIL, running()._replace(hold_v=0.0), supply.Inputs(feed_v, 0.0))
    assert state.chip == chip


@pytest.mark.parametrize(("rail_v", "chip"), [(4.49, supply.HELD), (4.51, supply.BOOTING)])
def test_release_level(rail_v: float, chip: int) -> None:
    """A chip in reset is let go over the release level, not over the brown-out level."""
    held = supply.State(hold_v=0.0, chip=supply.HELD, boot_s=0.0, resets=1.0)
    state, _ = supply.step(RAIL, held, supply.Inputs(rail_v / 5.0 * 9.0 + 0.6, 0.0))
    assert state.chip == chip


@pytest.mark.parametrize("boot_s", [0.0, 0.001, 0.15])
def test_boot_takes_its_time(boot_s: float) -> None:
    """Powered up, the chip's program starts within one tick of the boot time."""
    params = RAIL._replace(boot_s=boot_s)
    ticks = ticks_in(supply.initial(params, 50.0), FED, supply.BOOTING, params)
    assert ticks * DT_S == pytest.approx(boot_s, abs=DT_S + 1e-9)


def test_each_fall_is_one_reset() -> None:
    """Resets count the falls, however long the chip is held, and none is counted at power-up."""
    state = supply.initial(RAIL, 50.0)
    assert state.resets == 0.0
    for falls in (1.0, 2.0, 3.0):
        for _ in range(1000):
            state, _ = supply.step(RAIL, state, UNFED)
        assert state.chip == supply.HELD
        assert state.resets == falls
        for _ in range(200):
            state, _ = supply.step(RAIL, state, FED)
        assert state.chip == supply.RUNNING


def test_watchdog_resets_a_fed_chip() -> None:
    """A reset from elsewhere holds the chip for as long as it is asserted, then it boots."""
    state = running()
    for _ in range(5):
        state, out = supply.step(RAIL, state, supply.Inputs(50.0, 1.0))
        assert state.chip == supply.HELD
        assert out.rail_v == 5.0
    state, _ = supply.step(RAIL, state, FED)
    assert state.chip == supply.BOOTING
    assert state.resets == 1.0


def test_boot_starts_anew_after_a_fall() -> None:
    """A boot that was interrupted takes its whole time again."""
    state = supply.initial(RAIL, 50.0)
    for _ in range(100):
        state, _ = supply.step(RAIL, state, FED)
    state, _ = supply.step(RAIL, state, supply.Inputs(50.0, 1.0))
    state, _ = supply.step(RAIL, state, FED)
    assert ticks_in(state, FED, supply.BOOTING) * DT_S == pytest.approx(0.15, abs=DT_S + 1e-9)


@given(st.lists(st.tuples(st.floats(min_value=0.0, max_value=80.0), st.sampled_from([0.0, 1.0])), max_size=100))
def test_supply_stays_in_bounds(feeds: list[tuple[float, float]]) -> None:
    """Whatever it is fed, rail and capacitor are finite and between 0 and their sources."""
    state = supply.initial(RAIL, 12.0)
    highest_v = 12.0
    for feed_v, reset in feeds:
        highest_v = max(highest_v, feed_v)
        state, out = supply.step(RAIL, state, supply.Inputs(feed_v, reset))
        assert 0.0 <= out.rail_v <= 5.0
        assert 0.0 <= state.hold_v <= max(highest_v - RAIL.diode_v, 0.0)
        assert math.isfinite(out.load_w)
        assert state.chip in (supply.RUNNING, supply.HELD, supply.BOOTING)
