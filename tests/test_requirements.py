"""Requirements judged on recordings: outcome, margin, unit, moment, sentence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from sim.base.errors import InputError
from sim.record.table import Table
from sim.verdict.blame import gap, is_cut, limiting
from sim.verdict.entry import RequirementEntry
from sim.verdict.formula import parse
from sim.verdict.measures import MEASURES
from sim.verdict.place import Place
from sim.verdict.requirement import Verdict, judge
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import Compare, State
from sim.verdict.words import clock, number

NAN = float("nan")
LIMITS = {"esc_cut_v": 41.0, "stop_s": 0.15}


def recording(step_s: float = 0.1, **columns: list[float]) -> Table:
    """Columns sampled every `step_s`."""
    count = len(next(iter(columns.values())))
    arrays = {name: np.array(values, dtype=float) for name, values in columns.items()}
    return Table(t_us=np.arange(count, dtype=np.int64) * round(step_s * 1e6), columns=arrays)


def verdict(table: Table, **claim: str | float) -> Verdict:
    """The verdict on one claim, written as in a file."""
    return judge(RequirementEntry(id="r", says="It must.", **claim).requirement("a.yaml"), table, LIMITS)


SAG = recording(bus_v=[48, 46, 41.2, 44, 47], pack_a=[5, 30, 60, 40, 10])


def test_a_failed_bound_says_how_far_when_and_under_what():
    """A bus that falls under its bound fails by the shortfall in volts, at the lowest moment, in one sentence."""
    found = verdict(SAG, formula="always(bus_v >= esc_cut_v + 1.0)")
    assert found == Verdict(
        id="r",
        verdict="fail",
        margin=pytest.approx(-0.8),
        unit="V",
        at_s=0.2,
        why="bus_v fell to 41.2 V at 0.200 s, 0.8 V under esc_cut_v + 1.0 = 42 V",
    )


def test_a_passed_bound_says_how_close_it_came():
    """A bound that holds passes by its least distance, at the nearest moment."""
    found = verdict(SAG, formula="always(bus_v >= 40)")
    assert (found.verdict, found.margin, found.at_s) == ("pass", pytest.approx(1.2), 0.2)
    assert found.why == "bus_v fell to 41.2 V at 0.200 s, 1.2 V over 40 V"


@pytest.mark.parametrize("text", ["always(50 >= pack_a)", "never(pack_a > 50)", "not eventually(pack_a > 50)"])
def test_the_same_bound_written_otherwise_is_the_same(text):
    """Swapped sides and negations change neither the margin nor the sentence."""
    found = verdict(SAG, formula=text)
    assert (found.verdict, found.margin, found.unit) == ("fail", pytest.approx(-10), "A")
    assert found.why == "pack_a rose to 60 A at 0.200 s, 10 A over 50 A"


def test_a_worked_out_quantity_shows_its_signals():
    """The margin of a product is in the product's unit, and the sentence gives the signals at that moment."""
    found = verdict(SAG, formula="always(bus_v * pack_a <= 2500)")
    assert (found.margin, found.unit) == (pytest.approx(28), "W")
    assert found.why == "bus_v * pack_a rose to 2472 W at 0.200 s (bus_v 41.2, pack_a 60), 28 W under 2500 W"


def test_a_tie_at_an_open_bound_fails_with_nothing_to_spare():
    """bus_v > 41.2 is false at 41.2, by nothing."""
    found = verdict(SAG, formula="always(bus_v > 41.2)")
    assert (found.verdict, found.margin) == ("fail", 0.0)
    assert found.why == "bus_v fell to 41.2 V at 0.200 s, right on 41.2 V"


def test_a_tie_at_a_closed_bound_passes_with_nothing_to_spare():
    """bus_v >= 41.2 is true at 41.2, by nothing."""
    found = verdict(SAG, formula="always(bus_v >= 41.2)")
    assert (found.verdict, found.margin) == ("pass", 0.0)


def test_of_two_bounds_the_margin_is_the_nearer_ones():
    """With like units or not, the margin reported is that of the comparison that decides, in its own unit."""
    found = verdict(SAG, formula="always(bus_v >= 40 and pack_a <= 60.5)")
    assert (found.verdict, found.margin, found.unit) == ("pass", 0.5, "A")


