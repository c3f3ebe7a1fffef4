"""The pack's resistances and voltage at no current, and its leads, from voltage and current (row 4)."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sim.bench.build import COULOMB_PER_AH, leads_ohm, taken
from sim.jobs.fit.circuit import STEP_ROWS, Circuit, Log, solve, step_ohm, thinned
from sim.jobs.fit.interval import Fit, Floats, linear
from sim.jobs.fit.push import CURRENTS
from sim.jobs.fit.told import Curve, Notebook, Panel, Topic
from sim.jobs.fit.trace import Given, Trace, names_of
from sim.world import cell, pack, switch

VOLTAGES = ("pack_v", "bus_v")
# A current that swings by less tells no resistance.
SWING_A = 1.0
# A step is this share of the whole swing, within one row.
STEP_FRAC = 0.2
# A pause that is longer than this tears a recording in two, of which the longer part is taken.
LONGEST_PAUSE_S = 2.0
LEAST_ROWS = 50
# The sign of the current is told by so many rows.
COARSE_ROWS = 500
# A current read in larger steps than this share of its swing is told to be coarse.
COARSE_FRAC = 0.01
# Fewer levels than this may be those at which the vehicle really ran.
COARSE_LEVELS = 12


class Known(NamedTuple):
    """Ohms that are known, with half their band."""

    ohm: float
    half: float


def fit_pack(traces: Sequence[Trace], given: Given) -> Topic:
    """All that recordings of voltage and current tell of pack and leads.

    Parameters
    ----------
    traces : those with `pack_a` (or `bus_a`) and `bus_v` or `pack_v`; both voltages tell the leads.

    Notes
    -----
    With `bus_v` alone leads and switch are taken off as the vehicle file has them. Resistances are those at 25 degC,
    by the file's activation energy and the pack's temperature (`pack_degc`, or the one given). The charge taken is
    counted from the current; the voltage at no current is a line of straight pieces over it.
    """
    used = [trace for trace in traces if trace.get(*CURRENTS) is not None and trace.get(*VOLTAGES) is not None]
    book = Notebook("pack", names_of(used))
    if not used:
        book.miss("pack", "a recording with pack_a and bus_v or pack_v", "none")
        return book.done()
    swings = [float(np.ptp(_column(trace, *CURRENTS))) for trace in used]
    if max(swings) < SWING_A:
        book.miss(
            "pack", f"a current step of {SWING_A:g} A or more", f"a current that stays within {max(swings):.2g} A"
        )
        return book.done()
    used = [trace for trace, swing in zip(used, swings, strict=True) if swing >= SWING_A]
    both = [trace for trace in used if trace.has("pack_v", "bus_v")]
    if both:
        _leads(book, both, given)
    series = Known(0.0, 0.0) if all("pack_v" in trace.table for trace in used) else _in_series(given)
    parts = [(trace, log) for trace in used if len((log := _log(trace, given)).t_s) >= LEAST_ROWS]
    if not parts:
        book.miss("pack", f"{LEAST_ROWS} rows without a pause of {LONGEST_PAUSE_S:g} s", "fewer")
    elif _discharges(book, [log for _, log in parts]):
        _coarse(book, [log for _, log in parts])
        _circuit(book, parts, series, given)
    return book.done()


def _column(trace: Trace, *names: str) -> Floats:
    found = trace.get(*names)
    assert found is not None
    return found


def _in_series(given: Given) -> Known:
    """Leads, joints and main switch between pack and bus, as the vehicle file has them."""
    vehicle, degc = given.vehicle, given.temperature_degc
    joint, length = vehicle.leads.joint_ohm, vehicle.leads.length_m
    whole = leads_ohm(vehicle.leads, degc)
    closed = switch.resistance_ohm(taken(switch.Params, vehicle.main_switch), degc)
    parts = (
        0.5 * (joint.high - joint.low),
        (whole - float(joint)) * 0.5 * (length.high - length.low) / float(length),
        closed * 0.5 * (vehicle.main_switch.on_ohm.high - vehicle.main_switch.on_ohm.low) / vehicle.main_switch.on_ohm,
    )
    return Known(whole + closed, math.hypot(*parts))


def _log(trace: Trace, given: Given) -> Log:
    """The longest part without a pause; leads and switch taken off where the bus alone was recorded."""
    part = max(trace.parts(max(LONGEST_PAUSE_S, 3.0 * trace.interval_s)), key=lambda rows: rows.stop - rows.start)
    if trace.changes:
        part = slice(0, len(trace.table))
    current = _column(trace, *CURRENTS)[part]
    voltage = _column(trace, *VOLTAGES)[part]
    if "pack_v" not in trace.table:
        voltage = voltage + _in_series(given).ohm * current
    degc = trace.get("pack_degc")
    temperature = np.full(len(current), given.pack_degc) if degc is None else degc[part]
    inverse = 1.0 / (temperature + pack.KELVIN_AT_0_DEGC) - 1.0 / (pack.REFERENCE_DEGC + pack.KELVIN_AT_0_DEGC)
    activation = float(given.vehicle.pack.cell.activation_j_mol)
    factor = np.exp(activation / pack.GAS_CONSTANT_J_MOL_K * inverse)
    bare = Log(trace.t_s[part], current, voltage, factor, np.zeros(len(current)))
    if given.charge_frac is None:
        return bare
    # The part may begin behind the first row, to which the charge belongs.
    t_s, whole = trace.t_s[: part.start + 1], _column(trace, *CURRENTS)[: part.start + 1]
    before_c = float(np.trapezoid(whole, t_s))
    charge = given.charge_frac - (before_c + bare.used_c) / _capacity_c(given)
    return bare._replace(curve_v=given.vehicle.pack.series * filed_v(given, charge))


def _capacity_c(given: Given) -> float:
    return float(given.vehicle.pack.cell.capacity_ah) * COULOMB_PER_AH * given.vehicle.pack.parallel


def filed_v(given: Given, charge: Floats) -> Floats:
    """A cell's voltage at no current, as the vehicle file has it."""
    table = cell.ocv_table_v(given.vehicle.pack.cell.ocv_v or ())
    filed: Floats = np.interp(charge, cell.table_charges(), table)
    return filed


