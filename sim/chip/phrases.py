"""Expressions written in C (row 1).

Whole numbers are int32_t throughout. Where C's `int` may have 16 bits, an
operator of two constants is worked out in 32 all the same: one of them says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from sim.chip.layout import Chain, Doc, Group, row
from sim.chip.names import Names
from sim.chip.tree import (
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
from sim.chip.values import Findings

# How tightly an expression holds together; what is looser stands in brackets.
ATOM, PREFIX, PRODUCT, SUM, LOOSE = 4, 3, 2, 1, 0
TIGHTNESS = {"+": SUM, "-": SUM, "*": PRODUCT, "//": PRODUCT, "%": PRODUCT}
# A constant up to this is an `int` everywhere, however few bits that has.
NARROW = 32767

FLOOR_DIV, FLOOR_MOD = "int32_floor_div", "int32_floor_mod"
SHIFT_LEFT, SHIFT_RIGHT = "int32_shift_left", "int32_shift_right"
MIN, MAX, ABS = "int32_min", "int32_max", "int32_abs"

HELPERS = {
    FLOOR_DIV: """
/* a // b as Python has it: rounded down, where C rounds towards 0. */
static inline int32_t int32_floor_div(int32_t a, int32_t b)
{
    const int32_t quotient = a / b;
    return ((a % b != 0) && ((a < 0) != (b < 0))) ? quotient - 1 : quotient;
}
""",
    FLOOR_MOD: """
/* a % b as Python has it: with the sign of b, where C gives that of a. */
static inline int32_t int32_floor_mod(int32_t a, int32_t b)
{
    int32_t rest = 0;
    /* INT32_MIN % -1 is not defined in C. */
    if (b != -1) {
        rest = a % b;
        if ((rest != 0) && ((rest < 0) != (b < 0))) {
            rest += b;
        }
    }
    return rest;
}
""",
    SHIFT_LEFT: """
/* a << b of a number that may be negative, which C does not define. */
static inline int32_t int32_shift_left(int32_t a, int32_t b)
{
    if (b < 31) {
        return a * (INT32_C(1) << b);
    }
    return (a == 0) ? 0 : INT32_MIN;
}
""",
    SHIFT_RIGHT: """
/* a >> b of a number that may be negative, rounded down; C leaves it to the compiler. */
static inline int32_t int32_shift_right(int32_t a, int32_t b)
{
    return (a >= 0) ? (a >> b) : ~(~a >> b);
}
""",
    MIN: """
static inline int32_t int32_min(int32_t a, int32_t b)
{
    return (a < b) ? a : b;
}
""",
    MAX: """
static inline int32_t int32_max(int32_t a, int32_t b)
{
    return (a > b) ? a : b;
}
""",
    ABS: """
