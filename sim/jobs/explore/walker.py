"""The walk by the compiled code: its memory, its layers, and what it came to (row 4).

Only imported where numba is installed.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sim.bench.compiled_loop import PINS, Whole, compiled_controller, silent_failures
from sim.bench.engine import COMPILED
from sim.jobs.explore import fast
from sim.jobs.explore.plain import LAYERS
from sim.jobs.explore.space import BROKEN, ERROR, UNFINISHED, WHOLE, Field, Reached, Space, Walk, leaves

FIRST_ROOM = 1 << 14
# States between two looks at the clock and the keyboard.
BUDGET = 20_000
# Of more states than these only some are looked at for how many values a field has.
LOOKED_AT = 100_000
# A table at most half full: looking for a state then takes a step or two.
PLACES_PER_ROW = 2


def ready(space: Space) -> None:
    """Compile all that a walk needs; not in a thread, for the compiler's settings are the whole program's.

    Raises
    ------
    NotCompiledError
        The controller does not compile.
    """
    walked(replace(space, moves=()), 1)


class Memory:
    """Rows and all that stands beside them; grows by doubling."""

    def __init__(self, width: int, room: int) -> None:
        self.rows = np.empty((room, width), np.int32)
        self.parents = np.zeros(room, np.int32)
        self.moves = np.zeros(room, np.int16)
        self.modes = np.full(room, fast.UNKNOWN_MODE, np.int8)
        self.table = self._table(room)

    @staticmethod
    def _table(room: int) -> fast.Table:
        return np.full(1 << (PLACES_PER_ROW * room - 1).bit_length(), -1, np.int32)

    def grow(self, count: int, room: int) -> None:
        """Make room for more rows."""
        for name in ("rows", "parents", "moves", "modes"):
            old = getattr(self, name)
            new = np.empty((room, *old.shape[1:]), old.dtype)
            new[:count] = old[:count]
            setattr(self, name, new)
        self.table = self._table(room)
        self.fill(count)

    def fill(self, count: int) -> None:
        """Find a place in the table for each row."""
        fast.code()[1](self.table, self.rows, count)

    @property
    def bytes(self) -> int:
        """In use."""
        return sum(getattr(self, name).nbytes for name in ("rows", "parents", "moves", "modes", "table"))


def walked(space: Space, states_max: int, progress: Callable[[int], None] | None = None) -> Walk:
    """Every state, breadth first, until something is found or there are too many.

    Raises
    ------
    NotCompiledError
        The controller does not compile.
    """
    controller, moves = space.controller, len(space.moves)
    tick, size = compiled_controller(controller)
    look = fast.compiled_monitor(space.proof)
    root = (controller.initial(controller.params), space.proof.initial(space.rule))
    first = [number for _, number in leaves(root)]
    memory = Memory(len(first), min(FIRST_ROOM + moves, states_max))
    memory.rows[0] = first
    memory.fill(1)
    step, _ = fast.code()
    where = np.array([1, 0, 1, 0, BUDGET], np.int64)
    reached = np.zeros((3, fast.MODES, fast.REASONS), np.int64)
    fixed = (
        np.array(controller.params, np.int64),
        np.array(space.rule, np.int64),
        np.array(space.moves, np.int64).reshape(moves, PINS),
    )
    own = (np.zeros(size, np.int64), np.zeros(2 + len(first) - size, np.int64))
    layers = [1]
    begun = time.perf_counter()
    why = fast.PAUSED
    while why in (fast.PAUSED, fast.DONE):
        rows = (memory.rows, memory.parents, memory.moves, memory.modes, memory.table)
        with silent_failures():
            why = step(tick, look, *fixed, *rows, *own, reached, where)
        count, here = int(where[0]), int(where[1])
        if why == fast.FULL and len(memory.rows) < states_max:
            memory.grow(count, min(2 * len(memory.rows), states_max))
            why = fast.PAUSED
        elif why == fast.DONE:
            if here == count:
                break
            layers.append(count)
            where[2] = count
        if progress is not None:
            progress(here)
    return _ended(space, memory, int(why), where, layers, reached, time.perf_counter() - begun, int(own[1][0]))


def _ended(
    space: Space,
    memory: Memory,
    why: int,
    where: Whole,
    layers: list[int],
    reached: Whole,
    seconds: float,
    found: int,
) -> Walk:
    count, here, last = int(where[0]), int(where[1]), int(where[3])
    path: tuple[int, ...] = ()
    if why in (fast.FOUND, fast.FAILED):
        path = (*_path(memory, here), last)
    ended = {fast.DONE: WHOLE, fast.FOUND: BROKEN, fast.FAILED: ERROR, fast.FULL: UNFINISHED}[why]
    return Walk(
        ended=ended,
        states=count,
        transitions=here * len(space.moves) + (last + 1 if path else 0),
        depth=len(path) or len(layers) - 1,
        seconds=seconds,
        memory_bytes=memory.bytes,
        engine=COMPILED,
        reached=_reached(reached),
        fields=_fields(space, memory, count, layers) if ended == UNFINISHED else (),
        path=path,
        found=found if ended == BROKEN else 0,
    )


def _path(memory: Memory, here: int) -> tuple[int, ...]:
    moves = []
    while here:
        moves.append(int(memory.moves[here]))
        here = int(memory.parents[here])
    return tuple(reversed(moves))


def _reached(counted: Whole) -> Reached:
    modes, reasons, steps = ({(int(a), int(b)): int(plane[a, b]) for a, b in np.argwhere(plane)} for plane in counted)
    return Reached(
        modes=modes,
        reasons=reasons,
        power_steps=tuple(sorted({step for _, step in steps})),
        driven=sum(times for (drives, _), times in steps.items() if drives == 1),
    )


def _fields(space: Space, memory: Memory, count: int, layers: list[int]) -> tuple[Field, ...]:
    root = (space.controller.initial(space.controller.params), space.proof.initial(space.rule))
    before = layers[max(0, len(layers) - 1 - LAYERS)]
    stride = -(-count // LOOKED_AT)
    made = []
    for column, (name, _) in enumerate(leaves(root)):
        early, late = memory.rows[:before, column], memory.rows[:count, column]
        low, high = int(late.min()), int(late.max())
        widened = max(int(early.min()) - low, high - int(early.max()))
        made.append(Field(name.partition(".")[2], low, high, widened, len(np.unique(late[::stride]))))
    return tuple(made)
