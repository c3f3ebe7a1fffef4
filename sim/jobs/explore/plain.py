"""The walk over all states in plain Python: for any controller, and to compare the compiled one with (row 4)."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from typing import Any

from sim.bench.control import HIGHEST, LOWEST
from sim.bench.engine import INTERPRETED
from sim.jobs.explore.space import BROKEN, ERROR, UNFINISHED, WHOLE, Field, Reached, Space, Walk, leaves

# Ranges are compared with those of so many layers ago.
LAYERS = 8
TOLD_STATES = 500
# Two tuples of some forty small numbers, and their places in a dictionary and three lists: measured, roughly.
STATE_BYTES = 900


def walked(space: Space, states_max: int, progress: Callable[[int], None] | None = None) -> Walk:
    """Every state, breadth first, until something is found or there are too many.

    Raises
    ------
    Nothing of the controller's: what it raises is the walk's end.
    """
    return _Walker(space, states_max, progress).run()


class _Walker:
    def __init__(self, space: Space, states_max: int, progress: Callable[[int], None] | None) -> None:
        self.space = space
        self.states_max = states_max
        self.progress = progress
        controller = space.controller
        root = (controller.initial(controller.params), space.proof.initial(space.rule))
        self.index = {root: 0}
        self.states = [root]
        self.parents = [0]
        self.moves = [0]
        self.modes: list[int | None] = [None]
        self.layers = [1]
        self.transitions = 0
        self.modes_seen: Counter[tuple[int, int]] = Counter()
        self.reasons_seen: Counter[tuple[int, int]] = Counter()
        self.power_steps: set[int] = set()
        self.driven = 0
        self.begun = time.perf_counter()

    def run(self) -> Walk:
        """Layer by layer; a state is expanded in the order in which it was found."""
        here = 0
        while here < len(self.states):
            while here < self.layers[-1]:
                if len(self.states) + len(self.space.moves) > self.states_max:
                    return self._ended(UNFINISHED)
                for move in range(len(self.space.moves)):
                    found, why = self._step(here, move)
                    if found or why:
                        return self._ended(ERROR if why else BROKEN, (*self._path(here), move), found, why)
                here += 1
                if self.progress is not None and here % TOLD_STATES == 0:
                    self.progress(here)
            self.layers.append(len(self.states))
        return self._ended(WHOLE)

    def _step(self, here: int, move: int) -> tuple[int, str]:
        """One move from one state: what the monitor found, and what went wrong."""
        space = self.space
        logic, watch = self.states[here]
        pins = space.moves[move]
        self.transitions += 1
        try:
            logic, command = space.controller.step(space.controller.params, logic, pins)
        except Exception as error:
            return 0, f"{type(error).__name__}: {error}"
        for name, number in leaves(logic):
            if type(number) is not int or not LOWEST <= number <= HIGHEST:
                return 0, f"{name} must be a whole number of 32 bits; got {number!r}"
        watch, found = space.proof.step(space.rule, watch, pins, command)
        self._count(here, command)
        state = (logic, watch)
        if state not in self.index:
            self.index[state] = len(self.states)
            self.states.append(state)
            self.parents.append(here)
            self.moves.append(move)
            self.modes.append(command.mode)
        return found, ""

    def _count(self, here: int, command: Any) -> None:
        before = self.modes[here]
        if before is not None:
            self.modes_seen[before, command.mode] += 1
        self.reasons_seen[command.mode, command.reason] += 1
        self.power_steps.add(command.power_step)
        stop_us = self.space.rule.stop_us
        self.driven += command.left_pulse_us > stop_us or command.right_pulse_us > stop_us

    def _path(self, here: int) -> tuple[int, ...]:
        moves = []
        while here:
            moves.append(self.moves[here])
            here = self.parents[here]
        return tuple(reversed(moves))

    def _ended(self, ended: str, path: tuple[int, ...] = (), found: int = 0, why: str = "") -> Walk:
        reached = Reached(
            dict(self.modes_seen), dict(self.reasons_seen), tuple(sorted(self.power_steps)), self.driven
        )  # fmt: skip
        return Walk(
            ended=ended,
            states=len(self.states),
            transitions=self.transitions,
            # The last layer adds nothing: it is how one knows that this was all.
            depth=len(path) or len(self.layers) - (2 if ended == WHOLE else 1),
            seconds=time.perf_counter() - self.begun,
            memory_bytes=len(self.states) * STATE_BYTES,
            engine=INTERPRETED,
            reached=reached,
            fields=self._fields() if ended == UNFINISHED else (),
            path=path,
            found=found,
            why=why,
        )

    def _fields(self) -> tuple[Field, ...]:
        names = [name for name, _ in leaves(self.states[0])]
        before = self.layers[max(0, len(self.layers) - 1 - LAYERS)]
        columns = zip(*(tuple(number for _, number in leaves(state)) for state in self.states), strict=True)
        made = []
        for name, column in zip(names, columns, strict=True):
            low, high = min(column), max(column)
            widened = max(min(column[:before]) - low, high - max(column[:before]))
            made.append(Field(name.partition(".")[2], low, high, widened, len(set(column))))
        return tuple(made)