def test_a_state_never_hides_a_physical_margin():
    """While the state is off the bound does not count; while it is on the margin is the bound's own."""
    table = recording(bus_v=[10, 46, 43, 10], armed=[0, 1, 1, 0])
    found = verdict(table, formula="always(implies(armed, bus_v >= 42))")
    assert (found.verdict, found.margin, found.unit, found.at_s) == ("pass", 1.0, "V", 0.2)


@pytest.mark.parametrize(
    ("occasion", "margin", "unit"), [("lever_frac > 0.1", 0.05, "1"), ("state(lever_frac > 0.1)", 5.0, "V")]
)
def test_state_takes_the_margin_off_a_condition(occasion, margin, unit):
    """An occasion told by a quantity lends its own distance to the margin unless state(...) makes it a yes or no."""
    table = recording(bus_v=[30, 47], lever_frac=[0.05, 0.5])
    found = verdict(table, formula=f"always(implies({occasion}, bus_v >= 42))")
    assert (found.margin, found.unit) == (pytest.approx(margin), unit)


def test_states_alone_pass_without_a_margin():
    """Where only states decide there is no distance and no worst moment."""
    found = verdict(recording(mode=[1, 2, 2]), formula="never(mode == 3)")
    assert (found.verdict, found.margin, found.at_s) == ("pass", None, None)
    assert found.why == "every state was as required"


def test_a_bare_state_fails_by_what_it_was():
    """A state written by its bare name has no threshold to speak of."""
    found = verdict(recording(armed=[1, 1, 0]), formula="always(armed)")
    assert (found.verdict, found.margin, found.why) == ("fail", None, "armed was 0 at 0.200 s")


def test_a_state_that_is_another_says_which_was_wanted():
    """A state that had to be one and was another is told with both."""
    found = verdict(recording(mode=[2, 2, 3]), formula="always(mode == 2)")
    assert found.why == "mode was 3 at 0.200 s, not 2"


def test_a_quantity_that_stands_still_neither_rose_nor_fell():
    """A signal that did not move was what it was."""
    found = verdict(recording(bus_v=[48, 48]), formula="always(bus_v >= 40)")
    assert found.why == "bus_v was 48 V at 0.000 s, 8 V over 40 V"


def test_until_is_limited_by_its_best_arrival():
    """The margin of an until is at the arrival that leaves most, not at the highest one."""
    table = recording(x_v=[5, 5, -3, 5], y_v=[0, 2, 0, 9])
    found = verdict(table, formula="until(x_v >= 0, y_v >= 0)")
    assert (found.verdict, found.margin, found.at_s) == ("pass", 2.0, 0.1)


def test_until_can_be_limited_by_the_way():
    """Where the way there is the narrowest, the margin and the moment are the way's."""
    table = recording(x_v=[5, 1.5, 3, 5], mode=[0, 0, 0, 1])
    found = verdict(table, formula="until(x_v >= 1, mode == 1)")
    assert (found.verdict, found.margin, found.at_s) == ("pass", 0.5, 0.1)


def test_an_until_broken_before_the_run_ends_fails_at_the_break():
    """A way that broke before its end was reached fails, though the window runs on."""
    table = recording(x_v=[5, -2, 3], mode=[0, 0, 0])
    found = verdict(table, formula="until(x_v >= 0, mode == 1, 5)")
    assert (found.verdict, found.margin, found.at_s) == ("fail", -2.0, 0.1)


@pytest.mark.parametrize(
    ("x_v", "y_v", "missing"), [([1, 1, NAN, 1], [0, 0, 0, 0], "x_v"), ([1, 1, 1, 1], [0, 0, NAN, 0], "y_v")]
)
def test_a_missing_sample_inside_an_until_is_found(x_v, y_v, missing):
    """The sample an until hangs on is named, on the way or at the arrival."""
    table = recording(go=[0, 1, 1, 1], x_v=x_v, y_v=y_v, end=[0, 0, 0, 1])
    found = verdict(table, formula="always(implies(rising(go), until(x_v > 0, y_v > 2 or end)))")
    expected = "undecided" if missing == "x_v" else "pass"
    assert found.verdict == expected
    assert (f"{missing} has no value at 0.200 s" in found.why) == (expected == "undecided")


