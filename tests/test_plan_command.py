"""``drydive plan``, and ``drydive replay --plan``: files, exit codes, odd input, and what the pages hold."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from conftest import Call
from file_cases import MOORHEN, ROOT, controller
from plan_cases import HZ, TICK_US, drawn, exactly, made, recorded
from plan_cases import moorhen as moorhen_plan
from resistive import exact
from rich.console import Console

from sim.bench.control import load_controller
from sim.face.plan_text import of_plan
from sim.face.report import plan as page
from sim.jobs.case import judge_case, load_case, overall
from sim.jobs.plan.expect import outcomes
from sim.jobs.plan.filled import filled, load_plan
from sim.jobs.plan.gesture import found
from sim.jobs.plan.numbers import as_logged, taken
from sim.jobs.plan.stages import KINDS
from sim.jobs.replay import replay
from sim.record.reading import read_any

QUICK = ("--builds", "3", "--control-hz", f"{HZ:g}", "--workers", "1")
VEHICLE = str(MOORHEN / "moorhen.yaml")
# Drives as the lever says while the dead-man is held: no steps, no modes, no words of its own times.
BARE = "Command(pulse, pulse, 1, 1, 0, 0, 0)"
STEP = """
def step(params, state, inputs):
    lever = min(max(inputs.hall_counts - 600, 0) * 1000 // 2900, 1000)
    pulse = 1000 + lever * 4 // 10 if inputs.deadman == 1 and inputs.kill_cord == 1 else 1000
    return State(0), {command}
"""


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """A sound build's recording of stage 2."""
    return recorded(2, tmp_path / "dry.csv", build=1)


def test_a_plan_writes_its_page_scripts_and_logs(call: Call, tmp_path: Path) -> None:
    """Five scripts, three of them again with the button wet, five blank logs, the page and the plan; JSON beside."""
    out, result = tmp_path / "out", tmp_path / "r.json"
    code, printed, _ = call("plan", VEHICLE, *QUICK, "--out", out, "--json", result, "--report", tmp_path / "p.html")
    names = {path.name for path in out.iterdir()}
    keys = [f"{number}_{kind.key}" for number, kind in enumerate(KINDS, 1)]
    wet = {f"{key}.wet.scenario.yaml" for key in keys[2:]}
    assert names == {*(f"{k}.scenario.yaml" for k in keys), *(f"{k}.csv" for k in keys), *wet, "plan.json", "plan.html"}
    assert code == 0
    assert "PASS  test plan for Moorhen" in printed
    assert json.loads(result.read_text(encoding="utf-8")) == json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert (tmp_path / "p.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_stages_script_gives_the_figures_again() -> None:
    """The scenario file that was written, run as `drydive run` does, has the figures as filed, bit for bit."""
    plan, there = moorhen_plan()
    for stage in (plan.plan.stages[0], plan.plan.stages[3]):
        judged = judge_case(load_case(there / stage.scenario))
        again = taken(stage, as_logged(judged.run.table))[0]
        assert {number.id: number.filed for number in stage.numbers} == {
            number.id: again[number.id].value for number in stage.numbers
        }
        assert overall(judged.verdicts) == "pass"


def test_builds_come_out_alike_however_they_are_run() -> None:
    """One by one or side by side, every figure of every build is the same bit for bit."""
    plan, there = moorhen_plan()
    stage = plan.plan.stages[1]
    work = [(load_case(there / stage.scenario), stage)]
    with ThreadPoolExecutor(1) as one, ThreadPoolExecutor(2) as two:
        assert outcomes(work, drawn(), one) == outcomes(work, drawn(), two)


def test_a_plan_reads_back_as_it_was_written() -> None:
    """The file holds all of it."""
    plan, there = moorhen_plan()
    assert load_plan(there) == plan.plan


def test_a_blank_log_is_read_once_it_has_rows(tmp_path: Path) -> None:
    """Comments, names and the line of units are taken as a replay takes them: each signal, and t_ms in ms."""
    plan, there = moorhen_plan()
    path = tmp_path / "log.csv"
    blank = (there / plan.plan.stages[2].logger).read_text(encoding="utf-8")
    width = len(blank.splitlines()[-1].split(","))
    rows = "".join(",".join([str(10 * n), *["1"] * (width - 1)]) + "\n" for n in range(20))
    path.write_text(blank + rows, encoding="utf-8")
    table = read_any(path).table
    assert {"hall_counts", "deadman", "bus_v", "pack_a", "left_rpm", "thrust_n"} <= set(table.names)
    assert np.diff(table.t_us).tolist() == [10_000] * 19


def test_scripts_ask_for_every_power_step_in_turn() -> None:
    """Each of the reference's four steps is driven in every stage up to the pool, and open water ends in the last."""
    for stage, steps in zip(moorhen_plan()[0].plan.stages, ([1, 2, 3, 4],) * 4 + ([1, 4],), strict=True):
        assert sorted({number.power_step for number in stage.numbers} - {None}) == steps


@pytest.mark.parametrize(
    ("name", "contact", "presses", "steps"),
    [("reference", "deadman", 3, 4), ("reference_button", "mode_button", 3, 4), ("first_draft", "mode_button", 1, 4)],
)
def test_the_gesture_is_found_by_trying(
    moorhen: Callable[..., object], name: str, contact: str, presses: int, steps: int
) -> None:
    """As each controller's own file has it: three of the dead-man, three of the button, one of the button."""
    own = {"controller": "reference", "params": name} if name == "reference_button" else {"controller": name}
    ready = moorhen(water={"kind": "air"}, control_hz=HZ, **own)
    way, counted = found(ready, 3.6)  # type: ignore[arg-type]
    assert way is not None
    assert (way.contact, way.presses, counted) == (contact, presses, steps)


def test_a_controller_without_steps_is_planned_with_one(tmp_path: Path) -> None:
    """What has one step, no modes and no words of its times gets its plan, and is told so; what it breaks too."""
    plan = made(Path(VEHICLE), str(controller(tmp_path, BARE, step=STEP))).plan
    shown = StringIO()
    of_plan(Console(file=shown, width=160), plan)
    assert (plan.verdict, plan.steps, plan.calibrated) == ("fail", 1, False)
    assert "its calibration is taken as right" in shown.getvalue()
    assert "one power step" in shown.getvalue()
    assert "No gesture was found" in shown.getvalue()
    assert "stage 1 fails in simulation: start-needs-lever-at-rest" in shown.getvalue()


def test_a_controller_that_never_drives_gets_a_plan_that_fails(tmp_path: Path) -> None:
    """Figures of standing still are figures, stop pulses in every stage; but there is nothing to take to the water."""
    plan = made(Path(VEHICLE), str(controller(tmp_path))).plan
    pulses = [number.filed for stage in plan.stages for number in stage.numbers if number.id.endswith(".pulse")]
    assert len(plan.stages) == 5
    assert set(pulses) == {1000.0}
    assert plan.verdict == "fail"
    assert all(stage.failed[0].startswith("never-driven: ") for stage in plan.stages)


def test_a_plan_without_drive_says_what_holds_it_down(tmp_path: Path) -> None:
    """Another vehicle's numbers, by which the bus is always too low: each stage says so in its words."""
    params = tmp_path / "params.yaml"
    text = (ROOT / "controllers" / "reference.yaml").read_text(encoding="utf-8")
    text = re.sub(r"bus_foldback_mv: \d+", "bus_foldback_mv: 70000", text)
    params.write_text(re.sub(r"bus_floor_mv: \d+", "bus_floor_mv: 65000", text), encoding="utf-8")
    plan = made(Path(VEHICLE), params=str(params)).plan
    shown = StringIO()
    of_plan(Console(file=shown, width=160), plan)
    for number in range(1, 6):
        told = f"stage {number} fails in simulation: never-driven: the controller never asks for drive: drive is held"
        assert told in shown.getvalue()


def test_the_naive_controller_is_kept_off_the_hardware() -> None:
    """Stages that fail in simulation say what, a wet button's faults too, and the page warns on its first sheet."""
    plan = made(exactly(), "first_draft")
    failed = {line.partition(":")[0] for stage in plan.plan.stages for line in stage.failed}
    html = page.html(page.of_plan(plan, ["plan", "x"]))
    assert plan.plan.verdict == "fail"
    assert {"start-needs-lever-at-rest", "kill-cord-latches", "button-leak-changes-no-step"} <= failed
    assert "Do not take this controller to the hardware" in html


def test_limits_of_ones_own_say_when_to_stop(tmp_path: Path) -> None:
    """A bound of a limits file stands among the stops with its sentence; the catalogue's no longer do."""
    limits = tmp_path / "limits.yaml"
    limits.write_text(
        "requirements:\n  - {id: warm, says: Cells stay at hand warmth., formula: always(pack_degc <= 40)}\n",
        encoding="utf-8",
    )
    plan = made(Path(VEHICLE), limits=limits).plan
    assert plan.verdict == "pass"
    assert [(each.of, each.value) for each in plan.stages[2].stops if "(" in each.why] == [("pack_degc", 40.0)]


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["nowhere.yaml"], "nowhere.yaml: expected a vehicle file; got no such file or directory"),
        ([VEHICLE, "--controller", "refrence"], "did you mean reference?"),
        ([VEHICLE, "--limits", "none.yaml"], "none.yaml: expected a limits file"),
        ([VEHICLE, "--builds", "2"], "expected builds from 3 to 2000; got '2'"),
        ([VEHICLE, "--builds", "3.5"], "expected a whole number of builds; got '3.5'"),
        ([VEHICLE, "--charge", "2"], "expected a fraction from 0.05 to 1; got '2'"),
        ([VEHICLE, "--degc", "60"], "expected degrees Celsius from 0 to 35; got '60'"),
        ([VEHICLE, "--open-water", "swamp"], "invalid choice: 'swamp'"),
    ],
)
def test_odd_input_is_one_line(call: Call, arguments: list[str], expected: str) -> None:
    """Each names what it expected, and nothing is planned."""
    code, printed, err = call("plan", *arguments)
    assert (code, printed, err.count("\n")) == (2, "", 1)
    assert expected in err


