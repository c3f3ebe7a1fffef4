"""Sweeps: each row is what ``drydive run`` says of that case, however it is run and however often it is stopped."""

from __future__ import annotations

import csv
import gc
import json
import os
import signal
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sweep_files import SCENARIO, own_controller, sweep_file

from sim.base.errors import InputError
from sim.bench import compiled_loop, tapes
from sim.face.cli import main
from sim.jobs import sweep_case
from sim.jobs.case import judge_case, load_case, on_engine, overall
from sim.jobs.sweep import Swept, load_sweep, run_sweep, write_files
from sim.jobs.sweep_case import Row, Runner
from sim.jobs.sweep_crew import processes, threads
from sim.jobs.sweep_journal import Journal
from sim.jobs.sweep_plan import Sweep
from sim.verdict.measures import parse_measure, take

SWEEPS: dict[str, dict[str, str]] = {
    "the day": {
        "quantities": """
            pack.charge_frac: {from: 0.1, to: 0.9, steps: 3}
            pack.temperature_degc: {values: [null, 3]}
            water.kind: {values: [lake, sea, air]}
            attitude: {values: [held, towed]}
            seed: {random: whole, from: 1, to: 1000}
        """,
        "rest": "draws: {count: 2}\n",
    },
    "the vehicle": {
        "quantities": """
            vehicle_set.pack.cell.r0_ohm: {random: normal, mean: 0.03, deviation: 0.01}
            vehicle_set.esc.cut_v: {random: uniform, from: 38, to: 52}
            vehicle_set.sensor.noise_v_rms: {random: log_uniform, from: 0.001, to: 0.2}
            attitude: {values: [held, towed, worn]}
        """,
        "rest": "draws: {count: 20, seed: 5}\n",
    },
    "the controller": {
        "quantities": """
            controller: {values: [first_draft, reference]}
            control_hz: {values: [500, 1000, 1234.5]}
            substeps: {values: [1, 3]}
        """,
    },
    "its parameters": {
        "quantities": """
            params_set.button_ms: {random: whole, from: 0, to: 60}
            params_set.cap_2_permille: {random: choice, values: [0, 300, 1000]}
        """,
        "rest": "draws: {count: 30}\n",
    },
    "faults and rider": {
        "quantities": """
            faults[0].at_s: {from: 0.0, to: 0.9, steps: 7}
            faults[0].amount: {values: [-1, 0.4]}
            rider[2].lever_frac: {values: [0.3, 1]}
        """,
    },
    "the catalogue": {
        "quantities": """
            standard.limits.hunting_s: {values: [0.2, 0.8]}
            duration_s: {values: [1.1, 1.5]}
            seed: {values: [3, 4]}
        """,
        "base": SCENARIO + "standard: all\n",
    },
}
LATE = "latency(not deadman, left_pulse_us <= stop_us)"
REPORT = f"report: {{verdicts: all, measures: {{low: minimum(bus_v), late: '{LATE}'}}}}"


def written(folder: Path, name: str) -> Path:
    """One of the sweeps above, in a folder."""
    entry = SWEEPS[name]
    return sweep_file(folder, entry["quantities"], entry.get("rest", "") + REPORT, entry.get("base", SCENARIO))


def as_run(scenario: Path, row: Row, sweep: Any) -> Row:
    """The row that a case comes to when its scenario file is loaded and judged as ``drydive run`` does."""
    try:
        case = on_engine(load_case(scenario), "interpreted")
    except InputError:
        return row._replace(verdict="error")
    judged = judge_case(case)
    verdicts = {verdict.id: verdict for verdict in judged.verdicts}
    figures = [take(parse_measure(each.text), judged.run.table, case.limits) for each in sweep.measures.values()]
    return row._replace(
        verdict=overall(judged.verdicts),
        margins=tuple(verdicts[name].margin if name in verdicts else None for name in sweep.margins),
        units=tuple(
            verdicts[name].unit if name in verdicts and verdicts[name].margin is not None else ""
            for name in sweep.margins
        ),
        verdicts=tuple(verdicts[name].verdict if name in verdicts else "untried" for name in sweep.verdicts),
        measures=tuple(figure.value for figure in figures),
    )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True, max_examples=8)
