"""Which engine runs the closed loop: interpreted, or compiled where it pays (row 2).

Both run the same source and give the same bits. Compiling takes seconds once,
loading what was compiled before takes most of one; a short run is over sooner
interpreted. A controller that does not compile, or is C, is called back from the compiled world.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError, did_you_mean
from sim.bench import loop
from sim.bench.control import Controller
from sim.bench.loop import RECORDED
from sim.bench.tapes import Tapes
from sim.world import machine, senses

AUTO, INTERPRETED, COMPILED, MIXED = "auto", "interpreted", "compiled", "compiled world, interpreted controller"
CHOICES = (AUTO, INTERPRETED, COMPILED)

# Seconds, on a machine of 2024: they only say when compiling pays.
TICK_S = 60e-6
LOAD_S = 0.9
COMPILE_WORLD_S = 6.0
COMPILE_CONTROLLER_S = 3.0


@dataclass(frozen=True, slots=True)
class Engine:
    """What runs the loop.

    name : one of ``interpreted``, ``compiled``, ``compiled world, interpreted controller``.
    why : why the controller is not compiled, where it was tried; empty otherwise.
    """

    name: str
    why: str = ""


def installed() -> bool:
    """Whether there is a compiler: the ``fast`` extra."""
    return importlib.util.find_spec("numba") is not None


def decided(wanted: str, ticks: int) -> str:
    """Interpreted or compiled, for much work of which only the amount is known; loads the compiled loop where it pays.

    Parameters
    ----------
    wanted : one of `CHOICES`.
    ticks : of all the runs ahead in one process.

    Raises
    ------
    InputError
        Another word, or the compiled engine without a compiler.
    """
    if wanted not in CHOICES:
        expected = f"one of {', '.join(CHOICES)}{did_you_mean(wanted, CHOICES)}"
        raise InputError([Fault("", "engine", expected, wanted)])
    if wanted == COMPILED and not installed():
        raise InputError([Fault("", "engine", "numba installed (pip install 'drydive[fast]')", "no such package")])
    if wanted == INTERPRETED or not installed() or (wanted == AUTO and ticks * TICK_S < LOAD_S):
        # Asked before the compiler is even imported, which takes longer than a short run.
        return COMPILED if wanted == AUTO and _loaded() else INTERPRETED
    from sim.bench import compiled_loop

    cost_s = LOAD_S if compiled_loop.ready() else LOAD_S + COMPILE_WORLD_S
    if wanted == AUTO and not _loaded() and ticks * TICK_S < cost_s:
        return INTERPRETED
    compiled_loop.world()
    return COMPILED


def _loaded() -> bool:
    """Whether this process has the compiled loop at hand."""
    module = sys.modules.get("sim.bench.compiled_loop")
    return module is not None and module.world.cache_info().currsize > 0


def choose(wanted: str, controller: Controller, ticks: int) -> Engine:
    """The engine for runs of one controller.

    Parameters
    ----------
    wanted, ticks : as in `decided`.

    Raises
    ------
    InputError
        See `decided`.
    """
    if decided(AUTO if wanted == MIXED else wanted, ticks) == INTERPRETED:
        return Engine(INTERPRETED)
    if wanted == MIXED:
        return Engine(MIXED, "its source is watched")
    if controller.in_c:
        return Engine(MIXED, "its C runs in a process of its own")
    from sim.bench import compiled_loop

    try:
        pays = ticks * TICK_S > COMPILE_CONTROLLER_S or compiled_loop.compiled_before(controller)
        if wanted == AUTO and not pays:
            return Engine(MIXED, "compiling it would take longer than the run")
        compiled_loop.compiled_controller(controller)
    except compiled_loop.NotCompiledError as error:
        return Engine(MIXED, str(error))
    return Engine(COMPILED)


def run(
    engine: Engine,
    controller: Controller,
    senses_params: senses.Params,
    machine_params: machine.Params,
    machine_start: machine.State,
    tapes: Tapes,
    progress: Callable[[int], None] | None = None,
    columns: tuple[str, ...] = RECORDED,
) -> NDArray[np.float64]:
    """The whole run on an engine, shape (len(columns), ticks); see `loop.run`.

    Raises
    ------
    ControllerError
    """
    if engine.name == INTERPRETED:
        return loop.run(controller, senses_params, machine_params, machine_start, tapes, progress, columns)
    from sim.bench import compiled_loop

    called_back = engine.name == MIXED
    return compiled_loop.run(controller, called_back, senses_params, machine_params, machine_start, tapes, columns)
