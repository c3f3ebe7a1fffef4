"""What a search may try: every point is a scenario that its file could hold, within what was allowed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from conftest import MOORHEN, moorhen_bench
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.base.errors import InputError
from sim.bench.run import set_up
from sim.bench.scenario import RiderStep, Scenario
from sim.bench.vehicle import quantities
from sim.jobs.case import CaseFile, load_case
from sim.jobs.envelope import Age, Envelope
from sim.jobs.search import script
from sim.jobs.search.seek import scattered, seek
from sim.jobs.search.space import KINDS, VARIED, Space, bench_of, conditions_of, space
from sim.jobs.written import scenario_text

DAYS = Envelope(
    charge_frac=(0.3, 0.8),
    pack_degc=(5.0, 30.0),
    ages=(Age(name="new"), Age(name="worn", resistance_growth_frac=0.7, weak_capacity_frac=0.9)),
    water=("air", "lake", "brackish"),
    water_degc=(6.0, 20.0),
    attitudes=("held", "towed", "worn"),
)
BENCH = moorhen_bench(water={"kind": "pool"}, duration_s=8.0, seed=5)
WHOLE = space(BENCH, VARIED, DAYS, tail_s=1.3)


def points(of: Space) -> st.SearchStrategy[list[float]]:
    """Numbers from 0 to 1, both ends likely."""
    return st.lists(st.one_of(st.sampled_from([0.0, 1.0]), st.floats(0.0, 1.0)), min_size=of.size, max_size=of.size)


@settings(max_examples=60)
@given(points(WHOLE))
def test_every_point_is_a_scenario(point: list[float]) -> None:
    """Whatever the numbers, what they stand for passes the checks of a scenario file, and is written and read alike."""
    found = WHOLE.scenario(point)
    whole = CaseFile.model_validate(found.model_dump())
    assert scenario_text(whole) == scenario_text(found)
    assert found.duration_s <= 8.0


@settings(max_examples=60)
@given(points(WHOLE))
def test_every_point_is_a_bench_that_its_file_sets_up(point: list[float]) -> None:
    """The bench put together in a moment is the one that the scenario's file gives, or both are no vehicle."""
    found = WHOLE.scenario(point)
    try:
        quick = bench_of(BENCH, found)
    except InputError:
        with pytest.raises(InputError):
            set_up(found, BENCH.path)
    else:
        anew = set_up(found, BENCH.path)
        assert (quick.vehicle, quick.water, quick.scenario) == (anew.vehicle, anew.water, anew.scenario)


@settings(max_examples=60)
@given(points(WHOLE))
def test_no_point_leaves_the_envelope_or_a_tolerance(point: list[float]) -> None:
    """Charge, warmth, age, water and attitude are an envelope's, and every number of the vehicle is in its band."""
    found = WHOLE.scenario(point)
    assert 0.3 <= found.pack.charge_frac <= 0.8
    assert 5.0 <= (found.pack.temperature_degc or 0.0) <= 30.0
    assert found.pack.resistance_growth_frac in (0.0, 0.7)
    assert found.water.kind in DAYS.water
    assert 6.0 <= found.water.temperature_degc <= 20.0
    assert found.attitude == "held" or found.water.kind != "air"
    bands = quantities(BENCH.vehicle)
    loose = {key: value for key, value in found.vehicle_set.items() if ".film." not in key}
    assert all(
        bands[key].low <= value <= bands[key].high or key == "pack.weak_capacity_frac" for key, value in loose.items()
    )


@settings(max_examples=100)
@given(points(conditions_of(BENCH, DAYS)))
def test_a_day_read_back_is_the_same_day(point: list[float]) -> None:
    """The numbers worked out of a day and a build stand for that day and build, to the digits that are kept."""
    days = conditions_of(BENCH, DAYS)
    found = days.scenario(point)
    again = days.scenario(days.day(found))
    assert (again.water, again.pack, again.attitude) == (found.water, found.pack, found.attitude)
    assert again.vehicle_set == pytest.approx(dict(found.vehicle_set), rel=2e-3)


def test_without_an_envelope_the_water_stays_the_scenarios() -> None:
    """A scenario in a pool is searched in the pool, from nearly dry to fully wet, and on its own seeds."""
    found = [space(BENCH).scenario(point) for point in np.random.default_rng(3).random((60, space(BENCH).size))]
    assert {each.water.kind for each in found} == {"pool"}
    assert {each.attitude for each in found} == {"held"}
    wet = [each.vehicle_set["deadman.film.mean_wetted_frac"] for each in found]
    assert (min(wet), max(wet)) == (0.0, 1.0)
    assert {each.seed for each in found} <= set(range(5, 5 + 16))


def test_what_is_not_varied_stays() -> None:
    """With the supply alone varied, all but the pack is as in the file."""
    supply = space(BENCH, ["supply"])
    for point in np.random.default_rng(4).random((20, supply.size)):
        found = supply.scenario(point)
        assert found.model_copy(update={"pack": BENCH.scenario.pack}) == BENCH.scenario


def test_faults_are_those_asked_for_and_are_seen() -> None:
    """Only the kinds named break, one at least in every point, each before the run's last ticks."""
    broken = space(BENCH, ["rider", "faults"], kinds=["chip_reset", "sensor_drift"])
    kinds = set()
    for point in np.random.default_rng(5).random((80, broken.size)):
        found = broken.scenario(point)
        assert 1 <= len(found.faults) <= 2
        assert all(fault.at_s <= found.duration_s - 0.003 for fault in found.faults)
        kinds |= {fault.kind for fault in found.faults}
    assert kinds == {"chip_reset", "sensor_drift"}


