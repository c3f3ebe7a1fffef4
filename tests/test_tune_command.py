"""`drydive tune` from the command line: exit codes, one line a fault, and that the files it leaves say the truth."""

from __future__ import annotations

import io
import json
import re
import tomllib
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, TypeAlias

import pytest
import yaml
from tune_cases import BUS_ALONE, filed

from sim.bench.control import load_controller
from sim.face.cli import main
from sim.jobs.case import judge_case, load_case
from sim.jobs.tune.drive import LIMITS
from sim.jobs.tune.knobs import KNOBS
from sim.jobs.tune.written import edited
from sim.moorhen import __file__ as moorhen

# A folder, the result, and what was printed.
Done: TypeAlias = tuple[Path, dict[str, Any], str]

DAY = """\
charge_frac: [0.5]
pack_degc: [25]
ages: [{name: new}]
water: [lake]
water_degc: [25]
attitudes: [held]
"""
# Of the reference's own set, one line as other people write it.
BASE = (Path(load_controller("reference", 1000).params_path or "")).read_text(encoding="utf-8")


def asked(folder: Path, *options: str, limits: str = BUS_ALONE, **numbers: Any) -> list[str]:
    """The command line for the vehicle with a closed form, on its one day."""
    (folder / "day.yaml").write_text(DAY, encoding="utf-8")
    (folder / "limits.yaml").write_text(limits, encoding="utf-8")
    (folder / "mine.yaml").write_text(BASE, encoding="utf-8")
    files = {"envelope": "day", "limits": "limits", "params": "mine"}
    named = [word for option, stem in files.items() for word in (f"--{option}", str(folder / f"{stem}.yaml"))]
    vehicle = str(filed(folder, **numbers))
    return ["tune", vehicle, *named, "--hold", "3", "--workers", "1", "--engine", "compiled", *options]


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """A tuning with all its files: their folder, the result, and what was printed."""
    folder = tmp_path_factory.mktemp("tune")
    out = folder / "out"
    printed = io.StringIO()
    with redirect_stdout(printed):
        code = main(asked(folder, "--out", str(out), "--json", str(out / "tune.json"), esc__cut_v=43.0))
    assert code == 0
    return out, json.loads((out / "tune.json").read_text(encoding="utf-8")), printed.getvalue()


def test_the_tuned_file_loads_as_what_was_found(done: Done) -> None:
    """Every value of the result is in the file, and every other is as filed."""
    out, result, _ = done
    found = load_controller("reference", 1000, str(out / "resistive.tuned.yaml")).params._asdict()
    before = load_controller("reference", 1000).params._asdict()
    assert found == before | {name: told["value"] for name, told in result["settings"].items()}
    assert any(told["value"] != told["before"] for told in result["settings"].values())


def test_the_tuned_file_keeps_every_other_character(done: Done) -> None:
    """Below the provenance stands the file that was tuned: its comments, its order, its blanks but for the digits."""
    out, result, _ = done
    text = (out / "resistive.tuned.yaml").read_text(encoding="utf-8")
    provenance, blank, body = text.partition("\n\n")
    assert blank
    assert all(line.startswith("#") for line in provenance.splitlines())
    lines = list(zip(body.splitlines(), BASE.splitlines(), strict=True))
    changed = {was.partition(":")[0]: now for now, was in lines if now != was}
    assert set(changed) == {name for name, told in result["settings"].items() if told["value"] != told["before"]}
    for name, now in changed.items():
        was = f"{name}: {result['settings'][name]['before']}"
        assert now.replace(f"{name}: {result['settings'][name]['value']}", was, 1) in BASE


def test_the_tuned_file_says_where_its_numbers_come_from(done: Done) -> None:
    """The hashes of vehicle and base file, version, seed, engine, the corners, and the caution once."""
    out, result, _ = done
    text = (out / "resistive.tuned.yaml").read_text(encoding="utf-8")
    for role, short in result["inputs"].items():
        assert role.startswith("envelope") or f"# {role} {short}" in text
    assert f"drydive {result['versions']['drydive']}, engine {result['engine']}, seed {result['seed']}" in text
    assert all(f"- {corner['name']}" in text for corner in result["corners"])
    assert text.count("replaces no hardware interlock") == 1


