"""Corners: which end of a tolerance is the bad one, the worst day, and that a corner is a scenario."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from file_cases import controller, faults
from resistive import EMF_V, IDLE_W, JOINT_OHM, held_power_v, lowest, resistor_v, scenario, vehicle

from sim.bench.loop import ControllerError
from sim.bench.run import Bench, set_up, with_overrides
from sim.bench.vehicle import quantities
from sim.face.cli import main
from sim.jobs.case import judge_case, load_case
from sim.jobs.corners import Survey, Worst, at, corners, survey
from sim.jobs.envelope import Age, Envelope, conditions, load_envelope
from sim.jobs.trials import Corner, Trial, as_filed, case_at, tried, with_numbers, write_corner

DOCS = Path(__file__).parents[1] / "docs" / "corners.md"
# One day, and the same as the resistive scenario's.
DAY = Envelope(
    charge_frac=(0.5,),
    pack_degc=(25.0,),
    ages=(Age(name="new"),),
    water=("lake",),
    water_degc=(25.0,),
    attitudes=("held",),
)
JOINT = "leads.joint_ohm"


@pytest.fixture(scope="module")
def one() -> Iterator[Executor]:
    """An executor that starts no process."""
    with ThreadPoolExecutor(1) as pool:
        yield pool


@pytest.fixture
def searched(tmp_path: Path, one: Executor) -> Callable[..., Survey]:
    """Searches the corners of the resistive vehicle, its numbers as given, under one requirement or several."""

    def search(*requirements: dict[str, Any], duty: float = 0.0, envelope: Envelope = DAY, **numbers: Any) -> Survey:
        vehicle(tmp_path, **numbers)
        return survey(load_case(scenario(tmp_path, list(requirements) or [lowest()], duty)), envelope, one)

    return search


def only(found: Survey) -> Worst:
    (worst,) = found.worst
    return worst


def test_margins_at_the_ends_of_a_resistance_are_those_of_the_closed_form(searched: Callable[..., Survey]) -> None:
    """Under a constant power the bus stands at the upper root of V^2 - E V + R P = 0, at either end of R."""
    (effect,) = only(searched(leads__joint_ohm="0.02 +- 50%")).effects
    assert effect.key == JOINT
    assert effect.margin_low == pytest.approx(held_power_v(0.01, 2 * IDLE_W) - 40.0, rel=1e-9)
    assert effect.margin_high == pytest.approx(held_power_v(0.03, 2 * IDLE_W) - 40.0, rel=1e-9)


def test_slope_over_resistance_under_a_constant_power(searched: Callable[..., Survey]) -> None:
    """dV/dR = -I / (1 - I R / V): the root differentiated."""
    (effect,) = only(searched(leads__joint_ohm="0.02 +- 0.1%")).effects
    volts = held_power_v(JOINT_OHM, 2 * IDLE_W)
    amperes = 2 * IDLE_W / volts
    slope = (effect.margin_high - effect.margin_low) / (2 * 0.001 * JOINT_OHM)
    assert slope == pytest.approx(-amperes / (1.0 - amperes * JOINT_OHM / volts), rel=1e-5)


def test_slope_over_resistance_under_a_small_load_is_minus_the_current(searched: Callable[..., Survey]) -> None:
    """dV/dR = -I where the load hardly moves the bus: Ohm's law."""
    (effect,) = only(searched(leads__joint_ohm="0.02 +- 1%", esc__idle_w=1.0)).effects
    slope = (effect.margin_high - effect.margin_low) / (2 * 0.01 * JOINT_OHM)
    assert slope == pytest.approx(-2.0 / EMF_V, rel=1e-4)


def test_slope_over_resistance_under_a_resistor(searched: Callable[..., Survey]) -> None:
    """dV/dR = -I / (1 + R G): the divider of two motors that stand still, at half duty, differentiated."""
    final = lowest(measure="final(bus_v)")
    (effect,) = only(searched(final, duty=0.5, leads__joint_ohm="0.02 +- 1%", esc__idle_w=0.0)).effects
    siemens = 2 * 0.5 * 0.5 / 0.5
    amperes = siemens * resistor_v(JOINT_OHM, siemens)
    slope = (effect.margin_high - effect.margin_low) / (2 * 0.01 * JOINT_OHM)
    assert slope == pytest.approx(-amperes / (1.0 + JOINT_OHM * siemens), rel=1e-3)


