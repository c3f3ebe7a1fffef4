"""The fault matrix: its ride, its rules and their outcomes, cell by cell and as a whole."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from controllers import reference
from sim.base.clock import to_us
from sim.base.errors import InputError
from sim.bench import run as bench
from sim.bench.scenario import AMOUNTS
from sim.face import grid, matrix_figure
from sim.face.cli import main
from sim.jobs.case import judge_case, load_case, overall
from sim.jobs.matrix import (
    ERROR,
    KINDS,
    OUTCOMES,
    SAFE_DEGRADED,
    SAFE_STOP,
    UNDECIDED,
    UNSAFE,
    Cell,
    Matrix,
    matrix,
    tried,
)
from sim.jobs.ride import COMMON, NO_FAULT, PHASES, SIZES, Ride, here, prepared, rules, scenario, script
from sim.record.table import Table
from sim.verdict.requirement import judge
from sim.world import esc, supply

ROOT = Path(__file__).parents[1]
MOORHEN = ROOT / "sim" / "moorhen" / "moorhen.yaml"
PAGE = (ROOT / "docs" / "finding-faults.md").read_text(encoding="utf-8")


@cache
def ride(controller: str) -> Ride:
    """Moorhen's ride at a rate that is quick."""
    return prepared(MOORHEN, controller, control_hz=250.0)


@cache
def sound(phase: str) -> bench.Run:
    """The run of a phase with nothing broken."""
    return bench.simulate(bench.set_up(scenario(ride("reference"), NO_FAULT, phase, "lake"), here()))


def at(run: bench.Run, name: str, t_s: float) -> float:
    """A column at the last tick that ended by a time."""
    return float(run.table[name][np.searchsorted(run.table.t_us, to_us(t_s)) - 1])


def drive(run: bench.Run, t_s: float) -> float:
    return at(run, "left_pulse_us", t_s) - 1000.0


# What the vehicle is doing when a phase's fault comes.
MOMENTS: dict[str, Callable[[bench.Run, float], bool]] = {
    "start": lambda run, t_s: t_s == 0.0,
    "arming": lambda run, t_s: at(run, "chip", t_s) == supply.RUNNING and at(run, "left_esc_mode", t_s) == esc.ARMING,
    "ramping": lambda run, t_s: 0.0 < drive(run, t_s - 0.05) < drive(run, t_s) < drive(run, t_s + 0.05),
    "full": lambda run, t_s: drive(run, t_s - 0.2) == drive(run, t_s) == drive(run, t_s + 0.2) == 400.0,
    "releasing": lambda run, t_s: drive(run, t_s - 0.02) > drive(run, t_s) > drive(run, t_s + 0.02) > 0.0,
    "step change": lambda run, t_s: at(run, "power_step", t_s) == 1.0 and at(run, "power_step", t_s + 2.0) == 2.0,
    "after reset": lambda run, t_s: at(run, "chip", t_s - 0.2) != supply.RUNNING == at(run, "chip", t_s),
}


@pytest.mark.parametrize("phase", PHASES)
def test_the_fault_meets_its_phase(phase: str) -> None:
    """When the fault would come the undisturbed vehicle is doing what the phase is called by."""
    assert MOMENTS[phase](sound(phase), script(ride("reference"), phase).fault_s)


@pytest.mark.parametrize("phase", PHASES)
def test_every_ride_drives_and_is_ended_by_the_dead_man(phase: str) -> None:
    """In each phase the reference, with nothing broken, drives up to letting go, and not up to the cord."""
    run, when = sound(phase), script(ride("reference"), phase)
    assert drive(run, when.release_s) > 0.0
    assert drive(run, when.cord_s) == 0.0
    assert at(run, "deadman_pressed", when.release_s) == 1.0
    assert at(run, "lever_frac", when.cord_s) == 1.0


def test_every_amount_is_given() -> None:
    """Each kind that needs an amount has one, within its range."""
    assert SIZES.keys() == AMOUNTS.keys()
    assert all(AMOUNTS[kind].low <= size <= AMOUNTS[kind].high for kind, size in SIZES.items())


def test_a_controller_is_held_to_its_own_words() -> None:
    """The reference's times are those of its functions; one that states nothing is given common ones."""
    params = bench.set_up(scenario(ride("reference"), NO_FAULT, "full", "lake"), here()).controller.params
    said = ride("reference").stated
    assert said.deadman_latency == reference.deadman_latency_ms(params) / 1000.0
    assert said.start_delay == reference.start_delay_ms(params) / 1000.0
    assert ride("first_draft").stated == COMMON


