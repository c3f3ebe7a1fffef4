"""How near a formula is to turning, whatever stands in it: a guide for a search, not a verdict (row 4).

Verdicts count a state as a plain yes or no, and let one comparison alone decide.
That says when a requirement is broken, but not whether a run in which nothing
happened was any nearer than one in which half of it did. Here every comparison
has a distance, and what is not true is told by how much of it is missing.

- A comparison: `FLOOR` for being true or false at all, the rest by its distance
  as a share of its own scale, squeezed to less than 1. States too: a mode that
  is two numbers off is further than one that is one off.
- and: the least where all are true; else the mean of what those that are false lack.
  or: likewise the other way round. implies: `not left or right`.
- state(...) is as what stands in it. Windows take the least or the greatest, and are
  clipped at the end of the run.

The sign is that of the formula judged with windows clipped at the end; so that
what is surely true or surely false never has the other's.

Notes
-----
Source: in the manner of N. Mehdipour, C.-I. Vasile and C. Belta,
"Arithmetic-geometric mean robustness for control from signal temporal logic
specifications", ACC 2019, arXiv:1903.05186 (abstract read): parts that are
missing are averaged, so that each that comes true counts. Differs in: no mean
over time, the least instead of a geometric mean where all is true, the floor.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sim.verdict import windows
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import (
    And,
    Before,
    Compare,
    Condition,
    Implies,
    Not,
    Of,
    Or,
    Side,
    State,
    Term,
    Until,
    Window,
)
from sim.verdict.windows import Array

# What being true or false at all is worth.
FLOOR = 0.5
TRUE, FALSE = 1.0, -1.0


class Graded:
    """One run, graded; every condition met is worked out once.

    Parameters
    ----------
    run : the recording, without missing samples.
    scales : what a distance of each comparison is a share of, above 0; 1 where there is none.
    """

    def __init__(self, run: Evaluation, scales: Mapping[Compare, float]) -> None:
        self.run, self.scales = run, scales
        self._known: dict[Condition, Array] = {}

    def of(self, node: Condition) -> Array:
        """The grade of a condition at each sample, from -1 to 1, above 0 where it is true.

        Returns
        -------
        array (n,)
        """
        if node not in self._known:
            self._known[node] = self._grade(node)
        return self._known[node]

    def _grade(self, node: Condition) -> Array:
        match node:
            case Compare():
                return self._compare(node)
            case Not(arg=arg):
                return -self.of(arg)
            case And(args=args):
                return _all([self.of(arg) for arg in args])
            case Or(args=args):
                return -_all([-self.of(arg) for arg in args])
            case Implies(left=left, right=right):
                return -_all([self.of(left), -self.of(right)])
            case State(arg=arg):
                return self.of(arg)
            case Before(arg=arg):
                values = self.of(arg)
                return np.concatenate((values[:1], values[:-1]))
            case Window(of=Of.ALL, arg=arg):
                return self._least(node.length, node.side, self.of(arg))
            case Window(arg=arg):
                return -self._least(node.length, node.side, -self.of(arg))
            case Until(left=left, right=right, length=length):
                whole = windows.until(self.of(left), self.of(right), FALSE)
                if length is None:
                    return whole
                return np.minimum(whole, windows.sliding_max(self.of(right), self.run.reach(length), FALSE))

    def _compare(self, node: Compare) -> Array:
        with np.errstate(all="ignore"):
            distance = self.run.term(node.left) - self.run.term(node.right)
        if node.op in ("<", "<="):
            distance = -distance
        if node.op in ("==", "!="):
            true = (distance == 0.0) == (node.op == "==")
        else:
            true = (distance > 0.0) | ((distance == 0.0) & (node.op in ("<=", ">=")))
        share = np.abs(distance) / self.scales.get(node, 1.0)
        # What is infinitely far is as far as there is.
        near = np.where(np.isfinite(share), share / (1.0 + np.where(np.isfinite(share), share, 0.0)), 1.0)
        size = FLOOR + (1.0 - FLOOR) * near
        graded: Array = np.where(true, size, -size)
        return graded

    def _least(self, length: Term | None, side: Side, values: Array) -> Array:
        if length is None:
            return windows.rest_min(values)
        reach = self.run.reach(length)
        if side is Side.BEHIND:
            return windows.sliding_min_behind(values, reach)
        return windows.sliding_min(values, reach, TRUE)


def _all(args: list[Array]) -> Array:
    """Of several conditions at once: the least where all are true, else what is missing, shared among all."""
    values = np.stack(args)
    missing = np.minimum(values, 0.0).sum(axis=0) / len(args)
    graded: Array = np.where(missing < 0.0, missing, values.min(axis=0))
    return graded
