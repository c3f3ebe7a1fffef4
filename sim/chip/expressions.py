"""Python expressions read into the tree; what the style leaves out is refused (row 1)."""

from __future__ import annotations

import ast
import builtins
from collections.abc import Iterator, Mapping, Sequence
from types import BuiltinFunctionType, FunctionType, ModuleType
from typing import TYPE_CHECKING, Any, NoReturn

from sim.chip import refusals
from sim.chip.refusals import RefusedError, refused
from sim.chip.source import Place, Source
from sim.chip.tree import (
    Arithmetic,
    Build,
    Call,
    Choice,
    Compare,
    Expr,
    Extreme,
    Field,
    Kind,
    Local,
    Named,
    Not,
    Number,
    Parameters,
    Several,
    Test,
    Unary,
    fields,
    kind_of,
)

if TYPE_CHECKING:
    from sim.chip.reading import Reader

SIGNS: Mapping[type[ast.AST], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.FloorDiv: "//",
    ast.Mod: "%",
    ast.LShift: "<<",
    ast.RShift: ">>",
    ast.BitAnd: "&",
    ast.BitOr: "|",
    ast.BitXor: "^",
    ast.USub: "-",
    ast.Invert: "~",
    ast.Eq: "==",
    ast.NotEq: "!=",
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
}
EXTREMES = {min: "min", max: "max", abs: "abs"}
MISSING = object()


