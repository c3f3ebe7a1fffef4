"""The suite: every scenario judged side by side, crashes kept apart, behaviour compared with what was."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from xml.etree import ElementTree

import pytest

from sim.base.errors import InputError
from sim.face.cli import main
from sim.face.junit import write_junit
from sim.face.look import save
from sim.face.margins import margins
from sim.jobs.check import as_baseline, check, compared, find, merged, read_baseline, run_one

MOORHEN = Path(__file__).parents[1] / "sim" / "moorhen" / "moorhen.yaml"

SCENARIO = """\
name: {name}
vehicle: {vehicle}
controller: {controller}
params_set: {{{params}}}
water: {{kind: air}}
attitude: held
rider: [{{at_s: 0.0, deadman: false}}]
duration_s: 0.4
control_hz: 500
requirements:
  - id: nothing-moves
    says: No thruster is driven.
    formula: always(left_pulse_us <= {most_us})
"""

RAISES = """\
from typing import NamedTuple
class Params(NamedTuple):
    spare: int = 0
State = Params
def initial(params): return State()
def step(params, state, inputs): raise RuntimeError("out of tape")
"""

DIES = RAISES.replace('raise RuntimeError("out of tape")', '__import__("os")._exit(3)')


def scenario(folder: Path, name: str, controller: str = "reference", params: str = "", most_us: int = 1000) -> Path:
    path = folder / f"{name}.scenario.yaml"
    text = SCENARIO.format(name=name, vehicle=MOORHEN, controller=controller, params=params, most_us=most_us)
    path.write_text(text, encoding="utf-8")
    return path


def verdicts(folder: Path) -> dict[str, str]:
    with ThreadPoolExecutor(1) as one:
        return {Path(each.path).name.split(".")[0]: each.verdict for each in check(find([folder]), one)}


def test_each_scenario_has_its_verdict(tmp_path):
    """A folder's scenarios pass and fail on their own."""
    scenario(tmp_path, "good")
    scenario(tmp_path, "bad", most_us=900)

    assert verdicts(tmp_path) == {"good": "pass", "bad": "fail"}


def test_a_crash_is_that_scenarios_failure(tmp_path):
    """A controller that raises fails its own scenario with its words, and the rest go on."""
    (tmp_path / "raises.py").write_text(RAISES, encoding="utf-8")
    crashing = scenario(tmp_path, "crash", controller="raises.py")
    scenario(tmp_path, "good")

    assert verdicts(tmp_path) == {"crash": "error", "good": "pass"}
    assert "out of tape" in run_one(str(crashing)).crash


def test_a_process_that_dies_is_no_lost_session(tmp_path):
    """A controller that takes its whole process down is an error of the suite, not its end."""
    (tmp_path / "dies.py").write_text(DIES, encoding="utf-8")

    (outcome,) = check([scenario(tmp_path, "dead", controller="dies.py")])

    assert outcome.verdict == "error"
    assert outcome.crash


def test_bad_input_keeps_its_lines(tmp_path):
    """A scenario that cannot be read tells every fault with its place."""
    path = tmp_path / "wrong.scenario.yaml"
    path.write_text("name: wrong\nwater: {kind: soup}\n", encoding="utf-8")

    outcome = run_one(str(path))

    assert outcome.verdict == "error"
    assert any(fault.startswith(f"{path}:2:") for fault in outcome.faults)


def test_order_and_result_do_not_depend_on_the_workers(tmp_path):
    """Processes and a single thread give the same outcomes in the same order."""
    paths = [scenario(tmp_path, name) for name in ("c", "a", "b")]
    with ThreadPoolExecutor(1) as one:
        threaded = check(paths, one)

    assert check(paths) == threaded


@pytest.mark.parametrize(("make", "expected"), [(False, "no such file or folder"), (True, "none")])
def test_nothing_to_check_is_a_fault(tmp_path, make, expected):
    """A path that does not exist, or a folder without scenarios, is said in one line."""
    path = tmp_path / "suite"
    if make:
        path.mkdir()

    with pytest.raises(InputError, match=expected):
        find([path])


def test_an_unchanged_suite_differs_in_nothing(tmp_path):
    """The baseline of a run, written and read, compares equal with the next run."""
    paths = [scenario(tmp_path, "good"), scenario(tmp_path, "bad", most_us=900)]
    with ThreadPoolExecutor(1) as one:
        first, second = (as_baseline(check(paths, one), tmp_path) for _ in range(2))
    kept = tmp_path / "baseline.json"
    kept.write_text(json.dumps(first), encoding="utf-8")

    assert compared(read_baseline(kept), second) == []


