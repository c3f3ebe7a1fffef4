"""Controllers in C on the bench: wherever a controller is named, and each crash the failure of one scenario."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from chip_programs import write_c

from controllers.board import Command, Inputs
from sim.base.errors import InputError
from sim.bench import engine
from sim.bench.control import Controller, load_controller
from sim.bench.run import simulate
from sim.chip.isolated import Isolated
from sim.chip.words import words_of, words_text
from sim.face.cli import main
from sim.jobs.case import judge_case, load_case

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "exporting.md").read_text(encoding="utf-8")
MOORHEN = ROOT / "sim" / "moorhen" / "moorhen.yaml"
REST = Inputs(700, 5000, 52_000, 0, 0, 0, 1, -1, -1)
# Held for two seconds with the lever at rest, pulled for two, let go of with the lever still pulled.
SCENARIO = """\
name: {name}
vehicle: {vehicle}
controller: {controller}
water: {{kind: air}}
attitude: held
control_hz: {hz}
duration_s: 5.0
rider:
  - {{at_s: 0.0, deadman: false}}
  - {{at_s: 1.0, deadman: true}}
  - {{at_s: 2.0, lever_frac: 1.0}}
  - {{at_s: 4.0, deadman: false}}
requirements:
  - id: it-drives
    says: The pulled lever drives.
    formula: eventually(left_pulse_us > stop_us)
  - id: it-stops
    says: Letting go stops both within what the controller states, and 10 ms for the contact's bounce.
    after: deadman_pressed == 0
    expect: left_pulse_us <= stop_us and right_pulse_us <= stop_us
    within_s: {within}
"""

Own = Callable[..., Path]


def blocks_of_c() -> tuple[str, str]:
    """The header and the file of the page's example."""
    header, source = re.findall(r"```c\n(.*?)```", PAGE, re.DOTALL)
    return header, source


@pytest.fixture
def own(tmp_path: Path) -> Own:
    """Writes the page's example, with something at the beginning of its step and another header."""

    def write(inside: str = "", before: str = "", folder: str = "own", change: tuple[str, str] = ("", "")) -> Path:
        header, source = blocks_of_c()
        begins = source.index("{", source.index("void throttle_step(")) + 1
        (tmp_path / folder).mkdir(exist_ok=True)
        (tmp_path / folder / "throttle.h").write_text(header.replace(*change) if change[0] else header)
        text = before + "\n" + source[:begins] + inside + source[begins:]
        (tmp_path / folder / "own.c").write_text(text)
        return tmp_path / folder / "own.c"

    return write


def scenario(folder: Path, source: str, name: str = "ride", hz: int = 1000, within: str = "deadman_latency_s") -> Path:
    path = folder / f"{name}.scenario.yaml"
    text = SCENARIO.format(name=name, vehicle=MOORHEN, controller=source, hz=hz, within=f"{within} + 0.01")
    path.write_text(text, encoding="utf-8")
    return path


def loaded(source: Path, tick_us: int = 1000) -> Controller:
    return load_controller(str(source), tick_us)


def faults(source: Path, tick_us: int = 1000, **more: object) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_controller(str(source), tick_us, **more)  # type: ignore[arg-type]
    return [str(fault) for fault in caught.value.faults]


def test_the_pages_example_drives_and_stops(own: Own, tmp_path: Path) -> None:
    """In a scenario that names its C file by a path from the scenario's folder it drives, and keeps its stated time."""
    own()
    judged = judge_case(load_case(scenario(tmp_path, "own/own.c")))
    assert [(verdict.id, verdict.verdict) for verdict in judged.verdicts] == [
        ("it-drives", "pass"),
        ("it-stops", "pass"),
    ]
    assert judged.run.table["left_pulse_us"].max() == 1600


def test_the_header_says_what_a_python_file_says(own: Own) -> None:
    """Words of modes and reasons, and the times it states, in seconds; it has no parameters."""
    made = loaded(own())
    assert made.modes == {0: "stopped", 1: "driving as the lever says"}
    assert made.reasons[0] == ""
    assert made.reasons[2] == "the kill cord is out"
    assert made.stated_s() == {"deadman_latency_s": 0.3, "kill_latency_s": 0.001}
    assert made.params._asdict() == {}
    assert (made.name, made.params_path) == ("own", None)


def test_events_tell_the_headers_words(own: Own, tmp_path: Path) -> None:
    """What happened and why stands in the header's words, as for a controller in Python."""
    own()
    run = judge_case(load_case(scenario(tmp_path, "own/own.c"))).run
    told = [(event.what, event.why) for event in run.events]
    assert any("driving as the lever says" in what for what, _ in told)
    assert any("the dead-man is released" in why for _, why in told)


def test_without_words_the_numbers_are_told(own: Own, tmp_path: Path) -> None:
    """A header without such comments does; a reason is its number then, and changes of mode are no events."""
    source = own()
    header = source.parent / "throttle.h"
    header.write_text(re.sub(r"/\* (mode|reason):.*?\*/", "", header.read_text(), flags=re.DOTALL))
    run = judge_case(load_case(scenario(tmp_path, "own/own.c"))).run
    assert run.bench.controller.modes == {}
    assert "reason 1" in {event.why for event in run.events}


