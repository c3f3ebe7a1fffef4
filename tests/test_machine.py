"""The assembled machine: energy and charge balance, symmetry, the kill cord's way, and nothing that is not finite."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.bench import build
from sim.bench.run import Bench
from sim.world import disc, esc, machine, protection, supply, water

SwitchedOn = Callable[..., tuple[machine.Params, machine.State]]
QUIET = machine.Tape(
    cord_seated=1.0,
    switch_welded=0.0,
    extra_ohm=0.0,
    left_wire=1.0,
    right_wire=1.0,
    left_alive=1.0,
    right_alive=1.0,
    left_fouling=1.0,
    right_fouling=1.0,
    chip_reset=0.0,
    release=0.0,
)
FULL_US = 2000.0
STOP_US = 1000.0


def armed(params: machine.Params, state: machine.State) -> machine.State:
    """The machine with both ESCs ready, as after their stop pulses."""
    ready = state.left_esc._replace(mode=esc.READY, silent_s=0.0)
    return state._replace(left_esc=ready, right_esc=ready)


def ran(
    params: machine.Params,
    state: machine.State,
    seconds: float,
    tape: machine.Tape = QUIET,
    left_us: float = FULL_US,
    right_us: float = FULL_US,
    start_us: int = 0,
) -> list[tuple[machine.State, machine.Outputs]]:
    """Every tick of some seconds under constant pulses."""
    ticks = []
    for tick in range(round(seconds / params.dt_s)):
        state, out = machine.step(params, state, tape, start_us + tick * params.tick_us, left_us, right_us)
        ticks.append((state, out))
    return ticks


def gap(params: machine.Params, state: machine.State) -> float:
    """What is missing from the energy balance, as a share of what the cells gave."""
    spin = state.rotors
    inertia = params.drivetrain.motor.inertia_kg_m2
    held_j = 0.5 * inertia * (spin.left_rad_s * spin.left_rad_s + spin.right_rad_s * spin.right_rad_s)
    energy = state.energy
    return (energy.source_j - energy.heat_j - energy.shaft_j - held_j) / energy.source_j


def leaves(parts: Any) -> list[float]:
    """Every number of nested tuples."""
    if not isinstance(parts, tuple):
        return [parts]
    return [number for part in parts for number in leaves(part)]


STARTS = [("air", "held"), ("lake", "held"), ("lake", "towed"), ("sea", "worn")]


# Conservation of energy; the cells give what heats, what turns the water and what the rotors hold.
@pytest.mark.parametrize(("kind", "attitude"), STARTS)
def test_energy_balance_closes(kind: str, attitude: str, switched_on: SwitchedOn) -> None:
    """Over a start at full pulses and the stop after it the energy balance closes within 0.05 %."""
    params, state = switched_on(water={"kind": kind}, attitude=attitude)
    start = ran(params, armed(params, state), 0.6)[-1][0]
    assert abs(gap(params, start)) < 5e-4
    stop = ran(params, start, 0.4, left_us=STOP_US, right_us=STOP_US, start_us=600_000)[-1][0]
    assert stop.rotors.left_rad_s < 0.9 * start.rotors.left_rad_s
    assert abs(gap(params, stop)) < 5e-4


def test_energy_balance_narrows_with_the_substeps(switched_on: SwitchedOn) -> None:
    """In air, where it is widest, the gap in the energy balance at least halves as the substeps double."""
    gaps = []
    for substeps in (1, 2, 4):
        params, state = switched_on(water={"kind": "air"}, substeps=substeps)
        gaps.append(abs(gap(params, ran(params, armed(params, state), 0.3)[-1][0])))
    assert gaps[1] < 0.55 * gaps[0]
    assert gaps[2] < 0.55 * gaps[1]


# Conservation of charge: what leaves the cells is what the bus drew.
def test_charge_balance_closes(switched_on: SwitchedOn) -> None:
    """At settled full pulses the charge that the mean cell lost is the current's integral over the capacity."""
    params, state = switched_on()
    settled = ran(params, armed(params, state), 0.6)[-1]
    ticks = ran(params, settled[0], 0.3, start_us=600_000)
    drawn_a = [settled[1].bus_a, *(out.bus_a for _, out in ticks)]
    drawn_c = math.fsum(0.5 * (before + after) for before, after in itertools.pairwise(drawn_a)) * params.dt_s
    lost_c = (settled[0].pack.soc_frac - ticks[-1][0].pack.soc_frac) * params.pack.capacity_c
    # The current is known at the ends of ticks only, and the pack's voltage falls between them.
    assert lost_c == pytest.approx(drawn_c, rel=1e-4)


