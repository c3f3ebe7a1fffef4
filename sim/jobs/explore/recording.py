"""A sequence of readings written as a recording, for pins that no hand and no fault of a scenario moves (row 4)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from controllers.board import Inputs
from sim.base.clock import to_s
from sim.base.files import write_text
from sim.bench.control import load_controller
from sim.jobs.case import load_requirements
from sim.jobs.explore.claims import claim
from sim.jobs.explore.explore import Proof
from sim.jobs.explore.sequence import TICKS_AFTER, Written, again, broken, named, readings
from sim.jobs.replay import replay
from sim.jobs.written import requirements_text
from sim.record.table import Table, write_csv
from sim.verdict.requirement import Verdict

CONTACTS = ("deadman", "mode_button", "kill_cord")


def recorded(proof: Proof, stem: str, folder: Path) -> Written:
    """Write what a walk found as a recording from the reset on, replay it from its file, and compare.

    Beside it stand the requirement that it breaks and the parameters in force.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    pins = readings(proof)
    odd = sorted({name for name in CONTACTS if any(getattr(each, name) not in (0, 1) for each in pins)})
    if odd:
        return Written(None, f"{', '.join(odd)} must read neither 0 nor 1, which no recording has")
    task, controller = proof.task, proof.task.space.controller
    path = folder / f"{stem}.{task.name}.csv"
    required = path.with_suffix(".requirements.yaml")
    asked = ["--controller", named(controller), "--requirements", str(required)]
    params: Path | None = None
    if controller.params_path is not None:
        params = path.with_suffix(".params.yaml")
        write_text(params, _params_text(proof))
        asked += ["--params", str(params)]
    entry = claim(task.name, proof.walk.found, task.space.rule, to_s(task.tick_us))
    write_text(required, requirements_text([entry], broken(proof)))
    rows = np.array([*pins, *[pins[-1]] * TICKS_AFTER], dtype=np.float64)
    columns = dict(zip(Inputs._fields, rows.T, strict=True))
    write_csv(Table(np.arange(len(rows)) * task.tick_us, columns), path, broken(proof).splitlines())
    hz = f"{1e6 / task.tick_us:g}"
    repeat = ("drydive", "replay", str(path), *asked, "--control-hz", hz, "--before", "0")

    def run() -> tuple[Table, Sequence[Verdict]]:
        again_made = load_controller(named(controller), task.tick_us, str(params.resolve()) if params else None)
        done = replay(path, again_made, load_requirements(required), task.tick_us, before_s=0.0)
        return done.table, done.verdicts

    return again(proof, path, run, "replayed", repeat=repeat)


def _params_text(proof: Proof) -> str:
    """The parameters that the walk had, those set on top among them."""
    values = proof.task.space.controller.params._asdict()
    return "".join(f"{key}: {value}\n" for key, value in values.items() if key != "tick_us")
