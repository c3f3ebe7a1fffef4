"""The ESC: pulse decoding, arming, its own slew, undervoltage cut, and both answers to a lost signal."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import esc, machine

DT_S = 1e-3
ESC = esc.Params(
    frame_us=5000,
    stop_us=1000.0,
    full_us=2000.0,
    valid_us_min=800.0,
    valid_us_max=2200.0,
    arm_s=1.0,
    rise_frac_s=12.0,
    fall_frac_s=20.0,
    on_v=15.0,
    cut_v=42.0,
    cut_delay_s=0.1,
    lost_after_s=0.25,
    on_lost=esc.STOPS,
    hold_s=2.8,
    current_a_max=150.0,
    on_ohm=0.006,
    idle_w=0.6,
    dt_s=DT_S,
)
HOLDING = ESC._replace(on_lost=esc.HOLDS)
FRAME_TICKS = 5


def ran(params: esc.Params, state: esc.State, pulse_us: float, seconds: float, bus_v: float = 50.0) -> esc.State:
    """The ESC after some time of one pulse width on one bus voltage."""
    for tick in range(round(seconds / DT_S)):
        frame = 1 if tick % FRAME_TICKS == 0 else 0
        state = esc.step(params, state, esc.Inputs(pulse_us, frame, bus_v))
    return state


def ready(params: esc.Params = ESC) -> esc.State:
    state = ran(params, esc.initial(params), 1000.0, 1.1)
    assert state.mode == esc.READY
    return state


def driving(params: esc.Params = ESC) -> esc.State:
    return ran(params, ready(params), 2000.0, 0.5)


def first(state: esc.State, happened: Callable[[esc.State], bool], params: esc.Params, **inputs: float) -> float:
    """Seconds until something has happened."""
    for tick in range(10_000):
        if happened(state):
            return tick * DT_S
        state = esc.step(params, state, esc.Inputs(inputs["pulse_us"], int(tick % FRAME_TICKS == 0), inputs["bus_v"]))
    raise AssertionError("it never happened")


# Servo pulse of 1000 to 2000 us, one-way: common practice, no source.
@pytest.mark.parametrize(
    ("pulse_us", "throttle"), [(1000.0, 0.0), (1500.0, 0.5), (2000.0, 1.0), (900.0, 0.0), (2100.0, 1.0)]
)
def test_pulse_width_is_the_throttle(pulse_us: float, throttle: float) -> None:
    """1000, 1500 and 2000 us are none, half and full, held at the ends."""
    assert esc.throttle_of(ESC, pulse_us) == throttle


# A 50 Hz frame of 20 ms: 5.0, 7.5 and 10.0 % of it, common practice and exact arithmetic.
@pytest.mark.parametrize(("pulse_us", "share"), [(1000.0, 0.05), (1500.0, 0.075), (2000.0, 0.10)])
def test_share_of_a_servo_frame_gives_the_throttle(pulse_us: float, share: float) -> None:
    """The share of a 20 ms frame that is high, 5 to 10 %, maps straight to the throttle."""
    assert esc.throttle_of(ESC, 20_000.0 * share) == pytest.approx((share - 0.05) / 0.05)
    assert 20_000.0 * share == pytest.approx(pulse_us)


@pytest.mark.parametrize("pulse_us", [0.0, 500.0, 799.0, 2201.0, 5000.0])
def test_pulses_outside_the_band_are_noise(pulse_us: float) -> None:
    """A width no pulse can have is not obeyed; without a good one the signal is lost."""
    state = ran(ESC, driving(), pulse_us, 0.2)
    assert state.target_frac == 1.0
    assert ran(ESC, state, pulse_us, 0.1).mode == esc.SIGNAL_LOST


# Arming on stop pulses: common practice, no source.
def test_arms_after_its_time_of_stop_pulses() -> None:
    """Stop pulses for the arming time make it ready, within a tick."""
    took_s = first(esc.initial(ESC), lambda state: state.mode == esc.READY, ESC, pulse_us=1000.0, bus_v=50.0)
    assert took_s == pytest.approx(1.0, abs=2.0 * DT_S)


@pytest.mark.parametrize("pulse_us", [0.0, 1200.0, 2000.0])
@pytest.mark.parametrize("arm_s", [0.1, 1.0])
def test_never_arms_without_stop_pulses(pulse_us: float, arm_s: float) -> None:
    """No pulses at all, or any that ask for drive, never arm it."""
    params = ESC._replace(arm_s=arm_s)
    state = ran(params, esc.initial(params), pulse_us, 5.0)
    assert (state.mode, state.duty_frac) == (esc.ARMING, 0.0)


def test_one_drive_pulse_starts_the_arming_anew() -> None:
    """A pulse that asks for drive while arming costs the whole wait again."""
    state = ran(ESC, esc.initial(ESC), 1000.0, 0.9)
    state = esc.step(ESC, state, esc.Inputs(1300.0, 1, 50.0))
    assert first(state, lambda now: now.mode == esc.READY, ESC, pulse_us=1000.0, bus_v=50.0) == pytest.approx(
        1.0, abs=2e-3
    )


def test_powered_anew_it_arms_anew() -> None:
    """A bus too low to work on drops it; back on power it waits for stop pulses, whatever it is sent."""
    state = ran(ESC, driving(), 2000.0, 0.01, bus_v=10.0)
    assert (state.mode, state.duty_frac) == (esc.UNPOWERED, 0.0)
    state = ran(ESC, state, 2000.0, 2.0)
    assert (state.mode, state.duty_frac) == (esc.ARMING, 0.0)
    assert ran(ESC, state, 1000.0, 1.1).mode == esc.READY


def test_pulse_is_taken_only_at_a_frame() -> None:
    """Between frames a new width changes nothing."""
    state = ready()
    for _ in range(100):
        state = esc.step(ESC, state, esc.Inputs(2000.0, 0, 50.0))
    assert state.target_frac == 0.0
    assert esc.step(ESC, state, esc.Inputs(2000.0, 1, 50.0)).target_frac == 1.0


@pytest.mark.parametrize(("side", "offset_us"), [("left", 0), ("right", 1700)])
@pytest.mark.parametrize("tick_us", [250, 1000, 3000])
def test_command_waits_at_most_one_frame(
    side: str, offset_us: int, tick_us: int, switched_on: Callable[..., tuple[machine.Params, machine.State]]
) -> None:
    """Whatever the tick a command starts on, its frame ends within one frame, and each frame ends once."""
    params, _ = switched_on(control_hz=1e6 / tick_us)
    ends = [machine.frame_ends(params, tick * tick_us, offset_us) for tick in range(600)]
    at_us = [tick * tick_us for tick, end in enumerate(ends) if end == 1]
    assert max(after - before for before, after in itertools.pairwise(at_us)) <= 5000 + tick_us
    assert len(at_us) == pytest.approx(600 * tick_us / 5000, abs=1)
    # An end is noticed on the first tick that starts at or after it.
    assert all((us - offset_us) % 5000 < tick_us for us in at_us)


@given(st.floats(min_value=800.0, max_value=2200.0), st.floats(min_value=800.0, max_value=2200.0))
def test_duty_keeps_to_its_rates(one_us: float, other_us: float) -> None:
    """Whatever the pulses, the duty moves no faster than the ESC's own rates and stays from 0 to 1."""
    state = ready()
    for tick in range(60):
        before = state.duty_frac
        state = esc.step(ESC, state, esc.Inputs(one_us if tick < 30 else other_us, int(tick % 5 == 0), 50.0))
        assert -20.0 * DT_S - 1e-12 <= state.duty_frac - before <= 12.0 * DT_S + 1e-12
        assert 0.0 <= state.duty_frac <= 1.0


