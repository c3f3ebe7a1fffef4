"""Events: each thing that happens is told once, at its tick, with its reason; what a table lacks tells nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from file_cases import scenario

from sim.bench.events import Event, events_of
from sim.bench.run import Run, simulate
from sim.bench.scenario import FaultStep
from sim.jobs.case import load_case
from sim.record.table import Table
from sim.world import esc, protection, supply

LIMITS = {"esc_cut_v": 42.0, "trip_slow_a": 150.0, "trip_fast_a": 300.0, "cell_low_v": 2.7, "brown_out_v": 4.3}
MODES = {0: "waits", 1: "drives"}
REASONS = {0: "", 7: "the bus is low"}


def table(**columns: list[tuple[int, float]]) -> Table:
    """Four seconds at 1 kHz; each column as (tick, value from there on), 0 before the first."""
    made = {}
    for name, steps in columns.items():
        made[name] = np.zeros(4000)
        for tick, value in steps:
            made[name][tick:] = value
    return Table(1000 * np.arange(4000, dtype=np.int64), made)


def told(rows: Table, limits: dict[str, float] = LIMITS, faults: tuple[FaultStep, ...] = ()) -> list[tuple[Any, ...]]:
    """The events without their kind."""
    return [event[:3] for event in events_of(rows, limits, MODES, REASONS, faults)]


def test_a_rider_is_told_of() -> None:
    """Presses, releases and the cord are told in words, each at its tick."""
    rows = table(
        deadman_pressed=[(100, 1), (300, 0)],
        mode_pressed=[(200, 1), (250, 0)],
        cord_seated=[(0, 1), (400, 0), (500, 1)],
    )
    assert told(rows) == [
        (0.1, "rider presses the dead-man", ""),
        (0.2, "rider presses the mode button", ""),
        (0.25, "rider lets the mode button go", ""),
        (0.3, "rider releases the dead-man", ""),
        (0.4, "rider pulls the kill cord", ""),
        (0.5, "rider puts the kill cord back", ""),
    ]


def test_a_reading_that_the_rider_made_is_no_water() -> None:
    """A contact that reads pressed within 50 ms of the press, bounce and filter included, is the rider's."""
    rows = table(
        mode_pressed=[(100, 1), (130, 0)], mode_button=[(103, 1), (104, 0), (106, 1), (140, 0), (145, 1), (150, 0)]
    )
    assert all("nobody" not in what for _, what, _ in told(rows))


def test_a_reading_that_nobody_made_tells_its_line_and_its_water() -> None:
    """A press with no finger on it says the line's voltage and what the water across it conducts."""
    rows = table(
        mode_pressed=[],
        mode_button=[(500, 1), (510, 0)],
        mode_line_v=[(0, 5.0), (500, 1.4)],
        button_leak_siemens=[(0, 1e-5), (500, 250e-6)],
    )
    assert told(rows) == [
        (0.5, "mode button reads pressed, nobody pressed it", "its line is at 1.40 V, water across it conducts 250 uS")
    ]


def test_a_press_long_after_the_riders_is_nobodys() -> None:
    """50 ms after the finger left, a new press is the water's."""
    rows = table(deadman_pressed=[(100, 1), (200, 0)], deadman=[(100, 1), (200, 0), (260, 1)])
    assert told(rows)[-1][:2] == (0.26, "dead-man reads pressed, nobody pressed it")


def test_a_cord_that_reads_pulled_in_its_place_is_told() -> None:
    """A sense line that says pulled while the cord is in place is told with its line."""
    rows = table(cord_seated=[(0, 1)], kill_cord=[(0, 1), (700, 0)], cord_line_v=[(0, 5.0), (700, 0.3)])
    assert told(rows) == [(0.7, "kill cord reads pulled, nobody pulled it", "its line is at 0.30 V")]


def test_a_change_of_mode_has_its_reason() -> None:
    """A mode is told by its name with the reason at that tick; the chip's silence is no mode."""
    rows = table(mode=[(0, -1), (150, 0), (900, 1), (2000, 5)], reason=[(2000, 7)], power_step=[(0, 1)])
    assert told(rows) == [
        (0.15, "controller: waits", ""),
        (0.9, "controller: drives", ""),
        (2.0, "controller: mode 5", "the bus is low"),
    ]


