"""The reference controller keeps what it states, tick by tick and in random sessions."""

from __future__ import annotations

import functools
import itertools
import math
import random
from typing import Any

import pytest
import yaml
from controller_runs import (
    CORD_IN,
    CORD_OUT,
    FOLDER,
    HOLD,
    LET_GO,
    PULL,
    QUIET,
    RELEASE,
    RIDE,
    Int32,
    any_inputs,
    any_params,
    check_32_bits,
    drive,
    driven_unstarted,
    driven_while,
    params_of,
    run,
    scripts,
    stepped_under_drive,
    ticks,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controllers import blocks, reference, reference_senses
from controllers.board import Inputs
from sim.base.compile import compiled

FILES = ("reference.yaml", "reference_button.yaml")
TICKS_US = (250, 1000, 3333, 10_000)

START = ((2500, {}), (100, HOLD))
DRIVING = (*START, (2000, PULL))


def params(tick_us: int = 1000, **changes: int) -> reference.Params:
    return params_of(reference, "reference.yaml", tick_us, **changes)


def session(*script: tuple[int, dict[str, int]], tick_us: int = 1000, **changes: int) -> list[Any]:
    """A run of the reference from reset, after the start sequence if the script says so."""
    at = params(tick_us, **changes)
    return run(reference, at, ticks(at, *script))


def taps(count: int, contact: str = "deadman") -> tuple[tuple[int, dict[str, int]], ...]:
    """`count` short presses and the quiet around them."""
    presses = ((200, {contact: 1}), (200, {contact: 0})) * count
    return ((600, {contact: 0}), *presses, (600, {}))


@functools.cache
def driving(at: reference.Params) -> Any:
    """The state after DRIVING."""
    return run(reference, at, ticks(at, *DRIVING))[-1].state


def after_driving(at: reference.Params, *script: tuple[int, dict[str, int]]) -> list[Any]:
    """What follows DRIVING when the script follows it."""
    return run(reference, at, ticks(at, (0, {**HOLD, **PULL}), *script), driving(at))


def milliseconds_to_stop(seen: list[Any], tick_us: int) -> float:
    """Time from the first sample to the command of stop that lasts to the end."""
    last = max((i for i, tick in enumerate(seen) if drive(tick) > 0), default=-1)
    return (last + 1) * tick_us / 1000


# The files.


@pytest.mark.parametrize("file", FILES)
def test_file_lists_every_parameter_but_the_tick(file):
    """The file has each parameter once, inside its limits, and the relations hold."""
    values = yaml.safe_load((FOLDER / file).read_text(encoding="utf-8"))
    assert list(values) == [key for key in reference.Params._fields if key != "tick_us"]
    assert all(reference.LIMITS[key][0] <= value <= reference.LIMITS[key][1] for key, value in values.items())
    assert reference.faults(reference.Params(tick_us=1000, **values)) == []


@pytest.mark.parametrize("file", FILES)
def test_file_explains_every_parameter(file):
    """Each parameter's line carries a comment."""
    lines = (FOLDER / file).read_text(encoding="utf-8").splitlines()
    bare = [line for line in lines if line and not line.startswith("#") and "  # " not in line]
    assert bare == []


def test_limits_cover_every_parameter():
    """Every parameter has a range, and no other name has one."""
    assert tuple(reference.LIMITS) == reference.Params._fields


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"window_low_counts": 515}, "window_low_counts"),
        ({"rest_counts": 3520}, "rest_counts"),
        ({"full_counts": 3900}, "full_counts"),
        ({"click_press_min_ms": 400}, "click_press_min_ms"),
        ({"click_gap_min_ms": 400}, "click_gap_min_ms"),
        ({"click_quiet_ms": 400}, "click_gap_max_ms"),
        ({"bus_floor_mv": 46_000}, "bus_floor_mv"),
        ({"pack_ceiling_ma": 125_000}, "pack_foldback_ma"),
        ({"pulse_full_us": 1000}, "pulse_stop_us"),
        ({"supply_low_mv": 5001}, "supply_low_mv"),
        ({"supply_high_mv": 4999}, "supply_nominal_mv"),
        ({"cap_1_permille": 581}, "cap_1_permille"),
        ({"cap_2_permille": 761}, "cap_2_permille"),
        ({"cap_4_permille": 759}, "cap_3_permille"),
        ({"clicks_up": 2}, "clicks_down"),
        ({"lever_rest_ms": 50}, "lever_rest_ms"),
        ({"deadman_press_ms": 35}, "deadman_press_ms"),
        ({"sensor_frozen_ms": 29}, "sensor_frozen_ms"),
    ],
)
def test_a_broken_relation_is_one_fault_of_its_key(changes, key):
    """Each relation between parameters is checked, and its fault says what was expected and got."""
    broken = params()._replace(**changes)
    (fault,) = reference.faults(broken)
    assert fault[0] == key
    assert fault[2] == str(getattr(broken, key))