def test_every_kind_of_fault_is_tried() -> None:
    """With no kinds named every one comes up."""
    broken = space(BENCH, ["faults"])
    found = [broken.scenario(point) for point in np.random.default_rng(6).random((400, broken.size))]
    assert {fault.kind for each in found for fault in each.faults} == set(KINDS)


def test_an_own_script_and_faults_are_built_upon(tmp_path: Path) -> None:
    """Many scripts begin with some of the scenario's own, and its own faults always happen."""
    own = (RiderStep(at_s=1.0, deadman=True), RiderStep(at_s=1.7, lever_frac=0.6))
    fault = {"kind": "chip_reset", "at_s": 3.0}
    bench = moorhen_bench(rider=[step.model_dump() for step in own], faults=[fault], duration_s=9.0)
    rides = space(bench, ["rider"])
    found = [rides.scenario(point) for point in np.random.default_rng(7).random((60, rides.size))]
    assert all(each.faults == bench.scenario.faults and each.duration_s > 3.0 for each in found)
    assert 10 <= sum(each.rider[:1] == own[:1] for each in found if each.rider) <= 50
    assert any(each.rider[:2] == own for each in found)


def test_a_careful_start_waits_for_the_controller() -> None:
    """It presses after boot and the start delay that the controller states, and pulls a moment later."""
    careful = space(BENCH, ["rider"])
    begin = script.beginnings(()).index(script.CAREFUL)
    genes = [(begin + 0.5) / len(script.beginnings(())), 1.0, 0.0, *[0.999, 0.0, 0.0] * script.ACTS]
    press, pull = script.script(genes, (), careful.start_s, 20.0)
    # Moorhen boots in 0.15 s; the reference's ESCs arm for 2 s and its lever must have rested for 0.3 s.
    assert press.at_s >= 0.15 + 2.3
    assert (press.deadman, pull.lever_frac, round(pull.at_s - press.at_s, 6)) == (True, 1.0, 0.2)


@pytest.mark.parametrize(
    ("asked", "line"),
    [
        (
            {"varied": ["ridr"]},
            "vary: expected one of rider, water, supply, faults, vehicle (did you mean rider?); got ridr",
        ),
        ({"varied": ["faults"], "kinds": ["chip_rest"]}, "(did you mean chip_reset?); got chip_rest"),
    ],
)
def test_a_wrong_name_is_one_clear_fault(asked: dict[str, list[str]], line: str) -> None:
    """What is none of the names is said with the nearest one."""
    with pytest.raises(InputError) as raised:
        space(BENCH, **asked)
    (fault,) = raised.value.faults
    assert str(fault).endswith(line)


# The optimiser on functions whose least value is known.


def sphere(points: np.ndarray) -> np.ndarray:
    """Least, 0, at 0.3 in every number."""
    return np.square(points - 0.3).sum(axis=1)


def steps(points: np.ndarray) -> np.ndarray:
    """Flat but for a narrow place: least, 0, where the first number is under 0.1 and the second over 0.9."""
    return 2.0 - (points[:, 0] < 0.1) - (points[:, 1] > 0.9)


def least(function: Callable[[np.ndarray], np.ndarray], size: int, calls: int, seed: int = 1) -> tuple[float, int]:
    """The least value come to, and the calls made."""
    seen: list[np.ndarray] = []

    def cost(at: np.ndarray) -> np.ndarray:
        seen.append(function(at))
        return seen[-1]

    spent = seek(cost, size, calls, np.random.default_rng(seed), np.empty((0, size)), lambda: False)
    assert spent == sum(map(len, seen))
    return float(np.concatenate(seen).min()), spent


def test_it_finds_the_least_of_a_bowl() -> None:
    """On the sphere in six numbers it comes to within 0.01 of the known least value, far below scattered points."""
    found, _ = least(sphere, 6, 1500)
    assert found < 0.01 < sphere(scattered(1500, 6, np.random.default_rng(1))).min()


def test_it_does_not_stop_on_a_plain() -> None:
    """Where all points cost the same at first it goes on, and finds the narrow place."""
    assert least(steps, 5, 1500)[0] == 0.0


@pytest.mark.parametrize("calls", [1, 7, 50, 333])
def test_every_call_is_spent_and_none_more(calls: int) -> None:
    """The budget is kept to the last call."""
    assert least(sphere, 4, calls)[1] == calls


def test_points_lie_evenly() -> None:
    """Of n scattered points exactly one lies in each n-th of each number: the definition of a Latin hypercube."""
    found = np.sort(np.floor(scattered(25, 3, np.random.default_rng(2)) * 25), axis=0)
    assert (found == np.arange(25)[:, None]).all()


def test_a_loaded_scenario_has_its_space(tmp_path: Path) -> None:
    """A scenario's file as it is loaded, with a dry day, has no films to vary."""
    path = tmp_path / "air.scenario.yaml"
    lines = f"name: air\nvehicle: {MOORHEN}\ncontroller: reference\nwater: {{kind: air}}\n"
    path.write_text(f"{lines}attitude: held\nrider: []\nduration_s: 2\n")
    found: Scenario = space(load_case(path).bench, ["water"]).scenario([0.5] * 4)
    assert (found.water.kind, found.vehicle_set) == ("air", {})
