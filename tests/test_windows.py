"""Sliding windows against evaluators that look at every window on its own."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.verdict import windows

VALUES = st.lists(st.integers(-5, 5).map(float), min_size=1, max_size=40).map(np.array)
REACH = st.integers(0, 60)


def naive_until(left: np.ndarray, right: np.ndarray, beyond: float) -> list[float]:
    """The definition: the best arrival, each as good as the worst of `left` on the way and `right` there."""
    outcome = []
    for start in range(len(left)):
        arrivals = [
            min([right[stop] if stop < len(left) else beyond, *left[start:stop]])
            for stop in range(start, len(left) + 1)
        ]
        outcome.append(max(arrivals))
    return outcome


@given(VALUES, REACH, st.sampled_from([-np.inf, np.inf, 0.0]))
def test_sliding_min_is_the_least_of_each_window(values, reach, beyond):
    """The sliding least is that of each window taken on its own, whatever stands beyond the end."""
    padded = np.concatenate((values, np.full(reach, beyond)))
    expected = [padded[i : i + reach + 1].min() for i in range(len(values))]
    assert windows.sliding_min(values, reach, beyond).tolist() == expected


@given(VALUES, REACH, st.sampled_from([-np.inf, np.inf, 0.0]))
def test_sliding_max_is_the_greatest_of_each_window(values, reach, beyond):
    """The sliding greatest is that of each window taken on its own, whatever stands beyond the end."""
    padded = np.concatenate((values, np.full(reach, beyond)))
    expected = [padded[i : i + reach + 1].max() for i in range(len(values))]
    assert windows.sliding_max(values, reach, beyond).tolist() == expected


@given(VALUES, REACH)
def test_sliding_min_behind_sees_what_there_is(values, reach):
    """A window into the past is clipped at the first sample."""
    expected = [values[max(i - reach, 0) : i + 1].min() for i in range(len(values))]
    assert windows.sliding_min_behind(values, reach).tolist() == expected


@given(VALUES, REACH)
def test_sliding_max_behind_sees_what_there_is(values, reach):
    """A window into the past is clipped at the first sample, for the greatest too."""
    expected = [values[max(i - reach, 0) : i + 1].max() for i in range(len(values))]
    assert windows.sliding_max_behind(values, reach).tolist() == expected


@given(VALUES)
def test_rest_is_the_window_to_the_end(values):
    """The least and greatest of the rest are those of every sample from each on."""
    assert windows.rest_min(values).tolist() == [values[i:].min() for i in range(len(values))]
    assert windows.rest_max(values).tolist() == [values[i:].max() for i in range(len(values))]


@given(st.data(), st.sampled_from([-np.inf, np.inf]))
def test_until_is_the_best_arrival(data, beyond):
    """Folding clamps by doubling gives the definition of until."""
    left = data.draw(VALUES)
    right = data.draw(st.lists(st.integers(-5, 5).map(float), min_size=len(left), max_size=len(left)).map(np.array))
    assert windows.until(left, right, beyond).tolist() == naive_until(left, right, beyond)


@pytest.mark.parametrize("function", [windows.sliding_min, windows.sliding_max])
def test_the_values_are_left_as_they_were(function):
    """A window function does not write into its input."""
    values = np.array([3.0, 1.0, 2.0])
    function(values, 1, 0.0)
    assert values.tolist() == [3.0, 1.0, 2.0]
