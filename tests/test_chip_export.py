"""What is written for the chip: files that compile, vectors that try them there, and where it all comes from."""

from __future__ import annotations

import json
import random
import re
import shutil
import subprocess
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

import sim
from controllers import first_draft, reference
from controllers.board import Command, Inputs
from sim.base.caution import CAUTION
from sim.base.errors import InputError
from sim.bench.control import SHIPPED, Controller, load_controller
from sim.chip.building import compilers
from sim.chip.vectors import Vector, packed, vectors_text
from sim.jobs.case import judge_case, load_case
from sim.jobs.export import export
from sim.jobs.export_runs import random_inputs
from sim.jobs.result import judged_json

FILES = {
    "throttle.h",
    "throttle.c",
    "throttle_params.h",
    "main_example.c",
    "throttle_vectors.h",
    "throttle_test.c",
}
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror", "-O2")
CHECKED = ("-g", "-fsanitize=undefined,address", "-fno-sanitize-recover=all")
COMPILERS = sorted({Path(found).resolve(): found for found in compilers()}.values())
MOORHEN = Path(sim.__file__).parent / "moorhen"


@pytest.fixture(scope="module")
def draft(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first draft, exported."""
    folder = tmp_path_factory.mktemp("draft") / "a folder"
    assert {path.name for path in export(load_controller("first_draft", 1000), folder).files} == FILES
    return folder


def compiled(folder: Path, *flags: str, compiler: str | None = None, sources: tuple[str, ...] = ()) -> Path:
    """The test program, or another of these sources."""
    program = folder / "program"
    words = [compiler or COMPILERS[0], *flags, *(sources or ("throttle.c", "throttle_test.c")), "-o", str(program)]
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return program


def copied(folder: Path, to: Path) -> Path:
    for name in FILES:
        shutil.copy(folder / name, to)
    return to


def test_it_writes_those_files_and_no_others(draft: Path) -> None:
    """The header, the source, the parameters, the main loop, the vectors and the program that plays them."""
    assert {path.name for path in draft.iterdir()} == FILES


@pytest.mark.parametrize("compiler", COMPILERS)
def test_the_vectors_agree_on_the_desk(draft: Path, tmp_path: Path, compiler: str) -> None:
    """Compiled strictly, under the sanitizers, every vector is ok; the output is TAP (testanything.org, version 12)."""
    program = compiled(copied(draft, tmp_path), *STRICT, *CHECKED, compiler=compiler)
    done = subprocess.run([program], capture_output=True, text=True, check=False)
    plan, *results = done.stdout.splitlines()
    assert plan == f"1..{len(results)}"
    assert len(results) >= 7
    for number, line in enumerate(results, 1):
        assert re.fullmatch(rf"ok {number} - [\w ,]+, \d+ ticks", line)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize(
    ("old", "new"),
    [("3 * state->counts", "2 * state->counts"), ("reason = CORD;", "reason = DEADMAN;"), ("+ 1;", "+ 2;")],
)
def test_a_vector_finds_a_changed_line(draft: Path, tmp_path: Path, old: str, new: str) -> None:
    """With another number in the C the program names the vector, the tick and the field, and returns 1."""
    folder = copied(draft, tmp_path)
    text = (folder / "throttle.c").read_text(encoding="utf-8")
    assert text.count(old) >= 1
    (folder / "throttle.c").write_text(text.replace(old, new), encoding="utf-8")
    done = subprocess.run([compiled(folder)], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    found = re.search(r"^not ok \d+ - .*\n# tick \d+: (\w+) is (-?\d+), expected (-?\d+)$", done.stdout, re.MULTILINE)
    assert found is not None
    assert found[1] in Command._fields
    assert found[2] != found[3]


OWN_PRINT = """
#include <stdio.h>
int said;
int throttle_test(void);
int say(const char *form, ...) { (void)form; return ++said; }
int main(void) { const int failed = throttle_test(); printf("%d", said); return failed; }
"""


def test_a_board_prints_in_its_own_way(draft: Path, tmp_path: Path) -> None:
    """The firmware may call the program's function by itself and hand it another printf."""
    folder = copied(draft, tmp_path)
    (folder / "say.h").write_text("int say(const char *form, ...);\n")
    (folder / "board.c").write_text(OWN_PRINT)
    flags = ("-DTHROTTLE_TEST_NO_MAIN", "-DTHROTTLE_TEST_PRINT=say", "-include", "say.h")
    program = compiled(folder, *flags, sources=("throttle.c", "throttle_test.c", "board.c"))
    done = subprocess.run([program], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert int(done.stdout) >= 8


def test_the_vectors_take_every_branch_of_the_reference(tmp_path: Path) -> None:
    """By gcov's count every branch of the exported reference is come by, and all but lines that nothing can reach."""
    export(load_controller("reference", 1000), tmp_path)
    program = compiled(tmp_path, "-O0", "--coverage", compiler=shutil.which("gcc"))
    assert subprocess.run([program], cwd=tmp_path, capture_output=True, check=False).returncode == 0
    data = next(path.name for path in tmp_path.glob("*throttle.gcda"))
    done = subprocess.run(["gcov", "-b", data], cwd=tmp_path, capture_output=True, text=True, check=True)
    about = done.stdout.split("File 'throttle.c'")[1]
    lines, branches = (float(re.search(rf"{word} executed:([\d.]+)%", about)[1]) for word in ("Lines", "Branches"))
    assert branches == 100.0
    assert lines >= 98.0


BOARD = """
#include <stdlib.h>
#include "throttle.h"
static int ticks;
void board_start(void) {}
void board_wait_for_tick(void) { if (++ticks > 1000) { exit(7); } }
void board_read(throttle_inputs_t *inputs) { *inputs = (throttle_inputs_t){.kill_cord = 1, .sensor_supply_mv = 5000}; }
void board_write(const throttle_command_t *command) { if (command->left_pulse_us != 1000) { exit(1); } }
void board_feed_watchdog(void) {}
"""


@pytest.mark.parametrize("compiler", COMPILERS)
def test_the_main_loop_runs_on_a_board(draft: Path, tmp_path: Path, compiler: str) -> None:
    """Linked with five functions of a board it goes round and round, here with stop pulses for a thousand ticks."""
    folder = copied(draft, tmp_path)
    (folder / "board.c").write_text(BOARD)
    sources = ("throttle.c", "main_example.c", "board.c")
    program = compiled(folder, *STRICT, *CHECKED, "-Wno-missing-prototypes", compiler=compiler, sources=sources)
    assert subprocess.run([program], check=False).returncode == 7


# The unit at the end of a name, as the header words it; units are the project's own, listed in DEVELOPERS.md.
UNITS = {"counts": "counts of the converter", "ms": "ms", "permille": "permille", "us": "us"}


@pytest.mark.parametrize("name", ["rest_counts", "button_ms", "cap_2_permille", "pulse_full_us", "step_count"])
def test_a_parameter_stands_with_its_comment_unit_and_range(draft: Path, name: str) -> None:
    """Value and comment are those of the YAML file, the range is that of LIMITS."""
    text = (SHIPPED / "first_draft.yaml").read_text(encoding="utf-8")
    said = re.search(rf"^{name}:[^#]*# (.*)$", text, re.MULTILINE)
    assert said is not None
    low, high = first_draft.LIMITS[name]
    unit = UNITS.get(name.split("_")[-1], "")
    value = yaml.safe_load(text)[name]
    header = (draft / "throttle_params.h").read_text(encoding="utf-8")
    about = header[: header.index(f"#define THROTTLE_{name.upper()} INT32_C({value})")].rpartition("\n\n")[2]
    assert " ".join(about.replace(" * ", " ").split()).startswith(f"/* {said[1]}")
    assert f"[{unit}{', ' if unit else ''}{low} to {high}]" in about


def test_every_parameter_is_there(draft: Path) -> None:
    """Each field of Params is a constant of the header, and nothing else is."""
    header = (draft / "throttle_params.h").read_text(encoding="utf-8")
    names = re.findall(r"#define THROTTLE_(\w+) \(?-?INT32_C", header)
    assert [name.lower() for name in names] == list(first_draft.Params._fields)


def test_a_value_that_is_not_the_files_says_so(tmp_path: Path) -> None:
    """A parameter set on top of the file stands with its own value and a word of the file's."""
    export(load_controller("first_draft", 1000, overrides={"button_ms": 6}), tmp_path, ticks_max=100)
    header = (tmp_path / "throttle_params.h").read_text(encoding="utf-8")
    assert "[ms, 0 to 1000; not the 5 of the file]" in header
    assert "#define THROTTLE_BUTTON_MS INT32_C(6)" in header


def on_top(path: Path) -> str:
    """A file's first comment as one line."""
    return " ".join(path.read_text(encoding="utf-8").split("*/")[0].replace("\n *", " ").split())


@pytest.mark.parametrize("name", sorted(FILES))
def test_each_file_says_where_it_comes_from(draft: Path, name: str) -> None:
    """Controller with its fingerprint, parameter file with its SHA-256, version, tick, check, and the caution."""
    said = on_top(draft / name)
    digest = sha256((SHIPPED / "first_draft.yaml").read_bytes()).hexdigest()[:12]
    for part in (
        f"Made by drydive {sim.__version__}.",
        f"controller: first_draft.py, fingerprint {load_controller('first_draft', 1000).fingerprint()}",
        f"parameters: first_draft.yaml, SHA-256 {digest}",
        "control tick: 1000 us",
        "check: none was given",
        CAUTION,
    ):
        assert part in said


def test_the_header_tells_modes_reasons_and_ranges(draft: Path) -> None:
    """The numbers of mode and reason stand with their words; a pulse stands with the range that it cannot leave."""
    header = (draft / "throttle.h").read_text(encoding="utf-8")
    for words in (first_draft.MODES, first_draft.REASONS):
        for number, word in words.items():
            assert f" *   {number}  {word}".rstrip() in header
    assert re.search(r"int32_t left_pulse_us; +/\* 1000 to 2000 \*/", header)


def check_json(path: Path, *results: tuple[str, str, str]) -> Path:
    """A check's JSON of (scenario, verdict, fingerprint)."""
    scenarios = [
        {"path": scenario, "verdict": verdict, "inputs": {"controller first_draft": fingerprint}}
        for scenario, verdict, fingerprint in results
    ]
    path.write_text(json.dumps({"scenarios": scenarios}))
    return path


@pytest.fixture(scope="module")
def controller() -> Controller:
    return load_controller("first_draft", 1000)


def said_of(controller: Controller, folder: Path, checked: Path) -> str:
    export(controller, folder / "out", checked, ticks_max=100)
    return on_top(folder / "out" / "throttle.c")


def test_the_check_it_passed_is_named(controller: Controller, tmp_path: Path) -> None:
    """Scenarios with this controller and these parameters count, those with others do not."""
    mine = controller.fingerprint()
    path = check_json(tmp_path / "c.json", ("a", "pass", mine), ("b", "pass", mine), ("c", "fail", "another"))
    said = said_of(controller, tmp_path, path)
    digest = sha256(path.read_bytes()).hexdigest()[:12]
    assert f"check: c.json, SHA-256 {digest}, 2 of 2 scenarios passed" in said
    assert "NOT PASSED" not in said


def test_what_it_did_not_pass_is_named_too(controller: Controller, tmp_path: Path) -> None:
    """An export is no judgement, but it hides nothing."""
    mine = controller.fingerprint()
    path = check_json(tmp_path / "c.json", ("x/a.scenario.yaml", "fail", mine), ("b", "undecided", mine))
    said = said_of(controller, tmp_path, path)
    assert "0 of 2 scenarios passed NOT PASSED: a.scenario.yaml (fail), b (undecided)" in said


def test_the_json_of_a_single_run_is_a_check_of_one(controller: Controller, tmp_path: Path) -> None:
    """As `run` writes it for a scenario of this very controller."""
    (scenario,) = MOORHEN.glob("1_*.scenario.yaml")
    path = tmp_path / "run.json"
    path.write_text(json.dumps(judged_json(judge_case(load_case(scenario)))))
    assert re.search(
        r"check: run\.json, SHA-256 \w{12}, [01] of 1 scenarios passed", said_of(controller, tmp_path, path)
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "expected the JSON of drydive check; got "),
        ("[]", "expected the JSON of drydive check; got "),
        ('{"scenarios": 3}', "expected the JSON of drydive check; got "),
        ('{"scenarios": []}', "expected a check of controller first_draft with fingerprint "),
        (
            '{"scenarios": [{"verdict": "pass", "inputs": {"controller first_draft": "another"}}]}',
            "; got fingerprints another",
        ),
        ('{"scenarios": [{"verdict": "pass", "inputs": {"controller reference": "x"}}]}', "; got none of that name"),
    ],
)
def test_a_check_of_something_else_is_refused(controller: Controller, tmp_path: Path, text: str, said: str) -> None:
    """What was checked must be what is exported; nothing is written otherwise."""
    path = tmp_path / "c.json"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        export(controller, tmp_path / "out", path)
    assert str(caught.value).startswith(f"{path}: ")
    assert said in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_a_controller_that_is_refused_writes_nothing(tmp_path: Path) -> None:
    """Its faults are told, and files of an earlier export stay as they were."""
    text = Path(first_draft.__file__).read_text(encoding="utf-8").replace("* 1000 //", "* 1000000 //")
    (tmp_path / "mine.py").write_text(text, encoding="utf-8")
    shutil.copy(SHIPPED / "first_draft.yaml", tmp_path / "mine.yaml")
    out = tmp_path / "out"
    out.mkdir()
    (out / "throttle.c").write_text("old")
    with pytest.raises(InputError, match=r"mine\.py:\d+:\d+: inside \* 1000000: expected a value inside 32 bits"):
        export(load_controller(str(tmp_path / "mine.py"), 1000), out)
    assert [(path.name, path.read_text()) for path in out.iterdir()] == [("throttle.c", "old")]


