"""The throttle's Hall sensor and the converter behind it: ratiometric law, rails, faults, codes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import adc, hall

# Class of part with 50 mV/mT at 5 V and no bandwidth limit within a tick.
SENSOR = hall.Params(sensitivity_v_tesla=50.0, supply_v_nominal=5.0, settled_frac=1.0, headroom_v=0.2, ground_ohm=0.0)
TWELVE_BITS = adc.Params(counts_max=4095, reference_v=5.0, follows_supply=1)
FIXED = TWELVE_BITS._replace(follows_supply=0)

supplies_v = st.floats(min_value=2.5, max_value=6.0)
fields_tesla = st.floats(min_value=-0.03, max_value=0.03)


def output_v(field_tesla: float, supply_v: float, params: hall.Params = SENSOR, **inputs: float) -> float:
    quiet = {"noise_v": 0.0, "drift_v": 0.0, "bus_a": 0.0, "fault": hall.SOUND}
    given_now = hall.Inputs(field_tesla=field_tesla, supply_v=supply_v, **(quiet | inputs))
    return hall.step(params, hall.initial(params), given_now)[1]


# PUBLISHED law (J. Gilbert, R. Dewey, "Linear Hall-effect sensors", application note 27702A: output at rest half
# the supply, sensitivity in proportion to the supply, 25 and 50 mV/mT at 5 V); the voltages are exact arithmetic.
@pytest.mark.parametrize(
    ("mv_mt", "supply_v", "volts"), [(50.0, 5.0, 3.500), (50.0, 4.5, 3.150), (25.0, 5.0, 3.000), (25.0, 4.5, 2.700)]
)
def test_output_of_a_known_field(mv_mt: float, supply_v: float, volts: float) -> None:
    """A field of +20 mT gives the printed voltage at the nominal supply and in proportion below it."""
    assert output_v(0.020, supply_v, SENSOR._replace(sensitivity_v_tesla=mv_mt)) == pytest.approx(volts, abs=1e-12)


# Same source: 2866.5 of 4095 in both cases, exact arithmetic; one code beside it either way is a rounding.
def test_ratiometric_converter_reads_the_same_at_both_supplies() -> None:
    """A converter on the sensor's own supply gives one code for +20 mT at 5.0 V and at 4.5 V."""
    codes = {adc.counts(TWELVE_BITS, output_v(0.020, supply_v), supply_v) for supply_v in (5.0, 4.5)}
    assert len(codes) == 1
    assert codes <= {2866, 2867}


# Same source.
@given(supplies_v)
def test_output_at_rest_is_half_the_supply(supply_v: float) -> None:
    """Without a field the output is half of any supply."""
    assert output_v(0.0, supply_v) == 0.5 * supply_v


# Same source.
@given(fields_tesla, supplies_v, supplies_v)
def test_output_is_ratiometric(field_tesla: float, one_v: float, other_v: float) -> None:
    """Output over supply depends on the field alone."""
    assert output_v(field_tesla, one_v) / one_v == pytest.approx(output_v(field_tesla, other_v) / other_v, rel=1e-12)


@given(fields_tesla, supplies_v, supplies_v)
def test_ratiometric_converter_cannot_see_the_supply(field_tesla: float, one_v: float, other_v: float) -> None:
    """The code of a field moves by no more than its rounding when the supply of both moves."""
    one, other = (adc.counts(TWELVE_BITS, output_v(field_tesla, volts), volts) for volts in (one_v, other_v))
    assert abs(one - other) <= 1


@given(fields_tesla, supplies_v)
def test_fixed_reference_sees_the_supply(field_tesla: float, supply_v: float) -> None:
    """Against a fixed reference the code of a field goes with the sensor's supply."""
    nominal = output_v(field_tesla, 5.0) / 5.0 * 4095.0
    expected = min(nominal * supply_v / 5.0, 4095.0)
    assert adc.counts(FIXED, output_v(field_tesla, supply_v), supply_v) == pytest.approx(expected, abs=0.5 + 1e-6)


