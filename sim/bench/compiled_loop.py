"""The closed loop compiled: the same parts in the same order as `loop.run`, as machine code (row 2).

Only imported where numba is installed. The loop reaches the controller through
the address of one C function, so that it is compiled once for all of them::

    void tick(int64_t *params, int64_t *state, int64_t *pins, int64_t *command)

    params   the controller's parameters, in order
    state    [0] 0 after a reset, else 1; then the controller's state
    pins     the board's inputs in order; then the time in microseconds
    command  [0] set to 1 by a step that went well; then the board's command

A controller that compiles gives such a function itself; one that does not is
called back in Python. Either way the world around it is compiled.
"""

from __future__ import annotations

import ctypes
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from types import FunctionType
from typing import Any

import numba
import numpy as np
from numba import types
from numpy.typing import NDArray

from controllers.board import Command, Inputs
from sim.base import codestore, flat
from sim.base import compile as compiling
from sim.base.compile import callees, compiled, loose, make_callable, undisturbed
from sim.base.flat import call_at, like, put
from sim.base.identity import identity
from sim.bench import loop
from sim.bench.control import WHOLE, Controller, Watched
from sim.bench.loop import RECORDED, SILENT, stepped
from sim.bench.tapes import Tapes
from sim.world import machine, senses, supply

Address = int
Whole = NDArray[np.int64]

LOWEST, HIGHEST = WHOLE
PINS = len(Inputs._fields)
COMMAND = len(Command._fields)
SENSES_TAPE = senses.Tape(*[0.0] * len(senses.Tape._fields))
MACHINE_TAPE = machine.Tape(*[0.0] * len(machine.Tape._fields))
TICK = types.void(*[types.CPointer(types.int64)] * 4)
CALLBACK = ctypes.CFUNCTYPE(None, *[ctypes.c_void_p] * 4)
# All ticks went well.
DONE = -1


def whole_run(
    address: Address,
    params_at: Whole,
    state_at: Whole,
    senses_params: senses.Params,
    machine_params: machine.Params,
    moved: machine.State,
    senses_tape: NDArray[np.float64],
    machine_tape: NDArray[np.float64],
    wanted: Whole,
    recorded: NDArray[np.float64],
    pins_at: Whole,
    command_at: Whole,
    row: NDArray[np.float64],
) -> int:
    """Every tick of a run; -1, or the tick whose step failed.

    Parameters
    ----------
    senses_tape, machine_tape : shape (ticks * fields,); row after row.
    wanted : shape (columns,); which of `RECORDED` are kept.
    recorded : shape (columns, ticks); filled.
    pins_at, command_at, row : shape (PINS + 1,), (COMMAND + 1,), (len(RECORDED),); for the loop's own use,
        and given to it because an array made in it takes longer to compile than a part of the world.
    """
    rail_v = supply.rail_from(machine_params.supply, moved.supply.hold_v)
    sensed = senses.initial(senses_params, rail_v)
    seen = senses.Machine(rail_v, moved.bus_v, 0.0, 1, 0.0, 0.0)
    t_us = 0
    for tick in range(recorded.shape[1]):
        drawn = like(SENSES_TAPE, senses_tape, tick * len(SENSES_TAPE))
        sensed, pins, hall_v = senses.step(senses_params, sensed, drawn, seen)
        command = SILENT
        if moved.supply.chip == supply.RUNNING:
            pins_at[put(pins_at, 0, pins)] = t_us
            command_at[0] = 0
            call_at(address, params_at, state_at, pins_at, command_at)
            for number in command_at:
                if number < LOWEST or number > HIGHEST:
                    return tick
            if command_at[0] != 1:
                return tick
            command = like(SILENT, command_at, 1)
        else:
            # Reset forgets everything; the pins float and no pulses leave the chip.
            state_at[0] = 0
        moved, out = machine.step(
            machine_params,
            moved,
            like(MACHINE_TAPE, machine_tape, tick * len(MACHINE_TAPE)),
            t_us,
            float(command.left_pulse_us),
            float(command.right_pulse_us),
        )
        rotors = moved.rotors
        seen = senses.Machine(
            out.rail_v, out.bus_v, out.bus_a, out.cord_in_place, rotors.left_rad_s, rotors.right_rad_s
        )
        put(row, 0, loop.parts_of(hall_v, pins, command, sensed, moved, out))
        for index in range(wanted.shape[0]):
            recorded[index, tick] = row[wanted[index]]
        t_us += machine_params.tick_us
    return DONE


