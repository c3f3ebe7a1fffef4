"""The staged test plan of a vehicle: five stages scripted, simulated, bounded, and written (row 4)."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

import sim
from sim.base.caution import CAUTION
from sim.base.files import write_text
from sim.bench import run as bench
from sim.bench.control import SOURCES
from sim.bench.engine import decided
from sim.jobs.case import (
    Case,
    CaseFile,
    Judged,
    StandardEntry,
    judge_case,
    on_engine,
    overall,
    standard_requirements,
)
from sim.jobs.plan import expect, gesture, logger, rules, stages, words
from sim.jobs.plan.hand import Hand, ids_once
from sim.jobs.plan.model import Levels, Plan, Stage
from sim.jobs.plan.numbers import as_logged, taken
from sim.jobs.plan.throttle import calibrates, readings
from sim.jobs.plan.tries import Place
from sim.jobs.ride import Attitude, Stated, anywhere, here, stated
from sim.jobs.trials import usual_workers
from sim.jobs.tune.drive import held_against
from sim.jobs.written import write_scenario
from sim.verdict.catalogue import CATALOGUE
from sim.verdict.entry import RequirementEntry
from sim.verdict.requirement import Requirement

PLAN = "plan.json"
# From the moment the controller may be started to the first movement of a hand.
READY_S = 1.0

STANDARD: Mapping[str, Any] = {
    "standard": StandardEntry(),
    "requirements": (
        RequirementEntry(
            id="pack-stays-cool",
            says="The pack stays 5 degC under the temperature at which it opens.",
            formula="always(pack_degc <= pack_warm_degc - 5)",
        ),
    ),
}
"""What stages are held against unless a limits file is named: all of the catalogue that applies, and a cool pack."""


class Day(NamedTuple):
    """What the stages are planned for.

    degc : of pack, water and air; charge_frac : of the pack.
    open_water : a kind of water.
    """

    charge_frac: float = 0.9
    degc: float = 15.0
    attitude: Attitude = "towed"
    open_water: str = "lake"


@dataclass(frozen=True, slots=True)
class Made:
    """A plan with its scenarios: of each stage the script, and the same with a wet mode button where there is water.

    beside : the folder that the scenarios' paths start from.
    sources : files that went in beside vehicle and controller.
    """

    plan: Plan
    scenarios: tuple[tuple[CaseFile, CaseFile | None], ...]
    ready: bench.Bench
    sources: tuple[Path, ...]
    beside: Path

    def write(self, folder: Path) -> list[Path]:
        """Write `plan.json`, and each stage's scenario and blank logger file; the paths written.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        paths = [folder / PLAN]
        for stage, (scenario, wet) in zip(self.plan.stages, self.scenarios, strict=True):
            comment = f"Stage {stage.number} of the plan for {self.plan.vehicle}: {stage.title}.\n{stage.where}"
            paths += [folder / stage.logger, folder / stage.scenario]
            write_text(paths[-2], logger.blank(self.plan, stage))
            write_scenario(scenario, paths[-1], self.beside, comment)
            if wet is not None:
                paths.append(folder / stage.wet)
                write_scenario(wet, paths[-1], self.beside, f"{comment}\nThe mode button as wet as it comes.")
        # Last, so that a plan that is there is whole.
        write_text(paths[0], self.plan.model_dump_json(indent=1) + "\n")
        return paths


class Held(NamedTuple):
    """What stages are held against.

    asked : the keys of a scenario that say so. optional : ids of what may go untried.
    """

    requirements: tuple[Requirement, ...]
    limits: Mapping[str, float]
    asked: Mapping[str, Any]
    sources: tuple[Path, ...]
    optional: frozenset[str]


class Drafted(NamedTuple):
    """A stage as scripted, its case and its scenario as a file would have it, and both with the mode button wet."""

    stage: Stage
    case: Case
    scenario: CaseFile
    wet: CaseFile | None
    leaking: bench.Bench | None
    place: Place