def test_the_arrival_an_until_hangs_on_may_be_the_missing_sample():
    """An until that would come true only at a sample that is not known is undecided there."""
    table = recording(go=[0, 1, 1, 1], x_v=[1, 1, 1, 1], y_v=[0, 0, NAN, 0])
    found = verdict(table, formula="always(implies(rising(go), until(x_v > 0, y_v > 2)))")
    assert (found.verdict, found.why) == ("undecided", "y_v has no value at 0.200 s")


def test_a_cut_window_is_not_decided_by_a_small_distance():
    """A quantity inside its bound by less than one unit so far is as undecided as any."""
    found = verdict(recording(bus_v=[41.2, 41.3]), formula="held(0.5, bus_v >= 41)")
    assert found.verdict == "undecided"


def test_a_wrong_state_fails_at_its_first_moment():
    """A forbidden state is named with the moment it was entered."""
    found = verdict(recording(mode=[1, 3, 3]), formula="never(mode == 3)")
    assert (found.verdict, found.margin, found.at_s) == ("fail", None, 0.1)
    assert found.why == "mode was 3 at 0.100 s"


def test_a_state_that_must_come_says_when_it_came():
    """eventually is shown by the moment it came true."""
    found = verdict(recording(mode=[1, 3, 2, 2]), formula="eventually(mode == 2)")
    assert (found.verdict, found.at_s, found.why) == ("pass", 0.2, "mode was 2 at 0.200 s")


def test_a_quantity_compared_as_a_state_is_refused():
    """== on values that are not whole would be true or false by chance."""
    with pytest.raises(
        InputError, match=r"a.yaml: formula, column 8: expected whole numbers around ==.*; got bus_v = 41.2"
    ):
        verdict(SAG, formula="always(bus_v == 48)")


def test_a_missed_answer_names_the_window_and_its_start():
    """A window that stayed empty is named with the moment it was asked at."""
    table = recording(deadman=[1, 1, 0, 0, 0, 0], pack_a=[40, 40, 30, 20, 15, 1])
    found = verdict(table, formula="always(implies(falling(deadman), within(0.2, pack_a <= 5)))")
    assert (found.verdict, found.margin, found.unit, found.at_s, found.tried) == ("fail", -10, "A", 0.4, 1)
    assert found.why == (
        "pack_a fell to 15 A at 0.400 s, 10 A over 5 A (in within(0.2, pack_a <= 5) asked at 0.200 s); tried once"
    )


def test_a_window_the_run_cuts_short_is_undecided():
    """An answer that may still come after the run is neither passed nor failed."""
    table = recording(deadman=[1, 1, 1, 0], drive=[1, 1, 1, 1])
    found = verdict(table, formula="always(implies(falling(deadman), within(0.2, drive == 0)))")
    assert (found.verdict, found.margin, found.at_s) == ("undecided", None, pytest.approx(0.3))
    assert found.why == "the run ends at 0.300 s, inside within(0.2, drive == 0) asked at 0.300 s"


def test_a_cut_window_already_met_is_decided():
    """An answer that came before the run ended passes, though its window runs on."""
    table = recording(deadman=[1, 1, 0, 0], drive=[1, 1, 1, 0])
    found = verdict(table, formula="always(implies(falling(deadman), within(0.5, drive == 0)))")
    assert found.verdict == "pass"


def test_a_cut_window_already_spoiled_is_decided():
    """A state that had to be held and was not fails, though its window runs on."""
    table = recording(mode=[1, 2, 2, 1])
    found = verdict(table, formula="always(implies(rising(mode == 2), held(5, mode == 2)))")
    assert (found.verdict, found.at_s) == ("fail", pytest.approx(0.3))


def test_a_missing_sample_leaves_undecided_what_hangs_on_it():
    """A sample that is not known is named with its moment."""
    found = verdict(recording(bus_v=[48, np.nan, 47]), formula="always(bus_v >= 40)")
    assert (found.verdict, found.why) == ("undecided", "bus_v has no value at 0.100 s")


