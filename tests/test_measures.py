"""Measures of recordings against values worked out by hand or in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from sim.base.errors import InputError
from sim.record.table import Table
from sim.verdict.measures import Figure, parse_measure, take
from sim.verdict.place import Place

NAN = float("nan")


def recording(step_s: float = 0.1, **columns: list[float]) -> Table:
    """Columns sampled every `step_s`."""
    count = len(next(iter(columns.values())))
    arrays = {name: np.array(values, dtype=float) for name, values in columns.items()}
    return Table(t_us=np.arange(count, dtype=np.int64) * round(step_s * 1e6), columns=arrays)


def figure(text: str, table: Table, **limits: float) -> Figure:
    """A checked measure of a recording."""
    measure = parse_measure(text, Place("a.yaml", "measure", 3))
    assert measure.faults(table.names, limits) == []
    return take(measure, table, limits)


BUS = recording(bus_v=[48, 46, 41.5, NAN, 47], pack_a=[5, 30, 60, 40, 10])


@pytest.mark.parametrize(
    ("text", "value", "unit", "at_s"),
    [
        ("minimum(bus_v)", 41.5, "V", 0.2),
        ("maximum(bus_v)", 48.0, "V", 0.0),
        ("maximum(abs(pack_a - 50))", 45.0, "A", 0.0),
        ("final(pack_a)", 10.0, "A", 0.4),
        ("time_above(pack_a, trip_a)", 0.2, "s", 0.2),
        ("time_below(bus_v, 47)", 0.2, "s", 0.1),
        ("time_above(pack_a, 100)", 0.0, "s", None),
        ("time_above(pack_a, 60)", 0.0, "s", None),
    ],
)
def test_extremes_and_times(text, value, unit, at_s):
    """Extremes skip what is not known, times count the samples that stand beyond a level, the last having no length."""
    found = figure(text, BUS, trip_a=35.0)
    assert found[:2] == (pytest.approx(value), None if at_s is None else pytest.approx(at_s))
    assert found.unit == unit


def test_energy_is_the_integral_of_power():
    """A constant 48 V and 10 A over 2 s are 960 J, in joules by the units of the names."""
    table = recording(0.5, bus_v=[48] * 5, pack_a=[10] * 5)
    found = figure("integral(bus_v * pack_a)", table)
    assert (found.value, found.unit) == (pytest.approx(960), "J")


def test_distance_is_the_integral_of_speed():
    """Speed rising evenly from 0 to 3 m/s in 3 s covers 4.5 m; the trapezoidal sum is exact on a straight line."""
    found = figure("integral(speed_m_s)", recording(1.0, speed_m_s=[0, 1, 2, 3]))
    assert (found.value, found.unit) == (pytest.approx(4.5), "m")


def test_an_integral_over_a_missing_sample_is_unknown():
    """A sum that lacks a sample is not given, and the sentence says which."""
    found = figure("integral(bus_v)", BUS)
    assert (found.value, found.why) == (None, "bus_v has no value at 0.300 s")


def test_distinct_levels_are_counted():
    """Each value counts once, in whatever order it comes; a missing one is none."""
    table = recording(pulse_us=[1500, 1600, 1500, 1700, NAN])
    assert figure("distinct_levels(pulse_us)", table).value == 3


def test_distinct_levels_within_a_resolution_are_one():
    """With a resolution, values nearest to the same multiple of it are one level."""
    table = recording(pulse_us=[1500, 1504, 1496, 1600, 1700])
    assert figure("distinct_levels(pulse_us, 100)", table).value == 3


def test_creep_is_the_largest_command_at_rest():
    """Commands while the lever is off its rest do not count, those of either sign do."""
    table = recording(command_frac=[0.01, -0.04, 0.9, 0.02], lever_frac=[0, 0, 0.8, 0])
    found = figure("creep(command_frac, lever_frac <= 0.02)", table)
    assert found[:2] == (0.04, 0.1)
    assert found.why == "command_frac reached 0.04 at 0.100 s with lever_frac <= 0.02"


def test_creep_without_rest_is_never_tried():
    """A run that never rests tells nothing of creep."""
    table = recording(command_frac=[0.5, 0.5], lever_frac=[0.8, 0.8])
    found = figure("creep(command_frac, lever_frac <= 0.02)", table)
    assert (found.value, found.why.split(":")[0]) == (None, "never tried")


def test_latency_is_the_longest_wait():
    """Of several events the one answered last counts."""
    table = recording(deadman=[1, 0, 0, 1, 0, 0, 0, 1], drive=[1, 1, 0, 1, 1, 1, 0, 0])
    found = figure("latency(not deadman, drive == 0)", table)
    assert found[:3] == (
        pytest.approx(0.2),
        pytest.approx(0.4),
        "drive == 0 came 0.2 s after not deadman at 0.400 s; tried twice",
    )


def test_latency_without_an_answer_is_unknown():
    """An event the run leaves unanswered has no latency, however quick the others were."""
    table = recording(deadman=[1, 0, 1, 0], drive=[1, 0, 1, 1])
    found = figure("latency(not deadman, drive == 0)", table)
    assert (found.value, found.at_s) == (None, pytest.approx(0.3))


def test_settling_ends_with_the_last_sample_outside():
    """A response that leaves the band again settles only after it came back for good."""
    table = recording(go=[0, 1, 1, 1, 1, 1], x_v=[0, 0, 9.8, 12, 10.1, 10], target_v=[0, 10, 10, 10, 10, 10])
    found = figure("settling(go, x_v, target_v, 0.5)", table)
    assert found[:2] == (pytest.approx(0.3), pytest.approx(0.1))


def test_what_never_leaves_its_band_settles_at_once():
    """A response inside its band from the event on took no time."""
    found = figure("settling(go, x_v, 10, 0.5)", recording(go=[0, 1, 1], x_v=[0, 10, 10]))
    assert found[:2] == (0.0, pytest.approx(0.1))


def test_settling_is_judged_between_events():
    """Each event's response is looked at up to the next one, and the slowest counts."""
    table = recording(go=[0, 1, 0, 1, 0, 0], x_v=[5, 5, 10, 5, 5, 10])
    found = figure("settling(go, x_v, 10, 0.5)", table)
    assert found[:2] == (pytest.approx(0.2), pytest.approx(0.3))


