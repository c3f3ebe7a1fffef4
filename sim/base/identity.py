"""Tells whether two pieces of code would compile to the same thing (row 0).

A compiled piece may be kept and used again only if nothing that went into it
has changed. What goes into it is everything its code can see: its byte code,
every function it reaches, every constant and every tuple's shape they name.
All of it is hashed; what cannot be described is refused rather than guessed at.
"""

from __future__ import annotations

import builtins
from collections.abc import Iterator
from hashlib import sha256
from types import BuiltinFunctionType, CodeType, FunctionType, ModuleType
from typing import Any


def identity(*functions: FunctionType) -> str | None:
    """A hash of all that the functions can see; `None` where something in it cannot be described.

    Two functions of equal identity compile to the same machine code with the
    same compiler on the same machine.
    """
    seen: dict[int, FunctionType] = {}
    try:
        told = "\n".join(line for function in functions for line in _function(function, seen))
    except _NotDescribedError:
        return None
    return sha256(told.encode()).hexdigest()[:16]


class _NotDescribedError(Exception):
    """Something the code names is neither a plain value, a function, a module nor a tuple's class."""


def _function(function: FunctionType, seen: dict[int, FunctionType]) -> Iterator[str]:
    if id(function) in seen:
        # Met before: what it sees has been told.
        yield f"again {list(seen).index(id(function))}"
        return
    # The function is kept, so that its number cannot go to another one meanwhile.
    seen[id(function)] = function
    yield f"function {function.__qualname__} {function.__defaults__!r} {function.__kwdefaults__!r}"
    for cell in function.__closure__ or ():
        yield from _value("cell", cell.cell_contents, [], seen)
    yield from _code(function.__code__, function.__globals__, seen)
    yield "end"


def _code(code: CodeType, scope: dict[str, Any], seen: dict[int, FunctionType]) -> Iterator[str]:
    yield f"code {code.co_code.hex()} {code.co_varnames} {code.co_argcount} {code.co_freevars} {code.co_flags}"
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _code(constant, scope, seen)
        else:
            yield f"constant {constant!r}"
    names = list(code.co_names)
    yield f"names {names}"
    for name in names:
        if name in scope:
            yield from _value(name, scope[name], names, seen)


def _value(name: str, value: Any, names: list[str], seen: dict[int, FunctionType]) -> Iterator[str]:
    """What a name stands for; of a module only what the code may take from it."""
    if isinstance(value, FunctionType):
        yield f"{name} is"
        yield from _function(value, seen)
    elif isinstance(value, ModuleType):
        yield f"{name} is module {value.__name__}"
        if value.__name__ == "math":
            return
        for other in names:
            if hasattr(value, other) and getattr(value, other) is not value:
                yield from _value(f"{name}.{other}", getattr(value, other), names, seen)
    elif isinstance(value, type) and issubclass(value, tuple) and hasattr(value, "_fields"):
        defaults = getattr(value, "_field_defaults", {})
        yield f"{name} is tuple {value.__name__} {value._fields} {defaults!r}"
    elif _plain(value):
        yield f"{name} = {value!r}"
    elif isinstance(value, (BuiltinFunctionType, type)) and value in vars(builtins).values():
        yield f"{name} is builtin {value.__name__}"
    else:
        raise _NotDescribedError(name)


def _plain(value: Any) -> bool:
    if isinstance(value, tuple):
        return all(_plain(part) for part in value)
    return value is None or type(value) in (int, float, bool, str)
