"""The controllers' shared pieces, each alone."""

from __future__ import annotations

import math
import random
from types import ModuleType

import pytest
import yaml
from controller_runs import FOLDER, drive, run, ticks
from hypothesis import given
from hypothesis import strategies as st

from controllers import blocks
from sim.base.compile import compiled

TICKS_US = (250, 1000, 3333, 10_000)
counts = st.integers(0, 4095)
permille = st.integers(0, 1000)
tick = st.integers(250, 10_000)


# The median and the low-pass.


@given(counts, counts, counts)
def test_median_is_the_middle_one(a, b, c):
    """The median of three is what sorting puts in the middle."""
    assert blocks.median3(a, b, c) == sorted((a, b, c))[1]


@given(st.lists(st.tuples(counts, st.integers(0, 5)), max_size=20))
def test_remember_keeps_the_last_three_good_samples(samples):
    """Of all samples the last three good ones are kept, each once, whatever bad ones come between."""
    recent = blocks.Recent(0, 0, 0)
    for count, kind in samples:
        recent = blocks.remember(recent, count, kind)
    good = [count for count, kind in samples if kind == blocks.SAMPLE_GOOD]
    assert [*recent] == [0, 0, 0, *good][-3:]


@given(st.integers(0, 400_000), st.lists(st.integers(0, 400_000), max_size=30), st.integers(0, 500_000), tick)
def test_low_pass_stays_between_its_inputs(start, readings, tau_us, tick_us):
    """The low-pass never leaves the range of what it has been given."""
    acc = blocks.low_pass_start(start)
    for reading in readings:
        acc = blocks.low_pass(acc, reading, tau_us, tick_us)
        assert min(start, *readings) <= blocks.low_pass_value(acc) <= max(start, *readings)


@given(counts, counts, tick)
def test_low_pass_of_no_time_constant_is_no_filter(start, reading, tick_us):
    """With a time constant of 0 the output is the newest reading."""
    acc = blocks.low_pass(blocks.low_pass_start(start), reading, 0, tick_us)
    assert blocks.low_pass_value(acc) == reading


