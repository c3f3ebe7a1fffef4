"""Python statements read into the tree; what the style leaves out is refused (row 1)."""

from __future__ import annotations

import ast
from collections.abc import Iterable
from types import FunctionType
from typing import TYPE_CHECKING

from sim.base.errors import Fault
from sim.chip import refusals
from sim.chip.expressions import Values
from sim.chip.refusals import RefusedError
from sim.chip.source import Place, Source
from sim.chip.tree import (
    Arithmetic,
    Assign,
    Expr,
    Field,
    Function,
    If,
    Leave,
    Local,
    Loop,
    Number,
    Return,
    Stmt,
    fields,
    kind_of,
    within,
)

if TYPE_CHECKING:
    from sim.chip.reading import Reader

# A variable of the translation's own: no Python name holds a dot.
UNPACKED = "unpacked.{}"


class Body:
    """Reads the body of one function; every fault is collected, and told once.

    gave_up : whether something was refused, here or in what it calls.
    """

    def __init__(self, reader: Reader, loaded: FunctionType, read: Function, source: Source) -> None:
        self.faults: list[Fault] = []
        self.gave_up = False
        self._source = source
        self._read = read
        assert isinstance(read.place.node, ast.FunctionDef)
        self._node = read.place.node
        arguments = dict(read.signature)
        self._fixed = {name for name, kind in read.signature if kind is not int}
        inside = {name for stmt in self._node.body for name in bound(stmt)}
        self._values = Values(reader, source, loaded.__globals__, inside | set(arguments))
        self._values.kinds |= arguments
        self._values.assigned |= set(arguments)
        self._turning: list[set[str]] = []

    def whole(self) -> tuple[Stmt, ...]:
        """The function's statements, its docstring left out."""
        nodes = self._node.body[1:] if ast.get_docstring(self._node) is not None else self._node.body
        read, leaves = self._block(nodes)
        if not leaves and not self.gave_up:
            self.faults.append(self._read.place.fault("a return on every path", "an end without one", self._node.name))
        return read

    def _block(self, nodes: Iterable[ast.stmt]) -> tuple[tuple[Stmt, ...], bool]:
        """The statements read, and whether they always leave the block; what follows that is left out."""
        read: list[Stmt] = []
        for node in nodes:
            leaves = False
            try:
                found, leaves = self._statement(node)
                read += found
            except RefusedError as refusal:
                self.faults += [refusal.fault] if refusal.fault else []
                self.gave_up = True
                self._forget(node)
            if leaves:
                return tuple(read), True
        return tuple(read), False

    def _forget(self, node: ast.stmt) -> None:
        """What a refused statement would have assigned is neither known nor told again."""
        named = node.names if isinstance(node, ast.Global | ast.Nonlocal) else []
        for name in bound(node) | set(named):
            self._values.kinds[name] = None
            self._values.assigned.add(name)

    def _statement(self, node: ast.stmt) -> tuple[list[Stmt], bool]:
        place = Place(self._source, node)
        match node:
            case ast.Assign():
                return [read for target in node.targets for read in self._assign(target, node.value, place)], False
            case ast.AnnAssign(value=None):
                return [], False
            case ast.AnnAssign(value=ast.expr() as value):
                return self._assign(node.target, value, place), False
            case ast.AugAssign(target=ast.Name() as name):
                sign = self._values.sign(node, node.op)
                now = self._values.number(ast.copy_location(ast.Name(name.id, ast.Load()), name))
                return [self._set(name, Arithmetic(sign, now, self._values.number(node.value), place), place)], False
            case ast.If():
                return self._if(node, place)
            case ast.For():
                return [self._loop(node, place)], False
            case ast.Break() | ast.Continue():
                return [Leave("break" if isinstance(node, ast.Break) else "continue", place)], True
            case ast.Return():
                return [self._return(node, place)], True
            case ast.Pass():
                return [], False
            case ast.Expr():
                self._values.refuse(node, "a statement that does something", "a value that nothing uses")
            case ast.AugAssign():
                self._values.refuse(node, "an assignment to a variable", f"to {self._source.segment(node.target)}")
        raise refusals.unknown_statement(self._source, node)

    def _assign(self, target: ast.expr, value: ast.expr, place: Place) -> list[Stmt]:
        if isinstance(target, ast.Name):
            return [self._set(target, self._values.value(value), place)]
        if isinstance(target, ast.Tuple) and all(isinstance(each, ast.Name) for each in target.elts):
            names = [each for each in target.elts if isinstance(each, ast.Name)]
            if isinstance(value, ast.Tuple):
                return self._side_by_side(target, names, value, place)
            return self._unpack(target, names, value, place)
        self._values.refuse(target, "an assignment to a variable", f"to {self._source.segment(target)}")

    def _set(self, target: ast.Name, value: Expr, place: Place) -> Stmt:
        name = self._values.spelled(target, target.id)
        kind = self._values.kinds.get(name)
        if name in self._fixed:
            self._values.refuse(target, "another name; tuples given as arguments stay as they are", f"{name} set anew")
        if any(name in turning for turning in self._turning):
            self._values.refuse(target, "the loop's number and length left alone", f"{name} set in the loop")
        if kind is not None and kind is not kind_of(value):
            self._values.refuse(target, f"one kind for {name}", "two kinds")
        self._values.kinds[name] = kind_of(value)
        self._values.assigned.add(name)
        return Assign(name, value, place)

    def _side_by_side(self, target: ast.Tuple, names: list[ast.Name], value: ast.Tuple, place: Place) -> list[Stmt]:
        """`a, b = x, y`, one after the other, which is the same where no later value reads an earlier name."""
        if len(names) != len(value.elts):
            self._values.refuse(target, f"{len(value.elts)} names", f"{len(names)}")
        values = [self._values.value(each) for each in value.elts]
        for index, name in enumerate(names):
            read = {part.name for later in values[index + 1 :] for part in within(later) if isinstance(part, Local)}
            if name.id in read:
                self._values.refuse(target, "one assignment a line", f"{name.id} both set and read")
        return [self._set(name, part, place) for name, part in zip(names, values, strict=True)]

    def _unpack(self, target: ast.Tuple, names: list[ast.Name], value: ast.expr, place: Place) -> list[Stmt]:
        whole = self._values.value(value)
        kind = kind_of(whole)
        if kind is int or len(fields(kind)) != len(names):
            got = "a whole number" if kind is int else f"{len(names)} names for {len(fields(kind))} fields"
            self._values.refuse(target, "a name for each field of a NamedTuple", got)
        read: list[Stmt] = []
        root = whole
        while isinstance(root, Field):
            root = root.of
        if not isinstance(root, Local) or root.name in {name.id for name in names}:
            # Worked out once, and not lost to the first name that is set.
            kept = UNPACKED.format(place.line)
            self._values.kinds[kept] = kind
            read.append(Assign(kept, whole, place))
            whole = Local(kept, kind, whole.place)
        for name, (field, inner) in zip(names, fields(kind).items(), strict=True):
            if name.id != "_":
                read.append(self._set(name, Field(whole, field, inner, Place(self._source, name)), place))
        return read

    def _if(self, node: ast.If, place: Place) -> tuple[list[Stmt], bool]:
        test = self._values.test(node.test)
        before = set(self._values.assigned)
        then, then_leaves = self._block(node.body)
        after_then = self._values.assigned
        self._values.assigned = before
        other, other_leaves = self._block(node.orelse)
        if not then_leaves:
            both = after_then & self._values.assigned
            self._values.assigned = after_then if other_leaves else both
        return [If(test, then, other, place)], then_leaves and other_leaves

    def _loop(self, node: ast.For, place: Place) -> Stmt:
        if node.orelse:
            self._values.refuse(node.orelse[0], "a loop without else", "else after a loop")
        turns = node.iter
        is_range = isinstance(turns, ast.Call) and self._values.meant(turns.func) is range
        if not isinstance(turns, ast.Call) or not is_range or not isinstance(node.target, ast.Name):
            self._values.refuse(node.iter, "for NAME in range(...)", "a loop over something else")
        if turns.keywords or not 1 <= len(turns.args) <= 2:
            self._values.refuse(node.iter, "range(stop) or range(start, stop)", f"{len(turns.args)} arguments")
        ends = [self._values.number(each) for each in turns.args]
        start = ends[0] if len(ends) == 2 else Number(0, Place(self._source, turns))
        before = set(self._values.assigned)
        self._set(node.target, Number(0, place), place)
        read = {part.name for end in ends for part in within(end) if isinstance(part, Local)}
        self._turning.append({node.target.id, *read})
        body, _ = self._block(node.body)
        self._turning.pop()
        # The loop may have had no turn; and its number is gone after it, as it is in C.
        self._values.assigned = before - {node.target.id}
        return Loop(node.target.id, start, ends[-1], body, place)

    def _return(self, node: ast.Return, place: Place) -> Stmt:
        answers = self._read.answers
        parts: list[ast.expr] = [node.value] if node.value else []
        if len(answers) == 2 and isinstance(node.value, ast.Tuple):
            parts = node.value.elts
        if len(parts) != len(answers):
            self._values.refuse(node, "State(...), Command(...)" if len(answers) == 2 else "a value", "something else")
        values = tuple(self._values.value(part) for part in parts)
        for part, value, kind in zip(parts, values, answers, strict=True):
            if kind_of(value) is not kind:
                self._values.refuse(part, f"the {kind.__name__} that is annotated", f"a {kind_of(value).__name__}")
        return Return(values, place)


def bound(node: ast.AST) -> set[str]:
    """Every name that is assigned somewhere inside."""
    names = {each.id for each in ast.walk(node) if isinstance(each, ast.Name) and isinstance(each.ctx, ast.Store)}
    return names | {each.name for each in ast.walk(node) if isinstance(each, ast.FunctionDef | ast.ClassDef)}
