"""What is known of the whole numbers on one path through a program (row 1).

A value is an affine form over unknowns, c0 + c1 x1 + c2 x2 + ...; of each
unknown a range is known, and beside that facts `form <= 0` between several.
So `counts - (counts >> 12) * 4096` is known to be less than 4096, and a sum
that was compared stays bounded when it is written in another order.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from math import gcd
from typing import NamedTuple

from sim.chip.intervals import Range

_serial = itertools.count()

# How many facts are added up in search of a bound; each is a multiplication of the work.
DEPTH = 2
# How far what a new fact says of one unknown is followed to others.
FOLLOWED_MAX = 60


class Form(NamedTuple):
    """constant + the sum of factor times unknown; no factor is 0."""

    factors: Mapping[int, int]
    constant: int

    def plus(self, other: Form, times: int = 1) -> Form:
        """This form and `times` the other."""
        factors = dict(self.factors)
        for unknown, factor in other.factors.items():
            total = factors.get(unknown, 0) + times * factor
            if total:
                factors[unknown] = total
            else:
                factors.pop(unknown, None)
        return Form(factors, self.constant + times * other.constant)

    def scaled(self, times: int) -> Form:
        """`times` this form."""
        if times == 0:
            return fixed(0)
        factors = {unknown: times * factor for unknown, factor in self.factors.items()}
        return Form(factors, times * self.constant)


def fixed(value: int) -> Form:
    """A known number."""
    return Form({}, value)


class Knowledge:
    """Ranges of unknowns and facts between them; it only ever grows.

    Every statement holds for whole numbers of any length, so that it holds in
    C as long as nothing leaves 32 bits.
    """

    __slots__ = ("_facts", "_ranges")

    def __init__(self) -> None:
        self._ranges: dict[int, Range] = {}
        self._facts: list[Form] = []

    def copy(self) -> Knowledge:
        """The same knowledge, to go another way with."""
        other = Knowledge()
        other._ranges = dict(self._ranges)
        other._facts = list(self._facts)
        return other

    def knows(self, form: Form) -> bool:
        """Whether every unknown of the form is one of these."""
        return all(unknown in self._ranges for unknown in form.factors)

    def unknown(self, within: Range) -> Form:
        """A number of which only a range is known."""
        if within.low == within.high:
            return fixed(within.low)
        serial = next(_serial)
        self._ranges[serial] = within
        return Form({serial: 1}, 0)

    def plain_range(self, form: Form) -> Range:
        """The form's range by those of its unknowns alone."""
        low = high = form.constant
        for unknown, factor in form.factors.items():
            least, most = self._ranges[unknown]
            if factor < 0:
                least, most = most, least
            low += factor * least
            high += factor * most
        return Range(low, high)

    def range(self, form: Form) -> Range:
        """The form's range, with the help of facts."""
        if not self._facts or len(form.factors) < 2:
            # What facts say of one unknown alone was taken in when they were learned.
            return self.plain_range(form)
        return Range(-self._most(form.scaled(-1), DEPTH), self._most(form, DEPTH))

    def _most(self, form: Form, depth: int) -> int:
        """The largest value of the form that cannot be ruled out."""
        most = self.plain_range(form).high
        if depth == 0:
            return most
        for fact in self._facts:
            for unknown, factor in form.factors.items():
                other = fact.factors.get(unknown, 0)
                if factor * other > 0:
                    # fact <= 0, so up * form <= up * form - times * fact for both numbers positive.
                    shared = gcd(factor, other)
                    up, times = abs(other) // shared, abs(factor) // shared
                    rest = form.scaled(up).plus(fact, -times)
                    most = min(most, self._most(rest, depth - 1) // up)
        return most

    def learn(self, form: Form) -> bool:
        """Take in that `form <= 0`.

        Returns
        -------
        False where that cannot be: this path is never taken.
        """
        within = self.plain_range(form)
        if within.low > 0:
            return False
        if within.high <= 0:
            return True
        if len(form.factors) > 1:
            self._facts.append(form)
        return self._follow(form)

    def _follow(self, form: Form) -> bool:
        waiting = [form]
        for _ in range(FOLLOWED_MAX):
            if not waiting:
                break
            fact = waiting.pop()
            low = self.plain_range(fact).low
            for unknown, factor in fact.factors.items():
                within = self._ranges[unknown]
                # factor * unknown <= -(the least of the rest).
                room = -(low - factor * (within.low if factor > 0 else within.high))
                bound = room // factor if factor > 0 else -(room // -factor)
                tighter = Range(within.low, min(within.high, bound))
                if factor < 0:
                    tighter = Range(max(within.low, bound), within.high)
                if tighter == within:
                    continue
                if tighter.low > tighter.high:
                    return False
                self._ranges[unknown] = tighter
                waiting += [each for each in self._facts if unknown in each.factors and each is not fact]
        return True

    def merged(self, other: Knowledge) -> Knowledge:
        """What holds whichever of two ways was gone."""
        both = Knowledge()
        shared = self._ranges.keys() & other._ranges.keys()
        for unknown in shared:
            mine, its = self._ranges[unknown], other._ranges[unknown]
            both._ranges[unknown] = Range(min(mine.low, its.low), max(mine.high, its.high))
        both._facts = [fact for fact in self._facts if fact in other._facts]
        return both
