"""Ranges through operators: Python's own answers lie inside them."""

from __future__ import annotations

import operator
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.chip import intervals
from sim.chip.intervals import Range

SIZES = st.one_of(st.integers(-9, 9), st.integers(-(2**31), 2**31 - 1))
RANGES = st.tuples(SIZES, SIZES).map(lambda ends: Range(min(ends), max(ends)))


@st.composite
def inside(draw: st.DrawFn, ranges: st.SearchStrategy[Range] = RANGES) -> tuple[Range, int]:
    """A range and a number in it, its ends among the likely ones."""
    within = draw(ranges)
    return within, draw(st.one_of(st.just(within.low), st.just(within.high), st.integers(*within)))


def narrow(low: int, high: int) -> st.SearchStrategy[Range]:
    return st.tuples(st.integers(low, high), st.integers(low, high)).map(lambda ends: Range(min(ends), max(ends)))


EVERYWHERE = {
    "*": (intervals.product, operator.mul),
    "&": (intervals.bits_and, operator.and_),
    "|": (intervals.bits_or, operator.or_),
    "^": (intervals.bits_xor, operator.xor),
}
DIVIDING = {"//": (intervals.quotient, operator.floordiv), "%": (intervals.remainder, operator.mod)}
SHIFTING = {"<<": (intervals.shifted_left, operator.lshift), ">>": (intervals.shifted_right, operator.rshift)}
Operator = tuple[Callable[[Range, Range], Range], Callable[[int, int], int]]


def holds(how: Operator, left: tuple[Range, int], right: tuple[Range, int]) -> None:
    within = how[0](left[0], right[0])
    assert within.low <= how[1](left[1], right[1]) <= within.high


@pytest.mark.parametrize("sign", EVERYWHERE)
@given(inside(), inside())
def test_operator_stays_inside_its_range(sign: str, left: tuple[Range, int], right: tuple[Range, int]) -> None:
    """Python's product and bit operators of two numbers in two ranges lie inside the range of the operator."""
    holds(EVERYWHERE[sign], left, right)


@pytest.mark.parametrize("sign", DIVIDING)
@given(inside(), inside())
def test_division_stays_inside_its_range(sign: str, left: tuple[Range, int], right: tuple[Range, int]) -> None:
    """So do Python's floor division and remainder, whatever the signs; 0 is no divisor."""
    if right[1] != 0:
        holds(DIVIDING[sign], left, right)


@pytest.mark.parametrize("sign", SHIFTING)
@given(inside(), inside(narrow(0, intervals.SHIFT_MAX)))
def test_shift_stays_inside_its_range(sign: str, left: tuple[Range, int], right: tuple[Range, int]) -> None:
    """So do Python's shifts, of negative numbers too."""
    holds(SHIFTING[sign], left, right)


@pytest.mark.parametrize(("sign", "how"), [*EVERYWHERE.items(), *DIVIDING.items(), *SHIFTING.items()])
@given(inside(narrow(-6, 6)), inside(narrow(1, 4)))
def test_ends_of_small_ranges_are_not_far_off(
    sign: str, how: Operator, left: tuple[Range, int], right: tuple[Range, int]
) -> None:
    """Against all pairs of small numbers the range of *, // and shifts is exact; % and the bit operators have slack."""
    found = [how[1](a, b) for a in range(left[0].low, left[0].high + 1) for b in range(right[0].low, right[0].high + 1)]
    within = how[0](left[0], right[0])
    if sign in ("*", "//", "<<", ">>"):
        assert within == Range(min(found), max(found))
    elif sign == "%":
        assert within.inside(Range(min(0, left[0].low), max([*found, right[0].high - 1])))
    else:
        assert within.inside(Range(-16, 15))