@pytest.mark.parametrize(("bound", "end"), [({"at_least": 40.0}, 0.03), ({"at_most": 60.0}, 0.01)])
def test_the_bad_end_is_found_and_not_assumed(
    searched: Callable[..., Survey], bound: dict[str, float], end: float
) -> None:
    """More resistance is bad for a lower bound of the bus, and good for an upper one: Ohm's law."""
    wanted = {"id": "bus", "says": "It stays there.", "measure": "minimum(bus_v)", **bound}
    assert only(searched(wanted, leads__joint_ohm="0.02 +- 50%")).corner.vehicle_set == {JOINT: pytest.approx(end)}


def test_the_worst_build_takes_every_bad_end(searched: Callable[..., Survey]) -> None:
    """The margin of the worst build is the closed form's with more power, more resistance and less voltage at once."""
    worst = only(
        searched(leads__joint_ohm="0.02 +- 50%", esc__idle_w="300 +- 10%", pack__cell__r0_ohm="0.002 .. 0.004")
    )
    cells_ohm = 0.004 * 14 / 8
    assert worst.verdict is not None
    assert worst.verdict.margin == pytest.approx(held_power_v(0.03 + cells_ohm, 660.0) - 40.0, rel=1e-6)
    assert worst.margin_filed == pytest.approx(held_power_v(0.02 + 0.003 * 14 / 8, 600.0) - 40.0, rel=1e-6)


def test_effects_come_strongest_first(searched: Callable[..., Survey]) -> None:
    """The order is that of the closed form's change from end to end."""
    worst = only(searched(leads__joint_ohm="0.02 +- 2%", esc__idle_w="300 +- 20%"))
    assert [effect.key for effect in worst.effects] == ["esc.idle_w", JOINT]


def test_a_quantity_without_a_say_stays_as_filed(searched: Callable[..., Survey]) -> None:
    """Held still, the hull's mass does not reach the bus: it has no effect, and no end in the corner."""
    worst = only(searched(leads__joint_ohm="0.02 +- 50%", hull__mass_kg="38 +- 20%"))
    assert [effect.key for effect in worst.effects] == [JOINT]
    assert set(worst.corner.vehicle_set) == {JOINT}


def test_all_bad_ends_at_once_may_be_milder_than_some(searched: Callable[..., Survey]) -> None:
    """A distance from a forbidden voltage: either quantity alone nears it, both go past it; the nearest is kept."""
    forbidden = held_power_v(0.03, 2 * IDLE_W) - 0.01
    away = lowest(0.0, f"minimum(abs(bus_v - {forbidden!r}))")
    worst = only(searched(away, leads__joint_ohm="0.02 .. 0.03", esc__idle_w="300 .. 390"))
    # Filed are the middles.
    ends = [abs(held_power_v(ohm, 2 * watts) - forbidden) for ohm, watts in [(0.03, 345), (0.025, 390), (0.03, 390)]]
    assert worst.verdict is not None
    assert worst.verdict.margin == pytest.approx(min(ends), rel=1e-6)
    assert ends[2] > min(ends)


def test_limits_follow_the_vehicle(searched: Callable[..., Survey]) -> None:
    """A requirement over the ESC's cut-off is nearer by as much as the cut-off is higher."""
    above = {"id": "above-cut", "says": "It stays above.", "formula": "always(bus_v >= esc_cut_v)"}
    worst = only(searched(above, esc__cut_v="40 +- 2"))
    assert worst.corner.vehicle_set == {"esc.cut_v": 42.0}
    assert worst.verdict is not None
    assert worst.verdict.margin == pytest.approx(held_power_v(JOINT_OHM, 2 * IDLE_W) - 42.0, rel=1e-9)


OCV = [[0.0, 3.0], [1.0, 4.0]]


