"""The ranges that a controller's state never leaves, and what else a walk over its step finds (row 1).

The state's ranges start at what `initial` gives and grow with what `step`
makes of them, until a step leads nowhere new: then they hold after any number
of steps. Where they keep growing they are set to a number that something is
compared with, to where a geometric growth would end, or to the ends of 32
bits; whatever is guessed, only ranges that a step was seen to stay in are used.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Callable, Iterable, Sequence, Set
from dataclasses import dataclass
from typing import TypeAlias

from sim.base.errors import InputError, in_file_order
from sim.chip.intervals import Range, hull
from sim.chip.paths import Walk
from sim.chip.tree import HIGHEST, LOWEST, Program, leaves
from sim.chip.values import WHOLE, Findings

# Steps between two guesses, guesses before the ends of 32 bits, and steps back from a guess that was too wide.
STEPS_BETWEEN = 5
GUESSES_MAX = 40
STEPS_BACK_MAX = 30
TRIMS_MAX = 8

Stepped: TypeAlias = Callable[[Sequence[Range]], list[Range]]


@dataclass(frozen=True, slots=True)
class Proof:
    """What was proved of a program.

    state, command : the range of every whole number in them, in order.
    findings : the range of every expression.
    """

    state: tuple[Range, ...]
    command: tuple[Range, ...]
    findings: Findings


def prove(program: Program) -> Proof:
    """Ranges of the state, the command and every expression, for any inputs of 32 bits.

    Raises
    ------
    InputError
        Every expression that could leave 32 bits, divide by 0, or shift too far.
    """
    state = _invariant(program)
    findings = Findings()
    walk = Walk(findings)
    first = walk.answer(program.initial, [])
    after = walk.answer(program.step, [*state, *(WHOLE for _ in leaves(program.inputs))])
    if findings.faults:
        raise InputError(in_file_order(findings.as_faults()))
    after_state, command = after[: len(state)], after[len(state) :]
    held = all(each.inside(within) for each, within in zip([*first, *after_state], [*state, *state], strict=True))
    assert held, "a walk with ranges noted finds other ranges than one without"
    return Proof(tuple(state), tuple(command), findings)


def _invariant(program: Program) -> list[Range]:
    walk = Walk()
    inputs = [WHOLE for _ in leaves(program.inputs)]
    first = walk.answer(program.initial, [])

    def stepped(state: Sequence[Range]) -> list[Range]:
        answer = walk.answer(program.step, [*state, *inputs])
        return _hulls(first, answer[: len(state)])

    state = _shrunk(_grown(first, stepped, walk.evaluator.landmarks), stepped)
    for _ in range(TRIMS_MAX):
        # A walk that remembers no answer comes by everything that is compared.
        fresh = Walk()
        fresh.answer(program.step, [*state, *inputs])
        trimmed = _trimmed(state, first, stepped, sorted(fresh.evaluator.ends))
        if trimmed == state or not _inside(stepped(trimmed), trimmed):
            break
        state = _shrunk(trimmed, stepped)
    return state


def _grown(first: list[Range], stepped: Stepped, landmarks: Set[int]) -> list[Range]:
    """Ranges from `first` on that a step does not leave."""
    history = [first]
    guesses = 0
    while True:
        grown = _hulls(history[-1], stepped(history[-1]))
        if grown == history[-1]:
            return grown
        history.append(grown)
        if len(history) > STEPS_BETWEEN:
            history = [_guess(history, sorted(landmarks), guesses)]
            guesses += 1


def _shrunk(state: list[Range], stepped: Stepped) -> list[Range]:
    """The same ranges with the room that was guessed taken back, as far as a few steps show that it is not needed."""
    history = [state]
    for _ in range(STEPS_BACK_MAX):
        back = stepped(history[-1])
        if back == history[-1] or not _inside(back, history[-1]) or not _inside(stepped(back), back):
            break
        history.append(back)
        if len(history) == 4:
            # Where it shrinks by an ever smaller share, go most of the way at once.
            near = [
                Range(-_nearly([-each.low for each in ends]), _nearly([each.high for each in ends]))
                for ends in zip(*history, strict=True)
            ]
            history = [near if _inside(stepped(near), near) else back]
    return history[-1]


def _trimmed(state: list[Range], first: list[Range], stepped: Stepped, ends: list[int]) -> list[Range]:
    """The same ranges with every end moved inwards to the next number that something ends at, where it can stay.

    A guess beyond what a number is ever set to comes back by no step, since the number may also be left as it is.
    """
    tried = [_cut(within, least, ends) for within, least in zip(state, first, strict=True)]
    while True:
        back = stepped(tried)
        again = [
            Range(
                mine.low if its.low >= mine.low else old.low,
                mine.high if its.high <= mine.high else old.high,
            )
            for mine, its, old in zip(tried, back, state, strict=True)
        ]
        if again == tried:
            return tried
        tried = again


def _cut(within: Range, least: Range, ends: list[int]) -> Range:
    below = bisect.bisect_left(ends, within.high) - 1
    above = bisect.bisect_right(ends, within.low)
    high = ends[below] if below >= 0 else within.high
    low = ends[above] if above < len(ends) else within.low
    return Range(min(low, least.low), max(high, least.high))


def _hulls(left: Iterable[Range], right: Iterable[Range]) -> list[Range]:
    return [hull(a, b) for a, b in zip(left, right, strict=True)]


def _inside(inner: Iterable[Range], outer: Iterable[Range]) -> bool:
    return all(a.inside(b) for a, b in zip(inner, outer, strict=True))


def _guess(history: list[list[Range]], landmarks: list[int], guesses: int) -> list[Range]:
    """Ranges with room to grow for each end that moved in every step."""
    mirrored = [-mark for mark in reversed(landmarks)]
    return [
        Range(
            -_further([-each.low for each in ends], mirrored, guesses, -LOWEST),
            _further([each.high for each in ends], landmarks, guesses, HIGHEST),
        )
        for ends in zip(*history, strict=True)
    ]


def _further(ends: list[int], landmarks: list[int], guesses: int, furthest: int) -> int:
    """Where an end that moves upwards may come to rest; as it is if it came to rest already."""
    moves = [after - before for before, after in itertools.pairwise(ends)]
    last = min(ends[-1], furthest)
    if guesses >= GUESSES_MAX:
        return furthest if last > ends[0] else last
    if min(moves) <= 0:
        return last
    rest = _rest(moves)
    if rest is not None and guesses % 2 == 0:
        # A sum that grows by an ever smaller share; rounding may carry it a little further.
        room = rest // 16 + 2
        near = [mark for mark in landmarks if abs(mark - last - rest) <= room and mark > last]
        return min([*near, last + rest + room, furthest])
    return next((mark for mark in landmarks if mark > last), furthest)


def _nearly(ends: list[int]) -> int:
    """Most of the way to where an end that moves downwards would come to rest."""
    rest = _rest([before - after for before, after in itertools.pairwise(ends)])
    return ends[-1] if rest is None else ends[-1] - rest + rest // 16


def _rest(moves: list[int]) -> int | None:
    """How much further it goes in all, where each move is the same share of the one before; None where it is not."""
    first, second, third = moves[-3:]
    if not 0 < third < second < first or abs(second * second - first * third) > second * second // 8:
        return None
    return third * third // (second - third)
