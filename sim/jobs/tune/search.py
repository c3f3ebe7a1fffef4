"""A whole number looked for between one that fails and one that passes (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

Claim = Callable[[int], bool]


class Found(NamedTuple):
    """What a search came to.

    value : the best value up to which all that were tried pass; None where the safest of all does not.
    tried : every value tried, and whether it passed.
    gap : a value that passes although it is beyond one that fails, and that one; None where there is none.
    """

    value: int | None
    tried: Mapping[int, bool]
    gap: tuple[int, int] | None = None


def smallest(passes: Claim, low: int, high: int, probes: int = 3) -> Found:
    """The smallest value from `low` to `high` from which on all pass, of a claim expected to hold from some value on.

    Parameters
    ----------
    passes : asked once for each value.
    low, high : `high` is the safest and tried first, `low` next.
    probes : values between them tried before any halving, evenly spread, so that a gap in what passes is noticed.

    Notes
    -----
    Bisection. Where a value passes below one that fails, the answer lies above
    every failure: nothing tried between it and `high` fails.
    """
    tried: dict[int, bool] = {}

    def ask(value: int) -> bool:
        if value not in tried:
            tried[value] = passes(value)
        return tried[value]

    if not ask(high):
        return Found(None, tried)
    for value in np.linspace(low, high, probes + 2).astype(int).tolist():
        ask(value)
    bad = max((value for value, passed in tried.items() if not passed), default=low - 1)
    good = min(value for value, passed in tried.items() if passed and value > bad)
    while good - bad > 1:
        middle = (good + bad) // 2
        if ask(middle):
            good = middle
        else:
            bad = middle
    below = [value for value, passed in tried.items() if passed and value < bad]
    return Found(good, tried, (min(below), bad) if below else None)


def largest(passes: Claim, low: int, high: int, probes: int = 3) -> Found:
    """The largest value up to which all pass, of a claim expected to hold up to some value; see `smallest`."""
    mirrored = smallest(lambda value: passes(-value), -high, -low, probes)
    return Found(
        None if mirrored.value is None else -mirrored.value,
        {-value: passed for value, passed in mirrored.tried.items()},
        None if mirrored.gap is None else (-mirrored.gap[0], -mirrored.gap[1]),
    )


def on_grid(search: Callable[[Claim, int, int, int], Found], passes: Claim, low: int, high: int, grid: int) -> Found:
    """A search among multiples of `grid` alone, so that what is found is a round number that was itself tried.

    Parameters
    ----------
    search : `smallest` or `largest`.
    low, high : the multiples lie within them; where none does, `high` alone is tried.
    """
    first, last = -(-low // grid), high // grid
    if first > last:
        passed = passes(high)
        return Found(high if passed else None, {high: passed})
    found = search(lambda place: passes(grid * place), first, last, 3)
    return Found(
        None if found.value is None else grid * found.value,
        {grid * place: passed for place, passed in found.tried.items()},
        None if found.gap is None else (grid * found.gap[0], grid * found.gap[1]),
    )
