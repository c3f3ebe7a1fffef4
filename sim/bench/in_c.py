"""A controller in C as a module with what a controller's Python file has (row 2).

It runs in a process of its own, so that its crash or hang is the failure of one
run. What the header says beside the interface becomes what a Python file says:

- ``THROTTLE_TICK_US``: the control tick it is made for;
- ``THROTTLE_DEADMAN_LATENCY_MS`` and its like: the times that it states;
- the comments that tell what the numbers of mode and reason mean.

Its parameters are constants of the C, its state is the C's own bytes.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

from controllers.board import Command, Inputs
from sim.base.files import read_text
from sim.chip.building import included
from sim.chip.isolated import Isolated
from sim.chip.names import PREFIX
from sim.chip.words import words_of

ENDING = ".c"
TICK = f"{PREFIX}_tick_us".upper()


class Params(NamedTuple):
    """None: those of a controller in C are constants of the C."""


def module_in_c(path: Path, stated: Sequence[str]) -> ModuleType:
    """A C file, compiled, as a module.

    Parameters
    ----------
    path : the file; `throttle.h` stands beside it.
    stated : names of the times that a controller may state, without their unit.

    Returns
    -------
    A module with ``Params``, ``State``, ``initial``, ``step``, ``MODES``, ``REASONS``, ``TICK_US`` (0 where the header
    names no tick), and ``NAME_ms(params)`` for each stated time.

    Raises
    ------
    InputError
        No compiler, no such file or header, C that does not compile.
    ChipError
        It fails before its first tick.
    """
    chip = Isolated(path, Inputs, Command, numbers=[f"{name}_ms" for name in stated])
    header = read_text(path.parent / f"{PREFIX}.h", "a header in C")

    def initial(params: Any) -> bytes:
        return chip.initial(params)

    def step(params: Any, state: bytes, inputs: Inputs) -> tuple[bytes, Any]:
        return chip.step(params, state, inputs)

    whole = str(path.resolve())
    module = ModuleType(f"drydive_controller_{sha256(whole.encode()).hexdigest()[:12]}")
    # Whoever has one of its functions finds the module by the name of it, as with Python's.
    for function in (initial, step):
        function.__module__ = module.__name__
    sys.modules[module.__name__] = module
    vars(module).update(
        __file__=whole,
        Params=Params,
        State=bytes,
        initial=initial,
        step=step,
        TICK_US=chip.tick_us,
        MODES=words_of(header, "mode"),
        REASONS=words_of(header, "reason"),
        **{name: _always(value) for name, value in chip.said.items()},
    )
    return module


def _always(value: int) -> Any:
    return lambda params: value


def fingerprint_in_c(path: Path) -> str:
    """A hash of the file and of every header of its own that it includes."""
    text = "".join(f"{each.name}\n{read_text(each, 'a C file')}\n" for each in included(path))
    return sha256(text.encode()).hexdigest()[:12]
