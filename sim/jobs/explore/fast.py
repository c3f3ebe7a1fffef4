"""The walk over all states as machine code (row 4).

Only imported where numba is installed. Controller and monitor are C functions
of one form, see `bench.compiled_loop`, so that the walk is compiled once for
all of them::

    void look(int64_t *rule, int64_t *watch, int64_t *pins, int64_t *command)

    watch    [0] what the monitor found; then its state

Every state is kept whole, as a row of 32-bit numbers, and compared whole: a
hash says only where to look for it.
"""

from __future__ import annotations

from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from types import FunctionType
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from controllers.board import Command, Inputs
from sim.base import codestore, flat
from sim.base import compile as compiling
from sim.base.compile import callees, compiled, make_callable, undisturbed
from sim.base.flat import call_at, like, put
from sim.base.identity import identity
from sim.bench import compiled_loop
from sim.bench.compiled_loop import COMMAND, NO_PINS, PINS, TICK, Whole
from sim.bench.loop import SILENT
from sim.jobs.explore.monitors import Property, Rule

Rows = NDArray[np.int32]
Table = NDArray[np.int32]

# Why the walk came back.
DONE, FULL, FOUND, FAILED, PAUSED = 0, 1, 2, 3, 4
# What is counted of what was reached: numbers beyond these are not.
MODES, REASONS, STEPS = 64, 256, 16
UNKNOWN_MODE = -1

# Any odd numbers with well-mixed bits will do: no answer hangs on them, only speed.
_SEED = 0x9E3779B97F4A7C15
_FACTOR = 0xBF58476D1CE4E5B9


def slot_of(row: Any, mask: Any) -> Any:
    """Where in a table of 2^n places to look for a row first; mask is 2^n - 1."""
    mixed = np.uint64(_SEED)
    for value in row:
        mixed = (mixed ^ np.uint64(np.uint32(value))) * np.uint64(_FACTOR)
        mixed = mixed ^ (mixed >> np.uint64(29))
    return mixed & np.uint64(mask)


def walk(
    tick: int,
    look: int,
    params: Whole,
    rule: Whole,
    pins_of: Whole,
    rows: Rows,
    parents: Table,
    moves: NDArray[np.int16],
    modes: NDArray[np.int8],
    table: Table,
    logic: Whole,
    watch: Whole,
    reached: Whole,
    where: Whole,
) -> int:
    """Expand states in the order in which they were found, so that each is found along a shortest way.

    Parameters
    ----------
    tick, look : addresses of controller and monitor.
    pins_of : shape (moves, PINS); every combination of readings.
    rows : shape (room, width); each state, the controller's part before the monitor's.
    parents, moves, modes : shape (room,); the state and the move it was first reached by, and the mode then.
    table : shape (2^n,); the row at each place, or -1.
    logic, watch : shape (1 + size,); the controller's and the monitor's numbers, for the walk's own use.
    reached : shape (3, 64, 256); transitions counted by (mode before, mode), (mode, reason), (drive, power step).
    where : in and out: number of states, next state to expand, end of the states to expand, its move, budget of states.

    Returns
    -------
    DONE : all up to the end are expanded.
    FULL : the rows have no room for another state's moves.
    FOUND, FAILED : the monitor found something, or the step did not go well, in the move of `where`.
    PAUSED : the budget is used up.
    """
    width = rows.shape[1]
    size = logic.shape[0] - 1
    pins = np.zeros(PINS + 1, np.int64)
    command = np.zeros(COMMAND + 1, np.int64)
    row = np.zeros(width, np.int32)
    last = np.zeros(width, np.int32)
    count, here, end = where[0], where[1], where[2]
    stop = min(end, here + where[4])
    why = DONE if stop == end else PAUSED
    while here < stop:
        if count + pins_of.shape[0] > rows.shape[0]:
            why = FULL
            break
        for move in range(pins_of.shape[0]):
            where[3] = move
            _taken(rows, here, logic, watch, pins_of[move], pins)
            command[0] = 0
            watch[0] = 0
            call_at(tick, params, logic, pins, command)
            if command[0] != 1:
                why = FAILED
                break
            call_at(look, rule, watch, pins, command)
            _count(reached, modes[here], rule, command)
            same = move > 0
            for index in range(width):
                row[index] = logic[index + 1] if index < size else watch[index - size + 1]
                same = same and row[index] == last[index]
            # Moves that differ in what is not looked at now lead to one and the same state, mostly the last one.
            at = np.uint64(0) if same else _place(table, rows, row)
            if not same and table[at] < 0:
                table[at] = count
                rows[count] = row
                parents[count] = here
                moves[count] = move
                modes[count] = command[5] if 0 <= command[5] < MODES else UNKNOWN_MODE
                count += 1
            last[:] = row
            if watch[0] != 0:
                why = FOUND
                break
        if why in (FOUND, FAILED):
            break
        here += 1
    where[0] = count
    where[1] = here
    return why


