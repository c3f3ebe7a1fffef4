"""The walk over all states, against puzzles and graphs whose states and shortest ways are known from elsewhere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from explore_cases import CROSSING, EIGHT, NO_RULE, POLYNOMIAL, SOLVED, space
from file_cases import command
from file_cases import controller as controller_file
from scipy.sparse import coo_array
from scipy.sparse.csgraph import shortest_path

from controllers import reference
from sim.bench.control import load_controller
from sim.jobs.explore import plain, walker
from sim.jobs.explore.coarse import coarsened
from sim.jobs.explore.explore import explore
from sim.jobs.explore.scope import QUIET, Scope, load_scope, scope_path, tasks
from sim.jobs.explore.space import BROKEN, UNFINISHED, WHOLE, Space, Walk

ENGINES = {"interpreted": plain.walked, "compiled": walker.walked}
MOST = 1_000_000


def both(walked: Space, most: int = MOST) -> tuple[Walk, Walk]:
    return plain.walked(walked, most), walker.walked(walked, most)


def test_the_eight_puzzle_has_its_states_and_its_depth(tmp_path: Path) -> None:
    """From its goal the 8-puzzle has 9!/2 = 181 440 states, and the furthest are 31 moves away."""
    # PUBLISHED: A. Reinefeld 1993, "Complete Solution of the Eight-Puzzle and the Benefit of Node Ordering in IDA*",
    # IJCAI-93, 248-253: 181 440 solvable configurations, at most 31 moves. Values from memory.
    walk = walker.walked(space(tmp_path, EIGHT, hall_counts=(0, 1, 2, 3)), MOST)
    assert (walk.ended, walk.states, walk.depth, walk.transitions) == (WHOLE, 181_440, 31, 4 * 181_440)


@pytest.mark.parametrize("engine", ENGINES)
def test_missionaries_and_cannibals_cross_in_eleven(tmp_path: Path, engine: str) -> None:
    """The shortest way of three missionaries and three cannibals over the river takes 11 crossings."""
    # PUBLISHED: S. Amarel 1968, "On representations of problems of reasoning about actions", Machine Intelligence 3,
    # 131-171: 11 crossings. Value from memory.
    river = space(tmp_path, CROSSING, SOLVED, hall_counts=(0, 1, 2), bus_mv=(0, 1, 2))
    loads = tuple(move for move in river.moves if 1 <= move.hall_counts + move.bus_mv <= 2)
    walk = ENGINES[engine](Space(river.controller, SOLVED, NO_RULE, loads), MOST)
    assert (walk.ended, len(walk.path)) == (BROKEN, 11)


def reachable(a: int, b: int, c: int, n: int, moves: int) -> tuple[int, int]:
    """INDEPENDENT: states reached from 1 and the longest of the shortest ways, by scipy's graph routines."""
    at = np.arange(n)
    ends = [(a * at * at + b * at * move + move + c) % n for move in range(moves)]
    graph = coo_array((np.ones(n * moves), (np.tile(at, moves), np.concatenate(ends))), shape=(n, n)).tocsr()
    ways = shortest_path(graph, unweighted=True, indices=1)
    return int(np.isfinite(ways).sum()), int(ways[np.isfinite(ways)].max())


@pytest.mark.parametrize(
    ("a", "b", "c", "n"), [(1, 0, 0, 997), (3, 1, 7, 1000), (0, 7, 1, 4096), (5, 2, 0, 2047), (1, 1, 1, 1500)]
)
def test_automata_are_walked_as_scipy_walks_their_graph(tmp_path: Path, a: int, b: int, c: int, n: int) -> None:
    """States and depth of an arbitrary automaton are those of a graph search by another library."""
    walk = plain.walked(space(tmp_path, POLYNOMIAL.format(a=a, b=b, c=c, n=n), hall_counts=(0, 1, 2)), MOST)
    assert (walk.states, walk.depth) == reachable(a, b, c, n, 3)


def test_both_engines_walk_alike_over_growing_memory(tmp_path: Path) -> None:
    """An automaton of more states than the compiled walk first has room for is walked like the interpreted one."""
    walked = space(tmp_path, POLYNOMIAL.format(a=0, b=1, c=2, n=60_000), hall_counts=(0, 1, 3))
    slow, fast = both(walked)
    assert slow.states > walker.FIRST_ROOM
    assert (fast.ended, fast.states, fast.depth, fast.transitions) == (
        slow.ended,
        slow.states,
        slow.depth,
        slow.transitions,
    )