def test_a_missing_sample_leaves_decided_what_does_not_hang_on_it():
    """A bound broken elsewhere is broken whatever the missing sample was."""
    assert verdict(recording(bus_v=[48, np.nan, 37]), formula="always(bus_v >= 40)").verdict == "fail"


def test_an_implication_never_tried_is_undecided():
    """What was never tried is no evidence: an idle implication does not pass."""
    found = verdict(recording(deadman=[1, 1], drive=[1, 1]), formula="always(implies(not deadman, drive == 0))")
    assert (found.verdict, found.tried) == ("undecided", 0)
    assert found.why == "never tried: not deadman was not once true"


def test_a_prohibition_passes_idle():
    """never(a and b) is no duty that waits for an occasion, and passes where a never came."""
    found = verdict(recording(deadman=[1, 1], drive=[1, 1]), formula="never(not deadman and drive == 1)")
    assert (found.verdict, found.tried) == ("pass", None)


def test_an_implication_tells_how_often_it_was_tried():
    """Separate stretches of the occasion are counted, the one at the start included."""
    table = recording(deadman=[0, 0, 1, 0, 1, 0], drive=[0, 0, 1, 0, 1, 0])
    found = verdict(table, formula="always(implies(not deadman, drive == 0))")
    assert (found.verdict, found.tried) == ("pass", 3)
    assert found.why == "every state was as required; tried 3 times"


def test_a_formula_that_speaks_of_the_first_sample_only_is_refused():
    """A bare comparison would be judged at the first sample alone; the fault says what to write."""
    with pytest.raises(InputError, match=r"a.yaml: formula, column 1: expected always\(...\), never"):
        verdict(SAG, formula="bus_v >= 40")


def test_an_empty_recording_is_refused():
    """There is no verdict on nothing."""
    with pytest.raises(InputError, match="at least one sample"):
        verdict(recording(bus_v=[]), formula="always(bus_v >= 40)")


def test_an_uneven_recording_is_refused():
    """Windows count samples, so that ticks must be of one length."""
    table = Table(t_us=np.array([0, 1, 3]), columns={"bus_v": np.zeros(3)})
    with pytest.raises(InputError, match="uniform ticks"):
        verdict(table, formula="always(bus_v >= 40)")


@pytest.mark.parametrize(("held", "outcome"), [(0, "pass"), (0.1, "undecided")])
def test_one_sample_can_be_judged(held, outcome):
    """A run of one sample decides what needs no more than it."""
    assert verdict(recording(mode=[0]), formula=f"held({held}, mode == 0)").verdict == outcome


# Latency.


def latency(deadman: list[float], drive: list[float], step_s: float = 0.05, **more: str | float) -> Verdict:
    """The verdict on drive gone within 0.15 s of the dead-man's release."""
    table = recording(step_s, deadman=deadman, drive=drive)
    return verdict(table, **({"after": "not deadman", "expect": "drive == 0", "within_s": "stop_s"} | more))


def test_a_latency_passes_by_the_time_to_spare_at_its_slowest():
    """Of several events the slowest answer counts."""
    found = latency([1, 0, 0, 1, 0, 0, 0, 1], [1, 1, 0, 1, 1, 1, 0, 0])
    assert found == Verdict(
        id="r",
        verdict="pass",
        margin=pytest.approx(0.05),
        unit="s",
        at_s=0.2,
        why="drive == 0 came 0.1 s after not deadman at 0.200 s, 0.15 s allowed; tried twice",
        tried=2,
    )


def test_an_answer_at_the_events_own_sample_takes_no_time():
    """The first sample that counts is the event's own."""
    assert latency([1, 0, 0], [1, 0, 0]).margin == 0.15


def test_an_answer_on_the_last_allowed_sample_is_in_time():
    """The far end of the time allowed counts."""
    found = latency([1, 0, 0, 0, 0], [1, 1, 1, 1, 0])
    assert (found.verdict, found.margin) == ("pass", 0.0)


def test_an_answer_one_sample_later_is_late():
    """The next sample is too late, by one tick."""
    found = latency([1, 0, 0, 0, 0, 0], [1, 1, 1, 1, 1, 0])
    assert (found.verdict, found.margin) == ("fail", pytest.approx(-0.05))
    assert found.why == "drive == 0 came 0.2 s after not deadman at 0.050 s, 0.15 s allowed; tried once"


