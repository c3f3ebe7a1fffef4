"""Random controllers in the style that is translated, and what the chip's tests share."""

from __future__ import annotations

import importlib.util
import itertools
import operator
import random
import sys
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from sim.chip import tree
from sim.chip.translate import HEADER, PARAMS, SOURCE, header_text, params_text, source_text, translate
from sim.chip.tree import Expr, Function, Stmt, Test

_serial = itertools.count()

HEAD = '''"""A controller made for a test."""

from typing import NamedTuple

LIMIT = 500
_FLOOR = -3


class Params(NamedTuple):
    tick_us: int
    gain: int
    zero: int


class Pair(NamedTuple):
    left: int
    right: int


class State(NamedTuple):
    pair: Pair
    count: int


class Inputs(NamedTuple):
    a: int
    b: int
    c: int


class Command(NamedTuple):
    x: int
    y: int


def initial(params: Params) -> State:
    return State(pair=Pair(left=params.gain, right=0), count=1)

'''


def module_of(source: str, folder: Path) -> ModuleType:
    """A module of this source, under a name of its own."""
    name = f"made_{next(_serial)}"
    path = folder / f"{name}.py"
    path.write_text(source, encoding="utf-8")
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


FORMS = [
    "({one} + {other})",
    "({one} - {other})",
    "{leaf} * {another}",
    "{one} // {divisor}",
    "{one} % {divisor}",
    "({one}) // (abs({leaf}) + 1)",
    "({one}) % (abs({leaf}) + 1)",
    "(({one}) >> {bits})",
    "({leaf} << {bits})",
    "({one} & {other})",
    "({leaf} | {another})",
    "({one} ^ {leaf})",
    "(-({one}))",
    "(~({one}))",
    "abs({one})",
    "min({one}, {other})",
    "max({one}, {leaf}, {another})",
    "({one} if {test} else {other})",
]


