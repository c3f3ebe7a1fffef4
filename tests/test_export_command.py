"""`drydive export`: what it writes, what it says, and what it refuses."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

import sim
from sim.base.caution import CAUTION
from sim.bench.control import load_controller
from sim.chip import size
from sim.chip.building import compilers
from sim.chip.translate import translate
from sim.face.cli import main
from sim.jobs import export_runs

MOORHEN = Path(sim.__file__).parent / "moorhen"

FILES = ["throttle.h", "throttle.c", "throttle_params.h", "main_example.c", "throttle_vectors.h", "throttle_test.c"]
CORES = ["Arm Cortex-M0+", "Arm Cortex-M4", "RISC-V RV32IMAC"]

OWN = """
from typing import NamedTuple
from controllers.board import Command, Inputs
class Params(NamedTuple):
    tick_us: int
class State(NamedTuple):
    count: int
def initial(params: Params) -> State:
    return State(count=0)
def deadman_latency_ms(params: Params) -> int:
    return 250
def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    lever = min(max(inputs.hall_counts, 0), 500)
    LINE
    return State(count=min(state.count + 1, 9)), Command(1000 + lever, 1000, 1, 1, 0, 0, lever)
"""


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small controller in the current folder; one second of a ride stands for the runs that become vectors."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "runs").mkdir()
    text = next(MOORHEN.glob("1_*.scenario.yaml")).read_text(encoding="utf-8")
    for old, new in (("duration_s: 27", "duration_s: 1"), (" moorhen.yaml", f" {MOORHEN / 'moorhen.yaml'}")):
        text = text.replace(old, new)
    short = re.sub(r"rider:.*", "rider: [{at_s: 0.0, deadman: false}]\n", text, flags=re.DOTALL)
    (tmp_path / "runs" / "1.scenario.yaml").write_text(short)
    monkeypatch.setattr(export_runs, "MOORHEN", tmp_path / "runs")
    path = tmp_path / "own.py"
    path.write_text(OWN.replace("LINE", "pass"))
    return path


def test_it_writes_the_files_and_says_what_is_proved(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every file, the range of every field of the command (worked out by hand), each core's sizes, the caution."""
    assert main(["export", "own.py", "--out", "fw", "--ticks-max", "50"]) == 0
    assert sorted(path.name for path in Path("fw").iterdir()) == sorted(FILES)
    said = capsys.readouterr().out
    for low, high, name in ((1000, 1500, "left_pulse_us"), (1000, 1000, "right_pulse_us"), (0, 500, "lever_permille")):
        assert re.search(rf"^  {name} +{low}  to +{high}$", said, re.MULTILINE)
    for core in CORES:
        assert re.search(rf"^  {re.escape(core)} +\d+ +4 +0 +\d+ +\d+  \S+-gcc [\d.]+ *$", said, re.MULTILINE)
    assert all(f"fw/{name}" in said for name in FILES)
    assert CAUTION.split(":")[0] in said