def test_duty_reaches_the_throttle() -> None:
    """At full throttle the duty is 1 after 1/12 s, and 0 again 1/20 s after a stop."""
    state = ready()
    rise_s = first(state, lambda now: now.duty_frac >= 1.0 - 1e-9, ESC, pulse_us=2000.0, bus_v=50.0)
    fall_s = first(driving(), lambda now: now.duty_frac <= 1e-9, ESC, pulse_us=1000.0, bus_v=50.0)
    assert (rise_s, fall_s) == pytest.approx((1.0 / 12.0, 1.0 / 20.0), abs=2.0 * DT_S)


# Undervoltage cut with delay and latch: common practice, no source.
@pytest.mark.parametrize("delay_s", [0.0, 0.1, 0.25])
def test_undervoltage_cuts_after_its_delay(delay_s: float) -> None:
    """A bus under the cut-off stops the drive within a tick of the delay, at once and for good."""
    params = ESC._replace(cut_delay_s=delay_s)
    took_s = first(driving(params), lambda now: now.mode == esc.CUT, params, pulse_us=2000.0, bus_v=41.9)
    assert took_s == pytest.approx(delay_s, abs=DT_S + 1e-9)
    state = ran(params, driving(params), 2000.0, delay_s + 0.01, bus_v=41.9)
    assert (state.mode, state.duty_frac) == (esc.CUT, 0.0)


def test_sag_shorter_than_the_delay_does_not_cut() -> None:
    """Sags that end within the delay never cut, however many there are."""
    state = driving()
    for _ in range(10):
        state = ran(ESC, state, 2000.0, 0.098, bus_v=30.0)
        state = ran(ESC, state, 2000.0, 0.001, bus_v=50.0)
    assert (state.mode, state.duty_frac) == (esc.READY, 1.0)


