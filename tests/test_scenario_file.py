"""Scenario files: what is said of bad ones, and what a good one names and means."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest
from file_cases import LINES, MOORHEN, faults, scenario

from sim.bench.control import load_controller
from sim.bench.scenario import AMOUNTS, FaultKind
from sim.bench.tapes import water_of
from sim.bench.vehicle import load_vehicle
from sim.jobs.case import load_case, load_requirements

BAD = Path(__file__).parent / "data" / "bad_yaml"
# The first part of a file's name tells what it is read as.
READERS: dict[str, Callable[[Path], Any]] = {
    "scenario": load_case,
    "vehicle": load_vehicle,
    "requirements": load_requirements,
    "params": lambda path: load_controller("first_draft", 1000, str(path)),
}


def said(tmp_path: Path, **lines: str | None) -> list[str]:
    """What is said of the good scenario with these lines."""
    path = scenario(tmp_path, **lines)
    return faults(lambda: load_case(path), tmp_path)


@pytest.mark.parametrize("path", sorted(BAD.glob("*.yaml")), ids=lambda path: path.stem)
def test_a_bad_file_is_answered_as_written_beside_it(path: Path) -> None:
    """Each bad file gets exactly the lines of its `.expected` file: every fault at once, with its place."""
    lines = faults(lambda: READERS[path.name.partition("_")[0]](path), path.parent)
    # Which keys there are changes as the files grow; that they are said does not.
    lines = [re.sub(r"one of the keys \w+(, \w+)*", "one of the keys ...", line) for line in lines]
    assert lines == path.with_suffix(".expected").read_text(encoding="utf-8").splitlines()


def test_the_good_scenario_is_read(tmp_path: Path) -> None:
    """The scenario that the other tests change is right as it stands."""
    case = load_case(scenario(tmp_path))
    assert (case.bench.scenario.duration_us, case.bench.scenario.tick_us) == (500_000, 1000)


@pytest.mark.parametrize("key", [key for key in LINES if key != "name"])
def test_every_needed_key_is_asked_for(tmp_path: Path, key: str) -> None:
    """A needed key left out is one fault at the start of the file."""
    (line,) = said(tmp_path, **{key: None})
    assert line.startswith(f"s.yaml:1:1: {key}: expected this key, with ")


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (
            {"water": "{kind: given}"},
            "4:8: water.conductivity_s_m: expected this key, with kind given; got no such key",
        ),
        (
            {"water": "{kind: given, conductivity_s_m: 1}"},
            "4:8: water.density_kg_m3: expected this key, with kind given; got no such key",
        ),
        (
            {"water": "{kind: lake, conductivity_s_m: 1}"},
            "4:39: water.conductivity_s_m: expected no such key with kind lake, only with given; got 1",
        ),
        (
            {"water": "{kind: sea, temperature_degc: 36}"},
            "4:38: water.temperature_degc: expected a number in degrees Celsius, -2 to 35 in sea; got 36",
        ),
        (
            {"water": "{kind: pool, temperature_degc: -1}"},
            "4:39: water.temperature_degc: expected a number in degrees Celsius, 0 to 40 in pool; got -1",
        ),
        (
            {"water": "{kind: given, conductivity_s_m: -1, density_kg_m3: 1000}"},
            "4:40: water.conductivity_s_m: expected a number in siemens per metre, at least 0; got '-1'",
        ),
        ({"water": "pool"}, "4:8: water: expected a mapping of keys; got 'pool'"),
        ({"attitude": "towed"}, "5:11: attitude: expected held in air; got towed"),
        ({"duration_s": "0"}, "6:13: duration_s: expected a number in seconds, more than 0; got '0'"),
        ({"duration_s": "3601"}, "6:13: duration_s: expected a number in seconds, at most 3600; got '3601'"),
        ({"duration_s": "half"}, "6:13: duration_s: expected a number in seconds; got 'half'"),
        (
            {"rider": "[{at_s: 1, deadman: }]"},
            "7:9: rider[0]: expected at least one of lever_frac, deadman, mode_button,",
        ),
        (
            {"rider": "[{at_s: 1, deadman: on}, {at_s: 0.5, deadman: off}]"},
            "7:40: rider[1].at_s: expected no earlier than the one before, at 1 s; got 0.5",
        ),
        ({"control_hz": "20"}, "8:13: control_hz: expected a number in hertz, at least 50; got '20'"),
        (
            {"control_hz": "60"},
            "8:13: control_hz: expected a control tick of 250 to 10000 us with this controller; got 16667 us",
        ),
        ({"seed": "1.5"}, "8:7: seed: expected a whole number; got '1.5'"),
        ({"pack": ""}, "8:6: pack: expected a mapping of keys; got nothing"),
        (
            {"faults": "[{kind: sensor_open, at_s: 0.5}]"},
            "8:36: faults[0].at_s: expected a number in seconds, at most 0.499, the run's last control tick; got 0.5",
        ),
        (
            {"faults": "[{kind: sensor_noise, at_s: 0, amount: -1}]"},
            "8:48: faults[0].amount: expected a number in volts rms, at least 0; got -1",
        ),
        (
            {"faults": "[{kind: left_fouled, at_s: 0, amount: 0.5}]"},
            "8:47: faults[0].amount: expected a factor on the propeller's torque, at least 1; got 0.5",
        ),
        (
            {"faults": "[{kind: joint_corroded, at_s: 0, amount: inf}]"},
            "8:50: faults[0].amount: expected a number, finite; got 'inf'",
        ),
        (
            {"vehicle_set": "{esc.cutt_v: 1}"},
            "8:15: vehicle_set.esc.cutt_v: expected a number of the vehicle (did you mean esc.cut_v?)",
        ),
        ({"vehicle_set": "{pack.series: 1}"}, "8:15: vehicle_set.pack.series: expected a number of the vehicle"),
        ({"vehicle_set": "{esc.cut_v: high}"}, "8:26: vehicle_set.esc.cut_v: expected a number in volts; got 'high'"),
        (
            {"vehicle_set": "{esc.cut_v: nan}"},
            "8:26: vehicle_set.esc.cut_v: expected a number in volts, finite; got 'nan'",
        ),
        ({"vehicle_set": "[esc.cut_v]"}, "8:14: vehicle_set: expected a mapping of keys; got a list"),
        (
            {"params_set": "{cap_1_permile: 5}"},
            "8:14: params_set.cap_1_permile: expected one of the keys rest_counts, ",
        ),
        (
            {"params_set": "{cap_1_permille: 5000}"},
            "8:30: params_set.cap_1_permille: expected a whole number, 1 to 1000; got '5000'",
        ),
        (
            {"params_set": "{cap_1_permille: 1.5}"},
            "8:30: params_set.cap_1_permille: expected a whole number; got '1.5'",
        ),
        (
            {"params_set": "{rest_counts: 3600}"},
            "8:27: params_set.rest_counts: expected less than full_counts (3520); got 3600",
        ),
        ({"params": "referense"}, "8:9: params: expected a path ending in .yaml or one of first_draft, reference, "),
        (
            {"controller": "referense"},
            "3:13: controller: expected a path ending in .py or .c, or one of first_draft, reference (",
        ),
        (
            {"controller": "''"},
            "3:13: controller: expected a path ending in .py or .c, or one of first_draft, reference; got ''",
        ),
        (
            {"controller": "blocks"},
            "3:13: controller: expected a path ending in .py or .c, or one of first_draft, reference; got 'b",
        ),
        ({"requirements": "{}"}, "8:15: requirements: expected a list; got a mapping"),
        (
            {"requirements": "[always(bus_v > 1)]"},
            "8:16: requirements[0]: expected a mapping of keys; got 'always(bus_v > 1)'",
        ),
    ],
)
def test_a_fault_is_told_at_its_place(tmp_path: Path, lines: dict[str, str], expected: str) -> None:
    """One wrong thing is one line, with the line and column of what is wrong and what would be right."""
    (line,) = said(tmp_path, **lines)
    assert line.startswith(f"s.yaml:{expected}")


@pytest.mark.parametrize(
    ("key", "text"), [("esc.cut_v", "-1"), ("supply.brown_out_v", "6"), ("propeller.pitch_ratio", "9")]
)
def test_a_number_that_the_vehicle_does_not_take_is_told_in_the_scenario(tmp_path: Path, key: str, text: str) -> None:
    """A value in vehicle_set that breaks the vehicle is a fault of the scenario's line, not of the vehicle's file."""
    (line,) = said(tmp_path, vehicle_set=f"{{{key}: {text}}}")
    assert re.match(r"s\.yaml:8:\d+: vehicle_set", line)


@pytest.mark.parametrize("kind", get_args(FaultKind))
def test_an_amount_is_given_where_the_kind_needs_one_and_only_there(tmp_path: Path, kind: str) -> None:
    """A fault that needs an amount asks for it and says what it means; any other refuses one."""
    needed = AMOUNTS.get(kind)
    amount = "" if needed else ", amount: 1"
    (line,) = said(tmp_path, faults=f"[{{kind: {kind}, at_s: 0{amount}}}]")
    expected = f"this key with {kind}: {needed}" if needed else f"no amount with {kind}"
    assert f"faults[0].amount: expected {expected}; got " in line


def test_a_vehicle_and_a_controller_that_are_not_there_are_said_together(tmp_path: Path) -> None:
    """Faults of different files that a scenario names come at once."""
    assert said(tmp_path, vehicle="no.yaml", controller="no.py", requirements_from="none.yaml") == [
        "none.yaml: expected a requirements file; got no such file or directory",
        "no.yaml: expected a vehicle file; got no such file or directory",
        "no.py: expected a controller file; got no such file or directory",
    ]


@pytest.mark.parametrize("vehicle", [".", "''"])
def test_a_folder_is_no_vehicle(tmp_path: Path, vehicle: str) -> None:
    """A folder in the vehicle's place is one fault."""
    (line,) = said(tmp_path, vehicle=vehicle)
    assert line.endswith(": expected a vehicle file; got is a directory")