@pytest.mark.parametrize(
    "words",
    [
        {
            0: "",
            1: "a word",
            12: "driving " + "as the lever says, which goes on for longer than a line of C has room " * 2,
        },
        {-1: "nobody knows", 2147483647: "40 ms are over"},
    ],
)
def test_words_are_read_as_they_are_written(words: dict[int, str]) -> None:
    """What an exported header says of a field comes back, lines that had to be broken included."""
    told = {number: word.strip() for number, word in words.items()}
    assert words_of(f"int a;\n\n{words_text('mode', told)}\n\n/* reason:\n *   1  no\n */", "mode") == told


def test_another_tick_is_one_clear_fault(own: Own) -> None:
    """The header's tick is what the C was made for; a scenario with another is not run."""
    expected = "control_hz: expected THROTTLE_TICK_US of own.c, a control tick of 1000 us; got 2000 us"
    assert faults(own(), tick_us=2000) == [expected]


def test_a_header_without_a_tick_takes_any(own: Own) -> None:
    """Where it names none, whoever writes the scenario knows."""
    source = own(change=("#define THROTTLE_TICK_US 1000", ""))
    assert loaded(source, 2000).step is not None
    assert loaded(source, 250).step is not None


def test_parameters_are_refused(own: Own) -> None:
    """They are constants of the C: a set, or a parameter set by a scenario, is a fault for each."""
    expected = "none with own.c, whose parameters are constants of the C"
    assert faults(own(), params="reference") == [f"params: expected {expected}; got 'reference'"]
    assert faults(own(), overrides={"ramp_ms": 3}) == [f"params_set.ramp_ms: expected {expected}; got 3"]


def test_a_set_beside_it_is_not_taken_for_its_own(own: Own) -> None:
    """A YAML file of the same name, which is a Python controller's set, is left alone."""
    source = own()
    source.with_suffix(".yaml").write_text("ramp_ms: 3\n")
    assert loaded(source).params == ()