@given(data=st.data())
@pytest.mark.parametrize("name", SWEEPS)
def test_each_row_is_what_run_says_of_the_case(name: str, tmp_path: Path, data: st.DataObject) -> None:
    """A case written as a scenario file, loaded and judged alone, gives the row's figures bit for bit."""
    sweep = load_sweep(written(tmp_path, name))
    case = data.draw(st.integers(0, len(sweep.cases) - 1))
    row = Runner(sweep, "interpreted").row(case)
    path = tmp_path / "case.scenario.yaml"
    try:
        sweep.write(case, path)
    except InputError:
        assert row.verdict == "error"
        return
    assert row == as_run(path, row, sweep)


@pytest.mark.parametrize("name", SWEEPS)
def test_the_sweeps_tried_are_worth_it(name: str, tmp_path: Path) -> None:
    """The cases above differ: none of those properties holds because all rows are the same."""
    sweep = load_sweep(written(tmp_path, name))
    runner = Runner(sweep, "interpreted")
    rows = [runner.row(case) for case in range(0, len(sweep.cases), max(len(sweep.cases) // 8, 1))]
    assert len({row.measures + row.margins for row in rows if row.verdict != "error"}) > 1


@pytest.mark.parametrize("name", SWEEPS)
def test_what_a_runner_keeps_changes_no_row(name: str, tmp_path: Path) -> None:
    """Vehicles, controllers, tapes and requirements kept from case to case give the rows of runners that keep none."""
    sweep = load_sweep(written(tmp_path, name))
    line = [sweep.position(place) for place in range(0, len(sweep.cases), max(len(sweep.cases) // 5, 1))]
    keeping = Runner(sweep, "interpreted")
    for case in [*line, *[each + 1 for each in line if each + 1 < len(sweep.cases)][:3]]:
        assert keeping.row(case) == Runner(sweep, "interpreted").row(case)


def test_the_command_line_runs_a_case_alike(tmp_path: Path) -> None:
    """``drydive sweep --case N`` writes what ``drydive run`` judges with the margins of row N."""
    path, out = written(tmp_path, "the vehicle"), tmp_path / "out"
    assert main(["sweep", str(path), "--case", "7", "--out", str(out), "--quiet"]) == 0
    result = tmp_path / "run.json"
    main(["run", str(out / "s_7.scenario.yaml"), "--json", str(result), "--quiet", "--engine", "interpreted"])
    ran = {each["id"]: each["margin"] for each in json.loads(result.read_text())["requirements"]}
    sweep = load_sweep(path)
    row = Runner(sweep, "interpreted").row(6)
    assert dict(zip(sweep.margins, row.margins, strict=True)) == {name: ran[name] for name in sweep.margins}


def test_a_case_that_makes_no_scenario_is_not_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line with the case and the key, and no file."""
    path = sweep_file(tmp_path, "attitude: {values: [towed]}\nwater.kind: {values: [lake, air]}")
    assert main(["sweep", str(path), "--case", "2", "--out", str(tmp_path / "out")]) == 2
    assert capsys.readouterr().err == f"{path}: case 2: attitude: expected held in air; got towed\n"
    assert not (tmp_path / "out").exists()


def files(out: Path) -> tuple[bytes, bytes]:
    """The bytes of a finished sweep's files; nothing else is left in the folder."""
    assert sorted(path.name for path in out.iterdir()) == ["s.csv", "s.npz"]
    return (out / "s.csv").read_bytes(), (out / "s.npz").read_bytes()


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[bytes, bytes]]:
    """A sweep with cases that cannot be run among the others, and its files as one process makes them."""
    folder = tmp_path_factory.mktemp("day")
    path = written(folder, "the day")
    with threads(1) as crew:
        run_sweep(load_sweep(path), folder / "out", crew, engine="interpreted")
    return path, files(folder / "out")


class Backwards(Executor):
    """An executor that runs at once, and in threads of its own whatever it likes."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


@pytest.mark.parametrize("how", ["processes", "three threads", "an executor", "its own choice"])
def test_the_files_are_the_same_however_it_is_run(
    how: str, day: tuple[Path, tuple[bytes, bytes]], tmp_path: Path
) -> None:
    """Processes, threads and any executor give the same bytes."""
    path, expected = day
    sweep = load_sweep(path)
    if how == "processes":
        with processes(2) as crew:
            run_sweep(sweep, tmp_path, crew, engine="interpreted")
    elif how == "three threads":
        with threads(3) as crew:
            run_sweep(sweep, tmp_path, crew, engine="interpreted")
    else:
        run_sweep(sweep, tmp_path, Backwards() if how == "an executor" else None, engine="interpreted")
    assert files(tmp_path) == expected


def test_the_files_are_the_same_compiled(day: tuple[Path, tuple[bytes, bytes]], tmp_path: Path) -> None:
    """The compiled engine, in threads that share it, gives the same bytes."""
    path, expected = day
    with threads(2) as crew:
        run_sweep(load_sweep(path), tmp_path, crew, engine="compiled")
    assert files(tmp_path) == expected


def test_the_rows_are_in_the_order_of_the_cases(day: tuple[Path, tuple[bytes, bytes]]) -> None:
    """One row a case, numbered from 1, whatever order they were run in; those that could not be run say why."""
    path, (table, _) = day
    rows = list(csv.DictReader(table.decode().splitlines()))
    assert [int(row["case"]) for row in rows] == list(range(1, len(load_sweep(path).cases) + 1))
    towed_in_air = [row for row in rows if row["water.kind"] == "air" and row["attitude"] == "towed"]
    assert {row["reason"] for row in towed_in_air} == {"attitude: expected held in air; got towed"}
    assert [row for row in rows if row["verdict"] == "error"] == towed_in_air


def test_the_arrays_are_the_table(day: tuple[Path, tuple[bytes, bytes]], tmp_path: Path) -> None:
    """NumPy reads from the NPZ the columns that Python's csv reads from the CSV, bit for bit."""
    _, (table, arrays) = day
    (tmp_path / "s.npz").write_bytes(arrays)
    rows = list(csv.reader(table.decode().splitlines()))
    with np.load(tmp_path / "s.npz") as loaded:
        assert list(loaded) == rows[0]
        for head, *cells in zip(*rows, strict=True):
            column = loaded[head]
            if column.dtype.kind == "f":
                expected = np.array([float(cell) if cell else np.nan for cell in cells])
                assert np.array_equal(column, expected, equal_nan=True)
            else:
                assert [str(value) for value in column] == list(cells)


SLOW = """
    pack.charge_frac: {from: 0.2, to: 0.9, steps: 12}
    water.kind: {values: [lake, pool]}
"""
COMMAND = [sys.executable, "-m", "sim.face.cli", "sweep"]


def started(path: Path, out: Path, *options: str) -> subprocess.Popen[str]:
    """The command in a process of its own."""
    command = [*COMMAND, str(path), "--out", str(out), "--engine", "interpreted", "--workers", "2", *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def rows_in(journal: Path) -> int:
    """How many whole rows a journal has; its first line is none."""
    return max(journal.read_bytes().count(b"\n") - 1, 0) if journal.exists() else 0


def killed_midway(path: Path, out: Path, rows: int) -> list[psutil.Process]:
    """Start a sweep and kill it, and nothing else, when it has some rows; the workers it had."""
    process = started(path, out)
    while rows_in(out / "s.journal") < rows:
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)
    workers = psutil.Process(process.pid).children(recursive=True)
    process.kill()
    process.communicate()
    return workers


@pytest.fixture
def slow(tmp_path: Path) -> Path:
    """A sweep that takes some seconds."""
    return sweep_file(tmp_path, SLOW)


@pytest.fixture(scope="module")
def left_alone(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """The files of that sweep when nothing disturbs it."""
    folder = tmp_path_factory.mktemp("alone")
    run_sweep(load_sweep(sweep_file(folder, SLOW)), folder / "out", engine="interpreted")
    return files(folder / "out")


def test_a_killed_sweep_goes_on_where_it_was(slow: Path, tmp_path: Path, left_alone: tuple[bytes, bytes]) -> None:
    """Killed twice in the middle, it runs no case again and ends with the bytes of a sweep that was left alone."""
    out = tmp_path / "out"
    killed_midway(slow, out, 5)
    first = rows_in(out / "s.journal")
    killed_midway(slow, out, first + 5)
    second = rows_in(out / "s.journal")
    swept = run_sweep(load_sweep(slow), out, engine="interpreted")
    assert (swept.went_on_from, first < second < 24) == (second, True)
    assert files(out) == left_alone


def test_a_killed_sweep_leaves_no_workers(slow: Path, tmp_path: Path) -> None:
    """Its processes end within seconds, though nobody told them to."""
    workers = killed_midway(slow, tmp_path / "out", 3)
    assert len(workers) >= 2
    assert psutil.wait_procs(workers, timeout=10.0)[1] == []


def test_an_interruption_from_the_keyboard_keeps_the_rows(slow: Path, tmp_path: Path) -> None:
    """Ctrl-C, which reaches the workers too, ends in one line and exit code 130, and what was done is there."""
    command = [*COMMAND, str(slow), "--out", str(tmp_path / "out"), "--engine", "interpreted", "--workers", "2"]

    def heeding() -> None:
        # Tests that are run in the background may have been told to ignore it, and so would what they start.
        signal.signal(signal.SIGINT, signal.SIG_DFL)

    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, start_new_session=True, preexec_fn=heeding)
    while rows_in(tmp_path / "out" / "s.journal") < 3:
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert said == "drydive: expected the run to end; got an interruption from the keyboard\n"
    assert rows_in(tmp_path / "out" / "s.journal") >= 3


class StopsError(Exception):
    """What ends a sweep in these tests."""


def stopped(path: Path, out: Path, after: int = 5) -> None:
    """Run a sweep up to some rows, in this process."""

    def progress(done: int) -> None:
        if done >= after:
            raise StopsError

    with threads(1) as crew, pytest.raises(StopsError):
        run_sweep(load_sweep(path), out, crew, progress, engine="interpreted")


@pytest.mark.parametrize("torn", ['[7, "pass"', "\0\0\0"])
def test_a_torn_last_line_is_cut_off(slow: Path, tmp_path: Path, torn: str, left_alone: tuple[bytes, bytes]) -> None:
    """What a dying machine left of a row is no row: its case is run again."""
    stopped(slow, tmp_path / "out")
    before = rows_in(tmp_path / "out" / "s.journal")
    with (tmp_path / "out" / "s.journal").open("a") as journal:
        journal.write(torn)
    assert run_sweep(load_sweep(slow), tmp_path / "out", engine="interpreted").went_on_from == before
    assert files(tmp_path / "out") == left_alone


def test_a_finished_sweep_is_not_run_again(
    slow: Path, tmp_path: Path, left_alone: tuple[bytes, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped while its files were written, it writes them from the rows it has."""
    with monkeypatch.context() as patch:
        patch.setattr("sim.jobs.sweep.write_npz", lambda *_: (_ for _ in ()).throw(StopsError))
        with pytest.raises(StopsError):
            run_sweep(load_sweep(slow), tmp_path / "out", engine="interpreted")
    monkeypatch.setattr(Runner, "row", lambda *_: pytest.fail("a case was run again"))
    with threads(1) as crew:
        run_sweep(load_sweep(slow), tmp_path / "out", crew, engine="interpreted")
    assert files(tmp_path / "out") == left_alone


CHANGES = {
    "sweep s.sweep.yaml": ("s.sweep.yaml", "steps: 12", "steps: 11"),
    "scenario dive.scenario.yaml": ("dive.scenario.yaml", "temperature_degc: 15", "temperature_degc: 16"),
    "controller own, scenario dive.scenario.yaml": ("dive.scenario.yaml", "first_draft", "own.py"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_rows_of_other_inputs_are_refused(
    slow: Path, tmp_path: Path, what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """An unfinished sweep whose files have changed is one line, and nothing is mixed or lost."""
    own_controller(tmp_path)
    stopped(slow, tmp_path / "out")
    journal = (tmp_path / "out" / "s.journal").read_bytes()
    name, old, new = CHANGES[what]
    (tmp_path / name).write_text((tmp_path / name).read_text().replace(old, new))
    assert main(["sweep", str(slow), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "got a change of " in said
    assert what.split(", ")[-1] in said
    assert (tmp_path / "out" / "s.journal").read_bytes() == journal


def test_a_change_of_the_code_is_a_change(slow: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows of another version of the physics are not mixed with those of this one."""
    stopped(slow, tmp_path / "out")
    monkeypatch.setattr("sim.jobs.sweep_plan.code", lambda: "another")
    with pytest.raises(InputError, match=r"got a change of drydive$"):
        run_sweep(load_sweep(slow), tmp_path / "out")


def test_afresh_throws_the_rows_away(slow: Path, tmp_path: Path) -> None:
    """Asked for by name, a changed sweep begins anew."""
    stopped(slow, tmp_path / "out")
    slow.write_text(slow.read_text().replace("steps: 12", "steps: 3"))
    swept = run_sweep(load_sweep(slow), tmp_path / "out", engine="interpreted", afresh=True)
    assert (swept.went_on_from, sum(swept.tally.values())) == (0, 6)


def test_a_file_that_is_no_journal_is_left_alone(slow: Path, tmp_path: Path) -> None:
    """Whatever else is called like it is not overwritten."""
    (tmp_path / "s.journal").write_text("my notes\n")
    with pytest.raises(InputError, match="expected the journal of a sweep; got my notes"):
        run_sweep(load_sweep(slow), tmp_path)
    assert (tmp_path / "s.journal").read_text() == "my notes\n"


def test_two_processes_do_not_write_one_journal(slow: Path, tmp_path: Path) -> None:
    """The second is refused in one line while the first is at work."""
    out = tmp_path / "out"
    process = started(slow, out)
    while rows_in(out / "s.journal") < 1:
        time.sleep(0.01)
    with pytest.raises(InputError, match="expected a sweep that no other process is running; got one that is"):
        run_sweep(load_sweep(slow), out)
    process.kill()
    process.communicate()


OWN = "params_set.pulse_us: {values: [1000, 1950, 1200, 1300]}\nseed: {values: [1, 2, 3]}"


def by_pulse(swept: Swept) -> dict[str, set[tuple[str, str]]]:
    """What became of each pulse."""
    found: dict[str, set[tuple[str, str]]] = {}
    for row in csv.DictReader(swept.csv.read_text().splitlines()):
        found.setdefault(row["params_set.pulse_us"], set()).add((row["verdict"], row["reason"].split(" (")[0]))
    return found


def test_a_case_that_fails_is_told_and_the_rest_are_kept(tmp_path: Path) -> None:
    """A controller that raises has the place and the reason in its rows; the others' rows are there."""
    path = sweep_file(tmp_path, OWN, base=own_controller(tmp_path))
    swept = run_sweep(load_sweep(path), tmp_path / "out", engine="interpreted")
    assert swept.tally["error"] == 3
    found = by_pulse(swept)
    assert found.pop("1950") == {("error", "own.py:24: at 0.150 s: RuntimeError: too long a pulse")}
    assert {verdict for rows in found.values() for verdict, _ in rows} == {"fail"}
    assert swept.verdict == "fail"


def test_a_case_that_kills_its_process_is_found(tmp_path: Path) -> None:
    """Of the cases under way when a process dies the one that kills is named, the others are run."""
    path = sweep_file(tmp_path, OWN.replace("1950", "1800"), base=own_controller(tmp_path))
    with processes(2) as crew:
        found = by_pulse(run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted"))
    assert found.pop("1800") == {("error", "the process that ran it died")}
    assert {verdict for rows in found.values() for verdict, _ in rows} == {"fail"}


def test_an_executor_that_breaks_loses_nothing(tmp_path: Path) -> None:
    """An executor of one's own that gives up ends the sweep with its error; the rows stay for the next time."""
    path = sweep_file(tmp_path, "seed: {from: 1, to: 20, steps: 20}")

    class Tired(Backwards):
        left = 3

        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            self.left -= 1
            if self.left < 0:
                raise StopsError
            return super().submit(fn, *args, **kwargs)

    with pytest.raises(StopsError):
        run_sweep(load_sweep(path), tmp_path / "out", Tired(), engine="interpreted")
    assert run_sweep(load_sweep(path), tmp_path / "out", engine="interpreted").went_on_from > 0


def test_files_that_change_on_the_way_end_the_sweep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that finds other files than the sweep was begun with says so instead of running them."""
    path = sweep_file(tmp_path, "seed: {values: [1, 2]}")
    key = sweep_case.offered(load_sweep(path), "interpreted", 1)
    sweep_case.offered(load_sweep(path), "interpreted", 2)
    path.write_text(path.read_text().replace("[1, 2]", "[1, 3]"))
    with pytest.raises(InputError, match=r"got a change of sweep s\.sweep\.yaml"):
        sweep_case.run_cases(key, [0])


def test_runs_in_threads_leave_the_process_as_it_was() -> None:
    """What compiled runs take over for a while is given back by the last of them, in whatever order they end."""
    before = sys.unraisablehook
    first, second = compiled_loop.silent_failures(), compiled_loop.silent_failures()
    first.__enter__()
    second.__enter__()
    first.__exit__(None, None, None)
    assert sys.unraisablehook is not before
    second.__exit__(None, None, None)
    assert sys.unraisablehook is before


def test_tapes_are_drawn_once_for_cases_that_share_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With two seeds and five charges the tapes are drawn twice, in whatever order the file has the quantities."""
    path = sweep_file(tmp_path, "pack.charge_frac: {from: 0.2, to: 0.9, steps: 5}\nseed: {values: [1, 2]}")
    drawn: list[int] = []
    draw = tapes.drawn
    monkeypatch.setattr(sweep_case, "drawn", lambda script: (drawn.append(script.seed), draw(script))[1])
    with threads(1) as crew:
        run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted")
    assert sorted(drawn) == [1, 2]


def many_short_ones(folder: Path, cases: int) -> Sweep:
    """A sweep of runs that are over at once, with rows that are not short."""
    folder.mkdir()
    base = SCENARIO.replace("duration_s: 1.2", "duration_s: 0.02").partition("faults:")[0]
    rules = SCENARIO[SCENARIO.index("requirements:") :]
    return load_sweep(sweep_file(folder, f"seed: {{from: 1, to: {cases}, steps: {cases}}}", REPORT, base + rules))


@pytest.fixture
def traced() -> Iterator[None]:
    """Memory is counted, Python's and NumPy's."""
    tracemalloc.start()
    yield
    tracemalloc.stop()


@pytest.mark.usefixtures("traced")
def test_no_case_is_held_in_memory(tmp_path: Path) -> None:
    """While hundreds of cases are run, what is held grows by less than any row would take."""
    held: dict[int, int] = {}

    def progress(done: int) -> None:
        gc.collect()
        held[done] = tracemalloc.get_traced_memory()[0]

    with threads(1) as crew:
        run_sweep(many_short_ones(tmp_path / "s", 256), tmp_path / "out", crew, progress, engine="interpreted")
    grown = (held[256] - held[128]) / 128
    assert grown < 40.0


@pytest.mark.usefixtures("traced")
def test_writing_the_files_takes_no_more_memory_for_more_cases(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The most that is held while the files are written is the same for 128 cases and for 640, but for 8 bytes each."""
    peaks = {}
    for cases in (640, 2560):
        sweep = many_short_ones(tmp_path / str(cases), cases)
        journal = Journal(tmp_path / str(cases) / "j", {}, cases)
        journal.add([ROW._replace(case=case) for case in range(cases)])
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        tracemalloc.reset_peak()
        write_files(sweep, journal, tmp_path)
        peaks[cases] = tracemalloc.get_traced_memory()[1] - before
        journal.close()
    assert peaks[2560] - peaks[640] < 1920 * 40.0


ROW = Row(0, "fail", "bus: it fell" * 10, (1.5, 2.5, -3.5), ("V", "s", "N"), ("pass",) * 4, (4.5, 5.5))


def test_a_margin_that_may_have_several_units_says_which(tmp_path: Path) -> None:
    """Of a condition on volts and amperes each row tells which of them it came closest in."""
    rule = "  - {id: both, says: So., formula: always(bus_v >= 48 and bus_a <= 20)}\n"
    path = sweep_file(tmp_path, "pack.charge_frac: {values: [0.05, 0.9]}", base=SCENARIO + rule)
    with threads(1) as crew:
        swept = run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted")
    rows = list(csv.DictReader(swept.csv.read_text().splitlines()))
    assert {"margin both", "unit both", "margin bus (V)"} < set(rows[0])
    assert {row["unit both"] for row in rows} <= {"V", "A"}
    assert "unit bus" not in rows[0]


def test_numbers_too_large_for_a_word_are_kept_as_text(tmp_path: Path) -> None:
    """A seed of twenty-four digits is in the arrays digit for digit."""
    path = sweep_file(tmp_path, "seed: {values: [1, 123456789012345678901234]}")
    with threads(1) as crew:
        swept = run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted")
    with np.load(swept.npz) as loaded:
        assert loaded["seed"].tolist() == ["1", "123456789012345678901234"]


def test_the_json_says_what_it_came_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Tally, lowest margin with its case and values, what did not pass, and the files; exit code 1 for a failure."""
    path = sweep_file(tmp_path, "vehicle_set.esc.cut_v: {values: [40, 52]}\nseed: {values: [1, 2]}")
    assert main(["sweep", str(path), "--out", str(tmp_path / "out"), "--json", "-", "--engine", "interpreted"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "fail"
    assert told["cases"] == {"all": 4, "error": 0, "fail": 2, "undecided": 0, "pass": 2}
    bus = next(each for each in told["requirements"] if each["id"] == "bus")
    assert (bus["values"]["vehicle_set.esc.cut_v"], bus["below_zero"], bus["unit"]) == (52, 2, "V")
    assert [each["case"] for each in told["not_passed"]] == [3, 4]
    assert told["files"] == [str(tmp_path / "out" / name) for name in ("s.csv", "s.npz")]


def test_a_passing_sweep_ends_fine(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 0, and the lowest margins on the screen."""
    path = sweep_file(tmp_path, "seed: {values: [1]}", "says: It is safe.")
    assert main(["sweep", str(path), "--out", str(tmp_path / "out"), "--engine", "interpreted", "--threads"]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith("PASS  s  It is safe.\n1 cases: 1 pass\n")
    assert "bus" in printed


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--case", "0"], "drydive sweep: --case: expected a case from 1 to 1; got 0"),
        (["--case", "2"], "drydive sweep: --case: expected a case from 1 to 1; got 2"),
        (["--cluster", "x", "--threads"], "drydive sweep: --cluster: expected no --threads with it; got both"),
        (["--cluster", "x", "--workers", "2"], "drydive sweep: --cluster: expected no --workers with it; got both"),
    ],
)
def test_options_that_do_not_fit_are_one_line(
    tmp_path: Path, options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and the reason."""
    path = sweep_file(tmp_path, "seed: {values: [1]}")
    assert main(["sweep", str(path), "--out", str(tmp_path / "out"), *options]) == 2
    assert capsys.readouterr().err == said + "\n"


def test_a_folder_that_cannot_be_written_to_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Found before the first case is run."""
    path = sweep_file(tmp_path, "seed: {values: [1]}")
    (tmp_path / "out").write_text("a file")
    assert main(["sweep", str(path), "--out", str(tmp_path / "out")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_rows_are_on_the_disk_before_they_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each batch is forced to the disk, so that a power cut loses nothing that was told as done."""
    forced: list[int] = []
    sync = os.fsync
    monkeypatch.setattr("sim.jobs.sweep_journal.os.fsync", lambda file: (sync(file), forced.append(file))[0])
    journal = Journal(tmp_path / "j", {"a": "b"}, 3)
    journal.add([Row(0, "pass"), Row(2, "fail", "why")])
    assert len(forced) == 1
    assert [row.case for row in journal.rows()] == [0, 2]
    journal.close()


@given(reason=st.text(max_size=40), figure=st.floats(allow_nan=False))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True, max_examples=30)
def test_a_row_comes_back_from_the_journal_bit_for_bit(tmp_path: Path, reason: str, figure: float) -> None:
    """Any reason and any number, infinite ones included, are read as they were written."""
    (tmp_path / "j").unlink(missing_ok=True)
    row = Row(0, "fail", reason, (figure, None), ("V", ""), ("pass",), (-figure,))
    journal = Journal(tmp_path / "j", {}, 1)
    journal.add([row])
    journal.close()
    again = Journal(tmp_path / "j", {}, 1)
    assert list(again.rows()) == [row]
    again.close()
