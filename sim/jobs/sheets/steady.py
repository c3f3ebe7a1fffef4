"""Where bus, motors, hull and heat come to rest at a duty that stays (row 4).

Solved, not simulated, with the functions that the simulation itself calls:
``pack.source``, ``bus.solve``, ``propeller.loads``, ``motor.torque_nm``. Only
what has memory is put at its end: RC pairs full, motors, ESCs and switch as
warm as they get, the vehicle as fast as it gets. Held are the charge and the
pack's temperature, which move over minutes to hours.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from sim.world import bus, hull, machine, motor, pack, propeller, supply, switch

# A bracket this narrow, as a share of its place, is closed.
SAME_FRAC = 1e-12
# Places looked at between standstill and no load for the first speed that lasts.
PLACES = 16
# Every so many steps the bracket is halved.
HALVE_EVERY = 8
# Rounds of temperatures; they close in by a half or better each unless something burns.
ROUNDS = 200
SAME_K = 1e-7
# Beyond this no winding or MOSFET is left to speak of.
BURNT_DEGC = 400.0


class Charge(NamedTuple):
    """What is held: the pack's mean and weakest charge, its temperature, and the voltages of RC pairs not yet full."""

    soc_frac: float
    weak_soc_frac: float
    pack_degc: float
    v1_v: float = 0.0
    v2_v: float = 0.0


class Circuit(NamedTuple):
    """The source as the thrusters meet it.

    source_ohm : with leads and switch; `pack_ohm` the pack's own part, full RC pairs included.
    polarised_v : of RC pairs that are not full, lost before `emf_v`.
    """

    emf_v: float
    source_ohm: float
    weak_emf_v: float
    weak_ohm: float
    pack_ohm: float
    polarised_v: float


class Warm(NamedTuple):
    """Temperatures that are solved for."""

    motor_degc: float
    esc_degc: float
    switch_degc: float


class Steady(NamedTuple):
    """One operating point; both thrusters do the same.

    thrust_n : of both, less what the hull takes. settled : whether the temperatures come to rest.
    collapsed : no operating point above half the electromotive force, as in ``bus.solve``.
    limited : the ESCs' current limit holds the motors.
    heat_w : all that is lost in pack, leads, switch, ESCs, motors and logic. pack_w : of it, in the pack.
    """

    bus_v: float
    bus_a: float
    pack_v: float
    cell_v_min: float
    rail_v: float
    feed_v: float
    motor_a: float
    rad_s: float
    thrust_n: float
    speed_m_s: float
    shaft_w: float
    heat_w: float
    motor_degc: float
    esc_degc: float
    switch_degc: float
    pack_w: float
    limited: bool
    collapsed: bool
    settled: bool


def circuit(params: machine.Params, charge: Charge, switch_degc: float, full: bool = True) -> Circuit:
    """The source at a charge.

    Parameters
    ----------
    full : RC pairs full, as after minutes; else as `charge` has them, empty at the first moment.

    Notes
    -----
    A full RC pair carries all of the current, so that its voltage is R I and it is one more series resistance.
    """
    factor = pack.aged_factor(params.pack, charge.pack_degc)
    v1_v, v2_v = (0.0, 0.0) if full else (charge.v1_v, charge.v2_v)
    behind = pack.source(params.pack, pack.State(charge.soc_frac, charge.weak_soc_frac, v1_v, v2_v), factor)
    settle_ohm = factor * (params.pack.r1_ohm + params.pack.r2_ohm) if full else 0.0
    outside_ohm = params.leads_ohm + switch.resistance_ohm(params.switch, switch_degc)
    return Circuit(
        emf_v=behind.emf_v,
        source_ohm=behind.ohm + settle_ohm + outside_ohm,
        weak_emf_v=behind.weak_emf_v,
        weak_ohm=behind.weak_ohm + params.pack.weak_resistance_frac * settle_ohm / params.pack.series,
        pack_ohm=behind.ohm + settle_ohm,
        polarised_v=v1_v + v2_v,
    )


def metres_per_radian(params: machine.Params) -> float:
    """Speed of the vehicle over that of its propellers once neither changes any more; 0 where it is held.

    Notes
    -----
    Thrust and drag both go with the square of their speeds, so that the advance
    ratio at which they meet is the same at every speed; it is sought at one turn a second.
    """
    if params.hull.held == 1:
        return 0.0
    turn = 2.0 * math.pi
    blades, density = params.drivetrain.propeller, params.drivetrain.density_kg_m3

    def short_n(speed_m_s: float) -> float:
        inflow = hull.inflow_m_s(params.hull, hull.State(speed_m_s, 0.0))
        thrust = propeller.loads(blades, turn, inflow, density)[0]
        return 2.0 * thrust * (1.0 - params.hull.deduction_frac) - params.hull.drag_kg_m * speed_m_s * speed_m_s

    # Past the end of its curves a propeller pushes no more.
    top = blades.j_max * blades.diameter_m / max(1.0 - params.hull.wake_frac, 1e-6)
    return falling_root(short_n, 0.0, top) / turn


def falling_root(value: Callable[[float], float], low: float, high: float) -> float:
    """Where a value turns from above 0 to below, within a bracket; an end of it where it does not.

    Notes
    -----
    Regula falsi in its Illinois form (common practice), with a halving now and then
    so that a jump in the value cannot hold it up.
    """
    at_low, at_high = value(low), value(high)
    if at_low <= 0.0 or at_high > 0.0:
        return low if at_low <= 0.0 else high
    last = 0.0
    for turn in range(1, ROUNDS):
        place = low + (high - low) * at_low / (at_low - at_high)
        if turn % HALVE_EVERY == 0 or not low < place < high:
            place = 0.5 * (low + high)
        if not low < place < high or high - low <= SAME_FRAC * high:
            break
        found = value(place)
        if found == 0.0:
            return place
        # The end that stays twice in a row counts half, which draws the line over to it.
        if found > 0.0:
            low, at_low, at_high = place, found, at_high * (0.5 if last > 0.0 else 1.0)
        else:
            high, at_high, at_low = place, found, at_low * (0.5 if last < 0.0 else 1.0)
        last = found
    return 0.5 * (low + high)