def test_a_statement_that_fails_is_bad_input(tmp_path: Path) -> None:
    """A latency function that raises is a fault of the controller's file, by name."""
    logic = tmp_path / "logic.py"
    text = (ROOT / "controllers" / "first_draft.py").read_text(encoding="utf-8")
    logic.write_text(text + "\n\ndef deadman_latency_ms(params):\n    return params.nothing\n", encoding="utf-8")
    with pytest.raises(InputError, match="deadman_latency_ms: expected a number of milliseconds"):
        prepared(MOORHEN, str(logic), str(ROOT / "controllers" / "first_draft.yaml"))


# A quiet second of a ride at 100 Hz: what each rule's breach changes, from a tick to a tick.
QUIET = {
    "left_pulse_us": 1000.0,
    "right_pulse_us": 1000.0,
    "left_thrust_n": 0.0,
    "right_thrust_n": 0.0,
    "lever_frac": 1.0,
    "hand_frac": 1.0,
    "deadman": 1.0,
    "deadman_pressed": 1.0,
    "kill_cord": 1.0,
    "cord_seated": 1.0,
    "mode_pressed": 0.0,
    "power_step": 1.0,
    "chip": 0.0,
}
LIMITS = {"stop_us": 1000.0, "full_us": 2000.0}
ASKED = {"left_pulse_us": (1300.0, 0, 400), "right_pulse_us": (1300.0, 0, 400)}
RISEN = {"left_pulse_us": (1300.0, 200, 400), "right_pulse_us": (1300.0, 200, 400)}
BREACHES = {
    "deadman-ends-drive": {**ASKED, "deadman": (0.0, 100, 160)},
    "cord-ends-drive": {**ASKED, "kill_cord": (0.0, 100, 130)},
    "cord-ends-thrust": {"right_thrust_n": (6.0, 0, 400), "cord_seated": (0.0, 100, 200)},
    "drive-within-lever": {**ASKED, "lever_frac": (0.1, 100, 160)},
    "step-rises-at-rest": {**ASKED, "power_step": (2.0, 100, 400)},
    "no-thruster-alone": {**ASKED, "left_thrust_n": (0.5, 0, 400), "right_thrust_n": (6.0, 100, 320)},
    "no-start-unheld": {**RISEN, "deadman_pressed": (0.0, 120, 220), "hand_frac": (0.5, 199, 200)},
    "no-start-after-reset": {**RISEN, "chip": (1.0, 150, 160), "hand_frac": (0.5, 199, 200)},
    "no-start-by-itself": RISEN,
}
# The same, but for the change that makes it right.
PARDONS: dict[str, dict[str, tuple[float, int, int]]] = {
    "deadman-ends-drive": {"deadman": (0.0, 100, 140)},
    "cord-ends-drive": {"kill_cord": (0.0, 100, 110)},
    "cord-ends-thrust": {"cord_seated": (0.0, 100, 150)},
    "drive-within-lever": {"lever_frac": (0.3, 100, 160)},
    "step-rises-at-rest": {"left_pulse_us": (1000.0, 0, 400), "right_pulse_us": (1000.0, 0, 400)},
    "no-thruster-alone": {"left_thrust_n": (3.0, 0, 400)},
    "no-start-unheld": {"deadman_pressed": (0.0, 120, 180)},
    "no-start-after-reset": {"deadman": (0.0, 170, 180)},
    "no-start-by-itself": {"hand_frac": (0.5, 190, 200)},
}


def ridden(*changes: dict[str, tuple[float, int, int]]) -> Table:
    """Four seconds of quiet with columns changed over spans of ticks."""
    columns = {name: np.full(400, value) for name, value in QUIET.items()}
    for change in changes:
        for name, (value, start, stop) in change.items():
            columns[name] = np.full(400, QUIET[name])
            columns[name][start:stop] = value
    return Table(10_000 * np.arange(400), columns)


def broken(table: Table) -> set[str]:
    return {entry.id for entry in rules(COMMON) if judge(entry.requirement("rules"), table, LIMITS).verdict == "fail"}


@pytest.mark.parametrize("rule", BREACHES)
def test_each_rule_is_broken_by_its_breach_alone(rule: str) -> None:
    """Each rule fails on a recording that breaks it, and no other fails there."""
    assert broken(ridden(BREACHES[rule])) == {rule}


