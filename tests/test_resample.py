"""Recordings on ticks, and two recordings on one clock."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.base.errors import InputError
from sim.record import resample
from sim.record.resample import align, lag_us, to_ticks
from sim.record.table import Table


def table_of(t_us, **columns) -> Table:
    arrays = {name: np.array(values, dtype=float) for name, values in columns.items()}
    return Table(np.array(t_us, dtype=np.int64), arrays)


def test_the_first_sample_is_time_zero():
    """Ticks count from the first sample, wherever its own clock stood, to the last one."""
    ticks, _ = to_ticks(table_of([100, 1100, 2150], x=[1, 2, 3]), 1000)

    assert ticks.t_us.tolist() == [0, 1000, 2000]


def test_a_tick_shows_the_newest_sample_at_or_before_it():
    """A sample that comes after a tick is first seen at the next one."""
    ticks, _ = to_ticks(table_of([0, 1001, 2000, 2999, 3000], x=[1, 2, 3, 4, 5]), 1000)

    assert ticks["x"].tolist() == [1, 1, 3, 5]


def test_a_slow_voltage_is_interpolated_when_asked():
    """Only a column asked for is interpolated."""
    ticks, _ = to_ticks(table_of([0, 4000], bus_v=[50, 54], deadman=[0, 1]), 1000, linear=["bus_v"])

    assert ticks["bus_v"].tolist() == [50, 51, 52, 53, 54]
    assert ticks["deadman"].tolist() == [0, 0, 0, 0, 1]


def test_nothing_is_interpolated_across_a_gap():
    """Where the recording pauses too long even an interpolated column holds its last value."""
    ticks, _ = to_ticks(table_of([0, 1000, 5000], bus_v=[50, 51, 59]), 1000, ["bus_v"], longest_gap_us=2000)

    assert ticks["bus_v"].tolist() == [50, 51, 51, 51, 51, 59]


def test_interval_and_jitter_are_told():
    """The notes give the recording's own median interval, the rms jitter about it, and its extremes."""
    _, notes = to_ticks(table_of([0, 990, 2000, 3000], x=[0] * 4), 1000)

    assert notes[0] == "recorded every 1000 us (median), jitter 8 us rms, 990 to 1010 us"


def test_gaps_are_told_with_their_times():
    """A pause longer than asked is told, at the recording's own time, and left out of the jitter."""
    _, notes = to_ticks(table_of([500, 1500, 46_500, 47_500], x=[0] * 4), 1000, longest_gap_us=20_000)

    assert notes == (
        "recorded every 1000 us (median), jitter 0 us rms, 1000 to 1000 us",
        "gap of 45.000 ms from 0.001500 s: last values held across",
    )


def test_many_gaps_are_capped():
    """The first three gaps are told one by one, the others counted."""
    t_us = np.cumsum([0, *[1000, 9000] * 5])
    _, notes = to_ticks(table_of(t_us, x=[0] * 11), 1000, longest_gap_us=5000)

    assert len(notes) == 5
    assert notes[-1] == "2 more gaps: last values held across"


def test_samples_no_tick_sees_are_told():
    """Samples that fall between ticks are counted, as a firmware would miss them."""
    _, notes = to_ticks(table_of([0, 300, 600, 1000], x=[0, 1, 0, 0]), 1000)

    assert "2 samples fell between ticks of 1000 us and are not seen" in notes


def test_presses_shorter_than_a_tick_are_told():
    """A contact sampled faster than the ticks that is pressed and let go between two of them is told."""
    pressed = [0, 0, 1, 1, 0, 0, 0, 0, 0, 0, 0]
    _, notes = to_ticks(table_of(np.arange(11) * 200, deadman=pressed, hall=np.arange(11)), 1000)

    assert notes[-1] == (
        "deadman: 1 times at 1 and 0 times at 0 for less than a tick of 1000 us, not seen; the first at 0.000400 s for"
        " 400 us"
    )


@given(steps=st.lists(st.integers(1, 3000), min_size=1, max_size=30), data=st.data())
@settings(max_examples=100)
def test_as_many_pulses_are_told_as_no_tick_sees(steps, data):
    """The pulses told are those that contain no tick, counted one by one."""
    t_us = np.cumsum([0, *steps])
    values = np.array(data.draw(st.lists(st.integers(0, 1), min_size=len(t_us), max_size=len(t_us))), dtype=float)
    _, notes = to_ticks(table_of(t_us, deadman=values), 1000)
    edges = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist()]
    spans = list(pairwise(edges[1:]))
    unseen = [values[a] for a, b in spans if not any(t_us[a] <= tick < t_us[b] for tick in range(0, 100_000, 1000))]
    told = [note for note in notes if note.startswith("deadman")]

    ups, downs = unseen.count(1.0), unseen.count(0.0)
    assert [note.partition(" for")[0] for note in told] == (
        [f"deadman: {ups} times at 1 and {downs} times at 0"] if unseen else []
    )


def test_changes_have_no_intervals_and_no_gaps():
    """Where the rows are moments of change a pause is no gap, and there is no interval to tell."""
    ticks, notes = to_ticks(table_of([0, 1000, 90_000], x=[1, 2, 3]), 1000, changes=True)

    assert (notes, ticks["x"][[0, 1, 89, 90]].tolist()) == ((), [1, 2, 2, 3])