def test_a_place_that_cannot_be_written_to_leaves_nothing(controller: Controller, tmp_path: Path) -> None:
    """Where one of the files cannot be written none is."""
    (tmp_path / "throttle_test.c").mkdir()
    with pytest.raises(InputError, match=r"throttle_test\.c: expected a file to write; got a folder"):
        export(controller, tmp_path, ticks_max=100)
    assert [path.name for path in tmp_path.iterdir()] == ["throttle_test.c"]


def test_an_export_is_the_same_again(controller: Controller, tmp_path: Path) -> None:
    """The same controller gives the same bytes, random inputs and all."""
    for name in ("one", "two"):
        export(controller, tmp_path / name, ticks_max=500)
    for name in FILES:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_comments_of_the_users_files_cannot_break_the_c(tmp_path: Path) -> None:
    """Comment signs, trigraphs and other letters in a parameter file, a docstring and a name of a file."""
    folder = tmp_path / "a ?? b"
    folder.mkdir()
    text = Path(first_draft.__file__).read_text(encoding="utf-8")
    text = text.replace('"""After a reset', '"""*/ /* ??/ % \\\\ größe. After a reset')
    (folder / "my-own.py").write_text(text, encoding="utf-8")
    said = (SHIPPED / "first_draft.yaml").read_text(encoding="utf-8").replace("# stop pulse", "# stop */ pulse ??/")
    (folder / "my-own.yaml").write_text(said, encoding="utf-8")
    export(load_controller(str(folder / "my-own.py"), 1000), tmp_path, ticks_max=200)
    for compiler in COMPILERS:
        compiled(tmp_path, *STRICT, compiler=compiler)