def test_a_reason_without_a_change_of_mode_holds_drive() -> None:
    """A reason that comes up while the mode stays is told; one without words is told by its number."""
    rows = table(mode=[(0, 1)], reason=[(300, 7), (400, 0), (500, 9)], power_step=[(0, 1)])
    assert told(rows) == [
        (0.3, "controller: holds drive", "the bus is low"),
        (0.5, "controller: holds drive", "reason 9"),
    ]


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({"mode_pressed": [(900, 1), (950, 0)], "mode_button": [(900, 1)]}, "the rider pressed the mode button"),
        ({"mode_pressed": [], "mode_button": [(990, 1)]}, "the mode button reads pressed, nobody pressed it"),
        (
            {"mode_pressed": [], "mode_button": [], "deadman_pressed": [(500, 1), (600, 0), (700, 1), (800, 0)]},
            "the rider pressed the dead-man in rhythm",
        ),
        ({"mode_pressed": [], "mode_button": [], "deadman_pressed": [(500, 1), (600, 0)]}, ""),
        ({"mode_pressed": [], "mode_button": [(100, 1)]}, ""),
        (
            {
                "mode_pressed": [],
                "mode_button": [(100, 1)],
                "mode": [(0, -1), (990, 0)],
                "power_step": [(990, 1), (1000, 2)],
            },
            "the mode button reads pressed, nobody pressed it",
        ),
        ({"mode_button": [(990, 1)], "deadman_pressed": None}, "the mode button reads pressed"),
        (
            {"mode_button": [], "deadman_pressed": None, "deadman": [(500, 1), (600, 0), (700, 1), (800, 0)]},
            "the dead-man was pressed in rhythm",
        ),
    ],
)
def test_a_power_step_tells_what_it_came_from(columns: dict[str, Any], why: str) -> None:
    """A step has as its reason the finger, the wet button, or the rhythm on the dead-man, as far as that is known."""
    parts = {
        "deadman": [],
        "deadman_pressed": [],
        "mode": [],
        "reason": [],
        "power_step": [(0, 1), (1000, 2)],
    } | columns
    rows = table(**{name: steps for name, steps in parts.items() if steps is not None})
    (step,) = [event for event in told(rows) if event[1].startswith("power step")]
    assert step == (1.0, "power step 1 -> 2", why)


def test_a_step_that_a_reset_takes_back_is_no_step() -> None:
    """Steps that come or go with the chip's own silence are not told as changes."""
    rows = table(mode=[(0, 0), (500, -1), (900, 0)], reason=[], power_step=[(0, 3), (500, 0), (900, 1)])
    assert [what for _, what, _ in told(rows)] == ["controller: waits"]


def test_an_esc_tells_why_it_cuts() -> None:
    """A cut names the limit and the lowest voltage of the last tenth of a second."""
    rows = table(left_esc_mode=[(0, esc.READY), (500, esc.CUT)], bus_v=[(0, 50), (420, 39.5), (499, 48)])
    assert (0.5, "left ESC cuts", "the bus stayed under its cut-off of 42.0 V, down to 39.5 V") in told(rows)


@pytest.mark.parametrize(
    ("mode", "what", "why"),
    [
        (esc.UNPOWERED, "right ESC loses power", ""),
        (esc.ARMING, "right ESC waits for stop pulses", ""),
        (esc.SIGNAL_LOST, "right ESC has lost its signal", "no pulse reached it"),
        (9, "right ESC is in mode 9", ""),
    ],
)
def test_an_esc_tells_its_state(mode: int, what: str, why: str) -> None:
    """Each state of an ESC has its words, and one that is not known is told by its number."""
    assert told(table(right_esc_mode=[(0, esc.READY), (500, mode)])) == [(0.5, what, why)]


def test_the_main_switch_tells_of_the_cord() -> None:
    """The switch opens and closes with the cord's magnet."""
    assert told(table(switch_closed=[(0, 1), (100, 0), (200, 1)])) == [
        (0.1, "main switch opens", "the kill cord's magnet is away"),
        (0.2, "main switch closes", "the kill cord's magnet is back"),
    ]


