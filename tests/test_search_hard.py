"""The hardest corner: against the closed form of a vehicle of one resistance, and against the survey of corners."""

from __future__ import annotations

from pathlib import Path

import pytest
from file_cases import command, controller
from resistive import EMF_V, IDLE_W, held_power_v, lowest, scenario, vehicle

from sim.base.errors import InputError
from sim.jobs.case import judge_case, load_case
from sim.jobs.corners import survey
from sim.jobs.envelope import Age, Envelope
from sim.jobs.search.hard import Hardest, hardest
from sim.jobs.trials import case_at

DAY = Envelope(
    charge_frac=(0.2, 1.0),
    pack_degc=(25.0,),
    ages=(Age(name="new"),),
    water=("lake",),
    water_degc=(25.0,),
    attitudes=("held",),
)
OCV = [[0.0, 3.0], [1.0, 4.0]]


def found(folder: Path, requirements: list[dict[str, object]], runs: int = 150, **numbers: object) -> Hardest:
    vehicle(folder, **numbers)
    hard = hardest(load_case(scenario(folder, requirements)), runs, 1, DAY, workers=1)
    assert hard is not None
    return hard


def test_it_is_the_closed_forms_worst(tmp_path: Path) -> None:
    """Least charge, most resistance, most power: V^2 - E V + R P = 0 at these ends, with the file's other numbers."""
    bands = {"leads__joint_ohm": "0.02 +- 50%", "esc__idle_w": "300 +- 20%", "hull__mass_kg": "38 +- 20%"}
    hard = found(tmp_path, [lowest(30.0)], pack__cell__ocv_v=OCV, **bands)
    # A hundredth of a volt: what the cells give in a twentieth of a second, and what making it simple may cost.
    assert hard.margin == pytest.approx(held_power_v(0.03, 720.0, 14 * 3.2) - 30.0, abs=0.02)
    assert (hard.requirement, hard.broken, hard.corner.pack.charge_frac) == ("bus-high", False, 0.2)
    assert hard.corner.vehicle_set == {"leads.joint_ohm": pytest.approx(0.03), "esc.idle_w": pytest.approx(360.0)}


def test_the_bad_end_is_found_and_not_assumed(tmp_path: Path) -> None:
    """Against an upper bound the full pack and the least resistance are worst."""
    bound = {"id": "bus-low", "says": "It stays under.", "measure": "maximum(bus_v)", "at_most": 70.0}
    hard = found(tmp_path, [bound], leads__joint_ohm="0.02 +- 50%", pack__cell__ocv_v=OCV)
    assert hard.corner.pack.charge_frac == 1.0
    assert hard.margin == pytest.approx(70.0 - held_power_v(0.01, 2 * IDLE_W, 14 * 4.0), abs=0.02)


def test_it_looks_between_the_ends_too(tmp_path: Path) -> None:
    """A distance from a forbidden voltage is least within the band: there the survey's ends stop, and it goes on."""
    forbidden = held_power_v(0.025, 2 * IDLE_W)
    away = lowest(0.0, f"minimum(abs(bus_v - {forbidden!r}))")
    hard = found(tmp_path, [away], leads__joint_ohm="0.01 .. 0.03")
    ends = [abs(held_power_v(ohm, 2 * IDLE_W) - forbidden) for ohm in (0.01, 0.02, 0.03)]
    assert hard.margin is not None
    assert hard.margin < 0.1 * min(ends)


def test_it_is_no_milder_than_the_corners_it_begins_with(tmp_path: Path) -> None:
    """Given what the survey found, the hardest corner's share is as low, to what making it simple may cost."""
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%", esc__idle_w="300 +- 20%", pack__cell__r0_ohm="0.002 .. 0.004")
    case = load_case(scenario(tmp_path, [lowest()]))
    known = survey(case, DAY)
    hard = hardest(case, 30, 1, DAY, known.corners, workers=1)
    assert hard is not None
    assert hard.margin is not None
    (worst,) = known.worst
    assert worst.verdict is not None
    assert worst.verdict.margin is not None
    assert hard.margin <= worst.verdict.margin + 0.001 * (EMF_V - 40.0) + 1e-9


def test_the_corner_shows_what_it_is_said_to(tmp_path: Path) -> None:
    """The case at the corner, judged as every corner is, has the margin told."""
    hard = found(tmp_path, [lowest(46.0)], leads__joint_ohm="0.02 +- 50%", pack__cell__ocv_v=OCV)
    again = judge_case(case_at(load_case(tmp_path / "resistive.scenario.yaml"), hard.corner))
    assert again.verdicts[0] == hard.verdict
    assert hard.broken
    assert hard.corner.name.endswith("hardest found for bus-high")


def test_workers_change_nothing(tmp_path: Path) -> None:
    """One process and two find the same."""
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%", esc__idle_w="300 +- 20%")
    case = load_case(scenario(tmp_path, [lowest()]))
    assert hardest(case, 60, 3, DAY, workers=1) == hardest(case, 60, 3, DAY, workers=2)


def test_a_crash_is_the_hardest(tmp_path: Path) -> None:
    """A controller that raises an error under a low bus is worse than any margin."""
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%", readings__bus_step_v=0.01, pack__cell__ocv_v=OCV)
    path = scenario(tmp_path, [lowest(10.0)])
    step = "def step(params, state, inputs):\n    1 // (inputs.bus_mv // 46000)\n    return State(1), {command}\n"
    controller(tmp_path, command(), step=step)
    hard = hardest(load_case(path), 60, 1, DAY, workers=1)
    assert hard is not None
    assert (hard.broken, hard.verdict, "ZeroDivisionError" in hard.crash) == (True, None, True)


def test_states_that_hold_everywhere_have_no_hardest_day(tmp_path: Path) -> None:
    """Without a margin or a failure anywhere there is none."""
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%")
    holds = {"id": "never-nine", "says": "There is no ninth.", "formula": "never(state(chip == 9))"}
    assert hardest(load_case(scenario(tmp_path, [holds])), 20, 1, DAY, workers=1) is None


def test_nothing_to_hold_it_against_is_a_fault(tmp_path: Path) -> None:
    """A case without requirements is refused."""
    vehicle(tmp_path)
    with pytest.raises(InputError, match="what the runs are held against"):
        hardest(load_case(scenario(tmp_path, [])), 20, 1, DAY, workers=1)
