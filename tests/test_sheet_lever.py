"""The lever's sheet against printed magnet tables, closed forms, and every corner of the tolerances."""

from __future__ import annotations

import csv
import itertools
import math
from pathlib import Path

import magpylib
import numpy as np
import pytest
from scipy.constants import mu_0
from scipy.optimize import minimize_scalar
from sheet_cases import MOORHEN, called, result, tables_of, vehicle

from sim.base.errors import InputError
from sim.bench.control import load_controller
from sim.bench.vehicle import load_vehicle
from sim.face import sheet_lever
from sim.jobs.sheets.lever import POINTS, lever_sheet
from sim.jobs.sheets.paper import Paper
from sim.jobs.sheets.reading import GROUND, LEAD, MAGNETS, SUPPLY, Bench, influences, settled_v
from sim.world import hall

# Two discs D6 x L3 mm of 1.30 T, 12 mm apart, their faces 3 mm over the sensor, moved by 12 mm.
SLIDE_BY = {
    "throttle.gap_m": 0.003,
    "throttle.polarization_tesla": 1.3,
    "throttle.travel_m": 0.012,
    "throttle.rest_offset_m": -0.006,
    "sensor.sensitivity_v_tesla": 15.0,
}
# INDEPENDENT: magpylib 6.3.0, the same two cylinders as a Collection, getB at the carriage offsets -6.0 .. 6.0 mm.
SLIDE_BY_MT = (
    *(-124.374865, -113.873956, -84.180404, -47.409983, -18.982973, 0.0),
    *(18.982973, 47.409983, 84.180404, 113.873956, 124.374865),
)
# The same magnets on one axis, faces 8 mm from the sensor: like poles facing, and one turned over; -5 .. 5 mm.
FACING = {
    **SLIDE_BY,
    "throttle.geometry": "push_pull",
    "throttle.gap_m": 0.008,
    "throttle.spacing_m": 0.0,
    "throttle.travel_m": 0.010,
    "throttle.rest_offset_m": -0.005,
}
SAME_POLES = {**FACING, "throttle.geometry": "same_poles"}
PUSH_PULL_MT = (116.245622, 70.659455, 42.768478, 24.499278, 11.194335, 0.0)
EXACT = {"throttle.lead_distance_m": 0.06, "sensor.ground_ohm": 0.0}


def sheet(folder: Path, changes: dict[str, object], controller: str | None = None) -> Paper:
    loaded = load_controller(controller, 1000) if controller else None
    return lever_sheet(vehicle(folder, changes), loaded)


def error(paper: Paper, name: str):
    return next(each for each in paper.tables["errors"] if each.name == name)


def bad(paper: Paper) -> str:
    return " ".join(finding.text for finding in paper.findings if finding.bad)


def test_the_field_is_that_of_the_printed_table(tmp_path: Path) -> None:
    """Each tenth of the travel has the flux density of an independent magnet program, to its last printed digit."""
    points = sheet(tmp_path, SLIDE_BY).tables["points"]
    assert [1e3 * each.field_tesla for each in points[::10]] == pytest.approx(SLIDE_BY_MT, abs=5e-7)


def test_facing_magnets_are_those_of_the_printed_table(tmp_path: Path) -> None:
    """Push-pull too, whose field falls to zero at the middle; here the sign is turned so that it rises."""
    points = sheet(tmp_path, FACING).tables["points"]
    assert [-1e3 * each.field_tesla for each in points[:51:10]] == pytest.approx(PUSH_PULL_MT, abs=5e-7)


@pytest.mark.parametrize(("supply_v", "out_v"), [(5.0, 3.5), (4.5, 3.15)])
def test_volts_are_half_the_supply_and_in_proportion_to_it(supply_v: float, out_v: float) -> None:
    """50 mV/mT and +20 mT give 3.5 V at 5 V and 3.15 V at 4.5 V (ratiometric law, Gilbert and Dewey; arithmetic)."""
    sensor = hall.Params(50.0, 5.0, 1.0, 0.2, 0.0)
    assert settled_v(sensor, 0.02, supply_v, 0.0) == pytest.approx(out_v, rel=1e-12)


def test_counts_are_volts_over_the_reference(tmp_path: Path) -> None:
    """Each code is the printed volts over 5 V in 4095 steps, to the nearest."""
    for each in sheet(tmp_path, SLIDE_BY).tables["points"]:
        assert each.counts == math.floor(each.hall_v / 5.0 * 4095.0 + 0.5)