class Spin(NamedTuple):
    """The bus and a motor at one speed of turning."""

    node_v: float
    motor_a: float
    way: int
    collapsed: int


def spin(params: machine.Params, source: Circuit, load: bus.Load, constant_w: float, rad_s: float) -> Spin:
    """What the bus is with both rotors held at a speed."""
    back_v = params.drivetrain.motor.k_v_s * rad_s
    node_v, way, _, collapsed = bus.solve(source.emf_v, source.source_ohm, load, back_v, load, back_v, constant_w)
    return Spin(node_v, bus.motor_a(load, back_v, way, node_v), way, collapsed)


def steady(
    params: machine.Params,
    charge: Charge,
    duty_frac: float,
    ratio_m: float,
    warm: Warm | None = None,
    full: bool = True,
) -> Steady:
    """The operating point at a duty.

    Parameters
    ----------
    ratio_m : from `metres_per_radian`.
    warm : temperatures to begin the search with, such as those of a point near by.
    full : see `circuit`.

    Notes
    -----
    For given temperatures the speed is the lowest at which the motor's torque no
    longer exceeds the propeller's, which is where a rotor that starts from rest
    ends. The temperatures follow from its losses, T = Tw + Rth P, round by round.
    """
    around = params.warmth.around_degc
    warm = warm or Warm(around, around, around)
    settled = False
    for _ in range(ROUNDS):
        found = _at(params, circuit(params, charge, warm.switch_degc, full), duty_frac, ratio_m, warm)
        after = Warm(found.motor_degc, found.esc_degc, found.switch_degc)
        settled = bool(max(abs(now - then) for now, then in zip(after, warm, strict=True)) < SAME_K)
        if settled or max(after) > BURNT_DEGC:
            break
        warm = after
    return found._replace(settled=settled)


def _at(params: machine.Params, source: Circuit, duty_frac: float, ratio_m: float, warm: Warm) -> Steady:
    """The operating point at given temperatures; those that its losses would lead to are in the answer."""
    spinner, blades = params.drivetrain.motor, params.drivetrain.propeller
    density = params.drivetrain.density_kg_m3
    ohm = motor.winding_ohm(spinner, warm.motor_degc) + params.esc.on_ohm
    load = bus.Load(duty_frac, ohm, params.esc.current_a_max)
    logic_w = params.supply.load_w / params.supply.efficiency_frac
    constant_w = logic_w + 2.0 * params.esc.idle_w

    def inflow(rad_s: float) -> float:
        return hull.inflow_m_s(params.hull, hull.State(ratio_m * rad_s, 0.0))

    def over_nm(rad_s: float) -> float:
        amperes = spin(params, source, load, constant_w, rad_s).motor_a
        water_nm = propeller.loads(blades, rad_s, inflow(rad_s), density)[1]
        return motor.torque_nm(spinner, amperes, rad_s) - water_nm

    rad_s = first_root(over_nm, duty_frac * source.emf_v / spinner.k_v_s)
    point = spin(params, source, load, constant_w, rad_s)
    thrust_n, water_nm = propeller.loads(blades, rad_s, inflow(rad_s), density)
    bus_a = (source.emf_v - point.node_v) / source.source_ohm
    pack_v = source.emf_v - bus_a * source.pack_ohm
    feed_v = point.node_v if params.logic_behind_switch == 1 else pack_v
    copper_w = point.motor_a * point.motor_a * ohm
    esc_w = copper_w * params.esc.on_ohm / ohm
    switch_w = bus_a * bus_a * switch.resistance_ohm(params.switch, warm.switch_degc)
    shaft_w = 2.0 * water_nm * rad_s
    around, lumps = params.warmth.around_degc, params.warmth
    return Steady(
        bus_v=point.node_v,
        bus_a=bus_a,
        pack_v=pack_v,
        cell_v_min=source.weak_emf_v - bus_a * source.weak_ohm,
        rail_v=supply.rail_from(params.supply, max(feed_v - params.supply.diode_v, 0.0)),
        feed_v=feed_v,
        motor_a=point.motor_a,
        rad_s=rad_s,
        thrust_n=2.0 * thrust_n * (1.0 - params.hull.deduction_frac),
        speed_m_s=ratio_m * rad_s,
        shaft_w=shaft_w,
        heat_w=(source.emf_v + source.polarised_v) * bus_a - shaft_w,
        motor_degc=around + lumps.motor.resistance_k_w * (copper_w - esc_w),
        esc_degc=around + lumps.esc.resistance_k_w * (esc_w + params.esc.idle_w),
        switch_degc=around + lumps.switch.resistance_k_w * switch_w,
        pack_w=(bus_a * source.pack_ohm + source.polarised_v) * bus_a,
        limited=bool(point.way == bus.LIMITED),
        collapsed=bool(point.collapsed == 1),
        settled=False,
    )


def first_root(value: Callable[[float], float], top: float) -> float:
    """The lowest place at which a value is no longer above 0, from 0 to `top`."""
    if value(0.0) <= 0.0:
        return 0.0
    low = 0.0
    for place in range(1, PLACES + 1):
        high = top * place / PLACES
        if value(high) <= 0.0:
            return falling_root(value, low, high)
        low = high
    return top