# Actuator disc (momentum theory): no open propeller makes thrust for less than the ideal power.
def test_shaft_power_is_at_least_the_ideal(switched_on: SwitchedOn) -> None:
    """Held and settled at full pulses, each shaft gives more power than an ideal disc needs for its thrust."""
    params, state = switched_on(pack={"charge_frac": 0.9})
    settled = ran(params, armed(params, state), 1.0)
    after, out = ran(params, settled[-1][0], params.dt_s, start_us=1_000_000)[-1]
    shaft_w = (after.energy.shaft_j - settled[-1][0].energy.shaft_j) / params.dt_s
    blades = params.drivetrain.propeller
    ideal_w = disc.ideal_power_w(out.left_thrust_n, 0.0, params.drivetrain.density_kg_m3, blades.diameter_m)
    assert ideal_w < 0.5 * shaft_w


def test_equal_pulses_give_equal_thrust(switched_on: SwitchedOn) -> None:
    """With their frames together both sides stay alike to the last bit."""
    params, state = switched_on(attitude="towed")
    params = params._replace(right_frame_offset_us=0)
    for after, out in ran(params, armed(params, state), 0.5):
        assert after.rotors.left_rad_s == after.rotors.right_rad_s
        assert out.left_thrust_n == out.right_thrust_n


def test_frames_apart_start_apart(switched_on: SwitchedOn) -> None:
    """With their frames 1.7 ms apart the right side starts two ticks later, no more."""
    params, state = switched_on()
    begun = {"left": 0, "right": 0}
    for tick, (after, _) in enumerate(ran(params, armed(params, state), 0.05, start_us=1000), start=1):
        for side, duty in (("left", after.left_esc.duty_frac), ("right", after.right_esc.duty_frac)):
            begun[side] = tick if duty > 0.0 and begun[side] == 0 else begun[side]
    # Frames end at 5 ms and at 1.7 ms; the run began at 1 ms.
    assert (begun["left"], begun["right"]) == (5, 2)


@pytest.mark.parametrize("fault", ["left_wire", "left_alive"])
def test_one_side_lost_leaves_the_other(fault: str, switched_on: SwitchedOn) -> None:
    """A broken wire or a dead ESC stops its own side, and the other side pushes on with more bus."""
    params, state = switched_on()
    params = params._replace(esc=params.esc._replace(on_lost=esc.STOPS))
    both = ran(params, armed(params, state), 1.0)[-1]
    after, out = ran(params, both[0], 1.5, tape=QUIET._replace(**{fault: 0.0}), start_us=1_000_000)[-1]
    assert out.left_motor_a == 0.0
    assert out.left_thrust_n < 1.0
    assert out.right_thrust_n > both[1].right_thrust_n
    assert after.rotors.right_rad_s > 100.0


# Stop category 0 of IEC 60204-1: power removed with no software in the path.
def test_pulled_cord_takes_the_power_from_full_pulses(switched_on: SwitchedOn) -> None:
    """Though the pulses stay at full, the bus is dead after the cord's delay and the thrust gone half a second on."""
    params, state = switched_on()
    driving = ran(params, armed(params, state), 1.0)[-1][0]
    pulled = ran(params, driving, 0.5, tape=QUIET._replace(cord_seated=0.0), start_us=1_000_000)
    dead_s = next(tick for tick, (_, out) in enumerate(pulled) if out.bus_v == 0.0) * params.dt_s
    assert dead_s == pytest.approx(params.killcord.open_delay_s, abs=params.dt_s + 1e-9)
    after, out = pulled[-1]
    assert (out.bus_v, out.left_motor_a, out.right_motor_a) == (0.0, 0.0, 0.0)
    assert out.left_thrust_n < 0.05 * ran(params, driving, params.dt_s)[-1][1].left_thrust_n
    assert after.supply.chip == driving.supply.chip


