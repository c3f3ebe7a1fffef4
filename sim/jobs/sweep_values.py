"""The values that a sweep's quantities take, case by case, worked out when they are asked for (row 4)."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from statistics import NormalDist
from typing import TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from sim.base.document import Place
from sim.base.streams import stream

Value: TypeAlias = float | int | str | None
"""What stands in a scenario file; `None` is a key written with nothing behind it."""

# Uniform numbers are drawn by the block, so that each is found again without those before it.
BLOCK = 256
# The smallest step of a uniform number; none is ever 0 or 1 where a tail would be infinite.
FINEST = 2.0**-53
_WHOLE = re.compile(r"[-+]?\d+")
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")


def read_value(text: str | None) -> Value:
    """A scalar of a file as the number that it is, or as text."""
    if text is None:
        return None
    if _WHOLE.fullmatch(text):
        return int(text)
    return float(text) if _NUMBER.fullmatch(text) else text


@dataclass(frozen=True, slots=True)
class Listed:
    """Values one by one."""

    values: tuple[Value, ...]

    def __len__(self) -> int:
        return len(self.values)

    def __getitem__(self, index: int) -> Value:
        return self.values[index]


@dataclass(frozen=True, slots=True)
class Line:
    """Equal steps from one end to the other, both taken; whole numbers where all of them are.

    The steps are those of the decimals written: 0.1 to 0.5 in five has 0.3 in
    it, not a sum of roundings.
    """

    start: Fraction
    stop: Fraction
    steps: int

    @classmethod
    def through(cls, start: float, stop: float, steps: int) -> Line:
        """The line between two numbers as they are written."""
        return cls(Fraction(repr(start)), Fraction(repr(stop)), steps)

    def __len__(self) -> int:
        return self.steps

    def __getitem__(self, index: int) -> Value:
        step = (self.stop - self.start) / (self.steps - 1)
        value = self.start + index * step
        return int(value) if self.start.denominator == step.denominator == 1 else float(value)


@dataclass(frozen=True, slots=True)
class Draw:
    """A distribution, given as the value at each share of it.

    kind : ``uniform``, ``log_uniform``, ``whole`` (each from `low` to `high`),
        ``normal`` (of `mean` and `deviation`, cut off at `low` and `high`), ``choice`` (of `values`).
    """

    kind: str
    low: float = -math.inf
    high: float = math.inf
    mean: float = 0.0
    deviation: float = 1.0
    values: tuple[Value, ...] = ()

    def at(self, share: float) -> Value:
        """The value below which this share of all lies, 0 <= share < 1."""
        low, high = self.low, self.high
        if self.kind == "choice":
            return self.values[int(share * len(self.values))]
        if self.kind == "whole":
            return int(low) + int(share * (int(high) - int(low) + 1))
        if self.kind == "normal":
            value = self._normal(share)
        elif self.kind == "log_uniform":
            value = math.exp(math.log(low) + share * (math.log(high) - math.log(low)))
        else:
            value = low + share * (high - low)
        # The last bit of a rounded sum may reach over the end.
        return min(max(value, low), high)

    def _normal(self, share: float) -> float:
        bell = NormalDist(self.mean, self.deviation)
        below = bell.cdf(self.low) if self.low > -math.inf else 0.0
        above = bell.cdf(self.high) if self.high < math.inf else 1.0
        inside = below + share * (above - below)
        return bell.inv_cdf(min(max(inside, 0.5 * FINEST), 1.0 - FINEST))


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that a sweep changes.

    key : as in the scenario file, dotted; a number of the vehicle is ``vehicle_set.esc.cut_v``.
    place : the same as keys and indexes.
    values : its grid, or what it is drawn from.
    """

    key: str
    place: Place
    values: Listed | Line | Draw


@dataclass(frozen=True, slots=True)
class Cases:
    """Every case by its number, from 0.

    The grid's combinations, the last quantity changing first; at each of them
    the same draws. Nothing is kept for a case.

    draws : how many draws there are at each point of the grid; 1 without random quantities.
    """

    quantities: tuple[Quantity, ...]
    draws: int = 1
    seed: int = 1

    def __len__(self) -> int:
        return math.prod(self._sizes())

    def _sizes(self) -> list[int]:
        """How many values each grid quantity has, in order; then how many draws."""
        return [*(len(each.values) for each in self.quantities if not isinstance(each.values, Draw)), self.draws]

    def values(self, case: int) -> tuple[Value, ...]:
        """What each quantity is in a case, in their order."""
        *places, draw = _digits(case, self._sizes())
        grid = iter(places)
        return tuple(
            each.values.at(share(self.seed, each.key, draw))
            if isinstance(each.values, Draw)
            else each.values[next(grid)]
            for each in self.quantities
        )

    def at(self, position: int, slow: Sequence[bool]) -> int:
        """The case that stands at a position when some quantities are to change as seldom as can be.

        Parameters
        ----------
        slow : of each quantity whether it is one of those.
        """
        sizes = self._sizes()
        grid = [each for each, quantity in zip(slow, self.quantities, strict=True) if not _random(quantity)]
        drawn = any(each for each, quantity in zip(slow, self.quantities, strict=True) if _random(quantity))
        order = sorted(range(len(sizes)), key=lambda index: not [*grid, drawn][index])
        digits = dict(zip(order, _digits(position, [sizes[index] for index in order]), strict=True))
        case = 0
        for index, size in enumerate(sizes):
            case = case * size + digits[index]
        return case


def _random(quantity: Quantity) -> bool:
    return isinstance(quantity.values, Draw)


def _digits(number: int, sizes: Sequence[int]) -> list[int]:
    """A number in mixed bases, the last of which counts ones."""
    digits = []
    for size in reversed(sizes):
        number, digit = divmod(number, size)
        digits.append(digit)
    return digits[::-1]


def share(seed: int, key: str, draw: int) -> float:
    """The uniform number of a draw: each quantity has a stream of its own, and more draws begin with the same ones."""
    block, place = divmod(draw, BLOCK)
    return float(_block(seed, key, block)[place])


@lru_cache(maxsize=256)
def _block(seed: int, key: str, block: int) -> NDArray[np.float64]:
    """Numbers `block * BLOCK` and on of a stream, without those before."""
    generator = stream(seed, f"sweep {key}")
    cast(np.random.PCG64, generator.bit_generator).advance(block * BLOCK)
    return generator.random(BLOCK)
