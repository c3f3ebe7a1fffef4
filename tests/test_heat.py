"""Lumps of heat, the main switch's resistance, and which lump warms whom."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import heat, switch, warmth

RESISTANCE_K_W = 1.5
CAPACITY_J_K = 40.0

# PUBLISHED closed form (lumped thermal network, Rth (1 - exp(-t/tau))), exact arithmetic for 20 W, 1.5 K/W, 40 J/K.
RISES_K = [(30.0, 11.804080), (60.0, 18.963617), (120.0, 25.939942), (300.0, 29.797862)]


def warmed_k(seconds: float, tick_s: float, heat_w: float = 20.0) -> float:
    """Rise over the surroundings after `seconds` of heat."""
    lump = heat.Params(RESISTANCE_K_W, heat.keep_frac(RESISTANCE_K_W, CAPACITY_J_K, tick_s))
    degc = 15.0
    for _ in range(round(seconds / tick_s)):
        degc = heat.warmed_degc(lump, degc, 15.0, heat_w)
    return degc - 15.0


@pytest.mark.parametrize(("seconds", "rise_k"), RISES_K)
@pytest.mark.parametrize("tick_s", [0.5, 30.0])
def test_lump_warms_as_printed(seconds: float, rise_k: float, tick_s: float) -> None:
    """A lump under constant heat rises by the printed temperature, at any tick."""
    assert warmed_k(seconds, tick_s) == pytest.approx(rise_k, abs=0.5e-6)


# Same source: P Rth.
def test_lump_ends_at_heat_times_resistance() -> None:
    """After many time constants the rise is heat times thermal resistance, 30 K."""
    assert warmed_k(3000.0, 1.0) == pytest.approx(30.0, abs=1e-9)


@given(st.floats(min_value=-5.0, max_value=120.0), st.floats(min_value=0.0, max_value=40.0), st.floats(0.001, 1000.0))
def test_unheated_lump_nears_its_surroundings(now_degc: float, around_degc: float, tick_s: float) -> None:
    """Without heat a lump moves towards its surroundings and never past them."""
    lump = heat.Params(RESISTANCE_K_W, heat.keep_frac(RESISTANCE_K_W, CAPACITY_J_K, tick_s))
    after = heat.warmed_degc(lump, now_degc, around_degc, 0.0)
    assert min(now_degc, around_degc) - 1e-9 <= after <= max(now_degc, around_degc) + 1e-9


# PUBLISHED closed form (conduction loss I^2 Rds(on) kT), exact arithmetic: 40 A, 2 mohm, kT 1.4 when hot.
@pytest.mark.parametrize(("parallel", "all_w", "each_w"), [(1.0, 4.48, 4.48), (2.0, 2.24, 1.12)])
def test_conduction_loss_of_a_hot_switch(parallel: float, all_w: float, each_w: float) -> None:
    """At 125 degC the switch loses the printed power, shared evenly by its devices."""
    ohm = switch.resistance_ohm(switch.Params(on_ohm=0.002, parallel=parallel, temperature_frac_k=0.004), 125.0)
    assert 40.0 * 40.0 * ohm == pytest.approx(all_w, rel=1e-12)
    assert 40.0 * 40.0 * ohm / parallel == pytest.approx(each_w, rel=1e-12)


@given(st.floats(min_value=-40.0, max_value=200.0), st.floats(min_value=-40.0, max_value=200.0))
def test_warmer_switch_resists_more(one_degc: float, other_degc: float) -> None:
    """Resistance never falls with temperature and stays above 0."""
    params = switch.Params(on_ohm=0.002, parallel=2.0, temperature_frac_k=0.004)
    low, high = (switch.resistance_ohm(params, degc) for degc in sorted((one_degc, other_degc)))
    assert 0.0 < low <= high


def test_switch_at_25_degc_is_its_datasheet_value() -> None:
    """At 25 degC the resistance is the one given."""
    assert switch.resistance_ohm(switch.Params(0.002, 1.0, 0.004), 25.0) == 0.002


HEATED = {
    "left_esc_w": "left_esc_degc",
    "right_esc_w": "right_esc_degc",
    "left_motor_w": "left_motor_degc",
    "right_motor_w": "right_motor_degc",
    "switch_w": "switch_degc",
    "pack_w": "pack_degc",
}


@pytest.mark.parametrize(("source", "lump"), HEATED.items())
def test_heat_warms_its_own_lump(source: str, lump: str) -> None:
    """Heat put into one lump warms that lump and no other."""
    one = heat.Params(RESISTANCE_K_W, heat.keep_frac(RESISTANCE_K_W, CAPACITY_J_K, 1.0))
    params = warmth.Params(esc=one, motor=one, switch=one, pack=one, around_degc=12.0)
    inputs = warmth.Inputs(**(dict.fromkeys(warmth.Inputs._fields, 0.0) | {source: 20.0}))
    after = warmth.step(params, warmth.initial(params, 12.0), inputs)._asdict()
    assert after.pop(lump) == pytest.approx(12.0 + warmed_k(1.0, 1.0))
    assert set(after.values()) == {12.0}


def test_pack_may_start_at_its_own_temperature() -> None:
    """Only the pack starts at another temperature than the surroundings'."""
    one = heat.Params(1.0, 0.5)
    start = warmth.initial(warmth.Params(esc=one, motor=one, switch=one, pack=one, around_degc=4.0), 21.0)
    assert start._asdict().pop("pack_degc") == 21.0
    assert set(start[:-1]) == {4.0}