@pytest.mark.parametrize(("bound", "charge"), [({"at_least": 30.0}, 0.2), ({"at_most": 70.0}, 1.0)])
def test_the_worst_day_is_found_and_not_assumed(
    searched: Callable[..., Survey], bound: dict[str, float], charge: float
) -> None:
    """An empty pack is bad for a lower bound of the bus and a full one for an upper bound, by its own voltage."""
    wanted = {"id": "bus", "says": "It stays there.", "measure": "minimum(bus_v)", **bound}
    days = DAY.model_copy(update={"charge_frac": (0.2, 0.6, 1.0)})
    worst = only(searched(wanted, envelope=days, pack__cell__ocv_v=OCV))
    assert worst.corner.pack.charge_frac == charge
    # In a twentieth of a second the pack gives 0.6 C of its 98 kC, which is 0.1 mV.
    bus_v = held_power_v(JOINT_OHM, 2 * IDLE_W, 14 * (3.0 + charge))
    assert worst.verdict is not None
    assert worst.verdict.margin == pytest.approx(bus_v - 30.0 if charge < 1.0 else 70.0 - bus_v, abs=2e-4)


def test_no_draw_of_a_monotone_vehicle_is_worse_than_its_corner(searched: Callable[..., Survey]) -> None:
    """Where the bus falls with each quantity, no build between the ends is under the corner's margin."""
    found = searched(leads__joint_ohm="0.02 +- 50%", esc__idle_w="300 +- 20%", pack__cell__r0_ohm="0.002 .. 0.004")
    inside = [
        as_filed(found.case.bench.scenario, "", {JOINT: ohm, "esc.idle_w": watts, "pack.cell.r0_ohm": cell})
        for ohm in (0.011, 0.02, 0.0299)
        for watts in (250.0, 359.0)
        for cell in (0.0021, 0.0039)
    ]
    with ThreadPoolExecutor(1) as pool:
        margins = [trial.verdicts[0].margin for trial in tried(found.case, inside, pool)]
    worst = only(found).verdict
    assert worst is not None
    assert worst.margin is not None
    assert all(margin is not None and margin > worst.margin for margin in margins)


def test_an_age_sets_the_spread_of_the_cells(searched: Callable[..., Survey]) -> None:
    """The weakest cell's numbers of an age replace the vehicle's and their tolerance."""
    tired = Age(name="tired", weak_capacity_frac=0.8, weak_resistance_frac=1.5)
    days = DAY.model_copy(update={"ages": (tired,)})
    worst = only(searched(envelope=days, pack__weak_resistance_frac="1.1 .. 1.3", leads__joint_ohm="0.02 +- 1%"))
    assert worst.corner.vehicle_set["pack.weak_capacity_frac"] == 0.8
    assert worst.corner.vehicle_set["pack.weak_resistance_frac"] == 1.5


def test_a_limit_without_a_distance_that_fails_has_its_corner(searched: Callable[..., Survey]) -> None:
    """A requirement on states alone has no margin: there is a corner where it fails, and none if it never does."""
    fails = {"id": "never-up", "says": "The chip never runs.", "formula": "never(state(chip == 0))"}
    holds = {"id": "never-nine", "says": "There is no ninth.", "formula": "never(state(chip == 9))"}
    found = searched(fails, holds)
    assert [each.limit for each in found.worst] == ["never-up"]
    assert found.unbounded == ("never-nine",)
    assert found.verdict == "fail"


def test_equal_corners_are_one_and_name_their_limits(searched: Callable[..., Survey]) -> None:
    """Two limits with the same worst corner share it."""
    found = searched(lowest(), lowest(41.0, name="bus-higher"), leads__joint_ohm="0.02 +- 50%")
    (corner,) = found.corners
    assert corner.name == "25 degC, new, 50 % charge, held still, lake; worst build for bus-high and bus-higher"


def test_runs_are_counted(searched: Callable[..., Survey]) -> None:
    """As filed, one day, two ends of two quantities, and the one and the two worst ends together."""
    assert searched(leads__joint_ohm="0.02 +- 50%", esc__idle_w="300 +- 10%").runs == 1 + 1 + 4 + 2


def test_names_read_well() -> None:
    """A name tells warmth, age, charge, attitude and water."""
    names = [corner.name for corner in conditions(Envelope(water=("lake",), water_degc=(4.0,)))]
    assert names[0] == "cold, new, 15 % charge, held still, lake"
    assert "warm, aged, 100 % charge, towed, lake" in names
    assert len(set(names)) == len(names) == 16


def test_several_water_temperatures_stand_in_the_name() -> None:
    """No two conditions of the default envelope are called alike."""
    names = [corner.name for corner in conditions(Envelope())]
    assert "cold, aged, 15 % charge, held still, sea at 4 degC" in names
    assert len(set(names)) == len(names) == 96