def test_a_folder_that_cannot_be_written_is_one_line(call: Call, tmp_path: Path) -> None:
    """A file in the place of the folder stays as it is."""
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    code, _, err = call("plan", VEHICLE, *QUICK, "--out", tmp_path / "out", "--quiet")
    assert (code, err.count("\n")) == (2, 1)
    assert "expected a folder to write; got a file" in err
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


def test_a_replay_fills_in_its_stage(call: Call, tmp_path: Path, recording: Path) -> None:
    """The stage comes first, its page and JSON are written, and what the plan knows need not be said again."""
    result = tmp_path / "r.json"
    arguments = ["--plan", moorhen_plan()[1], "--stage", "2", "--json", result, "--report", tmp_path / "f.html"]
    code, printed, _ = call("replay", recording, *arguments)
    document = json.loads(result.read_text(encoding="utf-8"))
    html = (tmp_path / "f.html").read_text(encoding="utf-8")
    assert code == 0
    assert printed.startswith("PASS  stage 2, dry, propellers on and guarded")
    assert document["plan"]["verdict"] == "pass"
    assert {each["verdict"] for each in document["plan"]["figures"]} == {"within"}
    assert "controller reference" in document["inputs"]
    assert "plan.json" in document["inputs"]
    assert html.count(">within<") == len(document["plan"]["figures"])


