"""Values on a path through a program, and what a walk finds (row 1)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from sim.base.errors import Fault
from sim.chip import intervals
from sim.chip.intervals import Range, hull
from sim.chip.knowledge import Form, Knowledge, fixed
from sim.chip.tree import HIGHEST, LOWEST, Expr, Kind, fields

Value: TypeAlias = "Form | tuple[Value, ...]"

WHOLE = Range(LOWEST, HIGHEST)
FITS = f"a value inside 32 bits ({LOWEST}..{HIGHEST})"


# More paths than this go on as one, of which less is known.
PATHS_MAX = 8


class UnreachableError(Exception):
    """What is known contradicts itself: this path is never taken."""


@dataclass(slots=True)
class Path:
    """One way through a function: its variables, and what is known of them.

    A ghost walks where no run ever comes with these parameters, to see whether
    the code there could be kept all the same.
    """

    knowledge: Knowledge
    values: dict[str, Value]
    ghost: bool = False

    def copy(self, ghost: bool = False) -> Path:
        """The same, to go another way with."""
        return Path(self.knowledge.copy(), dict(self.values), ghost or self.ghost)


@dataclass(slots=True)
class Findings:
    """What a walk over the whole program found.

    ranges : of each expression, over every way it was come by.
    ghosts : the same for what only ghosts came by.
    unproved : expressions of ghosts that could go wrong.
    faults : expressions that could go wrong in a run.
    """

    ranges: dict[Expr, Range] = field(default_factory=dict)
    ghosts: dict[Expr, Range] = field(default_factory=dict)
    unproved: set[Expr] = field(default_factory=set)
    faults: dict[tuple[Expr, str], Range] = field(default_factory=dict)

    def note(self, expr: Expr, within: Range, ghost: bool) -> None:
        """An expression was come by."""
        ranges = self.ghosts if ghost else self.ranges
        before = ranges.get(expr)
        ranges[expr] = within if before is None else hull(before, within)

    def wrong(self, expr: Expr, expected: str, within: Range, ghost: bool) -> None:
        """An expression could go wrong."""
        if ghost:
            self.unproved.add(expr)
        else:
            before = self.faults.get((expr, expected))
            self.faults[expr, expected] = within if before is None else hull(before, within)

    def as_faults(self) -> list[Fault]:
        """One line for each expression that could go wrong."""
        return [
            expr.place.fault(expected, f"range {within.low}..{within.high}")
            for (expr, expected), within in self.faults.items()
        ]


def divided(form: Form, divisor: int, knowledge: Knowledge) -> Form:
    """form // divisor for a positive divisor."""
    whole = {unknown: factor // divisor for unknown, factor in form.factors.items() if factor % divisor == 0}
    rest = Form({each: factor for each, factor in form.factors.items() if each not in whole}, form.constant % divisor)
    within = knowledge.range(rest)
    exact = Form(whole, form.constant // divisor)
    found = knowledge.unknown(Range(within.low // divisor, within.high // divisor))
    knowledge.learn(found.scaled(divisor).plus(rest, -1))
    knowledge.learn(rest.plus(found, -divisor).plus(fixed(1 - divisor)))
    return exact.plus(found)


def remaining(form: Form, divisor: int, knowledge: Knowledge) -> Form:
    """form % divisor for a positive divisor."""
    within = knowledge.range(form)
    if within.low >= 0 and within.high < divisor:
        return form
    found = knowledge.unknown(intervals.remainder(within, Range(divisor, divisor)))
    if within.low >= 0:
        knowledge.learn(found.plus(form, -1))
    return found


def joined(values: Sequence[Value], ways: Sequence[Path], knowledge: Knowledge) -> Value:
    """What is known of a value that came by one of several ways."""
    first = values[0]
    if not isinstance(first, Form):
        columns = zip(*(value for value in values if not isinstance(value, Form)), strict=True)
        return tuple(joined(column, ways, knowledge) for column in columns)
    forms = [value for value in values if isinstance(value, Form)]
    if all(form == first for form in forms) and knowledge.knows(first):
        return first
    ranges = [way.knowledge.range(form) for form, way in zip(forms, ways, strict=True)]
    return knowledge.unknown(hull(*ranges))


def ranges_of(value: Value, knowledge: Knowledge) -> list[Range]:
    """The range of every whole number in a value, in order."""
    if isinstance(value, Form):
        return [knowledge.range(value)]
    return [each for part in value for each in ranges_of(part, knowledge)]


def unknown_of(kind: Kind, ranges: list[Range], knowledge: Knowledge) -> Value:
    """A value of this kind of which only ranges are known; takes them from the front of the list."""
    if kind is int:
        return knowledge.unknown(ranges.pop(0))
    return tuple(unknown_of(inner, ranges, knowledge) for inner in fields(kind).values())


def settled(paths: list[Path]) -> list[Path]:
    """The paths without ghosts where any run comes by, and not too many of them."""
    live = [path for path in paths if not path.ghost]
    return few(live) if live else paths[:1]


def few(paths: list[Path]) -> list[Path]:
    """The paths, or one in place of too many."""
    return paths if len(paths) <= PATHS_MAX else [merged(paths)]


def merged(paths: Sequence[Path]) -> Path:
    """One path that stands for all."""
    knowledge = paths[0].knowledge
    for path in paths[1:]:
        knowledge = knowledge.merged(path.knowledge)
    names = set.intersection(*(set(path.values) for path in paths))
    values = {name: joined([path.values[name] for path in paths], paths, knowledge) for name in sorted(names)}
    return Path(knowledge, values, paths[0].ghost)
