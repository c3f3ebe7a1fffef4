"""Reads a formula written as a plain Python-like expression into a tree (row 3).

The text goes through `ast` and a whitelist; nothing is ever evaluated as
Python. Every fault says the column inside the formula, and near misses of a
word are suggested.
"""

from __future__ import annotations

import ast
import math
import warnings
from collections.abc import Callable, Sequence

from sim.base.errors import InputError, did_you_mean
from sim.verdict.place import NOWHERE, Place
from sim.verdict.tree import (
    And,
    Before,
    Compare,
    Condition,
    Constant,
    Formula,
    Implies,
    Name,
    Not,
    Number,
    Of,
    Operation,
    Or,
    Side,
    Source,
    State,
    Term,
    Until,
    Window,
)

LONGEST = 2000
DEEPEST = 60

_ARITHMETIC: dict[type[ast.operator], str] = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}
_COMPARISONS: dict[type[ast.cmpop], str] = {
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Eq: "==",
    ast.NotEq: "!=",
}
# Function on terms: fewest and most arguments.
_TERM_CALLS: dict[str, tuple[int, int]] = {
    "abs": (1, 1),
    "min": (2, 9),
    "max": (2, 9),
    "previous": (1, 1),
    "rate": (1, 1),
}
# Word on conditions: how it is called, for the reader of a fault. `T_s` is a duration, letters are conditions.
_CONDITION_CALLS: dict[str, tuple[str, ...]] = {
    "implies": ("a", "b"),
    "state": ("a",),
    "always": ("a",),
    "never": ("a",),
    "eventually": ("a",),
    "within": ("T_s", "a"),
    "held": ("T_s", "a"),
    "once": ("T_s", "a"),
    "throughout": ("T_s", "a"),
    "until": ("a", "b", "T_s"),
    "rising": ("a",),
    "falling": ("a",),
}


def parse(text: str, place: Place = NOWHERE) -> Formula:
    """Read a condition.

    Raises
    ------
    InputError
        Not a condition of the language; the column says where.
    """
    tree = _python(text, place)
    return Formula(root=Reader(text, place).condition(tree), text=text, place=place)


def parse_constant(text: str, place: Place = NOWHERE) -> Constant:
    """Read arithmetic on numbers and named limits: a duration or a bound.

    Raises
    ------
    InputError
        Not arithmetic; whether its names are limits is known only once there are limits.
    """
    tree = _python(text, place)
    return Constant(root=Reader(text, place).term(tree), text=text, place=place)


def parse_call(
    text: str, place: Place, signatures: dict[str, tuple[str, ...]]
) -> tuple[str, tuple[Term | Condition, ...]]:
    """Read one call, `name(arg, ...)`, of a table of signatures.

    A signature lists its arguments: those starting with `when` are conditions,
    the others terms; those ending in `?` may be left out.

    Raises
    ------
    InputError
        Not a call, an unknown name, or arguments that do not fit.
    """
    tree = _python(text, place)
    reader = Reader(text, place)
    if not isinstance(tree, ast.Call) or not isinstance(tree.func, ast.Name) or tree.func.id not in signatures:
        name = tree.func.id if isinstance(tree, ast.Call) and isinstance(tree.func, ast.Name) else ""
        known = ", ".join(sorted(signatures))
        raise reader.wrong(tree, f"one of {known}", repr(text) + did_you_mean(name, sorted(signatures)))
    name, signature = tree.func.id, signatures[tree.func.id]
    args = reader.arguments(tree, signature)
    kinds = zip(args, signature, strict=False)
    return name, tuple(reader.condition(a) if kind.startswith("when") else reader.term(a) for a, kind in kinds)