def unpacked(data: bytes, fields: int) -> Iterator[tuple[int, ...]]:
    """The rows of a packed table, read as the docstring of the format says."""
    numbers = []
    number = shift = 0
    for byte in data:
        number |= (byte % 128) << shift
        shift += 7
        if byte < 128:
            numbers.append(number)
            number = shift = 0
    left = iter(numbers)
    row = [0] * fields
    for count in left:
        mask = next(left)
        for index in range(fields):
            if mask >> index & 1:
                size = next(left)
                row[index] += size // 2 if size % 2 == 0 else -(size + 1) // 2
                row[index] = (row[index] + 2**31) % 2**32 - 2**31
        yield from [tuple(row)] * count


NUMBERS = st.one_of(st.integers(-3, 3), st.integers(-(2**31), 2**31 - 1), st.sampled_from([-(2**31), 2**31 - 1]))


@given(st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), max_size=30))
def test_a_table_is_unpacked_as_it_was(rows: list[tuple[int, ...]]) -> None:
    """Bytes read back by the format's description are the rows that went in, the ends of 32 bits among them."""
    doubled = [row for row in rows for _ in range(2)]
    assert list(unpacked(packed(doubled), 3)) == doubled


def test_the_program_unpacks_the_ends_of_32_bits(draft: Path, tmp_path: Path) -> None:
    """C reads back what Python packed, however far a number jumps."""
    ends = [-(2**31), 2**31 - 1, 0, -1, 1]
    rng = random.Random(1)
    rows = [tuple(rng.choice(ends) for _ in Inputs._fields) for _ in range(400)]
    commands = [row[: len(Command._fields)] for row in rows]
    folder = copied(draft, tmp_path)
    text = vectors_text([Vector("ends", rows, commands)], Inputs, Command, ["A test."])
    (folder / "throttle_vectors.h").write_text(text)
    copy = "\n".join(
        f"    command->{field} = inputs->{given};"
        for field, given in zip(Command._fields, Inputs._fields, strict=False)
    )
    (folder / "throttle.c").write_text(
        '#include "throttle.h"\nvoid throttle_initial(throttle_state_t *state) { (void)state; }\n'
        "void throttle_step(throttle_state_t *state, const throttle_inputs_t *inputs, throttle_command_t *command)\n"
        f"{{\n    (void)state;\n{copy}\n}}\n"
    )
    done = subprocess.run([compiled(folder, *CHECKED)], capture_output=True, text=True, check=False)
    assert done.stdout == "1..1\nok 1 - ends, 400 ticks\n"


