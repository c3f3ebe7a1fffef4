"""The power sheet: what each power step asks of pack, ESCs and motors, and what it gives (row 4)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from controllers import blocks
from sim.base.errors import Fault, InputError
from sim.bench import build
from sim.bench.control import Controller
from sim.bench.scenario import PackEntry
from sim.bench.vehicle import Vehicle, load_vehicle
from sim.jobs.sheets.endurance import Limits, Run, broken, limits_of, run_down
from sim.jobs.sheets.paper import Finding, Paper, Rows, hashes
from sim.jobs.sheets.steady import Charge, Steady, circuit, metres_per_radian, steady
from sim.world import esc, machine
from sim.world.water import AIR_DEGC, FRESH, FRESH_DEGC, SALINE, SALINE_DEGC, water

# The solution has no ticks; this one only has to be a tick that the physics takes.
TICK_US = 1000
# Points of each curve over the drive.
CURVE = 25
FULL = "full"
NEEDED = ("step_count", "cap_1_permille", "pulse_stop_us", "pulse_full_us")


class Step(NamedTuple):
    """One power step in one attitude, settled.

    step : "1" and on, or "full": the whole pulse, which no cap holds.
    ..._margin_... : what is left to the ESCs' cut, the logic's brown-out (of its feed), the weakest cell's trip,
        the slow trip, the motors' current limit; below 0 it acts.
    most_frac : of the greatest power that the settled source gives at all, at half its electromotive force.
    run_s : until something ends it, from this charge and a rested pack; `run_ends` says what, `pack_end_degc` how
        warm the pack is then.
    acts : what acts once settled at this very charge, so that the row is not what happens; empty where nothing does.
    """

    attitude: str
    step: str
    cap_permille: int
    pulse_us: int
    duty_frac: float
    bus_v: float
    bus_a: float
    bus_w: float
    cell_v_min: float
    cut_margin_v: float
    brown_out_margin_v: float
    cell_margin_v: float
    trip_margin_a: float
    limit_margin_a: float
    most_frac: float
    motor_a: float
    thrust_n: float
    speed_m_s: float
    shaft_w: float
    heat_w: float
    motor_degc: float
    esc_degc: float
    switch_degc: float
    run_s: float
    run_ends: str
    pack_end_degc: float
    acts: str


class Source(NamedTuple):
    """The source at this charge, at the first moment or settled.

    most_w, most_v, most_a : where no more power can be drawn.
    usable_w, usable_v, usable_a : where the first limit acts, and which.
    """

    when: str
    emf_v: float
    ohm: float
    most_w: float
    most_v: float
    most_a: float
    usable_w: float
    usable_v: float
    usable_a: float
    first: str


class Curve(NamedTuple):
    """A point of the curves over the drive."""

    attitude: str
    cap_permille: int
    bus_v: float
    bus_a: float
    cell_v_min: float
    thrust_n: float
    speed_m_s: float


class Place(NamedTuple):
    """A vehicle in one attitude: its physics, and how far it goes for each radian of its propellers."""

    attitude: str
    params: machine.Params
    ratio_m: float


def power_sheet(path: Path, controller: Controller, kind: str, temperature_degc: float, pack: PackEntry) -> Paper:
    """Work the sheet out.

    Parameters
    ----------
    path : a vehicle file.
    controller : its parameters hold the power steps' caps and the pulses.
    kind : of water; air leaves only the bench.
    temperature_degc : of water and, unless it has its own, the pack.
    pack : its charge, temperature and age.

    Raises
    ------
    InputError
        Files with faults, a controller without caps, a temperature out of the water's range.
    """
    vehicle = load_vehicle(path)
    steps = steps_of(controller)
    charge = Charge(
        pack.charge_frac,
        pack.charge_frac,
        temperature_degc if pack.temperature_degc is None else pack.temperature_degc,
    )
    places = list(places_of(vehicle, path, kind, temperature_degc, pack, charge.pack_degc))
    limits = limits_of(vehicle, controller.params)
    sources = [source_of(places[0].params, charge, limits, full) for full in (False, True)]
    rows, curves = [], []
    for place in places:
        for name, cap in steps.items():
            rows.append(step_of(place, name, cap, controller.params, charge, limits, sources[-1]))
        curves += curve_of(place, controller.params, charge)
    given = {
        "controller": controller.name,
        "water": kind,
        "water_degc": temperature_degc,
        "charge_frac": pack.charge_frac,
        "pack_degc": charge.pack_degc,
        "resistance_growth_frac": pack.resistance_growth_frac,
        "capacity_loss_frac": pack.capacity_loss_frac,
        "limits": limits._asdict(),
    }
    files = [("vehicle", path), ("controller", controller.path)]
    files += [("parameters", controller.params_path)] if controller.params_path else []
    tables: dict[str, Rows] = {"steps": rows, "source": sources, "curves": curves}
    return Paper("power", vehicle.name, given, tuple(_findings(rows, sources)), tables, hashes(files))


def steps_of(controller: Controller) -> dict[str, int]:
    """The cap of each power step by its name, and the full pulse where no step reaches it.

    Raises
    ------
    InputError
        Parameters that tell no caps or pulses.
    """
    values: Mapping[str, Any] = controller.params._asdict()
    missing = [name for name in NEEDED if name not in values]
    if missing:
        expected = f"a controller whose parameters have {', '.join(NEEDED)}"
        raise InputError([Fault("", "controller", expected, f"{controller.name} without {', '.join(missing)}")])
    steps = {str(number): int(values[f"cap_{number}_permille"]) for number in range(1, values["step_count"] + 1)}
    if max(steps.values()) < blocks.FULL_PERMILLE:
        steps[FULL] = blocks.FULL_PERMILLE
    return steps


def places_of(
    vehicle: Vehicle, path: Path, kind: str, temperature_degc: float, pack: PackEntry, pack_degc: float
) -> Iterator[Place]:
    """Each attitude the vehicle can be in, the hardest on the pack first; the bench in air last."""
    condition = build.Condition(pack.charge_frac, pack_degc, pack.resistance_growth_frac, pack.capacity_loss_frac)
    wet = () if kind == "air" else (("held", kind), ("towed", kind), ("worn", kind))
    for attitude, around in (*wet, ("held", "air")):
        low, high = range_degc(around)
        if not low <= temperature_degc <= high:
            expected = f"degrees Celsius, {low:g} to {high:g} in {around}"
            raise InputError([Fault("", "temperature", expected, f"{temperature_degc:g}")])
        surroundings = water(around, temperature_degc)
        try:
            params = build.machine_params(vehicle, surroundings, condition, attitude, TICK_US, 1)
        except ValueError as error:
            raise InputError([Fault(str(path), "", "numbers the physics can use", str(error))]) from error
        yield Place("air" if around == "air" else attitude, params, metres_per_radian(params))


def range_degc(kind: str) -> tuple[float, float]:
    """The temperatures that a kind of water is known for."""
    if kind in FRESH:
        return FRESH_DEGC
    return SALINE_DEGC if kind in SALINE else AIR_DEGC


def duty_of(params: machine.Params, controller_params: Any, cap_permille: int) -> tuple[int, float]:
    """The pulse of a cap, as the firmware rounds it, and the duty that an ESC makes of it."""
    pulse = blocks.pulse_us(cap_permille, controller_params.pulse_stop_us, controller_params.pulse_full_us)
    return pulse, esc.throttle_of(params.esc, float(pulse))


def step_of(
    place: Place, name: str, cap: int, controller_params: Any, charge: Charge, limits: Limits, source: Source
) -> Step:
    """One power step in one attitude."""
    params = place.params
    pulse, duty = duty_of(params, controller_params, cap)
    point = steady(params, charge, duty, place.ratio_m)
    run = run_down(params, charge, duty, place.ratio_m, limits)
    return Step(
        attitude=place.attitude,
        step=name,
        cap_permille=cap,
        pulse_us=pulse,
        duty_frac=duty,
        bus_v=point.bus_v,
        bus_a=point.bus_a,
        bus_w=point.bus_v * point.bus_a,
        cell_v_min=point.cell_v_min,
        cut_margin_v=point.bus_v - limits.esc_cut_v,
        brown_out_margin_v=point.feed_v - limits.brown_out_feed_v,
        cell_margin_v=point.cell_v_min - limits.cell_low_v,
        trip_margin_a=limits.trip_slow_a - point.bus_a,
        limit_margin_a=limits.motor_a_max - point.motor_a,
        most_frac=point.bus_v * point.bus_a / source.most_w,
        **_given_by(point, run),
        acts=", ".join(broken(point, limits)),
    )


def _given_by(point: Steady, run: Run) -> dict[str, Any]:
    names = ("motor_a", "thrust_n", "speed_m_s", "shaft_w", "heat_w", "motor_degc", "esc_degc", "switch_degc")
    return {name: getattr(point, name) for name in names} | run._asdict()


def source_of(params: machine.Params, charge: Charge, limits: Limits, full: bool) -> Source:
    """What the source gives at all, and what it gives before something acts.

    Notes
    -----
    Of a source of electromotive force E behind R a load takes V (E - V) / R, the
    most at V = E/2: E^2 / (4 R) (handbook form). The switch is as warm as the water.
    """
    behind = circuit(params, charge, params.warmth.around_degc, full)
    emf_v, ohm = behind.emf_v, behind.source_ohm
    ends = {
        f"ESCs cut at {limits.esc_cut_v:g} V": (emf_v - limits.esc_cut_v) / ohm,
        f"slow trip at {limits.trip_slow_a:g} A": limits.trip_slow_a,
        f"weakest cell at {limits.cell_low_v:g} V": (behind.weak_emf_v - limits.cell_low_v) / behind.weak_ohm,
        "no more power": 0.5 * emf_v / ohm,
    }
    first = min(ends, key=lambda name: ends[name])
    usable_a = max(ends[first], 0.0)
    usable_v = emf_v - usable_a * ohm
    return Source(
        when="settled" if full else "first moment",
        emf_v=emf_v,
        ohm=ohm,
        most_w=0.25 * emf_v * emf_v / ohm,
        most_v=0.5 * emf_v,
        most_a=0.5 * emf_v / ohm,
        usable_w=usable_v * usable_a,
        usable_v=usable_v,
        usable_a=usable_a,
        first=first,
    )


def curve_of(place: Place, controller_params: Any, charge: Charge) -> list[Curve]:
    """The curves over the drive, from a little to all."""
    found = []
    for number in range(1, CURVE + 1):
        cap = blocks.FULL_PERMILLE * number // CURVE
        point = steady(place.params, charge, duty_of(place.params, controller_params, cap)[1], place.ratio_m)
        values = (point.bus_v, point.bus_a, point.cell_v_min, point.thrust_n, point.speed_m_s)
        found.append(Curve(place.attitude, cap, *values))
    return found


def _findings(rows: Sequence[Step], sources: Sequence[Source]) -> list[Finding]:
    found = []
    for name in dict.fromkeys(row.step for row in rows if row.acts and row.step != FULL):
        acting = [row for row in rows if row.step == name and row.acts]
        where = "; ".join(f"{row.attitude}: {row.acts}" for row in acting)
        found.append(Finding(True, f"Step {name} (cap {acting[0].cap_permille}) cannot be kept: {where}."))
    uncapped = [row for row in rows if row.step == FULL and row.acts]
    if uncapped:
        where = "; ".join(f"{row.attitude}: {row.acts}" for row in uncapped)
        found.append(Finding(False, f"Without a cap the full pulse could not be kept: {where}."))
    settled = sources[-1]
    text = (
        f"No more than {settled.most_w:.0f} W can be drawn, at {settled.most_v:.1f} V and {settled.most_a:.0f} A "
        f"(half of {settled.emf_v:.1f} V behind {settled.ohm:.3f} ohm); before that, {settled.first}, "
        f"{settled.usable_w:.0f} W."
    )
    found.append(Finding(settled.usable_w <= 0.0, text))
    capped = [row for row in rows if row.step != FULL and not row.acts]
    if capped:
        tight = min(capped, key=lambda row: row.cut_margin_v)
        text = (
            f"Nearest to the ESCs' cut without reaching it: step {tight.step} {tight.attitude}, "
            f"{tight.bus_v:.1f} V, {tight.cut_margin_v:.1f} V left."
        )
        found.append(Finding(False, text))
    return found
