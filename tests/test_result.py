"""The JSON result: exactly its documented keys, the same for the same files and seed, and readable by any program."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from file_cases import ROOT, TRACES, scenario

import sim
from sim.bench.control import load_controller
from sim.jobs.case import Judged, judge_case, load_case, overall, reseeded
from sim.jobs.replay import replay, standing_requirements
from sim.jobs.result import HEADLINES, demo_json, judged_json, measures, replay_json
from sim.record.table import Table

KEYS = ["verdict", "requirements", "measures", "events", "seed", "engine", "versions", "inputs"]
REQUIREMENTS = """
  - {id: bus, says: The bus keeps up., formula: always(bus_v >= esc_cut_v)}
  - {id: low, says: The bus is low., formula: always(bus_v <= esc_cut_v)}
  - {id: never-tried, says: Nobody pulls the cord., after: kill_cord == 0, expect: mode == 0, within_s: 0.1}"""
RIDER = "[{at_s: 0.3, deadman: true}, {at_s: 0.35, lever_frac: 0.5}]"


def judged(folder: Path, seed: int | None = None, **lines: str) -> Judged:
    """Half a second in a pool, judged."""
    water = "{kind: pool}"
    path = scenario(folder, water=water, controller="first_draft", rider=RIDER, requirements=REQUIREMENTS, **lines)
    case = load_case(path)
    return judge_case(case if seed is None else reseeded(case, seed))


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The result of that run."""
    return judged_json(judged(tmp_path_factory.mktemp("result")))


def test_a_result_has_exactly_its_keys(document: dict[str, Any]) -> None:
    """No key more and none less, in their order."""
    assert list(document) == KEYS


def test_the_keys_are_those_that_the_documents_name(document: dict[str, Any]) -> None:
    """docs/files.md has a table of the keys; it and the result name the same ones."""
    text = (ROOT / "docs" / "files.md").read_text(encoding="utf-8").partition("## The JSON result")[2]
    assert re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE)[: len(KEYS)] == list(document)


def test_a_requirement_has_exactly_its_keys(document: dict[str, Any]) -> None:
    """Each verdict says id, verdict, margin, unit, moment and why."""
    assert [list(each) for each in document["requirements"]] == [["id", "verdict", "margin", "unit", "at_s", "why"]] * 3


def test_verdicts_margins_and_moments(document: dict[str, Any]) -> None:
    """Pass has a margin above zero, fail one below, and what was never tried none at all."""
    passed, failed, untried = document["requirements"]
    assert (passed["verdict"], failed["verdict"], untried["verdict"]) == ("pass", "fail", "undecided")
    assert passed["margin"] > 0.0 > failed["margin"]
    assert (untried["margin"], untried["at_s"]) == (None, None)
    assert document["verdict"] == "fail"


def test_a_measure_has_a_value_and_a_unit(document: dict[str, Any]) -> None:
    """Each headline is a finite number with its unit, named after its column and how it was taken."""
    for name, measure in document["measures"].items():
        assert list(measure) == ["value", "unit"], name
        assert np.isfinite(measure["value"]), name
    named = {column if how == "last" or column.endswith(how) else f"{column}_{how}" for column, how, _ in HEADLINES}
    # The pack's own current is a recording's; a run has it as the bus's.
    assert set(document["measures"]) == named - {"pack_a_max"}
    assert document["measures"]["bus_v_min"]["unit"] == "V"


def test_events_are_in_order_and_say_what_and_why(document: dict[str, Any]) -> None:
    """Each event has time, what and why, sorted by time."""
    assert all(list(event) == ["t_s", "what", "why"] for event in document["events"])
    times = [event["t_s"] for event in document["events"]]
    assert times == sorted(times)


def test_versions_and_inputs_tell_what_went_in(document: dict[str, Any]) -> None:
    """Program versions, and a hash of each file that went in, by role and name."""
    assert document["versions"]["drydive"] == sim.__version__
    assert set(document["versions"]) == {"drydive", "python", "numpy"}
    assert list(document["inputs"]) == ["scenario s.yaml", "vehicle moorhen.yaml", "controller first_draft"]
    assert all(re.fullmatch(r"[0-9a-f]{12}", text) for text in document["inputs"].values())


