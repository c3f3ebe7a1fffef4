"""What is known of numbers on a path: true facts never rule out what is so."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from sim.chip.intervals import Range
from sim.chip.knowledge import Form, Knowledge, fixed
from sim.chip.values import divided, remaining


def drawn(rng: random.Random, knowledge: Knowledge, count: int) -> list[tuple[Form, int]]:
    """Unknowns with a true value for each."""
    found = []
    for _ in range(count):
        value = rng.randint(-50, 50)
        form = knowledge.unknown(Range(value - rng.randint(1, 60), value + rng.randint(1, 60)))
        found.append((form, value))
    return found


def combined(rng: random.Random, known: list[tuple[Form, int]]) -> tuple[Form, int]:
    """A sum of some of them, and its true value."""
    form, value = fixed(0), 0
    for each, its in rng.sample(known, rng.randint(1, len(known))):
        times = rng.choice([-7, -2, -1, 1, 1, 3])
        form, value = form.plus(each, times), value + times * its
    constant = rng.randint(-9, 9)
    return form.plus(fixed(constant)), value + constant


@given(st.randoms(use_true_random=False))
def test_true_facts_leave_every_true_value_inside(rng: random.Random) -> None:
    """After any true facts are learned, no range of any sum leaves out its true value."""
    knowledge = Knowledge()
    known = drawn(rng, knowledge, 4)
    for _ in range(rng.randint(0, 8)):
        form, value = combined(rng, known)
        # form - value - slack <= 0 is true for any slack that is not negative.
        assert knowledge.learn(form.plus(fixed(-value - rng.choice([0, 0, 1, 20]))))
    for form, value in [*known, *(combined(rng, known) for _ in range(6))]:
        within = knowledge.range(form)
        assert within.low <= value <= within.high
        assert within.inside(knowledge.plain_range(form))


@given(st.randoms(use_true_random=False))
def test_division_by_a_constant_keeps_the_true_value(rng: random.Random) -> None:
    """So do the forms that stand for a quotient and a remainder of a sum."""
    knowledge = Knowledge()
    known = drawn(rng, knowledge, 3)
    for _ in range(4):
        form, value = combined(rng, known)
        divisor = rng.choice([1, 2, 3, 7, 64])
        known.append((divided(form, divisor, knowledge), value // divisor))
        known.append((remaining(form, divisor, knowledge), value % divisor))
    for form, value in [*known, *(combined(rng, known) for _ in range(6))]:
        within = knowledge.range(form)
        assert within.low <= value <= within.high


@given(st.randoms(use_true_random=False))
def test_what_two_ways_share_holds_on_both(rng: random.Random) -> None:
    """Knowledge merged from two ways holds for the numbers of either."""
    base = Knowledge()
    known = drawn(rng, base, 3)
    other = [(form, value + rng.choice([0, 1])) for form, value in known]
    ways = [base.copy(), base.copy()]
    for way, values in zip(ways, (known, other), strict=True):
        for _ in range(3):
            form, value = combined(rng, values)
            way.learn(form.plus(fixed(-value)))
    merged = ways[0].merged(ways[1])
    for values in (known, other):
        form, value = combined(rng, values)
        within = merged.range(form)
        assert within.low <= value <= within.high


def test_a_contradiction_is_seen() -> None:
    """x <= 3 and x >= 4 cannot both be: the path is never taken."""
    knowledge = Knowledge()
    x = knowledge.unknown(Range(0, 9))
    assert knowledge.learn(x.plus(fixed(-3)))
    assert not knowledge.learn(x.scaled(-1).plus(fixed(4)))


def test_a_low_pass_stays_between_its_input_and_itself() -> None:
    """acc + w (v - acc // 4096) of an accumulator up to 4096 V + 4095 and an input up to V stays up to that.

    With q = acc // 4096 and r = acc % 4096 it is (4096 - w) q + r + w v, at most 4096 V + 4095 (by hand).
    """
    most = 400_000
    knowledge = Knowledge()
    acc = knowledge.unknown(Range(0, 4096 * most + 4095))
    value = knowledge.unknown(Range(0, most))
    whole = divided(acc, 4096, knowledge)
    after = acc.plus(value.plus(whole, -1), 682)
    assert knowledge.range(after) == Range(0, 4096 * most + 4095)


def test_a_sum_is_bounded_by_what_it_was_compared_with() -> None:
    """From moved < target - at follows at + moved < target: by hand, 1000 at most for a target up to 1000."""
    knowledge = Knowledge()
    at, target, moved = (knowledge.unknown(Range(0, 1000)) for _ in range(3))
    assert knowledge.learn(moved.plus(target, -1).plus(at).plus(fixed(1)))
    assert knowledge.range(at.plus(moved)).high == 999