def test_paths_start_from_the_scenarios_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Vehicle, requirements and parameters are found beside the scenario, wherever the command is called."""
    folder = tmp_path / "below"
    folder.mkdir()
    for source, name in (
        (MOORHEN / "moorhen.yaml", "v.yaml"),
        (MOORHEN / "requirements.yaml", "r.yaml"),
        (MOORHEN.parents[1] / "controllers" / "first_draft.yaml", "p.yaml"),
    ):
        (folder / name).write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    path = scenario(folder, vehicle="v.yaml", controller="first_draft", params="p.yaml", requirements_from="r.yaml")
    monkeypatch.chdir(tmp_path)
    case = load_case(path.relative_to(tmp_path))
    assert case.bench.vehicle_path == Path("below/v.yaml")
    assert case.bench.controller.params_path == Path("below/p.yaml")
    assert len(case.requirements) == 8


def test_an_id_of_both_requirement_lists_is_told(tmp_path: Path) -> None:
    """An id stands once over the scenario's own requirements and those of the file it names."""
    own = "[{id: no-esc-cuts, says: again, formula: always(bus_v > 1)}]"
    assert said(tmp_path, requirements_from=str(MOORHEN / "requirements.yaml"), requirements=own) == [
        "s.yaml:9:21: requirements[0].id: expected an id that is not in requirements_from; got no-esc-cuts"
    ]


