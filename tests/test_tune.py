"""Tuning against a drive solved by hand: a source behind one resistance, two motors, propellers that stand still.

The hand's side is in tune_cases.py. Its steady state is what the slowest ramp
comes to: the rotors then take next to no torque of their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from file_cases import command, controller, faults
from resistive import EMF_V
from scipy.optimize import brentq
from tune_cases import DAY, JOINT_OHM, bus_v, duty_at, ride, tuned

from sim.jobs.envelope import conditions
from sim.jobs.tune.bed import Bed
from sim.jobs.tune.binding import binding
from sim.jobs.tune.drive import Figures, prepared
from sim.jobs.tune.knobs import Knobs, fixed, knobs_of
from sim.jobs.tune.tune import tune
from sim.jobs.tune.tuned import Tuned
from sim.jobs.tune.values import CAP_GRID, RAMP_GRID_MS, Values

# The slowest ramp of this ride is 1.5 s: the rotors' own torque then pulls the bus down by up to so much more.
SPIN_V = 0.15
# A cut-off that is too high for the wished drive.
SHORT_V = 43.0


@pytest.fixture
def bed(tmp_path: Path) -> Iterator[Bed]:
    """The ride on its one day."""
    with Bed(ride(tmp_path), workers=1) as opened:
        yield opened


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Tuned:
    """A tuning whose ESCs cut so early that the wished drive cannot be."""
    return tuned(tmp_path_factory.mktemp("short"), esc__cut_v=SHORT_V, mapped=True)


def driven(bed: Bed, permille: int, ramp_ms: int | None = None) -> Figures:
    """One drive with the guard open."""
    case = bed.ride.case
    values = Values(case.bench, knobs_of(case.bench.controller), {}, case.limits, bed.ride.hold_s)
    figures = bed.drive(values.at(permille, ramp_ms), bed.add(conditions(DAY)))[0].figures
    assert figures is not None
    return figures


@pytest.mark.parametrize("cut_v", [40.0, 47.0])
def test_the_highest_cap_is_the_one_solved_by_hand(tmp_path: Path, cut_v: float) -> None:
    """The supply bears the drive that leaves the bus half a volt above the cut-off, rounded down to a percent."""
    found = tuned(tmp_path, esc__cut_v=cut_v)
    exact = 1000.0 * duty_at(cut_v + 0.5)
    spinning = 1000.0 * duty_at(cut_v + 0.5 + SPIN_V)
    assert found.bears_permille is not None
    assert spinning - CAP_GRID < found.bears_permille <= exact


@pytest.mark.parametrize("permille", [300, 600, 900])
def test_a_slow_ramp_ends_at_the_operating_point(bed: Bed, permille: int) -> None:
    """Quasi-static limit: the lowest bus of the slowest ramp is that of the steady drive, within the rotors' torque."""
    lowest = driven(bed, permille).bus_v_min
    assert bus_v(permille / 1000.0) - SPIN_V < lowest <= bus_v(permille / 1000.0) + 0.005


def test_a_quicker_ramp_pulls_the_bus_further_down(bed: Bed) -> None:
    """Torque that speeds a rotor up takes current of its own: the quicker, the lower the bus."""
    lows = [driven(bed, 800, ramp_ms).bus_v_min for ramp_ms in (1500, 400, 150)]
    assert lows == sorted(lows, reverse=True)
    assert lows[0] - lows[-1] > 1.0


@pytest.mark.parametrize("ohm", [0.8, 1.2])
def test_no_drive_beyond_the_most_power_is_recommended(tmp_path: Path, ohm: float) -> None:
    """A source gives the most power at half its voltage (Jacobi's theorem); past that more drive gives less of it."""
    found = tuned(tmp_path, leads__joint_ohm=ohm, esc__cut_v=8.0, limits="standard:\n  take: [drive-is-not-cut]\n")
    most = duty_at(EMF_V / 2.0, ohm)
    assert most < 1.0
    assert found.bears_permille is not None
    assert 1000.0 * most - 2 * CAP_GRID < found.bears_permille <= 1000.0 * most


