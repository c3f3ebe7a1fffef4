"""What is walked through, and what a walk comes to (row 4)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from controllers.board import Inputs
from sim.bench.control import Controller
from sim.jobs.explore.monitors import Property, Rule

# How a walk ended.
WHOLE = "whole"
BROKEN = "broken"
ERROR = "error"
UNFINISHED = "unfinished"


@dataclass(frozen=True, slots=True)
class Space:
    """A controller beside the monitor of one property, and all that the pins may read at each tick.

    moves : every combination of readings, the quietest first: of two shortest ways the quieter one is told.
    """

    controller: Controller
    proof: Property
    rule: Rule
    moves: tuple[Inputs, ...]


@dataclass(frozen=True, slots=True)
class Reached:
    """What the transitions walked have shown.

    modes : mode before and after, with how often. A state counts with the mode it was first reached in.
    reasons : mode and reason, with how often.
    power_steps : those in force.
    driven : transitions that ask for drive.
    """

    modes: dict[tuple[int, int], int]
    reasons: dict[tuple[int, int], int]
    power_steps: tuple[int, ...]
    driven: int


@dataclass(frozen=True, slots=True)
class Field:
    """One number of the state.

    low, high : the range it was seen in. widened : by how much that grew over the last layers.
    values : different ones; of very many states only some are looked at, so that there may be more.
    """

    name: str
    low: int
    high: int
    widened: int
    values: int


@dataclass(frozen=True, slots=True)
class Walk:
    """All states that were found, breadth first.

    ended : WHOLE, BROKEN (the monitor found something), ERROR (the controller did not go well) or UNFINISHED.
    states : of controller and monitor together.
    transitions : one for each state expanded and each move.
    depth : ticks from the reset to the furthest state, or to what was found.
    path : moves from the reset to what was found, a shortest way.
    found : what the monitor found.
    why : of an error.
    fields : of the controller's state, then of the monitor's.
    """

    ended: str
    states: int
    transitions: int
    depth: int
    seconds: float
    memory_bytes: int
    engine: str
    reached: Reached
    fields: tuple[Field, ...]
    path: tuple[int, ...] = ()
    found: int = 0
    why: str = ""

    @property
    def growing(self) -> tuple[Field, ...]:
        """Fields that still went where they had not been, those of most values first."""
        grown = [field for field in self.fields if field.widened > 0]
        return tuple(sorted(grown, key=lambda field: -field.values))


def leaves(value: Any, name: str = "") -> Iterator[tuple[str, int]]:
    """Every number of a nested tuple with its dotted name; of a controller in C, whose state is bytes, every word."""
    if isinstance(value, bytes):
        yield from ((f"{name}.word{index}", word) for index, word in enumerate(memoryview(value).cast("i")))
    elif isinstance(value, tuple):
        names = getattr(value, "_fields", range(len(value)))
        for part, inside in zip(names, value, strict=True):
            yield from leaves(inside, f"{name}.{part}" if name else str(part))
    else:
        yield name, value