def test_what_has_not_settled_has_no_settling_time():
    """A response still outside its band when the run ends is undecided."""
    found = figure("settling(go, x_v, 10, 0.5)", recording(go=[0, 1, 1], x_v=[0, 0, 5]))
    assert (found.value, found.why) == (None, "x_v had not settled by 0.200 s, after go at 0.100 s")


@pytest.mark.parametrize("damping", [0.2, 0.5, 0.7])
@pytest.mark.parametrize("height", [10.0, -10.0])
def test_overshoot_of_a_second_order_step(damping, height):
    """A damped oscillator passes its target by exp(-pi z / sqrt(1 - z^2)) of the step (closed form), up or down."""
    time_s, step_s = np.arange(0, 20, 0.001), 0.001
    fast = np.sqrt(1 - damping * damping)
    response = 1 - np.exp(-damping * time_s) * (np.cos(fast * time_s) + damping / fast * np.sin(fast * time_s))
    # One sample of rest before the step, so that there is an event.
    table = recording(step_s, go=[0, *np.ones_like(time_s)], x_v=[0, *height * response])
    found = figure(f"overshoot(go, x_v, {height})", table)
    # At a sample at most half a tick from the peak the curvature, below 1 /s^2, takes less than 2e-7 of the step.
    assert found.value == pytest.approx(abs(height) * np.exp(-np.pi * damping / fast), abs=2e-6)


def test_overshoot_is_seen_from_where_it_started():
    """Coming down from 20 to 10, 9 is past the target and 20 is not."""
    found = figure("overshoot(go, x_v, 10)", recording(go=[0, 1, 1, 1], x_v=[20, 20, 9, 10]))
    assert found[:2] == (1.0, pytest.approx(0.2))