def test_what_is_recommended_passes_and_a_grid_step_more_does_not(tmp_path: Path) -> None:
    """The ramp found keeps every limit at the cap found; ten milliseconds less break the one that is named."""
    found = tuned(tmp_path)
    assert found.quicker is not None
    assert found.quicker.limit == "bus-above-esc-cut"
    cap = found.settings["cap_4_permille"]
    again = tuned(tmp_path, fixed={"cap_4_permille": cap, "ramp_up_ms": found.settings["ramp_up_ms"] - RAMP_GRID_MS})
    assert again.refused
    assert f"cap_4_permille is fixed at {cap}" in again.refused


def test_the_bad_end_of_a_tolerance_binds(tmp_path: Path) -> None:
    """A joint of 100 mOhm, give or take a fifth: the highest cap is the one solved by hand for 120 mOhm."""
    found = tuned(tmp_path, leads__joint_ohm="0.1 +- 20%")
    assert found.bears_permille is not None
    assert 1000.0 * duty_at(40.5 + SPIN_V, 0.12) - CAP_GRID < found.bears_permille <= 1000.0 * duty_at(40.5, 0.12)
    assert found.beyond is not None
    assert found.beyond.corner.vehicle_set == {"leads.joint_ohm": pytest.approx(0.12)}


def test_the_steps_keep_their_own_caps_below_what_the_supply_bears(tmp_path: Path) -> None:
    """Steps that wish for less than the supply bears are left as filed; none has more."""
    found = tuned(tmp_path, esc__cut_v=45.5)
    caps = [found.settings[name] for name in found.knobs.caps]
    assert found.bears_permille is not None
    assert caps[:2] == [400, 580]
    assert max(caps) <= found.bears_permille < 760


def test_less_resistance_in_the_leads_is_as_much_as_by_hand(short: Tuned) -> None:
    """The leads' remedy is the resistance at which the wished drive leaves the bus at its limit, to the next part."""
    told = next(each.says for each in short.remedies if each.works and "leads" in each.says)
    needed = JOINT_OHM - brentq(lambda ohm: bus_v(0.92, ohm) - (SHORT_V + 0.5), 0.01, JOINT_OHM)
    spinning = JOINT_OHM - brentq(lambda ohm: bus_v(0.92, ohm) - (SHORT_V + 0.5) - SPIN_V, 0.01, JOINT_OHM)
    part = JOINT_OHM / 100.0
    assert 1e3 * needed - 0.05 <= float(told.split()[0]) <= 1e3 * (spinning + part) + 0.05


def test_a_remedy_that_does_lets_the_wish_be(short: Tuned, tmp_path: Path) -> None:
    """The same vehicle filed with so much less in its leads is recommended the wished cap, or trades it for time."""
    told = next(each.says for each in short.remedies if each.works and "leads" in each.says)
    after = tuned(tmp_path, esc__cut_v=SHORT_V, leads__joint_ohm=JOINT_OHM - float(told.split()[0]) / 1000.0 - 1e-4)
    assert short.bears_permille is not None
    assert short.bears_permille < 920
    assert after.bears_permille is not None
    assert after.bears_permille >= 920
    assert after.held_back is None


def test_a_lower_cut_off_is_as_low_as_by_hand(short: Tuned) -> None:
    """The ESCs' remedy is the bus of the wished drive less the margin, to the next tenth of a volt below."""
    told = next(each.says for each in short.remedies if each.works and "cut-off" in each.says)
    volts = float(told.split()[-2])
    exact = bus_v(0.92) - 0.5
    assert exact - SPIN_V - 0.1 < volts <= exact


def test_what_a_flat_lossless_pack_cannot_cure_is_told_so(short: Tuned) -> None:
    """Cells without resistance or slope of voltage: more of them, fuller or warmer, change nothing."""
    useless = [each.says for each in short.remedies if not each.works and each.bears_permille is None]
    assert useless[:3] == ["four more parallel cells", "a full pack", "a pack of 45 degC"]


def test_fixed_values_stay(tmp_path: Path) -> None:
    """Each value given stays to the digit, and the others are found around it."""
    given = {"ramp_up_ms": 333, "cap_2_permille": 417, "bus_foldback_mv": 41777, "ramp_down_ms": 123}
    found = tuned(tmp_path, fixed=given)
    assert {name: found.settings[name] for name in given} == given
    assert found.settings["cap_1_permille"] == 400
    assert found.settings["bus_floor_mv"] == 40500