def test_logic_behind_the_switch_starves_with_it(switched_on: SwitchedOn) -> None:
    """Fed from the bus, the chip is reset once its hold-up is used; fed from the pack it runs on."""
    chips = {}
    for behind in (0, 1):
        params, state = switched_on()
        params = params._replace(logic_behind_switch=behind)
        running = ran(params, state, 0.3, left_us=STOP_US, right_us=STOP_US)[-1][0]
        after = ran(params, running, 1.0, tape=QUIET._replace(cord_seated=0.0), start_us=300_000)[-1][0]
        chips[behind] = (after.supply.chip, after.supply.resets)
    assert chips == {0: (supply.RUNNING, 0.0), 1: (supply.HELD, 1.0)}


def test_tripped_pack_stops_everything(switched_on: SwitchedOn) -> None:
    """An open pack gives no current, and the chip dies with it after its hold-up."""
    params, state = switched_on()
    driving = ran(params, armed(params, state), 0.5)[-1][0]
    open_pack = driving._replace(protection=driving.protection._replace(tripped=protection.CURRENT_HIGH))
    after, out = ran(params, open_pack, 1.0, start_us=500_000)[-1]
    assert (out.bus_v, out.bus_a, out.pack_v) == (0.0, 0.0, 0.0)
    assert after.supply.chip == supply.HELD
    assert after.left_esc.mode == esc.UNPOWERED


def test_corroded_joint_sags_the_bus(switched_on: SwitchedOn) -> None:
    """A resistance more in the lead costs bus voltage and thrust."""
    params, state = switched_on()
    clean, corroded = (
        ran(params, armed(params, state), 1.0, tape=QUIET._replace(extra_ohm=ohm))[-1][1] for ohm in (0.0, 0.03)
    )
    assert corroded.bus_v < clean.bus_v
    assert corroded.left_thrust_n < clean.left_thrust_n


def test_fouled_propeller_draws_more_for_less(switched_on: SwitchedOn) -> None:
    """Weed on one propeller costs it thrust and raises its current."""
    params, state = switched_on()
    params = params._replace(protection=params.protection._replace(slow_a=1e3, fast_a=1e3))
    out = ran(params, armed(params, state), 1.0, tape=QUIET._replace(left_fouling=2.0))[-1][1]
    assert out.left_thrust_n < 0.8 * out.right_thrust_n
    assert out.left_motor_a > out.right_motor_a


def test_light_rotor_gets_the_substeps_it_needs(switched_on: SwitchedOn) -> None:
    """Rotors whose own time is a quarter of the tick are given more substeps, and settle alike from unequal speeds."""
    light = {"motor.inertia_kg_m2": 2e-4}
    params, state = switched_on(vehicle_set=light)
    assert switched_on()[0].drivetrain.substeps == 1
    assert params.drivetrain.substeps >= 4
    assert params.drivetrain.substeps * params.drivetrain.dt_s == pytest.approx(params.dt_s)
    unequal = armed(params, state)._replace(rotors=state.rotors._replace(left_rad_s=150.0))
    after, out = ran(params, unequal, 0.4)[-1]
    assert after.rotors.left_rad_s == pytest.approx(after.rotors.right_rad_s, rel=1e-4)
    assert out.left_motor_a == pytest.approx(out.right_motor_a, rel=1e-3)


