"""Scenarios written back as YAML: what is read again is what was written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim.base.document import checked, composed
from sim.base.errors import InputError
from sim.jobs.case import CaseFile, judge_case, load_case
from sim.jobs.strategies import scenarios
from sim.jobs.written import moved, scenario_text, write_scenario
from sim.verdict.entry import RequirementEntry

MOORHEN = Path(__file__).parents[1] / "sim" / "moorhen"
# One folder serves all examples: each is written over the last.
ONE_FOLDER = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True, max_examples=60)

RULE = RequirementEntry(id="sag", says="The bus: never under 40 V.", measure="minimum(bus_v)", at_least=40)
LATENCY = RequirementEntry(id="stop", says="It's soon.", after="not deadman", expect="bus_v > 1", within_s=0.25)


def read(path: Path) -> CaseFile:
    """The scenario file itself, without what it names."""
    data, marks, faults = composed(path, "a scenario file")
    return checked(path, data, marks, CaseFile, faults)


def case(**changes: Any) -> CaseFile:
    entry = {
        "name": "test",
        "vehicle": "moorhen.yaml",
        "controller": "reference",
        "water": {"kind": "lake"},
        "attitude": "held",
        "rider": [],
        "duration_s": 1.0,
    }
    return CaseFile.model_validate(entry | changes)


@pytest.mark.parametrize("source", sorted(MOORHEN.glob("*.scenario.yaml")), ids=lambda path: path.name[:1])
def test_a_scenario_written_elsewhere_is_the_same_case(source: Path, tmp_path: Path) -> None:
    """Moorhen's scenario, written to another folder, finds the same files and has the same requirements."""
    copy = tmp_path / "deep" / "copy.scenario.yaml"
    write_scenario(read(source), copy, source.parent)
    first, second = load_case(source), load_case(copy)
    assert second.bench.vehicle == first.bench.vehicle
    assert second.bench.controller.fingerprint() == first.bench.controller.fingerprint()
    assert second.bench.scenario == moved(first.bench.scenario, source.parent, copy.parent)
    assert [each.id for each in second.requirements] == [each.id for each in first.requirements]


@ONE_FOLDER
@given(drawn=scenarios("moorhen.yaml", "reference", "reference_button", (RULE, LATENCY), start_s=2.5))
def test_any_scenario_reads_back_as_written(drawn: CaseFile, tmp_path: Path) -> None:
    """Every key of a drawn scenario survives, a requirement's figures as the text of the same number."""
    path = tmp_path / "drawn.scenario.yaml"
    write_scenario(drawn, path, tmp_path)
    again = read(path)
    bare = {"requirements": ()}
    assert again.model_copy(update=bare) == drawn.model_copy(update=bare)
    figures = [float(again.requirements[0].at_least or 0), float(again.requirements[1].within_s or 0)]
    assert figures == [40.0, 0.25]


@ONE_FOLDER
@given(drawn=scenarios("moorhen.yaml", "first_draft", requirements=(RULE, LATENCY)))
def test_what_was_read_is_written_alike(drawn: CaseFile, tmp_path: Path) -> None:
    """A file read and written again has the same bytes."""
    path = tmp_path / "drawn.scenario.yaml"
    write_scenario(drawn, path, tmp_path, "A comment.")
    before = path.read_bytes()
    write_scenario(read(path), path, tmp_path, "A comment.")
    assert path.read_bytes() == before


@ONE_FOLDER
@given(name=st.text(min_size=1), says=st.text(), comment=st.text())
def test_any_text_survives(name: str, says: str, comment: str, tmp_path: Path) -> None:
    """Whatever stands in names, sentences and comments, line ends and signs that do not print included."""
    path = tmp_path / "text.scenario.yaml"
    rule = RULE.model_copy(update={"says": says or "-"})
    write_scenario(case(name=name, says=says, requirements=[rule]), path, tmp_path, comment)
    again = read(path)
    assert (again.name, again.says, again.requirements[0].says) == (name, says, says or "-")


@pytest.mark.parametrize(
    "text", ["~", "null", "0x10", "1e3", "yes", "- a", "{a", "a: b # c", "'", '"', "...", " a ", "\n"]
)
def test_text_that_looks_like_something_else_stays_text(text: str, tmp_path: Path) -> None:
    """A name that YAML would take for a null, a number, a list or an end is still that name."""
    path = tmp_path / "text.scenario.yaml"
    write_scenario(case(name=text), path, tmp_path)
    assert read(path).name == text


def test_paths_start_from_the_new_folder(tmp_path: Path) -> None:
    """Vehicle, a controller's file and a parameter file are found from where the scenario is written to."""
    given_paths = case(controller="logic/my.py", params="sets/my.yaml", requirements_from="rules.yaml")
    there = moved(given_paths, tmp_path / "a" / "b", tmp_path / "a" / "c")
    assert (there.vehicle, there.controller) == ("../b/moorhen.yaml", "../b/logic/my.py")
    assert (there.params, there.requirements_from) == ("../b/sets/my.yaml", "../b/rules.yaml")  # type: ignore[attr-defined]


def test_names_of_what_is_shipped_are_no_paths(tmp_path: Path) -> None:
    """A shipped controller and set keep their names wherever the scenario goes."""
    there = moved(case(params="reference_button"), tmp_path, tmp_path / "below")
    assert (there.controller, there.params) == ("reference", "reference_button")


def test_a_step_stands_on_one_line() -> None:
    """Rider and faults read like a script: a line for each step."""
    text = scenario_text(
        case(
            rider=[{"at_s": 0.1, "deadman": True, "lever_frac": 0.0}, {"at_s": 0.5, "kill_cord": False}],
            faults=[{"kind": "sensor_drift", "at_s": 0.2, "amount": -0.5}],
        )
    )
    assert "rider:\n  - {at_s: 0.1, lever_frac: 0.0, deadman: true}\n  - {at_s: 0.5, kill_cord: false}\n" in text
    assert "faults:\n  - {kind: sensor_drift, at_s: 0.2, amount: -0.5}\n" in text


def test_defaults_are_left_out() -> None:
    """What a reader would take for granted anyway is not written."""
    keys = [line.split(":")[0] for line in scenario_text(case(seed=1, control_hz=1000.0)).splitlines() if line]
    assert keys == ["name", "vehicle", "controller", "water", "attitude", "duration_s", "rider"]


def test_a_place_that_cannot_be_written_is_one_fault(tmp_path: Path) -> None:
    """A folder in the place of the file is bad input, and nothing is left behind."""
    with pytest.raises(InputError, match="a file to write"):
        write_scenario(case(), tmp_path, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_recording_is_found_from_another_folder(tmp_path: Path) -> None:
    """A scenario with noise as recorded, written elsewhere, finds the same recording, hash and all."""
    (tmp_path / "was.csv").write_text("t_us,hall_noise_v\n0,0.1\n1000,-0.1\n")
    entry = case(as_recorded={"hall_noise_v": str(tmp_path / "was.csv")})
    copy = tmp_path / "deep" / "copy.scenario.yaml"
    write_scenario(entry, copy, MOORHEN)
    assert "../was.csv" in copy.read_text()
    assert "hall_noise_v was.csv" in judge_case(load_case(copy)).inputs()
