"""Finds the comparison and the moment a verdict hangs on (row 3).

Margins are only ever passed on, negated, or chosen among by least and
greatest. So the margin of the whole is that of one comparison at one sample,
found by walking down from the top at one index and following the choice;
nothing needs to be carried up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from sim.verdict.robustness import Bounds, Evaluation
from sim.verdict.tree import (
    And,
    Before,
    Compare,
    Composite,
    Condition,
    Implies,
    Not,
    Of,
    Or,
    Side,
    State,
    Until,
    Window,
)
from sim.verdict.windows import Array

Bound = Literal["lower", "upper"]


class Step(NamedTuple):
    """A node met on the way down, and the sample it was asked at."""

    node: Condition
    sample: int


@dataclass(frozen=True, slots=True)
class Blame:
    """The comparison a margin comes from, where, and the way to it."""

    atom: Compare
    index: int
    path: tuple[Step, ...]


def limiting(run: Evaluation, root: Condition, index: int, bound: Bound) -> Blame:
    """Walk down to the comparison that makes this bound at this sample what it is."""
    node, path = root, [Step(root, index)]
    while not isinstance(node, Compare):
        node, index, bound = _choice(run, node, index, bound)
        path.append(Step(node, index))
    return Blame(atom=node, index=index, path=tuple(path))


def _choice(run: Evaluation, node: Composite, index: int, bound: Bound) -> tuple[Condition, int, Bound]:
    """The part of a node, the sample and the bound that its own bound at `index` is taken from."""
    other: Bound = "upper" if bound == "lower" else "lower"
    match node:
        case Not(arg=arg):
            return arg, index, other
        case State(arg=arg):
            return arg, index, bound
        case Before(arg=arg):
            return arg, max(index - 1, 0), bound
        case And(args=args):
            return args[int(np.argmin([_at(run, arg, index, bound) for arg in args]))], index, bound
        case Or(args=args):
            return args[int(np.argmax([_at(run, arg, index, bound) for arg in args]))], index, bound
        case Implies(left=left, right=right):
            # Where both say the same, the duty is the better explanation than the occasion.
            if _at(run, right, index, bound) >= -_at(run, left, index, other):
                return right, index, bound
            return left, index, other
        case Window(of=of, arg=arg):
            start, stop = seen(run, node, index)
            values = _bound(run.bounds(arg), bound)[start:stop]
            chosen = np.argmin(values) if of is Of.ALL else np.argmax(values)
            return arg, start + int(chosen), bound
        case Until():
            return _until_choice(run, node, index, bound)


def _until_choice(run: Evaluation, node: Until, index: int, bound: Bound) -> tuple[Condition, int, Bound]:
    """The best sample for the right side to come, or the worst of the left side on the way there."""
    start, stop = seen(run, node, index)
    left = _bound(run.bounds(node.left), bound)[start:stop]
    right = _bound(run.bounds(node.right), bound)[start:stop]
    way = np.minimum.accumulate(np.concatenate(([np.inf], left)))
    arrival = int(np.argmax(np.minimum(right, way[:-1])))
    value = _at(run, node, index, bound)
    if min(right[arrival], way[arrival]) != value:
        # The arrival that counts is the unknown one after the recording; the way to it is all of `left`.
        return node.left, start + int(np.argmin(left)), bound
    if right[arrival] <= way[arrival]:
        return node.right, start + arrival, bound
    return node.left, start + int(np.argmin(left[:arrival])), bound


def seen(run: Evaluation, node: Window | Until, index: int) -> tuple[int, int]:
    """The recorded samples, first and one past the last, that a node looks at from `index`."""
    if node.length is None:
        return index, run.count
    reach = run.reach(node.length)
    if isinstance(node, Window) and node.side is Side.BEHIND:
        return max(index - reach, 0), index + 1
    return index, min(index + reach + 1, run.count)


def is_cut(run: Evaluation, node: Condition, index: int) -> bool:
    """Whether a node's window, asked at `index`, passes the end of the recording."""
    if not isinstance(node, Window | Until) or node.length is None:
        return False
    ahead = isinstance(node, Until) or node.side is Side.AHEAD
    return ahead and index + run.reach(node.length) >= run.count


def gap(run: Evaluation, root: Condition, index: int) -> Step:
    """The first window the recording cuts short, or missing sample, that leaves `root` undecided at `index`."""
    node = root
    while not isinstance(node, Compare) and not is_cut(run, node, index):
        node, index = _open_part(run, node, index)
    return Step(node, index)


def _open_part(run: Evaluation, node: Composite, index: int) -> tuple[Condition, int]:
    """The first undecided part of an undecided node; if every part were decided, so would be the node."""
    match node:
        case Not(arg=arg) | State(arg=arg):
            return arg, index
        case Before(arg=arg):
            return arg, max(index - 1, 0)
        case And(args=args) | Or(args=args):
            return next(arg for arg in args if _is_open(run.bounds(arg))[index]), index
        case Implies(left=left, right=right):
            return (left if _is_open(run.bounds(left))[index] else right), index
        case Window(arg=arg):
            start, stop = seen(run, node, index)
            return arg, start + int(np.argmax(_is_open(run.bounds(arg))[start:stop]))
        case Until(left=left, right=right):
            start, stop = seen(run, node, index)
            opens = [_is_open(run.bounds(part))[start:stop] for part in (left, right)]
            firsts = [int(np.argmax(part)) if part.any() else stop for part in opens]
            return (left, start + firsts[0]) if firsts[0] < firsts[1] else (right, start + firsts[1])


def _is_open(bounds: Bounds) -> npt.NDArray[np.bool_]:
    return ~(bounds.lower > 0) & ~(bounds.upper < 0)


def _bound(bounds: Bounds, bound: Bound) -> Array:
    return bounds.lower if bound == "lower" else bounds.upper


def _at(run: Evaluation, node: Condition, index: int, bound: Bound) -> float:
    return float(_bound(run.bounds(node), bound)[index])
