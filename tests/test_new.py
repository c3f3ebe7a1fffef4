"""``drydive new`` writes a starter that works, whole or not at all; its controller keeps what it says."""

from __future__ import annotations

import fnmatch
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml
from controller_runs import (
    CORD_IN,
    CORD_OUT,
    PULL,
    RELEASE,
    RIDE,
    Int32,
    any_inputs,
    check_32_bits,
    drive,
    driven_unstarted,
    driven_while,
    run,
    scripts,
    stepped_under_drive,
    ticks,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import sim
from controllers import blocks
from controllers.board import Inputs
from sim.base.compile import compiled
from sim.base.errors import InputError
from sim.bench.control import load_controller
from sim.bench.vehicle import load_vehicle
from sim.face.cli import main
from sim.jobs import new as job
from sim.jobs.case import judge_case, load_case, overall
from sim.jobs.tune.knobs import knobs_of
from sim.starter import controller as starter

ROOT = Path(__file__).parents[1]
STARTER = ROOT / "sim" / "starter"
SCENARIOS = sorted((STARTER / "scenarios").glob("*.scenario.yaml"))
FILES = ("vehicle.yaml", "controller.yaml", "days.yaml", "limits.yaml")


def text_of(name: str) -> str:
    return (STARTER / name).read_text(encoding="utf-8")


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, by its path."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


# Writing it.


def test_it_writes_every_file_of_the_starter(tmp_path):
    """The folder holds what the package holds, byte for byte, but for what makes it a part of the package."""
    assert main(["new", str(tmp_path / "a" / "sled"), "--quiet"]) == 0
    kept = {name: data for name, data in contents(STARTER).items() if name[:2] != "__" and "/__" not in name}
    assert contents(tmp_path / "a" / "sled") == kept


def test_an_empty_folder_is_filled_where_it_is(tmp_path, monkeypatch):
    """Someone who stands in an empty folder gets the project there, and still stands in it."""
    monkeypatch.chdir(tmp_path)
    before = tmp_path.stat().st_ino
    assert main(["new", ".", "--quiet"]) == 0
    assert (tmp_path.stat().st_ino, Path("vehicle.yaml").is_file()) == (before, True)


def test_a_link_to_an_empty_folder_stays_a_link(tmp_path):
    """What the link leads to is filled."""
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    assert main(["new", str(tmp_path / "link"), "--quiet"]) == 0
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real" / "vehicle.yaml").is_file()


def test_a_name_as_long_as_names_may_be_will_do(tmp_path):
    """255 bytes are what most file systems take (NAME_MAX of Linux); nothing longer is needed beside it."""
    assert main(["new", str(tmp_path / ("s" * 255)), "--quiet"]) == 0


@pytest.mark.parametrize("name", ["full", "file", "file/under", "nul\0"])
def test_a_place_that_is_taken_is_refused_in_one_line(tmp_path, capsys, name):
    """A folder with something in it, a file, or no place at all: exit code 2, one line, and nothing changed."""
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / ".mine").write_text("mine")
    (tmp_path / "file").write_text("mine")
    assert main(["new", str(tmp_path / name)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert re.search(r": expected a .*; got ", line)
    assert contents(tmp_path) == {"full/.mine": b"mine", "file": b"mine"}


@pytest.mark.parametrize("there", [False, True], ids=["new", "empty"])
def test_a_failure_under_way_leaves_nothing(tmp_path, monkeypatch, there):
    """A disk that is full at the fifth file leaves the folder as it was, and nothing beside it."""
    if there:
        (tmp_path / "sled").mkdir()
    copied = []
    copy = shutil.copyfile

    def full(source: Path, target: Path) -> None:
        copied.append(target)
        if len(copied) == 5:
            raise OSError(28, "No space left on device")
        copy(source, target)

    monkeypatch.setattr(job.shutil, "copyfile", full)
    with pytest.raises(InputError, match="got no space left on device"):
        job.new(tmp_path / "sled")
    assert [str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*")] == (["sled"] if there else [])


def test_a_failure_of_the_last_move_leaves_an_empty_folder_empty(tmp_path, monkeypatch):
    """What had been moved into an empty folder already is taken out again."""
    (tmp_path / "sled").mkdir()
    move = Path.rename

    def fails(path: Path, target: Path) -> Path:
        if target.name == "scenarios" and target.parent.name == "sled":
            raise OSError(5, "Input/output error")
        return move(path, target)

    monkeypatch.setattr(Path, "rename", fails)
    with pytest.raises(InputError):
        job.new(tmp_path / "sled")
    assert [str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*")] == ["sled"]


def test_the_usual_permissions_hold(tmp_path):
    """The folder is as open as one that mkdir makes, though it was made in a private one."""
    os.mkdir(tmp_path / "plain")
    job.new(tmp_path / "sled")
    assert (tmp_path / "sled").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_the_json_lists_the_files(tmp_path, capsys):
    """On standard output there is the JSON alone."""
    assert main(["new", str(tmp_path / "sled"), "--json", "-"]) == 0
    assert set(json.loads(capsys.readouterr().out)["files"]) == set(contents(tmp_path / "sled"))


def test_out_is_refused(tmp_path, capsys):
    """A second way to say where would be ignored."""
    assert main(["new", str(tmp_path / "sled"), "--out", str(tmp_path / "other")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_the_package_takes_every_file_along():
    """Each file of the starter fits a pattern of the package's data, which do not reach into folders by themselves."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["package-data"]
    patterns = [pattern.split("/") for pattern in data["sim.starter"]]

    def fits(path: Any) -> bool:
        return any(
            len(path.parts) == len(pattern)
            # A glob's star takes no leading dot.
            and all(
                fnmatch.fnmatch(part, glob) and (part[0] != "." or glob[0] == ".")
                for part, glob in zip(path.parts, pattern, strict=True)
            )
            for pattern in patterns
        )

    assert [path for path in job.starter_files() if not fits(path)] == []


# What is in it.


def test_the_readme_names_every_file():
    """Its table has each file, or the folder that the file is in."""
    named = set(re.findall(r"`([^`]+)`", text_of("README.md")))
    bare = [path for path in job.starter_files() if not {str(path), f"{path.parts[0]}/"} & named]
    assert [str(path) for path in bare if str(path) != "README.md"] == []


@pytest.mark.parametrize("name", ["vehicle.yaml", "controller.yaml", "days.yaml", "README.md"])
def test_it_says_that_it_is_invented(name):
    """Nobody takes the numbers for measured ones."""
    assert "invented" in text_of(name).lower()


def test_the_vehicle_says_where_each_number_is_found():
    """Each number of the vehicle has a comment with one of the places that the top of the file explains."""
    places = "data sheet|ruler|scale|bench|water|drawing|count them|printed|likewise|nobody"
    lines = [line for line in text_of("vehicle.yaml").splitlines() if re.match(r"\s*\w+: [^#]*\d", line)]
    assert len(lines) > 100
    assert [line for line in lines if not re.search(rf"#.*({places})", line)] == []


@pytest.mark.parametrize("name", ["controller.yaml", "days.yaml"])
def test_every_line_of_the_small_files_has_its_comment(name):
    """Each key, or its list's only item, is explained."""
    lines = [line for line in text_of(name).splitlines() if line and not line.startswith("#")]
    assert [line for line in lines if "  # " not in line and not line.endswith(":")] == []


def test_what_is_least_known_has_a_tolerance():
    """The numbers that no builder knows exactly are bands: gap, winding, cell resistance, drag."""
    vehicle = load_vehicle(STARTER / "vehicle.yaml")
    uncertain = (
        vehicle.throttle.gap_m,
        vehicle.motor.winding_ohm,
        vehicle.pack.cell.r0_ohm,
        vehicle.hull.towed.drag_kg_m,
    )
    assert all(each.low < each < each.high for each in uncertain)


def test_the_trace_is_small():
    """The recording is no more than a page of a logger's output."""
    assert (STARTER / "traces" / "pool_afternoon.csv").stat().st_size < 20_000


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.name)
def test_a_scenario_is_named_as_its_sentence(path):
    """The file's name is the scenario's, behind its number."""
    name = yaml.safe_load(path.read_text(encoding="utf-8"))["name"]
    words = re.sub(r"[^a-z0-9]+", "_", name)
    assert path.name == f"{path.name[:3]}{words}.scenario.yaml"


def test_the_scenarios_show_both_ways_to_take_standard_requirements():
    """One takes all of the catalogue, others some by name."""
    taken = [yaml.safe_load(path.read_text(encoding="utf-8")).get("standard") for path in SCENARIOS]
    assert 8 <= len(SCENARIOS) <= 12
    assert "all" in taken
    assert any(isinstance(each, dict) and "take" in each for each in taken)


def test_the_pin_is_this_version():
    """CI installs the version whose baseline the starter brings."""
    assert f"drydive=={sim.__version__}" in text_of("requirements.txt").splitlines()


@pytest.mark.parametrize(
    ("name", "steps"),
    [
        (".github/workflows/check.yml", lambda file: [each.get("run") for each in file["jobs"]["dive"]["steps"]]),
        (".gitlab-ci.yml", lambda file: file["dive"]["script"]),
    ],
)
def test_ci_runs_what_the_page_on_checking_says(name, steps):
    """Both files install the requirements and run the check with baseline and JUnit report."""
    said = steps(yaml.safe_load(text_of(name)))[-2:]
    assert said == [
        "pip install -r requirements.txt",
        "drydive check scenarios --baseline baseline.json --junit report.xml",
    ]


# It works as it stands.


@pytest.fixture(scope="module")
def sled(tmp_path_factory):
    folder = tmp_path_factory.mktemp("new") / "sled"
    job.new(folder)
    return folder


def test_it_passes_its_own_check(sled, capsys):
    """All scenarios pass, and behave as the baseline has it (else `drydive check ... --update` in sim/starter)."""
    assert main(["check", str(sled / "scenarios"), "--baseline", str(sled / "baseline.json")]) == 0
    printed = capsys.readouterr().out
    assert f"PASS  {len(SCENARIOS)} scenarios  all pass" in printed
    assert "no change of behaviour" in printed


def test_plain_pytest_passes(tmp_path):
    """Plain pytest finds a test in each scenario, and they pass with warnings as errors."""
    job.new(tmp_path / "sled")
    command = [sys.executable, "-m", "pytest", "sled", "-W", "error"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, f"{len(SCENARIOS)} passed" in done.stdout) == (0, True), done.stdout


def test_its_trace_is_replayed(sled, capsys):
    """Each of the five standing requirements finds its occasion in the recording, and passes."""
    given = ["--controller", str(sled / "controller.py"), "--vehicle", str(sled / "vehicle.yaml"), "--json", "-"]
    assert main(["replay", str(sled / "traces" / "pool_afternoon.csv"), *given]) == 0
    result = json.loads(capsys.readouterr().out)
    assert [entry["verdict"] for entry in result["requirements"]] == ["pass"] * 5


@pytest.mark.parametrize("sheet", ["power", "lever", "contacts"])
def test_its_sheets_are_drawn(sled, capsys, sheet):
    """Every sheet takes the vehicle."""
    assert main(["sheet", sheet, str(sled / "vehicle.yaml")]) == 0
    assert f"{sheet} sheet  My vehicle" in capsys.readouterr().out


def test_no_step_of_it_is_cut(sled, capsys):
    """By the power sheet nothing acts at any of its power steps, in water as in air."""
    given = ["--controller", str(sled / "controller.py"), "--json", "-"]
    assert main(["sheet", "power", str(sled / "vehicle.yaml"), *given]) == 0
    assert not any(finding["bad"] for finding in json.loads(capsys.readouterr().out)["findings"])


def test_tune_finds_its_knobs():
    """Its parameters go by the names that tune looks for: both ramps, three caps, the bus."""
    knobs = knobs_of(load_controller(str(STARTER / "controller.py"), 1000))
    assert knobs.names == (
        *("ramp_up_ms", "ramp_down_ms", "cap_1_permille", "cap_2_permille", "cap_3_permille"),
        *("bus_foldback_mv", "bus_floor_mv"),
    )


SLIPS = {
    "01": ("state.drive, target_permille, params.ramp_up_ms", "state.drive, target_permille, 50"),
    "02": ("    if lever.lever_permille > 0:\n        return WAITING\n", ""),
    "03": ("        return DRIVE if deadman == 1 else STOPPING", "        return DRIVE"),
    "04": ("    if mode == KILLED:\n        return ARMING", "    if mode == KILLED:\n        return DRIVE"),
    "05": ("    if throttle.latch.fault != 0:", "    if throttle.latch.fault < 0:"),
    "06": ("params.window_low_counts, params.window_high_counts", "params.window_low_counts, 4095"),
    "07": ("        sample = SAMPLE_FROZEN", "        sample = sample"),
    "08": ("    if mode == READY:\n        line", "    if mode != KILLED:\n        line"),
    "09": ("rules, tick_us)\n", "rules, tick_us)\n    clicks = clicks._replace(done=3 * button.level)\n"),
    "10": ("        room_mv = blocks", "        room_mv = 9000 + blocks"),
    "11": ("        power_step=1,\n", "        power_step=2,\n"),
    "12": ("    elif lost_us >=", "    elif lost_us < 0 and lost_us >="),
}
"""A slip in the controller for each scenario, by the scenario's number."""


@pytest.mark.parametrize("number", SLIPS)
def test_each_scenario_catches_a_slip(tmp_path, number):
    """A controller with one line wrong fails the scenario that is there for it."""
    shutil.copytree(STARTER, tmp_path / "sled")
    file = tmp_path / "sled" / "controller.py"
    text = file.read_text(encoding="utf-8")
    right, wrong = SLIPS[number]
    assert text.count(right) == 1
    file.write_text(text.replace(right, wrong), encoding="utf-8")
    (path,) = (tmp_path / "sled" / "scenarios").glob(f"{number}_*")
    assert overall(judge_case(load_case(path)).verdicts) == "fail"


# The controller.


def params(tick_us: int = 1000, **changes: int) -> Any:
    """The starter's parameters, with changes; they must hold together."""
    made = starter.Params(**{**yaml.safe_load(text_of("controller.yaml")), "tick_us": tick_us, **changes})
    assert starter.faults(made) == []
    return made


def test_the_file_lists_every_parameter_but_the_tick():
    """The file has each parameter once, in order, inside its limits; and each has limits."""
    values = yaml.safe_load(text_of("controller.yaml"))
    assert list(values) == [key for key in starter.Params._fields if key != "tick_us"]
    assert all(starter.LIMITS[key][0] <= value <= starter.LIMITS[key][1] for key, value in values.items())
    assert set(starter.LIMITS) == set(starter.Params._fields)


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"window_low_counts": 950}, "window_low_counts"),
        ({"rest_counts": 3090}, "rest_counts"),
        ({"full_counts": 3800}, "full_counts"),
        ({"bus_floor_mv": 33_500}, "bus_floor_mv"),
        ({"pulse_full_us": 1000}, "pulse_stop_us"),
        ({"deadman_press_ms": 35}, "deadman_press_ms"),
        ({"lever_rest_ms": 50}, "lever_rest_ms"),
        ({"sensor_frozen_ms": 29}, "sensor_frozen_ms"),
    ],
)
def test_a_broken_relation_is_one_fault_of_its_key(changes, key):
    """Each relation between parameters is checked, and its fault says what was got."""
    broken = params()._replace(**changes)
    ((named, _, got),) = starter.faults(broken)
    assert (named, got) == (key, str(getattr(broken, key)))


# Short times, so that random scripts get far; the ratios stay.
QUICK = {
    "esc_arm_ms": 40,
    "lever_filter_us": 2000,
    "lever_rest_ms": 40,
    "deadman_press_ms": 50,
    "deadman_release_ms": 10,
    "kill_back_ms": 20,
    "sensor_fault_ms": 50,
    "ramp_up_ms": 200,
    "ramp_down_ms": 100,
    "thruster_lost_ms": 60,
    "button_ms": 10,
}


def sessions(test):
    """Give the test a random session: its parameters and every tick of it."""

    @given(scripts, st.sampled_from([3333, 5000, 10_000]))
    @settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    def runs(script, tick_us):
        at = params(tick_us, **QUICK)
        test(at, run(starter, at, ticks(at, *script)))

    runs.__name__ = test.__name__
    runs.__doc__ = test.__doc__
    return runs


def whole_ticks(at, latency_ms):
    return latency_ms * 1000 // at.tick_us


@sessions
def test_no_drive_beyond_the_dead_mans_latency(at, seen):
    """With the dead-man reading released for its latency the pulses are stop pulses."""
    allowed = whole_ticks(at, starter.deadman_latency_ms(at))
    assert driven_while(seen, allowed, lambda inputs: inputs.deadman == 0) == []


@sessions
def test_no_drive_beyond_the_kill_cords_latency(at, seen):
    """With the cord reading out for its latency the pulses are stop pulses."""
    allowed = whole_ticks(at, starter.kill_latency_ms(at))
    assert driven_while(seen, allowed, lambda inputs: inputs.kill_cord == 0) == []


@sessions
def test_no_drive_beyond_the_sensors_latency(at, seen):
    """With the throttle reading outside its window for its latency the pulses are stop pulses."""
    allowed = whole_ticks(at, starter.sensor_latency_ms(at))
    assert driven_while(seen, allowed, lambda inputs: not 300 <= inputs.hall_counts <= 3800) == []


@sessions
def test_no_drive_without_the_start(at, seen):
    """After a reset, and after the cord was out, drive comes only with the delay and the whole start."""
    out = -(-at.kill_out_ms * 1000 // at.tick_us)
    unstarted = driven_unstarted(seen, whole_ticks(at, starter.start_delay_ms(at)), out)
    assert unstarted == []


@sessions
def test_the_step_never_rises_under_drive(at, seen):
    """The step rises only at stop pulses before and after."""
    assert [tick for tick in stepped_under_drive(seen) if drive(tick) > 0] == []


@sessions
def test_every_output_is_in_its_range(at, seen):
    """Pulses from stop to full and alike; steps, lever, modes and reasons that there are; no stop without one."""
    for _, _, command in seen:
        assert 1000 <= command.left_pulse_us == command.right_pulse_us <= 2000
        assert 1 <= command.power_step <= 3
        assert command.display in (0, command.power_step)
        assert 0 <= command.lever_permille <= 1000
        assert command.mode in starter.MODES
        assert command.reason in starter.REASONS
        assert command.mode == starter.DRIVE or command.reason != starter.NONE


def test_random_sessions_reach_every_mode():
    """What the random sessions above say is said of all modes: one example of each part visits them."""
    at = params(1000, **QUICK)
    script = [*RIDE, (150, RELEASE), *RIDE, (200, {"hall_counts": 0}), *RIDE, (50, CORD_OUT), (100, CORD_IN)]
    assert {tick.command.mode for tick in run(starter, at, ticks(at, *script))} == set(starter.MODES)


def test_a_bus_at_its_floor_ends_the_drive():
    """A bus that stays at the floor is a stop with its reason, and gives no drive back under the pulled lever."""
    at = params(1000, **QUICK)
    low, high = {"bus_mv": at.bus_floor_mv}, {"bus_mv": 40_000}
    seen = run(starter, at, ticks(at, *RIDE, (600, PULL), (400, low), (600, high)))
    assert drive(seen[-1001]) > 0
    assert {(drive(tick), tick.command.reason) for tick in seen[-600:]} == {(0, starter.BUS_GONE)}


def any_params(rng: random.Random) -> Any:
    """Parameters at random ends of their ranges, as far as they still hold together."""
    made = params()
    for key in rng.sample(sorted(starter.LIMITS), len(starter.LIMITS)):
        changed = made._replace(**{key: rng.choice([*starter.LIMITS[key], getattr(made, key)])})
        if not starter.faults(changed):
            made = changed
    return made


def test_compiled_step_equals_the_plain_one():
    """On random parameters and inputs, extremes included, numba's step gives the same bits."""
    rng = random.Random(4)
    fast = compiled(starter.step)
    for _ in range(8):
        at = any_params(rng)
        plain = quick = starter.initial(at)
        for inputs in any_inputs(rng, 60):
            plain, command = starter.step(at, plain, inputs)
            quick, quick_command = fast(at, quick, inputs)
            assert (plain, command) == (quick, quick_command)


def test_every_intermediate_fits_32_bits(monkeypatch):
    """No sum, product or shift leaves 32 bits, and none divides or shifts a negative number."""
    check_32_bits(monkeypatch, blocks, starter)
    rng = random.Random(5)
    for _ in range(40):
        at = starter.Params(*(Int32(value) for value in any_params(rng)))
        state = starter.initial(at)
        for inputs in any_inputs(rng, 40):
            state, _ = starter.step(at, state, Inputs(*(Int32(value) for value in inputs)))