@pytest.mark.parametrize("rule", PARDONS)
def test_each_rule_holds_just_short_of_it(rule: str) -> None:
    """Each rule holds on the same recording once what makes it wrong is put right."""
    assert rule not in broken(ridden(BREACHES[rule], PARDONS[rule]))


def test_every_rule_has_its_breach() -> None:
    """No rule is left untried above."""
    assert BREACHES.keys() == PARDONS.keys() == {entry.id for entry in rules(COMMON)}


@pytest.mark.parametrize(
    ("controller", "kind", "phase", "outcome", "since"),
    [
        ("reference", NO_FAULT, "full", SAFE_DEGRADED, "dead-man"),
        ("reference", "sensor_open", "full", SAFE_STOP, "fault"),
        ("reference", "lever_stuck", "full", SAFE_DEGRADED, "dead-man"),
        ("reference", "deadman_welded", "full", SAFE_STOP, "cord"),
        ("reference", "deadman_welded", "releasing", SAFE_STOP, "dead-man"),
        ("reference", "deadman_welded", "start", SAFE_STOP, "fault"),
        ("reference", "switch_welded", "ramping", SAFE_DEGRADED, "dead-man"),
        ("reference", "chip_reset", "after reset", SAFE_DEGRADED, "dead-man"),
        ("first_draft", "deadman_welded", "start", UNSAFE, ""),
        ("first_draft", "button_welded", "ramping", UNSAFE, ""),
        ("first_draft", NO_FAULT, "after reset", UNSAFE, ""),
    ],
)
def test_what_becomes_of_a_cell(controller: str, kind: str, phase: str, outcome: str, since: str) -> None:
    """A fault, a phase and a controller come to the outcome that their physics and logic ask for."""
    cell = tried(ride(controller), kind, phase, "lake")
    assert (cell.outcome, cell.since) == (outcome, since), cell.why


def test_the_latency_of_a_stop_is_the_stated_one() -> None:
    """An open sensor at full stops the reference within its stated latency and the thrusters' spin-down."""
    cell = tried(ride("reference"), "sensor_open", "full", "lake")
    assert cell.latency_s is not None
    assert 0.0 < cell.latency_s <= ride("reference").stated.sensor_latency
    assert "open wire" in cell.why


def test_the_reference_has_no_unsafe_cell() -> None:
    """In a lake no fault before the start, on the ramp, at full lever or after a reset makes the reference unsafe."""
    done: list[tuple[int, int]] = []
    phases = ["start", "ramping", "full", "after reset"]
    found = matrix(ride("reference"), ["lake"], phases, progress=lambda now, total: done.append((now, total)))
    assert [(cell.kind, cell.phase, cell.why) for cell in found.worst()] == []
    total = len(phases) * (len(KINDS) + 1)
    assert done == [(number, total) for number in range(1, total + 1)]


def test_the_first_draft_shows_its_holes(tmp_path: Path) -> None:
    """At full lever in a lake six faults make it unsafe; such a cell's file fails when run, another's passes."""
    found = matrix(ride("first_draft"), ["lake"], ["full"])
    assert {cell.kind for cell in found.worst()} == {
        "sensor_short_high",
        "deadman_intermittent",
        "button_welded",
        "left_esc_dead",
        "right_esc_dead",
        "chip_reset",
    }
    for kind, verdict in (("chip_reset", "fail"), ("sensor_open", "pass")):
        path = tmp_path / f"{kind}.scenario.yaml"
        found.write(found.cell(kind, "full", "lake"), path)
        assert overall(judge_case(load_case(path)).verdicts) == verdict


def test_nothing_is_decided_where_nothing_starts() -> None:
    """In the sea Moorhen's cord reads pulled and nothing drives: early faults there are undecided, not safe."""
    found = matrix(ride("reference"), ["sea"], ["start"], ["sensor_open"], ThreadPoolExecutor(1))
    cell = found.cell("sensor_open", "start", "sea")
    assert (cell.outcome, cell.latency_s) == (UNDECIDED, None)
    assert "the kill cord was out (stopped by the kill cord), even with nothing broken" in cell.why
    shown = StringIO()
    grid.matrix(Console(file=shown, width=200), found)
    assert "undecided  sea, start, no fault: There is no drive: the kill cord was out" in shown.getvalue()