def _discharges(book: Notebook, logs: Sequence[Log]) -> bool:
    """Whether the voltage falls as the current rises, over stretches that are longer than a channel's delay."""
    product = 0.0
    for log in logs:
        coarse = thinned(log, COARSE_ROWS)
        product += float(np.sum(np.diff(coarse.current_a) * np.diff(coarse.voltage_v)))
    if product > 0.0:
        got = "a voltage that rises with it; a map file's scale of -1 turns it round"
        book.miss("pack", "a current that counts positive on discharge", got)
    return product <= 0.0


def _coarse(book: Notebook, logs: Sequence[Log]) -> None:
    """Say where the current was read in steps too large to be passed over."""
    for log in logs:
        levels = np.unique(log.current_a)
        swing = float(np.ptp(log.current_a))
        least = float(np.diff(levels).min()) if len(levels) >= COARSE_LEVELS else 0.0
        if least > COARSE_FRAC * swing:
            book.findings.append(
                f"The current comes in steps of {least:.2g} A, {100.0 * least / swing:.0f} % of its swing: what that"
                " hides is not in the intervals."
            )


def _leads(book: Notebook, traces: Sequence[Trace], given: Given) -> None:
    """What the bus is lower than the pack, over the current."""
    current = np.concatenate([_column(trace, *CURRENTS) for trace in traces])
    drop = np.concatenate([trace.table["pack_v"] - trace.table["bus_v"] for trace in traces])
    fit = linear(np.stack([current, np.ones_like(current)], axis=1), drop)
    if not book.tell_fit("leads_and_switch_ohm", "ohm", fit):
        return
    whole, half = float(fit.values[0]), float(fit.half[0])
    vehicle, degc = given.vehicle, given.temperature_degc
    closed = switch.resistance_ohm(taken(switch.Params, vehicle.main_switch), degc)
    copper = leads_ohm(vehicle.leads, degc) - float(vehicle.leads.joint_ohm)
    length = vehicle.leads.length_m
    half = math.hypot(half, copper * 0.5 * (length.high - length.low) / float(length))
    joint = whole - copper - closed
    told = f"Leads, joints and switch take {1e3 * whole:.3f} mOhm, of which copper {1e3 * copper:.3f} and switch"
    book.findings.append(f"{told} {1e3 * closed:.3f} by the vehicle file.")
    if joint + half < 0.0:
        book.miss("leads.joint_ohm", "more than copper and switch alone", f"{1e3 * whole:.3f} mOhm in all")
    else:
        band = (max(joint, 0.0), max(joint - half, 0.0), max(joint + half, 0.0))
        book.tell_band("leads.joint_ohm", "ohm", band, fit.how, len(current), of_vehicle=True)
    panel = Panel(
        "Pack less bus, over current",
        "the slope is leads, joints and switch",
        "current (A)",
        "V",
        (current, drop),
        (np.sort(current)[[0, -1]], float(fit.values[1]) + whole * np.sort(current)[[0, -1]]),
        (current, fit.residuals),
        dots=True,
    )
    book.panels.append(panel)