def test_in_air_there_is_only_held_still() -> None:
    """Air with towed and worn gives one attitude, as a scenario allows."""
    found = conditions(Envelope(water=("air", "lake"), attitudes=("held", "towed", "worn")))
    assert {corner.attitude for corner in found if corner.water.kind == "air"} == {"held"}
    assert {corner.attitude for corner in found if corner.water.kind == "lake"} == {"held", "towed", "worn"}


CORNER = Corner(
    name="a corner",
    water=conditions(Envelope())[-1].water,
    pack=conditions(Envelope())[-1].pack,
    attitude="towed",
    vehicle_set={"pack.cell.r0_ohm": 0.0251, "esc.cut_v": 41.5, "leads.joint_ohm": 0.0012},
)


def test_at_is_what_the_scenario_would_be(moorhen: Callable[..., Bench]) -> None:
    """A bench at a corner is the bench that the corner's scenario sets up from its files."""
    bench = moorhen(vehicle_set={"leads.joint_ohm": 0.002, "supply.load_w": 1.5})
    there = at(bench, CORNER)
    anew = set_up(there.scenario, bench.path)
    assert (there.vehicle, there.water, there.scenario) == (anew.vehicle, anew.water, anew.scenario)
    assert quantities(there.vehicle) == quantities(anew.vehicle)
    assert there.scenario.vehicle_set["supply.load_w"] == 1.5


def test_numbers_are_set_as_a_scenario_sets_them(moorhen: Callable[..., Bench]) -> None:
    """The quick way to set numbers gives the vehicle that the checked way gives, its tolerances gone alike."""
    whole = moorhen().vehicle
    for key, value in quantities(whole).items():
        quick, checked = with_numbers(whole, {key: float(value)}), with_overrides(whole, {key: float(value)}, "")
        assert quick == checked
        assert [(each.low, each.high) for each in quantities(quick).values()] == [
            (each.low, each.high) for each in quantities(checked).values()
        ]


def test_at_reads_no_file(tmp_path: Path) -> None:
    """With the vehicle's file gone a loaded bench still goes to its corners."""
    path = vehicle(tmp_path)
    bench = load_case(scenario(tmp_path, [lowest()])).bench
    path.unlink()
    assert at(bench, CORNER).vehicle.esc.cut_v == 41.5


def test_a_written_corner_is_the_same_run(searched: Callable[..., Survey], tmp_path: Path) -> None:
    """The scenario file of a corner, read again from another folder, gives the corner's margin bit for bit."""
    found = searched(leads__joint_ohm="0.02 +- 37%", esc__idle_w="300 +- 11%")
    (path,) = found.write(tmp_path / "below" / "here", "s")
    again = judge_case(load_case(path))
    worst = only(found).verdict
    assert worst is not None
    assert again.verdicts[0].margin == worst.margin


def test_a_corner_of_moorhen_is_the_same_run(moorhen: Callable[..., Bench], tmp_path: Path) -> None:
    """So it is with a vehicle of which everything moves, the catalogue's requirements included."""
    source = tmp_path / "s.scenario.yaml"
    lines = {
        "name": "ride",
        "vehicle": moorhen().vehicle_path,
        "controller": "reference",
        "water": "{kind: pool}",
        "attitude": "held",
        "duration_s": 0.6,
        "rider": "[{at_s: 0.2, deadman: true}]",
        "standard": "all",
    }
    source.write_text("".join(f"{key}: {value}\n" for key, value in lines.items()), encoding="utf-8")
    case = load_case(source)
    write_corner(case.bench, CORNER, tmp_path / "corner.scenario.yaml")
    again = judge_case(load_case(tmp_path / "corner.scenario.yaml"))
    assert again.verdicts == judge_case(case_at(case, CORNER)).verdicts
    assert again.verdicts


def test_other_processes_find_the_same(searched: Callable[..., Survey]) -> None:
    """Processes, which load the controller's file for themselves, give what threads give."""
    found = searched(leads__joint_ohm="0.02 +- 37%", esc__idle_w="300 +- 11%")
    with ProcessPoolExecutor(2) as pool:
        assert corners(found.case, DAY, pool) == found.corners


STUMBLES = "def step(p, s, i):\n    if i.bus_mv < 50_100:\n        raise ValueError('low')\n    return s, {command}\n"