def test_overshoot_from_close_above_is_below():
    """Coming down from 10.5 to 10, only what falls below 10 is past the target."""
    found = figure("overshoot(go, x_v, 10)", recording(go=[0, 1, 1], x_v=[10.5, 10.5, 9.8]))
    assert found[:2] == (pytest.approx(0.2), pytest.approx(0.2))


def test_the_first_wait_can_be_the_longest():
    """A latency is not that of the last event but of the slowest answer."""
    table = recording(go=[0, 1, 1, 1, 1, 0, 1, 1], done=[0, 0, 0, 0, 1, 0, 0, 1])
    assert figure("latency(go, done)", table)[:2] == (pytest.approx(0.3), pytest.approx(0.1))


def test_the_edge_of_the_band_is_inside():
    """A response that stands exactly on the edge of its band has settled."""
    assert figure("settling(go, x_v, 10, 0.5)", recording(go=[0, 1, 1], x_v=[0, 0, 10.5])).value == 0.1


def test_no_overshoot_is_zero():
    """A response that stays short of its target has none."""
    found = figure("overshoot(go, x_v, 10)", recording(go=[0, 1, 1], x_v=[0, 0, 9]))
    assert (found.value, found.why) == (0.0, "x_v did not pass 10")


def test_rise_is_the_steepest_within_its_length():
    """Of a fast rise of 4 and a slow one of 6, the most within two samples is 4, up to the sample that ends it."""
    table = recording(x_v=[0, 4, 4, 0, 2, 4, 6], on=[1] * 7)
    found = figure("rise(x_v, 0.1, on)", table)
    assert found == (4.0, pytest.approx(0.1), "x_v rose by 4 V within 0.1 s, up to 0.100 s", "V")


def test_rise_counts_a_start_outside_its_stretch():
    """The first sample with `when` is measured from what was before it, or a jump at a start would be none."""
    assert figure("rise(x_v, 0.1, on)", recording(x_v=[0, 9, 9, 30], on=[0, 1, 1, 0])).value == 9.0


def test_what_only_falls_does_not_rise():
    """The rise of a falling signal is 0."""
    assert figure("rise(x_v, 1, on)", recording(x_v=[3, 2, 1], on=[1, 1, 1])).value == 0.0


def test_rise_passes_over_missing_samples():
    """A missing sample is neither where a rise starts nor where it ends."""
    assert figure("rise(x_v, 0.2, on)", recording(x_v=[1, NAN, 3, NAN], on=[1] * 4)).value == 2.0


def test_drop_is_seen_from_the_highest_before():
    """Falling from 8 to 7 to 5 is a drop of 3, however small its steps."""
    found = figure("drop(x_v, on)", recording(x_v=[1, 8, 7, 5, 6], on=[1] * 5))
    assert found == (3.0, pytest.approx(0.3), "x_v had fallen by 3 V at 0.300 s", "V")


def test_drop_forgets_what_was_before_its_stretch():
    """What falls while `when` is false is no drop."""
    found = figure("drop(x_v, on)", recording(x_v=[9, 9, 2, 2, 3], on=[1, 1, 0, 1, 1]))
    assert (found.value, found.at_s, found.why) == (0.0, None, "x_v did not fall with on")


def test_turns_count_both_ways():
    """Up, down, up, down are three turns; the first way has none before it."""
    table = recording(x_v=[0, 5, 10, 5, 0, 6, 9, 1], on=[1] * 8)
    found = figure("turns(x_v, 4, 1, on)", table)
    assert found == (3.0, pytest.approx(0.2), "x_v turned 3 times within 1 s, from 0.200 s on", "1")


def test_a_swing_that_is_not_passed_is_no_turn():
    """A ripple of exactly the swing turns nothing, nor do steps that add up to one way."""
    assert figure("turns(x_v, 4, 1, on)", recording(x_v=[0, 4, 0, 4, 8, 4, 8], on=[1] * 7)).value == 0.0


def test_only_turns_within_the_length_count_together():
    """Three turns of which two are within 0.2 s of each other count two; the end of the length counts."""
    table = recording(x_v=[0, 9, 9, 0, 9, 9, 9, 9, 9, 9, 0], on=[1] * 11)
    assert figure("turns(x_v, 1, 0.2, on)", table)[:2] == (2.0, pytest.approx(0.1))