def test_an_id_of_the_file_and_of_the_catalogue_is_told(tmp_path: Path) -> None:
    """An id that a file and the catalogue both bring is one fault, where the file is named; left out, it is none."""
    wanted = str(MOORHEN / "requirements.yaml")
    expected = "expected no id that standard takes as well (standard.without leaves it out)"
    assert said(tmp_path, requirements_from=wanted, standard="{take: [no-creep, pack-current-below-trip]}") == [
        f"s.yaml:8:20: requirements_from: {expected}; got pack-current-below-trip"
    ]
    less = "{take: [no-creep, pack-current-below-trip], without: [pack-current-below-trip]}"
    case = load_case(scenario(tmp_path, requirements_from=wanted, standard=less))
    assert [requirement.id for requirement in case.requirements][-1] == "no-creep"


def test_a_wrong_signal_is_told_although_the_controller_is_missing(tmp_path: Path) -> None:
    """Requirements are looked at as far as the vehicle is known."""
    own = "[{id: a, says: b, formula: always(bus_vv > 1)}]"
    lines = said(tmp_path, requirements=own, params_set="{nope: 1}")
    assert any("params_set.nope" in line for line in lines)


def test_vehicle_set_sets_numbers_exactly(tmp_path: Path) -> None:
    """A number of vehicle_set replaces the file's value and its tolerance."""
    case = load_case(scenario(tmp_path, vehicle_set="{leads.length_m: 2.5}"))
    length = case.bench.vehicle.leads.length_m
    assert (length, length.low, length.high) == (2.5, 2.5, 2.5)


def test_params_set_sets_single_parameters(tmp_path: Path) -> None:
    """A parameter of params_set replaces that of the set."""
    case = load_case(scenario(tmp_path, params_set="{cap_1_permille: 123}"))
    assert case.bench.controller.params.cap_1_permille == 123


def test_given_water_is_taken_as_it_is_given(tmp_path: Path) -> None:
    """Water of kind given has the numbers of the file."""
    water = "{kind: given, conductivity_s_m: 3.5, density_kg_m3: 1010, temperature_degc: 45}"
    assert water_of(load_case(scenario(tmp_path, water=water)).bench.scenario) == (3.5, 1010.0, 45.0)


@pytest.mark.parametrize("key", ["rider", "faults", "requirements"])
def test_a_list_with_nothing_behind_its_key_is_empty(tmp_path: Path, key: str) -> None:
    """`rider:` alone is a rider who does nothing."""
    assert load_case(scenario(tmp_path, **{key: ""})).bench.scenario.rider == ()


def test_steps_may_share_a_moment(tmp_path: Path) -> None:
    """Two rider steps at one time are in order."""
    steps = "[{at_s: 0.1, deadman: true}, {at_s: 0.1, lever_frac: 1}]"
    assert len(load_case(scenario(tmp_path, rider=steps)).bench.scenario.rider) == 2


def test_a_script_may_be_written_once_and_used_twice(tmp_path: Path) -> None:
    """Anchors and aliases spare writing the same step again."""
    steps = "[&hold {at_s: 0.1, deadman: true}, *hold]"
    first, second = load_case(scenario(tmp_path, rider=steps)).bench.scenario.rider
    assert first == second


@pytest.mark.parametrize("path", sorted(MOORHEN.glob("*.scenario.yaml")), ids=lambda path: path.name)
def test_the_story_is_well_formed(path: Path) -> None:
    """Every scenario of the demo is read without a fault."""
    assert load_case(path).requirements