class Values:
    """Reads the expressions of one function.

    Parameters
    ----------
    scope : the globals the function was loaded with.
    local : every name the function itself binds.
    """

    def __init__(self, reader: Reader, source: Source, scope: Mapping[str, Any], local: set[str]) -> None:
        self.reader = reader
        self.source = source
        self.scope = scope
        self.local = local
        # Kind by name; None where its assignment was refused, which is told only once.
        self.kinds: dict[str, Kind | None] = {}
        self.assigned: set[str] = set()

    def number(self, node: ast.expr) -> Expr:
        """An expression that is a whole number."""
        read = self.value(node)
        if kind_of(read) is not int:
            self.refuse(node, "a whole number", f"a {kind_of(read).__name__}")
        return read

    def value(self, node: ast.expr) -> Expr:
        """An expression that is a whole number or a NamedTuple of them.

        Raises
        ------
        RefusedError
        """
        place = Place(self.source, node)
        match node:
            case ast.Constant(value=value):
                if type(value) is not int:
                    raise refusals.constant(self.source, node)
                return Number(value, place)
            case ast.Name() | ast.Attribute():
                return self._name(node, place)
            case ast.BinOp():
                sign = self.sign(node, node.op)
                return Arithmetic(sign, self.number(node.left), self.number(node.right), place)
            case ast.UnaryOp():
                return self._unary(node, place)
            case ast.IfExp():
                then, other = self.value(node.body), self.value(node.orelse)
                if kind_of(then) is not kind_of(other):
                    self.refuse(node, "two values of one kind", "two kinds")
                return Choice(self.test(node.test), then, other, kind_of(then), place)
            case ast.Call():
                return self._call(node, place)
        raise refusals.unknown_expression(self.source, node)

    def test(self, node: ast.expr) -> Test:
        """An expression as a condition.

        Raises
        ------
        RefusedError
        """
        place = Place(self.source, node)
        match node:
            case ast.Compare():
                return self._compare(node, place)
            case ast.BoolOp():
                word = "and" if isinstance(node.op, ast.And) else "or"
                return Several(word, tuple(self.test(part) for part in node.values), place)
            case ast.UnaryOp(op=ast.Not()):
                return Not(self.test(node.operand), place)
        return Compare("!=", self.number(node), Number(0, place), place)

    def refuse(self, node: ast.AST, expected: str, got: str) -> NoReturn:
        """Give up on this part of the source."""
        raise refused(self.source, node, expected, got)

    def sign(self, node: ast.AST, sign: ast.AST) -> str:
        """An operator as Python writes it."""
        if type(sign) not in SIGNS:
            raise refusals.unknown_sign(self.source, node, sign)
        return SIGNS[type(sign)]

    def _unary(self, node: ast.UnaryOp, place: Place) -> Expr:
        if isinstance(node.op, ast.Not):
            self.refuse(node, "1 if ... else 0 where a truth value is stored", "not as a value")
        of = self.number(node.operand)
        if isinstance(node.op, ast.UAdd):
            return of
        if isinstance(node.op, ast.USub) and isinstance(of, Number):
            return Number(-of.value, place)
        return Unary(self.sign(node, node.op), of, place)

    def _compare(self, node: ast.Compare, place: Place) -> Test:
        operands = [self.number(each) for each in (node.left, *node.comparators)]
        signs = [self.sign(node, sign) for sign in node.ops]
        parts = [
            Compare(sign, left, right, place)
            for sign, left, right in zip(signs, operands[:-1], operands[1:], strict=True)
        ]
        return parts[0] if len(parts) == 1 else Several("and", tuple(parts), place)

    def spelled(self, node: ast.AST, name: str) -> str:
        """A name, which C must be able to spell."""
        if not name.isascii():
            self.refuse(node, "a name in ASCII letters", name)
        return name

    def _name(self, node: ast.Name | ast.Attribute, place: Place) -> Expr:
        self.spelled(node, node.id if isinstance(node, ast.Name) else node.attr)
        found = self.meant(node)
        if found is not MISSING:
            if type(found) is int:
                return self._constant(node, found, place)
            self.refuse(node, "a whole number, a variable or a field", _what(found))
        if isinstance(node, ast.Name):
            return self._local(node, place)
        if isinstance(node.value, ast.Name) and self.kinds.get(node.value.id) is Parameters:
            if node.attr not in self.reader.parameters:
                self.refuse(node, "a field of the parameters", f"no field {node.attr}")
            constant = self.reader.parameters[node.attr]
            if type(constant.value) is not int:
                self.refuse(node, "a parameter that is a whole number", type(constant.value).__name__)
            return Named(constant, place)
        of = self.value(node.value)
        kind = kind_of(of)
        if kind is int or node.attr not in fields(kind):
            self.refuse(node, "a field by its name", f"{node.attr} of a {kind.__name__}")
        return Field(of, node.attr, fields(kind)[node.attr], place)

    def _local(self, node: ast.Name, place: Place) -> Expr:
        if node.id not in self.local:
            self.refuse(node, "a name that is known here", "an unknown name")
        if node.id not in self.assigned:
            self.refuse(node, "a value on every path before it is used", "a path without one")
        kind = self.kinds[node.id]
        if kind is None:
            raise RefusedError
        if kind is Parameters:
            self.refuse(node, "the parameters only by their fields, or as an argument", "the parameters as a value")
        return Local(node.id, kind, place)

    def _constant(self, node: ast.Name | ast.Attribute, value: int, place: Place) -> Expr:
        if isinstance(node, ast.Name):
            return Named(self.reader.constant(self.scope, node.id, value), place)
        module = self.meant(node.value)
        return Named(self.reader.constant(vars(module), node.attr, value), place)

    def meant(self, node: ast.expr) -> Any:
        """What a name or module.name stands for in Python; MISSING where it is no global."""
        if isinstance(node, ast.Name) and node.id not in self.local:
            return self.scope.get(node.id, getattr(builtins, node.id, MISSING))
        if isinstance(node, ast.Attribute):
            module = self.meant(node.value)
            if isinstance(module, ModuleType):
                return getattr(module, node.attr, MISSING)
        return MISSING

    def _call(self, node: ast.Call, place: Place) -> Expr:
        called = self.meant(node.func)
        if isinstance(called, FunctionType):
            function = self.reader.callee(called, self.source, node)
            names = [name for name, _ in function.signature]
            parts = []
            for given, (_, kind) in zip(self._arguments(node, names), function.signature, strict=True):
                if kind is not Parameters:
                    parts.append(self._part(given, kind, as_argument=True))
                elif not (isinstance(given, ast.Name) and self.kinds.get(given.id) is Parameters):
                    self.refuse(given, "the parameters as they came", "something else")
            return Call(function, tuple(parts), function.answers[0], place)
        if isinstance(called, type) and self.reader.is_tuple(called):
            kinds = fields(called)
            filled = zip(self._arguments(node, list(kinds)), kinds.values(), strict=True)
            return Build(called, tuple(self._part(part, kind) for part, kind in filled), place)
        if called in (min, max, abs):
            return self._extreme(node, EXTREMES[called], place)
        if isinstance(node.func, ast.Name) and node.func.id in self.local:
            # Refused where it was made, it is not told again.
            self._local(node.func, place)
        if called is MISSING and isinstance(node.func, ast.Attribute):
            self.refuse(node, "functions by name or module.name", f"the method {node.func.attr}")
        self.refuse(node, "a function of this style, a NamedTuple, min, max or abs", _what(called))

    def _part(self, node: ast.expr, kind: Kind, as_argument: bool = False) -> Expr:
        part = self.value(node)
        if kind_of(part) is not kind:
            self.refuse(node, f"a {_word(kind)}", f"a {_word(kind_of(part))}")
        if as_argument and kind is not int and not _has_place(part):
            # Tuples are handed over by their address.
            self.refuse(node, "a variable for this tuple first", "a tuple made on the way")
        return part

    def _arguments(self, node: ast.Call, names: Sequence[str]) -> Iterator[ast.expr]:
        """What is given for each argument or field, in their order."""
        for part in (*node.args, *node.keywords):
            if isinstance(part, ast.Starred) or (isinstance(part, ast.keyword) and part.arg is None):
                self.refuse(node, "each argument by itself", "* or ** in a call")
        given = dict(zip(names, node.args, strict=False)) | {str(each.arg): each.value for each in node.keywords}
        if len(node.args) + len(node.keywords) != len(names) or set(given) != set(names):
            got = [
                *(f"{len(node.args)} by position" for _ in node.args[:1]),
                *(str(each.arg) for each in node.keywords),
            ]
            self.refuse(node, f"each of {', '.join(names) or 'no arguments'}", ", ".join(got) or "none")
        return (given[name] for name in names)

    def _extreme(self, node: ast.Call, name: str, place: Place) -> Expr:
        parts = [part for part in node.args if not isinstance(part, ast.Starred)]
        least, most = (1, 1) if name == "abs" else (2, 99)
        if node.keywords or len(parts) < len(node.args) or not least <= len(parts) <= most:
            self.refuse(node, f"{name} of {'one' if name == 'abs' else 'two or more'} whole numbers", "something else")
        return Extreme(name, tuple(self.number(part) for part in parts), place)


def _has_place(part: Expr) -> bool:
    """Whether a tuple stands somewhere that C can take the address of."""
    while isinstance(part, Field):
        part = part.of
    return isinstance(part, Local | Build)


def _word(kind: Kind) -> str:
    return "whole number" if kind is int else kind.__name__


def _what(found: Any) -> str:
    if found is MISSING:
        return "an unknown name"
    if isinstance(found, ModuleType):
        return f"the module {found.__name__}"
    name = getattr(found, "__name__", "")
    if isinstance(found, type):
        return f"the class {name}"
    if isinstance(found, FunctionType | BuiltinFunctionType):
        return f"the function {name}"
    return f"{type(found).__name__} {name}".strip()
