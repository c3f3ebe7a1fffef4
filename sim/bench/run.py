"""One scenario run to its end: what went in, every column, every event (row 2)."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.document import Marks, checked
from sim.base.errors import Fault, InputError, did_you_mean
from sim.base.quantity import Toleranced
from sim.bench import build, engine, loop
from sim.bench.as_recorded import files_of, located
from sim.bench.control import Controller, load_controller
from sim.bench.engine import Engine
from sim.bench.events import Event, events_of
from sim.bench.scenario import Scenario
from sim.bench.tapes import Tapes, draw, water_of
from sim.bench.vehicle import Vehicle, load_vehicle, quantities
from sim.record.table import Table
from sim.world import hull, lever, machine, senses
from sim.world.water import Water

RIDER_COLUMNS = ("hand_frac", "lever_frac", "deadman_pressed", "mode_pressed", "cord_seated")
"""Columns of what the rider truly did."""

LEAKS = ("deadman_leak_siemens", "button_leak_siemens")
"""Columns of the tapes that are worth keeping: they say why a wet contact was read as pressed."""


DERIVED = {
    "thrust_n": ("left_thrust_n", "right_thrust_n"),
    "drag_n": ("speed_m_s",),
    "yaw_moment_nm": ("left_thrust_n", "right_thrust_n"),
    "lever_understood_frac": ("lever_permille",),
}
"""Columns that follow from recorded ones, see `derived`, and which those are."""


@dataclass(frozen=True, slots=True)
class Bench:
    """A scenario with everything it names found, read and checked.

    engine : the engine wanted, one of ``engine.CHOICES``.
    """

    scenario: Scenario
    path: Path
    vehicle: Vehicle
    vehicle_path: Path
    controller: Controller
    water: Water
    engine: str = engine.AUTO


@dataclass(frozen=True, slots=True)
class Run:
    """What a run left behind.

    Attributes
    ----------
    table : one row a control tick: the columns of ``loop.RECORDED`` and the rider's.
    events : in order of time, each with its reason.
    limits : named limits of the vehicle, for figures and requirements.
    engine : what ran it.
    """

    bench: Bench
    table: Table
    events: tuple[Event, ...]
    limits: Mapping[str, float]
    engine: Engine

    @property
    def drove(self) -> bool:
        """Whether any pulse asked for drive; where none did, whatever stops drive has not been tried."""
        return asks_for_drive(self.table, self.limits)

    def inputs(self) -> dict[str, str]:
        """Each input by role, with a short hash of its contents."""
        bench = self.bench
        return {
            f"scenario {bench.path.name}": fingerprint(bench.path),
            f"vehicle {bench.vehicle_path.name}": fingerprint(bench.vehicle_path),
            f"controller {bench.controller.name}": bench.controller.fingerprint(),
            **recorded_inputs(bench.scenario),
        }


def asks_for_drive(table: Table, limits: Mapping[str, float]) -> bool:
    """Whether either pulse was ever over the stop pulse."""
    return bool(max(table["left_pulse_us"].max(), table["right_pulse_us"].max()) > limits["stop_us"])


def set_up(scenario: Scenario, path: Path) -> Bench:
    """Find and check everything a scenario names.

    Parameters
    ----------
    path : the scenario's file; the paths it names start from its folder.

    Raises
    ------
    InputError
        A vehicle, controller or parameter set that is missing or wrong, or
        numbers outside the physics' range.
    """
    beside = path.parent
    vehicle = with_overrides(load_vehicle(beside / scenario.vehicle), scenario.vehicle_set, str(path))
    controller = load_controller(scenario.controller, scenario.tick_us, scenario.params, scenario.params_set, beside)
    bench = put_together(scenario, path, vehicle, controller)
    physics(bench)
    return bench


def put_together(scenario: Scenario, path: Path, vehicle: Vehicle, controller: Controller) -> Bench:
    """A bench of what was found; its physics is yet to be checked.

    Raises
    ------
    InputError
        Water outside its range, or a recording that cannot be used.
    """
    try:
        around = water_of(scenario)
    except ValueError as error:
        raise InputError([Fault(str(path), "water", "water within its range", str(error))]) from error
    scenario = located(scenario, path.parent)
    return Bench(scenario, path, vehicle, path.parent / scenario.vehicle, controller, around)


def with_overrides(vehicle: Vehicle, overrides: Mapping[str, float], path: str) -> Vehicle:
    """A vehicle with single numbers set by their dotted keys, each now exact.

    Raises
    ------
    InputError
        A key that is no number of the vehicle, or a value it does not take.
    """
    if not overrides:
        return vehicle
    known = quantities(vehicle)
    faults = [
        Fault(
            path, f"vehicle_set.{key}", f"a number of the vehicle{did_you_mean(key, list(known))}", f"unknown key {key}"
        )
        for key in overrides
        if key not in known
    ]
    if faults:
        raise InputError(faults)
    data = vehicle.model_dump()
    for key, value in overrides.items():
        *folders, last = key.split(".")
        entry = data
        for folder in folders:
            entry = entry[folder]
        entry[last] = Toleranced(value)
    marks: Marks = {(): (1, 1)}
    try:
        return checked(Path(path), data, marks, Vehicle)
    except InputError as error:
        raise InputError(_as_override(path, fault, overrides) for fault in error.faults) from None


def _as_override(path: str, fault: Fault, overrides: Mapping[str, float]) -> Fault:
    """A vehicle's fault told where the scenario caused it; one between two keys may be at a key that was not set."""
    if fault.key in overrides:
        return Fault(path, f"vehicle_set.{fault.key}", fault.expected, fault.got)
    return Fault(path, "vehicle_set", f"{fault.key} {fault.expected}", fault.got)


