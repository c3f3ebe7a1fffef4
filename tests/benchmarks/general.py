"""The same closed loop on two general-purpose libraries, for `engines.py`.

python-control takes a discrete-time system: its update is one tick of the
world and the controller, its state every number that either remembers.

scipy integrates differential equations: `solve_ivp` with its own method and
tolerances is called once a tick on rotors, pack, hull and heat as continuous
equations, inputs held, with everything that is discrete stepped between.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import control
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from controllers.board import Inputs
from sim.bench.control import Controller
from sim.bench.loop import SILENT, rows
from sim.bench.run import Prepared
from sim.world import bus, esc, heat, hull, killcord, machine, motor, pack, propeller, protection, senses, supply
from sim.world import switch as main_switch

Floats = NDArray[np.float64]


class Remembered(NamedTuple):
    """All that one tick hands to the next, whatever runs the loop."""

    sensed: senses.State
    moved: machine.State
    seen: senses.Machine
    logic: Any


def switched_on(controller: Controller, ready: Prepared) -> Remembered:
    """Before the first tick, as ``loop.run`` begins."""
    moved = ready.machine_start
    rail_v = supply.rail_from(ready.machine_params.supply, moved.supply.hold_v)
    seen = senses.Machine(rail_v, moved.bus_v, 0.0, 1, 0.0, 0.0)
    logic = controller.initial(controller.params)
    return Remembered(senses.initial(ready.senses_params, rail_v), moved, seen, logic)


def asked(controller: Controller, before: Remembered, pins: Inputs) -> tuple[Any, float, float]:
    """The controller's next state and its two pulses; a chip that is held or booting forgets and sends none."""
    if before.moved.supply.chip != supply.RUNNING:
        return controller.initial(controller.params), float(SILENT.left_pulse_us), float(SILENT.right_pulse_us)
    logic, command = controller.step(controller.params, before.logic, pins)
    return logic, float(command.left_pulse_us), float(command.right_pulse_us)


def flat(value: Any) -> Iterator[float]:
    """Every number of nested tuples, in order."""
    if isinstance(value, tuple):
        for part in value:
            yield from flat(part)
    else:
        yield value


def maker(pattern: Any) -> Callable[[Iterator[float]], Any]:
    """Makes nested tuples like the pattern of numbers in order, whole ones where it has whole ones."""
    if not isinstance(pattern, tuple):
        return (lambda numbers: int(next(numbers))) if isinstance(pattern, int) else next
    kind, parts = type(pattern), [maker(part) for part in pattern]
    return lambda numbers: kind(*[part(numbers) for part in parts])


def by_python_control(controller: Controller, ready: Prepared) -> Floats:
    """Bus voltage and left rotor speed at the end of each tick, shape (2, ticks)."""
    first = switched_on(controller, ready)
    made = maker(first)
    fields = len(senses.Tape._fields)
    params = ready.machine_params

    def tick(t: float, x: Floats, u: Floats, _: Any) -> list[float]:
        before = made(iter(x.tolist()))
        drawn = u.tolist()
        sensed, pins, _hall_v = senses.step(
            ready.senses_params, before.sensed, senses.Tape(*drawn[:fields]), before.seen
        )
        logic, left_us, right_us = asked(controller, before, pins)
        t_us = round(1e6 * t)
        moved, out = machine.step(params, before.moved, machine.Tape(*drawn[fields:]), t_us, left_us, right_us)
        rotors = moved.rotors
        seen = senses.Machine(
            out.rail_v, out.bus_v, out.bus_a, out.cord_in_place, rotors.left_rad_s, rotors.right_rad_s
        )
        return list(flat(Remembered(sensed, moved, seen, logic)))

    start = list(flat(first))
    seen_at = len(list(flat((first.sensed, first.moved))))
    wanted = [seen_at + senses.Machine._fields.index(name) for name in ("bus_v", "left_rad_s")]
    system = control.nlsys(
        tick, lambda t, x, u, _: x[wanted], inputs=ready.tapes.senses.shape[1] + ready.tapes.machine.shape[1],
        outputs=len(wanted), states=len(start), dt=params.dt_s,
    )  # fmt: skip
    given = np.hstack([ready.tapes.senses, ready.tapes.machine]).T
    response = control.input_output_response(system, params.dt_s * np.arange(given.shape[1]), given, start)
    # What a tick ends with is the state of the next; the last one's end is not asked for.
    return np.asarray(response.outputs)[:, 1:]