def test_relations_include_their_ends():
    """A press just as long as the lever takes to be seen, the least samples that freeze, equal caps: no fault."""
    caps = {f"cap_{step}_permille": 500 for step in (1, 2, 3, 4)}
    ends = params()._replace(deadman_press_ms=36, sensor_frozen_ms=30, supply_low_mv=5000, **caps)
    assert reference.faults(ends) == []


def test_the_plainer_board_differs_in_what_it_says():
    """The vehicle of the scenarios with a plainer board is Moorhen but for the two lines that say so."""
    own = FOLDER.parent / "tests" / "scenarios" / "moorhen_plainer_board.yaml"
    demo = FOLDER.parent / "sim" / "moorhen" / "moorhen.yaml"
    plainer = own.read_text(encoding="utf-8").splitlines()[1:]
    pairs = zip(plainer, demo.read_text(encoding="utf-8").splitlines(), strict=True)
    assert [line.split("#")[0].split() for line, other in pairs if line != other] == [
        ["reference:", "fixed"],
        ["propeller_speed:", "false"],
    ]


# The start sequence.


def test_start_sequence_leads_to_drive():
    """Cord in, lever at rest, dead-man released and pressed: then the lever drives, both sides alike."""
    seen = session(*DRIVING)
    assert seen[-1].command.left_pulse_us == seen[-1].command.right_pulse_us == 1400
    modes = list(dict.fromkeys(tick.command.mode for tick in seen))
    assert modes == [reference.START, reference.REST, reference.RELEASE, reference.READY, reference.DRIVE]


@pytest.mark.parametrize("tick_us", TICKS_US)
def test_nothing_drives_before_the_start_delay(tick_us):
    """The quickest rider gets no drive before the stated delay, and some soon after it."""
    at = params(tick_us)
    delay_ms = reference.start_delay_ms(at)
    script = ((delay_ms, {}), (60, HOLD), (400, PULL))
    first = next(i for i, tick in enumerate(run(reference, at, ticks(at, *script))) if drive(tick) > 0)
    assert delay_ms < first * tick_us / 1000 < delay_ms + 150


@pytest.mark.parametrize(
    ("script", "mode"),
    [
        pytest.param(((2800, {**PULL, **HOLD}),), reference.REST, id="lever pulled, dead-man held since before"),
        pytest.param(((2800, HOLD), (1000, PULL)), reference.REST, id="dead-man held since before"),
        pytest.param(((2800, HOLD),), reference.RELEASE, id="dead-man never seen released"),
        pytest.param(((2800, {}), (500, PULL), (1000, HOLD)), reference.REST, id="lever pulled before the dead-man"),
        pytest.param(((2800, {}), (1000, PULL)), reference.REST, id="dead-man never pressed"),
        pytest.param(((2800, {}), (1000, {**PULL, **HOLD})), reference.REST, id="lever and dead-man at once"),
        pytest.param(((2800, PULL), (250, LET_GO), (60, HOLD), (500, PULL)), reference.REST, id="lever hardly at rest"),
        pytest.param(((2000, {}), (500, {**PULL, **HOLD})), reference.REST, id="before the ESCs are armed"),
        pytest.param(((2800, CORD_OUT), (1000, {**PULL, **HOLD})), reference.KILLED, id="cord out"),
    ],
)
def test_any_other_sequence_does_not_drive(script, mode):
    """A sequence that leaves a step out never drives, and the mode says what is waited for."""
    seen = session(*script)
    assert not any(drive(tick) for tick in seen)
    assert seen[-1].command.mode == mode