def _taken(rows: Any, here: Any, logic: Any, watch: Any, read: Any, pins: Any) -> Any:
    """Lay a state and a move out for the two functions."""
    size = logic.shape[0] - 1
    logic[0] = 1
    for index in range(size):
        logic[index + 1] = rows[here, index]
    for index in range(size, rows.shape[1]):
        watch[index - size + 1] = rows[here, index]
    for index in range(PINS):
        pins[index] = read[index]


def _place(table: Any, rows: Any, row: Any) -> Any:
    """Where in the table a row stands, or where it would."""
    mask = table.shape[0] - 1
    at = slot_of(row, mask)
    while table[at] >= 0 and not _alike(rows, table[at], row):
        at = (at + np.uint64(1)) & np.uint64(mask)
    return at


def _alike(rows: Any, at: Any, row: Any) -> Any:
    same = True
    for index in range(row.shape[0]):
        same = same and rows[at, index] == row[index]
    return same


def _count(reached: Any, before: Any, rule: Any, command: Any) -> Any:
    mode, reason, power_step = command[5], command[6], command[3]
    if 0 <= mode < MODES:
        if before >= 0:
            reached[0, before, mode] += 1
        if 0 <= reason < REASONS:
            reached[1, mode, reason] += 1
    if 0 <= power_step < STEPS:
        drives = 1 if command[1] > rule[0] or command[2] > rule[0] else 0
        reached[2, drives, power_step] += 1


def refill(table: Table, rows: Rows, count: int) -> int:
    """Find a place in a new table for every state."""
    mask = table.shape[0] - 1
    for index in range(count):
        at = slot_of(rows[index], mask)
        while table[at] >= 0:
            at = (at + np.uint64(1)) & np.uint64(mask)
        table[at] = index
    return count


def _source(*names: str) -> str:
    """A hash of all that goes into machine code and that no identity describes: these files, and what is given."""
    modules = (__file__, compiled_loop.__file__, flat.__file__, compiling.__file__)
    texts = [Path(module).read_text(encoding="utf-8") for module in modules]
    told = (str(Inputs._fields), str(Command._fields), *names)
    return sha256("\n".join([*texts, *told]).encode()).hexdigest()[:16]


@lru_cache(maxsize=1)
def code() -> tuple[Any, Any]:
    """`walk` and `refill`, compiled at their first call or kept from an earlier run of the program."""
    with codestore.storing(_source("walk")) as keeping:
        return compiled(walk, cache=keeping, nogil=True), compiled(refill, cache=keeping, nogil=True)


_looks: dict[Any, Any] = {}


def compiled_monitor(proof: Property) -> int:
    """The address of a monitor's C function; kept as long as the program runs."""
    if proof.step not in _looks:
        make_callable(*callees(proof.step), proof.step)
        start = proof.initial(Rule(*[0] * len(Rule._fields)))
        names = {
            **globals(),
            "LOOK": proof.step,
            "RULE": Rule(*[0] * len(Rule._fields)),
            "WATCH": type(start)(*[0] * len(start)),
            "SIZE": 1 + len(start),
        }
        told = identity(proof.step)
        # The step names neither tuple, whose fields' order is part of what is compiled all the same.
        key = told and _source(told, str(Rule._fields), str(type(start)._fields))
        with codestore.storing(key) as keeping, undisturbed():
            _looks[proof.step] = numba.cfunc(TICK, cache=keeping)(FunctionType(_look.__code__, names, "look"))
    address: int = _looks[proof.step].address
    return address


# Filled in for each monitor, see `compiled_monitor`.
LOOK: Any = None
RULE: Any = ()
WATCH: Any = ()
SIZE = 1


def _look(rule_at: Any, watch_at: Any, pins_at: Any, command_at: Any) -> None:
    """One tick of a compiled monitor."""
    watched = numba.carray(watch_at, (SIZE,), np.int64)
    rule = like(RULE, numba.carray(rule_at, (len(RULE),), np.int64), 0)
    pins = like(NO_PINS, numba.carray(pins_at, (PINS,), np.int64), 0)
    command = like(SILENT, numba.carray(command_at, (COMMAND + 1,), np.int64), 1)
    after, found = LOOK(rule, like(WATCH, watched, 1), pins, command)
    put(watched, 1, after)
    watched[0] = found