def _python(text: str, place: Place) -> ast.expr:
    """The bare syntax tree, within bounds of length and nesting."""
    if len(text) > LONGEST:
        raise InputError([place.fault(0, f"a formula of at most {LONGEST} characters", f"{len(text)}")])
    if "#" in text:
        # On one line a comment would swallow everything after it, and nobody would notice.
        raise InputError([place.fault(text.index("#"), "a formula without comments", "#")])
    # A folded or block scalar may carry line ends; as blanks they keep every column in its place.
    flat = text.replace("\n", " ").replace("\r", " ").replace("\t", " ")
    too_deep = InputError([place.fault(0, f"at most {DEEPEST} levels of nesting", "more")])
    try:
        with warnings.catch_warnings():
            # Python only warns of "1or x"; here it is a mistake like any other.
            warnings.simplefilter("error")
            tree = ast.parse(flat, mode="eval").body
    except SyntaxError as error:
        if "nested" in error.msg:
            raise too_deep from error
        offset = min(max((error.offset or 1) - 1, 0), len(text))
        raise InputError([place.fault(offset, "an expression", f"{text!r} ({error.msg})")]) from error
    except (RecursionError, MemoryError) as error:
        raise too_deep from error
    except ValueError as error:
        raise InputError([place.fault(0, "an expression", f"{text!r} ({error})")]) from error
    level: list[ast.AST] = [tree]
    for _ in range(DEEPEST):
        level = [child for node in level for child in ast.iter_child_nodes(node)]
        if not level:
            return tree
    raise too_deep


class Reader:
    """Turns syntax nodes of one text into terms and conditions."""

    def __init__(self, text: str, place: Place) -> None:
        self._bytes = text.encode()
        self._place = place

    def source(self, first: ast.expr, last: ast.expr | None = None) -> Source:
        """The text from the start of one node to the end of another; `ast` counts bytes."""
        start, end = first.col_offset, (last or first).end_col_offset
        return Source(self._bytes[start:end].decode(), len(self._bytes[:start].decode()))

    def wrong(self, node: ast.expr, expected: str, got: str = "") -> InputError:
        """The fault at a node."""
        source = self.source(node)
        return InputError([self._place.fault(source.offset, expected, got or repr(source.text))])

    def term(self, node: ast.expr) -> Term:
        """Read a number at each sample."""
        source = self.source(node)
        match node:
            case ast.Constant(value=bool()):
                raise self.wrong(node, "a number (write 1 or 0)")
            case ast.Constant(value=int() | float() as value):
                return Number(value=self._finite(node, value), source=source)
            case ast.Name(id=name):
                return Name(name=name, source=source)
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                return Operation(op="negate", args=(self.term(operand),), source=source)
            case ast.UnaryOp(op=ast.UAdd(), operand=operand):
                return self.term(operand)
            case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _ARITHMETIC:
                op = _ARITHMETIC[type(operator)]
                return Operation(op=op, args=(self.term(left), self.term(right)), source=source)
            case ast.Call(func=ast.Name(id=name)) if name in _TERM_CALLS:
                fewest, most = _TERM_CALLS[name]
                args = self.arguments(node, tuple(["x"] * fewest + ["x?"] * (most - fewest)))
                return Operation(op=name, args=tuple(self.term(arg) for arg in args), source=source)
            case ast.Call(func=ast.Name(id=name)) if name not in _CONDITION_CALLS:
                known = sorted(_TERM_CALLS)
                raise self.wrong(node, f"one of {', '.join(known)}", repr(name) + did_you_mean(name, known))
        raise self.wrong(node, "a number, a name, + - * /, or " + ", ".join(sorted(_TERM_CALLS)))

    def condition(self, node: ast.expr) -> Condition:
        """Read something true or false at each sample."""
        source = self.source(node)
        match node:
            case ast.Compare():
                return self._comparison(node)
            case ast.BoolOp(op=operator, values=values):
                args = tuple(self.condition(value) for value in values)
                return And(args=args, source=source) if isinstance(operator, ast.And) else Or(args=args, source=source)
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                return Not(arg=self.condition(operand), source=source)
            case ast.Name():
                # A state by its bare name, as in `rising(deadman)`; whether the name has a unit is checked later.
                return Compare(op="!=", left=self.term(node), right=Number(value=0.0, source=source), source=source)
            case ast.Call(func=ast.Name(id=name)) if name in _CONDITION_CALLS:
                return self._call(node, name, source)
            case ast.Call(func=ast.Name(id=name)) if name not in _TERM_CALLS:
                known = sorted(_CONDITION_CALLS)
                raise self.wrong(node, f"one of {', '.join(known)}", repr(name) + did_you_mean(name, known))
        raise self.wrong(node, "a condition (a comparison, and, or, not, always(...) ...)")

    def arguments(self, call: ast.Call, signature: Sequence[str]) -> list[ast.expr]:
        """The positional arguments of a call that fits its signature."""
        fewest = sum(not name.endswith("?") for name in signature)
        fits = fewest <= len(call.args) <= len(signature)
        if not fits or call.keywords or any(isinstance(arg, ast.Starred) for arg in call.args):
            name = call.func.id if isinstance(call.func, ast.Name) else ""
            shown = [word.rstrip("?") for word in signature[: fewest + 1]]
            usage = f"{name}({', '.join(shown)}{', ...' if len(signature) > len(shown) else ''})"
            raise self.wrong(call, usage)
        return list(call.args)

    def _finite(self, node: ast.expr, value: int | float) -> float:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise self.wrong(node, "a finite number")
        return number

    def _comparison(self, node: ast.Compare) -> Condition:
        """One atom for each sign; a chain `a < b < c` is both."""
        sides = [node.left, *node.comparators]
        atoms: list[Condition] = []
        for left, operator, right in zip(sides, node.ops, sides[1:], strict=False):
            if type(operator) not in _COMPARISONS:
                raise self.wrong(node, "one of < <= > >= == !=")
            op, source = _COMPARISONS[type(operator)], self.source(left, right)
            atoms.append(Compare(op=op, left=self.term(left), right=self.term(right), source=source))
        return atoms[0] if len(atoms) == 1 else And(args=tuple(atoms), source=self.source(node))

    def _call(self, call: ast.Call, name: str, source: Source) -> Condition:
        """Read one of the words on conditions."""
        signature = _CONDITION_CALLS[name]
        if name == "until":
            args = self.arguments(call, ("a", "b", "T_s?"))
            length = self.term(args[2]) if len(args) == 3 else None
            return Until(left=self.condition(args[0]), right=self.condition(args[1]), length=length, source=source)
        args = self.arguments(call, signature)
        if signature[0] == "T_s":
            of, side = _WINDOWS[name]
            return Window(of=of, side=side, length=self.term(args[0]), arg=self.condition(args[1]), source=source)
        return _PLAIN[name](*(self.condition(arg) for arg in args), source)