class Maker:
    """Writes random functions; values are kept small, so that most of what comes out can be proved."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.helpers: list[tuple[str, int]] = []

    def source(self) -> str:
        """A whole controller."""
        helpers = [self.helper(f"helper_{index}") for index in range(self.rng.randint(0, 3))]
        return HEAD + "\n\n".join([*helpers, self.step()]) + "\n"

    def helper(self, name: str) -> str:
        """A function of one to three numbers."""
        names = [f"n{index}" for index in range(self.rng.randint(1, 3))]
        lines = self.block(names, 1, self.rng.randint(0, 3))
        head = f"def {name}({', '.join(f'{each}: int' for each in names)}) -> int:"
        text = "\n".join([head, *lines, f"    return {self.small(names)}", ""])
        self.helpers.append((name, len(names)))
        return text

    def step(self) -> str:
        """The step."""
        names = ["a", "b", "c", "state.pair.left", "state.pair.right", "state.count", "params.gain", "params.zero"]
        lines = [f"    {name} = min(max(inputs.{name}, -1000), 1000)" for name in "abc"]
        lines += self.block(names, 1, self.rng.randint(1, 5))
        left, right, count, x, y = (self.small(names) for _ in range(5))
        return "\n".join(
            [
                "def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:",
                *lines,
                f"    pair = Pair(left={left}, right={right})",
                f"    return State(pair=pair, count={count}), Command(x={x}, y={y})",
            ]
        )

    def block(self, names: list[str], depth: int, count: int) -> list[str]:
        """Statements; names assigned on every path are added to `names`."""
        margin = "    " * depth
        lines = []
        for _ in range(count):
            choice = self.rng.random()
            if choice < 0.45 or depth > 3:
                # A field is never set, nor is a loop's own number.
                free = [each for each in names if "." not in each and not each.startswith("turn")]
                name = self.rng.choice([*free, f"v{len(names)}"])
                lines.append(f"{margin}{name} = {self.small(names)}")
                if name not in names:
                    names.append(name)
            elif choice < 0.55:
                lines.append(f"{margin}for turn{depth} in range({self.rng.randint(0, 3)}):")
                lines += self.block([*names, f"turn{depth}"], depth + 1, 2)
            else:
                lines.append(f"{margin}if {self.test(names, 2)}:")
                lines += self.block(list(names), depth + 1, self.rng.randint(1, 2))
                if self.rng.random() < 0.5:
                    lines.append(f"{margin}else:")
                    lines += self.block(list(names), depth + 1, 1)
        return lines

    def small(self, names: list[str]) -> str:
        """An expression whose value stays within a few hundred."""
        bound = self.rng.choice([3, 40, 700])
        return f"min(max({self.value(names, 3)}, -{bound}), {self.rng.choice([bound, 'LIMIT'])})"

    def value(self, names: list[str], depth: int) -> str:
        """An expression."""
        rng = self.rng
        if depth == 0 or rng.random() < 0.15:
            return rng.choice([*names, str(rng.randint(-9, 9)), "LIMIT", "_FLOOR"])
        form = rng.choice([*FORMS, *(["call"] if self.helpers else [])])
        if form == "call":
            name, count = rng.choice(self.helpers)
            return f"{name}({', '.join(self.value(names, 0) for _ in range(count))})"
        filled = {
            "one": lambda: self.value(names, depth - 1),
            "other": lambda: self.value(names, depth - 1),
            "leaf": lambda: self.value(names, 0),
            "another": lambda: self.value(names, 0),
            "test": lambda: self.test(names, depth - 1),
            "divisor": lambda: str(rng.choice([1, 2, 7, 64, -3])),
            "bits": lambda: str(rng.randint(0, 4)),
        }
        return form.format(**{name: fill() for name, fill in filled.items() if f"{{{name}}}" in form})

    def test(self, names: list[str], depth: int) -> str:
        """A condition."""
        rng = self.rng
        if depth > 0 and rng.random() < 0.4:
            word = rng.choice(["and", "or"])
            return f"({self.test(names, depth - 1)} {word} {self.test(names, depth - 1)})"
        if depth > 0 and rng.random() < 0.15:
            return f"not ({self.test(names, depth - 1)})"
        one, other, third = (self.value(names, max(depth - 1, 0)) for _ in range(3))
        sign = rng.choice(["<", "<=", ">", ">=", "==", "!="])
        return rng.choice([f"{one} {sign} {other}", f"{one} <= {other} < {third}", one])


class LeftError(Exception):
    """A statement that leaves its block."""

    def __init__(self, word: str, value: Any = None) -> None:
        super().__init__(word)
        self.word = word
        self.value = value


SIGNS: Mapping[str, Callable[[int, int], int]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "//": operator.floordiv,
    "%": operator.mod,
    "<<": operator.lshift,
    ">>": operator.rshift,
    "&": operator.and_,
    "|": operator.or_,
    "^": operator.xor,
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


class Machine:
    """Runs a tree on plain numbers with Python's own operators, and shows every number on the way."""

    def __init__(self, met: Callable[[Expr, int], None]) -> None:
        self.met = met

    def call(self, function: Function, *given: Any) -> Any:
        """A function's answer; a tuple where it is the step."""
        names = [name for name, _ in function.arguments]
        try:
            self.block(function.body, dict(zip(names, given, strict=True)))
        except LeftError as left:
            return left.value
        raise AssertionError("no return")

    def block(self, stmts: tuple[Stmt, ...], values: dict[str, Any]) -> None:
        """Statements in order."""
        for stmt in stmts:
            match stmt:
                case tree.Assign():
                    values[stmt.name] = self.value(stmt.value, values)
                case tree.If():
                    self.block(stmt.then if self.test(stmt.test, values) else stmt.other, values)
                case tree.Loop():
                    for number in range(self.value(stmt.start, values), self.value(stmt.stop, values)):
                        values[stmt.name] = number
                        try:
                            self.block(stmt.body, values)
                        except LeftError as left:
                            if left.word == "return":
                                raise
                            if left.word == "break":
                                break
                case tree.Leave():
                    raise LeftError(stmt.word)
                case tree.Return():
                    found = tuple(self.value(each, values) for each in stmt.values)
                    raise LeftError("return", found if len(found) > 1 else found[0])

    def value(self, expr: Expr, values: dict[str, Any]) -> Any:
        """An expression's value."""
        found = self._value(expr, values)
        if isinstance(found, int):
            self.met(expr, found)
        return found

    def _value(self, expr: Expr, values: dict[str, Any]) -> Any:
        match expr:
            case tree.Number(value=value):
                return value
            case tree.Named():
                return expr.constant.value
            case tree.Local():
                return values[expr.name]
            case tree.Field():
                return getattr(self.value(expr.of, values), expr.name)
            case tree.Arithmetic():
                return SIGNS[expr.sign](self.value(expr.left, values), self.value(expr.right, values))
            case tree.Unary():
                of = self.value(expr.of, values)
                return -of if expr.sign == "-" else ~of
            case tree.Extreme():
                parts = [self.value(part, values) for part in expr.parts]
                return abs(parts[0]) if expr.name == "abs" else {"min": min, "max": max}[expr.name](parts)
            case tree.Choice():
                return self.value(expr.then if self.test(expr.test, values) else expr.other, values)
            case tree.Call():
                return self.call(expr.function, *(self.value(part, values) for part in expr.parts))
            case tree.Build():
                return expr.kind(*(self.value(part, values) for part in expr.parts))

    def test(self, test: Test, values: dict[str, Any]) -> bool:
        """Whether a test holds."""
        match test:
            case tree.Compare():
                return bool(SIGNS[test.sign](self.value(test.left, values), self.value(test.right, values)))
            case tree.Not():
                return not self.test(test.of, values)
            case tree.Several():
                return (all if test.word == "and" else any)(self.test(part, values) for part in test.parts)


def flat(value: Any) -> list[int]:
    """Every whole number of nested tuples, in order."""
    return [value] if isinstance(value, int) else [each for part in value for each in flat(part)]


def any_number(rng: random.Random) -> int:
    """A number from small ones to the ends of 32 bits."""
    ends = (-(2**31), 2**31 - 1, -1, 0, 1)
    return rng.choice(
        [rng.choice(ends), rng.randint(-10, 10), rng.randint(-1200, 1200), rng.randint(-(2**31), 2**31 - 1)]
    )


# A shipped controller is proved by several test files, and takes seconds each time.
translated = cache(translate)


def write_c(initial: Any, step: Any, params: Any, folder: Path) -> Path:
    """A controller's three C files; the path of throttle.c."""
    made = translated(initial, step, params)
    (folder / HEADER).write_text(header_text(made, ["A test."], {}), encoding="utf-8")
    (folder / PARAMS).write_text(params_text(made, ["A test."], {}), encoding="utf-8")
    (folder / SOURCE).write_text(source_text(made, ["A test."]), encoding="utf-8")
    return folder / SOURCE