# Closed form of a first-order low-pass; the bandwidth itself is common practice, no source.
def test_bandwidth_is_a_first_order_low_pass() -> None:
    """One time constant after a step of the field 1 - 1/e of it has passed, in one tick or in four."""
    bandwidth_hz = 20_000.0
    tau_s = 1.0 / (2.0 * math.pi * bandwidth_hz)
    for ticks in (1, 4):
        params = SENSOR._replace(settled_frac=hall.settled_frac(bandwidth_hz, tau_s / ticks))
        state = hall.initial(params)
        for _ in range(ticks):
            state, out_v = hall.step(params, state, hall.Inputs(0.020, 5.0, 0.0, 0.0, 0.0, hall.SOUND))
        assert (out_v - 2.5) / 1.0 == pytest.approx(1.0 - math.exp(-1.0), rel=1e-12)


@given(
    st.floats(min_value=-1.0, max_value=1.0),
    st.floats(min_value=0.0, max_value=6.0),
    st.floats(min_value=-10.0, max_value=10.0),
    st.floats(min_value=0.0, max_value=400.0),
    st.sampled_from([hall.SOUND, hall.OPEN, hall.SHORT_LOW, hall.SHORT_HIGH]),
)
def test_output_stays_between_the_rails(
    field_tesla: float, supply_v: float, noise_v: float, bus_a: float, fault: int
) -> None:
    """Whatever the field, the noise, the drive current or the fault, the pin stays between ground and supply."""
    params = SENSOR._replace(ground_ohm=1e-3)
    out_v = output_v(field_tesla, supply_v, params, noise_v=noise_v, bus_a=bus_a, fault=fault)
    assert 0.0 <= out_v <= supply_v


# Common practice, no source: the output of a sound part stops a few tenths of a volt from either rail.
@pytest.mark.parametrize(("field_tesla", "volts"), [(1.0, 4.8), (-1.0, 0.2)])
def test_output_saturates_short_of_the_rails(field_tesla: float, volts: float) -> None:
    """A field beyond the range leaves the headroom to the rail."""
    assert output_v(field_tesla, 5.0) == pytest.approx(volts)


@pytest.mark.parametrize(("fault", "code"), [(hall.OPEN, 0), (hall.SHORT_LOW, 0), (hall.SHORT_HIGH, 4095)])
@given(field_tesla=st.floats(min_value=-1.0, max_value=1.0), supply_v=supplies_v)
def test_broken_wires_land_at_the_rails(fault: int, code: int, field_tesla: float, supply_v: float) -> None:
    """An open or shorted line reads the end of the converter's range, which no field of a sound sensor reaches."""
    sound = adc.counts(TWELVE_BITS, output_v(field_tesla, supply_v), supply_v)
    assert adc.counts(TWELVE_BITS, output_v(field_tesla, supply_v, fault=fault), supply_v) == code
    assert 0 < sound < 4095


def test_shared_ground_wire_shifts_the_reading() -> None:
    """Drive current through a shared ground wire adds its drop to the output."""
    shifted = output_v(0.0, 5.0, SENSOR._replace(ground_ohm=0.5e-3), bus_a=100.0)
    assert shifted == pytest.approx(2.5 + 0.05)


def test_noise_and_drift_add_to_the_signal() -> None:
    """Noise and drift are volts at the pin."""
    assert output_v(0.010, 5.0, noise_v=0.03, drift_v=-0.1) == pytest.approx(3.0 + 0.03 - 0.1)


@given(st.floats(min_value=-1.0, max_value=7.0), st.floats(min_value=-1.0, max_value=7.0), supplies_v)
def test_codes_rise_with_the_voltage(one_v: float, other_v: float, supply_v: float) -> None:
    """A higher pin voltage never gives a lower code, and every code lies in the range."""
    low, high = (adc.counts(TWELVE_BITS, volts, supply_v) for volts in sorted((one_v, other_v)))
    assert 0 <= low <= high <= 4095


# The ideal quantiser of IEEE 1241 (value from memory, not verified): error within half a step.
@given(st.floats(min_value=0.0, max_value=5.0))
def test_code_is_the_nearest_step(pin_v: float) -> None:
    """A code stands for the pin voltage within half a step."""
    assert adc.counts(FIXED, pin_v, 5.0) / 4095.0 * 5.0 == pytest.approx(pin_v, abs=0.5 * 5.0 / 4095.0 + 1e-9)


def test_dead_reference_reads_zero() -> None:
    """A converter whose reference is gone reads 0, whatever its pin has."""
    assert adc.counts(TWELVE_BITS, 3.0, 0.0) == 0
