"""How far a condition is from changing, at every sample, as bounds on its margin (row 3).

Each condition gets two arrays: its margin lies between `lower` and `upper`
whatever happens after the end of the recording and whatever a missing sample
(NaN) was. `lower > 0` is surely true, `upper < 0` surely false, anything else
undecided.

- A comparison's margin is the distance to its threshold, positive when true.
  An exact tie is moved off zero by the smallest ordinary number, up for <= and
  >=, down for < and >, so that the sign is always the truth.
- == and != compare states: they are true or false without a distance, so
  their margin is plus or minus infinity and never hides a physical one.
- not: the sign flips. and: the least. or: the greatest.
- Nothing rises or falls at the first sample, and a window into the past that
  reaches back before it sees what there is.
- After the last sample all is unknown (`End.UNKNOWN`), or windows are clipped
  there (`End.CLIPPED`, the usual convention of other tools).
- Words without a duration range over the recording: its end is their end.

Notes
-----
Sources: G. E. Fainekos and G. J. Pappas, "Robustness of temporal logic
specifications for continuous-time signals", Theor. Comput. Sci. 410 (2009)
4262-4291; A. Donze and O. Maler, "Robust satisfaction of temporal logic over
real-valued signals", FORMATS 2010, LNCS 6246, 92-106. Differs from both in the
half-open until, the ties, the states, and in keeping bounds. That a bounded
until is the unbounded one and a window on its right side is from A. Donze,
T. Ferrere and O. Maler, "Efficient robust monitoring for STL", CAV 2013, LNCS
8044, 264-279 (from memory, not verified; checked here against a naive
evaluator).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from functools import reduce
from typing import NamedTuple

import numpy as np

from sim.base.errors import Fault, InputError
from sim.record.table import Table
from sim.verdict import windows
from sim.verdict.tree import (
    And,
    Before,
    Compare,
    Condition,
    Implies,
    Name,
    Not,
    Number,
    Of,
    Operation,
    Or,
    Side,
    State,
    Term,
    Until,
    Window,
)
from sim.verdict.windows import Array

# Far below any difference that means something, far above the denormal numbers some processors flush to zero.
TIE = float(np.finfo(np.float64).tiny)


class End(Enum):
    """What stands after the last sample."""

    UNKNOWN = "unknown"
    CLIPPED = "clipped"


class Bounds(NamedTuple):
    """The least and the greatest the margin can be, at each sample."""

    lower: Array
    upper: Array


class Evaluation:
    """One recording under one set of limits; every node met is evaluated once.

    Parameters
    ----------
    table : Table
        Uniform ticks, at least one sample.
    limits : mapping of name to number
        Constants the formulas may name.
    end : End
        What stands after the last sample.

    Raises
    ------
    InputError
        The table is empty or its ticks are not uniform.
    """

    def __init__(self, table: Table, limits: Mapping[str, float], end: End = End.UNKNOWN) -> None:
        steps = np.diff(table.t_us)
        if len(table.t_us) == 0 or np.any(steps != steps[:1]):
            got = "none" if len(table.t_us) == 0 else "ticks of different lengths (resample it first)"
            raise InputError([Fault("recording", "t_us", "at least one sample, in uniform ticks", got)])
        self.table = table
        self.limits = limits
        self.end = end
        self.count = len(table.t_us)
        self.step_us = int(steps[0]) if len(steps) else 0
        self._terms: dict[Term, Array] = {}
        self._bounds: dict[Condition, Bounds] = {}
        self._broken: dict[Term, float | None] = {}

    def time_s(self, index: int) -> float:
        """The time of a sample."""
        return int(self.table.t_us[index]) / 1e6

    def constant(self, term: Term) -> float:
        """A term without signals."""
        return float(self.term(term)[0])

    def duration_us(self, term: Term) -> int:
        """A term without signals, in seconds, as whole microseconds."""
        return round(self.constant(term) * 1e6)

    def reach(self, term: Term) -> int:
        """The samples a window of this length looks ahead or behind; the far end counts."""
        length_us = self.duration_us(term)
        # One sample has no tick: any window longer than nothing passes its end.
        return length_us // self.step_us if self.step_us else int(length_us > 0)

    def term(self, node: Term) -> Array:
        """A term's value at each sample; NaN where it is not known."""
        if node not in self._terms:
            with np.errstate(all="ignore"):
                self._terms[node] = self._value(node)
        return self._terms[node]

    def bounds(self, node: Condition) -> Bounds:
        """The bounds on a condition's margin at each sample; never NaN, never zero."""
        if node not in self._bounds:
            self._bounds[node] = self._margin(node)
        return self._bounds[node]

    def no_state(self, node: Term) -> float | None:
        """The first value of a term that is no whole number; `None` where all that are known are."""
        if node not in self._broken:
            values = self.term(node)
            # What is not known is unlike itself, rounded or not.
            broken = np.flatnonzero((values != np.rint(values)) & (values == values))
            self._broken[node] = float(values[broken[0]]) if len(broken) else None
        return self._broken[node]

    def keep(self, nodes: frozenset[Term | Condition]) -> None:
        """Forget what was evaluated, except for these nodes."""
        self._terms = {node: values for node, values in self._terms.items() if node in nodes}
        self._bounds = {node: bounds for node, bounds in self._bounds.items() if node in nodes}

    def _value(self, node: Term) -> Array:
        match node:
            case Number(value=value):
                return np.broadcast_to(value, self.count)
            case Name(name=name):
                known = name in self.limits
                return np.broadcast_to(float(self.limits[name]), self.count) if known else self.table[name]
            case Operation(op="rate", args=(arg,)):
                values = self.term(arg)
                # One sample alone has no tick; its rate is zero like that of every first sample.
                return np.diff(values, prepend=values[:1]) / (self.step_us / 1e6 or 1.0)
            case Operation(op=op, args=args):
                return _OPERATIONS[op](*(self.term(arg) for arg in args))

    def _margin(self, node: Condition) -> Bounds:
        match node:
            case Compare():
                return self._compare(node)
            case Not(arg=arg):
                return _flipped(self.bounds(arg))
            case And(args=args):
                return _both(_least, *(self.bounds(arg) for arg in args))
            case Or(args=args):
                return _both(_greatest, *(self.bounds(arg) for arg in args))
            case Implies(left=left, right=right):
                return _both(_greatest, _flipped(self.bounds(left)), self.bounds(right))
            case State(arg=arg):
                # A bound of zero does not occur, so each bound alone tells what it is a bound of.
                return _both(lambda bound: np.copysign(np.inf, bound), self.bounds(arg))
            case Before(arg=arg):
                return _both(_delayed, self.bounds(arg))
            case Window(of=Of.SOME, arg=arg):
                return _flipped(self._all(node, _flipped(self.bounds(arg))))
            case Window(arg=arg):
                return self._all(node, self.bounds(arg))
            case Until():
                return self._until(node)

    def _compare(self, node: Compare) -> Bounds:
        left, right = self.term(node.left), self.term(node.right)
        with np.errstate(all="ignore"):
            distance = left - right if node.op in (">", ">=") else right - left
        missing = np.isnan(distance)
        if node.op in ("==", "!="):
            margin = np.where((left == right) == (node.op == "=="), np.inf, -np.inf)
        else:
            margin = distance
            margin[distance == 0] = TIE if node.op in ("<=", ">=") else -TIE
        if not missing.any():
            return Bounds(margin, margin)
        return Bounds(np.where(missing, -np.inf, margin), np.where(missing, np.inf, margin))

    def _all(self, node: Window, arg: Bounds) -> Bounds:
        """The least of `arg` over the window of each sample."""
        if node.length is None:
            return _both(windows.rest_min, arg)
        reach = self.reach(node.length)
        if node.side is Side.BEHIND:
            return _both(lambda bound: windows.sliding_min_behind(bound, reach), arg)
        clipped = _both(lambda bound: windows.sliding_min(bound, reach, np.inf), arg)
        if self.end is End.CLIPPED or reach == 0:
            return clipped
        # A window that passes the end can still be spoiled there: how far is unknown.
        lower = clipped.lower.copy()
        lower[max(self.count - reach, 0) :] = -np.inf
        return Bounds(lower, clipped.upper)

    def _until(self, node: Until) -> Bounds:
        left, right = self.bounds(node.left), self.bounds(node.right)
        unknown = node.length is not None and self.end is End.UNKNOWN
        lower = windows.until(left.lower, right.lower, -np.inf)
        upper = windows.until(left.upper, right.upper, np.inf if unknown else -np.inf)
        if node.length is None:
            return Bounds(lower, upper)
        reach = self.reach(node.length)
        return Bounds(
            np.minimum(lower, windows.sliding_max(right.lower, reach, -np.inf)),
            np.minimum(upper, windows.sliding_max(right.upper, reach, np.inf if unknown else -np.inf)),
        )


def _delayed(values: Array) -> Array:
    """Each value one sample later; the first is taken to have been the same before."""
    return np.concatenate((values[:1], values[:-1]))


def _least(*args: Array) -> Array:
    # One after the other: reduced together they would be copied into one array first.
    return reduce(np.minimum, args)


def _greatest(*args: Array) -> Array:
    return reduce(np.maximum, args)


_OPERATIONS: dict[str, Callable[..., Array]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
    "negate": np.negative,
    "abs": np.abs,
    "min": _least,
    "max": _greatest,
    "previous": _delayed,
}


def _both(function: Callable[..., Array], *args: Bounds) -> Bounds:
    """A function that never turns more into less, applied to both bounds; once where they are one array."""
    lower = function(*(arg.lower for arg in args))
    if all(arg.lower is arg.upper for arg in args):
        return Bounds(lower, lower)
    return Bounds(lower, function(*(arg.upper for arg in args)))


def _flipped(bounds: Bounds) -> Bounds:
    negated = -bounds.upper
    return Bounds(negated, negated if bounds.lower is bounds.upper else -bounds.lower)
