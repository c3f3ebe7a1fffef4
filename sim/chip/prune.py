"""Leaves out what no run reaches with these parameters and what could go wrong if it were reached (row 1).

Code that no run reaches stays where its ranges are proved all the same: the
C then reads as the Python does, and what guards against the impossible is
still there. Only where they are not, as behind a parameter that is 0, it goes.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypeVar

from sim.base.errors import InputError
from sim.chip.source import Place
from sim.chip.tree import (
    Assign,
    Build,
    Call,
    Choice,
    Expr,
    Extreme,
    Function,
    If,
    Leave,
    Loop,
    Not,
    Remark,
    Return,
    Several,
    Stmt,
    Test,
    parts_of,
    within,
)
from sim.chip.values import Findings

Part = TypeVar("Part", Expr, Test, Stmt)

NEVER = "Never reached with these parameters: {}."
ALWAYS = "Always so with these parameters: {}."


class Pruner:
    """Makes the trees that are written.

    Parameters
    ----------
    findings : ranges by expression; those of expressions made anew are added.
    """

    def __init__(self, findings: Findings) -> None:
        self._findings = findings
        self._safe: dict[Function, bool] = {}

    def body(self, function: Function) -> tuple[Stmt, ...]:
        """A function's statements without what goes."""
        return self._block(function.body, sealed=False) or function.body

    def _block(self, stmts: Sequence[Stmt], sealed: bool) -> tuple[Stmt, ...] | None:
        """A block up to what goes, None where all of it does; its end is never reached if it is `sealed`."""
        kept = next((index for index, stmt in enumerate(stmts) if not self._is_live(stmt)), len(stmts))
        if all(self._is_sound(stmt) for stmt in stmts[kept:]):
            kept = len(stmts)
        if stmts and not kept:
            return None
        found: list[Stmt] = []
        for index, stmt in enumerate(stmts[:kept]):
            last = index == kept - 1 and (kept < len(stmts) or sealed)
            found += self._statement(stmt, last) if self._is_live(stmt) else [stmt]
        if kept < len(stmts):
            found.append(_remark(NEVER, stmts[kept].place, stmts[kept - 1].place.last_line, stmts[kept:]))
        return tuple(found)

    def _is_live(self, stmt: Stmt) -> bool:
        """Whether any run comes by a statement; one that evaluates nothing is as good as its neighbours."""
        heads = [part for part in parts_of(stmt) if not isinstance(part, Stmt)]
        return not heads or any(part in self._findings.ranges for head in heads for part in within(head))

    def _is_sound(self, part: Expr | Test | Stmt) -> bool:
        """Whether all of it was walked through, by runs or by ghosts, and nothing could go wrong."""
        findings = self._findings
        for each in within(part):
            if isinstance(each, Expr) and each not in findings.ranges:
                if each in findings.unproved or each not in findings.ghosts:
                    return False
                if isinstance(each, Call) and not self._is_safe(each.function):
                    return False
        return True

    def _is_safe(self, function: Function) -> bool:
        """Whether runs come by the function, or ghosts found nothing wrong anywhere in it."""
        if function not in self._safe:
            live = any(self._is_live(stmt) for stmt in function.body[:1])
            self._safe[function] = live or all(self._is_sound(stmt) for stmt in function.body)
        return self._safe[function]

    def _statement(self, stmt: Stmt, sealed: bool) -> list[Stmt]:
        match stmt:
            case Assign():
                return [_renewed(stmt, value=self._expr(stmt.value))]
            case If():
                return self._if(stmt, sealed)
            case Loop():
                body = self._block(stmt.body, sealed=False)
                if sealed:
                    raise InputError([stmt.place.fault("a loop that ends", "one after which nothing is reached")])
                if body is None:
                    # No turn is ever made.
                    return [_remark(NEVER, stmt.body[0].place, stmt.place.line, stmt.body)]
                return [_renewed(stmt, body=body)]
            case Return():
                return [_renewed(stmt, values=tuple(self._expr(value) for value in stmt.values))]
        return [stmt]

    def _if(self, stmt: If, sealed: bool) -> list[Stmt]:
        arms: list[tuple[Stmt, ...] | None] = []
        for arm in (stmt.then, stmt.other):
            block = self._block(arm, sealed)
            # Where the end is never reached, neither is an arm that comes to it.
            arms.append(None if block is None or (sealed and not leaves(block)) else block)
        then, other = arms
        if then is not None and other is not None:
            return [_renewed(stmt, test=self._test(stmt.test), then=then, other=other)]
        place = Place(stmt.place.source, stmt.test.place.node)
        if then is not None:
            last = stmt.then[-1].place.last_line if stmt.then else place.last_line
            return [_remark(ALWAYS, place, last, stmt.other), *then]
        if other is not None:
            return [_remark(NEVER, place, place.last_line, stmt.then), *other]
        raise InputError([stmt.place.fault("code that is reached", "neither way is")])

    def _expr(self, expr: Expr) -> Expr:
        """An expression that runs come by, without the arms that go."""
        if expr not in self._findings.ranges:
            return expr
        if isinstance(expr, Choice):
            if not self._is_met(expr.then):
                return self._expr(expr.other)
            if not self._is_met(expr.other):
                return self._expr(expr.then)
            return self._made(
                expr, test=self._test(expr.test), then=self._expr(expr.then), other=self._expr(expr.other)
            )
        parts = tuple(self._expr(part) for part in parts_of(expr) if isinstance(part, Expr))
        if isinstance(expr, Call | Build | Extreme):
            return self._made(expr, parts=parts)
        names = [name for name in ("of", "left", "right") if hasattr(expr, name)]
        return self._made(expr, **dict(zip(names, parts, strict=True)))

    def _is_met(self, part: Expr | Test) -> bool:
        """Whether runs come by, or could without harm."""
        return any(each in self._findings.ranges for each in within(part)) or self._is_sound(part)

    def _test(self, test: Test) -> Test:
        """A test that runs come by, without what is never asked."""
        if isinstance(test, Not):
            return _renewed(test, of=self._test(test.of))
        if isinstance(test, Several):
            parts = tuple(itertools.takewhile(self._is_met, test.parts))
            found = tuple(self._test(part) for part in parts)
            return found[0] if len(found) == 1 else _renewed(test, parts=found)
        return _renewed(test, left=self._expr(test.left), right=self._expr(test.right))

    def _made(self, expr: Expr, **changed: Any) -> Expr:
        made = _renewed(expr, **changed)
        if made is not expr:
            for ranges in (self._findings.ranges, self._findings.ghosts):
                if expr in ranges:
                    ranges[made] = ranges[expr]
        return made


def _renewed(part: Part, **changed: Any) -> Part:
    """The part itself where nothing changed."""
    same = all(_same(getattr(part, name), value) for name, value in changed.items())
    made: Part = part if same else replace(part, **changed)
    return made


def _same(old: object, new: object) -> bool:
    if isinstance(old, tuple) and isinstance(new, tuple):
        return len(old) == len(new) and all(a is b for a, b in zip(old, new, strict=True))
    return old is new


def leaves(stmts: Sequence[Stmt]) -> bool:
    """Whether a block never comes to its end."""
    for stmt in stmts:
        if isinstance(stmt, Return | Leave):
            return True
        if isinstance(stmt, If) and leaves(stmt.then) and leaves(stmt.other):
            return True
    return False


def _remark(text: str, place: Place, before: int, left_out: Sequence[Stmt]) -> Remark:
    """What is said of statements that go, comments above them too, down from the line `before`."""
    gone = range(before + 1, max((stmt.place.last_line for stmt in left_out), default=before) + 1)
    return Remark(
        text.format(f"{place.source.path.name}:{place.line}: {place.source.segment(place.node)}"), gone, place
    )
