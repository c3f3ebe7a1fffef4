"""The part of Python that becomes C, as a small tree: whole numbers, tuples of them, branches, fixed loops (row 1).

Whatever cannot be told in these words is refused while it is read, so that
nothing later can translate it wrongly. A kind is `int` or a NamedTuple class.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias, get_type_hints

from sim.chip.source import Place

Kind: TypeAlias = type[Any]


class Parameters:
    """The kind of the parameters: they go from function to function, and only their fields are ever used."""


LOWEST = -(2**31)
HIGHEST = 2**31 - 1


@dataclass(frozen=True, eq=False, slots=True)
class Constant:
    """A module's whole number, or a field of the parameters: a name for one value in C.

    Parameters
    ----------
    owner : the module's name; empty for a parameter.
    place : where it gets its value; None where no plain assignment gives it.
    """

    name: str
    value: int
    owner: str = ""
    place: Place | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Number:
    """A whole number as written."""

    value: int
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Named:
    """A constant by its name."""

    constant: Constant
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Local:
    """A variable or an argument."""

    name: str
    kind: Kind
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Field:
    """A field of a tuple."""

    of: Expr
    name: str
    kind: Kind
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Arithmetic:
    """Two whole numbers; `sign` as Python writes it."""

    sign: str
    left: Expr
    right: Expr
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Unary:
    """Minus or bitwise not."""

    sign: str
    of: Expr
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Extreme:
    """The builtins min, max (two or more parts) and abs (one)."""

    name: str
    parts: tuple[Expr, ...]
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Choice:
    """One value or the other."""

    test: Test
    then: Expr
    other: Expr
    kind: Kind
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Call:
    """A function's answer; `parts` are in the order of its arguments, without the parameters."""

    function: Function
    parts: tuple[Expr, ...]
    kind: Kind
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Build:
    """A tuple made with every field, in the order of its fields."""

    kind: Kind
    parts: tuple[Expr, ...]
    place: Place


Expr: TypeAlias = Number | Named | Local | Field | Arithmetic | Unary | Extreme | Choice | Call | Build


@dataclass(frozen=True, eq=False, slots=True)
class Compare:
    """A comparison of two whole numbers."""

    sign: str
    left: Expr
    right: Expr
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Several:
    """`and` or `or` of two or more tests."""

    word: str
    parts: tuple[Test, ...]
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Not:
    """The opposite."""

    of: Test
    place: Place


Test: TypeAlias = Compare | Several | Not


@dataclass(frozen=True, eq=False, slots=True)
class Assign:
    """A variable gets a value."""

    name: str
    value: Expr
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class If:
    """One block or the other, which may be empty."""

    test: Test
    then: tuple[Stmt, ...]
    other: tuple[Stmt, ...]
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Loop:
    """A block for each whole number from `start` up to but not including `stop`."""

    name: str
    start: Expr
    stop: Expr
    body: tuple[Stmt, ...]
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Leave:
    """`break` or `continue`."""

    word: str
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Return:
    """The function's answer; two values only where the step ends."""

    values: tuple[Expr, ...]
    place: Place


@dataclass(frozen=True, eq=False, slots=True)
class Remark:
    """What the translation itself has to say at this place; `gone` are the lines of what it leaves out."""

    text: str
    gone: range
    place: Place


Stmt: TypeAlias = Assign | If | Loop | Leave | Return | Remark


@dataclass(eq=False, slots=True)
class Function:
    """A function to translate; its body is filled in once every function's arguments are known.

    Parameters
    ----------
    signature : name and kind in order, as Python has it.
    answers : the kind it gives back; two where the step ends.
    """

    name: str
    module: str
    signature: tuple[tuple[str, Kind], ...]
    answers: tuple[Kind, ...]
    docstring: str
    place: Place
    body: tuple[Stmt, ...] = ()

    @property
    def arguments(self) -> tuple[tuple[str, Kind], ...]:
        """The arguments without the parameters, which C has as constants."""
        return tuple((name, kind) for name, kind in self.signature if kind is not Parameters)


@dataclass(frozen=True, slots=True)
class Program:
    """A controller ready for translation.

    Parameters
    ----------
    functions : those called, each after all that it calls; the step last, initial before it.
    parameters : every field of the parameters by its name.
    inputs, state, command : the tuples at the step's border.
    """

    functions: tuple[Function, ...]
    initial: Function
    step: Function
    parameters: Mapping[str, Constant]
    inputs: Kind
    state: Kind
    command: Kind


_KNOWN: dict[Kind, Mapping[str, Kind]] = {}


def fields(kind: Kind) -> Mapping[str, Kind]:
    """A tuple's fields and their kinds, in order."""
    if kind not in _KNOWN:
        hints = get_type_hints(kind)
        _KNOWN[kind] = {name: hints[name] for name in kind._fields}
    return _KNOWN[kind]


def kind_of(value: Expr) -> Kind:
    """What a value is."""
    return value.kind if isinstance(value, Local | Field | Choice | Call | Build) else int


def leaves(kind: Kind, name: str = "") -> Iterator[str]:
    """Dotted names of every whole number in a value of this kind, in order."""
    if kind is int:
        yield name
        return
    for field, inner in fields(kind).items():
        yield from leaves(inner, f"{name}.{field}" if name else field)


def parts_of(node: Expr | Test | Stmt) -> Iterator[Expr | Test | Stmt]:
    """What stands right inside a part of the tree."""
    match node:
        case Field(of=of) | Unary(of=of) | Not(of=of):
            yield of
        case Arithmetic() | Compare():
            yield from (node.left, node.right)
        case Extreme() | Call() | Build() | Several():
            yield from node.parts
        case Choice():
            yield from (node.test, node.then, node.other)
        case Assign():
            yield node.value
        case If():
            yield from (node.test, *node.then, *node.other)
        case Loop():
            yield from (node.start, node.stop, *node.body)
        case Return():
            yield from node.values


def within(node: Expr | Test | Stmt) -> Iterator[Expr | Test | Stmt]:
    """The part itself and everything inside it."""
    yield node
    for part in parts_of(node):
        yield from within(part)