@pytest.mark.parametrize(
    ("cause", "why"),
    [
        (protection.CELL_LOW, "weakest cell at 2.61 V, under 2.70 V"),
        (protection.CURRENT_HIGH, "pack current stayed over 150 A"),
        (protection.CURRENT_SHORT, "pack current over 300 A"),
        (protection.TOO_WARM, "pack at 66 degC"),
        (9, ""),
    ],
)
def test_the_pack_tells_why_it_opens(cause: int, why: str) -> None:
    """Each cause of the protection has its figures, and one that is not known none."""
    rows = table(protection_tripped=[(100, cause)], cell_v_min=[(0, 2.61)], pack_degc=[(0, 66.0)])
    assert told(rows) == [(0.1, "the pack opens", why)]


def test_the_pack_that_is_released_closes() -> None:
    """A release is told."""
    rows = table(protection_tripped=[(0, protection.CURRENT_HIGH), (100, protection.CLOSED)])
    assert told(rows) == [(0.1, "the pack closes again", "someone released it")]


def test_a_collapse_tells_where_the_bus_falls_to() -> None:
    """A bus without an operating point is told with the voltage it falls to."""
    assert told(table(collapsed=[(100, 1)], bus_v=[(0, 50), (100, 45)])) == [
        (0.1, "the bus collapses", "the power asked for has no operating point; the bus falls to 45.0 V")
    ]


def test_a_sagging_bus_is_told_but_not_one_that_is_switched_off() -> None:
    """A bus under the cut-off is told with its current; one that is off is somebody else's event."""
    rows = table(bus_v=[(0, 50), (100, 41), (200, 50), (300, 0.5)], bus_a=[(100, 120)])
    assert told(rows) == [(0.1, "bus under the ESCs' cut-off of 42.0 V", "41.0 V at 120 A")]


@pytest.mark.parametrize(("rail_v", "why"), [(4.21, "rail at 4.21 V"), (5.0, "its reset input")])
def test_a_reset_tells_whether_the_rail_was_low(rail_v: float, why: str) -> None:
    """A chip held in reset tells the low rail, or that it was not the rail."""
    rows = table(
        chip=[(0, supply.RUNNING), (100, supply.HELD), (200, supply.BOOTING), (300, supply.RUNNING)],
        rail_v=[(0, rail_v)],
    )
    assert told(rows) == [(0.1, "chip held in reset", why), (0.3, "chip starts its program", "")]


def test_faults_are_told_from_beginning_to_end() -> None:
    """A fault is told at its beginning with its amount, and at its end if the run sees it."""
    faults = (
        FaultStep(kind="sensor_drift", at_s=1.0, until_s=2.0, amount=0.3),
        FaultStep(kind="lever_stuck", at_s=3.0, until_s=9.0),
    )
    assert told(table(), faults=faults) == [
        (1.0, "sensor drift of 0.3", "as the scenario has it"),
        (2.0, "sensor drift ends", "as the scenario has it"),
        (3.0, "lever stuck", "as the scenario has it"),
    ]


@pytest.mark.parametrize(
    "columns",
    [
        {"mode_button": [(5, 1)], "mode_pressed": []},
        {"left_esc_mode": [(5, esc.CUT)]},
        {"bus_v": [(0, 50), (5, 40)]},
        {"collapsed": [(5, 1)]},
        {"protection_tripped": [(5, protection.CELL_LOW)]},
        {"chip": [(5, supply.HELD)]},
        {"mode": [(5, 1)], "reason": [], "power_step": [(5, 3)]},
        {"deadman": [(5, 1)]},
        {},
    ],
)
def test_a_column_that_is_not_there_tells_nothing(columns: dict[str, Any]) -> None:
    """Any part of a table may be missing, limits too: what is left is told with what is known."""
    for limits in (LIMITS, {}):
        events = events_of(table(**columns), limits, {}, {})
        assert all(isinstance(event, Event) for event in events)


