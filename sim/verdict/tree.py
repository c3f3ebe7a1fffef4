"""What a formula means, as a small tree of nodes (row 3).

Terms have a number at each sample; conditions are true or false at each
sample, by a margin. The many words of the language come down to the few
conditions here: `never(a)` is `Window(ALL, not a)`, `rising(a)` is
`And(not Before(a), a)`, and so on, so that each meaning is written once.

Nodes compare by meaning, not by where they were written, so that equal parts
of a formula are evaluated once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from enum import Enum
from typing import TypeAlias, TypeGuard

from sim.verdict.place import Place


@dataclass(frozen=True, slots=True)
class Source:
    """The text a node was written as, and the characters before it in its formula."""

    text: str
    offset: int


class _Keeping:
    """Keeps its hash, and the nodes under it, once they are worked out: trees are looked up again and again.

    They are in no field of the dataclass, so that they never travel to a process in which text hashes otherwise.
    """

    __slots__ = ("_hash", "_nodes")
    _hash: int
    _nodes: tuple[Term | Condition, ...]

    def __init_subclass__(cls) -> None:
        # Where a class has a hash of its own, its dataclass makes none.
        cls.__hash__ = _Keeping.__hash__  # type: ignore[method-assign]

    def __hash__(self) -> int:
        try:
            return self._hash
        except AttributeError:
            compared = (getattr(self, part.name) for part in fields(self) if part.compare)  # type: ignore[arg-type]
            object.__setattr__(self, "_hash", hash((type(self), *compared)))
            return self._hash


@dataclass(frozen=True, slots=True, kw_only=True)
class Node(_Keeping):
    """Any part of a formula."""

    source: Source = field(compare=False)


@dataclass(frozen=True, slots=True)
class Number(Node):
    """A number as written."""

    value: float


@dataclass(frozen=True, slots=True)
class Name(Node):
    """A signal of the recording, or a named limit."""

    name: str


@dataclass(frozen=True, slots=True)
class Operation(Node):
    """Arithmetic on terms; `op` is a key of the evaluator's table."""

    op: str
    args: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class Compare(Node):
    """`left op right`: the atom of every condition. `op` is one of < <= > >= == !=."""

    op: str
    left: Term
    right: Term


@dataclass(frozen=True, slots=True)
class Not(Node):
    """True where `arg` is false."""

    arg: Condition


@dataclass(frozen=True, slots=True)
class And(Node):
    """True where every one of `args` is."""

    args: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Or(Node):
    """True where at least one of `args` is."""

    args: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Implies(Node):
    """`not left or right`, kept apart so that it can be told how often `left` was true."""

    left: Condition
    right: Condition


@dataclass(frozen=True, slots=True)
class State(Node):
    """`arg` as a plain yes or no, without a margin of its own."""

    arg: Condition


@dataclass(frozen=True, slots=True)
class Before(Node):
    """What `arg` was one sample earlier; at the first sample, what it is there."""

    arg: Condition


class Of(Enum):
    """How much of a window must be true."""

    ALL = "all"
    SOME = "some"


class Side(Enum):
    """Which way a window looks from its sample."""

    AHEAD = "ahead"
    BEHIND = "behind"


@dataclass(frozen=True, slots=True)
class Window(Node):
    """`arg` at all, or at some, of the samples within `length` (seconds) ahead or behind; `None`: the whole run."""

    of: Of
    side: Side
    length: Term | None
    arg: Condition


@dataclass(frozen=True, slots=True)
class Until(Node):
    """`right` comes within `length`, and `left` is true from now to just before that sample."""

    left: Condition
    right: Condition
    length: Term | None


Term: TypeAlias = Number | Name | Operation
Composite: TypeAlias = Not | And | Or | Implies | State | Before | Window | Until
Condition: TypeAlias = Compare | Composite


@dataclass(frozen=True, slots=True)
class Formula:
    """A condition and where it was written."""

    root: Condition
    text: str
    place: Place


@dataclass(frozen=True, slots=True)
class Constant:
    """A term without signals (a duration, a bound) and where it was written."""

    root: Term
    text: str
    place: Place


def parts(node: Term | Condition) -> tuple[Term | Condition, ...]:
    """The nodes directly under a node, durations included."""
    match node:
        case Number() | Name():
            return ()
        case Operation(args=args) | And(args=args) | Or(args=args):
            return args
        case Compare(left=left, right=right) | Implies(left=left, right=right):
            return (left, right)
        case Not(arg=arg) | State(arg=arg) | Before(arg=arg):
            return (arg,)
        case Window(length=length, arg=arg):
            return (arg,) if length is None else (length, arg)
        case Until(left=left, right=right, length=length):
            return (left, right) if length is None else (left, right, length)


def walk(node: Term | Condition) -> Iterator[Term | Condition]:
    """A node and everything under it, in the order written."""
    waiting = [node]
    while waiting:
        node = waiting.pop()
        yield node
        waiting += reversed(parts(node))


def nodes_in(root: Term | Condition) -> tuple[Term | Condition, ...]:
    """What `walk` gives, kept with the root for the next time."""
    try:
        return root._nodes
    except AttributeError:
        object.__setattr__(root, "_nodes", tuple(walk(root)))
        return root._nodes


def names_in(node: Term | Condition) -> tuple[Name, ...]:
    """Every name used, in the order written."""
    return tuple(part for part in walk(node) if isinstance(part, Name))


def is_term(node: Term | Condition) -> TypeGuard[Term]:
    """Whether a node is a number rather than true or false."""
    return isinstance(node, Number | Name | Operation)
