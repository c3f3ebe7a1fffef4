"""What the accepted style leaves out, and the words that say so (row 1)."""

from __future__ import annotations

import ast

from sim.base.errors import Fault
from sim.chip.source import Place, Source


class RefusedError(Exception):
    """A part of the source that is not translated; without a fault where one was told before."""

    def __init__(self, fault: Fault | None = None) -> None:
        self.fault = fault
        super().__init__(str(fault))


def refused(source: Source, node: ast.AST, expected: str, got: str, key: str | None = None) -> RefusedError:
    """The refusal of what stands at a node."""
    return RefusedError(Place(source, node).fault(expected, got, key))


_EXPRESSIONS = {
    ast.JoinedStr: ("whole numbers", "text"),
    ast.List: ("whole numbers or a NamedTuple of them", "a list"),
    ast.Tuple: ("a NamedTuple with every field", "a plain tuple"),
    ast.Dict: ("whole numbers or a NamedTuple of them", "a dictionary"),
    ast.Set: ("whole numbers or a NamedTuple of them", "a set"),
    ast.ListComp: ("whole numbers or a NamedTuple of them", "a comprehension"),
    ast.SetComp: ("whole numbers or a NamedTuple of them", "a comprehension"),
    ast.DictComp: ("whole numbers or a NamedTuple of them", "a comprehension"),
    ast.GeneratorExp: ("whole numbers or a NamedTuple of them", "a generator"),
    ast.Lambda: ("a function defined at the top of its file", "a lambda"),
    ast.NamedExpr: ("the assignment on a line of its own", "an assignment inside an expression"),
    ast.Subscript: ("a field by its name", "an index"),
    ast.Slice: ("a field by its name", "a slice"),
    ast.Starred: ("each value by itself", "a starred value"),
    ast.Await: ("a plain value", "await"),
    ast.Yield: ("return", "yield"),
    ast.YieldFrom: ("return", "yield from"),
    ast.Compare: ("1 if ... else 0 where a truth value is stored", "a comparison as a value"),
    ast.BoolOp: ("1 if ... else 0 where a truth value is stored", "and/or as a value"),
}

_STATEMENTS = {
    ast.While: ("a loop over range() of a fixed length", "while"),
    ast.AsyncFor: ("a loop over range() of a fixed length", "async for"),
    ast.With: ("plain statements", "with"),
    ast.AsyncWith: ("plain statements", "async with"),
    ast.Try: ("plain statements", "try"),
    ast.TryStar: ("plain statements", "try"),
    ast.Raise: ("a step that never raises", "raise"),
    ast.Assert: ("a step that never raises", "assert"),
    ast.Delete: ("plain statements", "del"),
    ast.Global: ("globals as constants", "global"),
    ast.Nonlocal: ("variables of the function itself", "nonlocal"),
    ast.Import: ("imports at the top of the file", "an import inside a function"),
    ast.ImportFrom: ("imports at the top of the file", "an import inside a function"),
    ast.FunctionDef: ("functions at the top of the file", "a function inside a function"),
    ast.AsyncFunctionDef: ("functions at the top of the file", "a function inside a function"),
    ast.ClassDef: ("NamedTuples at the top of the file", "a class inside a function"),
    ast.Match: ("if and elif", "match"),
}

_SIGNS = {
    ast.Div: ("whole-number division //", "/"),
    ast.Pow: ("x * x", "**"),
    ast.MatMult: ("whole numbers", "@"),
    ast.Is: ("== or !=", "is"),
    ast.IsNot: ("== or !=", "is not"),
    ast.In: ("comparisons of whole numbers", "in"),
    ast.NotIn: ("comparisons of whole numbers", "not in"),
}


def unknown_expression(source: Source, node: ast.expr) -> RefusedError:
    """The refusal of an expression by its form alone."""
    expected, got = _EXPRESSIONS.get(type(node), ("whole numbers and NamedTuples of them", type(node).__name__))
    return refused(source, node, expected, got)


def unknown_statement(source: Source, node: ast.stmt) -> RefusedError:
    """The refusal of a statement by its form alone."""
    expected, got = _STATEMENTS.get(type(node), ("assignments, if, for over range(), return", type(node).__name__))
    return refused(source, node, expected, got, key=got)


def unknown_sign(source: Source, node: ast.AST, sign: ast.AST) -> RefusedError:
    """The refusal of an operator."""
    expected, got = _SIGNS[type(sign)]
    return refused(source, node, expected, got)


def constant(source: Source, node: ast.Constant) -> RefusedError:
    """The refusal of a constant that is no whole number."""
    got = {bool: "a truth value", float: "a fraction", str: "text", bytes: "text", complex: "a complex number"}
    expected = "1 or 0" if isinstance(node.value, bool) else "a whole number"
    return refused(source, node, expected, got.get(type(node.value), str(node.value)))
