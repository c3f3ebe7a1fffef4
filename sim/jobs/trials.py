"""Many runs of one case, each on its own day and with its own build, side by side (row 4)."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple, TypeVar

from sim.base.document import Entry
from sim.base.errors import Fault, InputError, one_line
from sim.base.quantity import Toleranced
from sim.bench.control import load_controller
from sim.bench.engine import decided
from sim.bench.loop import ControllerError
from sim.bench.run import Bench
from sim.bench.scenario import PackEntry, Scenario, WaterEntry
from sim.bench.tapes import water_of
from sim.bench.vehicle import Vehicle
from sim.jobs.case import Case, judge_case, on_engine
from sim.jobs.ride import Attitude
from sim.jobs.written import write_scenario
from sim.verdict.requirement import Requirement, Verdict

Part = TypeVar("Part", bound=Entry)

# Runs handed to a process at a time: enough that loading the controller for them costs nothing.
BATCH_MAX = 8
BATCHES = 16


@dataclass(frozen=True, slots=True)
class Corner:
    """A complete condition: the day, and the vehicle's numbers that are not as its file has them.

    vehicle_set : as in a scenario: numbers of the vehicle by dotted key, each then exact.
    """

    name: str
    water: WaterEntry
    pack: PackEntry
    attitude: Attitude
    vehicle_set: Mapping[str, float]


class Trial(NamedTuple):
    """What is kept of one run.

    crash : what the controller raised, with its place; empty where it raised nothing.
    """

    verdicts: tuple[Verdict, ...]
    crash: str = ""


def held_against(case: Case) -> None:
    """Refuse a case that holds its runs against nothing.

    Raises
    ------
    InputError
    """
    if not case.requirements:
        expected = "this key, or requirements_from or standard: what the runs are held against"
        raise InputError([Fault(str(case.bench.path), "requirements", expected, "no such key")])


def as_filed(scenario: Scenario, name: str, vehicle_set: Mapping[str, float]) -> Corner:
    """The scenario's own day, with other numbers of the vehicle."""
    return Corner(name, scenario.water, scenario.pack, scenario.attitude, vehicle_set)


def at(bench: Bench, corner: Corner) -> Bench:
    """The bench under a corner's condition; nothing is read again, and nothing checked: see `physics`.

    Its scenario, written as a file, is the same run.
    """
    own = bench.scenario
    scenario = own.model_copy(
        update={
            "water": corner.water,
            "pack": corner.pack,
            "attitude": corner.attitude,
            "vehicle_set": {**own.vehicle_set, **corner.vehicle_set},
        }
    )
    vehicle = with_numbers(bench.vehicle, corner.vehicle_set)
    return replace(bench, scenario=scenario, vehicle=vehicle, water=water_of(scenario))


def case_at(case: Case, corner: Corner) -> Case:
    """The case under a corner's condition, held against the limits of the vehicle as it is there."""
    bench = at(case.bench, corner)
    return replace(case, bench=bench, limits={**case.limits, **bench.vehicle.limits()})


def with_numbers(entry: Part, numbers: Mapping[str, float]) -> Part:
    """An entry with single numbers set by their dotted keys, as ``run.with_overrides`` sets them, but unchecked.

    Raises
    ------
    AttributeError
        A key that the entry does not have.
    """
    parts: dict[str, dict[str, float]] = {}
    changed: dict[str, Toleranced | Entry] = {}
    for key, value in numbers.items():
        head, _, rest = key.partition(".")
        if rest:
            parts.setdefault(head, {})[rest] = value
        else:
            changed[head] = Toleranced(value)
    changed |= {head: with_numbers(getattr(entry, head), inner) for head, inner in parts.items()}
    return entry.model_copy(update=changed)


def write_corner(bench: Bench, corner: Corner, path: Path, comment: str = "") -> None:
    """Write a corner as a scenario file, which `drydive run` runs bit for bit alike.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    name = f"{bench.scenario.name}: {corner.name}"
    write_scenario(at(bench, corner).scenario.model_copy(update={"name": name}), path, bench.path.parent, comment)


def tried(
    case: Case,
    corners: Sequence[Corner],
    executor: Executor | None = None,
    progress: Callable[[int], None] | None = None,
) -> list[Trial]:
    """Run and judge a case at every corner; the result is the same bit for bit however it is run.

    Parameters
    ----------
    case : its scenario names the controller and its parameters; a controller put on the bench by hand is not used.
    corners : checked before, see `physics`.
    executor : any of ``concurrent.futures``' kind; a process for each core without one.
    progress : called with the runs done.

    Returns
    -------
    list of Trial, in the order of `corners`
    """
    scenario = case.bench.scenario
    workers = usual_workers(len(corners))
    # Decided before the workers start, which then find the compiled loop at hand.
    ticks = len(corners) * (scenario.duration_us // scenario.tick_us) // workers
    case = on_engine(case, decided(case.bench.engine, ticks))
    if executor is not None:
        return _gathered(case, corners, executor, progress)
    with ProcessPoolExecutor(workers) as own:
        return _gathered(case, corners, own, progress)


def usual_workers(runs: int) -> int:
    """Processes for so many runs: one for each core, and no more than runs."""
    return min(os.cpu_count() or 1, max(runs, 1))


class Sealed(NamedTuple):
    """A case as it travels between processes: without its controller, whose file a process loads for itself."""

    scenario: Scenario
    path: Path
    vehicle: Vehicle
    vehicle_path: Path
    requirements: tuple[Requirement, ...]
    limits: Mapping[str, float]
    optional: frozenset[str]
    engine: str

    def opened(self) -> Case:
        """The case with its controller.

        Raises
        ------
        InputError
            Its file is gone, or no longer a controller.
        """
        scenario = self.scenario
        beside = self.path.parent
        controller = load_controller(
            scenario.controller, scenario.tick_us, scenario.params, scenario.params_set, beside
        )
        bench = Bench(scenario, self.path, self.vehicle, self.vehicle_path, controller, water_of(scenario), self.engine)
        return Case(bench, self.requirements, self.limits, optional=self.optional)


def sealed(case: Case) -> Sealed:
    """A case ready to travel."""
    bench = case.bench
    return Sealed(
        bench.scenario,
        bench.path,
        bench.vehicle,
        bench.vehicle_path,
        case.requirements,
        case.limits,
        case.optional,
        bench.engine,
    )


def _gathered(
    case: Case, corners: Sequence[Corner], executor: Executor, progress: Callable[[int], None] | None
) -> list[Trial]:
    closed = sealed(case)
    size = min(max(len(corners) // BATCHES, 1), BATCH_MAX)
    batches = {first: tuple(corners[first : first + size]) for first in range(0, len(corners), size)}
    futures = {executor.submit(_run, closed, batch): first for first, batch in batches.items()}
    done: dict[int, list[Trial]] = {}
    try:
        for future in as_completed(futures):
            first = futures[future]
            error = future.exception()
            # A worker that died took its runs with it.
            lost = [Trial((), f"{type(error).__name__}: {error}")] * len(batches[first])
            done[first] = lost if error else future.result()
            if progress is not None:
                progress(sum(map(len, done.values())))
    finally:
        for future in futures:
            future.cancel()
    return [trial for first in sorted(done) for trial in done[first]]


def _run(closed: Sealed, corners: Sequence[Corner]) -> list[Trial]:
    case = closed.opened()
    return [_trial(case_at(case, corner)) for corner in corners]


def _trial(case: Case) -> Trial:
    try:
        return Trial(judge_case(case).verdicts)
    except (ControllerError, InputError) as error:
        return Trial((), one_line(str(error)))
