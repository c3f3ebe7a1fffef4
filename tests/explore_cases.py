"""Puzzles and automata as controllers, for the explorer's tests: what they lead to is known from elsewhere."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any, NamedTuple

from controllers.board import Command, Inputs
from sim.bench.control import load_controller
from sim.jobs.explore.monitors import Property, Rule
from sim.jobs.explore.scope import QUIET
from sim.jobs.explore.space import Space

HEAD = """\
from typing import NamedTuple

from controllers.board import Command

def shown(number):
    return Command(1000, 1000, 1, 0, 0, 0, number)

class Params(NamedTuple):
    tick_us: int
"""

# The board is a number of nine digits, one for each place; 0 is the blank.
EIGHT = """
class State(NamedTuple):
    board: int

def initial(params):
    return State(123456780)

def power(place):
    number = 1
    for _ in range(place):
        number = number * 10
    return number

def tile(board, place):
    return board // power(place) % 10

def step(params, state, inputs):
    board = state.board
    blank = 0
    for place in range(9):
        if tile(board, place) == 0:
            blank = place
    other = blank
    if inputs.hall_counts == 0 and blank % 3 != 0:
        other = blank - 1
    if inputs.hall_counts == 1 and blank % 3 != 2:
        other = blank + 1
    if inputs.hall_counts == 2 and blank >= 3:
        other = blank - 3
    if inputs.hall_counts == 3 and blank < 6:
        other = blank + 3
    moved = tile(board, other)
    board = board - moved * power(other) + moved * power(blank)
    return State(board), shown(board)
"""

# Three of each on the near bank; hall_counts go over with the boat as missionaries, bus_mv as cannibals.
CROSSING = """
class State(NamedTuple):
    missionaries: int
    cannibals: int
    near: int

def initial(params):
    return State(3, 3, 1)

def eaten(missionaries, cannibals):
    return 1 if missionaries > 0 and cannibals > missionaries else 0

def step(params, state, inputs):
    sign = -1 if state.near == 1 else 1
    missionaries = state.missionaries + sign * inputs.hall_counts
    cannibals = state.cannibals + sign * inputs.bus_mv
    here = 1 if 0 <= missionaries <= 3 and 0 <= cannibals <= 3 else 0
    if here == 0 or eaten(missionaries, cannibals) == 1 or eaten(3 - missionaries, 3 - cannibals) == 1:
        missionaries, cannibals, near = state.missionaries, state.cannibals, state.near
    else:
        near = 1 - state.near
    return State(missionaries, cannibals, near), shown(missionaries + cannibals + near)
"""

# Any automaton of up to so many states: where it goes is a polynomial of state and input.
POLYNOMIAL = """
class State(NamedTuple):
    place: int

def initial(params):
    return State(1)

def step(params, state, inputs):
    place = ({a} * state.place * state.place + {b} * state.place * inputs.hall_counts + inputs.hall_counts + {c}) % {n}
    return State(place), shown(place)
"""


class Nothing(NamedTuple):
    """A monitor that remembers nothing adds no states."""

    nothing: int


def nothing(rule: Rule) -> Nothing:
    """See `Nothing`."""
    return Nothing(0)


def never(rule: Rule, state: Nothing, pins: Inputs, command: Command) -> tuple[Nothing, int]:
    """Nothing is found."""
    return state, 0


def solved(rule: Rule, state: Nothing, pins: Inputs, command: Command) -> tuple[Nothing, int]:
    """Found where the command shows the number that the rule names."""
    return state, 1 if command.lever_permille == rule.stop_us else 0


NEVER = Property("nothing is ever found", nothing, never)
SOLVED = Property("it is never solved", nothing, solved)
NO_RULE = Rule(*[0] * len(Rule._fields))


def space(folder: Path, source: str, proof: Property = NEVER, rule: Rule = NO_RULE, **readings: Any) -> Space:
    """A puzzle beside a monitor, with every combination of readings as (pin=values, ...)."""
    path = folder / "puzzle.py"
    path.write_text(HEAD + source, encoding="utf-8")
    moves = tuple(
        QUIET._replace(**dict(zip(readings, values, strict=True))) for values in itertools.product(*readings.values())
    )
    return Space(load_controller(str(path), 1000), proof, rule, moves)
