"""The first draft works dry, and each of its weaknesses has a script that shows it."""

from __future__ import annotations

import random

import pytest
import yaml
from controller_runs import (
    FOLDER,
    FULL,
    HOLD,
    any_inputs,
    any_params,
    drive,
    driven_unstarted,
    driven_while,
    params_of,
    run,
    scripts,
    stepped_under_drive,
    ticks,
)
from hypothesis import Phase, find, given, settings

from controllers import first_draft
from sim.base.compile import compiled

# A little beyond full: its smoothing rounds down and would stop a few counts short.
PULL = {"hall_counts": FULL + 10}


def session(*script, **changes):
    """A run of the first draft from reset at 1 ms a tick."""
    at = params_of(first_draft, "first_draft.yaml", **changes)
    return run(first_draft, at, ticks(at, *script))


def test_file_lists_every_parameter_but_the_tick():
    """The file has each parameter once, inside its limits."""
    values = yaml.safe_load((FOLDER / "first_draft.yaml").read_text(encoding="utf-8"))
    assert list(values) == [key for key in first_draft.Params._fields if key != "tick_us"]
    assert all(first_draft.LIMITS[key][0] <= value <= first_draft.LIMITS[key][1] for key, value in values.items())
    assert tuple(first_draft.LIMITS) == first_draft.Params._fields


@pytest.mark.parametrize(
    ("changes", "key"), [({"full_counts": 640}, "rest_counts"), ({"pulse_full_us": 1000}, "pulse_stop_us")]
)
def test_a_broken_relation_is_one_fault_of_its_key(changes, key):
    """Rest below full and stop below full are checked."""
    at = params_of(first_draft, "first_draft.yaml")._replace(**changes)
    (fault,) = first_draft.faults(at)
    assert fault[0] == key


# What one sees on the bench.


def test_dry_it_stops_drives_and_steps():
    """Released or with the cord out it stops; held, the lever drives, and each clean press is the next step."""
    press = ((100, {"mode_button": 1}), (100, {"mode_button": 0}))
    seen = session((500, {}), (500, {**HOLD, **PULL}), *press * 4, (100, {"deadman": 0}), (9, {"kill_cord": 0}))
    assert [drive(seen[i]) for i in (499, 999, 1199, 1399, 1599, 1799)] == [0, 400, 600, 800, 1000, 400]
    assert (drive(seen[-10]), seen[-10].command.reason) == (0, first_draft.DEADMAN)
    assert (drive(seen[-1]), seen[-1].command.reason) == (0, first_draft.CORD)


def test_at_rest_it_does_not_creep():
    """With the dead-man held and a lever at rest that is noisy by 20 counts the pulses are stop pulses."""
    at = params_of(first_draft, "first_draft.yaml")
    noisy = (sample._replace(hall_counts=600 + (i * 7919) % 41 - 20) for i, sample in enumerate(ticks(at, (900, HOLD))))
    assert not any(drive(tick) for tick in run(first_draft, at, noisy))


def test_contact_bounce_is_one_press():
    """A press that bounces for 4 ms is one step."""
    bounce = ((1, {"mode_button": 1}), (1, {"mode_button": 0})) * 2
    assert session((100, {}), *bounce, (100, {"mode_button": 1}))[-1].command.power_step == 2


# What one does not.


def test_a_leaks_pulse_raises_the_power_while_driving():
    """A single wet pulse of 6 ms, at full lever, drives half as hard again."""
    seen = session((1000, {**HOLD, **PULL}), (6, {"mode_button": 1}), (100, {"mode_button": 0}))
    assert (drive(seen[999]), drive(seen[-1])) == (400, 600)


def test_it_drives_at_once_after_a_reset():
    """With dead-man and lever held through a reset it drives within 30 ms."""
    assert drive(session((30, {**HOLD, **PULL}))[-1]) == 400


def test_it_drives_again_when_the_cord_is_back():
    """The cord out for 100 ms and back in: it goes on as before."""
    out_and_in = ((100, {"kill_cord": 0}), (1, {"kill_cord": 1}))
    seen = session((1000, {**HOLD, **PULL}), *out_and_in)
    assert (drive(seen[-2]), drive(seen[-1])) == (0, 400)


def test_a_flickering_dead_man_drives_in_jerks():
    """A wet dead-man that reads pressed for one sample in two, with nobody's hand on it, drives at full cap."""
    seen = session((100, PULL), *((1, HOLD), (1, {"deadman": 0})) * 50)
    assert {drive(tick) for tick in seen[100:]} == {0, 400}


def test_a_shorted_sensor_is_full_lever():
    """A throttle line shorted to its supply drives to the cap."""
    assert drive(session((100, {**HOLD, "hall_counts": 4094}))[-1]) == 400


def test_nothing_ramps_the_drive():
    """From rest to full lever the drive is at 90 percent of the cap within 10 ms, as fast as the lever."""
    assert drive(session((100, HOLD), (10, PULL))[-1]) > 360


def test_nothing_looks_at_the_bus():
    """A bus at the ESCs' cut changes nothing."""
    assert drive(session((1000, {**HOLD, **PULL}), (1000, {"bus_mv": 42_000}))[-1]) == 400


def test_one_thruster_lost_leaves_the_other_driving():
    """With the left thruster standing still the right one goes on, and turns the sled."""
    assert session((1000, {**HOLD, **PULL}), (3000, {"left_rpm": 0}))[-1].command.right_pulse_us == 1400


def test_a_drifted_rest_creeps():
    """A rest reading 100 counts higher, as a warm or wet sensor may have, drives with nobody at the lever."""
    assert drive(session((1000, {**HOLD, "hall_counts": 700}))[-1]) > 0


def random_session(script):
    """A session at 5 ms a tick."""
    at = params_of(first_draft, "first_draft.yaml", 5000)
    return run(first_draft, at, ticks(at, *script))


def found(broken):
    """Whether random scripts soon find a session in which `broken` finds a tick; it need not be the shortest."""
    search = settings(max_examples=1000, database=None, phases=[Phase.generate])
    script = find(scripts, lambda tried: bool(broken(random_session(tried))), settings=search, random=random.Random(1))
    return bool(broken(random_session(script)))


def test_random_sessions_find_a_step_raised_under_drive():
    """Among random scripts there is one in which the step rises while driving."""
    assert found(stepped_under_drive)


def test_random_sessions_find_drive_without_a_start_sequence():
    """Among random scripts there is one that drives with no release and press of the dead-man at rest."""
    assert found(lambda seen: driven_unstarted(seen, 1, 1))


@given(scripts)
@settings(deadline=None)
def test_it_does_stop_while_dead_man_or_cord_read_so(script):
    """Read directly, both stop the drive in the very tick: what it lacks is not that."""
    seen = random_session(script)
    assert driven_while(seen, 0, lambda inputs: inputs.deadman == 0 or inputs.kill_cord == 0) == []


def test_compiled_step_equals_the_plain_one():
    """On random parameters and inputs, extremes included, numba's step gives the same bits."""
    rng = random.Random(6)
    fast = compiled(first_draft.step)
    for _ in range(12):
        at = any_params(first_draft, "first_draft.yaml", rng)
        plain = quick = first_draft.initial(at)
        for inputs in any_inputs(rng, 60):
            plain, command = first_draft.step(at, plain, inputs)
            quick, quick_command = fast(at, quick, inputs)
            assert (plain, command) == (quick, quick_command)