class Circuit(NamedTuple):
    """What a tick holds while the continuous equations go on."""

    params: machine.Params
    powered: int
    outside_ohm: float
    constant_w: float
    factor: float
    left: bus.Load
    right: bus.Load
    left_fouling: float
    right_fouling: float


ROTORS, CELLS, HULL = slice(0, 2), slice(2, 6), slice(6, 8)


def tau_s(keep_frac: float, dt_s: float) -> float:
    """The time constant behind a share that is kept over a tick."""
    return -dt_s / math.log(keep_frac)


def drawn(circuit: Circuit, y: list[float]) -> tuple[pack.Source, float, float, float, float]:
    """The pack, the bus's voltage and current, and both motors' currents."""
    k = circuit.params.drivetrain.motor.k_v_s
    behind = pack.source(circuit.params.pack, pack.State(*y[CELLS]), circuit.factor)
    if circuit.powered == 0:
        return behind, 0.0, 0.0, 0.0, 0.0
    source_ohm = behind.ohm + circuit.outside_ohm
    backs_v = [k * rad_s for rad_s in y[ROTORS]]
    bus_v, left_way, right_way, _ = bus.solve(
        behind.emf_v, source_ohm, circuit.left, backs_v[0], circuit.right, backs_v[1], circuit.constant_w
    )
    left_a = bus.motor_a(circuit.left, backs_v[0], left_way, bus_v)
    right_a = bus.motor_a(circuit.right, backs_v[1], right_way, bus_v)
    return behind, bus_v, (behind.emf_v - bus_v) / source_ohm, left_a, right_a


def change(_: float, y_array: Floats, circuit: Circuit) -> list[float]:
    """The time derivatives of rotors, cells, hull and lumps of heat."""
    params, y = circuit.params, y_array.tolist()
    spinner, cells, dt_s = params.drivetrain.motor, params.pack, params.dt_s
    behind, _, node_a, left_a, right_a = drawn(circuit, y)
    speed = y[HULL][0]
    inflow = hull.inflow_m_s(params.hull, hull.State(*y[HULL]))
    thrust_n, spins = 0.0, []
    for rad_s, amperes, fouling in zip(
        y[ROTORS], (left_a, right_a), (circuit.left_fouling, circuit.right_fouling), strict=True
    ):
        newton, clean_nm = propeller.loads(params.drivetrain.propeller, rad_s, inflow, params.drivetrain.density_kg_m3)
        net_nm = motor.torque_nm(spinner, amperes, rad_s) - clean_nm * fouling
        spins.append(net_nm / spinner.inertia_kg_m2 if rad_s > 0.0 or net_nm > 0.0 else 0.0)
        thrust_n += newton / fouling
    _, _, v1_v, v2_v = y[CELLS]
    used = node_a / (cells.capacity_c * (1.0 - cells.capacity_loss_frac))
    charges = [-used, -used / cells.weak_capacity_frac]
    for volts, r_ohm, keep in ((v1_v, cells.r1_ohm, cells.keep1_frac), (v2_v, cells.r2_ohm, cells.keep2_frac)):
        charges.append((node_a * circuit.factor * r_ohm - volts) / tau_s(keep, dt_s))
    pulled_n = thrust_n * (1.0 - params.hull.deduction_frac) - params.hull.drag_kg_m * abs(speed) * speed
    gain = 0.0 if params.hull.held == 1 else pulled_n / params.hull.mass_kg
    return [*spins, *charges, gain, speed, *warming(circuit, y, behind, node_a, left_a, right_a)]


def warming(
    circuit: Circuit, y: list[float], behind: pack.Source, node_a: float, left_a: float, right_a: float
) -> list[float]:
    """The time derivatives of the six temperatures."""
    params, degc = circuit.params, y[HULL.stop :]
    on_ohm, idle_w = params.esc.on_ohm, params.esc.idle_w
    left_w, right_w = left_a * left_a * on_ohm, right_a * right_a * on_ohm
    switch_ohm = main_switch.resistance_ohm(params.switch, degc[4])
    watts = (
        left_w + idle_w,
        right_w + idle_w,
        left_a * left_a * circuit.left.ohm - left_w,
        right_a * right_a * circuit.right.ohm - right_w,
        node_a * node_a * switch_ohm,
        (behind.ohm * node_a + y[4] + y[5]) * node_a,
    )
    warm = params.warmth
    lumps: tuple[heat.Params, ...] = (warm.esc, warm.esc, warm.motor, warm.motor, warm.switch, warm.pack)
    return [
        (warm.around_degc + watt * lump.resistance_k_w - now) / tau_s(lump.keep_frac, params.dt_s)
        for lump, watt, now in zip(lumps, watts, degc, strict=True)
    ]


