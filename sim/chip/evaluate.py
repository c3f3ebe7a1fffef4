"""The range of every expression on one path through a program (row 1)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sim.chip import intervals
from sim.chip.intervals import SHIFT_MAX, Range
from sim.chip.knowledge import Form, Knowledge, fixed
from sim.chip.tree import (
    HIGHEST,
    LOWEST,
    Arithmetic,
    Build,
    Call,
    Choice,
    Compare,
    Expr,
    Extreme,
    Field,
    Local,
    Named,
    Not,
    Number,
    Several,
    Test,
    Unary,
    fields,
    kind_of,
)
from sim.chip.values import (
    FITS,
    WHOLE,
    Findings,
    Path,
    UnreachableError,
    Value,
    divided,
    few,
    joined,
    remaining,
)

OPPOSITE = {"<": ">=", ">=": "<", ">": "<=", "<=": ">", "==": "!=", "!=": "=="}


class Evaluator:
    """Values of expressions, and what tests say.

    Parameters
    ----------
    call : gives a function's answer, see `sim.chip.paths`.
    findings : where ranges are noted; None while ranges are still searched for.
    """

    def __init__(self, call: Callable[[Call, Sequence[Value], Path], Value], findings: Findings | None) -> None:
        self._call = call
        self.findings = findings
        # Fixed numbers that others were compared with, which is where ranges tend to end.
        self.landmarks: set[int] = set()
        self._settled: set[int] = set()
        # Ends of the ranges of everything that was compared.
        self.ends: set[int] = set()

    def value(self, expr: Expr, path: Path) -> Value:
        """The value of an expression.

        Raises
        ------
        UnreachableError
        """
        match expr:
            case Build():
                return self._seen(expr, tuple(self.value(part, path) for part in expr.parts), path)
            case Call():
                parts = [self.value(part, path) for part in expr.parts]
                return self._seen(expr, self._call(expr, parts, path), path)
            case Choice():
                return self._seen(expr, self._choice(expr, path), path)
            case Local():
                return self._seen(expr, path.values[expr.name], path)
            case Field():
                whole = self.value(expr.of, path)
                assert not isinstance(whole, Form)
                index = list(fields(kind_of(expr.of))).index(expr.name)
                return self._seen(expr, whole[index], path)
        return self.number(expr, path)

    def number(self, expr: Expr, path: Path) -> Form:
        """The value of an expression that is a whole number; one that could leave 32 bits is told and cut to them."""
        match expr:
            case Number(value=value):
                form = fixed(value)
            case Named(constant=constant):
                form = fixed(constant.value)
            case Arithmetic():
                form = self._arithmetic(expr, path)
            case Unary():
                of = self.number(expr.of, path)
                form = of.scaled(-1) if expr.sign == "-" else of.scaled(-1).plus(fixed(-1))
            case Extreme():
                form = self._extreme(expr, path)
            case _:
                found = self.value(expr, path)
                assert isinstance(found, Form)
                return found
        return self._noted(expr, form, path)

    def _seen(self, expr: Expr, value: Value, path: Path) -> Value:
        if isinstance(value, Form):
            return self._noted(expr, value, path)
        if self.findings is not None:
            self.findings.note(expr, Range(0, 0), path.ghost)
        return value

    def _noted(self, expr: Expr, form: Form, path: Path) -> Form:
        within = path.knowledge.plain_range(form)
        if not within.inside(WHOLE) or (self.findings is not None and within.low < 0):
            within = path.knowledge.range(form)
        if not within.inside(WHOLE):
            self._wrong(expr, FITS, within, path)
            within = Range(min(max(within.low, LOWEST), HIGHEST), min(max(within.high, LOWEST), HIGHEST))
            form = path.knowledge.unknown(within)
        if self.findings is not None:
            self.findings.note(expr, within, path.ghost)
        return form

    def _wrong(self, expr: Expr, expected: str, within: Range, path: Path) -> None:
        if self.findings is not None:
            self.findings.wrong(expr, expected, within, path.ghost)

    def _arithmetic(self, expr: Arithmetic, path: Path) -> Form:
        left, right = self.number(expr.left, path), self.number(expr.right, path)
        sign = expr.sign
        if sign in ("+", "-"):
            return left.plus(right, 1 if sign == "+" else -1)
        a, b = path.knowledge.range(left), path.knowledge.range(right)
        if sign == "*":
            return self._product(left, right, a, b, path)
        if sign in ("//", "%"):
            if b.low <= 0 <= b.high:
                self._wrong(expr, "a divisor that is never 0", b, path)
                if b == Range(0, 0):
                    return path.knowledge.unknown(WHOLE)
            if b.low == b.high > 0:
                return divided(left, b.low, path.knowledge) if sign == "//" else remaining(left, b.low, path.knowledge)
            return path.knowledge.unknown((intervals.quotient if sign == "//" else intervals.remainder)(a, b))
        if sign in ("<<", ">>"):
            if not b.inside(Range(0, SHIFT_MAX)):
                self._wrong(expr, f"a shift by 0 to {SHIFT_MAX}", b, path)
                b = Range(min(max(b.low, 0), SHIFT_MAX), min(max(b.high, 0), SHIFT_MAX))
            if b.low == b.high:
                return left.scaled(1 << b.low) if sign == "<<" else divided(left, 1 << b.low, path.knowledge)
            how = intervals.shifted_left if sign == "<<" else intervals.shifted_right
            return path.knowledge.unknown(how(a, b))
        bits = {"&": intervals.bits_and, "|": intervals.bits_or, "^": intervals.bits_xor}[sign]
        return path.knowledge.unknown(bits(a, b))

    def _product(self, left: Form, right: Form, a: Range, b: Range, path: Path) -> Form:
        if a.low == a.high:
            return right.scaled(a.low)
        if b.low == b.high:
            return left.scaled(b.low)
        within = intervals.product(a, b)
        if left == right:
            # A square is never negative.
            within = Range(0 if a.low <= 0 <= a.high else min(a.low**2, a.high**2), within.high)
        return path.knowledge.unknown(within)

    def _extreme(self, expr: Extreme, path: Path) -> Form:
        forms = [self.number(part, path) for part in expr.parts]
        if expr.name == "abs":
            forms.append(forms[0].scaled(-1))
        # The least is the negative of the greatest of the negatives.
        turn = -1 if expr.name == "min" else 1
        best = forms[0].scaled(turn)
        for form in forms[1:]:
            best = self._greater(best, form.scaled(turn), path.knowledge)
        if expr.name == "abs":
            path.knowledge.learn(best.scaled(-1))
        return best.scaled(turn)

    def _greater(self, one: Form, other: Form, knowledge: Knowledge) -> Form:
        a, b = knowledge.range(one), knowledge.range(other)
        for form, within in ((one, a), (other, b)):
            self.ends |= {*within, -within.low, -within.high}
            if self._is_settled(form):
                # Turned round for a least, so either way.
                self.landmarks |= {*within, -within.low, -within.high}
        if a.low >= b.high:
            return one
        if b.low >= a.high:
            return other
        most = knowledge.unknown(Range(max(a.low, b.low), max(a.high, b.high)))
        for each in (one, other):
            knowledge.learn(each.plus(most, -1))
        return most

    def _choice(self, expr: Choice, path: Path) -> Value:
        ends: list[tuple[Value, Path]] = []
        for arm, ways in self.arms(expr, path):
            for way in ways:
                try:
                    found = self.value(arm, way)
                except UnreachableError:
                    continue
                if not way.ghost or path.ghost:
                    ends.append((found, way))
        if not ends:
            raise UnreachableError
        answer = joined([value for value, _ in ends], [way for _, way in ends], path.knowledge)
        if isinstance(answer, Form) and all(isinstance(each, Form) and self._is_settled(each) for each, _ in ends):
            # One fixed number or another is as good an end for a range.
            self._settled |= answer.factors.keys()
        return answer

    def _is_settled(self, form: Form) -> bool:
        return all(unknown in self._settled for unknown in form.factors)

    def arms(self, expr: Choice, path: Path) -> list[tuple[Expr, list[Path]]]:
        """Each arm of a choice with the paths that lead to it; a ghost where none does."""
        return [
            (expr.then, self.ways(expr.test, True, [path])),
            (expr.other, self.ways(expr.test, False, [path])),
        ]

    def ways(self, test: Test, truth: bool, paths: Sequence[Path]) -> list[Path]:
        """Every path on which a test turns out so; a ghost where none does, once ranges are noted."""
        found = [way for path in paths for way in self.assume(test, truth, path)]
        if not found and paths and self.findings is not None:
            return [paths[0].copy(ghost=True)]
        return few(found)

    def assume(self, test: Test, truth: bool, path: Path) -> list[Path]:
        """The paths on which a test turns out so; none where it cannot."""
        match test:
            case Not(of=of):
                return self.assume(of, not truth, path)
            case Several():
                return self._several(test, truth, path)
            case Compare():
                way = path.copy()
                try:
                    holds = self._compare(test, truth, way)
                except UnreachableError:
                    return []
                if not holds and path.ghost:
                    # A ghost goes both ways; what contradicts the way it came it does not learn.
                    return [path.copy()]
                return [way] if holds else []

    def _several(self, test: Several, truth: bool, path: Path) -> list[Path]:
        # `or` is `and` of the opposites, turned round.
        goes_on = test.word == "and"
        found: list[Path] = []
        current = [path]
        for part in test.parts:
            if truth != goes_on:
                found += [way for each in current for way in self.assume(part, truth, each)]
            current = self.ways(part, goes_on, current)
        # A ghost is no answer, unless it was one who came.
        return few([way for way in (current if truth == goes_on else found) if path.ghost or not way.ghost])

    def _compare(self, test: Compare, truth: bool, path: Path) -> bool:
        left, right = self.number(test.left, path), self.number(test.right, path)
        for each in (left, right):
            within = path.knowledge.plain_range(each)
            self.ends |= {*within}
            if self._is_settled(each):
                self.landmarks |= {within.low - 1, *within, within.high + 1}
        sign = test.sign if truth else OPPOSITE[test.sign]
        apart = left.plus(right, -1)
        learn = path.knowledge.learn
        if sign in ("<", "<="):
            return learn(apart.plus(fixed(1 if sign == "<" else 0)))
        if sign in (">", ">="):
            return learn(apart.scaled(-1).plus(fixed(1 if sign == ">" else 0)))
        if sign == "==":
            return learn(apart) and learn(apart.scaled(-1))
        within = path.knowledge.range(apart)
        if within.low == 0:
            return learn(apart.scaled(-1).plus(fixed(1)))
        if within.high == 0:
            return learn(apart.plus(fixed(1)))
        return True
