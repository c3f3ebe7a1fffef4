"""The grades that lead a search: their sign against the definition of the language, and what they tell beyond it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from test_stl_oracle import OWN, OWN_TRACES, naive, recording, truth

from sim.jobs.search.graded import FLOOR, Graded
from sim.jobs.search.near import horizon_s, near, scales_of, share
from sim.verdict.entry import RequirementEntry
from sim.verdict.formula import parse
from sim.verdict.requirement import Requirement, judged
from sim.verdict.robustness import End, Evaluation
from sim.verdict.tree import Compare, walk


def grades(text: str, scale: float = 1.0, **columns: list[float]) -> np.ndarray:
    """The grade of a formula at each sample, every comparison on one scale."""
    root = parse(text).root
    run = Evaluation(recording(columns), {})
    return Graded(run, {node: scale for node in walk(root) if isinstance(node, Compare)}).of(root)


def requirement(**claim: object) -> Requirement:
    return RequirementEntry.model_validate({"id": "r", "says": "It is so.", **claim}).requirement("")


def cost(entry: Requirement, rest: dict[str, list[float]], **columns: list[float]) -> float:
    """The cost of a recording, its scales from a recording at rest."""
    run = Evaluation(recording(columns), {})
    scales = scales_of([entry], Evaluation(recording(rest), {}))
    return near(entry, run, Graded(run, scales.comparisons), scales).cost


@settings(max_examples=300, deadline=None)
@given(OWN, OWN_TRACES)
def test_the_sign_of_a_grade_is_the_truth(text, trace):
    """A grade is above 0 exactly where the formula is true by its definition, looked up sample by sample in Python."""
    root, run = parse(text).root, Evaluation(recording(trace), {}, End.CLIPPED)
    assert np.sign(Graded(run, {}).of(root)).tolist() == [
        np.sign(naive(root, run, at, truth)) for at in range(run.count)
    ]


@settings(max_examples=200, deadline=None)
@given(OWN, OWN_TRACES)
def test_grades_stay_within_one(text, trace):
    """Whatever the units and windows, a grade lies from -1 to 1."""
    run = Evaluation(recording(trace), {})
    assert np.all(np.abs(Graded(run, {}).of(parse(text).root)) <= 1.0)


def test_a_comparison_is_the_floor_and_its_share_of_the_scale():
    """x = s beyond the threshold, s the scale, is the floor and half of the rest: x / (1 + x) at 1."""
    assert grades("x >= 2", 4.0, x=[2.0, 6.0, -2.0]) == pytest.approx(
        [FLOOR, FLOOR + (1 - FLOOR) / 2, -FLOOR - (1 - FLOOR) / 2]
    )


def test_a_state_has_a_distance():
    """A mode that is three numbers off is further than one that is one off; verdicts tell them not apart."""
    far, near_by = grades("m == 4", m=[1.0, 3.0])
    assert far < near_by < 0.0


def test_each_part_that_comes_true_counts():
    """Of three conditions at once, two missing are further than one, though the worst lacks the same in both."""
    both = "m == 1 and x > 0 and y > 0"
    (none,), (one,), (two,) = (
        grades(both, m=[2.0], x=[-1.0], y=[-1.0]),
        grades(both, m=[2.0], x=[-1.0], y=[1.0]),
        grades(both, m=[2.0], x=[1.0], y=[1.0]),
    )
    assert none < one < two < 0.0


def test_an_occasion_that_half_arose_is_nearer():
    """Of two recordings on which an implication was never tried, the one whose occasion came nearer is nearer."""
    entry = requirement(formula="always(implies(state(x > 4), state(m == 1)))")
    rest = {"x": [0.0, 0.0], "m": [1.0, 1.0]}
    assert cost(entry, rest, x=[0.0, 3.0], m=[1.0, 1.0]) < cost(entry, rest, x=[0.0, 1.0], m=[1.0, 1.0])


@pytest.mark.parametrize(
    "claim",
    [
        {"formula": "always(implies(state(x > 4), y >= 1))"},
        {"after": "x > 4", "expect": "y >= 1", "within_s": 3},
        {"measure": "creep(y, x > 4)", "at_most": 5},
    ],
)
def test_what_is_tried_is_nearer_than_what_is_not(claim):
    """In each form of requirement a run that tried it and passed comes nearer than one that never did."""
    entry = requirement(**claim)
    rest = {"x": [0.0] * 6, "y": [3.0] * 6}
    assert cost(entry, rest, x=[0.0, 5.0, 5.0, 0, 0, 0], y=[3.0] * 6) < cost(entry, rest, x=[3.9] * 6, y=[3.0] * 6)


@pytest.mark.parametrize(
    ("claim", "low", "lower"),
    [
        ({"formula": "always(y >= 1)"}, [3.0, 2.0], [3.0, 1.1]),
        ({"measure": "minimum(y)", "at_least": 1}, [3.0, 2.0], [3.0, 1.1]),
        ({"after": "y < 3", "expect": "y >= 3", "within_s": 4}, [3, 1, 3, 3, 3, 3], [3, 1, 1, 1, 3, 3]),
    ],
)
def test_the_cost_falls_with_the_margin(claim, low, lower):
    """In each form of requirement less margin is less cost, and a broken one is below 0."""
    entry = requirement(**claim)
    rest = {"y": [3.0] * 6}
    assert 0.0 < cost(entry, rest, y=lower) < cost(entry, rest, y=low)
    assert cost(entry, rest, y=[3.0, -9.0, -9, -9, -9, -9, -9]) < 0.0


def test_a_window_that_the_end_cuts_is_no_way_to_break_it():
    """A run that ends before an answer is due is further than one in which the answer was late, and so was tried."""
    entry = requirement(formula="always(implies(state(x > 4), within(3, y >= 1)))")
    rest = {"x": [0.0] * 6, "y": [3.0] * 6}
    cut = cost(entry, rest, x=[0, 0, 0, 0, 0, 5.0], y=[0.0] * 6)
    answered = cost(entry, rest, x=[0, 5.0, 0, 0, 0, 0], y=[0, 0, 0, 0, 3.0, 3.0])
    assert 0.0 < answered < cut


@pytest.mark.parametrize(
    ("claim", "rest", "expected"),
    [
        # At rest 8 V over 42; 2 V are left.
        ({"formula": "always(bus_v >= 42)"}, 50.0, 0.25),
        # At rest right on it: the size of the threshold.
        ({"formula": "always(bus_v >= 40)"}, 40.0, 0.1),
        ({"measure": "minimum(bus_v)", "at_least": 42}, 50.0, 0.25),
        # No room at rest: the size of the bound.
        ({"measure": "minimum(bus_v)", "at_least": 40}, 40.0, 0.1),
        # A second of the four that are allowed was taken.
        ({"after": "bus_v < 45", "expect": "bus_v >= 45", "within_s": 4}, 50.0, 0.75),
    ],
)
def test_a_share_is_of_the_room_at_rest_or_of_what_is_allowed(claim, rest, expected):
    """The share left of a margin is the plain ratio, worked out by hand."""
    entry = requirement(**claim)
    run = Evaluation(recording({"bus_v": [50.0, 44.0, 50.0, 50, 50, 50, 50, 50]}), {})
    scales = scales_of([entry], Evaluation(recording({"bus_v": [rest]}), {}))
    assert share(entry, judged(entry, run), run, scales) == pytest.approx(expected)


def test_states_have_no_share():
    """A requirement on states alone has no margin, hence no share of one."""
    entry = requirement(formula="never(m == 2)")
    run = Evaluation(recording({"m": [1.0, 1.0]}), {})
    assert share(entry, judged(entry, run), run, scales_of([entry], run)) is None


@pytest.mark.parametrize(
    ("claim", "seconds"),
    [
        ({"formula": "always(x > 0)"}, 0.0),
        ({"formula": "always(implies(once(2, x > 0), held(3, within(T_s, y > 0))))"}, 3.5),
        ({"after": "throughout(1, x > 0)", "expect": "once(0.5, y > 0)", "within_s": 2, "hold_s": 1}, 4.5),
        ({"measure": "rise(x, 0.1, y > 0)", "at_most": 1}, 0.1),
        ({"measure": "turns(x, 1, 10, once(T_s, y > 0))", "at_most": 1}, 10.5),
        ({"measure": "maximum(x)", "at_most": 1}, 0.0),
    ],
)
def test_how_far_a_requirement_looks(claim, seconds):
    """Windows inside each other add up, those beside each other do not: counted by hand."""
    assert horizon_s(requirement(**claim), {"T_s": 0.5}) == pytest.approx(seconds)