def test_no_drive_to_meet_is_undecided() -> None:
    """A fault at full lever proves nothing where there was no drive before it."""
    cell = tried(ride("reference"), "sensor_open", "full", "sea")
    assert (cell.outcome, cell.drove) == (UNDECIDED, False)
    assert cell.why == "There is no drive for it to meet: the kill cord was out (stopped by the kill cord)."


def test_a_crash_is_its_own_cell_s_failure(tmp_path: Path) -> None:
    """A controller that raises on one fault makes that cell an error with its text, and the other goes on."""
    logic = tmp_path / "logic.py"
    text = (ROOT / "controllers" / "first_draft.py").read_text(encoding="utf-8")
    crash = "    if inputs.hall_counts == 0:\n        raise ZeroDivisionError('nothing\\nread')\n"
    logic.write_text(text.replace("    counts = (3 *", f"{crash}    counts = (3 *"), encoding="utf-8")
    own = prepared(MOORHEN, str(logic), str(ROOT / "controllers" / "first_draft.yaml"), control_hz=250.0)
    found = matrix(own, ["lake"], ["releasing"], ["sensor_open", "left_fouled"], ThreadPoolExecutor(1))
    assert [cell.outcome for cell in found.cells] == [SAFE_STOP, ERROR, SAFE_STOP]
    assert "ZeroDivisionError: nothing\\nread" in found.cells[1].why
    assert found.tally()[ERROR] == 1


def test_it_is_the_same_however_it_is_run() -> None:
    """Threads of this process and processes of their own give the same cells bit for bit."""
    asked = (["pool"], ["releasing"], ["button_intermittent", "sensor_noise"])
    assert matrix(ride("first_draft"), *asked, ThreadPoolExecutor(2)) == matrix(ride("first_draft"), *asked)


def test_a_name_that_is_none_is_refused() -> None:
    """A water, a phase or a kind that does not exist is bad input, with the nearest that does."""
    with pytest.raises(InputError) as caught:
        matrix(ride("reference"), ["pol"], ["fll"], ["button_weldet"])
    assert [fault.key for fault in caught.value.faults] == ["water", "phase", "kind"]
    assert ["did you mean pool" in str(caught.value), "did you mean button_welded" in str(caught.value)] == [True, True]


def test_faults_may_pass() -> None:
    """With a time to last, the fault of a cell ends after it."""
    brief = prepared(MOORHEN, "reference", lasting_s=0.5)
    (fault,) = scenario(brief, "sensor_open", "full", "lake").faults
    assert fault.until_s == pytest.approx(fault.at_s + 0.5)


def test_the_grid_shows_every_cell() -> None:
    """The printed grid has a row for each kind and a word for each outcome, and tells all alike holes in one line."""
    found = matrix(
        ride("first_draft"), ["lake"], ["after reset"], ["sensor_drift", "left_fouled"], ThreadPoolExecutor(1)
    )
    console = Console(width=200)
    with console.capture() as captured:
        grid.matrix(console, found)
    printed = captured.get()
    assert re.findall(r"^(no fault|sensor_drift|left_fouled) +UNSAFE", printed, re.MULTILINE) == [
        NO_FAULT,
        *found.kinds,
    ]
    assert "UNSAFE  lake, after reset, no fault, sensor_drift, left_fouled: " in printed
    assert "3 unsafe" in printed


def test_a_cell_in_short() -> None:
    """A cell shows its outcome's word, its latency, and what else that counts from."""
    cell = Cell("left_esc_dead", "full", "lake", SAFE_STOP, "", latency_s=1.25, since="cord")
    assert grid.short(cell).plain == "stops 1.25 c"


def shown(*changes: tuple[str, str, dict[str, object]]) -> Matrix:
    """A matrix of two kinds, two phases and two waters, all going on until the dead-man but for the changed cells."""
    cells = [
        Cell(kind, phase, water, SAFE_DEGRADED, "", latency_s=0.18, since="dead-man", drove=True)
        for water in ("lake", "salt_pool")
        for phase in ("full", "after reset")
        for kind in (NO_FAULT, "sensor_open", "left_esc_dead")
    ]
    for kind, water, fields in changes:
        place = next(i for i, cell in enumerate(cells) if (cell.kind, cell.phase, cell.water) == (kind, "full", water))
        cells[place] = replace(cells[place], **fields)
    kinds = ("sensor_open", "left_esc_dead")
    return Matrix(ride("reference"), ("lake", "salt_pool"), ("full", "after reset"), kinds, tuple(cells))