def test_a_stage_that_went_wrong_fails_the_replay(call: Call, tmp_path: Path) -> None:
    """Exit code 1, and the worst figure is told first, with how far it is outside."""
    path = recorded(3, tmp_path / "r.csv", numbers={"leads.length_m": 2.4, "leads.joint_ohm": 0.002}, build=1)
    code, printed, _ = call(
        "replay", path, "--plan", moorhen_plan()[1], "--stage", "3", "--report", tmp_path / "f.html"
    )
    assert code == 1
    assert re.search(r"outside +leads, joints and switch +\d+ +0\.00\d+ ohm .* outside by 0\.00\d+ ohm", printed)
    assert "outside by" in (tmp_path / "f.html").read_text(encoding="utf-8")


def test_another_controller_than_the_plans_is_told(recording: Path) -> None:
    """A plan holds for what it was made with; what changed since is named."""
    plan = moorhen_plan()[0].plan
    other = load_controller("reference", TICK_US, None, {"ramp_up_ms": 900})
    done = filled(plan, plan.stages[1], replay(recording, other, (), TICK_US, before_s=0.0))
    assert done.changed == ("controller reference",)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (["--stage", "2"], "--plan: expected this option beside --stage"),
        (["--plan", "{there}"], "--stage: expected this option beside --plan"),
        (["--plan", "{empty}", "--stage", "2"], "plan.json: expected a plan, as drydive plan --out DIR writes it"),
        (["--plan", "{there}", "--stage", "6"], "expected a stage from 1 to 5; got '6'"),
        (["--plan", "{broken}", "--stage", "2"], "plan.json:1:"),
    ],
)
def test_a_plan_that_is_none_is_one_line(
    call: Call, tmp_path: Path, recording: Path, given: list[str], expected: str
) -> None:
    """What is missing or wrong is named, with its line where there is one."""
    places = {"there": moorhen_plan()[1], "empty": tmp_path / "empty", "broken": tmp_path / "broken"}
    for name in ("empty", "broken"):
        places[name].mkdir()
    (places["broken"] / "plan.json").write_text('{"vehicle": 3}', encoding="utf-8")
    code, printed, err = call("replay", recording, *(each.format(**places) for each in given))
    assert (code, printed) == (2, "")
    assert expected in err.splitlines()[0]


def test_the_page_has_room_for_the_pen() -> None:
    """Every figure has an empty place to write in and a box to tick, every stage its signatures and dates."""
    plan = moorhen_plan()[0]
    html = page.html(page.of_plan(plan, ["plan", "x"]))
    figures = sum(1 for stage in plan.plan.stages for _ in stage.numbers)
    assert html.count('class="hand" data-is="measured"') == figures
    assert html.count(' is inside">') == figures
    assert html.count("second person</td>") == len(plan.plan.stages) == html.count('<th scope="col">signature</th>')


def test_exactness_of_the_vehicle_files_copy() -> None:
    """The copy without tolerances that these tests plan with says the same numbers (a test of the tests' own file)."""
    assert exact({"a": "1.2 +- 10%", "b": [1, 2]}) == {"a": 1.2, "b": [1, 2]}
