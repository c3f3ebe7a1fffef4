"""Recordings through controllers: what the three example traces do to each, and traces that are nearly nothing."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from file_cases import TRACES, command, controller, faults, scenario

from sim.bench.control import load_controller
from sim.bench.loop import ControllerError
from sim.bench.run import simulate
from sim.bench.vehicle import load_vehicle
from sim.face.cli import main
from sim.jobs.case import load_case, load_requirements
from sim.jobs.doubts import doubts
from sim.jobs.replay import MOST_TICKS, Replay, delay_us, read_line, replay, standing_requirements
from sim.record.reading import read_any
from sim.record.table import Table, write_csv
from sim.record.vcd_out import write_vcd

MOORHEN = Path(__file__).parents[1] / "sim" / "moorhen"
HEADER = "t_ms,hall_counts,deadman"


def through(trace: str | Path, name: str = "reference", params: str | None = None, **options: object) -> Replay:
    """A trace through a shipped controller at 1 kHz."""
    path = TRACES / f"{trace}.csv" if isinstance(trace, str) else trace
    made = load_controller(name, 1000, params)
    return replay(path, made, options.pop("requirements", standing_requirements()), 1000, **options)


def written(tmp_path: Path, header: str, rows: Sequence[str]) -> Path:
    """A trace of these rows."""
    path = tmp_path / "t.csv"
    path.write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    return path


def small(
    tmp_path: Path, header: str = HEADER, rows: Sequence[str] = ("0,600,0", "1,600,0"), **options: object
) -> Replay:
    """A small trace through the reference."""
    return through(written(tmp_path, header, rows), **options)


@pytest.fixture(scope="module")
def bench_dry() -> dict[str, Replay]:
    """The dry bench through both controllers."""
    return {name: through("bench_dry", name) for name in ("reference", "first_draft")}


@pytest.fixture(scope="module")
def lake() -> dict[str, Replay]:
    """The lake's leaking button through all three sets."""
    return {
        "reference": through("lake_wet_button"),
        "button": through("lake_wet_button", params="reference_button"),
        "first_draft": through("lake_wet_button", "first_draft"),
    }


@pytest.fixture(scope="module")
def pool() -> dict[str, Replay]:
    """The pool session, with its recorded command, through both controllers."""
    return {name: through("pool_session", name) for name in ("reference", "first_draft")}


def verdicts(done: Replay) -> dict[str, str]:
    """Each requirement's verdict."""
    return {verdict.id: verdict.verdict for verdict in done.verdicts}


def steps(done: Replay) -> list[str]:
    """The changes of the power step."""
    return [event.what for event in done.events if event.what.startswith("power step")]


def burst(done: Replay) -> np.ndarray:
    """The left pulse in the 0.4 s in which the dry bench's sensor is at its upper rail."""
    return done.table["left_pulse_us"][10_200:10_600]


def test_a_sensor_at_its_rail_never_drives_through_the_reference(bench_dry: dict[str, Replay]) -> None:
    """With 4095 counts for 0.4 s, the dead-man held, the reference keeps the pulses at stop."""
    assert set(burst(bench_dry["reference"])) == {1000.0}


def test_a_sensor_at_its_rail_is_full_lever_to_the_first_draft(bench_dry: dict[str, Replay]) -> None:
    """The same burst gives the first draft the whole of its first power step, until it ends by itself."""
    pulses = burst(bench_dry["first_draft"])
    assert pulses.max() == 1400.0
    assert (pulses[50:] == 1400.0).all()


def test_the_reference_says_why_it_stopped(bench_dry: dict[str, Replay]) -> None:
    """The reference stops 60 ms into the burst, with the rail as its reason, and does not come back by itself."""
    events = [event for event in bench_dry["reference"].events if event.what == "controller: controlled stop, fault"]
    (stop,) = events
    assert stop.t_s == pytest.approx(10.26, abs=0.005)
    assert stop.why == "the throttle reads above its window, as a short to the supply does"
    assert set(bench_dry["reference"].table["left_pulse_us"][10_200:]) == {1000.0}


