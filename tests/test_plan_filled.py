"""Recordings of other builds held against the demo vehicle's plan: sound ones lie within, broken ones outside."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plan_cases import held, moorhen, outside, recorded

from sim.bench.scenario import FaultStep
from sim.jobs.plan.filled import free_s
from sim.jobs.plan.filled import held as limit_held
from sim.jobs.plan.marks import marks_of
from sim.jobs.plan.model import Stop
from sim.record.reading import read_any
from sim.record.table import Table


@pytest.mark.parametrize("stage", [1, 2, 3, 4, 5])
def test_a_sound_build_lies_within(stage: int, tmp_path: Path) -> None:
    """Another build within the tolerances, logged with noise by a clock of its own, is inside all bands."""
    done = held(stage, recorded(stage, tmp_path / "r.csv", offset_us=987_654_321, build=1))
    assert (done.verdict, outside(done), done.count("not measured")) == ("pass", set(), 0)
    assert done.found == len(done.stage.marks)
    assert {each.word for each in done.limits if each.stop.of not in ("rail_v", "cell_v_min")} == {"kept"}


def test_leads_of_twice_the_resistance_are_told_as_leads(tmp_path: Path) -> None:
    """What pack and bus are apart is the leads' (Ohm's law); the pack is as it was, and told so."""
    twice = {"leads.length_m": 2.4, "leads.joint_ohm": 0.002}
    assert outside(held(3, recorded(3, tmp_path / "r.csv", numbers=twice, build=1))) == {"leads"}


def test_dry_the_leads_are_not_seen(tmp_path: Path) -> None:
    """A few amperes over a few milliohms are millivolts (Ohm's law): the bench passes, and the tank is for that."""
    twice = {"leads.length_m": 2.4, "leads.joint_ohm": 0.002}
    assert held(2, recorded(2, tmp_path / "r.csv", numbers=twice, build=1)).verdict == "pass"


def test_a_weak_thruster_is_outside_on_its_side(tmp_path: Path) -> None:
    """A fouled propeller turns slower and pulls less, in the first step with power to spare; the other turns on."""
    weed = FaultStep(kind="left_fouled", at_s=0.0, amount=3.0)
    done = held(3, recorded(3, tmp_path / "r.csv", faults=[weed], build=1))
    words = {each.number.id: each.word for each in done.figures}
    assert (words["3.left"], words["3.thrust"], words["3.right"]) == ("outside", "outside", "within")


def test_tired_cells_are_told_by_the_bus(tmp_path: Path) -> None:
    """Cells of twice the resistance lose twice the volts for each ampere; the leads are as they were."""
    found = outside(held(3, recorded(3, tmp_path / "r.csv", numbers={"pack.cell.r0_ohm": 0.044}, build=1)))
    assert "sag" in found
    assert "leads" not in found


def test_a_sluggish_motor_turns_outside(tmp_path: Path) -> None:
    """A speed constant a fifth higher turns bare shafts a fifth faster (Kv by volts)."""
    found = outside(held(1, recorded(1, tmp_path / "r.csv", numbers={"motor.kv_rpm_v": 50.0}, build=1)))
    assert {"left", "right"} <= found


def test_what_was_not_logged_is_said_and_not_judged(tmp_path: Path) -> None:
    """Four columns give what they can; nothing of the others is taken from what a replay fills in."""
    few = ("hall_counts", "deadman", "bus_v", "left_pulse_us")
    done = held(3, recorded(3, tmp_path / "r.csv", columns=few, build=1))
    words = {each.number.id: (each.word, each.why) for each in done.figures}
    assert done.verdict == "pass"
    assert words["3.bus"][0] == words["3.pulse"][0] == "within"
    assert words["3.left"] == ("not measured", "left_rpm was not logged")
    assert words["8.stop"] == ("not measured", "no 'cord out' was found where the script has it")


def test_a_recording_without_any_of_it_decides_nothing(tmp_path: Path) -> None:
    """A logger that was switched on too late has no marks, and no figure passes by that."""
    path = tmp_path / "late.csv"
    path.write_text("t_ms,hall_counts,deadman\n" + "".join(f"{n * 10},507,0\n" for n in range(50)), encoding="utf-8")
    done = held(3, path)
    assert (done.verdict, done.found, done.offset_s) == ("undecided", 0, None)


def test_a_recording_that_ends_too_soon_blames_nobody(tmp_path: Path) -> None:
    """Cut off while the shafts still coast, it does not tell that they never come to rest."""
    path = recorded(2, tmp_path / "r.csv", build=1)
    whole = held(2, path)
    assert whole.offset_s is not None
    release_s = [mark.at_s for mark in marks_of(read_any(path).table, whole.stage.levels) if mark.kind == "release"][1]
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line[0].isdigit() or float(line.split(",")[0]) < 1e6 * (release_s + 0.4)]
    path.write_text("".join(kept), encoding="utf-8")
    words = {each.number.id: (each.word, each.why) for each in held(2, path).figures}
    assert words["3.stop"][0] == "within"
    assert words["3.still"] == ("not measured", "the recording ends before it")