def test_the_result_is_plain_json(document: dict[str, Any]) -> None:
    """No NaN, no infinity, nothing that another program cannot read."""
    assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_the_same_file_and_seed_give_the_same_text(tmp_path: Path) -> None:
    """Two runs of one scenario are the same JSON, letter for letter."""
    one, again = (json.dumps(judged_json(judged(tmp_path))) for _ in range(2))
    assert one == again


def test_another_seed_is_another_run(tmp_path: Path) -> None:
    """A seed of the caller's goes before the file's, and shows in the result and in the numbers."""
    one, other = judged_json(judged(tmp_path)), judged_json(judged(tmp_path, seed=77))
    assert (one["seed"], other["seed"]) == (1, 77)
    assert one["events"] != other["events"]
    assert one == judged_json(judged(tmp_path, seed=1))


@pytest.mark.parametrize(
    ("changed", "same"),
    [("params_set", ["vehicle moorhen.yaml"]), ("says", ["vehicle moorhen.yaml", "controller first_draft"])],
)
def test_an_inputs_hash_changes_with_the_input_alone(tmp_path: Path, changed: str, same: list[str]) -> None:
    """A changed parameter changes the controller's hash, a changed word only the scenario's."""
    text = {"params_set": "{button_ms: 6}", "says": "another"}[changed]
    one, other = judged(tmp_path).run.inputs(), judged(tmp_path, **{changed: text}).run.inputs()
    assert [name for name in one if one[name] == other[name]] == same


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["pass", "pass"], "pass"),
        (["pass", "undecided"], "undecided"),
        (["undecided", "fail", "pass"], "fail"),
        ([], "undecided"),
    ],
)
def test_one_word_for_many_verdicts(document: dict[str, Any], words: list[str], expected: str) -> None:
    """Any failure fails, and nothing passes that is not decided; no requirements decide nothing."""

    class Word:
        def __init__(self, verdict: str) -> None:
            self.verdict = verdict

    assert overall([Word(word) for word in words]) == expected  # type: ignore[misc]


def test_a_headline_that_a_table_lacks_is_left_out() -> None:
    """A replay's table gives the figures it has and no others; an empty one gives none."""
    table = Table(np.arange(3), {"bus_v": np.array([50.0, 48.0, 49.0]), "resets": np.array([0.0, 0.0, 1.0])})
    assert measures(table) == {"bus_v_min": {"value": 48.0, "unit": "V"}, "resets": {"value": 1.0, "unit": "1"}}
    assert measures(Table(np.arange(0), {"bus_v": np.zeros(0)})) == {}


@pytest.mark.parametrize(
    ("header", "more"),
    [("", ["notes", "mended", "doubts"]), (",left_pulse_us", ["notes", "mended", "doubts", "lag_s", "differences"])],
)
def test_a_replay_has_its_keys_besides(tmp_path: Path, header: str, more: list[str]) -> None:
    """A replay adds its notes and mends, and the comparison where a command was recorded; it has no seed."""
    trace = tmp_path / "t.csv"
    rows = "".join(f"{n},3000,1{',1000' if header else ''}\n" for n in range(200))
    trace.write_text(f"t_ms,hall_counts,deadman{header}\n{rows}", encoding="utf-8")
    document = replay_json(replay(trace, load_controller("first_draft", 1000), standing_requirements(), 1000))
    assert list(document) == KEYS + more
    assert document["seed"] is None
    assert list(document["inputs"]) == ["trace t.csv", "controller first_draft"]
    if header:
        (difference,) = document["differences"]
        assert list(difference) == ["from_s", "to_s", "recorded_us", "computed_us", "why"]
    assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_the_demos_result_is_its_dives_by_name(tmp_path: Path) -> None:
    """The demo's JSON is a list of results, each with its name in front."""
    document = demo_json([judged(tmp_path)])
    assert list(document) == ["scenarios"]
    assert list(document["scenarios"][0]) == ["name", *KEYS]
    assert document["scenarios"][0]["name"] == "test"


def test_the_example_traces_are_there() -> None:
    """The three recordings that the documents speak of come with the project."""
    assert sorted(path.stem for path in TRACES.glob("*.csv")) == ["bench_dry", "lake_wet_button", "pool_session"]