SMALL = {"hall_counts": [516, 1800], "deadman": [0, 1], "kill_cord": [1, 0]}


def small_scope(**readings: list[int]) -> tuple[Scope, Path]:
    """The reference's own scope, with fewer readings in one round."""
    path = scope_path("reference", "reference")
    scope = load_scope(path)
    only = scope.rounds[0].model_copy(
        update={"readings": SMALL | readings, "prove": ("deadman", "start", "kill", "step")}
    )
    return scope.model_copy(update={"rounds": (only,)}), path


@pytest.mark.parametrize("name", ["deadman", "start"])
def test_both_engines_walk_the_reference_alike(name: str) -> None:
    """States, depth, and how often each mode, reason and step was reached are the same interpreted and compiled."""
    scope, path = small_scope()
    (task,) = tasks(scope, path, "reference", wanted=(name,))
    slow, fast = both(task.space)
    assert slow.states > 1000
    assert (fast.states, fast.transitions, fast.depth, fast.reached) == (
        slow.states,
        slow.transitions,
        slow.depth,
        slow.reached,
    )


def test_coarse_constants_change_no_command() -> None:
    """The scope's timers stop above all that the coarse reference tells apart: random ticks come out alike."""
    path = scope_path("reference", "reference")
    scope = load_scope(path)
    plain_one = load_controller("reference", scope.tick_us, str(path.parent / str(scope.params)))
    coarse = coarsened(plain_one, scope.constants, "scope")
    rng = np.random.default_rng(1)
    here, there = plain_one.initial(plain_one.params), coarse.initial(coarse.params)
    seen = set()
    for _ in range(3000):
        # Held for some ticks each, or no start sequence would ever come to its end.
        pins = QUIET._replace(
            hall_counts=int(rng.choice([516, 516, 516, 1800, 3570, 0])),
            deadman=int(rng.integers(2)),
            kill_cord=int(rng.random() > 0.03),
        )
        for _ in range(int(rng.integers(1, 13))):
            here, expected = plain_one.step(plain_one.params, here, pins)
            there, got = coarse.step(coarse.params, there, pins)
            assert got == expected
            seen.add(got.mode)
    assert seen == set(reference.MODES)


CONSTANTS = """\
from typing import NamedTuple

from controllers import blocks
from controllers.board import Command

OWN = 7

class Params(NamedTuple):
    tick_us: int

class State(NamedTuple):
    held_us: int

def initial(params):
    return State(0)

def own():
    return OWN

def step(params, state, inputs):
    held_us = blocks.held_us(state.held_us, 1, params.tick_us)
    return State(held_us), Command(own(), blocks.TIMER_MAX_US, blocks.FULL_PERMILLE, 0, 0, 0, held_us)
"""


def test_constants_are_replaced_wherever_they_are_read_and_nowhere_else(tmp_path: Path) -> None:
    """In the file itself, in a module's function, and by a module's name; the modules stay as they are."""
    (tmp_path / "mine.py").write_text(CONSTANTS, encoding="utf-8")
    loaded = load_controller(str(tmp_path / "mine.py"), 1000)
    made = coarsened(loaded, {"OWN": 8, "TIMER_MAX_US": 2000}, "scope")
    state = made.initial(made.params)
    for _ in range(5):
        state, command = made.step(made.params, state, QUIET)
    assert command[:3] == (8, 2000, 1000)
    assert command.lever_permille == 2000
    assert loaded.step(loaded.params, state, QUIET)[1][:3] == (7, 100_000_000, 1000)


def test_a_counter_without_an_end_is_no_proof(tmp_path: Path) -> None:
    """A state that grows for ever is undecided at the most states allowed, and the field that grows is named."""
    controller_file(tmp_path, command(left="2000", right="2000"))
    made = explored(tmp_path, states_max=4000)
    (proof,) = made.proofs
    assert (proof.walk.ended, proof.verdict, made.verdict) == (UNFINISHED, "undecided", "undecided")
    assert [field.name for field in proof.walk.growing] == ["ticks"]
    assert proof.walk.states <= 4000


def explored(folder: Path, prove: str = "step", **options: int | str):  # type: ignore[no-untyped-def]
    scope = load_scope(scope_path(None, str(folder / "mine.py")))
    made = tasks(scope, scope_path(None, "mine.py"), str(folder / "mine.py"), wanted=(prove,))
    return explore(made, **options)  # type: ignore[arg-type]