def test_turns_start_anew_with_each_stretch():
    """A turn that is made while `when` is false is none."""
    assert figure("turns(x_v, 1, 9, on)", recording(x_v=[0, 5, 9, 5, 0], on=[1, 1, 0, 1, 1])).value == 0.0


def test_turns_do_not_reach_across_a_missing_sample():
    """Nobody knows what a signal did where it is missing, so its way starts anew there."""
    assert figure("turns(x_v, 1, 9, on)", recording(x_v=[0, 5, NAN, 5, 0], on=[1] * 5)).value == 0.0


def test_least_rise_is_that_of_the_flattest_step():
    """A response of 3, 1 and 6 over three equal steps rises by at least 1, wherever in time its samples came."""
    table = recording(x_v=[10, 0, 3, 4], lever_frac=[0.4, 0.1, 0.2, 0.3], on=[1] * 4)
    found = figure("least_rise(x_v, lever_frac, 0.1, on)", table)
    assert found == (1.0, pytest.approx(0.3), "x_v rose by 1 V from lever_frac 0.2 to 0.3, at 0.300 s", "V")


def test_least_rise_of_what_falls_is_negative():
    """Where the response is lower further along, even much further, it is not monotonic, by that much."""
    table = recording(x_v=[0, 5, 6, 3], lever_frac=[0.1, 0.2, 0.3, 0.9], on=[1] * 4)
    assert figure("least_rise(x_v, lever_frac, 0.1, on)", table)[:2] == (-3.0, pytest.approx(0.3))


def test_least_rise_does_not_compare_what_is_closer_than_a_step():
    """Noise among samples at nearly one place tells nothing of the response."""
    table = recording(x_v=[5, 4, 9], lever_frac=[0.5, 0.55, 0.7], on=[1] * 3)
    assert figure("least_rise(x_v, lever_frac, 0.1, on)", table).value == 4.0


def test_least_rise_without_a_step_is_never_tried():
    """A lever that stays where it is tells nothing of the response."""
    found = figure("least_rise(x_v, lever_frac, 0.1, on)", recording(x_v=[1, 2, 9], lever_frac=[1, 1, 0], on=[1, 1, 0]))
    assert (found.value, found.why) == (None, "never tried: lever_frac did not move by 0.1 with on")


@pytest.mark.parametrize("text", ["rise(x_v, 1, on)", "drop(x_v, on)", "turns(x_v, 1, 1, on)"])
def test_a_measure_whose_occasion_never_came_is_never_tried(text):
    """Where `when` is never true there is no figure, and the sentence says so."""
    found = figure(text, recording(x_v=[1, 2], on=[0, 0]))
    assert (found.value, found.why) == (None, "never tried: no sample of x_v with on")


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("rise(x_v, y_s, on)", "11: measure: expected a named limit; got 'y_s'"),
        ("rise(x_v, -1, on)", "11: measure: expected a duration in seconds, not negative; got -1 = -1 s"),
        ("rise(x_v, cut_v, on)", "11: measure: expected a duration in seconds, not negative; got cut_v = 4 V"),
        ("turns(x_v, y_v, 1, on)", "12: measure: expected a named limit; got 'y_v'"),
        ("turns(x_v, stop_s, 1, on)", "1: measure: expected like units; got V and s in turns(x_v, stop_s, 1, on)"),
        ("least_rise(x_v, y_s, cut_v, on)", "1: measure: expected like units; got s and V in least_rise("),
    ],
)
def test_what_a_measure_is_given_must_fit_its_place(text, fault):
    """A duration is one, a swing has its signal's unit and a step that of what it is a step of; none is a signal."""
    measure = parse_measure(text, Place("a.yaml", "measure", 3))
    (found,) = measure.faults(("x_v", "y_v", "y_s", "on"), {"cut_v": 4.0, "stop_s": 0.1})
    assert str(found).startswith(f"a.yaml:3:{fault}")


def test_a_signal_may_rise_along_one_of_another_unit():
    """A pulse in us over a lever's share has no fault: each is compared with its own kind alone."""
    measure = parse_measure("least_rise(x_us, lever_frac, step_frac, on)", Place("a.yaml", "measure", 3))
    assert measure.faults(("x_us", "lever_frac", "on"), {"step_frac": 0.1}) == []


