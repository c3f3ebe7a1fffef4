"""The closed loop written in C (`loop.c` beside this file), compiled and run on the inputs of a bench."""

from __future__ import annotations

import ctypes
import shutil
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import first_draft
from sim.bench.control import Controller
from sim.bench.loop import RECORDED
from sim.bench.run import Prepared
from sim.jobs.export import export

HERE = Path(__file__).parent
COMPILERS = ("gcc", "cc", "clang")
# Without contraction each sum and product is rounded once, as everywhere else.
FLAGS = ("-O2", "-std=c11", "-Wall", "-Wextra", "-Werror", "-ffp-contract=off", "-fPIC", "-shared")
# What the exported controller's own tests are made of is not needed here.
VECTOR_TICKS = 1


def compiler() -> str:
    """The C compiler of this machine.

    Raises
    ------
    FileNotFoundError
    """
    found = next(filter(None, map(shutil.which, COMPILERS)), None)
    if found is None:
        raise FileNotFoundError(f"a C compiler ({', '.join(COMPILERS)}) is needed to compile {HERE / 'loop.c'}")
    return found


def leaves(value: Any) -> Iterator[int | float]:
    """The numbers of nested tuples, in order."""
    if isinstance(value, tuple):
        for part in value:
            yield from leaves(part)
    else:
        yield value


def packed(value: Any) -> NDArray[np.int64]:
    """Nested tuples as a C struct of the same fields, each eight bytes wide."""
    numbers = list(leaves(value))
    form = "".join("q" if isinstance(number, int) else "d" for number in numbers)
    return np.frombuffer(struct.pack(f"={form}", *numbers), dtype=np.int64)


class LoopInC:
    """The loop with one controller: the first draft by hand, any other as `export` translates it.

    Parameters
    ----------
    folder : where it is compiled.
    """

    def __init__(self, controller: Controller, folder: Path, flags: tuple[str, ...] = FLAGS) -> None:
        library = folder / f"{controller.name}.so"
        sources = [str(HERE / "loop.c")]
        own: list[str] = []
        self.numbers = packed(controller.params)
        if controller.initial is not first_draft.initial:
            written = export(controller, folder / controller.name, ticks_max=VECTOR_TICKS).files
            sources += [str(path) for path in written if path.name == "throttle.c"]
            own = ['-DCONTROLLER="exported.h"', f"-I{folder / controller.name}"]
            self.numbers = np.empty(0, dtype=np.int64)
        subprocess.run([compiler(), *flags, *own, *sources, "-lm", "-o", str(library)], check=True)
        self.library = ctypes.CDLL(str(library))

    def run(self, ready: Prepared, columns: tuple[str, ...] = RECORDED) -> NDArray[np.float64]:
        """The whole run, shape (len(columns), ticks).

        Raises
        ------
        ValueError
            The world's tuples are no longer the structs of ``loop.h``.
        """
        given = [self.numbers, *map(packed, ready[:3])]
        sizes = [numbers.size for numbers in given]
        expected = list((ctypes.c_int64 * len(given)).in_dll(self.library, "loop_sizes"))
        if sizes != expected:
            raise ValueError(f"loop.h has structs of {expected} numbers; the tuples have {sizes}")
        ticks = len(ready.tapes)
        tapes = [np.ascontiguousarray(tape) for tape in (ready.tapes.senses, ready.tapes.machine)]
        wanted = np.array([RECORDED.index(name) for name in columns], dtype=np.int64)
        recorded = np.empty((len(columns), ticks))
        self.library.loop_run(
            *map(_at, [*given, *tapes]), ctypes.c_int64(ticks), _at(wanted), ctypes.c_int64(len(columns)), _at(recorded)
        )
        return recorded


def _at(array: NDArray[Any]) -> ctypes.c_void_p:
    return ctypes.c_void_p(array.ctypes.data)
