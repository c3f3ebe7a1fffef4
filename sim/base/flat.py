"""Nested tuples of numbers as flat arrays and back, inside compiled code (row 0).

Only compiled code imports this: it needs numba. A compiled loop hands a
controller its parameters, state and pins as plain arrays, so that the loop need
not be compiled anew for each controller.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from numba import types
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.extending import intrinsic


def leaves(kind: Any, name: str = "value") -> Iterator[tuple[str, Any]]:
    """Every number's type in a tuple's type, in order, each with its dotted name."""
    if isinstance(kind, types.BaseTuple):
        fields = getattr(kind, "fields", [str(index) for index in range(len(kind))])
        for field, part in zip(fields, kind, strict=True):
            yield from leaves(part, f"{name}.{field}")
    else:
        yield name, kind


def _whole(kind: Any) -> bool:
    return isinstance(kind, types.Integer) and not isinstance(kind, types.Boolean)


def _parts(builder: Any, value: Any, kind: Any) -> Iterator[tuple[Any, Any]]:
    """Each number in a tuple's value, with its type, in the order of `leaves`."""
    if isinstance(kind, types.BaseTuple):
        for index, part in enumerate(kind):
            yield from _parts(builder, builder.extract_value(value, index), part)
    else:
        yield value, kind


def _made(context: Any, builder: Any, kind: Any, numbers: Iterator[Any]) -> Any:
    """A tuple's value made of numbers in the order of `leaves`."""
    if not isinstance(kind, types.BaseTuple):
        return next(numbers)
    parts = [_made(context, builder, part, numbers) for part in kind]
    return context.make_tuple(builder, kind, parts)


def _slot(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> Any:
    held = context.make_array(array_type)(context, builder, array)
    return builder.gep(held.data, [index])


@intrinsic  # type: ignore[untyped-decorator]
def put(typing_context: Any, array: Any, start: Any, value: Any) -> Any:
    """``put(array, start, value)``: every number of a nested tuple into consecutive places; the place after them.

    A one-dimensional C-contiguous array of int64 takes whole numbers only; one of float64 takes both.

    Raises
    ------
    TypingError
        A float, or a truth value, for an array of whole numbers.
    """
    wanted = array.dtype
    for name, kind in leaves(value):
        if not (_whole(kind) or (wanted is types.float64 and kind is types.float64)):
            raise TypingError(f"{name}: expected a whole number; got {kind}")

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        held, at, given = arguments
        for number, kind in _parts(builder, given, signature.args[2]):
            builder.store(
                context.cast(builder, number, kind, wanted),
                _slot(context, builder, signature.args[0], held, at),
            )
            at = builder.add(at, context.get_constant(types.intp, 1))
        return at

    return types.intp(array, types.intp, value), code


@intrinsic  # type: ignore[untyped-decorator]
def like(typing_context: Any, pattern: Any, array: Any, start: Any) -> Any:
    """``like(pattern, array, start)``: a tuple of the pattern's type, its numbers from consecutive places."""
    for name, kind in leaves(pattern):
        if not (_whole(kind) or kind is types.float64):
            raise TypingError(f"{name}: expected a number; got {kind}")

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        _, held, start_at = arguments
        array_type = signature.args[1]

        def numbers() -> Iterator[Any]:
            at = start_at
            for _, kind in leaves(signature.args[0]):
                found = builder.load(_slot(context, builder, array_type, held, at))
                yield context.cast(builder, found, array_type.dtype, kind)
                at = builder.add(at, context.get_constant(types.intp, 1))

        return _made(context, builder, signature.args[0], numbers())

    return pattern(pattern, array, types.intp), code


@intrinsic  # type: ignore[untyped-decorator]
def call_at(typing_context: Any, address: Any, first: Any, second: Any, third: Any, fourth: Any) -> Any:
    """``call_at(address, a, b, c, d)``: a C function of four int64 pointers, given the arrays' data; its int64."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        pointers = [
            context.make_array(kind)(context, builder, held).data
            for kind, held in zip(signature.args[1:], arguments[1:], strict=True)
        ]
        whole = context.get_value_type(types.int64)
        kind = cgutils.ir.FunctionType(whole, [pointer.type for pointer in pointers])
        function = builder.inttoptr(arguments[0], cgutils.ir.PointerType(kind))
        return builder.call(function, pointers)

    return types.int64(types.intp, first, second, third, fourth), code