def test_json_has_the_same(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """On standard output there is JSON alone: ranges, sizes, files, and what it is of."""
    assert main(["export", "own.py", "--out", "fw", "--ticks-max", "50", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["ranges"]["left_pulse_us"] == [1000, 1500]
    assert [each["target"] for each in document["sizes"]] == CORES
    assert {each["state_bytes"] for each in document["sizes"]} == {4}
    assert [Path(path).name for path in document["files"]] == FILES
    assert document["fingerprint"] == load_controller("own.py", 1000).fingerprint()
    assert (document["controller"], document["tick_us"]) == ("own", 1000)
    assert document["origin"][-1] == "check: none was given"


def test_the_control_rate_is_the_tick(own: Path) -> None:
    """400 Hz are 2500 us, a constant of the C."""
    assert main(["export", "own.py", "--out", "fw", "--control-hz", "400", "--ticks-max", "50", "--quiet"]) == 0
    assert "#define THROTTLE_TICK_US INT32_C(2500)" in Path("fw/throttle_params.h").read_text()


def test_a_time_it_states_goes_with_it(own: Path) -> None:
    """The header defines it, and the C on the bench states it again."""
    assert main(["export", "own.py", "--out", "fw", "--ticks-max", "50", "--quiet"]) == 0
    assert "#define THROTTLE_DEADMAN_LATENCY_MS INT32_C(250)" in Path("fw/throttle.h").read_text()
    assert load_controller("fw/throttle.c", 1000).stated_s() == load_controller("own.py", 1000).stated_s()


def test_the_test_program_runs(own: Path) -> None:
    """What is written compiles without Python and passes its own vectors, no run of more ticks than asked for."""
    assert main(["export", "own.py", "--out", "fw", "--ticks-max", "50", "--quiet"]) == 0
    words = [compilers()[0], "-std=c99", "-Wall", "-Wextra", "-Werror", "throttle.c", "throttle_test.c", "-o", "test"]
    subprocess.run(words, cwd="fw", check=True)
    done = subprocess.run(["./test"], cwd="fw", capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert set(re.findall(r"(\d+) ticks$", done.stdout, re.MULTILINE)) == {"50"}


def test_a_shipped_controller_with_its_check(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A parameter set by its name, and the JSON of a check of this very controller."""
    print_of = load_controller("first_draft", 1000).fingerprint()
    check = {"scenarios": [{"path": "a", "verdict": "pass", "inputs": {"controller first_draft": print_of}}]}
    Path("c.json").write_text(json.dumps(check))
    words = ["export", "first_draft", "--params", "first_draft", "--out", "fw", "--ticks-max", "20"]
    assert main([*words, "--check", "c.json"]) == 0
    assert re.search(r"check: c\.json, SHA-256 \w{12}, 1 of 1 scenarios passed", capsys.readouterr().out)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            "while lever > 3: lever = 0",
            r"own\.py:14:5: while: expected a loop over range\(\) of a fixed length; got while",
        ),
        (
            "lever = min(inputs.hall_counts + 1, 5)",
            r"own\.py:14:17: .*: expected a value inside 32 bits .*; got range ",
        ),
        ("lever = lever / 2", r"own\.py:14:13: .*expected "),
    ],
)
def test_what_is_refused_is_told_with_its_line(
    own: Path, capsys: pytest.CaptureFixture[str], line: str, said: str
) -> None:
    """Exit code 2, one line for each fault, and nothing is written."""
    own.write_text(OWN.replace("LINE", line))
    assert main(["export", "own.py", "--out", "fw"]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert re.match(said, told.removeprefix(f"{own.parent}/"))
    assert not Path("fw").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["own.py"], "drydive export: --out: expected DIR with it, a folder for the files; got none"),
        (["refer", "--out", "fw"], "drydive export: CONTROLLER: expected a path ending in .py"),
        (["none.py", "--out", "fw"], "none.py: expected a controller file; got no such file"),
        (["own.py", "--out", "fw", "--params", "no"], "drydive export: --params: expected a path ending in .yaml"),
        (
            ["own.py", "--out", "fw", "--check", "no.json"],
            "no.json: expected the JSON of drydive check; got no such file",
        ),
        (
            ["own.py", "--out", "fw", "--ticks-max", "0"],
            "drydive export: argument --ticks-max: expected ticks from 1 to",
        ),
        (
            ["own.py", "--out", "fw", "--control-hz", "1"],
            "drydive export: argument --control-hz: expected hertz from 50",
        ),
        (["own.py", "--out", "own.py"], "own.py: expected a folder to write; got a file"),
    ],
)
def test_bad_usage_is_one_line(own: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    """Exit code 2 and one clear line."""
    try:
        code = main(["export", *words])
    except SystemExit as error:
        code = int(str(error.code))
    assert code == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert told.startswith(said)
    assert not Path("fw").exists()


def test_c_is_no_source_of_an_export(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is C already."""
    assert main(["export", "own.py", "--out", "fw", "--ticks-max", "50", "--quiet"]) == 0
    assert main(["export", "fw/throttle.c", "--out", "again"]) == 2
    expected = "drydive export: CONTROLLER: expected a controller in Python; got throttle.c, which is C\n"
    assert capsys.readouterr().err == expected


def test_a_missing_cross_compiler_is_one_line(
    own: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sizes need Debian's packages; without them everything else is done, and the line names them."""
    monkeypatch.setattr(size.shutil, "which", lambda name: None if "gcc" in name and "-" in name else name)
    assert main(["export", "own.py", "--out", "fw", "--ticks-max", "50"]) == 0
    said = capsys.readouterr().out
    assert "not measured without Debian's gcc-arm-none-eabi and gcc-riscv64-unknown-elf" in said
    assert "Cortex" not in said


def test_the_ranges_are_those_of_the_proof() -> None:
    """The command prints what the translation has proved, field by field, for a shipped controller too."""
    made = load_controller("first_draft", 1000)
    found = translate(made.initial, made.step.bare, made.params).proof.command  # type: ignore[attr-defined]
    assert [(each.low, each.high) for each in found][:2] == [(1000, 2000), (1000, 2000)]