@pytest.mark.parametrize("tick_us", TICKS_US)
@pytest.mark.parametrize("target", [0, 3450])
def test_low_pass_reaches_a_steady_reading_exactly(tick_us, target):
    """A steady reading is reached to the last count, from above and from below."""
    acc = blocks.low_pass_start(600)
    for _ in range(400_000 // tick_us):
        acc = blocks.low_pass(acc, target, 10_000, tick_us)
    assert blocks.low_pass_value(acc) == target


@pytest.mark.parametrize("tick_us", TICKS_US)
def test_low_pass_step_response_is_the_backward_euler_one(tick_us):
    """A step of 4000 follows 1 - (tau / (tau + dt))^n to within the fixed point's resolution."""
    tau_us = 20_000
    acc = blocks.low_pass_start(0)
    for n in range(1, 60_000 // tick_us):
        acc = blocks.low_pass(acc, 4000, tau_us, tick_us)
        expected = 4000 * (1 - (tau_us / (tau_us + tick_us)) ** n)
        # The weight is cut to 12 bits: at 250 us it is 50 instead of 50.6 parts in 4096, 1.1 % slow.
        assert blocks.low_pass_value(acc) == pytest.approx(expected, abs=20)


# Plausibility of a sample.

# Low and high end of the window, noise allowance, whole travel and its shortest time.
RULES = (200, 3900, 100, 2850, 25_000)
AT_REST = blocks.Gate(believed_counts=600, age_us=0, sample=blocks.SAMPLE_GOOD)


@pytest.mark.parametrize(
    ("reading", "sample"),
    [
        (0, blocks.SAMPLE_LOW),
        (199, blocks.SAMPLE_LOW),
        (3901, blocks.SAMPLE_HIGH),
        (4095, blocks.SAMPLE_HIGH),
        # In 1 ms the fastest lever moves 114 counts; noise may add 100.
        (600 + 214, blocks.SAMPLE_GOOD),
        (600 + 215, blocks.SAMPLE_JUMP),
        (600 - 214, blocks.SAMPLE_GOOD),
        (600 - 215, blocks.SAMPLE_JUMP),
    ],
)
def test_gate_names_what_is_wrong_with_a_sample(reading, sample):
    """Outside the window and out of reach are told apart, to the count."""
    assert blocks.gate(AT_REST, reading, *RULES, 1000).sample == sample


@pytest.mark.parametrize(("reading", "sample"), [(200, blocks.SAMPLE_GOOD), (3900, blocks.SAMPLE_GOOD)])
def test_gate_window_includes_its_ends(reading, sample):
    """A reading on the edge of the window is inside it."""
    near = blocks.Gate(believed_counts=reading, age_us=0, sample=blocks.SAMPLE_GOOD)
    assert blocks.gate(near, reading, *RULES, 1000).sample == sample


@given(st.lists(counts, min_size=1), tick)
def test_gate_only_believes_what_it_was_given_inside_the_window(readings, tick_us):
    """The believed reading is the first one or one of the samples inside the window."""
    state = AT_REST
    for reading in readings:
        state = blocks.gate(state, reading, *RULES, tick_us)
        assert state.believed_counts in {600, *(r for r in readings if 200 <= r <= 3900)}


@pytest.mark.parametrize("tick_us", TICKS_US)
def test_gate_believes_a_new_level_once_a_lever_could_be_there(tick_us):
    """After a jump that stays, the new reading is believed within the fastest full travel."""
    state = blocks.gate(AT_REST, 3450, *RULES, tick_us)
    samples = 1
    while state.sample == blocks.SAMPLE_JUMP and samples < 1000:
        state = blocks.gate(state, 3450, *RULES, tick_us)
        samples += 1
    # The noise allowance takes 100 of the 2850 counts off the travel's time.
    assert 25_000 * (2850 - 100) / 2850 <= samples * tick_us < 25_000 + tick_us


def test_gate_reach_stops_growing():
    """However long no sample was believed, the reach stays inside 32 bits."""
    state = AT_REST
    for _ in range(1000):
        state = blocks.gate(state, 4095, *RULES, 10_000)
    assert state.age_us == 100_000


def test_stillness_counts_only_while_not_one_count_changes():
    """A change by a single count starts the time anew."""
    state = blocks.Still(counts=600, still_us=0)
    for _ in range(5):
        state = blocks.stillness(state, 600, 1000)
    moved = blocks.stillness(state, 601, 1000)
    assert (state.still_us, moved.still_us, moved.counts) == (5000, 0, 601)


def latch_after(kinds, tick_us=1000, fault_us=60_000, recover_us=500_000):
    state = blocks.Latch(fault=0, timer_us=0)
    for kind in kinds:
        state = blocks.fault_latch(state, kind, fault_us, recover_us, tick_us)
    return state


def test_a_fault_comes_after_bad_samples_for_its_time():
    """59 ms of bad samples are no fault and 60 ms are, of the kind seen last."""
    assert latch_after([1] * 59).fault == 0
    assert latch_after([1] * 59 + [2]).fault == 2


def test_single_bad_samples_never_add_up():
    """One bad sample in four is forgotten, however long it lasts."""
    assert latch_after([1, 0, 0, 0] * 1000).fault == 0


def test_an_intermittent_line_is_a_fault():
    """A line bad for half of the time becomes a fault."""
    assert latch_after([1, 0] * 200).fault == 1


def test_a_fault_ends_after_unbroken_good_samples():
    """499 ms of good samples, or 998 ms with a bad one among them, do not end a fault; 500 ms do."""
    fault = [3] * 60
    assert latch_after(fault + [0] * 499).fault == 3
    assert latch_after(fault + [0] * 499 + [1] + [0] * 499).fault == 3
    assert latch_after(fault + [0] * 500).fault == 0


# From counts to drive.


@given(st.integers(200, 3000), st.integers(4500, 5500))
def test_ratiometric_undoes_the_supply(nominal_counts, supply_mv):
    """A ratiometric reading scaled by its supply comes back to within the two roundings."""
    reading = round(nominal_counts * supply_mv / 5000)
    assert abs(blocks.ratiometric(reading, supply_mv, 5000) - nominal_counts) <= 1


@given(counts)
def test_travel_is_the_share_of_the_way(reading):
    """Travel is the clamped share between rest and full, rounded down."""
    share = min(max((reading - 600) / 2850, 0), 1)
    assert blocks.travel(reading, 600, 3450) == math.floor(1000 * share + 1e-9)


@given(permille, permille, st.integers(0, 500), permille)
def test_shaping_is_monotonic(a, b, band, blend):
    """More lever never asks for less, through dead band and curve."""
    low, high = (blocks.curve(blocks.dead_band(x, band), blend) for x in sorted((a, b)))
    assert low <= high


@given(st.integers(0, 999), permille)
def test_shaping_keeps_its_ends(band, blend):
    """The edge of the dead band asks for nothing and full lever for everything."""
    assert blocks.curve(blocks.dead_band(band, band), blend) == 0
    assert blocks.curve(blocks.dead_band(1000, band), blend) == 1000


@pytest.mark.parametrize(("blend", "half"), [(0, 500), (1000, 250), (400, 400)])
def test_curve_blends_line_and_square(blend, half):
    """Half a lever gives a half on the line, a quarter on the square, and in between in proportion."""
    assert blocks.curve(500, blend) == half


@given(st.integers(-2000, 3000), st.integers(500, 1500), st.integers(1501, 2500))
def test_pulse_stays_inside_its_ends(drive, stop_us, full_us):
    """No drive, however wrong, makes a pulse outside stop to full."""
    assert stop_us <= blocks.pulse_us(drive, stop_us, full_us) <= full_us


def test_pulse_scale():
    """Drive 0, 250 and 1000 permille of 1000 to 2000 us are 1000, 1250 and 2000 us."""
    assert [blocks.pulse_us(drive, 1000, 2000) for drive in (0, 250, 1000)] == [1000, 1250, 2000]


# Debounce.


def debounced(lines, level=0, tick_us=1000, press_us=40_000, release_us=30_000):
    state = blocks.Debounced(level=level, timer_us=0)
    levels = []
    for line in lines:
        state = blocks.debounce(state, line, press_us, release_us, tick_us)
        levels.append(state.level)
    return levels


@given(st.lists(st.booleans()), st.integers(0, 1), tick)
def test_debounce_follows_a_steady_line_in_its_time(before, line, tick_us):
    """Whatever came before, a line that stays is believed within its time, in whole ticks."""
    time_us = 40_000 if line else 30_000
    levels = debounced([*map(int, before), *[line] * math.ceil(time_us / tick_us)], tick_us=tick_us)
    assert levels[-1] == line


@given(st.integers(0, 1), st.lists(st.integers(1, 6), min_size=1, max_size=20), st.integers(250, 1000))
def test_debounce_ignores_bounce(level, bursts_ms, tick_us):
    """A line that bounces for up to 6 ms at a time, and rests as long, changes nothing."""
    lines = []
    for burst_ms in bursts_ms:
        lines += [1 - level] * (burst_ms * 1000 // tick_us) + [level] * (burst_ms * 1000 // tick_us)
    assert set(debounced(lines, level=level, tick_us=tick_us)) <= {level}


def test_debounce_has_separate_times():
    """From rest a press takes 40 samples of 1 ms, and a release 30."""
    assert debounced([1] * 40).index(1) == 39
    assert debounced([0] * 30, level=1).index(0) == 29


def test_debounce_is_delayed_by_contrary_pulses_not_restarted():
    """A 5 ms pulse back costs 10 ms, its own length twice, and does not start the time anew."""
    assert debounced([1] * 20 + [0] * 5 + [1] * 40).index(1) == 39 + 10


# The gesture.

RHYTHM = blocks.ClickRules(
    lead_us=500_000, press_min_us=80_000, press_max_us=400_000, gap_min_us=80_000, gap_max_us=400_000, quiet_us=600_000
)


def gestures(*times_ms, tick_us=1000, quiet_ms=1000, rules=RHYTHM):
    """Gestures finished by a line that is released, pressed, released ... for these times, then quiet."""
    state = blocks.no_clicks(0)
    finished = []
    for index, time_ms in enumerate((*times_ms, quiet_ms)):
        for _ in range(time_ms * 1000 // tick_us):
            state = blocks.count_clicks(state, index % 2, index % 2, rules, tick_us)
            finished += [state.done] if state.done else []
    return finished


@pytest.mark.parametrize("tick_us", [250, 1000, 10_000])
@pytest.mark.parametrize("presses", [1, 2, 3, 5])
def test_clicks_in_rhythm_count(presses, tick_us):
    """Presses and pauses of 200 ms, after and before quiet, are one gesture of their number."""
    assert gestures(600, *[200, 200] * (presses - 1), 200, tick_us=tick_us) == [presses]


@pytest.mark.parametrize(
    "times_ms",
    [
        pytest.param((600, 200, 200, 401), id="a press too long"),
        pytest.param((600, 200, 200, 79), id="a press too short"),
        pytest.param((600, 200, 79, 200), id="a pause too short"),
        pytest.param((600, 200, 401, 200), id="a pause too long"),
        pytest.param((499, 200, 200, 200), id="no quiet before"),
        pytest.param((600, 200, 200, 200, 599, 5), id="a pulse before the closing quiet is over"),
    ],
)
def test_anything_out_of_rhythm_throws_the_gesture_away(times_ms):
    """One thing out of rhythm, and nothing is counted."""
    assert gestures(*times_ms) == []


@pytest.mark.parametrize(
    "times_ms", [(500, 80, 80, 400, 400, 80), (500, 400, 400, 400, 80, 80)], ids=["short first", "long first"]
)
def test_the_rhythm_includes_its_ends(times_ms):
    """Presses and pauses of exactly the shortest and longest time count."""
    assert gestures(*times_ms) == [3]


def test_a_gesture_is_finished_by_its_quiet_time():
    """599 ms after the last release a gesture is not finished, 600 ms after it is."""
    # The release is itself a sample: 600 ms after it is the 601st.
    assert gestures(600, 200, 200, 200, quiet_ms=600) == []
    assert gestures(600, 200, 200, 200, quiet_ms=601) == [2]


def test_after_a_broken_gesture_the_line_must_be_quiet():
    """Two good presses after a long one count for nothing until a quiet of 500 ms has been seen."""
    assert gestures(600, 900, 500, 200, 200, 200) == []
    assert gestures(600, 900, 501, 200, 200, 200) == [2]


def test_after_a_finished_gesture_the_line_must_be_quiet_again():
    """A second gesture counts only after the lead time of its own."""
    assert gestures(600, 200, 200, 200, 600 + 500, 200, 200, 200) == [2]
    assert gestures(600, 200, 200, 200, 600 + 501, 200, 200, 200) == [2, 2]


def test_pulses_too_short_for_the_debounce_are_no_quiet():
    """A raw line that pulses for 5 ms every 400 ms never lets a gesture begin."""
    state = blocks.no_clicks(0)
    numbers = set()
    for n in range(20_000):
        state = blocks.count_clicks(state, 1 if n % 400 < 5 else 0, 0, RHYTHM, 1000)
        numbers.add(state.number)
    assert numbers == {blocks.CLICKS_BLOCKED}


def test_a_stuck_contact_is_never_a_gesture():
    """A line held for an hour counts nothing, and its timer does not grow without end."""
    state = blocks.no_clicks(0)
    for _ in range(360_000):
        state = blocks.count_clicks(state, 1, 1, RHYTHM, 10_000)
        assert state.done == 0
    assert state.timer_us <= blocks.TIMER_MAX_US


def test_many_presses_do_not_grow_without_end():
    """Twenty presses in rhythm are counted as nine."""
    assert gestures(600, *[200, 200] * 19, 200) == [9]


def test_a_leaking_button_seldom_looks_like_a_gesture():
    """In an hour of 40 random leak pulses a minute, 5 ms to 3 s, none is three presses after 3 s of quiet."""
    rng = random.Random(20)
    rules = RHYTHM._replace(lead_us=3_000_000, press_max_us=300_000, gap_max_us=300_000)
    contact = blocks.Debounced(level=0, timer_us=0)
    clicks = blocks.no_clicks(0)
    found = []
    elapsed_us = 0
    while elapsed_us < 3_600_000_000:
        pulse_us = int(5_000 * 600 ** rng.random())
        for line, length_us in ((0, int(rng.expovariate(40 / 60e6))), (1, pulse_us)):
            for _ in range(length_us // 5000):
                contact = blocks.debounce(contact, line, 30_000, 30_000, 5000)
                clicks = blocks.count_clicks(clicks, line, contact.level, rules, 5000)
                elapsed_us += 5000
                found += [clicks.done] if clicks.done else []
    assert 3 not in found


# The ramp and the guard.


@given(st.integers(250, 10_000), st.integers(1, 20_000), st.integers(1, 200))
def test_ramp_is_exact_at_any_tick(tick_us, ramp_ms, ticks):
    """After n ticks the ramp has moved by exactly what the elapsed time gives, up and down."""
    up = blocks.Ramp(permille=0, carry_us=0)
    down = blocks.Ramp(permille=1000, carry_us=0)
    for _ in range(ticks):
        up = blocks.ramp(up, 1000, ramp_ms, 1, tick_us)
        down = blocks.ramp(down, 0, 1, ramp_ms, tick_us)
    moved = min(ticks * tick_us // ramp_ms, 1000)
    assert (up.permille, down.permille) == (moved, 1000 - moved)


@given(permille, st.lists(permille), tick, st.integers(1, 5000), st.integers(1, 5000))
def test_ramp_moves_towards_its_target_and_not_past_it(start, targets, tick_us, up_ms, down_ms):
    """Each tick ends between the last value and the target, both included."""
    state = blocks.Ramp(permille=start, carry_us=0)
    for target in targets:
        after = blocks.ramp(state, target, up_ms, down_ms, tick_us)
        assert min(state.permille, target) <= after.permille <= max(state.permille, target)
        state = after


@given(st.lists(permille, min_size=1), tick, st.integers(1, 5000), st.integers(1, 5000))
def test_ramp_never_exceeds_its_rates(targets, tick_us, up_ms, down_ms):
    """However the target moves, no tick moves more than its own time and one carried permille."""
    state = blocks.Ramp(permille=500, carry_us=0)
    for target in targets:
        after = blocks.ramp(state, target, up_ms, down_ms, tick_us)
        assert -(tick_us // down_ms + 1) <= after.permille - state.permille <= tick_us // up_ms + 1
        state = after


def test_ramp_drops_time_carried_the_other_way():
    """Nearly a permille's time on a slow way up does not become several on a fast way down."""
    up = blocks.ramp(blocks.Ramp(permille=500, carry_us=0), 600, 1000, 100, 999)
    assert up == blocks.Ramp(permille=500, carry_us=999)
    assert blocks.ramp(up, 0, 1000, 100, 250) == blocks.Ramp(permille=498, carry_us=-50)


@given(st.integers(-10_000, 500_000), st.integers(1, 400_000))
def test_fold_back_is_in_proportion_to_the_room(room, span):
    """Allowed drive is the share of the span that is left, none to all."""
    assert blocks.fold_back(room, span) == min(max(room, 0), span) * 1000 // span


def limit_after(limit, allowed, hold=250, ticks=100):
    state = blocks.Ramp(permille=limit, carry_us=0)
    for _ in range(ticks):
        state = blocks.guard(state, allowed, hold, 1000, 100, 1000)
    return state.permille


@pytest.mark.parametrize(
    ("allowed", "limit"),
    [
        pytest.param(300, 300, id="down fast"),
        pytest.param(500, 500, id="held"),
        pytest.param(750, 500, id="held with room up to the margin"),
        pytest.param(751, 501, id="up until the margin is left"),
        pytest.param(1000, 600, id="up slowly when all is allowed"),
    ],
)
def test_guard_falls_fast_holds_and_rises_slowly(allowed, limit):
    """From a limit of 500, a tenth of a second later."""
    assert limit_after(500, allowed) == limit


def test_guard_recovers_fully_when_all_is_allowed():
    """Inside the holding margin a limit still recovers when all is allowed."""
    assert limit_after(900, 1000) == 1000


@pytest.mark.parametrize("tick_us", TICKS_US)
def test_guard_does_not_hunt(tick_us):
    """On a sagging pack behind a slow thruster the limit settles, and falls no more once it has."""
    # A toy plant: 50 V behind 60 mOhm, 170 A at full drive with the cube of it, 100 ms of lag. Numbers invented.
    limit = blocks.Ramp(permille=1000, carry_us=0)
    drive = blocks.Ramp(permille=0, carry_us=0)
    amps = 0.0
    limits = []
    for _ in range(20_000_000 // tick_us):
        room_mv = int(50_000 - 60 * amps) - 43_000
        limit = blocks.guard(limit, blocks.fold_back(room_mv, 3000), 250, 8000, 300, tick_us)
        drive = blocks.ramp(drive, limit.permille, 1200, 400, tick_us)
        amps += (170 * (drive.permille / 1000) ** 3 - amps) * tick_us / (100_000 + tick_us)
        limits.append(limit.permille)
    settled = limits[5_000_000 // tick_us :]
    assert settled == sorted(settled)
    # It has folded back at all, and has not given up all drive for it.
    assert 400 < settled[-1] < 900


@given(st.integers(0, 100_000_000), st.integers(0, 1), tick)
def test_held_counts_only_an_unbroken_condition(timer_us, holds, tick_us):
    """The time grows by a tick while the condition holds, up to its end, and is 0 otherwise."""
    assert blocks.held_us(timer_us, holds, tick_us) == holds * min(timer_us + tick_us, blocks.TIMER_MAX_US)


def test_the_guides_example_drives_while_the_dead_man_is_held():
    """The controller printed in the guide loads, ramps while held, stops on release, and compiles."""
    guide = (FOLDER.parent / "docs" / "writing-a-controller.md").read_text(encoding="utf-8")
    example = ModuleType("example")
    exec(guide.split("```python\n")[1].split("```")[0], vars(example))
    params = example.Params(tick_us=1000, **yaml.safe_load(guide.split("```yaml\n")[1].split("```")[0]))
    inputs = list(ticks(params, (100, {}), (900, {"deadman": 1, "hall_counts": 3450}), (900, {"deadman": 0})))
    seen = run(example, params, inputs)
    assert [drive(seen[i]) for i in (99, 529, 999, 1028, -1)] == [0, 501, 1000, 1000, 0]
    fast = compiled(example.step)
    state = example.initial(params)
    for tick in seen:
        state, command = fast(params, state, tick.inputs)
        assert command == tick.command