@pytest.mark.parametrize("text", ["settling(go, x_v, 10, 0.5)", "overshoot(go, x_v, 10)", "latency(go, x_v > 5)"])
def test_a_response_without_its_event_is_never_tried(text):
    """What waits for an event has no value without one."""
    found = figure(text, recording(go=[1, 1], x_v=[0, 0]))
    assert (found.value, found.why) == (None, "never tried: go did not become true")


@pytest.mark.parametrize("text", ["settling(go, x_v, 10, 0.5)", "overshoot(go, x_v, 10)", "latency(go, x_v > 5)"])
def test_a_missing_sample_that_may_hide_an_event_is_told(text):
    """Where an event may have been and is not known, there is no figure."""
    found = figure(text, recording(go=[0, 1, 0, NAN], x_v=[0, 10, 10, 10]))
    assert (found.value, found.why) == (None, "it cannot be told whether go became true at 0.300 s")


def test_a_latency_across_a_missing_answer_is_unknown():
    """Where the answer may have come at a sample that is not known, its time is not known."""
    found = figure("latency(go, x_v > 5)", recording(go=[0, 1, 1, 1], x_v=[0, 0, NAN, 10]))
    assert (found.value, found.why) == (None, "the run does not tell when x_v > 5 came, after go at 0.100 s")


def test_an_infinite_value_is_no_crash():
    """A ratio that ran to infinity beside one that did is a figure that is not known, and no warning."""
    found = figure("settling(go, x_v / y_v, x_v / y_v, 1)", recording(go=[0, 1, 1], x_v=[1, 1, 1], y_v=[0, 0, 0]))
    assert found.value is None


@pytest.mark.parametrize("text", ["minimum(x_v)", "maximum(x_v)", "final(x_v)", "creep(x_v, go)"])
def test_nothing_known_is_no_value(text):
    """A signal without a single known sample has no figure."""
    assert figure(text, recording(go=[1, 1], x_v=[NAN, NAN])).value is None


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("minimun(bus_v)", "a.yaml:3:1: measure: expected one of creep, .* \\(did you mean minimum\\?\\)"),
        ("bus_v", "a.yaml:3:1: measure: expected one of creep, "),
        ("minimum()", r"a.yaml:3:1: measure: expected minimum\(x\); got 'minimum\(\)'"),
        ("time_above(bus_v)", r"a.yaml:3:1: measure: expected time_above\(x, level\)"),
        ("minimum(bus_v > 1)", "a.yaml:3:9: measure: expected a number, a name"),
        ("creep(bus_v, 1 + 1)", "a.yaml:3:14: measure: expected a condition"),
    ],
)
def test_what_is_no_measure_is_refused_at_its_column(text, fault):
    """A measure is one call of a known name with arguments of the right kind."""
    with pytest.raises(InputError, match=fault):
        parse_measure(text, Place("a.yaml", "measure", 3))


def test_unlike_units_are_refused():
    """A voltage has no time above a current."""
    measure = parse_measure("time_above(bus_v, pack_a)", Place("a.yaml", "measure", 3))
    assert [str(fault) for fault in measure.faults(("bus_v", "pack_a"), {})] == [
        "a.yaml:3:1: measure: expected like units; got V and A in time_above(bus_v, pack_a)"
    ]


def test_unknown_names_in_a_measure_are_faulted():
    """Names are checked in a measure's arguments as in formulas."""
    measure = parse_measure("minimum(bus_w)", Place("a.yaml", "measure", 3))
    assert [fault.got for fault in measure.faults(("bus_v",), {})] == ["'bus_w' (did you mean bus_v?)"]


def test_a_measures_condition_compares_states_by_whole_numbers():
    """== in a measure's condition is held to whole numbers as in formulas."""
    measure = parse_measure("creep(pack_a, bus_v == 48)", Place("a.yaml", "measure", 3))
    with pytest.raises(InputError, match="expected whole numbers around =="):
        take(measure, BUS, {})