def by_solve_ivp(controller: Controller, ready: Prepared) -> Floats:
    """Bus voltage and left rotor speed at the end of each tick, shape (2, ticks)."""
    params = ready.machine_params
    before = switched_on(controller, ready)
    found = np.empty((2, len(ready.tapes)))
    both = zip(rows(senses.Tape, ready.tapes.senses), rows(machine.Tape, ready.tapes.machine), strict=True)
    for tick, (sensed_row, tape) in enumerate(both):
        sensed, pins, _hall_v = senses.step(ready.senses_params, before.sensed, sensed_row, before.seen)
        logic, *pulses_us = asked(controller, before, pins)
        moved, seen = integrated(params, before.moved, tape, tick * params.tick_us, pulses_us)
        found[:, tick] = seen.bus_v, seen.left_rad_s
        before = Remembered(sensed, moved, seen, logic)
    return found


def integrated(
    params: machine.Params, now: machine.State, tape: machine.Tape, t_us: int, pulses_us: list[float]
) -> tuple[machine.State, senses.Machine]:
    """The machine one tick later, its continuous part by `solve_ivp`; the energy balance is left out."""
    cord, pulled = killcord.step(params.killcord, now.killcord, killcord.Inputs(tape.cord_seated, tape.switch_welded))
    frames = [machine.frame_ends(params, t_us, offset_us) for offset_us in (0, params.right_frame_offset_us)]
    lines = (pulses_us[0] * tape.left_wire, pulses_us[1] * tape.right_wire)
    left, right = (
        esc.step(params.esc, each, esc.Inputs(line, frame, now.bus_v))
        for each, line, frame in zip((now.left_esc, now.right_esc), lines, frames, strict=True)
    )
    powered = 1 if now.protection.tripped == protection.CLOSED else 0
    drive_on = powered * pulled.switch_closed
    warm = now.warmth
    left_ohm, right_ohm = (
        motor.winding_ohm(params.drivetrain.motor, degc) + params.esc.on_ohm
        for degc in (warm.left_motor_degc, warm.right_motor_degc)
    )
    switch_ohm = main_switch.resistance_ohm(params.switch, warm.switch_degc)
    circuit = Circuit(
        params,
        powered,
        params.leads_ohm + tape.extra_ohm + switch_ohm,
        (now.logic_w + 2.0 * params.esc.idle_w * drive_on) * powered,
        pack.aged_factor(params.pack, warm.pack_degc),
        bus.Load(left.duty_frac * tape.left_alive * drive_on, left_ohm, params.esc.current_a_max),
        bus.Load(right.duty_frac * tape.right_alive * drive_on, right_ohm, params.esc.current_a_max),
        tape.left_fouling,
        tape.right_fouling,
    )
    start = [*now.rotors, *now.pack, *now.hull, *warm]
    y = solve_ivp(change, (0.0, params.dt_s), start, args=(circuit,)).y[:, -1].tolist()
    y[ROTORS] = [max(rad_s, 0.0) for rad_s in y[ROTORS]]
    behind, node_v, node_a, _, _ = drawn(circuit, y)
    bus_v = node_v * drive_on
    feed_v = bus_v if params.logic_behind_switch == 1 else (behind.emf_v - node_a * behind.ohm) * powered
    logic, fed = supply.step(params.supply, now.supply, supply.Inputs(feed_v, tape.chip_reset))
    cell_v = behind.weak_emf_v - node_a * behind.weak_ohm
    guard = protection.step(
        params.protection, now.protection, protection.Inputs(cell_v, node_a, warm.pack_degc, tape.release)
    )
    moved = now._replace(
        pack=pack.State(*y[CELLS]), protection=guard, killcord=cord, supply=logic, left_esc=left, right_esc=right,
        rotors=now.rotors._replace(left_rad_s=y[0], right_rad_s=y[1]), hull=hull.State(*y[HULL]),
        warmth=type(warm)(*y[HULL.stop :]), bus_v=bus_v, logic_w=fed.load_w,
    )  # fmt: skip
    return moved, senses.Machine(fed.rail_v, bus_v, node_a, pulled.sense_seated, y[0], y[1])
