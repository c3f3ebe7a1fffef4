"""Walks every path through a program's functions, with what is known on each (row 1)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from sim.chip.evaluate import Evaluator
from sim.chip.intervals import Range, hull
from sim.chip.knowledge import Form, Knowledge, fixed
from sim.chip.tree import Assign, Call, Choice, Expr, Function, If, Leave, Loop, Return, Stmt
from sim.chip.values import (
    WHOLE,
    Findings,
    Path,
    UnreachableError,
    Value,
    ranges_of,
    settled,
    unknown_of,
)

TURNS_MAX = 1000


@dataclass(slots=True)
class _Frame:
    """Where the paths of one walk through a function end."""

    returns: list[tuple[tuple[Value, ...], Path]] = field(default_factory=list)
    breaks: list[Path] = field(default_factory=list)
    continues: list[Path] = field(default_factory=list)


class Walk:
    """One walk over a program.

    Parameters
    ----------
    findings : where ranges and faults are noted; None while ranges are still searched for.
    """

    def __init__(self, findings: Findings | None = None) -> None:
        self.evaluator = Evaluator(self._call, findings)
        self._findings = findings
        # Answers by function, ranges of the arguments, and whether a ghost asked.
        self._answers: dict[tuple[Function, tuple[Range, ...], bool], list[Range]] = {}

    def answer(self, function: Function, arguments: Sequence[Range], ghost: bool = False) -> list[Range]:
        """The range of every whole number in a function's answer.

        Parameters
        ----------
        arguments : the range of every whole number in its arguments, in order.

        Raises
        ------
        UnreachableError
            It gives back nothing.
        """
        key = (function, tuple(arguments), ghost)
        if key not in self._answers:
            knowledge, left = Knowledge(), list(arguments)
            values = {name: unknown_of(kind, left, knowledge) for name, kind in function.arguments}
            frame = _Frame()
            self._block(function.body, [Path(knowledge, values, ghost)], frame)
            ends = [end for end in frame.returns if ghost or not end[1].ghost]
            if not ends:
                raise UnreachableError
            answers = [[each for value in found for each in ranges_of(value, way.knowledge)] for found, way in ends]
            self._answers[key] = [hull(*column) for column in zip(*answers, strict=True)]
        return self._answers[key]

    def _call(self, expr: Call, parts: Sequence[Value], path: Path) -> Value:
        function = expr.function
        if is_straight(function):
            # What it says of its arguments holds for the caller's numbers.
            names = [name for name, _ in function.arguments]
            return self._straight(function, Path(path.knowledge, dict(zip(names, parts, strict=True)), path.ghost))
        arguments = [each for part in parts for each in ranges_of(part, path.knowledge)]
        return unknown_of(expr.kind, list(self.answer(function, arguments, path.ghost)), path.knowledge)

    def _straight(self, function: Function, path: Path) -> Value:
        for stmt in function.body[:-1]:
            assert isinstance(stmt, Assign)
            path.values[stmt.name] = self.evaluator.value(stmt.value, path)
        last = function.body[-1]
        assert isinstance(last, Return)
        return self.evaluator.value(last.values[0], path)

    def _block(self, stmts: Sequence[Stmt], paths: list[Path], frame: _Frame) -> list[Path]:
        """The paths that come out at the end of a block."""
        for stmt in stmts:
            if not paths:
                break
            paths = settled(self._statement(stmt, paths, frame))
        return paths

    def _statement(self, stmt: Stmt, paths: list[Path], frame: _Frame) -> list[Path]:
        match stmt:
            case Assign():
                ways = []
                for path in paths:
                    for value, way in self._cases(stmt.value, path):
                        way.values[stmt.name] = value
                        ways.append(way)
                return ways
            case If():
                then = self._block(stmt.then, self.evaluator.ways(stmt.test, True, paths), frame)
                other = self._block(stmt.other, self.evaluator.ways(stmt.test, False, paths), frame)
                return then + other
            case Loop():
                return [way for path in paths for way in self._loop(stmt, path, frame)]
            case Return():
                for path in paths:
                    self._return(stmt, path, frame)
            case Leave():
                (frame.breaks if stmt.word == "break" else frame.continues).extend(paths)
        return []

    def _cases(self, expr: Expr, path: Path) -> list[tuple[Value, Path]]:
        """A value on each path; those of a choice stay apart, since what follows may depend on which it was."""
        if isinstance(expr, Choice):
            found = []
            for arm, ways in self.evaluator.arms(expr, path):
                found += [case for way in ways for case in self._cases(arm, way)]
            if self._findings is not None:
                self._note_choice(expr, found)
            return [case for case in found if path.ghost or not case[1].ghost]
        try:
            return [(self.evaluator.value(expr, path), path)]
        except UnreachableError:
            return []

    def _note_choice(self, expr: Choice, found: Sequence[tuple[Value, Path]]) -> None:
        assert self._findings is not None
        for value, way in found:
            within = way.knowledge.range(value) if isinstance(value, Form) else Range(0, 0)
            self._findings.note(expr, within, way.ghost)

    def _return(self, stmt: Return, path: Path, frame: _Frame) -> None:
        if len(stmt.values) == 1:
            frame.returns += [((value,), way) for value, way in self._cases(stmt.values[0], path)]
            return
        try:
            frame.returns.append((tuple(self.evaluator.value(each, path) for each in stmt.values), path))
        except UnreachableError:
            return

    def _loop(self, stmt: Loop, path: Path, frame: _Frame) -> list[Path]:
        ends = [path.knowledge.range(self.evaluator.number(end, path)) for end in (stmt.start, stmt.stop)]
        start, stop = ends[0].low, ends[1].high
        if any(end.low != end.high for end in ends) or stop - start > TURNS_MAX:
            within = Range(ends[1].low - ends[0].high, stop - start)
            if self._findings is not None:
                self._findings.wrong(stmt.stop, f"a fixed number of turns, at most {TURNS_MAX}", within, path.ghost)
            stop = start
        if stop <= start and self._findings is not None:
            # No turn is ever made: only a ghost sees the body.
            ghost = path.copy(ghost=True)
            ghost.values[stmt.name] = ghost.knowledge.unknown(WHOLE)
            self._block(stmt.body, [ghost], _Frame())
        current, gone = [path], []
        for number in range(start, stop):
            for each in current:
                each.values[stmt.name] = fixed(number)
            inner = _Frame(returns=frame.returns)
            current = settled(self._block(stmt.body, current, inner) + inner.continues)
            gone += inner.breaks
        after = settled(current + gone)
        for each in after:
            each.values.pop(stmt.name, None)
        return after


def is_straight(function: Function) -> bool:
    """Whether a function has but one path."""
    return all(
        (isinstance(stmt, Assign) and not isinstance(stmt.value, Choice))
        or (isinstance(stmt, Return) and not isinstance(stmt.values[0], Choice))
        for stmt in function.body
    )