@pytest.mark.parametrize("rows", [0, 1])
def test_a_table_of_one_row_or_none_has_no_changes(rows: int) -> None:
    """Where nothing can change nothing is told."""
    one = Table(
        np.zeros(rows, dtype=np.int64), {"mode": np.ones(rows), "mode_button": np.ones(rows), "chip": np.ones(rows)}
    )
    assert events_of(one, LIMITS, MODES, REASONS) == ()


DRIVE = """
  - {at_s: 1.3, deadman: true}
  - {at_s: 1.4, lever_frac: 1.0}
  - {at_s: 2.2, kill_cord: false}
  - {at_s: 2.5, kill_cord: true}"""


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The first draft in a pool, driven at once, with a kill cord, a reset and a dead signal."""
    folder = tmp_path_factory.mktemp("events")
    path = scenario(
        folder,
        controller="first_draft",
        water="{kind: pool, temperature_degc: 20}",
        duration_s="3.2",
        rider=DRIVE,
        faults="[{kind: left_signal_lost, at_s: 1.6, until_s: 2.0}, {kind: chip_reset, at_s: 2.8}]",
        seed="7",
    )
    return simulate(load_case(path).bench)


def test_events_come_in_order_of_time(run: Run) -> None:
    """The events of a run are sorted by their times."""
    times = [event.t_s for event in run.events]
    assert times == sorted(times)


def test_every_event_of_a_run_has_a_known_kind(run: Run) -> None:
    """Each event is sorted into one of the six kinds."""
    kinds = {event.kind for event in run.events}
    assert {"controller", "rider", "water", "supply", "drive", "fault"} == kinds


def test_a_wet_clicks_figures_are_the_divider_that_made_it(run: Run) -> None:
    """Line voltage and conductance of a wet press are those of the pull-up against the water."""
    button = run.bench.vehicle.mode_button
    clicks = [event for event in run.events if event.what.startswith("mode button reads pressed")]
    assert clicks
    for click in clicks:
        row = round(click.t_s * 1000)
        leak = run.table["button_leak_siemens"][row]
        divider_v = run.table["rail_v"][row] / (1.0 + leak * float(button.pullup_ohm))
        assert f"its line is at {run.table['mode_line_v'][row]:.2f} V" in click.why
        assert f"conducts {leak * 1e6:.0f} uS" in click.why
        assert run.table["mode_line_v"][row] == pytest.approx(divider_v, abs=0.05)
        assert divider_v <= float(button.low_frac) * run.table["rail_v"][row] + 0.05


def test_a_wet_step_is_told_to_come_from_the_wet_button(run: Run) -> None:
    """A power step of the first draft in water has the wet button as its reason."""
    steps = [event for event in run.events if event.what.startswith("power step")]
    assert steps
    assert {event.why for event in steps} == {"the mode button reads pressed, nobody pressed it"}


@pytest.mark.parametrize(
    ("what", "why", "from_s", "to_s"),
    [
        ("left ESC has lost its signal", "no pulse reached it", 1.6 + 0.244, 1.6 + 0.25),
        ("main switch opens", "the kill cord's magnet is away", 2.2, 2.22),
        ("main switch closes", "the kill cord's magnet is back", 2.5, 2.52),
        ("left signal lost", "as the scenario has it", 1.6, 1.6),
        ("left signal lost ends", "as the scenario has it", 2.0, 2.0),
        ("chip held in reset", "its reset input", 2.8, 2.802),
        ("controller: stopped", "the kill cord is out", 2.2, 2.22),
        ("rider pulls the kill cord", "", 2.2, 2.2),
        ("right ESC loses power", "", 2.2, 2.4),
    ],
)
def test_what_the_script_and_the_faults_do_is_told_with_its_reason(
    run: Run, what: str, why: str, from_s: float, to_s: float
) -> None:
    """Each thing that was done to the machine shows as its own event, in time and with its reason."""
    found = [event for event in run.events if (event.what, event.why) == (what, why)]
    assert any(from_s - 1e-9 <= event.t_s <= to_s + 1e-9 for event in found), [
        event for event in run.events if event.what == what
    ]