def test_a_steps_scenario_has_exactly_the_margin_that_is_stated(done: Done) -> None:
    """Run from the files alone, the nearest limit of each step has the margin of the result, to the last bit."""
    out, result, _ = done
    for step in result["steps"]:
        judged = judge_case(load_case(out / f"resistive.step_{step['step']}.scenario.yaml"))
        margins = {verdict.id: verdict.margin for verdict in judged.verdicts}
        assert margins[step["binding"]["limit"]] == step["binding"]["margin"]


def test_what_no_ramp_helps_is_said_with_what_does(done: Done) -> None:
    """The wished drive, the limit that it breaks, the day, and the changes that would do."""
    _, result, printed = done
    told = " ".join(printed.split())
    assert "No ramp helps: 92 % drive, with a ramp of 1.5 s, breaks a limit. bus-above-esc-cut fails at" in told
    assert f"a cap of {result['bears_permille'] / 10:g} %" in told
    assert "mOhm less in the leads" in told


def test_tables_are_no_wider_than_110(done: Done) -> None:
    """What is printed fits 110 columns, but for paths and the caution that every command ends with."""
    _, _, printed = done
    lines = [line.rstrip() for line in printed.split("written")[0].splitlines()]
    assert max(map(len, lines)) <= 110


def test_figures_and_map_are_written(done: Done) -> None:
    """Both figures as PNG and SVG, and the map's cells as CSV."""
    out, _, printed = done
    for name in ("map.svg", "map.png", "map.csv", "before_after.svg", "before_after.png"):
        path = out / f"resistive.{name}"
        assert path.stat().st_size > 1000
        assert str(path) in printed.replace("\n", "")


def test_json_on_standard_output_stands_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With `--json -` nothing else is printed there."""
    assert main(asked(tmp_path, "--json", "-", "--fix", "ramp_up_ms=900")) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["settings"]["ramp_up_ms"] == {"before": 1200, "value": 900, "fixed": True}


def test_quiet_prints_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--quiet is silent where nothing is wrong."""
    assert main(asked(tmp_path, "--quiet", "--fix", "ramp_up_ms=900")) == 0
    assert capsys.readouterr() == ("", "")


def test_a_controller_without_ramp_or_guard_is_given_caps_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a controller does not have is not looked for, and there is no map of it."""
    out = tmp_path / "out"
    options = asked(tmp_path, "--controller", "first_draft", "--params", "first_draft", "--out", str(out))
    assert main(options) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Without a ramp, the supply bears" in told
    assert "ramp_up_ms" not in told
    assert not list(out.glob("*.map.*"))
    assert load_controller("first_draft", 1000, str(out / "resistive.tuned.yaml")).params.cap_4_permille < 1000


def test_where_nothing_is_feasible_it_fails_and_says_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 1, the value that cannot be, what the supply bears instead, and no file."""
    out = tmp_path / "out"
    assert main(asked(tmp_path, "--fix", "cap_4_permille=990", "--out", str(out), esc__cut_v=43.0)) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "No drive was found: cap_4_permille is fixed at 990, and the supply bears" in told
    assert "would do" in told
    assert not out.exists()


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (("--fix", "cap_1_permile=3"), "drydive tune: --fix: expected one of ramp_up_ms"),
        (
            ("--fix", "cap_3_permille=500", "--fix", "cap_4_permille=300"),
            "drydive tune: --fix cap_3_permille: expected",
        ),
        (("--fix", "ramp_up_ms"), "drydive tune: argument --fix: expected NAME=VALUE; got 'ramp_up_ms'"),
        (("--name", "ramp_up=rise"), "drydive tune: --name ramp_up: expected a parameter of reference.py"),
        (("--name", "ramp=ramp_up_ms"), "drydive tune: --name: expected a knob of ramp_up, ramp_down"),
        (("--name", "caps=a", "--name", "caps=b"), "drydive tune: --name caps: expected each knob once; got b"),
        (
            ("--name", "caps=cap_4_permille"),
            "drydive tune: --name caps: expected what changes the drive of the step in",
        ),
        (
            ("--name", "ramp_up=esc_arm_ms"),
            "drydive tune: --name ramp_up: expected what changes the drive of the step in",
        ),
        (("--hold", "0.5"), "drydive tune: argument --hold: expected seconds from 1 to 120; got '0.5'"),
        (("--controller", "nobody"), "drydive tune: --controller: expected a path ending in .py or .c, or one of"),
        (("--envelope", "gone.yaml"), "gone.yaml: expected an envelope file; got no such file"),
    ],
)
def test_bad_usage_is_one_line_and_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], line: str
) -> None:
    """Whatever is wrong is said in a line, and nothing is run."""
    try:
        code = main(asked(tmp_path, *options))
    except SystemExit as error:
        code = int(str(error.code))
    out, told = capsys.readouterr()
    assert (code, out) == (2, "")
    assert told.startswith(line)
    assert len(told.splitlines()) == 1