def test_a_bouncing_dead_man_restarts_the_first_draft_only(bench_dry: dict[str, Replay]) -> None:
    """At 11.000 s the dead-man bounces once: the first draft drives again for a tick, the reference does not."""
    assert [event.t_s for event in bench_dry["first_draft"].events if 10.9 < event.t_s < 11.1] == [11.0, 11.001, 11.002]
    at_release = [event.what for event in bench_dry["reference"].events if 10.9 < event.t_s < 11.05]
    assert "controller: driving as the lever says" not in at_release


@pytest.mark.parametrize("line", [5168, 7391, 9772])
def test_a_lone_wrong_sample_does_not_reach_the_references_drive(bench_dry: dict[str, Replay], line: int) -> None:
    """At each of the three wrong samples the reference's pulse moves as smoothly as before, the first draft's jumps."""
    row = line - 2
    jumps = {
        name: np.abs(np.diff(done.table["left_pulse_us"][row - 5 : row + 5])).max() for name, done in bench_dry.items()
    }
    assert jumps["reference"] <= 2.0
    # At rest the first draft's wrong sample lies below rest, and is cut off there.
    assert jumps["first_draft"] > 10.0 or line == 9772


@pytest.mark.parametrize("name", ["reference", "button"])
def test_the_leaking_button_never_moves_the_references_step(lake: dict[str, Replay], name: str) -> None:
    """26 clicks of water change the reference's power step not once, with or without a button of its own."""
    assert steps(lake[name]) == []
    assert verdicts(lake[name])["step-rises-only-at-rest"] == "pass"


def test_the_leaking_button_steps_the_first_draft_up_under_way(lake: dict[str, Replay]) -> None:
    """The same clicks change the first draft's step 25 times, the first time at 7.51 s with the lever pulled."""
    assert len(steps(lake["first_draft"])) == 25
    assert steps(lake["first_draft"])[0] == "power step 1 -> 2"
    assert verdicts(lake["first_draft"])["step-rises-only-at-rest"] == "fail"
    assert lake["first_draft"].table["left_pulse_us"][7509] > 1000.0


def test_a_steps_cause_is_the_button_as_far_as_a_recording_knows(lake: dict[str, Replay]) -> None:
    """A recording does not know of fingers: the step is put down to the reading, without a word on who pressed."""
    causes = {event.why for event in lake["first_draft"].events if event.what.startswith("power step")}
    assert causes == {"the mode button reads pressed"}


def test_a_line_is_read_with_thresholds_and_says_so(lake: dict[str, Replay]) -> None:
    """A button recorded as a voltage is read with hysteresis, and the thresholds and the guessed rail are told."""
    note = "mode_button is read from mode_line_v: low under 0.99 V, high over 2.31 V"
    assert f"{note}, the rail guessed from its highest voltage" in lake["reference"].notes
    reads, line = lake["reference"].table["mode_button"], lake["reference"].table["mode_line_v"]
    assert (reads[line <= 0.99] == 1.0).all()
    assert (reads[line >= 2.31] == 0.0).all()
    # 26 clicks: each goes down and comes back.
    assert np.abs(np.diff(reads)).sum() == 52


def test_a_vehicle_gives_the_thresholds_and_limits() -> None:
    """With a vehicle its own thresholds and rail are taken, and nothing is guessed."""
    done = through("lake_wet_button", vehicle=load_vehicle(MOORHEN / "moorhen.yaml"))
    assert "mode_button is read from mode_line_v: low under 1.50 V, high over 3.50 V" in done.notes
    assert done.limits["esc_cut_v"] == 42.0