def _circuit(book: Notebook, parts: Sequence[tuple[Trace, Log]], series: Known, given: Given) -> None:
    """R0, the pairs that the recordings tell, and the voltage at no current."""
    logs = [log for _, log in parts]
    capacity_c = _capacity_c(given)
    swing = max(float(np.ptp(log.current_a)) for log in logs)
    steps = step_ohm(logs, STEP_FRAC * swing)
    short = [thinned(log) for log in logs]
    circuit = solve(short, capacity_c)
    longest = max(log.t_s[-1] - log.t_s[0] for log in logs)
    if circuit is None:
        book.miss("pack.cell.r2_ohm, pack.cell.tau2_s", "steps and rests that last for tau2_s", f"{longest:.0f} s")
        circuit = _held(short, capacity_c, 1, given)
        if circuit is not None:
            book.findings.append("The slower RC pair is held as the vehicle file has it, its tolerance taken along.")
    if circuit is None:
        book.miss("pack.cell.r1_ohm, pack.cell.tau1_s", "a step and a rest that last for tau1_s", f"{longest:.0f} s")
        if steps is None or not steps[0].half[0] < steps[0].values[0]:
            steps, circuit = None, _held(short, capacity_c, 0, given)
        if circuit is not None:
            book.findings.append("No step tells R0 at once: both RC pairs are held as the vehicle file has them.")
        elif steps is None:
            got = f"a current that swings by {swing:.3g} A and a voltage that does not follow"
            book.miss("pack.cell.r0_ohm", f"a current step with {STEP_ROWS} rows on either side", got)
            return
    _resistances(book, circuit, steps, logs, series, given)
    if circuit is not None:
        _open_circuit(book, circuit, short, given, capacity_c)
        for (trace, _), log, model in zip(parts, short, circuit.model, strict=True):
            book.panels += _pictures(trace, log, model)


def _held(logs: Sequence[Log], capacity_c: float, pairs: int, given: Given) -> Circuit | None:
    """The circuit with so many free pairs, the slower ones as the vehicle file has them, their tolerances with it."""
    entry = given.vehicle.pack
    strings = entry.series / entry.parallel
    filed = ((entry.cell.r1_ohm, entry.cell.tau1_s), (entry.cell.r2_ohm, entry.cell.tau2_s))[pairs:]
    held = [(float(ohm) * strings, float(tau_s)) for ohm, tau_s in filed if ohm > 0.0]
    circuit = solve(logs, capacity_c, pairs, held)
    if circuit is None:
        return None
    squares = circuit.fit.half**2
    for index, (ohm, _) in enumerate(number for number in filed if number[0] > 0.0):
        if ohm.high > ohm.low:
            other = [(ohm.high * strings, tau) if place == index else (r, tau) for place, (r, tau) in enumerate(held)]
            moved = solve(logs, capacity_c, pairs, other)
            if moved is None:
                return None
            squares = squares + (moved.fit.values - circuit.fit.values) ** 2
    return circuit._replace(fit=circuit.fit._replace(half=np.sqrt(squares)))


def _resistances(
    book: Notebook,
    circuit: Circuit | None,
    steps: tuple[Fit, int] | None,
    logs: Sequence[Log],
    series: Known,
    given: Given,
) -> None:
    entry = given.vehicle.pack
    strings = entry.series / entry.parallel
    if circuit is not None:
        fit = circuit.fit
    else:
        assert steps is not None
        fit = steps[0]
    rows = len(fit.residuals)
    if steps is not None:
        by_step, half = float(steps[0].values[0]), float(steps[0].half[0])
        word = "step" if steps[1] == 1 else "steps"
        book.findings.append(
            f"What the voltage does at once at {steps[1]} {word}: {1e3 * by_step:.2f} +- {1e3 * half:.2f} mOhm."
        )
        if half < by_step:
            book.tell_fit("pack_r0_at_steps_ohm", "ohm", steps[0])
    ohm, half = float(fit.values[0]), math.hypot(float(fit.half[0]), series.half)
    book.tell("pack_r0_ohm", "ohm", ohm, half, fit.how, rows)
    weak = entry.weak_resistance_frac
    # One cell of the string is the weak one; and resistance rises towards empty by the file's own shape.
    whole = (entry.series - 1.0 + float(weak)) / entry.series
    shape = _shape(logs, given)
    of_weak = ohm * 0.5 * (weak.high - weak.low) / entry.series
    scale = 1.0 / (strings * whole * shape)
    how = fit.how + ("; leads' and switch's tolerance with it" if series.half > 0.0 else "")
    book.tell("pack.cell.r0_ohm", "ohm", ohm * scale, math.hypot(half, of_weak) * scale, how, rows, of_vehicle=True)
    for index in range(circuit.pairs if circuit is not None else 0):
        name = index + 1
        r, tau = 1 + 2 * index, 2 + 2 * index
        told = (float(fit.values[r]) / strings, float(fit.half[r]) / strings)
        book.tell(f"pack.cell.r{name}_ohm", "ohm", *told, fit.how, rows, of_vehicle=True)
        book.tell_fit(f"pack.cell.tau{name}_s", "s", fit, tau, of_vehicle=True)