def test_c_that_does_not_compile_is_told_with_its_place(
    own: Own, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, and the compiler's file, line, column and words."""
    source = own("\n    nothing_such = 1;")
    line = source.read_text().splitlines().index("    nothing_such = 1;") + 1
    assert main(["run", str(scenario(tmp_path, "own/own.c"))]) == 2
    assert re.search(rf"own\.c:{line}:5: expected C that compiles.*nothing_such", capsys.readouterr().err)


def test_its_fingerprint_is_that_of_the_files_it_includes(own: Own) -> None:
    """Another C file, header, or file included changes it; another file beside it, or another folder, does not."""
    source = own(before='#include "more.h"')
    (source.parent / "more.h").write_text("#define MORE 1\n")
    (source.parent / "other.h").write_text("#define OTHER 1\n")
    first = loaded(source).fingerprint()
    (source.parent / "other.h").write_text("#define OTHER 2\n")
    assert loaded(source).fingerprint() == first
    again = own(before='#include "more.h"', folder="a $ place #2")
    (again.parent / "more.h").write_text("#define MORE 1\n")
    assert loaded(again).fingerprint() == first
    (source.parent / "more.h").write_text("#define MORE 2\n")
    second = loaded(source).fingerprint()
    header = source.parent / "throttle.h"
    header.write_text(header.read_text().replace("0.3", "0.4") + "\n")
    assert len({first, second, loaded(source).fingerprint()}) == 3


def test_the_same_dive_as_python(tmp_path: Path) -> None:
    """Exported C named in a scenario leaves every column as the Python does, interpreted and in the compiled world."""
    python = load_controller("first_draft", 1000)
    write_c(python.initial, python.step.bare, python.params, tmp_path)  # type: ignore[attr-defined]
    paths = {name: scenario(tmp_path, name, name.split(".")[0], within="0.5") for name in ("first_draft", "throttle.c")}
    plain = simulate(load_case(paths["first_draft"]).bench).table
    for wanted in ("interpreted", "compiled"):
        bench = load_case(paths["throttle.c"]).bench
        object.__setattr__(bench, "engine", wanted)
        run = simulate(bench)
        assert run.engine.name == {"compiled": engine.MIXED}.get(wanted, wanted)
        assert [name for name in plain.columns if not np.array_equal(plain[name], run.table[name])] == []


CRASHES = {
    "crash": ("*(volatile int *)0 = 1;", "crashed with SIGSEGV"),
    "hang": ("for (;;) { burn++; }", "gave no answer within 2 s"),
    "exit": ("exit(0);", "ended by itself with exit code 0"),
}


def test_check_reports_each_crash_and_goes_on(own: Own, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A crash, a hang and an exit under way are each the error of their scenario, told with file, time and how; the
    sound one passes."""
    scenario(tmp_path, str(own()), "sound")
    for name, (inside, _) in CRASHES.items():
        text = f"\n    if (inputs->deadman == 1) {{ {inside} }}\n"
        scenario(tmp_path, str(own(text, "#include <stdlib.h>\nvolatile int burn;", folder=name)), name)
    assert main(["check", str(tmp_path), "--json", str(tmp_path / "check.json")]) == 1
    # Without blanks, since the terminal's width breaks a line anywhere.
    said = "".join(capsys.readouterr().out.split())
    results = json.loads((tmp_path / "check.json").read_text())["scenarios"]
    verdicts = {Path(each["path"]).name.split(".")[0]: each["verdict"] for each in results}
    assert verdicts == {"sound": "pass", "crash": "error", "hang": "error", "exit": "error"}
    for name, (_, how) in CRASHES.items():
        told = rf"{name}/own\.c: at 1\.\d+ s: ChipError: the controller's C {how}"
        assert re.search(told.replace(" ", ""), said)


def test_c_that_fails_before_its_first_tick_is_bad_input(own: Own) -> None:
    """What cannot even start is a fault of the file."""
    source = own(before="#include <stdlib.h>")
    source.write_text(source.read_text().replace("state->drive_us = 0;", "abort();", 1))
    (said,) = faults(source)
    assert said == f"{source}: expected an initial state; got ChipError: the controller's C crashed with SIGABRT"


def test_replay_and_compare_take_it(own: Own, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording goes through it, and it stands beside a controller in Python."""
    source = str(own())
    trace = str(ROOT / "traces" / "bench_dry.csv")
    assert main(["replay", trace, "--controller", source]) in (0, 1)
    assert "through own" in capsys.readouterr().out
    assert main(["compare", trace, "--controller", "first_draft", "--with-controller", source]) == 0
    assert "own" in capsys.readouterr().out
    ride = scenario(tmp_path, "first_draft", within="0.5")
    assert main(["compare", str(ride), "--with-controller", source]) == 0
    assert "own" in capsys.readouterr().out


def test_parameters_on_the_command_line_are_the_options_fault(own: Own, capsys: pytest.CaptureFixture[str]) -> None:
    """The line names the option."""
    words = ["replay", str(ROOT / "traces" / "bench_dry.csv"), "--controller", str(own()), "--params", "reference"]
    assert main(words) == 2
    assert capsys.readouterr().err.startswith("drydive replay: --params: expected none with own.c")


def test_coverage_knows_its_modes_and_reasons(own: Own, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Lines of C are not counted, what it visits is: both modes, and the reason never given by its words."""
    scenario(tmp_path, str(own()))
    assert main(["check", str(tmp_path), "--coverage"]) == 0
    said = capsys.readouterr().out
    assert "own: modes 2 of 2, reasons 2 of 4" in said
    assert "never: reason 2 the kill cord is out" in said


def test_a_matrix_of_faults_takes_it(own: Own, capsys: pytest.CaptureFixture[str]) -> None:
    """Worker processes load it for themselves: no cell ends in an error."""
    from sim.jobs.matrix import matrix
    from sim.jobs.ride import prepared

    source = own(change=("#define THROTTLE_TICK_US 1000", ""))
    found = matrix(prepared(MOORHEN, str(source)), ("lake",), ("full",), ("sensor_open", "chip_reset"))
    assert len(found.cells) == 3
    assert [cell.why for cell in found.cells if cell.outcome == "error"] == []


def test_a_case_travels_to_another_process(own: Own, tmp_path: Path) -> None:
    """Corners, builds and searches send a case without its controller; there it is the same again."""
    own()
    case = load_case(scenario(tmp_path, "own/own.c"))
    from sim.jobs.trials import sealed

    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        there = pool.submit(fingerprint_there, sealed(case)).result()
    assert there == case.bench.controller.fingerprint()


def fingerprint_there(closed: object) -> str:
    """Of the controller of a case opened in this process."""
    return closed.opened().bench.controller.fingerprint()  # type: ignore[attr-defined, no-any-return]


def test_a_fork_asks_through_wires_of_its_own(own: Own) -> None:
    """A process forked from one that runs the C, and that one itself, both get their own answers."""
    with Isolated(own(), Inputs, Command) as chip:
        before = chip.step(None, chip.initial(), REST)
        child = os.fork()
        if child == 0:
            same = all(chip.step(None, chip.initial(), REST) == before for _ in range(200))
            os._exit(0 if same else 1)
        assert all(chip.step(None, chip.initial(), REST) == before for _ in range(200))
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def test_threads_share_it(own: Own) -> None:
    """Rides in several threads end as one alone does."""
    with Isolated(own(), Inputs, Command) as chip, ThreadPoolExecutor(4) as pool:
        alone = ridden(chip)
        assert list(pool.map(lambda _: ridden(chip), range(4))) == [alone] * 4


def ridden(chip: Isolated) -> tuple[bytes, object]:
    """The last state and command of a short ride."""
    state = chip.initial()
    for tick in range(400):
        row = REST._replace(deadman=int(tick > 50), hall_counts=700 if tick < 150 else 3000)
        state, command = chip.step(None, state, row)
    return state, command
