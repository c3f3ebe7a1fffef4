"""Compiles a pure step, and all that it calls, with numba (row 0).

Kernels carry no decorator: what a step calls is found by walking the names
its code refers to. A part therefore reads as plain Python and imports
nothing for speed's sake.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from types import CodeType, FunctionType, ModuleType
from typing import Any


def callees(function: FunctionType) -> Iterator[FunctionType]:
    """Every plain Python function `function` reaches through its globals, deepest first."""
    seen: set[FunctionType] = {function}

    def below(caller: FunctionType) -> Iterator[FunctionType]:
        for name in _names(caller.__code__):
            found = caller.__globals__.get(name)
            reached = [found]
            if isinstance(found, ModuleType):
                reached = [getattr(found, other, None) for other in _names(caller.__code__)]
            for callee in reached:
                if isinstance(callee, FunctionType) and callee not in seen:
                    seen.add(callee)
                    yield from below(callee)
                    yield callee

    yield from below(function)


def _names(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _names(constant)


_registered: set[FunctionType] = set()


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """`function` in numba's nopython mode, bit for bit the same as plain.

    Raises
    ------
    ImportError
        numba is not installed (the ``fast`` extra).
    numba.core.errors.TypingError
        The function leaves the style that compiles.

    Notes
    -----
    No cache is kept on disk: such caches do not notice a changed callee and
    would run old code. Fast-math stays off, so that no operation is reordered.
    """
    import numba
    from numba.extending import register_jitable

    if not isinstance(function, FunctionType):
        raise TypeError(f"expected a plain function; got {function!r}")
    for callee in callees(function):
        if callee not in _registered:
            register_jitable(callee)
            _registered.add(callee)
    compiled_function: Callable[..., Any] = numba.njit(function)
    return compiled_function