def test_one_sample_is_one_tick():
    """A recording of one row gives one tick and says there is no interval."""
    ticks, notes = to_ticks(table_of([700], x=[5]), 1000)

    assert (ticks.t_us.tolist(), notes) == ([0], ("recorded once: there is no interval",))


@pytest.mark.parametrize(
    ("t_us", "tick_us", "linear"), [([], 1000, []), ([0, 1], 0, []), ([0, 1], -5, []), ([0, 1], 1000, ["y"])]
)
def test_a_call_that_makes_no_sense_is_refused(t_us, tick_us, linear):
    """No rows, a tick that is not positive, or an unknown column is the caller's error."""
    with pytest.raises(ValueError, match="cannot put"):
        to_ticks(table_of(t_us, x=[0] * len(t_us)), tick_us, linear)


def test_a_clock_that_jumps_by_months_is_a_fault():
    """A recording that would need more ticks than there is memory for is refused with its length."""
    months_us = resample.MOST_TICKS * 1000
    with pytest.raises(InputError, match="expected a length of at most 50000000 ticks; got 50000 s"):
        to_ticks(table_of([0, months_us], x=[0, 0]), 1000)


STEPS = st.lists(st.integers(1, 5000), max_size=40)


@given(steps=STEPS, tick_us=st.integers(1, 3000), data=st.data())
@settings(max_examples=100, deadline=None)
def test_a_held_value_was_recorded(steps, tick_us, data):
    """Whatever the stamps, a held column shows only values that were recorded, and none before its time."""
    t_us = np.cumsum([0, *steps])
    values = data.draw(st.lists(st.floats(-1e6, 1e6), min_size=len(t_us), max_size=len(t_us)))
    ticks, _ = to_ticks(table_of(t_us, x=values), tick_us)

    for t, value in zip(ticks.t_us, ticks["x"], strict=True):
        assert value == values[np.flatnonzero(t_us <= t)[-1]]


@given(steps=STEPS, tick_us=st.integers(100, 3000), linear=st.booleans())
@settings(max_examples=100, deadline=None)
def test_ticks_on_the_same_ticks_change_nothing(steps, tick_us, linear):
    """Resampling is idempotent on its own grid, held or interpolated, bit for bit."""
    t_us = np.cumsum([0, *steps])
    names = ["x"] if linear else []
    once, _ = to_ticks(table_of(t_us, x=np.sin(t_us)), tick_us, names)
    twice, _ = to_ticks(once, tick_us, names)

    assert twice.t_us.tolist() == once.t_us.tolist()
    assert twice["x"].tobytes() == once["x"].tobytes()


def ramps(size: int = 400) -> np.ndarray:
    """A command with ramps and a stop, at ticks."""
    return np.interp(np.arange(size), [0, 60, 120, 200, 230, 320, 350], [0, 0, 1, 1, 0.2, 0.2, 0])


@pytest.mark.parametrize("ticks", [-30, -1, 0, 1, 17, 50])
def test_a_known_lag_is_found(ticks):
    """A command shifted by whole ticks is found at that lag, in either direction."""
    whole = ramps(500)
    a, b = whole[50:450], whole[50 - ticks : 450 - ticks]

    assert lag_us(a, b, 1000, 60_000) == ticks * 1000


def test_level_and_scale_do_not_matter():
    """The lag is found between pulses in us and the same command as a fraction."""
    a, b = 1000.0 + 1000.0 * ramps()[20:], ramps()[:-20]

    assert lag_us(a, b, 1000, 60_000) == 20_000


def test_noise_does_not_move_the_lag():
    """Noise of a tenth of the command leaves the lag where it is."""
    noise = np.random.default_rng(1).normal(0.0, 0.1, (2, 380))

    assert lag_us(ramps()[20:] + noise[0], ramps()[:-20] + noise[1], 1000, 60_000) == 20_000


@pytest.mark.parametrize("constant", ["a", "b"])
def test_a_constant_has_no_lag(constant):
    """Nothing can be lined up with a constant, so its lag is 0."""
    signals = {"a": ramps(), "b": ramps(), constant: np.full(400, 1000.1)}

    assert lag_us(signals["a"], signals["b"], 1000, 60_000) == 0


def test_a_period_is_lined_up_the_short_way():
    """Of equally good lags the shortest is taken."""
    wave = np.tile([0.0, 1.0, 0.0, 0.0, 0.0], 40)

    assert lag_us(wave, np.roll(wave, 1), 1000, 12_000) == 1000


def test_align_lines_two_tables_up():
    """Two tables with the same command at different times, intervals and clocks agree once aligned."""
    fine = table_of(1000 * np.arange(400), pulse_us=ramps(), step=np.arange(400))
    late = table_of(77 + 2000 * np.arange(200), pulse_us=ramps()[np.maximum(2 * np.arange(200) - 24, 0)])
    a, b, lag = align(fine, late, "pulse_us", 2000, 100_000)

    assert lag == 24_000
    assert a.t_us.tolist() == b.t_us.tolist() == (2000 * np.arange(188)).tolist()
    assert np.array_equal(a["pulse_us"], b["pulse_us"])


def test_align_works_either_way():
    """With the tables exchanged the lag changes its sign and the other one is cut."""
    early, late = table_of(1000 * np.arange(380), x=ramps()[20:]), table_of(1000 * np.arange(380), x=ramps()[:-20])
    a, b, lag = align(late, early, "x", 1000, 60_000)

    assert lag == -20_000
    assert np.array_equal(a["x"], b["x"])
