"""Plans and recordings for tests: made once for each process, on a slow control tick so that they cost little."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from file_cases import MOORHEN
from resistive import exact

from sim.bench import run as bench
from sim.bench.control import load_controller
from sim.bench.scenario import FaultStep
from sim.bench.vehicle import load_vehicle
from sim.jobs.case import load_case
from sim.jobs.plan import expect
from sim.jobs.plan.filled import Filled, filled
from sim.jobs.plan.numbers import LOGGED
from sim.jobs.plan.plan import Made, planned
from sim.jobs.replay import replay
from sim.jobs.trials import with_numbers
from sim.record.table import Table, write_csv

HZ, TICK_US = 250.0, 4000
# What a logger adds to each signal, one sigma: common practice, no source.
NOISE = {
    "hall_counts": 1.0,
    "left_pulse_us": 2.0,
    "right_pulse_us": 2.0,
    "bus_v": 0.03,
    "pack_v": 0.03,
    "pack_a": 0.4,
    "left_rpm": 4.0,
    "right_rpm": 4.0,
    "thrust_n": 2.0,
    "speed_m_s": 0.02,
}


def folder() -> Path:
    """A folder that is gone when the tests are."""
    made = Path(tempfile.mkdtemp(prefix="plan"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def made(vehicle: Path, controller: str = "reference", builds: int = 3, **more: Any) -> Made:
    """A plan, in this process."""
    with ThreadPoolExecutor(1) as one:
        return planned(vehicle, controller, builds=builds, control_hz=HZ, executor=one, **more)


@lru_cache(1)
def moorhen() -> tuple[Made, Path]:
    """The demo vehicle's plan with its tolerances, and the folder that it is written to."""
    there = folder()
    plan = made(MOORHEN / "moorhen.yaml", builds=16)
    plan.write(there)
    return plan, there


def exactly(**parts: Mapping[str, Any]) -> Path:
    """The demo vehicle without tolerances, with parts of its file in the place of its own."""
    data = exact(yaml.safe_load((MOORHEN / "moorhen.yaml").read_text(encoding="utf-8")))
    path = folder() / "exact.yaml"
    path.write_text(yaml.safe_dump(data | parts), encoding="utf-8")
    return path


@lru_cache(1)
def drawn() -> tuple[expect.Drawn, ...]:
    """Builds within the demo vehicle's tolerances that are none of the plan's own."""
    ready = moorhen()[0].ready
    other = replace(ready, scenario=ready.scenario.model_copy(update={"seed": 4711}))
    return tuple(expect.drawn(other, 3)[0])


def recorded(
    stage: int,
    path: Path,
    numbers: Mapping[str, float] | None = None,
    faults: Sequence[FaultStep] = (),
    columns: Collection[str] | None = None,
    every: int = 2,
    offset_us: int = 0,
    build: int = 0,
) -> Path:
    """A noisy logger's file of another build's stage.

    numbers : of its vehicle, that are not as drawn. every : ticks from sample to sample. offset_us : of its clock.
    """
    plan, there = moorhen()
    ready = expect.at_build(load_case(there / plan.plan.stages[stage - 1].scenario).bench, drawn()[build])
    script = ready.scenario.faults
    ready = replace(
        ready,
        vehicle=with_numbers(ready.vehicle, numbers or {}),
        scenario=ready.scenario.model_copy(update={"faults": tuple(sorted((*faults, *script), key=lambda f: f.at_s))}),
    )
    bench.physics(ready)
    table = expect.logged(ready)
    rng = np.random.default_rng(stage)
    kept = {
        name: column[::every] + NOISE.get(name, 0.0) * rng.standard_normal(len(column[::every]))
        for name, column in table.columns.items()
        if name in LOGGED and (columns is None or name in columns)
    }
    whole = {
        name: np.rint(column) if name.endswith(("counts", "_us", "rpm")) else column for name, column in kept.items()
    }
    write_csv(Table(table.t_us[::every] + offset_us, whole), path)
    return path


def held(stage: int, path: Path) -> Filled:
    """A recording held against a stage of the demo vehicle's plan."""
    plan = moorhen()[0].plan
    done = replay(
        path, load_controller("reference", TICK_US), (), TICK_US, load_vehicle(MOORHEN / "moorhen.yaml"), before_s=0.0
    )
    return filled(plan, plan.stages[stage - 1], done)


def outside(done: Filled) -> set[str]:
    """What the figures outside speak of: the ends of their ids."""
    return {each.number.id.partition(".")[2] for each in done.figures if each.word == "outside"}