def stumbling(folder: Path, **numbers: Any) -> Path:
    """A scenario whose controller raises where it reads a bus under 50.1 V."""
    vehicle(folder, readings__bus_step_v=0.001, readings__bus_noise_v_rms=0.0, **numbers)
    path = scenario(folder, [lowest()])
    controller(folder, step=STUMBLES)
    return path


def test_a_crash_is_the_worst_there_is(tmp_path: Path, one: Executor) -> None:
    """Where the controller raises, that build is the corner, it fails, and what was raised is told."""
    found = survey(load_case(stumbling(tmp_path, leads__joint_ohm="0.02 +- 50%")), DAY, one)
    worst = only(found)
    assert worst.corner.vehicle_set == {JOINT: pytest.approx(0.03)}
    assert (worst.verdict, found.verdict) == (None, "fail")
    assert "ValueError: low" in worst.crash
    assert found.as_json()["limits"][0]["verdict"] == "error"


def test_a_crash_as_filed_is_told_at_once(tmp_path: Path, one: Executor) -> None:
    """A controller that raises with the numbers as filed is no matter of tolerances."""
    case = load_case(stumbling(tmp_path, leads__joint_ohm="0.05 +- 50%"))
    with pytest.raises(ControllerError, match="low"):
        survey(case, DAY, one)


def test_a_worker_that_dies_takes_its_runs_with_it(tmp_path: Path) -> None:
    """Runs whose process ended are crashed ones, and say so."""
    vehicle(tmp_path)
    case = load_case(scenario(tmp_path, [lowest()]))
    controller(tmp_path, step="def step(p, s, i):\n    import os\n    os._exit(1)\n")
    with ProcessPoolExecutor(1) as pool:
        found = tried(case, [as_filed(case.bench.scenario, "", {})] * 2, pool)
    assert [trial.verdicts for trial in found] == [(), ()]
    assert all("BrokenProcessPool" in trial.crash for trial in found)


def test_an_impossible_corner_is_one_clear_fault(tmp_path: Path, one: Executor) -> None:
    """Two thresholds whose tolerances cross make no vehicle at some end; the fault names it."""
    vehicle(tmp_path, supply__brown_out_v="4.3 +- 0.3")
    case = load_case(scenario(tmp_path, [lowest()]))
    (fault,) = faults(lambda: survey(case, DAY, one), tmp_path)
    assert fault == (
        "resistive.scenario.yaml: vehicle_set: expected supply.brown_out_v_release at least brown_out_v (4.6); "
        "got 4.5 at the corner 25 degC, new, 50 % charge, held still, lake"
    )


def test_nothing_to_be_held_against_is_a_fault(tmp_path: Path, one: Executor) -> None:
    """Without requirements no corner is worse than another."""
    vehicle(tmp_path)
    case = load_case(scenario(tmp_path, []))
    (fault,) = faults(lambda: survey(case, DAY, one), tmp_path)
    assert fault.startswith("resistive.scenario.yaml: requirements: expected this key")


def envelope(folder: Path, text: str) -> Path:
    path = folder / "e.yaml"
    path.write_text(text, encoding="utf-8")
    return path


BAD = [
    ("charge_frac: []", "e.yaml:1:14: charge_frac: expected a list that is not empty; got an empty list"),
    ("charge_frac: [0.2, 1.2]", "e.yaml:1:20: charge_frac[1]: expected a fraction of 1, at most 1; got '1.2'"),
    ("charge_frac: 0.2", "e.yaml:1:14: charge_frac: expected a list; got '0.2'"),
    ("charge_frac: [0.5, 0.50]", "e.yaml:1:20: charge_frac[1]: expected each value once; got 0.5"),
    ("pack_degc: [-30]", "e.yaml:1:13: pack_degc[0]: expected a number in degrees Celsius, at least -20; got '-30'"),
    (
        "water: [sea]\nwater_degc: [4, 38]",
        "e.yaml:2:17: water_degc[1]: expected a number in degrees Celsius, -2 to 35 in sea; got 38",
    ),
    (
        "water: [poool]",
        "e.yaml:1:9: water[0]: expected one of air, lake, pool, salt_pool, brackish, sea (did you mean pool?); "
        "got 'poool'",
    ),
    ("water: [air]\nattitudes: [towed]", "e.yaml:2:12: attitudes: expected held, the one attitude in air; got towed"),
    (
        "ages: [{name: a}, {name: a, capacity_loss_frac: 0.1}]",
        "e.yaml:1:26: ages[1].name: expected each name once; got a",
    ),
    ("ages: [{capacity_loss_frac: 0.1}]", "e.yaml:1:8: ages[0].name: expected this key, with text; got no such key"),
    ("waters: [sea]", "e.yaml:1:1: waters: expected one of the keys"),
]