def _source(*names: str) -> str:
    """A hash of this file, of those that make machine code, which no identity describes, and of what else is given."""
    texts = [Path(file).read_text(encoding="utf-8") for file in (__file__, flat.__file__, compiling.__file__)]
    return sha256("\n".join([*texts, *names]).encode()).hexdigest()[:16]


@lru_cache(maxsize=1)
def world_identity() -> str:
    """Of everything in the compiled loop but the controller."""
    reached = (machine.step, senses.step, senses.initial, supply.rail_from, loop.parts_of)
    told = identity(*[part for part in reached if isinstance(part, FunctionType)])
    return _source(str(told), str(RECORDED))


def ready() -> bool:
    """Whether the compiled loop is loaded, or was compiled by an earlier run."""
    return world.cache_info().currsize > 0 or codestore.kept(world_identity())


@lru_cache(maxsize=1)
def world() -> Any:
    """`whole_run` for the compiler: compiled at its first run, or kept from an earlier one."""
    with codestore.storing(world_identity()) as keeping:
        return compiled(whole_run, cache=keeping, nogil=True)


class NotCompiledError(Exception):
    """Why a controller runs interpreted, in a few words."""


def controller_identity(controller: Controller) -> str:
    """Of everything a compiled controller consists of.

    Raises
    ------
    NotCompiledError
        The controller leaves the style whose compiled meaning is certain.
    """
    step, initial = bare(controller)
    key, reason = _told(step, initial, type(controller.params)._fields)
    if reason:
        raise NotCompiledError(reason)
    return key


@lru_cache(maxsize=64)
def _told(step: FunctionType, initial: FunctionType, fields: tuple[str, ...]) -> tuple[str, str]:
    """The identity of a controller, or why it has none."""
    reason = loose(step) or loose(initial)
    if reason:
        return "", reason
    told = identity(step, initial)
    if told is None:
        return "", "it names something that is no constant, tuple or function"
    # Machine code that is kept looks its own module up by name, which a controller's file has from its place.
    return _source(told, str(fields), step.__module__), ""


def bare(controller: Controller) -> tuple[FunctionType, FunctionType]:
    """The controller's own two functions.

    Raises
    ------
    NotCompiledError
    """
    step = controller.step.bare if isinstance(controller.step, Watched) else controller.step
    for name, function in (("step", step), ("initial", controller.initial)):
        if not isinstance(function, FunctionType):
            raise NotCompiledError(f"its {name} is no plain function")
    return step, controller.initial  # type: ignore[return-value]


_addresses: dict[str, tuple[Address, Any, int]] = {}


def compiled_before(controller: Controller) -> bool:
    """Whether a controller is at hand compiled, from this run of the program or an earlier one.

    Raises
    ------
    NotCompiledError
        See `controller_identity`.
    """
    key = controller_identity(controller)
    return key in _addresses or codestore.kept(key)


def compiled_controller(controller: Controller) -> tuple[Address, int]:
    """The address of a compiled controller's function, and how many numbers its state array has.

    Raises
    ------
    NotCompiledError
        It does not compile, with the compiler's reason.
    """
    key = controller_identity(controller)
    if key not in _addresses:
        step, initial = bare(controller)
        make_callable(*callees(step), step, *callees(initial), initial)
        zeros = _zeros(initial(controller.params))
        names = {
            **globals(),
            "STEP": step,
            "INITIAL": initial,
            "PARAMS": type(controller.params)(*[0] * len(controller.params)),
            "STATE": zeros,
            "SIZE": 1 + _leaves(zeros),
        }
        tick = FunctionType(_tick.__code__, names, "tick")
        try:
            with codestore.storing(key) as keeping, undisturbed():
                made = numba.cfunc(TICK, cache=keeping)(tick)
        except Exception as error:  # of many unrelated kinds: whatever the compiler stumbled over, it has not compiled
            raise NotCompiledError(_shortest(error)) from error
        _addresses[key] = (made.address, made, 1 + _leaves(zeros))
    address, _, size = _addresses[key]
    return address, size


# Filled in for each controller, see `compiled_controller`.
STEP: Any = None
INITIAL: Any = None
PARAMS: Any = ()
STATE: Any = ()
SIZE = 1


def _tick(params_at: Any, state_at: Any, pins_at: Any, command_at: Any) -> None:
    """One tick of a compiled controller; one that raises, or leaves 32 bits, does not report that it went well."""
    held = numba.carray(state_at, (SIZE,), np.int64)
    given = numba.carray(params_at, (len(PARAMS),), np.int64)
    read = numba.carray(pins_at, (PINS,), np.int64)
    answer = numba.carray(command_at, (COMMAND + 1,), np.int64)
    params = like(PARAMS, given, 0)
    state = like(STATE, held, 1) if held[0] == 1 else INITIAL(params)
    after, command = STEP(params, state, like(NO_PINS, read, 0))
    # Both ways must have one type: another tuple than State or Command does not compile.
    after = after if held[0] >= 0 else state
    command = command if held[0] >= 0 else SILENT
    put(held, 1, after)
    put(answer, 1, command)
    for number in held:
        if number < LOWEST or number > HIGHEST:
            return
    held[0] = 1
    answer[0] = 1


