"""How long a duty lasts until something ends it (row 4)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple

from sim.bench.vehicle import Vehicle
from sim.jobs.sheets.steady import Charge, Steady, Warm, steady
from sim.world import heat, machine, pack

# No step is longer than this share of the charge, nor the first longer than that share of the quicker RC pair's time.
STEPS = 50
FIRST_FRAC = 0.25
GROWTH = 1.2
# What is left of the charge counts as none.
EMPTY_FRAC = 1e-6
# Nothing draws less than this; a vehicle that draws nothing would run for ever.
LEAST_A = 1e-9


class Limits(NamedTuple):
    """What acts, as numbers of the vehicle; the last two are the controller's guard, none without one.

    esc_cut_v : the bus under which an ESC cuts, or works no more.
    brown_out_feed_v : the feed under which the rail falls below the brown-out.
    """

    esc_cut_v: float
    brown_out_feed_v: float
    cell_low_v: float
    trip_slow_a: float
    motor_a_max: float
    pack_warm_degc: float
    guard_bus_v: float | None
    guard_bus_a: float | None


class Run(NamedTuple):
    """How long it goes on from this charge, what ends it, and how warm the pack is then."""

    run_s: float
    run_ends: str
    pack_end_degc: float


def limits_of(vehicle: Vehicle, controller_params: Any) -> Limits:
    """The limits, with the controller's guard as far as its parameters have one.

    Notes
    -----
    The rail follows its converter's input in proportion below `converter_v_min`
    (``supply.rail_from``), behind the diode.
    """
    supply = vehicle.supply
    brown_out = float(supply.converter_v_min) * float(supply.brown_out_v) / float(supply.rail_v_nominal)
    values = controller_params._asdict()
    return Limits(
        # An ESC without the bus that it needs to work at all gives no more drive than one that has cut.
        esc_cut_v=max(float(vehicle.esc.cut_v), float(vehicle.esc.on_v)),
        brown_out_feed_v=brown_out + float(supply.diode_v),
        cell_low_v=float(vehicle.protection.cell_v_low),
        trip_slow_a=float(vehicle.protection.slow_a),
        motor_a_max=float(vehicle.esc.current_a_max),
        pack_warm_degc=float(vehicle.protection.warm_degc),
        guard_bus_v=values["bus_foldback_mv"] / 1000.0 if "bus_foldback_mv" in values else None,
        guard_bus_a=values["pack_foldback_ma"] / 1000.0 if "pack_foldback_ma" in values else None,
    )


def rooms(point: Steady, pack_degc: float, limits: Limits) -> Iterator[tuple[str, float]]:
    """What is left to each thing that ends a run; below 0 it acts."""
    yield "ESCs cut", point.bus_v - limits.esc_cut_v
    yield "brown-out", point.feed_v - limits.brown_out_feed_v
    yield "weakest cell low", point.cell_v_min - limits.cell_low_v
    yield "slow trip", limits.trip_slow_a - point.bus_a
    yield "pack too warm", limits.pack_warm_degc - pack_degc


def broken(point: Steady, limits: Limits) -> list[str]:
    """What acts at an operating point, in words; the controller's own guard last."""
    found = [name for name, left in rooms(point, -273.15, limits) if left < 0.0]
    if point.collapsed:
        found.insert(0, "bus collapses")
    if not point.settled:
        found.append("no end of warming")
    if point.limited:
        found.append("current limit")
    low = limits.guard_bus_v is not None and point.bus_v < limits.guard_bus_v
    if low or (limits.guard_bus_a is not None and point.bus_a > limits.guard_bus_a):
        found.append("guard holds back")
    return found


def run_down(params: machine.Params, charge: Charge, duty_frac: float, ratio_m: float, limits: Limits) -> Run:
    """Run the charge down at one duty from a rested pack, which warms as it goes.

    Notes
    -----
    Each moment is an operating point at the RC voltages of that moment, motors, ESCs
    and switch as warm as they get at it. Between two of them ``pack.step`` and
    ``heat.warmed_degc`` go forward at the mean of their currents (Heun's rule). The
    moment at which a limit is met is interpolated by straight lines. The
    controller's guard, which would hold back and so run longer, is left out.
    """
    run_s, begun = 0.0, charge.soc_frac
    span_s = _first_s(params)
    point = steady(params, charge, duty_frac, ratio_m, full=False)
    before = dict(rooms(point, charge.pack_degc, limits))
    ended = _ended(before, before)
    while ended is None and charge.soc_frac > EMPTY_FRAC * begun:
        # No more than a share of the charge at a time, and to its very end.
        capacity_c = params.pack.capacity_c * (1.0 - params.pack.capacity_loss_frac)
        part = min(begun / STEPS, charge.soc_frac)
        step_s = min(span_s, part * capacity_c / max(point.bus_a, LEAST_A))
        span_s *= GROWTH
        warm = Warm(point.motor_degc, point.esc_degc, point.switch_degc)
        guessed = _later(params, charge, point.bus_a, point.pack_w, step_s)
        then = steady(params, guessed, duty_frac, ratio_m, warm, full=False)
        after = _later(params, charge, 0.5 * (point.bus_a + then.bus_a), 0.5 * (point.pack_w + then.pack_w), step_s)
        now = dict(rooms(then, after.pack_degc, limits))
        ended = _ended(before, now)
        if ended is not None:
            share = ended[0]
            warmed = charge.pack_degc + share * (after.pack_degc - charge.pack_degc)
            return Run(run_s + share * step_s, ended[1], warmed)
        run_s, charge, point, before = run_s + step_s, after, then, now
    return Run(run_s, ended[1] if ended is not None else "empty", charge.pack_degc)


def _first_s(params: machine.Params) -> float:
    """A step short enough for the quicker RC pair; it is known by what it keeps over one tick."""
    quickest = min(params.pack.keep1_frac, params.pack.keep2_frac)
    # A pair far quicker than a tick keeps nothing, one that takes for ever keeps all.
    return min(max(-FIRST_FRAC * params.dt_s / math.log(min(max(quickest, 1e-9), 1.0 - 1e-9)), 0.1), 60.0)


def _later(params: machine.Params, charge: Charge, bus_a: float, pack_w: float, step_s: float) -> Charge:
    """Charge, RC voltages and temperature after a step at a constant current."""
    ticks = step_s / params.dt_s
    longer = params.pack._replace(keep1_frac=params.pack.keep1_frac**ticks, keep2_frac=params.pack.keep2_frac**ticks)
    cells = pack.State(charge.soc_frac, charge.weak_soc_frac, charge.v1_v, charge.v2_v)
    cells = pack.step(longer, cells, bus_a, pack.aged_factor(params.pack, charge.pack_degc), step_s)
    lump = params.warmth.pack
    lump = lump._replace(keep_frac=lump.keep_frac**ticks)
    warmed = heat.warmed_degc(lump, charge.pack_degc, params.warmth.around_degc, pack_w)
    return Charge(cells.soc_frac, cells.weak_soc_frac, warmed, cells.v1_v, cells.v2_v)


def _ended(before: dict[str, float], now: dict[str, float]) -> tuple[float, str] | None:
    """The share of a step at which the first limit is met, and which; none where none is."""
    met = [
        (before[name] / (before[name] - left) if before[name] > 0.0 else 0.0, name)
        for name, left in now.items()
        if left < 0.0
    ]
    return min(met) if met else None