UNSAFE_CELL = {"outcome": UNSAFE, "why": "No drive alone; broken at 3.10 s.", "latency_s": None, "since": ""}
ERROR_CELL = {"outcome": ERROR, "why": "ValueError: nothing", "latency_s": None, "since": ""}
HOLES = (("sensor_open", "lake", UNSAFE_CELL), ("left_esc_dead", "lake", UNSAFE_CELL))


def written(found: Matrix) -> list[str]:
    """All that stands on the figure's page."""
    return [text.get_text() for axes in matrix_figure.matrix(found).axes for text in axes.texts]


def test_the_figure_says_at_once_whether_any_cell_is_unsafe() -> None:
    """The largest words are the count of unsafe cells, or that there is none; each water says its own."""
    assert {"No unsafe cell of 12", "none unsafe"} <= set(written(shown()))
    assert {"2 unsafe of 12 cells", "2 unsafe", "none unsafe"} <= set(written(shown(*HOLES)))
    (page,) = matrix_figure.matrix(shown(*HOLES)).axes
    assert max(page.texts, key=lambda text: text.get_size()).get_text() == "2 unsafe of 12 cells"


def test_the_figure_tells_what_broke_and_with_which_faults() -> None:
    """Cells that broke the same rule are one line, with their number and their kinds; an error is told by its text."""
    words = written(shown(*HOLES, ("sensor_open", "salt_pool", ERROR_CELL)))
    assert "2 \N{MULTIPLICATION SIGN}  No drive alone  (sensor_open, left_esc_dead)" in words
    assert "1 \N{MULTIPLICATION SIGN}  ValueError: nothing  (sensor_open)" in words
    assert "2 unsafe and 1 error of 12 cells" in words


def test_no_two_outcomes_of_the_figure_share_a_sign() -> None:
    """Each outcome has a sign of its own, so that colour never stands alone."""
    signs = [mark.marker for mark in matrix_figure.MARKS.values()]
    assert len(set(signs)) == len(signs)
    assert set(OUTCOMES) <= set(matrix_figure.MARKS)


def luminance(colour: tuple[float, float, float]) -> float:
    """Relative luminance of an sRGB colour (IEC 61966-2-1; WCAG 2.1, relative luminance; from memory)."""
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in colour]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("good", [name for name in matrix_figure.MARKS if name not in matrix_figure.BAD])
@pytest.mark.parametrize("bad", matrix_figure.BAD)
def test_an_unsafe_cell_is_dark_on_a_grey_print(good: str, bad: str) -> None:
    """Without colour an unsafe cell still stands out from any other: 2 to 1 in contrast, common practice, no source."""
    fills = matrix_figure.MARKS[good].fill, matrix_figure.MARKS[bad].fill
    lighter, darker = (luminance(fill) + 0.05 for fill in fills)
    assert lighter / darker > 2.0


def test_a_stop_by_the_cord_alone_looks_different() -> None:
    """Where letting go of the dead-man ended nothing the cell has another sign than a plain safe stop."""
    stop = Cell("left_esc_dead", "full", "lake", SAFE_STOP, "", latency_s=1.25, since="fault")
    marks = [matrix_figure.MARKS[matrix_figure.looks(cell)] for cell in (stop, replace(stop, since="cord"))]
    assert marks[0].marker != marks[1].marker
    assert marks[0].fill != marks[1].fill


def test_the_command_writes_the_figure_and_the_unsafe_cells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --out DIR the command writes matrix.png, matrix.svg and each unsafe cell's scenario, and exits with 1."""
    monkeypatch.setattr("sim.jobs.matrix.matrix", lambda *asked, **how: shown(*HOLES))
    assert main(["matrix", str(MOORHEN), "--out", str(tmp_path)]) == 1
    names = {path.name for path in tmp_path.iterdir()}
    cells = {"lake_full_sensor_open.scenario.yaml", "lake_full_left_esc_dead.scenario.yaml"}
    assert names == {"matrix.png", "matrix.svg", *cells}
    printed = capsys.readouterr().out
    assert [name for name in names if name not in printed] == []


@pytest.mark.parametrize("name", [*PHASES, *OUTCOMES, *(f"`{entry.id}`" for entry in rules(COMMON))])
def test_the_page_tells_every_name(name: str) -> None:
    """docs/finding-faults.md has a row for each phase, outcome and rule."""
    assert re.search(rf"^\| {re.escape(name)} \|", PAGE, re.MULTILINE)
