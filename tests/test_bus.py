"""The bus: closed forms of a source with internal resistance, and an independent root finder on the current law."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from sim.world import bus

EMF_V = 24.0
SOURCE_OHM = 0.05
OFF = bus.Load(duty_frac=0.0, ohm=0.05, limit_a=100.0)

# PUBLISHED closed form, V = (E + sqrt(E^2 - 4 R P)) / 2 for 24 V and 0.05 ohm, exact arithmetic: W, V, A, other root.
CONSTANT_POWER = [
    (0.0, 24.0, 0.0, 0.0),
    (300.0, 23.357816692, 12.843666168, 0.642183308),
    (600.0, 22.677078252, 26.458434959, 1.322921748),
    (1200.0, 21.165151390, 56.696972202, 2.834848610),
    (2400.0, 16.898979486, 142.020410289, 7.101020514),
    (2880.0, 12.0, 240.0, 12.0),
]


@pytest.mark.parametrize(("power_w", "volts", "amperes", "lower_v"), CONSTANT_POWER)
def test_constant_power_load(power_w: float, volts: float, amperes: float, lower_v: float) -> None:
    """A constant power settles at the printed upper root, drawing the printed current; the lower one is left alone."""
    found_v = bus.operating_v(EMF_V, SOURCE_OHM, 0.0, 0.0, power_w)
    assert found_v == pytest.approx(volts, rel=1e-9)
    assert (EMF_V - found_v) / SOURCE_OHM == pytest.approx(amperes, rel=1e-9, abs=1e-9)
    assert EMF_V - found_v == pytest.approx(lower_v, rel=1e-9, abs=0.5e-9)


@pytest.mark.parametrize(("power_w", "volts"), [(row[0], row[1]) for row in CONSTANT_POWER])
def test_whole_solution_agrees(power_w: float, volts: float) -> None:
    """With both thrusters off the solver gives the same table."""
    found_v, left_way, right_way, _ = bus.solve(EMF_V, SOURCE_OHM, OFF, 0.0, OFF, 0.0, power_w)
    assert found_v == pytest.approx(volts, rel=1e-9)
    assert (left_way, right_way) == (bus.IDLE, bus.IDLE)


# Same source: the most that can be drawn is E^2/(4R) = 2880 W.
@pytest.mark.parametrize("power_w", [2881.0, 5000.0, 1e9])
def test_more_than_the_greatest_power_collapses(power_w: float) -> None:
    """Beyond 2880 W there is no operating point: a collapse with a finite voltage, never NaN."""
    found_v, _, _, collapsed = bus.solve(EMF_V, SOURCE_OHM, OFF, 0.0, OFF, 0.0, power_w)
    assert bus.operating_v(EMF_V, SOURCE_OHM, 0.0, 0.0, power_w) < 0.0
    assert collapsed == 1
    assert 0.0 <= found_v <= EMF_V


# Same source: the greatest power is at E/2.
def test_greatest_power_is_at_half_the_voltage() -> None:
    """A resistance equal to the source's takes 2880 W at 12 V, and 1 % more or less of it takes less."""
    taken_w = {}
    for share in (0.99, 1.0, 1.01):
        load = bus.Load(duty_frac=1.0, ohm=share * SOURCE_OHM, limit_a=1e9)
        found_v = bus.solve(EMF_V, SOURCE_OHM, load, 0.0, OFF, 0.0, 0.0)[0]
        taken_w[share] = found_v * found_v / load.ohm
        if share == 1.0:
            assert found_v == pytest.approx(12.0, rel=1e-12)
    assert taken_w[1.0] == pytest.approx(2880.0, rel=1e-9)
    assert max(taken_w.values()) == taken_w[1.0]


# Just above the greatest power the duty's resistance is what is left of the limiter.
def test_limiters_out_of_voltage_leave_resistances() -> None:
    """A current limit that asks for too much power falls back to the duty on the winding's resistance."""
    load = bus.Load(duty_frac=1.0, ohm=0.02, limit_a=400.0)
    found_v, way, _, collapsed = bus.solve(EMF_V, SOURCE_OHM, load, 0.0, OFF, 0.0, 0.0)
    assert collapsed == 1
    assert way == bus.OHMIC
    assert found_v == pytest.approx(EMF_V * 0.02 / 0.07, rel=1e-12)


def law(load: bus.Load, back_v: float) -> Callable[[float], float]:
    """Bus current of one thruster at a bus voltage, written out anew."""

    def amperes(bus_v: float) -> float:
        motor_a = min(max((load.duty_frac * bus_v - back_v) / load.ohm, 0.0), load.limit_a)
        # The ESC passes the motor's power through: loss in the resistance and work against the back voltage.
        return motor_a * (motor_a * load.ohm + back_v) / bus_v

    return amperes


positive_v = st.floats(min_value=5.0, max_value=60.0)
source_ohms = st.floats(min_value=-3.0, max_value=0.5).map(lambda power: 10.0**power)
loads = st.builds(
    bus.Load,
    duty_frac=st.one_of(st.sampled_from([0.0, 1.0]), st.floats(min_value=0.0, max_value=1.0)),
    ohm=st.floats(min_value=-2.5, max_value=0.0).map(lambda power: 10.0**power),
    limit_a=st.floats(min_value=0.0, max_value=2.5).map(lambda power: 10.0**power),
)
back_fracs = st.one_of(st.just(0.0), st.floats(min_value=0.0, max_value=1.2))
powers_w = st.one_of(st.just(0.0), st.floats(min_value=0.0, max_value=100.0))


