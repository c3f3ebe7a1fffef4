"""The story of Moorhen: it ends as it is told, and for reasons that lie in the physics."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import yaml
from file_cases import MOORHEN

from sim.bench.run import Run, set_up, simulate
from sim.bench.scenario import WaterEntry
from sim.jobs.case import Judged, load_case, overall
from sim.jobs.demo import EXPECTED, chapters, told_as_expected

FILES = [MOORHEN / f"{name}.scenario.yaml" for name in EXPECTED]
POOL = MOORHEN / "2_first_draft_in_pool.scenario.yaml"


@pytest.fixture(scope="module")
def told() -> list[Judged]:
    """The four dives."""
    return [chapter.tell() for chapter in chapters()]


def what(judged: Judged, kind: str) -> list[str]:
    """What happened, of one kind."""
    return [event.what for event in judged.run.events if event.kind == kind]


def failed(judged: Judged) -> set[str]:
    """The requirements that did not pass."""
    return {verdict.id for verdict in judged.verdicts if verdict.verdict != "pass"}


def eight_seconds(water: dict[str, Any], **overrides: float) -> Run:
    """The pool's script, seed and controller for its first eight seconds, in other water or with other numbers."""
    scenario = load_case(POOL).bench.scenario
    changes = {"duration_s": 8.0, "water": WaterEntry(**water), "vehicle_set": overrides, "attitude": "held"}
    return simulate(set_up(scenario.model_copy(update=changes), POOL))


def presses(run: Run) -> int:
    """How often the mode button reads pressed anew; the rider never touches it."""
    assert not run.table["mode_pressed"].any()
    return int((np.diff(run.table["mode_button"]) > 0.5).sum())


def test_the_story_ends_as_it_is_told(told: list[Judged]) -> None:
    """Pass in air, fail in the pool, fail with the tired pack, pass with the reference."""
    assert [overall(judged.verdicts) for judged in told] == ["pass", "fail", "fail", "pass"]
    assert told_as_expected(told)


def test_a_story_that_ends_otherwise_is_not_as_told(told: list[Judged]) -> None:
    """The dives in another order, or one of them missing, are not the story."""
    assert not told_as_expected(told[::-1][1:])
    assert not told_as_expected([told[1], told[0], told[2], told[3]])


@pytest.mark.parametrize("key", ["rider", "seed", "duration_s", "requirements_from", "vehicle"])
def test_all_four_dives_share_script_and_measure(key: str) -> None:
    """Rider, seed, length, requirements and vehicle are the same in every dive."""
    files = [yaml.safe_load(path.read_text(encoding="utf-8")) for path in FILES]
    assert all(each[key] == files[0][key] for each in files)


@pytest.mark.parametrize("key", ["water", "pack", "attitude"])
def test_the_reference_has_it_no_easier(key: str) -> None:
    """The last dive differs from the third by the controller alone."""
    third, fourth = (yaml.safe_load(path.read_text(encoding="utf-8")) for path in FILES[2:])
    assert third[key] == fourth[key]


def test_nothing_is_scripted_but_the_rider() -> None:
    """No dive has a fault in it, nor a vehicle of its own, and no rider touches the mode button."""
    for path in FILES:
        case = load_case(path).bench.scenario
        assert (case.faults, case.vehicle_set, case.params_set) == ((), {}, {})
        assert all(step.mode_button is None for step in case.rider)


def test_in_air_nothing_clicks_and_nothing_sags(told: list[Judged]) -> None:
    """Dry, no contact reads what nobody did, no ESC cuts, and the bus hardly moves."""
    assert what(told[0], "water") == []
    assert not any("cuts" in event for event in what(told[0], "drive"))
    assert np.ptp(told[0].run.table["bus_v"]) < 1.0


def test_in_the_pool_the_button_clicks_and_the_step_jumps_under_way(told: list[Judged]) -> None:
    """The wet button reads pressed by itself, and raises the power step while the thrusters are driven."""
    assert "mode button reads pressed, nobody pressed it" in what(told[1], "water")
    assert "step-rises-only-at-rest" in failed(told[1])
    jumps = [event for event in told[1].run.events if event.what.startswith("power step")]
    assert {event.why for event in jumps} == {"the mode button reads pressed, nobody pressed it"}
    under_way = [event for event in jumps if told[1].run.table["left_pulse_us"][round(event.t_s * 1000) - 1] > 1000.0]
    assert under_way


def test_the_tired_pack_sags_under_the_cut_off_and_both_escs_cut(told: list[Judged]) -> None:
    """With real load the bus falls under the ESCs' cut-off and both are gone within half a second of the pull."""
    cuts = [event for event in told[2].run.events if event.what.endswith("ESC cuts")]
    assert [event.what for event in cuts] == ["left ESC cuts", "right ESC cuts"]
    assert all(12.0 < event.t_s < 12.5 for event in cuts)
    assert {"bus-above-esc-cut", "no-esc-cuts"} <= failed(told[2])


