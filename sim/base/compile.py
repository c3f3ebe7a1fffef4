"""Compiles a pure step, and all that it calls, with numba (row 0).

Kernels carry no decorator: what a step calls is found by walking the names
its code refers to. A part therefore reads as plain Python and imports
nothing for speed's sake.
"""

from __future__ import annotations

import dis
import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import CodeType, FunctionType, ModuleType
from typing import Any

SHIFTED_MOST = 31


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


def loose(function: FunctionType) -> str:
    """Why the compiled meaning of integer code might differ from Python's, in words; empty where it cannot.

    Floats, powers and true division may round otherwise, and a shift by a number
    that is not known may leave the machine word.
    """
    for part in (*callees(function), function):
        place = f"{part.__code__.co_filename}:{part.__code__.co_firstlineno}: {part.__name__}"
        if any(isinstance(constant, float) for constant in part.__code__.co_consts):
            return f"{place} uses floating point"
        amount: Any = None
        for each in dis.get_instructions(part):
            sign = each.argrepr.rstrip("=") if each.opname == "BINARY_OP" else ""
            if sign in ("**", "/"):
                return f"{place} uses {sign}"
            if sign in ("<<", ">>") and not (type(amount) is int and 0 <= amount <= SHIFTED_MOST):
                return f"{place} shifts by a number that is no constant from 0 to {SHIFTED_MOST}"
            named = part.__globals__.get(each.argval) if each.opname == "LOAD_GLOBAL" else None
            amount = each.argval if each.opname == "LOAD_CONST" else named
    return ""


_registered: set[FunctionType] = set()


def make_callable(*functions: FunctionType) -> None:
    """Let compiled code call these plain functions, which are compiled into their callers.

    Into, because a call hands over every number of every tuple on the stack: a
    loop of parts that are called runs at half the speed of one that holds them.
    """
    from numba.extending import register_jitable

    for function in functions:
        if function not in _registered:
            # Nobody calls them from C: they need no entry of that kind.
            register_jitable(forceinline=True, no_cfunc_wrapper=True)(function)
            _registered.add(function)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Inside, no garbage is collected: a compiler makes many small objects that live, and is a fifth sooner done."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def compiled(function: Callable[..., Any], cache: bool = False, nogil: bool = False) -> Callable[..., Any]:
    """`function` in numba's nopython mode, bit for bit the same as plain.

    Parameters
    ----------
    cache : keep the machine code where numba is told to, see `codestore`.
    nogil : let other threads run Python meanwhile.

    Raises
    ------
    ImportError
        numba is not installed (the ``fast`` extra).
    numba.core.errors.TypingError
        The function leaves the style that compiles.

    Notes
    -----
    numba's own cache on disk does not notice a changed callee and would run old
    code: it is used only below a folder that is named by the `identity` of all
    that is compiled. Fast-math stays off, so that no operation is reordered.
    """
    import numba

    if not isinstance(function, FunctionType):
        raise TypeError(f"expected a plain function; got {function!r}")
    make_callable(*callees(function))
    compiled_function: Callable[..., Any] = numba.njit(cache=cache, nogil=nogil)(function)
    return compiled_function
