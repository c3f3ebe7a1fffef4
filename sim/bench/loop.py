"""The closed loop: pins, controller, machine, row, tick after tick (row 2).

Order inside one tick:

1. the world is sampled at the start of the tick -> the pins;
2. the controller steps, unless the chip is held in reset or booting -> the command;
3. each ESC takes the command at its next pulse frame, and the world moves to
   the end of the tick in substeps;
4. the row is recorded: the pins and the command of this tick, and the world at its end.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from controllers.board import Command, Inputs
from sim.bench.control import Controller, line_in
from sim.bench.tapes import Tapes
from sim.world import contact, drivetrain, esc, hull, machine, pack, protection, senses, supply, warmth

# The mode and reason of a chip that is not running.
NO_MODE = -1


def _named(prefix: str, parts: type[Any]) -> tuple[str, ...]:
    return tuple(prefix + field for field in parts._fields)


RECORDED = (
    *("hall_v",),
    *_named("", Inputs),
    *_named("", Command),
    *_named("deadman_", contact.State),
    *_named("mode_", contact.State),
    *_named("cord_", contact.State),
    *_named("", machine.Outputs),
    *_named("left_esc_", esc.State),
    *_named("right_esc_", esc.State),
    *_named("", drivetrain.State),
    *_named("", hull.State),
    *_named("", pack.State),
    *_named("protection_", protection.State),
    *_named("", supply.State),
    *_named("", warmth.State),
    *_named("", machine.Energy),
)
"""Columns the loop records, in order: the pins, the command, and nearly all of the world's state."""

Row = TypeVar("Row", bound=tuple[float, ...])

# Rows of tape turned into Python floats, and of record into columns, at a time: few, so that they stay in the cache.
CHUNK = 128
# Progress is told this often.
TOLD_TICKS = 4096

SILENT = Command(0, 0, 0, 0, NO_MODE, 0, 0)


class ControllerError(Exception):
    """The controller raised, or gave back something that is not a command."""

    def __init__(self, controller: Controller, t_us: int, error: Exception) -> None:
        line = line_in(controller.path, error)
        place = f"{controller.path}:{line}" if line else str(controller.path)
        super().__init__(f"{place}: at {t_us / 1e6:.3f} s: {type(error).__name__}: {error}")


def rows(kind: type[Row], tape: NDArray[np.float64]) -> Iterator[Row]:
    """The rows of a tape as its tuples of plain floats."""
    # Past the tuple's own constructor, which takes each field as an argument and twice the time.
    made = partial(tuple.__new__, kind)
    for start in range(0, len(tape), CHUNK):
        yield from map(made, tape[start : start + CHUNK].tolist())


def stepped(controller: Controller, state: Any, inputs: Inputs, t_us: int) -> tuple[Any, Command]:
    """One step of the controller; whatever it does wrong names its file and the moment.

    Raises
    ------
    ControllerError
    """
    try:
        return controller.step(controller.params, state, inputs)
    except Exception as error:
        raise ControllerError(controller, t_us, error) from error


def run(
    controller: Controller,
    senses_params: senses.Params,
    machine_params: machine.Params,
    machine_start: machine.State,
    tapes: Tapes,
    progress: Callable[[int], None] | None = None,
    columns: tuple[str, ...] = RECORDED,
) -> NDArray[np.float64]:
    """The whole run, interpreted.

    Parameters
    ----------
    machine_start : the machine just switched on.
    progress : called now and then with the number of ticks done.
    columns : which of `RECORDED` to keep.

    Returns
    -------
    array, shape (len(columns), ticks)

    Raises
    ------
    ControllerError
    """
    tick_us = machine_params.tick_us
    rail_v = supply.rail_from(machine_params.supply, machine_start.supply.hold_v)
    sensed = senses.initial(senses_params, rail_v)
    moved = machine_start
    seen = senses.Machine(rail_v, moved.bus_v, 0.0, 1, 0.0, 0.0)
    logic: Any = None
    step, control = controller.step, controller.params
    kept = _Kept(columns, len(tapes))
    t_us = 0
    both = zip(rows(senses.Tape, tapes.senses), rows(machine.Tape, tapes.machine), strict=True)
    for tick, (senses_row, machine_row) in enumerate(both):
        sensed, pins, hall_v = senses.step(senses_params, sensed, senses_row, seen)
        if moved.supply.chip == supply.RUNNING:
            if logic is None:
                logic = controller.initial(control)
            try:
                logic, command = step(control, logic, pins)
            except Exception as error:
                raise ControllerError(controller, t_us, error) from error
        else:
            # Reset forgets everything; the pins float and no pulses leave the chip.
            logic = None
            command = SILENT
        moved, out = machine.step(
            machine_params,
            moved,
            machine_row,
            t_us,
            float(command.left_pulse_us),
            float(command.right_pulse_us),
        )
        rotors = moved.rotors
        seen = senses.Machine(
            out.rail_v, out.bus_v, out.bus_a, out.cord_in_place, rotors.left_rad_s, rotors.right_rad_s
        )
        kept.add(parts_of(hall_v, pins, command, sensed, moved, out))
        t_us += tick_us
        if progress is not None and tick % TOLD_TICKS == 0:
            progress(tick)
    return kept.finished()


class _Kept:
    """The record as it grows: rows are packed by the chunk and then laid down as columns."""

    def __init__(self, columns: tuple[str, ...], ticks: int) -> None:
        self.wanted = [RECORDED.index(name) for name in columns]
        self.recorded = np.empty((len(columns), ticks))
        self.row = struct.Struct(f"{len(RECORDED)}d")
        self.chunk = bytearray(CHUNK * self.row.size)
        self.laid = 0
        self.waiting = 0

    def add(self, parts: tuple[tuple[float, ...], ...]) -> None:
        """One more tick."""
        # Named one by one, because chaining them takes half as long again.
        hall_v, pins, command, deadman, button, cord, out, left, right, *others = parts
        rotors, surge, cells, guard, logic, warm, energy = others
        self.row.pack_into(
            self.chunk, self.waiting * self.row.size,
            *hall_v, *pins, *command, *deadman, *button, *cord, *out, *left, *right,
            *rotors, *surge, *cells, *guard, *logic, *warm, *energy,
        )  # fmt: skip
        self.waiting += 1
        if self.waiting == CHUNK:
            self._lay()

    def _lay(self) -> None:
        rows = np.frombuffer(self.chunk, dtype=np.float64).reshape(CHUNK, len(RECORDED))[: self.waiting]
        self.recorded[:, self.laid : self.laid + self.waiting] = rows.T[self.wanted]
        self.laid += self.waiting
        self.waiting = 0

    def finished(self) -> NDArray[np.float64]:
        """All of it, shape (columns, ticks)."""
        self._lay()
        return self.recorded


def parts_of(
    hall_v: float,
    pins: Inputs,
    command: Command,
    sensed: senses.State,
    moved: machine.State,
    out: machine.Outputs,
) -> tuple[tuple[float, ...], ...]:
    """The values of `RECORDED`, in its order, part by part."""
    return (
        (hall_v,),
        pins,
        command,
        sensed.deadman,
        sensed.button,
        sensed.cord,
        out,
        moved.left_esc,
        moved.right_esc,
        moved.rotors,
        moved.hull,
        moved.pack,
        moved.protection,
        moved.supply,
        moved.warmth,
        moved.energy,
    )