def test_an_answer_that_never_came_fails_by_at_least_what_was_seen():
    """Where the run outlasts the time allowed, no answer is a failure; its soonest would be one tick after the run."""
    found = latency([1, 0, 0, 0, 0, 0], [1, 1, 1, 1, 1, 1])
    assert (found.verdict, found.margin) == ("fail", pytest.approx(-0.1))
    assert found.why.startswith("drive == 0 had not come by the end of the run, 0.2 s after not deadman at 0.050 s")


def test_an_event_too_near_the_end_is_undecided():
    """A run that ends inside the time allowed decides nothing unless the answer came."""
    found = latency([1, 1, 0, 0], [1, 1, 1, 1])
    assert (found.verdict, found.margin, found.unit, found.tried) == ("undecided", None, "s", 1)
    assert found.why == (
        "after not deadman at 0.100 s: the run ends at 0.150 s, inside within(stop_s, drive == 0) asked at 0.100 s"
    )


def test_a_late_answer_outweighs_an_open_one():
    """One event answered too late fails, whatever a later event would have brought."""
    assert latency([1, 0, 0, 0, 0, 0, 1, 0], [1, 1, 1, 1, 1, 0, 1, 1]).verdict == "fail"


def test_an_event_that_never_came_is_never_tried():
    """A requirement without its occasion has no evidence for it."""
    found = latency([1, 1, 1], [1, 1, 1])
    assert (found.verdict, found.tried, found.why) == (
        "undecided",
        0,
        "never tried: not deadman did not become true",
    )


def test_what_is_true_from_the_start_is_no_event():
    """Only becoming true counts as an event."""
    found = latency([0, 0, 0], [0, 0, 0])
    assert found.why == "never tried: not deadman was true from the start, which is no event"


def test_an_answer_may_be_a_quantity():
    """How far a quantity answers does not matter to a latency, only when."""
    found = latency([1, 0, 0, 0], [40, 40, 4.5, 4.5], expect="drive <= 5")
    assert (found.verdict, found.margin) == ("pass", pytest.approx(0.1))


def test_an_answer_must_be_held():
    """With hold_s an answer that drops again is not yet the answer."""
    found = latency([1, 0, 0, 0, 0, 0], [1, 0, 1, 0, 0, 0], hold_s=0.1)
    assert (found.verdict, found.margin) == ("pass", pytest.approx(0.05))
    assert found.why.startswith("drive == 0 (held for 0.1 s) came 0.1 s after")


def test_a_hold_the_run_cuts_short_is_undecided():
    """An answer in time that may yet drop is not decided."""
    found = latency([1, 0, 0, 0], [1, 1, 0, 0], hold_s=0.2)
    assert found.verdict == "undecided"
    assert "the run ends at 0.150 s" in found.why


def test_a_hold_the_run_cuts_short_is_undecided_however_near():
    """An answer being held by a small distance when the run ends is undecided too."""
    table = recording(go=[0, 1, 1], bus_v=[40, 41.2, 41.2])
    assert verdict(table, after="go", expect="bus_v >= 41", within_s=0, hold_s=1).verdict == "undecided"


def test_of_several_late_answers_the_latest_counts():
    """The margin of a failed latency is that of its worst event."""
    found = latency([1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0], [1, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 0])
    assert (found.margin, found.at_s, found.tried) == (pytest.approx(-0.1), pytest.approx(0.05), 2)


def test_a_missing_sample_can_hide_an_event():
    """A dead-man not known for a sample may have been released there."""
    found = latency([1, np.nan, 1, 1, 1, 1], [1, 1, 1, 1, 1, 1])
    assert (found.verdict, found.why) == (
        "undecided",
        "after not deadman at 0.050 s: deadman has no value at 0.050 s",
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (41.2, "41.2"),
        (41.23456, "41.23"),
        (12345.6, "12346"),
        (-0.05, "-0.05"),
        (0.0001, "0.0001"),
        (0.00001, "1e-05"),
        (2e9, "2e+09"),
        (float("inf"), "inf"),
    ],
)
def test_numbers_are_said_to_four_digits(value, text):
    """Sentences keep four significant digits and every whole one, and no trailing zeros."""
    assert number(value) == text