NO_PINS = Inputs(*[0] * PINS)


def _zeros(value: Any) -> Any:
    """A tuple of the same shape, of zeros."""
    return type(value)(*map(_zeros, value)) if isinstance(value, tuple) else 0


def _leaves(value: Any) -> int:
    return sum(_leaves(part) for part in value) if isinstance(value, tuple) else 1


def _shortest(error: Exception) -> str:
    """The compiler's reason in one line, with the place in the controller where it names one."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    place = next((line for line in reversed(lines) if line.startswith("File ")), "")
    reason = next((line for line in lines if not line.startswith(("Failed in", "During", "-", "["))), "no reason given")
    return f"{reason} ({place})" if place else reason


class CalledBack:
    """A controller that is called back in Python at each tick, in the form the compiled loop calls."""

    def __init__(self, controller: Controller) -> None:
        self.controller = controller
        self.logic: Any = None
        self.error: BaseException | None = None
        self.function = CALLBACK(self._tick)

    @property
    def address(self) -> Address:
        """Of the C function that calls back; good while this object lives."""
        return ctypes.cast(self.function, ctypes.c_void_p).value or 0

    def _tick(self, params_at: int, state_at: int, pins_at: int, command_at: int) -> None:
        try:
            state = ctypes.c_int64.from_address(state_at)
            if state.value == 0:
                self.logic = self.controller.initial(self.controller.params)
                state.value = 1
            *pins, t_us = (ctypes.c_int64 * (PINS + 1)).from_address(pins_at)
            self.logic, command = stepped(self.controller, self.logic, Inputs(*pins), t_us)
            (ctypes.c_int64 * (COMMAND + 1)).from_address(command_at)[:] = [1, *command]
        except BaseException as error:
            # Nothing may pass through compiled code: it is raised again behind it.
            self.error = error


# The hook is the whole process's: of runs in several threads the first takes it, and the last gives it back.
_hooks: list[Any] = []
_hooking = threading.Lock()


@contextmanager
def silent_failures() -> Iterator[None]:
    """A compiled step that raises would print its error; the run is repeated interpreted, which tells it properly."""
    with _hooking:
        _hooks.append(sys.unraisablehook)
        sys.unraisablehook = lambda _: None
    try:
        yield
    finally:
        with _hooking:
            before = _hooks.pop()
            if not _hooks:
                sys.unraisablehook = before


def run(
    controller: Controller,
    interpreted: bool,
    senses_params: senses.Params,
    machine_params: machine.Params,
    machine_start: machine.State,
    tapes: Tapes,
    columns: tuple[str, ...] = RECORDED,
) -> NDArray[np.float64]:
    """The whole run, compiled; bit for bit what `loop.run` gives.

    Parameters
    ----------
    interpreted : call the controller back in Python.
    columns : which of `RECORDED` to keep.

    Returns
    -------
    array, shape (len(columns), ticks)

    Raises
    ------
    NotCompiledError
        The controller does not compile, and was not to be interpreted.
    ControllerError
    """
    back = CalledBack(controller) if interpreted else None
    address, size = (back.address, 1) if back is not None else compiled_controller(controller)
    state = np.zeros(size, dtype=np.int64)
    params = np.array([0] if back is not None else controller.params, dtype=np.int64)
    wanted = np.array([RECORDED.index(name) for name in columns], dtype=np.int64)
    recorded = np.empty((len(columns), len(tapes)))
    arguments = (
        address, params, state, senses_params, machine_params, machine_start,
        tapes.senses.ravel(), tapes.machine.ravel(), wanted, recorded,
        np.zeros(PINS + 1, np.int64), np.zeros(COMMAND + 1, np.int64), np.zeros(len(RECORDED)),
    )  # fmt: skip
    loop_code = world()
    if not loop_code.signatures:
        with undisturbed():
            loop_code.compile(tuple(map(numba.typeof, arguments)))
    with silent_failures():
        ended = loop_code(*arguments)
    if back is not None and back.error is not None:
        raise back.error
    if ended != DONE:
        # The interpreted loop says what went wrong; numbers beyond 32 bits alone are no fault there.
        return loop.run(controller, senses_params, machine_params, machine_start, tapes, columns=columns)
    return recorded
