"""Ranges of whole numbers through Python's operators, none narrower than what can happen (row 1).

Every function takes and gives closed ranges and says what holds for *all*
values in them, with numbers of any length; what leaves 32 bits is for the
caller to refuse.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple


class Range(NamedTuple):
    """All whole numbers from low to high."""

    low: int
    high: int

    def inside(self, other: Range) -> bool:
        """Whether no number of this one lies outside the other."""
        return other.low <= self.low and self.high <= other.high


# A shift by more is refused; the bits of 32 are gone by then.
SHIFT_MAX = 31


def hull(*ranges: Range) -> Range:
    """The least range with all of these inside."""
    return Range(min(each.low for each in ranges), max(each.high for each in ranges))


def corners(left: Range, right: Range, how: Callable[[int, int], int]) -> Range:
    """The range of an operator that is monotone in each operand, whichever way."""
    found = [how(a, b) for a in left for b in right]
    return Range(min(found), max(found))


def product(left: Range, right: Range) -> Range:
    """left * right."""
    return corners(left, right, int.__mul__)


def signed_parts(divisor: Range) -> list[Range]:
    """The negative and the positive numbers of a divisor."""
    parts = [Range(divisor.low, min(divisor.high, -1)), Range(max(divisor.low, 1), divisor.high)]
    return [part for part in parts if part.low <= part.high]


def quotient(left: Range, right: Range) -> Range:
    """left // right, rounded down as Python does; 0 in the divisor is left out, and other numbers must be there."""
    # For a divisor of one sign the quotient is monotone in both; a zero crossing of `left` is at a corner or inside.
    return hull(*(corners(left, part, int.__floordiv__) for part in signed_parts(right)))


def remainder(left: Range, right: Range) -> Range:
    """left % right, which has the divisor's sign; 0 in the divisor is left out, and other numbers must be there."""
    found = []
    for part in signed_parts(right):
        if part.low > 0:
            # A dividend already below every divisor stays as it is.
            whole = left.low >= 0 and left.high < part.low
            most = part.high - 1 if left.low < 0 else min(part.high - 1, left.high)
            found.append(left if whole else Range(0, most))
        else:
            whole = part.high < left.low and left.high <= 0
            least = part.low + 1 if left.high > 0 else max(part.low + 1, left.low)
            found.append(left if whole else Range(least, 0))
    return hull(*found)


def shifted_left(left: Range, right: Range) -> Range:
    """left << right for shifts of 0 to SHIFT_MAX."""
    return corners(left, right, int.__lshift__)


def shifted_right(left: Range, right: Range) -> Range:
    """left >> right for shifts of 0 to SHIFT_MAX, rounded down."""
    return corners(left, right, int.__rshift__)


def _below_power(*ranges: Range) -> int:
    """The least 2**n with every number of the ranges from -2**n to 2**n - 1."""
    return 1 << max(max((~each.low if each.low < 0 else each.low), each.high, 0).bit_length() for each in ranges)


def bits_and(left: Range, right: Range) -> Range:
    """left & right."""
    positive = [each for each in (left, right) if each.low >= 0]
    if positive:
        # A number of no sign takes it from the other, and every bit but its own.
        return Range(0, min(each.high for each in positive))
    power = _below_power(left, right)
    return Range(-power, power - 1)


def bits_or(left: Range, right: Range) -> Range:
    """left | right."""
    power = _below_power(left, right)
    if left.low >= 0 and right.low >= 0:
        return Range(max(left.low, right.low), power - 1)
    return Range(-power, power - 1)


def bits_xor(left: Range, right: Range) -> Range:
    """left ^ right."""
    power = _below_power(left, right)
    return Range(0 if left.low >= 0 and right.low >= 0 else -power, power - 1)
