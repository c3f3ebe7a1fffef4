"""A sequence of readings written as a recording, for pins that no hand and no fault of a scenario moves (row 4)."""

from __future__ import annotations

from pathlib import Path

from controllers.board import Inputs
from sim.base.clock import to_s
from sim.base.files import write_text
from sim.bench.control import load_controller
from sim.bench.loop import ControllerError
from sim.jobs.case import load_requirements
from sim.jobs.explore.claims import claim
from sim.jobs.explore.explore import Proof
from sim.jobs.explore.sequence import TICKS_AFTER, Written, broken, named, readings, unlike
from sim.jobs.explore.space import ERROR
from sim.jobs.replay import replay
from sim.jobs.written import requirements_text

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
    write_text(path, _text(proof))
    hz = f"{1e6 / task.tick_us:g}"
    repeat = ("drydive", "replay", str(path), *asked, "--control-hz", hz, "--before", "0")
    return _again(proof, path, required, params, repeat)


def _params_text(proof: Proof) -> str:
    """The parameters that the walk had, those set on top among them."""
    values = proof.task.space.controller.params._asdict()
    return "".join(f"{key}: {value}\n" for key, value in values.items() if key != "tick_us")


def _text(proof: Proof) -> str:
    pins = readings(proof)
    comment = "".join(f"# {line}\n" for line in broken(proof).splitlines())
    rows = [(tick * proof.task.tick_us, *each) for tick, each in enumerate((*pins, *[pins[-1]] * TICKS_AFTER))]
    return comment + "".join(",".join(map(str, row)) + "\n" for row in (("t_us", *Inputs._fields), *rows))


def _again(proof: Proof, path: Path, required: Path, params: Path | None, repeat: tuple[str, ...]) -> Written:
    """Replay the file, and see whether the pins read what they should and the requirement fails."""
    pins, tick_us = readings(proof), proof.task.tick_us
    controller = load_controller(named(proof.task.space.controller), tick_us, str(params.resolve()) if params else None)
    try:
        done = replay(path, controller, load_requirements(required), tick_us, before_s=0.0)
    except ControllerError as error:
        # What raises in the walk raises in the replay.
        return Written(path, "" if proof.walk.ended == ERROR else str(error), to_s(len(pins) * tick_us), repeat)
    if got := unlike(done.table, pins, tick_us):
        return Written(path, f"replayed, {got}", repeat=repeat)
    (verdict,) = done.verdicts
    if verdict.verdict != "fail":
        return Written(path, f"replayed, it is judged {verdict.verdict}: {verdict.why}", repeat=repeat)
    return Written(path, "", verdict.at_s, repeat)