# Beyond half the electromotive force the drop over the source rises faster than the current law can bend, so that
# there is one root or none; a sign of the residual at each end tells which.
@settings(max_examples=600)
@given(positive_v, source_ohms, loads, back_fracs, loads, back_fracs, powers_w)
def test_solution_is_the_root_of_the_written_out_law(
    emf_v: float, ohm: float, left: bus.Load, left_frac: float, right: bus.Load, right_frac: float, power_w: float
) -> None:
    """Above half the electromotive force the bus is where an independent root finder puts it, or it collapses."""
    left_v, right_v = left_frac * emf_v, right_frac * emf_v
    left_a, right_a = law(left, left_v), law(right, right_v)

    def residual(bus_v: float) -> float:
        return emf_v - ohm * (left_a(bus_v) + right_a(bus_v) + power_w / bus_v) - bus_v

    found_v, left_way, right_way, collapsed = bus.solve(emf_v, ohm, left, left_v, right, right_v, power_w)
    at_half = residual(0.5 * emf_v)
    if at_half > 1e-9 * emf_v:
        assert collapsed == 0
        root_v = brentq(residual, 0.5 * emf_v, emf_v, xtol=1e-13, rtol=1e-14) if residual(emf_v) < 0.0 else emf_v
        assert found_v == pytest.approx(root_v, rel=1e-9)
        drawn_a = bus.motor_a(left, left_v, left_way, found_v)
        assert drawn_a == pytest.approx(min(max((left.duty_frac * found_v - left_v) / left.ohm, 0.0), left.limit_a))
    elif at_half < -1e-9 * emf_v:
        assert collapsed == 1
        # What is left is a root of the law, with or without the constant power, and no root lies above it.
        assert 0.0 <= found_v <= emf_v
        drawn = residual(found_v) if found_v > 0.0 else 0.0
        without = drawn + ohm * power_w / found_v if found_v > 0.0 else 0.0
        assert min(abs(drawn), abs(without)) <= 1e-6 * emf_v
        if abs(drawn) <= 1e-6 * emf_v:
            above = (found_v + (0.5 * emf_v - found_v) * part / 50.0 for part in range(1, 51))
            assert all(residual(volts) <= 1e-6 * emf_v for volts in above)
    assert {left_way, right_way} <= {bus.IDLE, bus.OHMIC, bus.LIMITED}


@pytest.mark.parametrize(
    ("duty_frac", "back_v", "limit_a", "way"),
    [(0.5, 13.0, 80.0, bus.IDLE), (1.0, 10.0, 1e3, bus.OHMIC), (1.0, 10.0, 60.0, bus.LIMITED)],
)
def test_ways_of_drawing(duty_frac: float, back_v: float, limit_a: float, way: int) -> None:
    """A motor faster than its duty draws nothing, a loaded one as a resistance, or at its limit a constant power."""
    load = bus.Load(duty_frac=duty_frac, ohm=0.1, limit_a=limit_a)
    found_v, left_way, right_way, collapsed = bus.solve(EMF_V, SOURCE_OHM, load, back_v, load, back_v, 1.0)
    assert (left_way, right_way, collapsed) == (way, way, 0)
    bus_a = (EMF_V - found_v) / SOURCE_OHM
    assert bus_a == pytest.approx(2.0 * law(load, back_v)(found_v) + 1.0 / found_v, rel=1e-9)


@given(positive_v, source_ohms, loads, back_fracs, powers_w)
def test_equal_thrusters_draw_alike(emf_v: float, ohm: float, load: bus.Load, back_frac: float, power_w: float) -> None:
    """Two equal thrusters at equal speeds draw in the same way."""
    back_v = back_frac * emf_v
    found_v, left_way, right_way, _ = bus.solve(emf_v, ohm, load, back_v, load, back_v, power_w)
    left_a = bus.motor_a(load, back_v, left_way, found_v)
    assert left_a == pytest.approx(bus.motor_a(load, back_v, right_way, found_v), rel=1e-9, abs=1e-9)


@given(positive_v, source_ohms, loads, back_fracs, loads, back_fracs, powers_w)
def test_sides_can_be_swapped(
    emf_v: float, ohm: float, left: bus.Load, left_frac: float, right: bus.Load, right_frac: float, power_w: float
) -> None:
    """Left and right exchanged give the same bus."""
    left_v, right_v = left_frac * emf_v, right_frac * emf_v
    one = bus.solve(emf_v, ohm, left, left_v, right, right_v, power_w)
    other = bus.solve(emf_v, ohm, right, right_v, left, left_v, power_w)
    assert one[0] == pytest.approx(other[0], rel=1e-9, abs=1e-9)
    assert one[3] == other[3]


@given(
    st.floats(min_value=1e-6, max_value=100.0),
    st.floats(min_value=1e-4, max_value=10.0),
    loads,
    st.floats(min_value=0.0, max_value=200.0),
    loads,
    st.floats(min_value=0.0, max_value=200.0),
    st.floats(min_value=0.0, max_value=1e6),
)
def test_solution_is_always_finite(
    emf_v: float, ohm: float, left: bus.Load, left_v: float, right: bus.Load, right_v: float, power_w: float
) -> None:
    """No load, however wild, on no source, however flat, makes anything but a finite voltage from 0 up."""
    found_v, left_way, right_way, _ = bus.solve(emf_v, ohm, left, left_v, right, right_v, power_w)
    assert math.isfinite(found_v)
    assert found_v >= 0.0
    assert math.isfinite(bus.motor_a(left, left_v, left_way, found_v))
    assert math.isfinite(bus.motor_a(right, right_v, right_way, found_v))