def test_the_slope_is_the_change_of_the_code(tmp_path: Path) -> None:
    """Summed over the travel the slope gives back the span of the codes (trapezoid of a fine derivative)."""
    points = sheet(tmp_path, SLIDE_BY).tables["points"]
    slope = [each.slope_counts_permille for each in points]
    assert np.trapezoid(slope, dx=1000.0 / (POINTS - 1)) == pytest.approx(
        points[-1].counts - points[0].counts, rel=2e-3
    )


@pytest.mark.parametrize("changes", [SLIDE_BY, FACING])
def test_a_map_that_rises_throughout_is_monotonic(tmp_path: Path, changes: dict[str, object]) -> None:
    """The two printed tables that rise, or fall, from end to end are called monotonic."""
    paper = sheet(tmp_path, changes)
    assert paper.tables["stretches"] == []
    assert "Monotonic over the whole travel" in paper.findings[0].text


def test_same_poles_cannot_tell_two_positions_apart(tmp_path: Path) -> None:
    """One magnet turned over makes the map even about the middle: half of the travel is not monotonic, and why."""
    paper = sheet(tmp_path, SAME_POLES)
    (stretch,) = paper.tables["stretches"]
    assert (stretch.from_frac, stretch.to_frac) in ((0.0, 0.5), (0.5, 1.0))
    assert "same_poles: the field is even about the middle" in bad(paper)


def test_past_the_peak_of_the_field_the_reading_turns_back(tmp_path: Path) -> None:
    """With 20 mm of travel the stretches that turn back begin and end where magpylib has the field's peaks."""
    changes = {**SLIDE_BY, "throttle.travel_m": 0.020, "throttle.rest_offset_m": -0.010}

    def field(offset_m: float) -> float:
        discs = [
            magpylib.magnet.Cylinder(
                polarization=(0, 0, sign * 1.3), dimension=(6e-3, 3e-3), position=(sign * -6e-3, 0, 1.5e-3)
            )
            for sign in (1.0, -1.0)
        ]
        return float(magpylib.Collection(*discs).getB((-offset_m, 0.0, -3e-3))[2])

    peak_m = minimize_scalar(lambda offset: -field(offset), bounds=(3e-3, 9e-3), method="bounded").x
    paper = sheet(tmp_path, changes)
    ends = [(each.from_frac, each.to_frac) for each in paper.tables["stretches"]]
    turns = ((0.010 - peak_m) / 0.020, (0.010 + peak_m) / 0.020)
    assert ends == [(0.0, pytest.approx(turns[0], abs=0.0101)), (pytest.approx(turns[1], abs=0.0101), 1.0)]
    assert "the field itself turns back" in bad(paper)


def test_at_the_sensors_stop_the_reading_stands(tmp_path: Path) -> None:
    """With 60 V/T the output stops where 2.5 V + 60 B leaves the rails' 0.2 V: at 38.3 mT of the printed table."""
    paper = sheet(tmp_path, {**SLIDE_BY, "sensor.sensitivity_v_tesla": 60.0})
    first, last = paper.tables["stretches"]
    fields = [1e3 * each.field_tesla for each in paper.tables["points"]]
    travel = [each.travel_frac for each in paper.tables["points"]]
    assert first.to_frac == pytest.approx(np.interp(-2300.0 / 60.0, fields, travel), abs=0.0101)
    assert last.from_frac == pytest.approx(np.interp(2300.0 / 60.0, fields, travel), abs=0.0101)
    assert "lower stop, 0.2 V from the rail" in bad(paper)
    assert "upper stop, 0.2 V from the rail" in bad(paper)


def test_a_tolerance_that_spoils_the_map_is_named(tmp_path: Path) -> None:
    """Where only one end of a tolerance brings the sensor to its stop, that end is told."""
    paper = sheet(tmp_path, {**SLIDE_BY, **EXACT, "sensor.sensitivity_v_tesla": "18.0 +- 4%"})
    assert "No longer monotonic at sensor.sensitivity_v_tesla 18.72 V/T" in bad(paper)


