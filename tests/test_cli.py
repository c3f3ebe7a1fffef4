"""The command line: exit codes, what is printed where, and no traceback whatever it is given."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import Call
from file_cases import MOORHEN, command, controller, scenario

from sim.face import drawing
from sim.jobs import demo
from sim.jobs.case import load_case

PASSES = "[{id: bus, says: It keeps up., formula: always(bus_v > 20)}]"
FAILS = "[{id: bus, says: It keeps up., formula: always(bus_v > 100)}]"


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    """A short recording."""
    path = tmp_path / "t.csv"
    rows = "".join(f"{n},{600 + n % 3},{int(n > 50)}\n" for n in range(300))
    path.write_text(f"t_ms,hall_counts,deadman\n{rows}", encoding="utf-8")
    return path


def shell(line: str, folder: Path) -> tuple[int, str]:
    """A line through a shell with the command as ``$D``: its exit code (of the first in a pipe) and all it printed."""
    environment = {**os.environ, "D": f"{sys.executable} -m sim.face.cli"}
    done = subprocess.run(
        ["bash", "-c", f"{line}; exit ${{PIPESTATUS[0]}}"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("requirements", "code", "word"), [(PASSES, 0, "PASS"), (FAILS, 1, "FAIL"), ("[]", 0, "UNDECIDED")]
)
def test_the_exit_code_tells_failures_alone(
    call: Call, tmp_path: Path, requirements: str, code: int, word: str
) -> None:
    """Pass is 0 and fail is 1; what was not decided has not failed and is 0. The verdict is the first word printed."""
    got, out, err = call("run", scenario(tmp_path, requirements=requirements))
    assert (got, out.split()[0], err) == (code, word, "")


def test_a_run_prints_verdict_requirements_and_events(call: Call, tmp_path: Path) -> None:
    """What is printed names each requirement with its margin and why, and each event with its time."""
    _, out, _ = call("run", scenario(tmp_path, requirements=FAILS))
    assert re.search(r"^fail +bus +-4\d\.\d+ V +bus_v fell to 5\d\.\d+ V at 0\.\d+ s", out, re.MULTILINE)
    assert re.search(r"^0\.149 s +chip starts its program", out, re.MULTILINE)


def test_text_with_brackets_is_printed_as_it_is(call: Call, tmp_path: Path) -> None:
    """A name that looks like markup is a name."""
    _, out, _ = call("run", scenario(tmp_path, name="'[red]a[/red] [/]'"))
    assert "[red]a[/red] [/]" in out


def test_quiet_prints_nothing(call: Call, tmp_path: Path, trace: Path) -> None:
    """With --quiet neither stream gets a letter, and the exit code is the same."""
    assert call("run", scenario(tmp_path, requirements=FAILS), "--quiet") == (1, "", "")
    assert call("replay", trace, "--quiet") == (0, "", "")


def test_quiet_still_tells_of_faults(call: Call, tmp_path: Path) -> None:
    """Bad input is told on standard error even then."""
    code, out, err = call("run", tmp_path / "none.yaml", "--quiet")
    assert (code, out) == (2, "")
    assert err.count("\n") == 1


def test_json_on_standard_output_is_all_there_is(call: Call, tmp_path: Path, trace: Path) -> None:
    """With --json - standard output is one JSON document, for a run and for a replay."""
    for arguments in (("run", scenario(tmp_path, requirements=PASSES)), ("replay", trace)):
        code, out, err = call(*arguments, "--json", "-")
        assert (code, err) == (0, "")
        assert json.loads(out)["verdict"] in ("pass", "undecided")


def test_what_a_controller_prints_does_not_get_into_the_json(call: Call, tmp_path: Path) -> None:
    """A controller's own prints, at loading and at every tick, go to standard error instead."""
    step = "def step(p, s, i):\n    print('tick')\n    return s, {command}\n"
    controller(tmp_path, step=step, MODES="MODES = {0: 'on'}\nprint('loaded')\n")
    code, out, err = call("run", scenario(tmp_path, controller="mine.py"), "--json", "-")
    assert (code, json.loads(out)["verdict"]) == (0, "undecided")
    assert {"loaded", "tick"} == set(err.split())


