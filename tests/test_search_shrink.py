"""Making simple: fewest differences, short and round waits, round numbers, a short run; and that it still shows it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.bench.scenario import FaultStep, Scenario
from sim.jobs.case import CaseFile
from sim.jobs.search.script import Change, changes_of, steps_of
from sim.jobs.search.shrink import Own, Simple, minimal, simple

OWN = {
    "name": "quiet",
    "vehicle": "moorhen.yaml",
    "controller": "first_draft",
    "water": {"kind": "pool", "temperature_degc": 14},
    "attitude": "held",
    "rider": [],
    "duration_s": 8,
}
NUMBERS = {"mode_button.film.mean_wetted_frac": 0.5, "leads.joint_ohm": 0.001}


def scenario(**changes: object) -> Scenario:
    return CaseFile.model_validate(OWN | changes)


def shrunk(found: Scenario, shows: Callable[[Scenario], bool], own: Scenario | None = None, **kept: bool) -> Simple:
    return simple(Own(own or scenario(), NUMBERS, **kept), found, shows)


def test_the_smallest_failing_set_of_the_paper() -> None:
    """Of 1 to 8, of which 1, 7 and 8 together fail, these three are left (Zeller and Hildebrandt 2002, their example).

    PUBLISHED: example of ddmin in section 3.2, from memory; the outcome follows from the definition alone.
    """
    assert minimal(tuple(range(1, 9)), lambda parts: {1, 7, 8} <= set(parts)) == (1, 7, 8)


@given(st.integers(0, 20), st.sets(st.integers(0, 19)))
def test_exactly_what_is_needed_is_left(count: int, needed: set[int]) -> None:
    """Where some parts are needed and all others do nothing, the needed ones are left, in their order."""
    needed = {part for part in needed if part < count}
    assert minimal(tuple(range(count)), lambda parts: needed <= set(parts)) == tuple(sorted(needed))


@given(st.integers(1, 12), st.sets(st.frozensets(st.integers(0, 11), min_size=1), min_size=1, max_size=6))
def test_no_part_can_be_left_out_alone(count: int, ways: set[frozenset[int]]) -> None:
    """Where several sets show it, what is left shows it, and without any one part does not: 1-minimal."""
    whole = tuple(range(12))

    def shows(parts: tuple[int, ...]) -> bool:
        return any(way <= set(parts) for way in ways)

    left = minimal(whole, shows)
    assert shows(left)
    assert not any(shows(tuple(each for each in left if each != part)) for part in left)


CROWDED = {
    "rider": [
        {"at_s": 0.337, "mode_button": True},
        {"at_s": 0.512, "mode_button": False},
        {"at_s": 2.483, "deadman": True},
        {"at_s": 3.117, "lever_frac": 0.873, "kill_cord": False},
        {"at_s": 4.2, "deadman": False},
    ],
    "faults": [
        {"kind": "sensor_drift", "at_s": 2.9, "until_s": 3.4, "amount": 0.437},
        {"kind": "chip_reset", "at_s": 5},
    ],
    "pack": {"charge_frac": 0.231, "temperature_degc": 4},
    "seed": 7,
    "duration_s": 7.318,
}


def pulled_under_the_deadman(tried: Scenario) -> bool:
    """The lever at half or more, half a second or longer after the dead-man, and seen for a second."""
    pressed = [change.at_s for change in changes_of(tried.rider) if change.key == "deadman" and change.value]
    pulled = [change.at_s for change in changes_of(tried.rider) if change.key == "lever_frac" and change.value >= 0.5]
    return any(p + 0.5 <= q <= tried.duration_s - 1.0 for p in pressed for q in pulled)


def test_only_what_is_needed_is_left_at_round_times() -> None:
    """The script left is the simplest that can show it: press at 0 s, full lever at 0.5 s, one second more."""
    found = shrunk(scenario(**CROWDED), pulled_under_the_deadman).scenario
    assert found == scenario(
        rider=[{"at_s": 0.0, "deadman": True}, {"at_s": 0.5, "lever_frac": 1.0}], faults=(), duration_s=1.5
    )


def test_what_is_made_simple_still_shows_it() -> None:
    """Every intermediate is asked about once, and the last one shows it."""
    asked: list[Scenario] = []

    def shows(tried: Scenario) -> bool:
        asked.append(tried)
        return pulled_under_the_deadman(tried)

    done = shrunk(scenario(**CROWDED), shows)
    assert pulled_under_the_deadman(done.scenario)
    assert done.tries == len(asked) == len({tried.model_dump_json() for tried in asked})


@pytest.mark.parametrize(
    ("needed", "charge"),
    [
        (lambda charge: charge <= 0.25, 0.24),
        (lambda charge: charge <= 0.3, 0.3),
        (lambda charge: charge <= 0.231, 0.231),
    ],
)
def test_a_number_is_as_round_as_shows_it(needed: Callable[[float], bool], charge: float) -> None:
    """A charge goes to one digit, else to two, towards the scenario's own 0.9, never beyond what was found."""
    found = shrunk(scenario(**CROWDED), lambda tried: needed(tried.pack.charge_frac)).scenario
    assert found == scenario(pack={"charge_frac": charge}, duration_s=0.1)


def test_a_fault_keeps_what_it_needs() -> None:
    """A drift that must be 0.4 V or more, from before 3 s on, is 0.4 V from the start and for good."""

    def shows(tried: Scenario) -> bool:
        drifts = [fault for fault in tried.faults if fault.kind == "sensor_drift" and (fault.amount or 0) >= 0.4]
        return bool(drifts) and drifts[0].at_s < 3.0

    (fault,) = shrunk(scenario(**CROWDED), shows).scenario.faults
    assert fault == FaultStep(kind="sensor_drift", at_s=0.0, amount=0.4)


def test_a_number_of_the_vehicle_goes_back_to_its_own() -> None:
    """Of two numbers of the vehicle the one without a say is left out, the other rounded towards its own."""
    numbers = {"leads.joint_ohm": 0.00537, "mode_button.film.mean_wetted_frac": 0.87}
    found = shrunk(scenario(vehicle_set=numbers), lambda tried: tried.vehicle_set.get("leads.joint_ohm", 0) > 0.004)
    assert found.scenario.vehicle_set == {"leads.joint_ohm": 0.005}


def test_what_was_not_looked_for_stays() -> None:
    """With the rider's own script kept, neither its steps nor the length change; likewise faults."""
    own = scenario(**{key: CROWDED[key] for key in ("rider", "faults", "duration_s")})
    found = own.model_copy(update={"seed": 7})
    done = shrunk(found, lambda tried: True, own, rides=False, breaks=False)
    assert done.scenario == own


def test_it_stops_where_it_may_try_no_more() -> None:
    """With few tries the rest of the differences stay."""
    done = simple(Own(scenario(), NUMBERS), scenario(**CROWDED), pulled_under_the_deadman, tries_max=5)
    assert done.tries == 5
    assert pulled_under_the_deadman(done.scenario)


@settings(max_examples=100)
@given(
    st.lists(
        st.builds(Change, st.floats(0, 5).map(lambda s: round(s, 3)), st.just("deadman"), st.booleans()), max_size=6
    )
)
def test_steps_and_changes_are_the_same_script(changes: list[Change]) -> None:
    """Steps taken apart and put together are the same steps, each moment once and in order."""
    steps = steps_of(changes)
    assert steps_of(changes_of(steps)) == steps
    assert [step.at_s for step in steps] == sorted({change.at_s for change in changes})