def test_wishes_give_way_to_the_fixed_caps_of_other_steps(tmp_path: Path) -> None:
    """A step is never stronger than a later one that is fixed, nor gentler than an earlier one."""
    found = tuned(tmp_path, fixed={"cap_2_permille": 300, "cap_3_permille": 800})
    assert [found.settings[name] for name in found.knobs.caps[:3]] == [300, 300, 800]
    assert found.settings["cap_4_permille"] >= 800


def test_a_ramp_down_that_stops_too_late_is_quickened(tmp_path: Path) -> None:
    """From full drive the pulses must stop 0.25 s after letting go: 30 ms of debounce and the ramp's share of it."""
    limits = "standard:\n  take: [bus-above-esc-cut, deadman-stops-pulses]\n  limits: {deadman_stop_s: 0.25}\n"
    found = tuned(tmp_path, limits=limits)
    cap = max(found.settings[name] for name in found.knobs.caps)
    latest_ms = 1000.0 * (250 - 30) / cap
    assert 0.85 * latest_ms < found.settings["ramp_down_ms"] <= latest_ms
    assert found.settings["ramp_down_ms"] < found.before["ramp_down_ms"]


def test_a_guard_that_is_relied_on_lets_all_of_the_drive_be(tmp_path: Path) -> None:
    """Held back where it must be, full drive keeps the bus above its limit; the caps alone would have to be lower."""
    given = ride(tmp_path, esc__cut_v=SHORT_V)
    with Bed(given, workers=1) as bed:
        found = tune(bed, knobs_of(given.case.bench.controller), {}, DAY, relied=True)
    assert found.bears_permille == 1000
    near = found.steps[-1].binding
    assert near is not None
    assert near.driven.figures is not None
    assert near.driven.figures.bus_v_min >= SHORT_V + 0.5


def test_the_guard_ends_at_the_limits_and_begins_beyond_what_the_drive_shows(tmp_path: Path) -> None:
    """None is left at cut-off and trip, margins included; a sound drive with room to spare never meets the guard."""
    found = tuned(tmp_path, esc__cut_v=30.0, protection__slow_a=200.0, protection__fast_a=400.0)
    near = found.steps[-1].binding
    assert near is not None
    assert near.driven.figures is not None
    assert found.settings["bus_floor_mv"] == 30500
    assert found.settings["pack_ceiling_ma"] == 195000
    assert found.settings["bus_floor_mv"] + 1000 <= found.settings["bus_foldback_mv"]
    assert found.settings["bus_foldback_mv"] < 1000.0 * near.driven.figures.bus_v_min
    assert found.settings["pack_foldback_ma"] > 1000.0 * near.driven.figures.bus_a_max


def test_the_map_is_on_the_right_side_of_the_border(short: Tuned) -> None:
    """With the slowest ramp a cell has room exactly where the cap is under the one solved by hand."""
    assert short.chart is not None
    slowest = [row[-1] for row in short.chart.cells]
    exact, spinning = 1000.0 * duty_at(SHORT_V + 0.5), 1000.0 * duty_at(SHORT_V + 0.5 + SPIN_V)
    assert all(cell.room < 0.0 for cell in slowest if cell.cap_permille > exact)
    assert all(cell.room > 0.0 for cell in slowest if cell.cap_permille < spinning)
    recommended = (short.settings["ramp_up_ms"], short.settings["cap_4_permille"])
    (chosen,) = [cell for row in short.chart.cells for cell in row if cell[:2] == recommended]
    assert chosen.room >= 0.0


def test_processes_come_to_the_same(tmp_path: Path, bed: Bed) -> None:
    """A drive is the same to the last bit in another process, whichever it is."""
    here = driven(bed, 700)
    with Bed(ride(tmp_path), workers=2) as other:
        assert driven(other, 700) == here