def test_each_line_is_read_with_its_own_inputs_thresholds(tmp_path: Path) -> None:
    """The dead-man's line and the cord's are read as the vehicle's own inputs would, the cord's closed when pulled."""
    text = (MOORHEN / "moorhen.yaml").read_text(encoding="utf-8").replace("low_frac: 0.3", "low_frac: 0.1", 1)
    (tmp_path / "v.yaml").write_text(text, encoding="utf-8")
    vehicle = load_vehicle(tmp_path / "v.yaml")
    rows = ["0,600,5,5,5", "1,600,1,1,1", "2,600,0.4,0.4,0.4"]
    done = small(tmp_path, "t_ms,hall_counts,deadman_line_v,mode_line_v,cord_line_v", rows, vehicle=vehicle)
    assert done.table["deadman"].tolist() == [0.0, 0.0, 1.0]
    assert done.table["mode_button"].tolist() == [0.0, 1.0, 1.0]
    assert done.table["kill_cord"].tolist() == [1.0, 0.0, 0.0]


def test_a_line_between_its_thresholds_keeps_its_reading() -> None:
    """Hysteresis: what lies between the thresholds reads as before, and as open before anything else."""
    line = np.array([2.5, 0.5, 2.5, 4.5, 2.5, 1.5, 3.5, 3.49])
    assert read_line(line, 1.5, 3.5, 1.0).tolist() == [0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0]


def test_the_first_draft_follows_the_water_in_the_pool(pool: dict[str, Replay]) -> None:
    """The pool's five clicks step the first draft five times; the recorded pulses show none of it."""
    assert len(steps(pool["first_draft"])) == 5
    assert pool["first_draft"].verdict == "fail"
    assert steps(pool["reference"]) == []


def doubted(tmp_path: Path, header: str, row: str, every_ms: int = 1, **options: object) -> list[str]:
    """What is doubted of a recording of one row again and again."""
    rows = [f"{n * every_ms},{row}" for n in range(10)]
    return list(doubts(small(tmp_path, header, rows, **options)))


@pytest.mark.parametrize(
    ("header", "row", "every_ms", "said"),
    [
        (HEADER, "600,0", 2000, "a sample comes every 2 s: is the clock in the unit it was taken for?"),
        (HEADER, "3,0", 1, "hall_counts reach 3 at the most: those of a 12-bit converter reach from 16 to 4095"),
        (HEADER, "38000,0", 1, "hall_counts reach 38000 at the most"),
        (f"{HEADER},bus_mv", "600,0,48", 1, "the bus reaches 0.048 V at the most: is it in the unit"),
        (f"{HEADER},bus_v", "600,0,48000", 1, "the bus reaches 48000 V at the most: is it in the unit"),
        (HEADER, "600,1", 1, "the dead-man is pressed as the recording begins"),
    ],
)
def test_what_cannot_well_be_is_doubted(tmp_path: Path, header: str, row: str, every_ms: int, said: str) -> None:
    """A unit mistaken or a contact inverted would pass as a recording of nothing: it is told, and the lack of drive."""
    first, *others = doubted(tmp_path, header, row, every_ms)
    assert first.startswith(said)
    assert others == ["no pulse asks for drive: what is to stop or bound it has not been tried"]


def test_a_vehicle_narrows_what_is_doubted(tmp_path: Path) -> None:
    """A bus of 8 V may be one; where the ESCs need 42 V it is not."""
    found = [
        doubted(tmp_path, f"{HEADER},bus_v", "600,0,8", vehicle=vehicle)[0]
        for vehicle in (None, load_vehicle(MOORHEN / "moorhen.yaml"))
    ]
    assert found[0].startswith("no pulse asks for drive")
    assert found[1].startswith("the bus reaches 8 V at the most, where the ESCs need 42 V")


def test_a_sound_recording_is_not_doubted(pool: dict[str, Replay]) -> None:
    """The invented session in the pool drives, in its own units: nothing is said of it."""
    assert list(doubts(pool["reference"])) == []