def _shape(logs: Sequence[Log], given: Given) -> float:
    """Series resistance over that at half charge, in the middle of the charge that was used."""
    if given.charge_frac is None:
        return 1.0
    middle = given.charge_frac - float(np.mean(np.concatenate([log.used_c for log in logs]))) / _capacity_c(given)
    return pack.interpolated(cell.resistance_shape(), middle)


def _open_circuit(book: Notebook, circuit: Circuit, logs: Sequence[Log], given: Given, capacity_c: float) -> None:
    """The voltage at no current over the charge counted, a cell's."""
    series = given.vehicle.pack.series
    place = 1 + 2 * circuit.pairs
    points: list[tuple[float, float, float]] = []
    for log, knots in zip(logs, circuit.knots_c, strict=True):
        for used_c in knots:
            volts, half = (float(each[place]) / series for each in (circuit.fit.values, circuit.fit.half))
            if given.charge_frac is None:
                key = f"cell_ocv_v_after_{round(float(used_c) / COULOMB_PER_AH, 3) + 0.0:.3f}_ah"
            else:
                charge = given.charge_frac - float(used_c) / capacity_c
                volts += float(filed_v(given, np.array(charge)))
                key = f"cell_ocv_v_at_{charge:.3f}"
                points.append((charge, volts, half))
            book.tell(key, "V", volts, half, circuit.fit.how, len(log.t_s))
            place += 1
    if given.charge_frac is None:
        book.miss("pack.cell.ocv_v", "--charge, the charge at the first row", "charge counted from an unknown one")
        return
    _curve(book, points, given)


def _curve(book: Notebook, points: Sequence[tuple[float, float, float]], given: Given) -> None:
    """The file's curve with the charges that were seen in the place of its own."""
    known = sorted(point for point in points if 0.0 <= point[0] <= 1.0 and math.isfinite(point[2]))
    if not known:
        book.miss("pack.cell.ocv_v", "charges from 0 to 1", f"{points[0][0]:.3f} and on")
        return
    low, high = known[0][0], known[-1][0]
    filed = given.vehicle.pack.cell.ocv_v
    if filed is None:
        table = cell.ocv_table_v(())
        filed = tuple(zip(cell.table_charges()[::4], table[::4], strict=True))
    kept = [point for point in filed if point[0] < low - 0.005 or point[0] > high + 0.005]
    seen = [(round(charge, 4), round(volts, 4)) for charge, volts, _ in known]
    merged = sorted({**dict(kept), **dict(seen)}.items())
    rises = all(after[1] >= before[1] for before, after in itertools.pairwise(merged))
    if not rises or merged[0][0] != 0.0 or merged[-1][0] != 1.0:
        got = "one that does not, where the charges seen meet the file's"
        book.miss("pack.cell.ocv_v", "a voltage that rises with charge", got)
        return
    worst = max(half for _, _, half in known)
    note = f"{len(seen)} points from charge {low:.3f} to {high:.3f}, to {worst:.2g} V; the others as filed"
    book.curve = Curve("pack.cell.ocv_v", tuple(merged), note)


def _pictures(trace: Trace, log: Log, model: Floats) -> list[Panel]:
    t_s = log.t_s - log.t_s[0]
    note = "the fit is R0, its RC pairs and the voltage at no current; data less fit below"
    which = "Pack" if "pack_v" in trace.table else "Pack, leads and switch taken off"
    return [
        Panel(
            f"{which}, {trace.name}",
            note,
            "time (s)",
            "V",
            (t_s, log.voltage_v),
            (t_s, model),
            (t_s, log.voltage_v - model),
        ),
        Panel(f"Its current, {trace.name}", "positive on discharge", "time (s)", "A", (t_s, log.current_a)),
    ]