def test_a_change_of_behaviour_is_told_though_all_passes(tmp_path):
    """A margin, an event and a scenario that changed are named, each on a line."""
    before = {"a": {"requirements": {"r": {"verdict": "pass", "margin": 2.0}}, "measures": {"m": 1.0}, "events": ["x"]}}
    now = {
        "a": {"requirements": {"r": {"verdict": "pass", "margin": 1.5}}, "measures": {"m": 1.0}, "events": ["x", "y"]},
        "b": {"requirements": {}, "measures": {}, "events": []},
    }

    assert compared(before, now) == ["a: r: margin 2 -> 1.5", "a: event 2: y (new)", "b: new"]


def test_a_baseline_that_is_none_is_refused(tmp_path):
    """JSON of another shape, and no JSON at all, are faults and not tracebacks."""
    path = tmp_path / "baseline.json"
    for text in ("[]", '{"a": 1}', "{"):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError):
            read_baseline(path)


def test_junit_counts_what_happened(tmp_path):
    """The XML that build servers read has a case for each scenario and the right counts."""
    (tmp_path / "raises.py").write_text(RAISES, encoding="utf-8")
    paths = [
        scenario(tmp_path, "good"),
        scenario(tmp_path, "bad", most_us=900),
        scenario(tmp_path, "crash", controller="raises.py"),
    ]
    write_junit([run_one(str(path)) for path in paths], tmp_path / "report.xml")

    suite = ElementTree.parse(tmp_path / "report.xml").getroot()

    assert {key: suite.get(key) for key in ("tests", "failures", "errors")} == {
        "tests": "3",
        "failures": "1",
        "errors": "1",
    }
    assert [case.get("name") for case in suite] == ["good", "bad", "crash"]


def test_coverage_adds_up_over_scenarios(tmp_path):
    """What a controller went through is told once for the whole suite."""
    seen = merged([run_one(str(scenario(tmp_path, name))) for name in ("a", "b")])

    assert list(seen) == ["reference"]
    assert 0 in seen["reference"].modes


def test_the_figure_of_margins_is_drawn(tmp_path):
    """Passing, failing and broken scenarios fit on one figure without a warning."""
    (tmp_path / "raises.py").write_text(RAISES, encoding="utf-8")
    paths = [scenario(tmp_path, "good"), scenario(tmp_path, "crash", controller="raises.py")]

    svg, png = save(margins([run_one(str(path)) for path in paths]), tmp_path / "suite")

    assert "nothing-moves" in svg.read_text(encoding="utf-8")
    assert png.stat().st_size > 0


def test_the_command_passes_and_fails(tmp_path, capsys):
    """Exit code 0 where all pass, 1 where one fails, 2 where a file cannot be read."""
    good = scenario(tmp_path, "good")
    assert main(["check", str(good)]) == 0
    assert main(["check", str(tmp_path), str(scenario(tmp_path, "bad", most_us=900))]) == 1
    (tmp_path / "wrong.scenario.yaml").write_text("name: wrong\n", encoding="utf-8")
    capsys.readouterr()

    assert main(["check", str(tmp_path), "--quiet"]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert all(":1:" in line for line in printed.err.splitlines())


def test_the_command_compares_with_a_baseline(tmp_path, capsys):
    """A baseline is written with --update, and a later run says what behaves otherwise, in the JSON too."""
    path, baseline = scenario(tmp_path, "good"), tmp_path / "baseline.json"
    assert main(["check", str(path), "--baseline", str(baseline), "--update", "--quiet"]) == 0
    scenario(tmp_path, "good", most_us=1100)
    capsys.readouterr()

    assert main(["check", str(path), "--baseline", str(baseline), "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["changes"] == [
        "good.scenario.yaml: nothing-moves: margin 0 -> 100",
    ]


def test_update_without_a_baseline_is_a_fault(tmp_path, capsys):
    """--update alone has nothing to write to."""
    assert main(["check", str(scenario(tmp_path, "good")), "--update"]) == 2
    assert "--baseline" in capsys.readouterr().err


def test_the_command_writes_figure_and_report(tmp_path):
    """--out draws the margins, --junit writes the report, --coverage does not get in the way."""
    path = scenario(tmp_path, "good")
    out, report = tmp_path / "out", tmp_path / "report.xml"

    assert main(["check", str(path), "--out", str(out), "--junit", str(report), "--coverage", "--workers", "1"]) == 0
    assert {each.name for each in out.iterdir()} == {"suite.svg", "suite.png"}
    assert report.is_file()