def test_the_recorded_command_is_compared(pool: dict[str, Replay]) -> None:
    """The recorded pulses stand beside the computed ones, and each stretch that differs is listed."""
    done = pool["reference"]
    assert {"recorded_left_pulse_us", "left_pulse_us"} <= set(done.table.names)
    assert done.differences is not None
    first, second = done.differences
    assert (first.from_s, first.to_s) == pytest.approx((3.03, 16.525), abs=0.02)
    assert first.recorded_us > first.computed_us > 1000.0
    assert (second.from_s, second.to_s) == pytest.approx((17.01, 30.16), abs=0.02)
    assert second.computed_us == 1000.0


@pytest.mark.parametrize("late", [0, 1, 17, -40, 250, 480])
@pytest.mark.parametrize("ticks", [3000, 40_000])
def test_a_delay_is_found_to_the_tick(ticks: int, late: int) -> None:
    """A command that is shown so many ticks later is found to be, in a short recording and in a long one."""
    steps = np.random.default_rng(1).integers(1000, 2000, ticks // 200 + 8)
    whole = np.repeat(steps, 200).astype(float)
    recorded, computed = whole[600 : 600 + ticks], whole[600 - late : 600 - late + ticks]
    assert delay_us(recorded, computed, 1000) == 1000 * late


@pytest.mark.parametrize("ticks", [3000, 40_000])
def test_what_does_not_line_up_has_no_delay(ticks: int) -> None:
    """Two commands of which one rises as the other falls, or which are further apart than a delay, give 0."""
    ramp = np.linspace(1000.0, 2000.0, ticks)
    assert delay_us(ramp, ramp[::-1], 1000) == 0
    assert delay_us(np.ones(ticks), ramp, 1000) == 0
    late = np.where(np.arange(ticks) > ticks // 2 + 900, 2000.0, 1000.0)
    early = np.where(np.arange(ticks) > ticks // 2, 2000.0, 1000.0)
    assert delay_us(early, late, 1000) == 0


def test_a_restart_with_the_lever_pulled_is_refused_by_the_reference(pool: dict[str, Replay]) -> None:
    """At 17.005 s the recorded controller gives drive back; the reference waits for the lever and says why."""
    row = 18_000
    done = pool["reference"]
    assert done.table["recorded_left_pulse_us"][row] > 1100.0
    assert done.table["left_pulse_us"][row] == 1000.0
    assert done.differences is not None
    assert done.differences[1].why == "the dead-man was released"


def test_what_was_mended_and_guessed_is_told(pool: dict[str, Replay]) -> None:
    """The repeated stamp is mended, and separators, units, the gap and missing columns are noted."""
    done = pool["reference"]
    assert done.mended == ("time: line 5196 followed by a row with the same stamp; the later row kept",)
    for note in (
        "cells separated by comma, decimal point",
        "comment lines passed over: 2",
        "bus_v from column bus_mv, mV converted to V",
        "left_pulse_us from column pulse_left_us",
        "time from column time_ms, in ms (from its name)",
        "gap of 45.000 ms from 15.000100 s: last values held across",
        "left_rpm was not recorded: -1 throughout",
        "the chip has been running for 4 s, with the first sample held, when the recording begins",
    ):
        assert note in done.notes


def test_a_recording_without_a_command_is_compared_with_none(lake: dict[str, Replay]) -> None:
    """Where no pulses were recorded there are no differences to tell."""
    assert lake["reference"].differences is None


def test_a_replay_is_the_same_every_time(bench_dry: dict[str, Replay]) -> None:
    """Nothing is drawn: two replays give the same table bit for bit."""
    one, again = bench_dry["reference"], through("bench_dry")
    assert one.events == again.events
    assert all(np.array_equal(one.table[name], again.table[name]) for name in one.table.names)


def test_every_recorded_column_is_kept(pool: dict[str, Replay]) -> None:
    """The recording's own columns stand in the table beside the pins and the command."""
    assert {"hall_counts", "deadman", "mode_button", "kill_cord", "bus_v", "pack_a", "bus_mv", "mode"} <= set(
        pool["reference"].table.names
    )


@pytest.mark.parametrize("rows", [["0,600,0"], ["0,600,0", "1,600,1"], [f"{n},600,1" for n in range(100)]])
@pytest.mark.parametrize("pulses", ["", ",left_pulse_us"])
def test_a_trace_of_next_to_nothing_is_replayed(tmp_path: Path, rows: list[str], pulses: str) -> None:
    """One row, two rows and constant columns are recordings like others, with or without a command."""
    done = small(tmp_path, HEADER + pulses, [row + (",1000" if pulses else "") for row in rows])
    assert len(done.table) == len(rows)
    assert done.verdict == "undecided"
    assert done.differences == (() if pulses else None)


@pytest.mark.parametrize("name", ["first_draft", "reference"])
def test_the_right_pulse_alone_is_compared_too(tmp_path: Path, name: str) -> None:
    """A logger that caught the right pulse alone still has its command compared."""
    rows = [f"{n},3000,1,1000" for n in range(200)]
    done = through(written(tmp_path, f"{HEADER},right_pulse_us", rows), name)
    assert done.differences is not None
    assert [round(each.computed_us) for each in done.differences] == ([1335] if name == "first_draft" else [])


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        (
            "t_ms,hall_counts,x",
            ["t.csv:1:1: deadman: expected a column of this name, or --map deadman=COLUMN; got columns hall_counts, x"],
        ),
        (
            "t_ms,x,y",
            [
                "t.csv:1:1: hall_counts: expected a column of this name, or --map hall_counts=COLUMN; got columns x, y",
                "t.csv:1:1: deadman: expected a column of this name, or --map deadman=COLUMN; got columns x, y",
            ],
        ),
        (
            "a,hall_counts,deadman",
            ["t.csv:1:1: expected a time column (t_s, t_ms, t_us, t_ns, time_s, timestamp_us, ...); got columns "],
        ),
    ],
)
def test_a_trace_without_throttle_or_dead_man_says_what_it_lacks(
    tmp_path: Path, header: str, expected: list[str]
) -> None:
    """What a replay cannot do without is asked for by name, all of it at once."""
    lines = faults(lambda: small(tmp_path, header), tmp_path)
    assert len(lines) == len(expected)
    assert all(line.startswith(start) for line, start in zip(lines, expected, strict=True))


def test_a_dead_man_recorded_as_a_line_is_read(tmp_path: Path) -> None:
    """A dead-man's voltage will do in its place."""
    done = small(tmp_path, "t_ms,hall_counts,deadman_line_v", ["0,600,3.3", "1,600,0.1", "2,600,3.2"])
    assert done.table["deadman"].tolist() == [0.0, 1.0, 0.0]


@pytest.mark.parametrize(("column", "value"), [("hall_counts", "1e300"), ("hall_counts", "-1e12"), ("bus_v", "1e30")])
def test_a_number_that_no_chip_holds_is_a_fault(tmp_path: Path, column: str, value: str) -> None:
    """A sample beyond 32 bits is refused with its column, not turned into something else."""
    header = HEADER if column == "hall_counts" else f"{HEADER},bus_v"
    row = f"0,{value},0" if column == "hall_counts" else f"0,600,0,{value}"
    (line,) = faults(lambda: small(tmp_path, header, [row]), tmp_path)
    pin = column if column == "hall_counts" else "bus_mv"
    assert line.startswith(f"t.csv:1:1: {pin}: expected whole numbers of 32 bits; got ")


def test_a_clock_that_jumps_by_hours_is_refused_at_once(tmp_path: Path) -> None:
    """A recording of more ticks than can be replayed says where its longest pause is."""
    lines = faults(lambda: small(tmp_path, rows=["0,600,0", "1,600,0", "40000001,600,0"]), tmp_path)
    assert lines == [
        f"t.csv: expected at most {MOST_TICKS} ticks of 1000 us in all; got 40000001;"
        " the longest pause is 40000 s, from 0.001 s"
    ]


def test_columns_of_a_simulation_do_not_disturb(tmp_path: Path) -> None:
    """A recording with states of a machine in it, known or not, is replayed and told of as far as it is known."""
    header = f"{HEADER},left_esc_mode,protection_tripped,chip,mode_pressed,deadman_pressed,bus_v"
    done = small(tmp_path, header, ["0,600,0,2,0,0,0,0,50", "1,600,1,9,7,1,0,0,41", "2,600,1,3,0,0,0,0,41"])
    assert {"left ESC is in mode 9", "left ESC cuts", "the pack opens"} <= {event.what for event in done.events}


def test_a_replay_with_a_vehicle_tells_of_a_sagging_bus(tmp_path: Path) -> None:
    """The bus under the vehicle's cut-off is told with the recorded current."""
    vehicle = load_vehicle(MOORHEN / "moorhen.yaml")
    done = small(tmp_path, f"{HEADER},bus_v,pack_a", ["0,600,0,50,3", "1,600,0,41,120"], vehicle=vehicle)
    assert [event[1:3] for event in done.events] == [("bus under the ESCs' cut-off of 42.0 V", "41.0 V at 120 A")]


def requirements(tmp_path: Path, formula: str) -> Path:
    """A file of one requirement."""
    path = tmp_path / "r.yaml"
    path.write_text(f"requirements: [{{id: mine, says: Mine., formula: '{formula}'}}]\n", encoding="utf-8")
    return path


def test_a_requirement_on_what_was_not_recorded_is_left_out_and_said_so(tmp_path: Path) -> None:
    """A signal that only a simulation has is no fault; the requirement is named among the notes."""
    read = load_requirements(requirements(tmp_path, "always(rail_v >= brown_out_v)"))
    done = small(tmp_path, requirements=read)
    assert done.verdicts == ()
    assert "requirement mine is not judged: no rail_v, brown_out_v here" in done.notes


def test_a_mistyped_requirement_is_a_fault(tmp_path: Path) -> None:
    """A name that no recording, run or vehicle has is a fault with its place, and never passed over."""
    read = load_requirements(requirements(tmp_path, "always(hall_count > 1)"))
    assert faults(lambda: small(tmp_path, requirements=read), tmp_path) == [
        "r.yaml:1:57: requirements[0].formula: expected a signal or a named limit; got 'hall_count'"
        " (did you mean hall_counts?)"
    ]


@pytest.mark.parametrize("before_s", [0.0, 4.0])
def test_the_time_before_the_recording_is_the_callers(tmp_path: Path, before_s: float) -> None:
    """With no time before, the reference is still in its start sequence; with four seconds it is through with it."""
    rows = [f"{n},600,{int(n > 50)}" for n in range(150)]
    done = through(written(tmp_path, HEADER, rows), before_s=before_s)
    drives = "controller: driving as the lever says" in [event.what for event in done.events]
    assert drives == (before_s > 0.0)


def test_a_controller_that_fails_names_the_moment(tmp_path: Path) -> None:
    """A controller's error in a replay names its file and the recording's time."""
    step = "def step(p, s, i):\n    if i.deadman: raise ValueError('boo')\n    return State(0), {command}\n"
    made = load_controller(str(controller(tmp_path, step=step)), 1000)
    path = written(tmp_path, HEADER, ["0,600,0", "5,600,1"])
    with pytest.raises(ControllerError, match=r"mine\.py:14: at 0\.005 s: ValueError: boo"):
        replay(path, made, (), 1000)


def test_progress_is_told(tmp_path: Path) -> None:
    """A long replay tells how far it is, and how far it has to go."""
    heard: list[tuple[int, int]] = []
    rows = [f"{n},600,0" for n in range(9000)]
    small(tmp_path, rows=rows, before_s=0.0, progress=lambda done, total: heard.append((done, total)))
    assert heard[0] == (0, 9000)
    assert [done for done, _ in heard] == sorted({done for done, _ in heard})


def test_a_controller_sees_each_sample_once_in_order(tmp_path: Path) -> None:
    """Each tick's pins reach the controller, the one before the recording held as long as asked."""
    step = "def step(p, s, i):\n    return State(s.ticks + 1), {command}\n"
    answer = command(left="i.hall_counts", lever="s.ticks")
    made = load_controller(str(controller(tmp_path, answer=answer, step=step)), 1000)
    done = replay(written(tmp_path, HEADER, [f"{n},{600 + n},0" for n in range(5000)]), made, (), 1000, before_s=0.25)
    assert done.table["left_pulse_us"].tolist() == [600.0 + n for n in range(5000)]
    assert done.table["lever_permille"].tolist() == [250.0 + n for n in range(5000)]


def test_a_runs_own_table_replays_to_the_same_command(tmp_path: Path) -> None:
    """The exported table of a run, replayed through the same controller, gives the run's command tick by tick."""
    rider = "[{at_s: 0.3, deadman: true}, {at_s: 0.4, lever_frac: 0.8}, {at_s: 0.8, lever_frac: 0.2}]"
    run = simulate(load_case(scenario(tmp_path, controller="first_draft", duration_s="1.2", rider=rider)).bench)
    write_csv(run.table, tmp_path / "run.csv")
    done = through(tmp_path / "run.csv", "first_draft", before_s=0.0)
    # The chip starts after 150 ticks; the first draft's filter has settled some ticks later.
    for name in ("left_pulse_us", "right_pulse_us", "power_step", "mode", "reason", "lever_permille"):
        assert np.array_equal(done.table[name][200:], run.table[name][200:])
    assert done.differences == () or done.differences[0].to_s < 0.2


def test_a_map_file_is_used_and_kept_on_record(tmp_path: Path) -> None:
    """A map beside the recording turns the contact round, and its hash stands among the inputs."""
    (tmp_path / "t.map.yaml").write_text("columns: {deadman: {column: up, scale: -1, offset: 1}}\n", encoding="utf-8")
    done = small(tmp_path, "t_ms,hall_counts,up", ["0,600,1", "1,600,0"])
    assert done.table["deadman"].tolist() == [0.0, 1.0]
    assert "t.map.yaml" in done.inputs()
    assert "read as t.map.yaml says" in done.notes


def test_a_voltage_in_a_dump_is_held_and_not_joined(tmp_path: Path) -> None:
    """Between two changes a dump says that a value stays; a sampled voltage is joined by a line."""
    table = Table(
        np.array([0, 4000]), {"hall_counts": np.full(2, 600.0), "deadman": np.zeros(2), "bus_v": [50.0, 54.0]}
    )
    write_csv(table, tmp_path / "t.csv")
    write_vcd(table, tmp_path / "t.vcd")
    assert through(tmp_path / "t.csv").table["bus_v"].tolist() == [50.0, 51.0, 52.0, 53.0, 54.0]
    assert through(tmp_path / "t.vcd").table["bus_v"].tolist() == [50.0, 50.0, 50.0, 50.0, 54.0]


def test_the_json_lists_what_was_mended(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each thing mended is one text in the JSON, with the file's lines."""
    path = written(tmp_path, HEADER, ["0,600,0", "1,---,0", "2,602,0", "3,603,0", "3,604,0"])
    assert main(["replay", str(path), "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["mended"] == [
        "time: line 5 followed by a row with the same stamp; the later row kept",
        "hall_counts: empty cell: line 3; the value before is held",
    ]


def test_a_replay_is_written_for_a_waveform_viewer(tmp_path: Path) -> None:
    """`--vcd` writes every column of the replay, the recorded and the computed ones, and it reads back."""
    path = written(tmp_path, f"{HEADER},left_pulse_us", ["0,600,0,1000", "1,600,0,1000", "2,3000,1,1200"])
    assert main(["replay", str(path), "--vcd", str(tmp_path / "out.vcd"), "--quiet"]) == 0
    table = read_any(tmp_path / "out.vcd").table
    assert {"hall_counts", "deadman", "recorded_left_pulse_us", "left_pulse_us", "mode"} <= set(table.names)
    assert table["recorded_left_pulse_us"].tolist() == [1000.0, 1200.0]