def test_a_moment_between_milliseconds_is_said_to_the_microsecond():
    """Moments are said to the millisecond where that is exact."""
    assert (clock(1.25), clock(1.250125)) == ("1.250 s", "1.250125 s")


BITS = st.lists(
    st.tuples(st.sampled_from([0.0, 1.0, np.nan]), st.sampled_from([0.0, 1.0, np.nan])), min_size=1, max_size=12
)


@settings(max_examples=300, deadline=None)
@given(BITS, st.integers(0, 4), st.integers(0, 3))
def test_a_latency_is_the_formula_it_stands_for(rows, within, hold):
    """The outcome is that of always(implies(rising(after), within(T, held(H, expect)))), tried or not."""
    deadman, drive = (list(column) for column in zip(*rows, strict=True))
    # An edge at a first sample that is not known is none for a latency, but open for the formula's bounds.
    deadman[0] = np.nan_to_num(deadman[0])
    found = latency(deadman, drive, step_s=1.0, within_s=within, hold_s=hold)
    table = recording(1.0, deadman=deadman, drive=drive)
    text = f"always(implies(rising(not deadman), within({within}, held({hold}, drive == 0))))"
    assert found.verdict == verdict(table, formula=text).verdict


# The way down from a margin to its comparison.


WORDS = ["always({a})", "never({a})", "eventually({a})", "within({n}, {a})", "held({n}, {a})", "once({n}, {a})"]
WORDS += ["throughout({n}, {a})", "rising({a})", "falling({a})", "not ({a})", "({a}) and ({b})", "({a}) or ({b})"]
WORDS += ["implies({a}, {b})", "until({a}, {b})", "until({a}, {b}, {n})", "state({a})"]
ATOMS = st.sampled_from(["x > 1", "x <= 0", "y >= 2", "y < 1", "x + y > 0", "m == 1"])
FORMULAS = st.recursive(
    ATOMS,
    lambda inner: st.builds(
        lambda word, a, b, n: word.format(a=a, b=b, n=n), st.sampled_from(WORDS), inner, inner, st.integers(0, 5)
    ),
    max_leaves=6,
)
NUMBERS = st.sampled_from([-2.0, -1.0, 0.0, 1.0, 2.0, 3.0, np.nan])
ROWS = st.lists(st.tuples(NUMBERS, NUMBERS, st.sampled_from([0.0, 1.0])), min_size=1, max_size=8)


@settings(max_examples=500, deadline=None)
@given(FORMULAS, ROWS)
def test_every_margin_is_found_again_at_one_comparison(text, rows):
    """Going down by the choices ends at a comparison whose own margin is, but for its sign, that of the whole."""
    x, y, m = (list(column) for column in zip(*rows, strict=True))
    run, root = Evaluation(recording(1.0, x=x, y=y, m=m), {}), parse(text).root
    lower, upper = (bound[0] for bound in run.bounds(root))
    if lower <= 0 <= upper:
        step = gap(run, root, 0)
        missing = isinstance(step.node, Compare) and np.isinf(run.bounds(step.node).upper[step.sample])
        assert missing or is_cut(run, step.node, step.sample)
        return
    blame = limiting(run, root, 0, "lower" if lower > 0 else "upper")
    own = run.bounds(blame.atom)
    assert own.lower[blame.index] == own.upper[blame.index]
    if not any(isinstance(step.node, State) for step in blame.path):
        assert abs(own.lower[blame.index]) == abs(lower if lower > 0 else upper)


# Requirements as written in files.


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({}, "exactly one of formula, after, measure"),
        ({"formula": "always(mode == 1)", "measure": "minimum(bus_v)"}, "exactly one of formula, after, measure"),
        ({"after": "mode == 1", "expect": "mode == 2"}, "expected within_s beside after"),
        ({"formula": "always(mode == 1)", "within_s": 1}, "expected no within_s beside formula"),
        ({"measure": "minimum(bus_v)"}, "expected at_least or at_most beside measure"),
        ({"formula": "always(mode == 1)", "formulas": "x"}, "Extra inputs are not permitted"),
        ({"measure": "minimum(bus_v)", "at_least": True}, "at_least"),
        ({"formula": 1}, "Input should be a valid string"),
    ],
)
def test_an_entry_has_exactly_one_form(keys, message):
    """Keys that do not make one of the three forms are refused."""
    with pytest.raises(ValidationError, match=message):
        RequirementEntry(id="r", says="It must.", **keys)