_WINDOWS = {
    "within": (Of.SOME, Side.AHEAD),
    "held": (Of.ALL, Side.AHEAD),
    "once": (Of.SOME, Side.BEHIND),
    "throughout": (Of.ALL, Side.BEHIND),
}


def rising(arg: Condition, source: Source) -> And:
    """True where `arg` is true and was not one sample earlier."""
    return And(args=(_not(Before(arg=arg, source=arg.source)), arg), source=source)


def _whole_run(of: Of, arg: Condition, source: Source) -> Window:
    return Window(of=of, side=Side.AHEAD, length=None, arg=arg, source=source)


def _not(arg: Condition) -> Not:
    return Not(arg=arg, source=Source(f"not ({arg.source.text})", arg.source.offset))


_PLAIN: dict[str, Callable[..., Condition]] = {
    "implies": lambda a, b, source: Implies(left=a, right=b, source=source),
    "state": lambda a, source: State(arg=a, source=source),
    "always": lambda a, source: _whole_run(Of.ALL, a, source),
    "never": lambda a, source: _whole_run(Of.ALL, _not(a), source),
    "eventually": lambda a, source: _whole_run(Of.SOME, a, source),
    "rising": lambda a, source: rising(a, source),
    "falling": lambda a, source: And(args=(Before(arg=a, source=a.source), _not(a)), source=source),
}