def test_a_controller_that_raises_is_as_good_as_a_limit(tmp_path: Path) -> None:
    """Where the controller's own step raises nothing passes, and its error is what binds."""
    parts = {
        "Params": "class Params(NamedTuple):\n    tick_us: int\n    cap_1_permille: int = 100\n",
        "LIMITS": 'LIMITS = {"cap_1_permille": (1, 1000)}\n',
    }
    pulse = "1000 + params.cap_1_permille // (params.cap_1_permille <= 500)"
    controller(tmp_path, command(left=pulse, right=pulse), **parts)
    ride(tmp_path)
    files = tmp_path / "resistive.yaml", str(tmp_path / "mine.py"), None, tmp_path / "limits.yaml"
    with Bed(prepared(*files, hold_s=1.0, engine="interpreted"), workers=1) as bed:
        bed.add(conditions(DAY))
        at_rest, good, bad = ({"cap_1_permille": cap} for cap in (1, 200, 501))
        assert bed.passes(good)
        assert not bed.passes(bad)
        found = binding(bed, bad, at_rest)
    assert found is not None
    assert found.limit == "controller"
    assert "ZeroDivisionError" in found.why


def test_no_drive_is_made_twice(bed: Bed) -> None:
    """The same settings on the same day are the same run: it is looked up."""
    first = driven(bed, 500)
    runs = bed.runs
    assert driven(bed, 500) == first
    assert bed.runs == runs


def test_where_nothing_is_ever_driven_nothing_is_recommended(tmp_path: Path) -> None:
    """In sea water the cord's sense line reads as pulled: limits that are kept by standing still prove nothing."""
    given = ride(tmp_path)
    sea = DAY.model_copy(update={"water": ("sea",)})
    with Bed(given, workers=1) as bed:
        found = tune(bed, knobs_of(given.case.bench.controller), {}, sea)
    assert found.verdict == "fail"
    assert "nothing is driven" in found.refused
    assert "the kill cord was out (stopped by the kill cord)" in found.refused


def test_a_drive_that_cannot_be_says_what_breaks(tmp_path: Path) -> None:
    """A limit that no drive keeps is named, with the day and why."""
    limits = "requirements:\n  - {id: pull, says: It pulls., measure: maximum(thrust_n), at_least: 99999}\n"
    found = tuned(tmp_path, limits=limits)
    assert found.settings == {}
    for part in ("no drive at all keeps every limit", "pull fails at 25 degC, new", "99999 N required"):
        assert part in found.refused


def test_knobs_by_other_names(tmp_path: Path) -> None:
    """A controller's own names take the place of the usual ones; what it does not have is not looked for."""
    own = ride(tmp_path).case.bench.controller
    assert knobs_of(own, {"ramp_up": "ramp_down_ms"}).ramp_up == "ramp_down_ms"
    assert knobs_of(own).caps == Knobs().caps


def test_only_the_steps_in_use_have_a_cap(tmp_path: Path) -> None:
    """step_count says how many power steps there are."""
    own = ride(tmp_path).case.bench.controller
    two = replace(own, params=own.params._replace(step_count=2))
    assert knobs_of(two).caps == ("cap_1_permille", "cap_2_permille")


@pytest.mark.parametrize(
    ("given", "line"),
    [
        ([("ramp_up_m", "3")], "drydive tune: --fix: expected one of ramp_up_ms, ramp_down_ms"),
        ([("ramp_up_ms", "3.5")], "drydive tune: --fix ramp_up_ms: expected a whole number, 1 to 20000; got 3.5"),
        ([("ramp_up_ms", "0")], "drydive tune: --fix ramp_up_ms: expected a whole number, 1 to 20000; got 0"),
        ([("ramp_up_ms", "5"), ("ramp_up_ms", "6")], "drydive tune: --fix ramp_up_ms: expected each parameter once"),
        ([("step_count", "2")], "drydive tune: --fix: expected one of ramp_up_ms"),
    ],
)
def test_a_fixed_value_that_cannot_be_is_told_in_a_line(
    tmp_path: Path, given: list[tuple[str, str]], line: str
) -> None:
    """Unknown names, values that the controller does not take, and a name given twice."""
    own = ride(tmp_path).case.bench.controller
    (told,) = faults(lambda: fixed(own, knobs_of(own), given), tmp_path)
    assert told.startswith(line)