def planned(
    vehicle: Path,
    controller: str,
    params: str | None = None,
    limits: Path | None = None,
    day: Day | None = None,
    builds: int = expect.COUNT,
    control_hz: float = 1000.0,
    seed: int = 1,
    engine: str = "auto",
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Made:
    """Make the plan.

    Parameters
    ----------
    vehicle, controller, params : as in a scenario; paths start from the current folder.
    limits : requirements that every stage is held against, and that say when to stop; the catalogue if left out.
    builds : how many, at least 3.
    executor : any of ``concurrent.futures``' kind; a process for each core without one.
    progress : called with the runs done and those in all.

    Raises
    ------
    InputError
    ControllerError
    """
    day = day or Day()
    ready = _ready(vehicle, controller, params, day, control_hz, seed, engine)
    held = _held_against(limits, ready)
    said = stated(ready.controller)
    start_s = float(ready.vehicle.supply.boot_s) + max(said.start_delay, float(ready.vehicle.esc.arm_s)) + READY_S
    way, steps = gesture.found(ready, start_s)
    drafted = [
        _drafted(number, kind, ready, day, Hand(start_s, way), steps, held)
        for number, kind in enumerate(stages.KINDS, 1)
    ]
    drawn, tolerances = expect.drawn(ready, builds)
    finished, used = _simulated(drafted, drawn, held, said, engine, executor, progress)
    verdicts = [stage.verdict for stage in finished]
    plan = Plan(
        vehicle=ready.vehicle.name,
        note=ready.vehicle.note,
        controller=ready.controller.name,
        inputs=_inputs(ready, held.sources),
        steps=steps,
        gesture=way.says if way else "",
        builds=builds,
        tolerances=tolerances,
        calibrated=calibrates(ready.controller.params),
        seed=seed,
        control_hz=control_hz,
        stop_us=ready.vehicle.limits()["stop_us"],
        verdict="fail" if "fail" in verdicts else "undecided" if "undecided" in verdicts else "pass",
        notes=words.notes(ready, way, steps, tolerances),
        stages=tuple(finished),
        engine=used,
        versions={"drydive": sim.__version__, "python": platform.python_version(), "numpy": np.__version__},
        caution=CAUTION,
    )
    return Made(plan, tuple((each.scenario, each.wet) for each in drafted), ready, held.sources, here().parent)


def _simulated(
    drafted: Sequence[Drafted],
    drawn: Sequence[expect.Drawn],
    held: Held,
    said: Stated,
    engine: str,
    executor: Executor | None,
    progress: Callable[[int, int], None] | None,
) -> tuple[list[Stage], str]:
    """The stages with figures, bands and limits, and the engine that ran them."""
    ticks = sum(len(drawn) * (each.scenario.duration_us // each.scenario.tick_us) for each in drafted)
    decision = decided(engine, ticks // usual_workers(len(drawn)))
    cases = [on_engine(each.case, decision) for each in drafted]
    judged = [judge_case(case) for case in cases]
    wet = [_broken_wet(each, case) for each, case in zip(drafted, cases, strict=True)]
    runs = len(drafted) * len(drawn)
    told = None if progress is None else lambda done: progress(done, runs)
    work = [(case, each.stage) for case, each in zip(cases, drafted, strict=True)]
    outcomes = expect.outcomes(work, drawn, executor, told)
    finished = []
    for each, run, leaks, found in zip(drafted, judged, wet, outcomes, strict=True):
        stage = expect.banded(each.stage, taken(each.stage, as_logged(run.run.table))[0], found)
        unasked = rules.unasked(said, each.place.stop_us, stage.numbers, each.place.towed)
        stops = [*rules.required(held.requirements, held.limits), *unasked]
        stops += rules.never_drawn([outcome.peak_a for outcome in found], stops)
        broken = _never_driven(run) | _broken(run)
        failed = (*broken.values(), *(line for name, line in leaks.items() if name not in broken))
        word = "fail" if failed else overall(run.verdicts)
        finished.append(stage.model_copy(update={"stops": tuple(stops), "verdict": word, "failed": failed}))
    return words.with_reach(finished), judged[0].run.engine.name


def _never_driven(run: Judged) -> dict[str, str]:
    """That no pulse of the stage asks for drive, and why: then there is nothing to be tried, and all else passes."""
    table = run.run.table
    if run.run.drove:
        return {}
    # What it mostly says where the most is asked for: the lever as far as it goes, with the dead-man pressed.
    asked = table["lever_frac"] * table["deadman_pressed"]
    reasons, times = np.unique(table["reason"][asked >= asked.max()], return_counts=True)
    why = run.run.bench.controller.reasons.get(int(reasons[np.argmax(times)]), "")
    return {"never-driven": "never-driven: the controller never asks for drive" + (f": {why}" if why else "")}


def _broken(run: Judged) -> dict[str, str]:
    """The requirements that a run fails, each with why."""
    return {verdict.id: f"{verdict.id}: {verdict.why}" for verdict in run.verdicts if verdict.verdict == "fail"}


def _broken_wet(drafted: Drafted, case: Case) -> dict[str, str]:
    """What the script breaks with the mode button as wet as the vehicle file has it."""
    if drafted.leaking is None:
        return {}
    there = replace(drafted.leaking, engine=case.bench.engine)
    found = _broken(judge_case(replace(case, bench=there)))
    return {name: f"{line} (with the mode button wet)" for name, line in found.items()}


def _ready(
    vehicle: Path, controller: str, params: str | None, day: Day, control_hz: float, seed: int, engine: str
) -> bench.Bench:
    """The vehicle as filed, dry on the bench."""
    entry: dict[str, Any] = {
        "name": "plan",
        "vehicle": str(vehicle.resolve()),
        "controller": anywhere(controller, SOURCES),
        "params": params and anywhere(params, (".yaml", ".yml")),
        "water": {"kind": "air", "temperature_degc": day.degc},
        "pack": {"charge_frac": day.charge_frac},
        "attitude": "held",
        "rider": [],
        "duration_s": 1.0,
        "control_hz": control_hz,
        "seed": seed,
    }
    return replace(bench.set_up(CaseFile.model_validate(entry), here()), engine=engine)


def _held_against(limits: Path | None, ready: bench.Bench) -> Held:
    """What every stage is held against."""
    if limits is not None:
        required, named, filed = held_against(limits, ready)
        asked = {"requirements": filed.requirements, "standard": filed.standard}
        return Held(required, named, asked, (limits,), frozenset())
    known = ready.vehicle.limits() | ready.controller.stated_s()
    standard, named = standard_requirements(STANDARD["standard"], known)
    required = (*standard, *(entry.requirement("") for entry in STANDARD["requirements"]))
    # What a stage gives no occasion for is no gap in it.
    return Held(required, named, STANDARD, (CATALOGUE,), frozenset(each.id for each in required))


def _levels(ready: bench.Bench) -> Levels:
    """What the throttle reads, with the vehicle's numbers as filed."""
    rest, full = readings(ready.vehicle, ready.scenario.water.temperature_degc, ready.scenario.tick_us)
    return Levels(rest_counts=rest, full_counts=full, counts_max=float((1 << ready.vehicle.converter.bits) - 1))


def _drafted(
    number: int,
    kind: stages.Kind,
    ready: bench.Bench,
    day: Day,
    hand: Hand,
    steps: int,
    held: Held,
) -> Drafted:
    """One stage scripted, its case ready to run."""
    readings = ready.vehicle.readings
    reads = {"bus_v": float(readings.bus_step_v), "pack_a": float(readings.current_step_a)}
    place = Place(stop_us=ready.vehicle.limits()["stop_us"], steps=reads, **kind.place)
    where = {"attitude": day.attitude, "open": day.open_water}
    sentence = kind.where.format(**where)
    sentence = f"{sentence[0].upper()}{sentence[1:]}."
    scene = kind.scene(where)
    script = stages.scripted(kind, hand, place, steps)
    wet = scene.water != "air"
    vehicle = ready.scenario.vehicle
    entry: dict[str, Any] = {
        "name": f"stage {number}: {kind.title}",
        "says": sentence,
        "vehicle": vehicle,
        "vehicle_set": {**scene.vehicle_set, **(stages.DRY_BUTTON if wet else {})},
        "controller": ready.scenario.controller,
        "params": ready.scenario.params,
        "water": {"kind": scene.water, "temperature_degc": day.degc},
        "pack": {"charge_frac": day.charge_frac},
        "attitude": scene.attitude,
        "seed": ready.scenario.seed,
        "control_hz": ready.scenario.control_hz,
        **script,
    }
    scenario = CaseFile.model_validate(entry)
    there = _bench_of(scenario, ready)
    stage = Stage(
        number=number,
        key=f"{number}_{kind.key}",
        title=kind.title,
        where=sentence,
        day=words.day(day.charge_frac, day.degc, "water" if wet else "air"),
        scenario=f"{number}_{kind.key}.scenario.yaml",
        wet=f"{number}_{kind.key}.wet.scenario.yaml" if wet else "",
        logger=f"{number}_{kind.key}.csv",
        before=kind.before,
        cautions=kind.cautions,
        neglected=kind.neglected,
        watch=kind.watch,
        after=kind.after,
        tries=ids_once(hand.tries),
        marks=tuple(hand.marks),
        levels=_levels(ready),
    )
    whole = scenario.model_copy(update=dict(held.asked))
    leaking = whole.model_copy(update={"vehicle_set": scene.vehicle_set}) if wet else None
    case = Case(there, held.requirements, held.limits, held.sources, held.optional)
    return Drafted(stage, case, whole, leaking, _bench_of(leaking, ready) if leaking else None, place)


def _bench_of(scenario: CaseFile, ready: bench.Bench) -> bench.Bench:
    """A scenario's bench, with vehicle and controller that were read already.

    Raises
    ------
    InputError
        Numbers outside the physics' range.
    """
    # Read from its file once more, a vehicle has no number of another stage.
    vehicle = bench.with_overrides(ready.vehicle, scenario.vehicle_set, str(ready.vehicle_path))
    made = replace(bench.put_together(scenario, here(), vehicle, ready.controller), engine=ready.engine)
    bench.physics(made)
    return made


def _inputs(ready: bench.Bench, sources: tuple[Path, ...]) -> dict[str, str]:
    controller = ready.controller
    return {
        f"vehicle {ready.vehicle_path.name}": bench.fingerprint(ready.vehicle_path),
        f"controller {controller.name}": controller.fingerprint(),
        **{f"requirements {path.name}": bench.fingerprint(path) for path in sources},
    }