def way_to_full(judged: Judged) -> tuple[float, float, float]:
    """Voltage and resistance of the line from bus current to bus voltage as the lever is pulled, and its misfit."""
    rows = slice(12_001, 12_145)
    amperes, volts = judged.run.table["bus_a"][rows], judged.run.table["bus_v"][rows]
    slope, open_v = np.polyfit(amperes, volts, 1)
    return float(open_v), -float(slope), float(np.abs(open_v + slope * amperes - volts).max())


def test_the_cut_is_current_against_resistance(told: list[Judged]) -> None:
    """The bus is a source behind a resistance as the lever is pulled; the tired pack's is half as large again."""
    fresh_v, fresh_ohm, fresh_off_v = way_to_full(told[1])
    tired_v, tired_ohm, tired_off_v = way_to_full(told[2])
    assert max(fresh_off_v, tired_off_v) < 0.01
    assert tired_ohm > 1.5 * fresh_ohm
    # The same 100 A leave the fresh pack's bus over the cut-off and bring the tired one's under it.
    assert tired_v - 100.0 * tired_ohm < told[2].run.limits["esc_cut_v"] < fresh_v - 100.0 * fresh_ohm


def test_the_reference_stays_inside_with_room_to_spare(told: list[Judged]) -> None:
    """In the same water, with the same pack, every margin of the reference is above zero, and it does drive."""
    assert all(verdict.margin is None or verdict.margin > 0.0 for verdict in told[3].verdicts)
    assert told[3].run.table["left_pulse_us"].max() > 1300.0
    assert told[3].run.table["thrust_n"].max() > 100.0


def test_the_references_button_is_as_wet(told: list[Judged]) -> None:
    """The water presses the reference's button as often as the first draft's; it only does not listen to it."""
    assert presses(told[3].run) == presses(told[2].run) > 5
    steps = [event for event in told[3].run.events if event.what.startswith("power step")]
    assert {event.why for event in steps} == {"the rider pressed the dead-man in rhythm"}


def test_every_false_press_is_conductance_against_the_pull_up(told: list[Judged]) -> None:
    """The button reads pressed only where the leak beats the pull-up: its line at the low threshold or under."""
    run = told[1].run
    button = run.bench.vehicle.mode_button
    needed = (1.0 / float(button.low_frac) - 1.0) / float(button.pullup_ohm)
    pressed = np.flatnonzero(np.diff(run.table["mode_button"]) > 0.5) + 1
    # The input's capacitor is over within a tick, so the leak of this tick is the one that did it.
    assert (run.table["button_leak_siemens"][pressed] >= 0.99 * needed).all()
    assert run.table["button_leak_siemens"].max() > needed


@pytest.mark.parametrize("kind", ["air", "lake"])
def test_water_that_conducts_less_presses_nothing(kind: str) -> None:
    """The same script, seed and button in air or in a lake show no false press."""
    assert presses(eight_seconds({"kind": kind, "temperature_degc": 12})) == 0


def test_the_same_water_given_by_its_numbers_presses_as_well() -> None:
    """It is the conductivity that presses: given as a number, the pool's clicks come back one for one."""
    pool = eight_seconds({"kind": "pool", "temperature_degc": 12})
    water = pool.bench.water
    numbers = {"conductivity_s_m": water.conductivity_s_m, "density_kg_m3": water.density_kg_m3, "temperature_degc": 12}
    again = eight_seconds({"kind": "given", **numbers})
    assert presses(again) == presses(pool) > 0
    less = eight_seconds({"kind": "given", **numbers, "conductivity_s_m": 0.5 * water.conductivity_s_m})
    assert presses(less) == 0


@pytest.mark.parametrize(
    "overrides",
    [{"mode_button.pullup_ohm": 1000.0}, {"mode_button.electrode_radius_m": 0.0004}],
    ids=["pull-up", "electrodes"],
)
def test_a_stronger_pull_up_or_smaller_electrodes_end_the_clicks(overrides: dict[str, float]) -> None:
    """In the same pool a strong pull-up, or contacts that offer the water less, show no false press."""
    assert presses(eight_seconds({"kind": "pool", "temperature_degc": 12}, **overrides)) == 0


def test_the_sealed_dead_man_stays_honest_in_the_pool(told: list[Judged]) -> None:
    """The dead-man with its strong pull-up never reads pressed by itself in the same water."""
    assert "dead-man reads pressed, nobody pressed it" not in what(told[1], "water")


def test_a_chapter_tells_how_long_it_is() -> None:
    """Title and ticks of each chapter are those of its file."""
    first = next(chapters())
    assert (first.title, first.ticks) == ("first draft, in air", 27_000)