@pytest.mark.parametrize(
    ("limits", "line"),
    [
        ("standard:\n  take: [bus-above-esc-kut]\n", "limits.yaml:2:10: standard.take[0]: expected an entry"),
        ("standard:\n  tak: []\n", "limits.yaml:2:3: standard.tak: expected one of the keys"),
        ("{}\n", "limits.yaml:1:1: requirements: expected at least one requirement, or standard; got none"),
        (
            "requirements:\n  - {id: a, says: A., formula: always(bus_v > nothing)}\n",
            "limits.yaml:2:47: requirements[0].formula: expected",
        ),
    ],
)
def test_bad_limits_say_their_line(tmp_path: Path, capsys: pytest.CaptureFixture[str], limits: str, line: str) -> None:
    """A fault of the limits file has its line and column."""
    assert main(asked(tmp_path, limits=limits)) == 2
    assert line in capsys.readouterr().err.replace(f"{tmp_path}/", "")


def test_values_are_changed_where_they_stand() -> None:
    """Comments, quotes, order and a flow mapping stay; a parameter that is not in the file is added at its end."""
    assert (
        edited("a: 1  # one\n# b: 2\nb:   0x2 # two\n", {"b": 7, "c": 9}) == "a: 1  # one\n# b: 2\nb:   7 # two\nc: 9\n"
    )
    assert edited("{a: 1, b: '2'}", {"b": 3}) == "{a: 1, b: 3}"
    assert yaml.safe_load(edited("a: 1", {"b": 2})) == {"a": 1, "b": 2}


def test_the_standard_limits_come_with_the_package() -> None:
    """Without --limits the requirements beside the code are taken; an installed package has them too."""
    root = Path(moorhen).parents[2]
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["tool"]["setuptools"]["package-data"]["sim.jobs.tune"] == ["*.yaml"]
    assert (root / "sim" / "jobs" / "tune" / "limits.yaml").is_file()


DOCS = (Path(__file__).parents[1] / "docs" / "tuning.md").read_text(encoding="utf-8")


def keys_in(value: Any) -> set[str]:
    """Every key of a result, but for those that a table of its own or another page tells."""
    if isinstance(value, list):
        return {key for part in value for key in keys_in(part)}
    if not isinstance(value, dict):
        return set()
    elsewhere = ("settings", "water", "pack", "vehicle_set", "versions", "inputs")
    return set(value) | {key for name, part in value.items() if name not in elsewhere for key in keys_in(part)}


def test_every_key_of_the_result_is_told(done: Done) -> None:
    """docs/tuning.md names each key of the JSON result."""
    _, result, _ = done
    assert [key for key in sorted(keys_in(result)) if f"`{key}`" not in DOCS] == []


def test_the_quoted_limits_are_those_of_the_package() -> None:
    """docs/tuning.md quotes the limits file as it is, but for its comments."""
    quoted = DOCS.split("```yaml\n")[1].split("```")[0]
    assert yaml.safe_load(quoted) == yaml.safe_load(LIMITS.read_text(encoding="utf-8"))


@pytest.mark.parametrize("knob", KNOBS)
def test_every_knob_is_told(knob: str) -> None:
    """docs/tuning.md names each knob that --name takes."""
    assert f"`{knob}`" in DOCS


def test_every_option_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """docs/tuning.md names each option of the command that is not every command's."""
    with pytest.raises(SystemExit):
        main(["tune", "--help"])
    options = set(re.findall(r"(?<![\w-])--[a-z-]+", capsys.readouterr().out)) - {"--help", "--json", "--quiet"}
    assert [option for option in sorted(options) if f"`{option}" not in DOCS and f"{option} " not in DOCS] == []