def physics(bench: Bench) -> tuple[machine.Params, machine.State]:
    """The machine's parameters, and the machine just switched on.

    Raises
    ------
    InputError
        The vehicle's numbers leave the range of a part of the physics.
    """
    scenario = bench.scenario
    pack = scenario.pack
    pack_degc = bench.water.temperature_degc if pack.temperature_degc is None else pack.temperature_degc
    condition = build.Condition(pack.charge_frac, pack_degc, pack.resistance_growth_frac, pack.capacity_loss_frac)
    try:
        params = build.machine_params(
            bench.vehicle, bench.water, condition, scenario.attitude, scenario.tick_us, scenario.substeps
        )
        lever.check(build.lever_params(bench.vehicle, bench.water.temperature_degc))
    except ValueError as error:
        raise InputError([Fault(str(bench.vehicle_path), "", "numbers the physics can use", str(error))]) from error
    return params, machine.initial(params, pack.charge_frac, pack_degc)


class Prepared(NamedTuple):
    """All that the loop takes besides the controller; the same for every run that differs in the controller alone."""

    senses_params: senses.Params
    machine_params: machine.Params
    machine_start: machine.State
    tapes: Tapes


def prepare(bench: Bench) -> Prepared:
    """The parameters of the physics, and every tape drawn.

    Raises
    ------
    InputError
        See `physics`.
    """
    params, start = physics(bench)
    tapes = draw(bench.scenario, bench.vehicle, bench.water)
    return Prepared(build.senses_params(bench.vehicle, bench.scenario.tick_us), params, start, tapes)


def simulate(bench: Bench, progress: Callable[[int], None] | None = None, prepared: Prepared | None = None) -> Run:
    """Run the scenario.

    Parameters
    ----------
    progress : called now and then with the number of ticks done.
    prepared : from `prepare`, where it is at hand.

    Raises
    ------
    ControllerError
        The controller raised, or gave back something that is not a command.
    InputError
        See `physics`; or an engine that is not to be had.
    """
    ready = prepared or prepare(bench)
    chosen = engine.choose(bench.engine, bench.controller, len(ready.tapes))
    table = record(bench, ready, chosen, progress)
    limits = bench.vehicle.limits()
    events = events_of(table, limits, bench.controller.modes, bench.controller.reasons, bench.scenario.faults)
    return Run(bench=bench, table=table, events=events, limits=limits, engine=chosen)


def record(
    bench: Bench,
    ready: Prepared,
    chosen: Engine,
    progress: Callable[[int], None] | None = None,
    wanted: Collection[str] | None = None,
) -> Table:
    """The run alone, without its events.

    Parameters
    ----------
    chosen : by ``engine.choose``.
    wanted : names of the columns to keep; all of them without.

    Raises
    ------
    ControllerError
    """

    def asked(names: Collection[str]) -> tuple[str, ...]:
        return tuple(name for name in names if wanted is None or name in wanted)

    made = asked(DERIVED)
    sources = {source for name in made for source in DERIVED[name]}
    kept = tuple(name for name in loop.RECORDED if wanted is None or name in wanted or name in sources)
    recorded = dict(zip(kept, engine.run(chosen, bench.controller, *ready, progress, kept), strict=True))
    columns = {name: recorded[name] for name in asked(loop.RECORDED)}
    columns |= {name: ready.tapes.rider[name] for name in asked(ready.tapes.rider)}
    columns |= {name: ready.tapes.senses[:, senses.Tape._fields.index(name)] for name in asked(LEAKS)}
    columns |= derived(recorded, ready.machine_params.hull, made)
    return Table(bench.scenario.tick_us * np.arange(len(ready.tapes), dtype=np.int64), columns)


def derived(
    columns: Mapping[str, NDArray[np.float64]], shape: hull.Params, wanted: Collection[str] = DERIVED
) -> dict[str, NDArray[np.float64]]:
    """Columns that follow from the recorded ones: the vehicle's thrust, drag and yawing moment."""

    def thrust_n(side: str) -> NDArray[np.float64]:
        return columns[f"{side}_thrust_n"] * (1.0 - shape.deduction_frac)

    formulas = {
        "thrust_n": lambda: thrust_n("left") + thrust_n("right"),
        "drag_n": lambda: shape.drag_kg_m * columns["speed_m_s"] * np.abs(columns["speed_m_s"]),
        "yaw_moment_nm": lambda: (thrust_n("left") - thrust_n("right")) * shape.arm_m,
        "lever_understood_frac": lambda: columns["lever_permille"] / 1000.0,
    }
    return {name: formulas[name]() for name in wanted}


def recorded_inputs(scenario: Scenario) -> dict[str, str]:
    """The recordings that take the place of drawn tapes, with a short hash of their contents."""
    return {f"{key} {Path(name).name}": fingerprint(Path(name)) for key, name in files_of(scenario).items()}


def fingerprint(path: Path) -> str:
    """A short hash of a file's bytes."""
    # A recording may be larger than what should be in memory at once.
    with path.open("rb") as handle:
        return file_digest(handle, "sha256").hexdigest()[:12]