def test_random_inputs_reach_the_ends() -> None:
    """Every field has its sound values and both ends of 32 bits among them."""
    rows = random_inputs(5000, 0)
    assert len(rows) == 5000
    for values in zip(*rows, strict=True):
        assert {-(2**31), 2**31 - 1} <= set(values)
        assert len(set(values)) >= 5


PAGE = (Path(__file__).parent.parent / "docs" / "exporting.md").read_text(encoding="utf-8")

MY = '''"""What docs/exporting.md quotes the faults of."""

from typing import NamedTuple

from controllers.board import Command, Inputs


class Params(NamedTuple):
    tick_us: int


class State(NamedTuple):
    wet_us: int


def initial(params: Params) -> State:
    """Dry."""
    return State(wet_us=0)


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    """Refused."""
    lever_permille = inputs.hall_counts * 10
    after = State(state.wet_us + params.tick_us)
    while lever_permille > 1000:
        lever_permille = lever_permille - 1000
    return after, Command(1000, 1000, 1, 1, 0, 0, lever_permille)
'''


def test_quoted_faults_are_what_a_controller_gets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The lines on the page are those of a controller with such lines; the style comes first, then the ranges."""
    monkeypatch.chdir(tmp_path)
    found = []
    for source in (MY, re.sub(r"    while.*\n.*\n", "", MY)):
        Path("my.py").write_text(source, encoding="utf-8")
        with pytest.raises(InputError) as caught:
            export(load_controller("my.py", 1000), tmp_path / "out")
        found += [str(fault).removeprefix(f"{tmp_path}/") for fault in caught.value.faults]
    quoted = [block for block in re.findall(r"```text\n(.*?)```", PAGE, re.DOTALL) if "my.py" in block]
    assert [line for block in quoted for line in block.splitlines()] == found


def test_the_code_on_the_page_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both pieces of Python, one after the other, with a check of the controller beside them; of the quicker one."""
    monkeypatch.chdir(tmp_path)
    check_json(tmp_path / "check.json", ("a", "pass", load_controller("first_draft", 1000).fingerprint()))
    names: dict[str, object] = {}
    for code in re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL):
        exec(code.replace('"reference"', '"first_draft"'), names)
    command = names["command"]
    assert isinstance(command, Command)
    assert command.left_pulse_us == 1000


def test_other_ticks_have_their_own_export(tmp_path: Path) -> None:
    """The control tick is a constant of the C, and a bench is told of it."""
    export(load_controller("reference", 2500), tmp_path, ticks_max=300)
    assert "#define THROTTLE_TICK_US INT32_C(2500)" in (tmp_path / "throttle_params.h").read_text(encoding="utf-8")
    assert "2500 microseconds" in (tmp_path / "main_example.c").read_text(encoding="utf-8")
    done = subprocess.run([compiled(tmp_path, *STRICT)], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert reference.LIMITS["tick_us"][0] <= 2500