def test_cut_is_latched_until_a_stop_pulse() -> None:
    """After a cut a recovered bus brings nothing back; a stop pulse does."""
    state = ran(ESC, driving(), 2000.0, 0.2, bus_v=40.0)
    state = ran(ESC, state, 2000.0, 5.0, bus_v=50.0)
    assert (state.mode, state.duty_frac) == (esc.CUT, 0.0)
    assert ran(ESC, state, 1000.0, 0.01, bus_v=50.0).mode == esc.READY


def test_cut_stays_while_the_bus_is_low() -> None:
    """A stop pulse on a bus that is still low does not end the cut."""
    state = ran(ESC, driving(), 2000.0, 0.2, bus_v=40.0)
    assert ran(ESC, state, 1000.0, 1.0, bus_v=40.0).mode == esc.CUT


# Both kinds are on sale: common practice, no source.
def test_one_kind_stops_when_the_signal_is_lost() -> None:
    """The stopping kind has no duty left 1/20 s after the signal counts as lost."""
    took_s = first(driving(), lambda now: now.duty_frac <= 0.0, ESC, pulse_us=0.0, bus_v=50.0)
    # The last pulse came up to a frame before.
    assert took_s == pytest.approx(0.25 + 1.0 / 20.0, abs=(FRAME_TICKS + 1) * DT_S)


# PUBLISHED, a public fault report: a speed controller that held its last command for almost 3 s after the pulses ended.
def test_other_kind_holds_for_almost_three_seconds() -> None:
    """The holding kind drives on as last told for about 3 s after the last pulse, and only then stops."""
    took_s = first(driving(HOLDING), lambda now: now.duty_frac < 1.0, HOLDING, pulse_us=0.0, bus_v=50.0)
    assert took_s == pytest.approx(0.25 + 2.8, abs=(FRAME_TICKS + 1) * DT_S)
    assert ran(HOLDING, driving(HOLDING), 0.0, 0.25 + 2.8 + 0.06).duty_frac == 0.0


def test_no_pulses_are_not_a_stop_command() -> None:
    """With the holding kind, ending the pulses drives on where a stop pulse has long stopped."""
    assert ran(HOLDING, driving(HOLDING), 0.0, 1.0).duty_frac == 1.0
    assert ran(HOLDING, driving(HOLDING), 1000.0, 1.0).duty_frac == 0.0


def test_pulses_back_within_the_hold_are_followed() -> None:
    """The holding kind follows the first pulse that comes back while it holds."""
    state = ran(HOLDING, driving(HOLDING), 0.0, 1.0)
    assert state.mode == esc.SIGNAL_LOST
    state = ran(HOLDING, state, 1300.0, 0.5)
    assert (state.mode, state.duty_frac) == (esc.READY, pytest.approx(0.3))


@pytest.mark.parametrize("params", [ESC, HOLDING])
def test_pulses_back_too_late_need_a_stop_first(params: esc.Params) -> None:
    """Once it has stopped for want of pulses it drives again only after a stop pulse."""
    state = ran(params, driving(params), 0.0, 4.0)
    state = ran(params, state, 1500.0, 5.0)
    assert (state.mode, state.duty_frac) == (esc.SIGNAL_LOST, 0.0)
    state = ran(params, state, 1000.0, 0.01)
    assert ran(params, state, 1500.0, 0.5).duty_frac == pytest.approx(0.5)


@pytest.mark.parametrize("params", [ESC, HOLDING])
def test_stop_pulse_ends_a_hold(params: esc.Params) -> None:
    """A stop pulse in a hold stops within the ESC's own fall."""
    state = ran(params, driving(params), 0.0, 0.3)
    assert ran(params, state, 1000.0, 0.06).duty_frac == 0.0


@given(
    st.sampled_from([esc.STOPS, esc.HOLDS]),
    st.lists(
        st.tuples(st.floats(min_value=0.0, max_value=3000.0), st.integers(0, 1), st.floats(0.0, 70.0)), max_size=200
    ),
)
def test_any_signal_leaves_a_duty(on_lost: int, train: list[tuple[float, int, float]]) -> None:
    """No train of pulses and voltages brings the duty out of 0 to 1, or drives an ESC that is not powered and armed."""
    params = ESC._replace(on_lost=on_lost, arm_s=0.01, lost_after_s=0.005, hold_s=0.02)
    state = esc.initial(params)
    for pulse_us, frame, bus_v in train:
        state = esc.step(params, state, esc.Inputs(pulse_us, frame, bus_v))
        assert math.isfinite(state.duty_frac)
        assert 0.0 <= state.duty_frac <= 1.0
        if state.mode not in (esc.READY, esc.SIGNAL_LOST):
            assert state.duty_frac == 0.0