@pytest.mark.parametrize(("text", "said"), BAD)
def test_faults_of_an_envelope(text: str, said: str, tmp_path: Path) -> None:
    """Each fault is one line with its place, what was expected, and what is there."""
    (fault,) = faults(lambda: load_envelope(envelope(tmp_path, text)), tmp_path)
    assert fault.startswith(said)


def test_an_envelope_may_say_one_thing_alone(tmp_path: Path) -> None:
    """What a file leaves out is as in the default."""
    found = load_envelope(envelope(tmp_path, "pack_degc: [0, 20, 40]\n"))
    assert found == Envelope(pack_degc=(0.0, 20.0, 40.0))


def test_the_envelope_of_the_page_is_the_default(tmp_path: Path) -> None:
    """docs/corners.md shows the default envelope, every key of it, as a file that reads as it."""
    page = DOCS.read_text(encoding="utf-8")
    (block,) = re.findall(r"```yaml\n(charge_frac:.*?)```", page, re.DOTALL)
    assert set(re.findall(r"^(\w+):", block, re.MULTILINE)) == set(Envelope.model_fields)
    assert set(Age.model_fields) <= set(re.findall(r"`(\w+)`", page))
    assert load_envelope(envelope(tmp_path, block)) == Envelope()


def test_the_command_tells_each_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`drydive corners` names limit, margin, corner and the quantity that matters, and exits with 0 where all hold."""
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%")
    path = scenario(tmp_path, [lowest()])
    keys = "charge_frac: [0.5], pack_degc: [25], ages: [{name: new}], water: [lake], water_degc: [25]"
    day = envelope(tmp_path, f"{{{keys}, attitudes: [held]}}")
    result = tmp_path / "r.json"
    options = ["--envelope", str(day), "--workers", "1", "--json", str(result)]
    assert main(["corners", str(path), *options]) == 0
    assert "envelope e.yaml" in json.loads(result.read_text(encoding="utf-8"))["inputs"]
    out = capsys.readouterr().out
    assert out.startswith("PASS  resistive")
    margin = held_power_v(0.03, 2 * IDLE_W) - 40.0
    assert f"bus-high  {margin:.4g} V" in out
    assert "25 degC, new, 50 % charge, held still, lake" in out
    assert f"{JOINT}:" in out
    assert "taken 0.03" in out


def test_the_command_writes_corners_and_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --out each corner is a scenario on which `drydive run` fails as the corner did; --json - is data alone."""
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%")
    bound = held_power_v(0.025, 2 * IDLE_W)
    path = scenario(tmp_path, [lowest(bound)])
    out = tmp_path / "out"
    assert main(["corners", str(path), "--out", str(out), "--json", "-", "--workers", "1"]) == 1
    told = json.loads(capsys.readouterr().out)
    (limit,) = told["limits"]
    assert (told["verdict"], limit["id"], limit["verdict"], limit["vehicle_set"]) == (
        "fail", "bus-high", "fail", {JOINT: 0.03}
    )  # fmt: skip
    page = DOCS.read_text(encoding="utf-8")
    assert [key for key in {*told, *limit, *limit["effects"][0]} if f"`{key}`" not in page] == []
    (written,) = sorted(out.iterdir())
    assert main(["run", str(written), "--quiet"]) == 1
    assert written.read_text(encoding="utf-8").startswith("# The worst corner found for\n# bus-high: bus_v was lowest")


def test_a_trial_without_crash_has_verdicts(tmp_path: Path, one: Executor) -> None:
    """A run that ends well leaves its verdicts, in the order of the corners asked for."""
    vehicle(tmp_path)
    case = load_case(scenario(tmp_path, [lowest()]))
    ohms = [0.01 + 0.001 * count for count in range(20)]
    found: list[Trial] = tried(case, [as_filed(case.bench.scenario, "", {JOINT: ohm}) for ohm in ohms], one)
    margins = [trial.verdicts[0].margin for trial in found]
    assert margins == pytest.approx([held_power_v(ohm, 2 * IDLE_W) - 40.0 for ohm in ohms], rel=1e-9)