def test_an_id_is_a_plain_word():
    """An id can stand in a table, a file name and a command."""
    with pytest.raises(ValidationError, match="pattern"):
        RequirementEntry(id="Bus low!", says="It must.", formula="always(mode == 1)")


def test_all_texts_of_an_entry_are_faulted_at_once_at_their_places():
    """Each text's fault stands at the line and column the file has it."""
    entry = RequirementEntry(id="r", says="It must.", after="mode = 1", expect="mode === 2", within_s=".nan")
    places = {"after": Place("a.yaml", "after", 4, 10), "expect": Place("a.yaml", "expect", 5, 11)}
    with pytest.raises(InputError) as caught:
        entry.requirement("a.yaml", places)
    assert [(fault.line, fault.key) for fault in caught.value.faults] == [
        (4, "after"),
        (5, "expect"),
        (None, "within_s, column 1"),
    ]


@pytest.mark.parametrize("bound", [float("nan"), float("inf"), "bus_v", "wide_v"])
def test_a_bound_is_a_finite_number_or_a_limit(bound):
    """Not-a-number, infinity, a signal and an unknown name are no bounds."""
    with pytest.raises(InputError, match=r"at_least, column 1: expected a named limit"):
        verdict(SAG, measure="minimum(bus_v)", at_least=bound)


def test_a_measure_is_held_to_its_bounds():
    """The margin of a measure is its distance to the nearer bound."""
    found = verdict(SAG, measure="minimum(bus_v)", at_least="esc_cut_v + 1", at_most=50)
    assert (found.verdict, found.margin, found.unit, found.at_s) == ("fail", pytest.approx(-0.8), "V", 0.2)
    assert found.why == "bus_v was lowest, 41.2 V, at 0.200 s; at least 42 V required"


def test_a_measure_on_its_bound_passes():
    """Standing on a bound is inside."""
    assert verdict(SAG, measure="maximum(pack_a)", at_most=60).verdict == "pass"


def test_a_measure_without_a_value_is_undecided():
    """A figure that could not be taken passes nothing."""
    found = verdict(SAG, measure="latency(pack_a > 100, bus_v < 45)", at_most=1)
    assert (found.verdict, found.margin) == ("undecided", None)
    assert found.why == "never tried: pack_a > 100 did not become true"


def test_a_bound_must_be_of_the_measures_unit():
    """Volts are not bounded by seconds."""
    with pytest.raises(InputError, match=r"at_least, column 1: expected a bound in V; got stop_s in s"):
        verdict(SAG, measure="minimum(bus_v)", at_least="stop_s")


# The document.

DOCUMENT = (Path(__file__).parents[1] / "docs" / "requirements.md").read_text(encoding="utf-8")
DOCUMENTED = yaml.safe_load(DOCUMENT.split("```yaml")[1].split("```")[0])["requirements"]


@pytest.mark.parametrize("entry", DOCUMENTED, ids=lambda entry: entry["id"])
def test_the_documents_entries_are_requirements(entry):
    """Every entry shown in docs/requirements.md can be judged."""
    table = recording(
        bus_v=[48, 47], pack_a=[5, 6], deadman=[1, 0], left_pulse_us=[1600, 1500], right_pulse_us=[1600, 1500]
    )
    requirement = RequirementEntry(**entry).requirement("requirements.md")
    assert judge(requirement, table, {"esc_cut_v": 41.0, "trip_a": 80.0}).verdict in ("pass", "undecided")


@pytest.mark.parametrize(
    "text", [line.strip() for line in DOCUMENT.split("```")[2].splitlines() if line.startswith("    ")]
)
def test_the_documents_formulas_are_formulas(text):
    """Every formula shown on a line of its own in docs/requirements.md can be read."""
    assert parse(text).text == text


def test_the_document_names_every_measure():
    """The table of measures is complete."""
    assert [name for name in MEASURES if f"`{name}(" not in DOCUMENT] == []