def test_a_slow_logger_is_not_held_to_a_quick_ones_times(tmp_path: Path) -> None:
    """At 50 ms from sample to sample every time is known to that, and no better."""
    done = held(3, recorded(3, tmp_path / "r.csv", every=12, build=1))
    assert done.every_s == pytest.approx(0.048)
    assert not {"stop", "rise", "still"} & outside(done)


def drive(deadman: list[float], rpm: list[float]) -> Table:
    """Half a second of each value, in steps of 10 ms."""
    values = {"deadman": deadman, "left_rpm": rpm, "right_rpm": [0.0] * len(rpm)}
    columns = {name: np.repeat(np.array(each), 50) for name, each in values.items()}
    return Table(np.arange(50 * len(rpm), dtype=np.int64) * 10_000, columns)


def stop(for_s: float) -> Stop:
    return Stop(of="rpm", side="high", value=60.0, unit="rpm", when="unheld", for_s=for_s, why="")


def test_a_shaft_that_turns_with_the_dead_man_free_crosses_its_limit() -> None:
    """Turning is right while held and while coasting; after that it is what nobody asks for."""
    table = drive([1, 1, 0, 0, 0], [900, 900, 500, 0, 300])
    assert limit_held(stop(0.7), table, 1000.0).word == "crossed"
    assert limit_held(stop(0.7), table, 1000.0).at_s == pytest.approx(2.0)
    assert limit_held(stop(2.0), table, 1000.0).word == "kept"


def test_the_dead_man_is_free_from_its_last_pressed_sample_on() -> None:
    """Counted from the beginning where it was never pressed."""
    assert free_s(drive([0, 1, 0], [0, 0, 0]))[[49, 60, 149]] == pytest.approx([0.49, 0.0, 0.5])


def test_a_current_over_its_limit_is_told_with_its_moment(tmp_path: Path) -> None:
    """A shaft that binds on the bench draws more than any build, and the stage should have ended there."""
    weed = FaultStep(kind="left_fouled", at_s=0.0, amount=2000.0)
    done = held(2, recorded(2, tmp_path / "r.csv", faults=[weed], build=1))
    crossed = [each for each in done.limits if each.word == "crossed" and each.stop.of == "pack_a"]
    assert done.verdict == "fail"
    assert crossed[0].worst > crossed[0].stop.value


def test_every_stage_says_when_to_stop_and_why() -> None:
    """Bus, current, temperature and what must not move stand in each (the plan's own claim), each with a reason."""
    for stage in moorhen()[0].plan.stages:
        assert {"bus_v", "pack_a", "pack_degc", "pulse_us"} <= {each.of for each in stage.stops}
        assert all(each.why for each in stage.stops)