def test_json_in_a_file_leaves_the_printing(call: Call, tmp_path: Path) -> None:
    """With --json FILE the file has the document and the terminal the text; a new folder is made."""
    path = tmp_path / "new" / "r.json"
    code, out, _ = call("run", scenario(tmp_path, requirements=PASSES), "--json", path)
    assert code == 0
    assert out.startswith("PASS")
    assert json.loads(path.read_text(encoding="utf-8"))["verdict"] == "pass"


def test_one_scenario_is_one_json(call: Call, tmp_path: Path) -> None:
    """The same scenario twice gives the same letters."""
    path = scenario(tmp_path, water="{kind: pool}", requirements=PASSES)
    assert call("run", path, "--json", "-") == call("run", path, "--json", "-")


def test_a_seed_goes_before_the_files(call: Call, tmp_path: Path) -> None:
    """--seed shows in the result."""
    _, out, _ = call("run", scenario(tmp_path, seed="3"), "--seed", "9", "--json", "-")
    assert json.loads(out)["seed"] == 9


@pytest.mark.parametrize("place", [".", "s.yaml/below.json", ""])
def test_json_that_cannot_be_written_is_one_line(
    call: Call, tmp_path: Path, place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder, a file in place of a folder, or no name at all is bad input; nothing is left behind."""
    path = scenario(tmp_path)
    monkeypatch.chdir(tmp_path)
    code, _, err = call("run", path, "--json", place, "--quiet")
    assert code == 2
    assert re.fullmatch(r"\S+: expected a (file to write|place that can be written); got .+\n", err)
    assert os.listdir(tmp_path) == ["s.yaml"]


SEED = "drydive run: argument --seed: expected a whole number from 0, of at most 18 digits; got"
RATE = "drydive replay: argument --control-hz: expected hertz from 50 to 4000; got"
BEFORE = "drydive replay: argument --before: expected seconds from 0 to 600; got"
MAP = "drydive replay: argument --map: expected SIGNAL=COLUMN; got"


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ((), "drydive: the following arguments are required: COMMAND; see drydive --help"),
        (("sink",), "drydive: argument COMMAND: invalid choice: 'sink'"),
        (("run",), "drydive run: the following arguments are required: SCENARIO; see drydive run --help"),
        (("run", "a", "b"), "drydive: unrecognized arguments: b"),
        (("run", "a", "--see", "1"), "drydive: unrecognized arguments: --see 1"),
        (("run", "a", "--json"), "drydive run: argument --json: expected one argument"),
        (("run", "a", "--seed", "-1"), f"{SEED} '-1'"),
        (("run", "a", "--seed", "1.5"), f"{SEED} '1.5'"),
        (("run", "a", "--seed", "\u0663"), f"{SEED} '\u0663'"),
        (("run", "a", "--seed", "9" * 5000), f"{SEED} '999"),
        (("replay", "t", "--control-hz", "1e9"), f"{RATE} '1e9'"),
        (("replay", "t", "--control-hz", "nan"), f"{RATE} 'nan'"),
        (("replay", "t", "--before", "-1"), f"{BEFORE} '-1'"),
        (("replay", "t", "--before", "soon"), f"{BEFORE} 'soon'"),
        (("replay", "t", "--map", "bus"), f"{MAP} 'bus'"),
        (("replay", "t", "--map", "=bus"), f"{MAP} '=bus'"),
        (("replay", "t", "--map", "bus_v="), f"{MAP} 'bus_v='"),
    ],
)
def test_wrong_usage_is_one_line(call: Call, arguments: tuple[str, ...], expected: str) -> None:
    """Wrong usage exits with 2, says on one line what was expected, and prints nothing else."""
    code, out, err = call(*arguments)
    assert (code, out) == (2, "")
    assert err.startswith(expected)
    assert err.count("\n") == 1
    assert len(err) < 250


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (
            "--controller referense",
            "drydive replay: --controller: expected a path ending in .py or .c, or one of first_draft",
        ),
        ("--controller no.py", "no.py: expected a controller file; got no such file or directory"),
        ("--params referense", "drydive replay: --params: expected a path ending in .yaml or one of first_draft,"),
        ("--params no.yaml", "no.yaml: expected a parameter file; got no such file or directory"),
        ("--control-hz 60", "drydive replay: --control-hz: expected a control tick of 250 to 10000 us with this"),
        ("--vehicle no.yaml", "no.yaml: expected a vehicle file; got no such file or directory"),
        (f"--vehicle {MOORHEN}", f"{MOORHEN}: expected a vehicle file; got is a directory"),
        ("--requirements no.yaml", "no.yaml: expected a requirements file; got no such file or directory"),
        (
            "--map hall_counts=nope",
            "t.csv:1:1: hall_counts: expected a column of the file (t_ms, hall_counts, deadman)",
        ),
        ("--map hal_counts=hall_counts", "t.csv: hal_counts: expected one of hall_counts, deadman, "),
        ("--map deadman=deadman --map deadman=t_ms", "drydive replay: --map: expected each signal once; got dead"),
        ("--map deadman=hall_counts", "t.csv:2:2: hall_counts: expected 0 or 1; got 600"),
    ],
)
def test_options_that_name_nothing_are_told(call: Call, trace: Path, options: str, expected: str) -> None:
    """What an option names and is not there, or does not fit, is bad input with the option or the file in front."""
    code, out, err = call("replay", trace, *options.split())
    assert (code, out) == (2, "")
    assert err.replace(f"{trace.parent}/", "").startswith(expected)


@pytest.mark.parametrize("command_line", [("run", "{}"), ("replay", "{}")])
@pytest.mark.parametrize("name", ["none.yaml", "."])
def test_a_file_that_is_none_is_one_line(call: Call, tmp_path: Path, command_line: tuple[str, str], name: str) -> None:
    """A missing file or a folder is one line and exit 2, for each command that takes a file."""
    code, out, err = call(command_line[0], tmp_path / name)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert ": expected a " in err


@pytest.mark.parametrize("job", ["plan", "tune", "matrix"])
def test_a_file_goes_by_the_name_it_was_given(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, job: str
) -> None:
    """Asked for from the current folder on it is told so, and in full where it was given so."""
    monkeypatch.chdir(tmp_path)
    Path("mine.yaml").write_text("name: x\nthrottle: 3\n", encoding="utf-8")
    for name in ("mine.yaml", tmp_path / "mine.yaml"):
        code, _, said = call(job, name)
        assert code == 2
        assert all(line.startswith(f"{name}:") for line in said.splitlines())


def test_every_fault_is_a_line_of_its_own(call: Call, tmp_path: Path) -> None:
    """Three faults of a scenario are three lines in the order of the file, and nothing is run."""
    code, out, err = call("run", scenario(tmp_path, water="{kind: pol}", attitude="high", seed="x"))
    assert (code, out) == (2, "")
    assert [line.rpartition("/")[2].split(" ")[0] for line in err.splitlines()] == [
        "s.yaml:4:15:",
        "s.yaml:5:11:",
        "s.yaml:8:7:",
    ]


@pytest.mark.parametrize(
    ("source", "code"),
    [
        ({"step": "def step(p, s, i):\n    raise ValueError('two\\nlines')\n"}, 1),
        ({"step": "def step(p, s, i):\n    return None\n"}, 1),
        ({"step": "def step(p, s, i):\n    raise SystemExit(0)\n"}, 1),
        ({"step": "def step(:\n"}, 2),
        ({"step": "raise SystemExit(0)\n"}, 2),
        ({"initial": "def initial(p):\n    return {}[0]\n"}, 2),
    ],
)
def test_a_controller_that_breaks_is_one_line(call: Call, tmp_path: Path, source: dict[str, str], code: int) -> None:
    """A controller that breaks in the run has failed (1), one that cannot be loaded is bad input (2); no traceback."""
    path = controller(tmp_path, **source)
    got, out, err = call("run", scenario(tmp_path, controller="mine.py"), "--json", "-")
    assert (got, out) == (code, "")
    assert err.startswith(f"{path}:")
    assert err.count("\n") == 1


def test_a_failed_run_writes_no_json(call: Call, tmp_path: Path) -> None:
    """Where a controller breaks there is no result, and no file that looks like one."""
    controller(tmp_path, step="def step(p, s, i):\n    return None\n")
    call("run", scenario(tmp_path, controller="mine.py"), "--json", tmp_path / "r.json")
    assert not (tmp_path / "r.json").exists()


@pytest.mark.parametrize("rows", [1, 2])
def test_a_trace_of_a_row_or_two_prints_its_verdict(call: Call, tmp_path: Path, rows: int) -> None:
    """The shortest recordings are replayed and reported like others."""
    path = tmp_path / "t.csv"
    path.write_text(
        "t_ms,hall_counts,deadman,left_pulse_us\n" + "".join(f"{n},600,0,1000\n" for n in range(rows)), encoding="utf-8"
    )
    code, out, err = call("replay", path)
    assert (code, err) == (0, "")
    assert out.startswith("UNDECIDED  t.csv  through reference")
    assert "no difference" in out


def test_a_replay_prints_what_it_took_the_columns_for(call: Call, trace: Path) -> None:
    """Notes are printed under "taken as", events with their reasons below."""
    _, out, _ = call("replay", trace, "--map", "deadman=deadman", "--before", "4")
    assert "  deadman from column deadman (as asked)\n" in out
    assert "controller: driving as the lever says" in out


def test_a_recordings_own_requirements_decide(call: Call, tmp_path: Path, trace: Path) -> None:
    """--requirements takes the place of the standing ones, and a failure is exit 1."""
    path = tmp_path / "r.yaml"
    path.write_text(f"requirements: {PASSES.replace('bus_v > 20', 'hall_counts > 601')}\n", encoding="utf-8")
    code, out, _ = call("replay", trace, "--requirements", path, "--json", "-")
    assert code == 1
    assert [each["id"] for each in json.loads(out)["requirements"]] == ["bus"]


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_help_and_version_are_fine(call: Call, option: str) -> None:
    """Asked for help or version the command prints it and exits with 0."""
    code, out, err = call(option)
    assert (code, err) == (0, "")
    assert out.startswith(("usage: drydive", "drydive "))


def test_the_demo_is_fine_when_it_ends_as_told(call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A failed dive is the story; only a story that ends otherwise is exit 1."""
    case = load_case(scenario(tmp_path, requirements=FAILS))
    monkeypatch.setattr(demo, "chapters", lambda: iter([demo.Chapter(case)]))
    monkeypatch.setattr(drawing, "save_demo", lambda told, out: [str(out)])
    for as_told, code in ((True, 0), (False, 1)):
        monkeypatch.setattr(demo, "told_as_expected", lambda told, as_told=as_told: as_told)
        got, out, _ = call("demo", "--out", tmp_path, "--json", "-")
        assert got == code
        assert [dive["verdict"] for dive in json.loads(out)["scenarios"]] == ["fail"]


def test_figures_and_table_are_written_where_asked(call: Call, tmp_path: Path) -> None:
    """--out gets the timeline in both forms and the table, each whole, and their paths are printed."""
    code, out, err = call("run", scenario(tmp_path, requirements=PASSES), "--out", tmp_path / "figures")
    assert (code, err) == (0, "")
    assert sorted(os.listdir(tmp_path / "figures")) == ["s.png", "s.svg", "s.table.csv"]
    assert all(name in out for name in ("s.png", "s.svg", "s.table.csv"))


def test_a_folder_that_cannot_be_made_is_one_line(call: Call, tmp_path: Path, trace: Path) -> None:
    """--out into a file is bad input, and the file stays as it was."""
    code, _, err = call("replay", trace, "--out", trace, "--quiet")
    assert code == 2
    assert err.count("\n") == 1
    assert trace.read_text(encoding="utf-8").startswith("t_ms,")


@pytest.mark.parametrize(
    ("place", "got"),
    [
        (("--out", "file"), "file: expected a folder to write; got a file"),
        (("--out", "file/below"), "file/below: expected a folder to write; got a place below file, which is no folder"),
        (("--json", "folder"), "folder: expected a file to write; got a folder"),
        (("--json", "file/j"), "file/j: expected a file to write; got a place below file, which is no folder"),
    ],
)
def test_a_place_that_takes_nothing_is_told_before_the_work(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: tuple[str, str], got: str
) -> None:
    """A search that takes minutes does not end in a place that was never one: nothing is run, nothing printed."""
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("kept", encoding="utf-8")
    Path("folder").mkdir()
    # Not even the vehicle is read.
    assert call("tune", "no_such.yaml", *place) == (2, "", f"{got}\n")
    assert Path("file").read_text(encoding="utf-8") == "kept"


def test_a_run_without_drive_says_so(call: Call, tmp_path: Path) -> None:
    """What stops the drive passes where there is none: a line below the verdict says that nothing was tried."""
    said = "No pulse asks for drive here"
    _, still, _ = call("run", scenario(tmp_path, requirements=PASSES, rider="[{at_s: 0.0, lever_frac: 0.0}]"))
    assert said in still
    _, driven, _ = call("run", MOORHEN / "1_first_draft_in_air.scenario.yaml")
    assert said not in driven


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("$D replay t.csv | head -1", 0),
        ("$D run s.yaml | true", 1),
        ("$D run s.yaml --json - | head -c 5", 1),
        ("$D run s.yaml >&-", 1),
        ("$D --help | true", 0),
    ],
)
def test_a_reader_that_leaves_is_no_error(tmp_path: Path, trace: Path, line: str, code: int) -> None:
    """Piped into head, or with no output at all, the command ends quietly with the verdict's own exit code."""
    scenario(tmp_path, requirements=FAILS)
    got, printed = shell(line, tmp_path)
    assert got == code
    assert "Traceback" not in printed
    assert "Error" not in printed


