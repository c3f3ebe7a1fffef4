"""The figures of a plan against closed forms and facts of the trade, on a vehicle known exactly."""

from __future__ import annotations

import math
from functools import lru_cache

import pytest
from plan_cases import exactly, made

from sim.jobs.plan.model import Number, Plan

# Moorhen's file, and two straight lines for its propellers, whose bollard thrust is then a product of given numbers.
KV_RPM_V, WINDING_OHM, ESC_OHM, NO_LOAD_A = 42.0, 0.055, 0.006, 1.4
LOGIC_W, IDLE_W = 1.2 / 0.8, 0.6
DIAMETER_M, KT_AT_0, DEDUCTION_FRAC = 0.21, 0.34, 0.08
PROPELLER = {
    "diameter_m": DIAMETER_M,
    "kt_at_0": KT_AT_0,
    "kq_at_0": 0.045,
    "j_zero_thrust": 0.9,
    "kq_at_zero_thrust": 0.012,
}
CAPS_FRAC = (0.40, 0.58, 0.76, 0.92)
RAMP_DOWN_S, RELEASE_S, KILL_S, SENSE_S = 0.4, 0.03, 0.005, 0.005
TICK_S = 0.004
FRESH_KG_M3 = 999.1  # at 15 degC, handbook value


@lru_cache(1)
def plan() -> Plan:
    return made(exactly(propeller=PROPELLER)).plan


def figure(stage: int, end: str, power_step: int) -> float:
    """A figure as filed of the ride in a power step."""
    wanted = [
        number
        for number in plan().stages[stage - 1].numbers
        if number.power_step == power_step and number.id.endswith(f".{end}") and "cord" not in number.says
    ]
    assert len(wanted) == 1
    assert wanted[0].filed is not None
    return wanted[0].filed


@pytest.mark.parametrize("power_step", [1, 2, 3, 4])
def test_a_bare_shaft_turns_at_kv_by_volts_less_its_friction(power_step: int) -> None:
    """Kv (d V - I0 R) (handbook form of the motor at no load), on either side, to 0.5 %."""
    volts = CAPS_FRAC[power_step - 1] * figure(1, "bus", power_step)
    expected = KV_RPM_V * (volts - NO_LOAD_A * (WINDING_OHM + ESC_OHM))
    for side in ("left", "right"):
        assert figure(1, side, power_step) == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize("power_step", [1, 4])
def test_bare_shafts_draw_what_friction_and_logic_use(power_step: int) -> None:
    """Two motors at duty d draw 2 d I0 from the pack, and the constant powers their share (power balance), to 2 %."""
    duty, bus_v = CAPS_FRAC[power_step - 1], figure(1, "bus", power_step)
    expected = 2.0 * duty * NO_LOAD_A + (LOGIC_W + 2.0 * IDLE_W) / bus_v
    assert figure(1, "current", power_step) == pytest.approx(expected, rel=0.02)


def test_in_air_a_propeller_is_next_to_no_load() -> None:
    """Air is 800 times thinner than water (handbook): with propellers on, shafts turn within 1 % as fast as bare."""
    assert figure(2, "left", 4) == pytest.approx(figure(1, "left", 4), rel=0.01)


@pytest.mark.parametrize("power_step", [1, 4])
def test_the_tether_is_pulled_by_the_bollard_thrust(power_step: int) -> None:
    """2 KT rho n^2 D^4 (1 - t) at the shafts' own speed (definition of the thrust coefficient), to 1 %."""
    turns = figure(3, "left", power_step) / 60.0
    expected = 2.0 * KT_AT_0 * FRESH_KG_M3 * turns**2 * DIAMETER_M**4 * (1.0 - DEDUCTION_FRAC)
    assert figure(3, "thrust", power_step) == pytest.approx(expected, rel=0.01)


def test_leads_are_their_copper_and_their_joints() -> None:
    """AWG 8 is 8.37 mm2 (ASTM B258), copper 1.724e-8 ohm m at 20 degC less 0.39 % a kelvin (IEC 60028), to 2 %."""
    copper_ohm = 1.724e-8 * (1.0 - 0.0039 * 5.0) * 1.2 / 8.37e-6
    assert figure(3, "leads", 4) == pytest.approx(copper_ohm + 0.001 + 0.002 / 2, rel=0.02)


@pytest.mark.parametrize("power_step", [1, 2, 3, 4])
def test_letting_go_takes_debounce_and_ramp(power_step: int) -> None:
    """The controller's file says 30 ms and 400 ms from full: so long by the cap, to three ticks of 4 ms."""
    stated_s = RELEASE_S + RAMP_DOWN_S * CAPS_FRAC[power_step - 1]
    # The last 10 us of the ramp count as stop already.
    early_s = RAMP_DOWN_S * 0.010
    assert stated_s - early_s - 3 * TICK_S <= figure(3, "stop", power_step) <= stated_s + 3 * TICK_S


def test_the_cord_takes_its_sense_and_its_debounce() -> None:
    """5 ms in the file of the vehicle, 5 ms in the controller's, in ticks of 4 ms, from the sense line on."""
    stops = [n for n in plan().stages[0].numbers if n.says == "cord out to pulses at stop"]
    assert stops[0].filed is not None
    assert stops[0].filed <= KILL_S + SENSE_S + 2 * TICK_S


def test_pulses_are_the_caps() -> None:
    """Full lever gives 1000 us and the cap's permille in us."""
    for stage in (1, 2, 3, 4):
        found = [figure(stage, "pulse", power_step) for power_step in (1, 2, 3, 4)]
        assert found == pytest.approx([1000.0 + 1000.0 * cap for cap in CAPS_FRAC], abs=2.0)


def test_gliding_to_half_the_speed_takes_mass_over_drag_and_speed() -> None:
    """m / (k v) under quadratic drag alone (closed form), to a tenth more mass and the time that the thrust takes."""
    v_m_s = figure(4, "speed", 4)
    least_s = (38.0 + 85.0) / (38.0 * v_m_s)
    assert least_s <= figure(4, "half", 4) <= 1.1 * least_s + figure(4, "stop", 4)


def test_towed_a_vehicle_goes_as_fast_as_drag_allows() -> None:
    """At most sqrt(T / k) with the tether's thrust, which falls with speed (momentum theory)."""
    assert figure(4, "speed", 4) < math.sqrt(figure(3, "thrust", 4) / (38.0 * FRESH_KG_M3 / 1000.0))


def test_held_still_the_most_is_drawn() -> None:
    """A propeller's torque is highest without advance (every open-water chart): the tank draws more than the pool."""
    assert figure(3, "current", 4) > figure(4, "current", 4) > figure(2, "current", 4)


def test_without_tolerances_the_plan_says_what_its_bands_are() -> None:
    """Bands of chance, day and hands alone are told as such."""
    assert plan().tolerances == 0
    assert any("no number a tolerance" in note for note in plan().notes)


def test_upper_bounds_are_only_those_that_inertia_makes() -> None:
    """Out of the water coasting and surges are less than simulated; in it nothing is one-sided."""

    def bounded(stage: int) -> set[str]:
        numbers: list[Number] = [number for number in plan().stages[stage - 1].numbers if number.at_most]
        return {number.id.rpartition(".")[2] for number in numbers}

    assert [bounded(stage) for stage in (1, 2, 3, 4, 5)] == [{"still", "peak"}, {"still", "peak"}, set(), set(), set()]