def test_temperature_scales_the_field_alone(tmp_path: Path) -> None:
    """At -0.12 %/K, 20 K move the code by 2.4 % of the field's own share of it: S B / 5 V * 4095 (closed form)."""
    paper = sheet(tmp_path, {**SLIDE_BY, **EXACT})
    expected = 0.024 * 15.0 * 0.124374865 / 5.0 * 4095.0
    found = error(paper, MAGNETS)
    assert (found.low, found.high) == (0.0, 40.0)
    assert (found.full_counts_low, found.full_counts_high) == pytest.approx((-expected, expected), rel=1e-8)
    assert found.half_counts_high == pytest.approx(0.0, abs=1e-9)


def test_the_battery_lead_adds_amperes_field(tmp_path: Path) -> None:
    """The slow trip's current 40 mm away adds mu0 I / (2 pi r) (mu0 of scipy), to either side."""
    paper = sheet(tmp_path, {**SLIDE_BY, "throttle.lead_distance_m": "0.06 +- 0.02"})
    tesla = mu_0 * 150.0 / (2.0 * math.pi * 0.04)
    expected = 15.0 * tesla / 5.0 * 4095.0
    found = error(paper, LEAD)
    assert (found.half_counts_low, found.half_counts_high) == pytest.approx((-expected, expected), rel=1e-6)


def test_the_ground_wire_adds_ohms_law(tmp_path: Path) -> None:
    """0.2 milliohm of shared ground at 150 A lift the output by 30 mV, never lower it."""
    found = error(sheet(tmp_path, {**SLIDE_BY, "sensor.ground_ohm": "0.0001 +- 0.0001"}), GROUND)
    assert (found.rest_counts_low, found.rest_counts_high) == pytest.approx((0.0, 0.030 / 5.0 * 4095.0))


@pytest.mark.parametrize(("reference", "expected"), [("follows_supply", 0.0), ("fixed", 0.7 / 5.0)])
def test_only_a_fixed_reference_sees_the_supply(tmp_path: Path, reference: str, expected: float) -> None:
    """From 5 V down to the brown-out of 4.3 V a ratiometric pair reads the same, a fixed one 14 % less."""
    paper = sheet(tmp_path, {**SLIDE_BY, **EXACT, "converter.reference": reference})
    found = error(paper, SUPPLY)
    assert found.rest_counts_low == pytest.approx(-expected * paper.tables["points"][0].hall_v / 5.0 * 4095.0, abs=1e-6)


def test_a_misplaced_sensor_is_a_shifted_carriage(tmp_path: Path) -> None:
    """0.2 mm of misalignment along the travel moves the reading as 0.2 mm of rest offset the other way does."""
    along = error(sheet(tmp_path, {**SLIDE_BY, "throttle.misalign_x_m": "0 +- 0.0002"}), "throttle.misalign_x_m")
    offset = error(
        sheet(tmp_path, {**SLIDE_BY, "throttle.rest_offset_m": "-0.006 +- 0.0002"}), "throttle.rest_offset_m"
    )
    assert along[6:] == pytest.approx(offset[6:])
    assert along.stage == "built"


def test_the_worst_is_the_worst_of_all_corners() -> None:
    """No corner of Moorhen's 8 bands, 256 of them, reads beyond the sheet's ends, and one reads each of them."""
    travel = np.array([0.0, 0.05, 0.5, 1.0])
    bench = Bench(load_vehicle(MOORHEN), MOORHEN, 20.0, travel)
    moved = influences(bench.vehicle, 20.0)
    assert len(moved) == 8
    corners = [
        bench.read(dict(zip([each.name for each in moved], ends, strict=True))).codes
        for ends in itertools.product(*((each.low, each.high) for each in moved))
    ]
    low, high = bench.span(moved)
    assert low.tolist() == pytest.approx(np.min(corners, axis=0).tolist())
    assert high.tolist() == pytest.approx(np.max(corners, axis=0).tolist())


def test_room_is_what_is_left_to_the_controllers_numbers() -> None:
    """Counts between the reading and the windows, the dead band and full, from the parameters by hand."""
    controller = load_controller("reference", 1000)
    params = controller.params
    paper = lever_sheet(MOORHEN, controller)
    points, rooms = paper.tables["points"], {each.to: each for each in paper.tables["rooms"]}
    dead = params.rest_counts + (params.full_counts - params.rest_counts) * params.dead_band_permille / 1000.0
    assert rooms["window_low_counts"].nominal_counts == pytest.approx(
        points[0].counts - params.window_low_counts, abs=0.5
    )
    assert rooms["window_high_counts"].use_counts == pytest.approx(
        params.window_high_counts - points[-1].use_counts_high
    )
    assert rooms["dead band over rest_counts"].use_counts == pytest.approx(dead - points[0].use_counts_high)
    assert rooms["full_counts"].nominal_counts == pytest.approx(points[-1].counts - params.full_counts, abs=0.5)