def test_an_output_that_takes_no_letters_shows_escapes(tmp_path: Path) -> None:
    """Where the terminal's encoding lacks a letter its escape is printed, and nothing breaks."""
    scenario(tmp_path, name="Käfer ☃")
    code, printed = shell("PYTHONIOENCODING=ascii $D run s.yaml", tmp_path)
    assert code == 0
    assert "K\\xe4fer \\u2603" in printed


def test_a_full_disk_is_one_line(tmp_path: Path) -> None:
    """Standard output that takes no more is one line and exit 2."""
    scenario(tmp_path)
    code, printed = shell("ulimit -f 0; $D run s.yaml > out.txt", tmp_path)
    assert (code, printed) == (2, "drydive: expected standard output that can be written; got file too large\n")


def test_a_scenario_may_come_through_a_pipe(tmp_path: Path) -> None:
    """A scenario from standard input is run like a file."""
    scenario(tmp_path, requirements=FAILS)
    assert shell("$D run /dev/stdin --quiet < s.yaml", tmp_path) == (1, "")


def test_the_command_runs_from_any_folder(
    call: Call, tmp_path: Path, trace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shipped controllers, sets and requirements are found wherever the command is called."""
    monkeypatch.chdir(tmp_path)
    code, out, err = call("replay", trace.name, "--params", "reference_button", "--json", "-")
    assert (code, err) == (0, "")
    assert json.loads(out)["inputs"].keys() == {"trace t.csv", "controller reference"}


def test_an_answer_of_the_controller_shows_in_the_result(call: Call, tmp_path: Path) -> None:
    """One's own controller file drives the machine: the pulses are those it asked for."""
    controller(tmp_path, answer=command(left="1350", right="1250"))
    _, out, _ = call("run", scenario(tmp_path, controller="mine.py"), "--json", "-")
    measures = json.loads(out)["measures"]
    assert (measures["left_pulse_us_max"]["value"], measures["right_pulse_us_max"]["value"]) == (1350.0, 1250.0)