@pytest.mark.parametrize("tick_us", TICKS_US)
def test_after_a_reset_under_way_nothing_drives_until_the_sequence(tick_us):
    """With dead-man and lever held through a reset there is no drive; after the sequence there is."""
    at = params(tick_us)
    held = ((3000, {**PULL, **HOLD}),)
    redone = ((500, {**LET_GO, **RELEASE}), (100, HOLD), (1000, PULL))
    seen = run(reference, at, ticks(at, *held, *redone))
    assert not any(drive(tick) for tick in seen[: 3_000_000 // tick_us])
    assert drive(seen[-1]) > 300


# Stops and their latencies.


@pytest.mark.parametrize("tick_us", TICKS_US)
@pytest.mark.parametrize(
    ("cause", "latency", "mode", "reason"),
    [
        (RELEASE, reference.deadman_latency_ms, reference.REST, reference.DEADMAN),
        (CORD_OUT, reference.kill_latency_ms, reference.KILLED, reference.CORD),
        ({"hall_counts": 0}, reference.sensor_latency_ms, reference.FAULT, 11),
        ({"hall_counts": 4094}, reference.sensor_latency_ms, reference.FAULT, 12),
        ({"sensor_supply_mv": 4000}, reference.sensor_latency_ms, reference.FAULT, 15),
        ({"sensor_supply_mv": 5600}, reference.sensor_latency_ms, reference.FAULT, 15),
        ({"left_rpm": 100}, reference.thruster_latency_ms, reference.REST, reference.LEFT_LOST),
        ({"right_rpm": 0}, reference.thruster_latency_ms, reference.REST, reference.RIGHT_LOST),
    ],
)
def test_each_cause_stops_within_its_latency(tick_us, cause, latency, mode, reason):
    """From full drive each cause ends in stop pulses within the stated time, and gives its reason."""
    caps = {f"cap_{step}_permille": 1000 for step in (1, 2, 3, 4)}
    at = params(tick_us, adc_follows_supply=0, **caps)
    assert driving(at).drive.permille == 1000
    seen = after_driving(at, (latency(at) + 100, cause))
    stop_ms = milliseconds_to_stop(seen, tick_us)
    # The stated time is no generous bound: what is spare is the first tick of each of its parts, persistence and ramp,
    # which each already does its work.
    parts = 1 if cause == CORD_OUT else 2
    assert math.ceil(stop_ms + parts * tick_us / 1000) == latency(at)
    assert (seen[-1].command.mode, seen[-1].command.reason) == (mode, reason)


def test_a_frozen_reading_stops_within_its_latency():
    """A reading off rest that not even noise moves stops the drive, with its reason."""
    at = params()
    seen = run(reference, at, [QUIET._replace(**HOLD, **PULL)] * 4000, driving(at))
    # The first sample may still differ from the one before.
    assert milliseconds_to_stop(seen[1:], 1000) <= reference.frozen_latency_ms(at)
    assert (seen[-1].command.mode, seen[-1].command.reason) == (reference.FAULT, 14)


@pytest.mark.parametrize(
    ("noise_counts", "tick_us"),
    [
        pytest.param(0.41, 1000, id="a tenth of Moorhen's noise"),
        pytest.param(4.1, 10_000, id="Moorhen's noise at the slowest tick"),
    ],
)
def test_a_lever_held_still_is_not_taken_for_frozen(noise_counts, tick_us):
    """A still lever on a live line is called frozen by chance less than once in a million years.

    Closed form: a sample of normal noise falls into the likeliest count with a
    chance of at most erf(1 / (2 sqrt(2) s)), and a frozen reading is a run of such.
    """
    at = params(tick_us)
    same = math.erf(1 / (2 * math.sqrt(2) * noise_counts))
    runs_an_hour = 3600e6 / tick_us * (1 - same) * same ** (at.sensor_frozen_ms * 1000 / tick_us)
    assert runs_an_hour * 24 * 365 * 1e6 < 1


def test_a_frozen_reading_is_not_looked_for_when_switched_off():
    """With a time of 0 a frozen reading goes on driving."""
    at = params(sensor_frozen_ms=0)
    assert drive(run(reference, at, [QUIET._replace(**HOLD, **PULL)] * 4000, driving(at))[-1]) == 400


def test_a_frozen_reading_at_rest_is_no_fault():
    """At rest a reading may stand still: the start sequence is not disturbed."""
    seen = run(reference, params(), [QUIET] * 8000)
    assert seen[-1].command.mode == reference.READY


def test_a_reading_that_jumps_to_and_fro_is_a_fault():
    """A line that alternates between two levels is no lever, and stops the drive."""
    at = params()
    wild = (QUIET._replace(deadman=1, hall_counts=count) for count in (3400, 1400) * 300)
    seen = run(reference, at, wild, driving(at))
    assert (seen[-1].command.mode, seen[-1].command.reason, drive(seen[-1])) == (reference.FAULT, 13, 0)


@pytest.mark.parametrize("wild", [0, 4095, 600, 2000])
def test_a_single_wild_sample_does_not_move_the_drive(wild):
    """One bad sample every 100 ms moves the drive by less than one percent of full."""
    at = params()
    steady = ticks(at, (1000, {**HOLD, **PULL}))
    spiked = [tick._replace(hall_counts=wild) if i % 100 == 50 else tick for i, tick in enumerate(steady)]
    drives = [drive(tick) for tick in run(reference, at, spiked, driving(at))]
    assert max(drives) - min(drives) < 10


@pytest.mark.parametrize("adc_follows_supply", [1, 0])
@pytest.mark.parametrize("tick_us", TICKS_US)
@given(
    st.integers(2000, 2100),
    st.lists(st.integers(-12, 12), min_size=24, max_size=24),
    st.lists(st.tuples(st.sampled_from([-1, 1]), st.integers(-40, 40)), min_size=4, max_size=4),
)
@settings(max_examples=50, deadline=None)
def test_no_single_spike_moves_the_lever(tick_us, adc_follows_supply, level, noise, spikes):
    """A spike about as high as a lever reaches in a tick moves one that is held by no more than its noise does."""
    at = params(tick_us, adc_follows_supply=adc_follows_supply)
    reach_counts = at.jump_counts + (at.full_counts - at.rest_counts) * tick_us // (at.lever_fastest_ms * 1000)
    live = [level + each for each in noise]
    # Every sixth sample is wild; those between are sound.
    for i, (sign, further_counts) in enumerate(spikes):
        live[6 * i + 2] += sign * (reach_counts + further_counts)
    state = reference_senses.throttle_at_rest(at)._replace(
        gate=blocks.Gate(level, 0, blocks.SAMPLE_GOOD),
        recent=blocks.Recent(level, level, level),
        smooth_acc=blocks.low_pass_start(level),
    )

    def understood(count):
        permille = blocks.travel(count, at.rest_counts, at.full_counts)
        return blocks.dead_band(permille, at.dead_band_permille)

    for count in live:
        state = reference_senses.read_throttle(at, state, QUIET._replace(hall_counts=count))
        assert understood(level + min(0, *noise)) <= state.lever_permille <= understood(level + max(0, *noise))


def test_a_controlled_stop_follows_the_ramp_down():
    """Once the release is believed the drive falls by 2.5 permille a ms, and not at once."""
    drives = [drive(tick) for tick in after_driving(params(), (1000, RELEASE))]
    assert drives[28:32] == [400, 398, 395, 393]
    assert drives[28 + 80] == 200


def test_the_cord_stops_without_a_ramp():
    """With the cord out the drive goes from full to stop in one tick."""
    drives = [drive(tick) for tick in after_driving(params(), (100, CORD_OUT))]
    assert drives == [400] * 4 + [0] * 96


@pytest.mark.parametrize("reading", [-3, 2, 7])
@pytest.mark.parametrize(("contact", "mode"), [("deadman", reference.STOPPING), ("kill_cord", reference.KILLED)])
def test_any_other_reading_of_a_contact_is_the_safe_one(contact, mode, reading):
    """A pin that reads neither 0 nor 1 counts as released, or as out."""
    assert after_driving(params(), (100, {contact: reading}))[-1].command.mode == mode


@pytest.mark.parametrize(
    "cause",
    [
        pytest.param((RELEASE, HOLD), id="dead-man"),
        pytest.param((CORD_OUT, CORD_IN), id="kill cord"),
        pytest.param(({"hall_counts": 0}, PULL), id="sensor"),
        pytest.param(({"left_rpm": 0}, {"left_rpm": 1000}), id="thruster"),
        pytest.param(({"sensor_supply_mv": 0}, {"sensor_supply_mv": 5000}), id="sensor supply"),
    ],
)
def test_every_stop_is_latched_until_the_start_sequence(cause):
    """When the cause is gone, lever and dead-man still held do not drive; the start sequence does."""
    stop, gone = cause
    redone = ((3000, {**LET_GO, **RELEASE}), (100, HOLD), (1000, PULL))
    seen = after_driving(params(adc_follows_supply=0), (1500, stop), (3500, gone), *redone)
    assert not any(drive(tick) for tick in seen[1500:5000])
    assert drive(seen[-1]) > 300


def test_a_dead_man_slip_needs_the_lever_back_at_rest():
    """Pressed again at once, the dead-man gives no drive until the lever has been at rest and it was released."""
    slip = ((100, RELEASE), (3000, HOLD))
    seen = after_driving(params(), *slip, (500, {**LET_GO, **RELEASE}), (100, HOLD), (1000, PULL))
    modes = list(dict.fromkeys(tick.command.mode for tick in seen))
    expected = [reference.DRIVE, reference.STOPPING, reference.REST, reference.RELEASE, reference.READY]
    assert modes == expected
    assert (seen[-1].command.mode, drive(seen[-1])) == (reference.DRIVE, 400)


def test_with_the_lever_at_rest_the_dead_man_may_be_pressed_again_at_once():
    """A release at rest, with nothing driven, goes straight back to ready."""
    modes = [tick.command.mode for tick in session(*START, (100, RELEASE), (60, HOLD))]
    changes = [after for before, after in itertools.pairwise(modes) if after != before]
    assert changes[-4:] == [reference.READY, reference.DRIVE, reference.READY, reference.DRIVE]


def test_short_dead_man_pulses_do_not_stop_the_drive():
    """A contact that opens for 20 ms at a time goes on driving."""
    seen = after_driving(params(), *((20, RELEASE), (80, HOLD)) * 10)
    assert drive(seen[-1]) == 400


def test_a_sensor_fault_before_the_start_sequence_blocks_it():
    """A sensor that is bad from the reset on leads to the fault mode, not to readiness."""
    seen = session((4000, {"hall_counts": 0}))
    assert (seen[-1].command.mode, seen[-1].command.reason) == (reference.FAULT, 11)


def test_a_fault_does_not_shorten_the_arming_of_the_escs():
    """With a sensor bad at the reset and good again, stop pulses still last the arming time."""
    seen = session((200, {"hall_counts": 0}), (1790, LET_GO))
    assert {tick.command.mode for tick in seen} == {reference.START}


def test_after_the_kill_cord_the_escs_are_armed_again():
    """The cord back in place begins with stop pulses for the arming time, at the gentlest step."""
    seen = session((2500, {}), *taps(3), (100, CORD_OUT), (520, CORD_IN), (1970, {}))
    assert seen[2500 + 2400 - 1].command.power_step == 2
    assert (seen[-1].command.mode, seen[-1].command.power_step) == (reference.START, 1)


def test_unfitted_speeds_are_not_checked():
    """With both speeds reading -1 nothing is called lost."""
    assert drive(after_driving(params(), (3000, {}))[-1]) == 400


@pytest.mark.parametrize("changes", [{"left_rpm": 150}, {"thruster_check_permille": 401}])
def test_a_thruster_is_lost_only_below_its_floor_and_above_the_check(changes):
    """At the floor it turns; below the check it need not."""
    checks = {key: value for key, value in changes.items() if key in reference.Params._fields}
    rpm = {"left_rpm": changes.get("left_rpm", 0)}
    assert drive(after_driving(params(**checks), (3000, rpm))[-1]) == 400


def test_a_thruster_must_turn_from_the_check_on():
    """Driven at the very check a thruster that stands still is lost."""
    seen = after_driving(params(thruster_check_permille=400), (3000, {"left_rpm": 0}))
    assert (drive(seen[-1]), seen[-1].command.reason) == (0, reference.LEFT_LOST)


# The lever.


@pytest.mark.parametrize(("reading", "expected"), [(515, 0), (755, 0), (2138, 500), (3520, 1000), (3800, 1000)])
def test_the_lever_as_understood(reading, expected):
    """Rest, dead band, half way beyond it, full and over-travel read as they should."""
    assert session((300, {"hall_counts": reading}))[-1].command.lever_permille == expected


@pytest.mark.parametrize("supply_mv", [4500, 5000, 5500])
def test_a_ratiometric_reading_is_corrected_for_its_supply(supply_mv):
    """At 10 percent less or more supply the lever is understood within half a percent of travel."""
    changes = {"hall_counts": 2138 * supply_mv // 5000, "sensor_supply_mv": supply_mv}
    assert session((300, changes), adc_follows_supply=0)[-1].command.lever_permille == pytest.approx(500, abs=5)


def test_a_supply_out_of_range_moves_no_lever():
    """Until it is a fault, a supply that cannot be right leaves the lever where it was."""
    low = after_driving(params(adc_follows_supply=0), (50, {"hall_counts": 3000, "sensor_supply_mv": 4499}))
    assert {tick.command.lever_permille for tick in low} == {1000}


def test_an_adc_that_follows_the_supply_needs_no_supply_reading():
    """With the ratio already right, the supply is neither corrected for nor checked."""
    seen = session(*START, (1000, {"hall_counts": 2138, "sensor_supply_mv": 0}))
    assert (seen[-1].command.mode, seen[-1].command.lever_permille) == (reference.DRIVE, 500)


# Power steps.


@pytest.mark.parametrize(("file", "contact"), [(FILES[0], "deadman"), (FILES[1], "mode_button")])
def test_three_presses_raise_and_two_lower_the_step(file, contact):
    """One gesture is one step, up to the last and down to the first, and the display follows."""
    at = params_of(reference, file, 5000)
    gestures = (3, 3, 3, 3, 2, 2, 2, 2)
    script = [(6000, {})]
    for count in gestures:
        script += [(3000, {}), *taps(count, contact), (100, {})]
    seen = run(reference, at, ticks(at, *script))
    steps = [tick.command.power_step for tick in seen]
    changes = [b for a, b in itertools.pairwise(steps) if a != b]
    assert changes == [2, 3, 4, 3, 2, 1]
    assert steps == [tick.command.display for tick in seen]


@pytest.mark.parametrize(("step", "cap"), [(1, 400), (2, 580), (3, 760), (4, 920)])
def test_each_step_drives_to_its_cap(step, cap):
    """Full lever drives to the cap of the step in force."""
    gestures = [entry for _ in range(step - 1) for entry in taps(3)]
    seen = session((2500, {}), *gestures, (100, HOLD), (2000, PULL))
    assert (seen[-1].command.power_step, drive(seen[-1])) == (step, cap)


def test_step_count_is_the_last_step():
    """With two steps in use the third is never reached."""
    assert session((2500, {}), *taps(3), *taps(3), step_count=2)[-1].command.power_step == 2


@pytest.mark.parametrize("presses", [1, 4, 5])
def test_other_numbers_of_presses_change_nothing(presses):
    """One, four or five presses are no gesture."""
    assert session((2500, {}), *taps(3), *taps(presses))[-1].command.power_step == 2


@pytest.mark.parametrize(("file", "contact"), [(FILES[0], "deadman"), (FILES[1], "mode_button")])
def test_no_gesture_counts_while_the_lever_is_off_rest(file, contact):
    """The same presses with the lever pulled leave the step as it was."""
    at = params_of(reference, file)
    seen = run(reference, at, ticks(at, (6000, {}), (600, PULL), *taps(3, contact), (600, LET_GO)))
    assert {tick.command.power_step for tick in seen} == {1}


def test_the_button_counts_only_with_the_dead_man_released():
    """With the dead-man held at rest the button's gesture changes nothing."""
    at = params_of(reference, FILES[1])
    seen = run(reference, at, ticks(at, (6000, {}), (3600, HOLD), *taps(3, "mode_button"), (600, {})))
    assert {tick.command.power_step for tick in seen} == {1}


def test_a_stuck_button_disturbs_nothing():
    """With the button reading pressed all the time the sled starts and drives at step 1."""
    at = params_of(reference, FILES[1])
    seen = run(reference, at, ticks(at, (2500, {"mode_button": 1}), *START, (2000, PULL)))
    assert (seen[-1].command.power_step, drive(seen[-1])) == (1, 400)


def test_a_bouncing_button_gives_the_gesture():
    """Presses whose both edges bounce for 5 ms count as clean ones do."""
    at = params_of(reference, FILES[1])
    down, up = {"mode_button": 1}, {"mode_button": 0}
    bounce = ((1, down), (1, up)) * 2
    press = (*bounce, (200, down), *bounce, (200, up))
    seen = run(reference, at, ticks(at, (6000, {}), *press * 3, (600, {})))
    assert seen[-1].command.power_step == 2


def test_where_the_dead_man_gives_the_gesture_a_button_is_not_read():
    """With step_select 0 presses of a mode button change nothing."""
    assert session((2500, {}), *taps(3, "mode_button"))[-1].command.power_step == 1


# Ramp and guard.


@pytest.mark.parametrize("tick_us", TICKS_US)
def test_the_drive_ramps_up_in_its_time(tick_us):
    """From stop to a cap of 400 permille takes 0.4 of the ramp time, once the lever is there."""
    seen = session(*START, (2000, PULL), tick_us=tick_us)
    drives = [drive(tick) for tick in seen]
    first = next(i for i, value in enumerate(drives) if value > 0)
    full = drives.index(400)
    # The lever's own way through its filter shows at the foot of the ramp.
    assert (full - first) * tick_us / 1000 == pytest.approx(480, abs=30)


@pytest.mark.parametrize(
    ("supply", "reason"),
    [
        ({"bus_mv": 43_750}, reference_senses.BUS_LOW),
        ({"pack_ma": 140_000}, reference_senses.PACK_HIGH),
        ({"bus_mv": 43_750, "pack_ma": 139_000}, reference_senses.BUS_LOW),
        ({"bus_mv": 44_000, "pack_ma": 140_000}, reference_senses.PACK_HIGH),
    ],
)
def test_the_guard_holds_drive_down_in_proportion_and_says_why(supply, reason):
    """A quarter of the way up from the limit only a quarter of full drive is left, with the nearer limit's reason."""
    seen = after_driving(params(), (1000, supply))
    assert (drive(seen[-1]), seen[-1].command.mode, seen[-1].command.reason) == (250, reference.DRIVE, reason)


@pytest.mark.parametrize("supply", [{"bus_mv": 42_000}, {"pack_ma": 150_000}, {"bus_mv": 0}, {"bus_mv": 1}])
def test_beyond_the_limit_nothing_is_left(supply):
    """At the floor, at the ceiling, or with a divider that went dead under way, the guard takes all drive."""
    assert drive(after_driving(params(), (1500, supply))[-1]) == 0


def test_an_unfitted_bus_and_current_limit_nothing():
    """With both reading 0 from the start the guard holds nothing back."""
    assert drive(session((2500, {"bus_mv": 0}), *DRIVING)[-1]) == 400


def test_the_guard_gives_drive_back_slowly():
    """Back at a sound bus, the limit rises at the guard's own slow rate, and the reason ends with it."""
    seen = after_driving(params(), (1000, {"bus_mv": 43_750}), (500, {"bus_mv": 55_000}), (2000, {}))
    assert drive(seen[1500 - 1]) == pytest.approx(250 + 500 / 8, abs=10)
    assert (drive(seen[-1]), seen[-1].command.reason) == (400, reference.NONE)


def test_the_guard_begins_anew_after_the_kill_cord():
    """A bus that collapsed with the main switch does not hold down the next start."""
    dead = {**CORD_OUT, "bus_mv": 0}
    again = {**CORD_IN, "bus_mv": 55_000, **RELEASE, **LET_GO}
    seen = after_driving(params(), (1000, dead), (3000, again), (100, HOLD), (1000, PULL))
    assert drive(seen[-1]) == 400


# Random sessions. Short times, so that random scripts get far; the ratios stay.

QUICK = {
    "esc_arm_ms": 40,
    "lever_filter_us": 2000,
    "lever_rest_ms": 40,
    "deadman_press_ms": 40,
    "deadman_release_ms": 10,
    "kill_back_ms": 20,
    "sensor_fault_ms": 30,
    "sensor_recover_ms": 40,
    "ramp_up_ms": 200,
    "ramp_down_ms": 100,
    "thruster_lost_ms": 60,
    "button_press_ms": 10,
    "button_release_ms": 10,
    "click_lead_ms": 40,
    "click_press_min_ms": 10,
    "click_press_max_ms": 70,
    "click_gap_min_ms": 10,
    "click_gap_max_ms": 70,
    "click_quiet_ms": 80,
}


def sessions(test):
    """Give the test a random session: its parameters and every tick of it."""

    @given(scripts, st.sampled_from([3333, 5000, 10_000]), st.integers(0, 1))
    @settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    def runs(script, tick_us, step_select):
        at = params(tick_us, step_select=step_select, **QUICK)
        test(at, run(reference, at, ticks(at, *script)))

    runs.__name__ = test.__name__
    runs.__doc__ = test.__doc__
    return runs


def whole_ticks(at, latency_ms):
    return latency_ms * 1000 // at.tick_us


@sessions
def test_no_drive_beyond_the_dead_mans_latency(at, seen):
    """With the dead-man reading released for its latency the pulses are stop pulses."""
    allowed = whole_ticks(at, reference.deadman_latency_ms(at))
    assert driven_while(seen, allowed, lambda inputs: inputs.deadman == 0) == []


@sessions
def test_no_drive_beyond_the_kill_cords_latency(at, seen):
    """With the cord reading out for its latency the pulses are stop pulses."""
    allowed = whole_ticks(at, reference.kill_latency_ms(at))
    assert driven_while(seen, allowed, lambda inputs: inputs.kill_cord == 0) == []


@sessions
def test_no_drive_beyond_the_sensors_latency(at, seen):
    """With the throttle reading outside its window for its latency the pulses are stop pulses."""
    allowed = whole_ticks(at, reference.sensor_latency_ms(at))
    assert driven_while(seen, allowed, lambda inputs: not 200 <= inputs.hall_counts <= 3900) == []


@sessions
def test_no_drive_without_the_start_sequence(at, seen):
    """After a reset, and after the cord was out, drive comes only with the delay and the whole sequence."""
    out = -(-at.kill_out_ms * 1000 // at.tick_us)
    assert driven_unstarted(seen, whole_ticks(at, reference.start_delay_ms(at)), out) == []


@sessions
def test_the_step_never_rises_under_drive(at, seen):
    """The step rises only at stop pulses before and after, with the lever at rest."""
    assert stepped_under_drive(seen) == []


@sessions
def test_the_step_changes_one_at_a_time(at, seen):
    """The step changes by one, or to 1 with the cord out."""
    for before, after in itertools.pairwise(seen):
        change = after.command.power_step - before.command.power_step
        cord = after.command.mode == reference.KILLED and after.command.power_step == 1
        assert abs(change) <= 1 or cord


@sessions
def test_every_output_is_in_its_range(at, seen):
    """Pulses from stop to full and alike, steps, lever, modes and reasons among those there are."""
    for tick in seen:
        command = tick.command
        assert 1000 <= command.left_pulse_us == command.right_pulse_us <= 2000
        assert 1 <= command.power_step <= 4
        assert command.display in (0, command.power_step)
        assert 0 <= command.lever_permille <= 1000
        assert command.mode in reference.MODES
        assert command.reason in reference.REASONS


@sessions
def test_the_drive_never_outruns_its_ramps(at, seen):
    """No tick moves the drive faster than the ramps but the kill cord's, which stops it."""
    rise = at.tick_us // at.ramp_up_ms + 1
    fall = at.tick_us // at.ramp_down_ms + 1
    for before, after in itertools.pairwise(seen):
        if after.command.mode != reference.KILLED:
            assert -fall <= drive(after) - drive(before) <= rise


@sessions
def test_no_drive_above_the_steps_cap_or_the_lever(at, seen):
    """Once its ramps have had time the drive is no more than the step's cap of the lever."""
    caps = (at.cap_1_permille, at.cap_2_permille, at.cap_3_permille, at.cap_4_permille)
    for before, after in itertools.pairwise(seen):
        if drive(after) > drive(before):
            assert drive(after) <= after.command.lever_permille * caps[after.command.power_step - 1] / 1000


@sessions
def test_drive_belongs_to_its_modes(at, seen):
    """There is drive only while driving and while ramping down from it."""
    ramping = (reference.DRIVE, reference.STOPPING, reference.FAULT)
    assert all(tick.command.mode in ramping for tick in seen if drive(tick) > 0)


@sessions
def test_every_stop_has_a_reason(at, seen):
    """A reason is given whenever the mode is not the driving one."""
    for tick in seen:
        assert tick.command.mode == reference.DRIVE or tick.command.reason != reference.NONE


def test_random_sessions_reach_every_mode():
    """What the random sessions above say is said of all modes: one example of each part visits them."""
    at = params(1000, **QUICK)
    script = [*RIDE, (150, RELEASE), *RIDE, (200, {"hall_counts": 0}), *RIDE, (50, CORD_OUT), (100, CORD_IN)]
    assert {tick.command.mode for tick in run(reference, at, ticks(at, *script))} == set(reference.MODES)


# As it would be in C, and compiled.


def test_compiled_step_equals_the_plain_one():
    """On random parameters and inputs, extremes included, numba's step gives the same bits."""
    rng = random.Random(4)
    fast = compiled(reference.step)
    for _ in range(12):
        at = any_params(reference, "reference.yaml", rng)
        plain = quick = reference.initial(at)
        for inputs in any_inputs(rng, 60):
            plain, command = reference.step(at, plain, inputs)
            quick, quick_command = fast(at, quick, inputs)
            assert (plain, command) == (quick, quick_command)


def test_compiled_sessions_equal_the_plain_ones():
    """On a whole ride with a gesture, a fault and a stop, numba's step gives the same bits."""
    at = params(2000)
    fast = compiled(reference.step)
    state = reference.initial(at)
    script = ((2500, {}), *taps(3), (100, HOLD), (1500, PULL), (300, {"hall_counts": 0}), (900, LET_GO), (99, CORD_OUT))
    for tick in run(reference, at, ticks(at, *script)):
        state, command = fast(at, state, tick.inputs)
        assert (state, command) == (tick.state, tick.command)


def test_every_intermediate_fits_32_bits(monkeypatch):
    """No sum, product or shift leaves 32 bits, and none divides or shifts a negative number."""
    check_32_bits(monkeypatch, blocks, reference, reference_senses)
    rng = random.Random(5)
    for _ in range(60):
        at = any_params(reference, "reference.yaml", rng)
        at = reference.Params(*(Int32(value) for value in at))
        state = reference.initial(at)
        for inputs in any_inputs(rng, 40):
            state, _ = reference.step(at, state, Inputs(*(Int32(value) for value in inputs)))