def test_a_controller_is_warned_of_what_use_does(tmp_path: Path) -> None:
    """With magnets that lose 1 % a kelvin a calibrated lever at rest creeps and does not reach full."""
    paper = sheet(tmp_path, {"throttle.temperature_coefficient_frac_k": -0.01}, "reference")
    assert "In use a lever at rest asks for drive" in bad(paper)
    assert "In use a lever at full does not reach full drive" in bad(paper)


def test_without_a_controller_there_is_only_the_sensor() -> None:
    """The sensor's two stops are told with or without a controller."""
    rooms = lever_sheet(MOORHEN).tables["rooms"]
    assert [each.to for each in rooms] == ["sensor's lower stop", "sensor's upper stop"]


def test_a_controller_with_less_to_compare_is_compared_by_that(capsys: pytest.CaptureFixture[str]) -> None:
    """The first draft has ends of travel and no window or dead band."""
    rooms = result(capsys, "lever", MOORHEN, "--controller", "first_draft")["rooms"]
    assert [each["to"] for each in rooms[2:]] == ["rest_counts", "full_counts"]


def test_tolerances_that_let_the_carriage_strike_are_refused(tmp_path: Path) -> None:
    """A band that reaches to a lever which cannot be built is bad input, with the end at fault."""
    path = vehicle(tmp_path, {**FACING, "throttle.gap_m": "0.0055 +- 0.0008"})
    with pytest.raises(InputError, match=r"throttle: expected a lever that can be built .* at throttle.gap_m 0.0047"):
        lever_sheet(path)


def test_no_tolerance_is_said(tmp_path: Path) -> None:
    """A file without tolerances on throttle and sensor is told that it gives none."""
    assert "gives no tolerance to throttle and sensor" in " ".join(
        finding.text for finding in sheet(tmp_path, {**SLIDE_BY, **EXACT}).findings
    )


def test_the_tables_fit_a_hundred_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """No printed line of a table is wider than 100 letters, and none is cut off."""
    code, out, err = called(capsys, "lever", MOORHEN, "--controller", "reference")
    assert (code, err) == (0, "")
    assert max(map(len, tables_of(out))) <= 100
    assert "…" not in out


def test_files_are_written_where_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--out gets the figure twice and the tables as CSV, which hold what the JSON holds."""
    data = result(capsys, "lever", MOORHEN, "--out", tmp_path)
    names = {"sheet_lever.png", "sheet_lever.svg", "sheet_lever.csv", "sheet_lever.errors.csv", "sheet_lever.rooms.csv"}
    assert {path.name for path in tmp_path.iterdir()} == names
    with (tmp_path / "sheet_lever.csv").open(encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert [float(row["hall_v"]) for row in rows] == [each["hall_v"] for each in data["points"]]


def test_the_figure_shows_the_limits() -> None:
    """Every limit that the rooms name is written beside the figure's first panel."""
    paper = lever_sheet(MOORHEN, load_controller("reference", 1000))
    written = [text.get_text() for axes in sheet_lever.figure(paper).axes for text in axes.texts]
    for each in paper.tables["rooms"]:
        assert any(text.startswith(each.to) for text in written), each.to


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (
            ("--charge", "0.5"),
            "drydive sheet lever: --charge: expected one of --controller, --params, --temperature; got",
        ),
        (("--temperature", "50"), "drydive sheet: --temperature: expected degrees Celsius, 0 to 40; got 50"),
        (
            ("--temperature", "warm"),
            "drydive sheet: argument --temperature: expected degrees Celsius from -40 to 60; got",
        ),
        (("--controller", "nobody"), "drydive sheet: --controller: expected a path ending in .py or .c, or one of"),
        (("--params", "none.yaml"), "none.yaml: expected a parameter file; got no such file or directory"),
    ],
)
def test_bad_options_are_one_line(capsys: pytest.CaptureFixture[str], options: tuple[str, str], expected: str) -> None:
    """An option of another sheet, or a value that is none, exits with 2 and one line."""
    code, out, err = called(capsys, "lever", MOORHEN, *options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(expected)