def test_slow_tick_is_cut_into_substeps(switched_on: SwitchedOn) -> None:
    """At 100 Hz the machine settles where it settles at 1 kHz."""
    fast, slow = (switched_on(control_hz=control_hz) for control_hz in (1000.0, 100.0))
    ends = [ran(params, armed(params, state), 0.6)[-1] for params, state in (fast, slow)]
    assert ends[1][0].rotors.left_rad_s == pytest.approx(ends[0][0].rotors.left_rad_s, rel=1e-4)
    assert ends[1][1].bus_a == pytest.approx(ends[0][1].bus_a, rel=1e-3)


def test_collapse_is_an_outcome(switched_on: SwitchedOn) -> None:
    """A current limit that asks for more than the source can give collapses the bus, and is told."""
    params, state = switched_on(pack={"charge_frac": 0.1, "temperature_degc": -10.0, "resistance_growth_frac": 3.0})
    params = params._replace(esc=params.esc._replace(on_v=0.0, cut_v=0.0))
    ticks = ran(params, armed(params, state), 0.5)
    assert max(out.collapsed for _, out in ticks) == 1
    assert all(math.isfinite(number) for after, out in ticks for number in leaves(after) + leaves(out))


tapes = st.builds(
    machine.Tape,
    cord_seated=st.sampled_from([0.0, 1.0, 1.0, 1.0]),
    switch_welded=st.sampled_from([0.0, 1.0]),
    extra_ohm=st.one_of(st.just(0.0), st.floats(min_value=0.0, max_value=10.0)),
    left_wire=st.sampled_from([0.0, 1.0, 1.0]),
    right_wire=st.sampled_from([0.0, 1.0, 1.0]),
    left_alive=st.sampled_from([0.0, 1.0, 1.0]),
    right_alive=st.sampled_from([0.0, 1.0, 1.0]),
    left_fouling=st.floats(min_value=1.0, max_value=20.0),
    right_fouling=st.floats(min_value=1.0, max_value=20.0),
    chip_reset=st.sampled_from([0.0, 0.0, 1.0]),
    release=st.sampled_from([0.0, 1.0]),
)
pulses_us = st.one_of(st.sampled_from([0.0, STOP_US, FULL_US]), st.floats(min_value=0.0, max_value=5000.0))
conditions = st.builds(
    build.Condition,
    charge_frac=st.floats(min_value=0.0, max_value=1.0),
    temperature_degc=st.floats(min_value=-20.0, max_value=60.0),
    resistance_growth_frac=st.floats(min_value=0.0, max_value=5.0),
    capacity_loss_frac=st.floats(min_value=0.0, max_value=0.9),
)


@settings(max_examples=60)
@given(
    st.sampled_from(STARTS),
    conditions,
    st.sampled_from([esc.STOPS, esc.HOLDS]),
    st.sampled_from([250, 1000, 20_000]),
    st.lists(st.tuples(tapes, pulses_us, pulses_us), min_size=1, max_size=8),
)
def test_no_input_makes_a_number_that_is_not_finite(
    moorhen: Callable[..., Bench],
    place: tuple[str, str],
    condition: build.Condition,
    on_lost: int,
    tick_us: int,
    script: list[tuple[machine.Tape, float, float]],
) -> None:
    """Random faults, pulses, packs and ticks leave every number finite, speeds ahead and the pack never charged."""
    kind, attitude = place
    vehicle = moorhen().vehicle
    params = build.machine_params(vehicle, water.water(kind, 20.0), condition, attitude, tick_us, 1)
    params = params._replace(esc=params.esc._replace(on_lost=on_lost))
    state = armed(params, machine.initial(params, condition.charge_frac, condition.temperature_degc))
    t_us = 0
    for tape, left_us, right_us in script:
        for _ in range(25):
            state, out = machine.step(params, state, tape, t_us, left_us, right_us)
            t_us += tick_us
            assert all(math.isfinite(number) for number in leaves(state) + leaves(out))
            assert out.bus_a >= 0.0
            assert 0.0 <= out.bus_v <= out.pack_v + 1e-9
            assert min(state.rotors) >= 0.0
            assert state.hull.speed_m_s > -0.1