static inline int32_t int32_abs(int32_t a)
{
    return (a < 0) ? -a : a;
}
""",
}


@dataclass(frozen=True, slots=True)
class Phrase:
    """An expression in C.

    tight : how tightly it holds together.
    wide : whether C works it out in 32 bits whatever its `int` is.
    """

    doc: Doc
    tight: int = ATOM
    wide: bool = True


@dataclass(slots=True)
class Phrases:
    """Writes the expressions of one function.

    Parameters
    ----------
    variables : C names by Python names.
    pointers : arguments that come as the address of a tuple.
    comments : takes the comments above a line out of those still to be written.
    """

    names: Names
    findings: Findings
    variables: Mapping[str, str]
    pointers: frozenset[str]
    comments: Callable[[int], tuple[str, ...]]
    used: set[str] = field(default_factory=set)
    helpers: set[str] = field(default_factory=set)

    def value(self, expr: Expr) -> Doc:
        """An expression where anything may stand."""
        return self._phrase(expr).doc

    def number(self, value: int) -> Phrase:
        """A whole number."""
        if value == LOWEST:
            return Phrase("INT32_MIN")
        return Phrase(str(value), PREFIX if value < 0 else ATOM, abs(value) > NARROW)

    def test(self, test: Test) -> Doc:
        """A test where anything may stand."""
        match test:
            case Compare():
                left, right = self._phrase(test.left), self._phrase(test.right)
                return row(_held(left, SUM), f" {test.sign} ", _held(right, SUM))
            case Not():
                return row("!", Group("(", (self.test(test.of),), ")"))
            case Several():
                parts = tuple(self._bracketed(part) for part in _alike(test))
                return Chain(parts, ("&&" if test.word == "and" else "||",) * (len(parts) - 1))

    def _bracketed(self, test: Test) -> Doc:
        return row("(", self.test(test), ")")

    def _phrase(self, expr: Expr) -> Phrase:
        match expr:
            case Number():
                return self.number(expr.value)
            case Named():
                return Phrase(self.names.constants[expr.constant])
            case Local():
                self.used.add(expr.name)
                name = self.variables[expr.name]
                return Phrase(f"*{name}", PREFIX) if expr.name in self.pointers else Phrase(name)
            case Field():
                return Phrase(self._field(expr))
            case Arithmetic():
                return self._arithmetic(expr)
            case Unary():
                of = self._phrase(expr.of)
                # Two signs in a row would be another operator.
                held = _held(of, ATOM)
                return Phrase(row(expr.sign, held if of.wide else row("(int32_t)", held)), PREFIX)
            case Extreme():
                return self._extreme(expr)
            case Choice():
                return self._choice(expr)
            case Call():
                return Phrase(self._called(self.names.functions[expr.function], [self.argument(p) for p in expr.parts]))
            case Build():
                return Phrase(self._built(expr))

    def _called(self, name: str, parts: Iterable[Doc]) -> Doc:
        return Group(f"{name}(", tuple(parts), ")")

    def argument(self, expr: Expr) -> Doc:
        """A function's argument: a number, or the address of a tuple."""
        if kind_of(expr) is int:
            return self.value(expr)
        if isinstance(expr, Local) and expr.name in self.pointers:
            self.used.add(expr.name)
            return self.variables[expr.name]
        return row("&", self.value(expr))

    def _field(self, expr: Field) -> Doc:
        name = self.names.fields(kind_of(expr.of))[expr.name]
        if isinstance(expr.of, Local) and expr.of.name in self.pointers:
            self.used.add(expr.of.name)
            return f"{self.variables[expr.of.name]}->{name}"
        return row(_held(self._phrase(expr.of), ATOM), f".{name}")

    def _is_positive(self, expr: Expr, least: int = 0) -> bool:
        within = self.findings.ranges.get(expr) or self.findings.ghosts[expr]
        return within.low >= least

    def _arithmetic(self, expr: Arithmetic) -> Phrase:
        left, right = self._phrase(expr.left), self._phrase(expr.right)
        sign = expr.sign
        positive = self._is_positive(expr.left)
        if sign in ("//", "%") and not (positive and self._is_positive(expr.right, least=1)):
            return self._helped(FLOOR_DIV if sign == "//" else FLOOR_MOD, left.doc, right.doc)
        if sign in ("<<", ">>") and not positive:
            return self._helped(SHIFT_LEFT if sign == "<<" else SHIFT_RIGHT, left.doc, right.doc)
        # What a shift is worked out in is for its left side alone.
        wide = left.wide or (right.wide and sign not in ("<<", ">>"))
        tight = TIGHTNESS.get(sign, LOOSE)
        if tight == LOOSE:
            # C's bit operators hold looser than one expects; they always stand in brackets.
            mine, other = _held(left, PREFIX), _held(right, PREFIX)
        else:
            mine, other = _held(left, tight), _held(right, tight + 1)
        if not wide:
            mine = row("(int32_t)", _held(left, ATOM))
        if tight == SUM:
            # A long sum breaks before its signs.
            first = mine if isinstance(mine, Chain) else Chain((mine,), ())
            return Phrase(Chain((*first.parts, other), (*first.signs, sign)), SUM)
        return Phrase(row(mine, f" {'/' if sign == '//' else sign} ", other), tight)

    def _helped(self, helper: str, *parts: Doc) -> Phrase:
        self.helpers.add(helper)
        return Phrase(self._called(helper, parts))

    def _extreme(self, expr: Extreme) -> Phrase:
        if expr.name == "abs":
            return self._helped(ABS, self.value(expr.parts[0]))
        helper = MIN if expr.name == "min" else MAX
        docs = [self.value(part) for part in expr.parts]
        found = docs[0]
        for doc in docs[1:]:
            found = self._helped(helper, found, doc).doc
        return Phrase(found)

    def _choice(self, expr: Choice) -> Phrase:
        then, other = self._phrase(expr.then), self._phrase(expr.other)
        parts = (self._bracketed(expr.test), _held(then, SUM), _held(other, SUM))
        return Phrase(Chain(parts, ("?", ":")), LOOSE, then.wide or other.wide)

    def _built(self, expr: Build) -> Doc:
        items, comments = [], []
        names = self.names.fields(expr.kind)
        for name, part in zip(fields(expr.kind), expr.parts, strict=True):
            # Every comment down to the line on which the part ends belongs above it.
            comments.append(self.comments(part.place.last_line))
            items.append(row(f".{names[name]} = ", self.value(part)))
        return Group(f"({self.names.kinds[expr.kind]}){{", tuple(items), "}", tuple(comments))


def _alike(test: Several) -> Iterator[Test]:
    """The parts of a test, those of the same word inside it among them."""
    for part in test.parts:
        if isinstance(part, Several) and part.word == test.word:
            yield from _alike(part)
        else:
            yield part


def _held(phrase: Phrase, tight: int) -> Doc:
    """The phrase, in brackets where it is looser than it must be."""
    return phrase.doc if phrase.tight >= tight else row("(", phrase.doc, ")")
