"""How near a run came to breaking a requirement, in numbers that compare whatever the unit (row 4).

Two numbers: the *share* is told to people, and only there where the verdict has
a margin; the *cost* guides the search, and is there always.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from sim.jobs.search.graded import Graded
from sim.verdict.blame import limiting
from sim.verdict.check import constant_value
from sim.verdict.formula import rising
from sim.verdict.latency import Latency
from sim.verdict.place import NOWHERE
from sim.verdict.requirement import Bounded, Requirement, Verdict, judged, nodes_of
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import (
    Compare,
    Condition,
    Constant,
    Formula,
    Implies,
    Name,
    Number,
    Of,
    Operation,
    Side,
    Source,
    Term,
    Until,
    Window,
    parts,
)

# A distance under this share of the numbers compared is none.
TINY = 1e-9
# Broken without a distance, and worse than that: the controller raised an error.
BROKEN, CRASHED = -1.0, -2.0
# As far from it as there is; and where the run ended before it was decided.
NEVER, CUT = 1.0, 0.5
# Which argument of a measure is a duration.
DURATIONS = {"rise": 1, "turns": 2}


class Scales(NamedTuple):
    """What a margin is a share of: for each comparison of a formula, and for each measure by its requirement's id."""

    comparisons: Mapping[Compare, float]
    measures: Mapping[str, float]


class Near(NamedTuple):
    """What one run showed of one requirement.

    cost : from -1 (broken without a distance) over 0 (about to break) to 1; comparable between runs of one
        requirement, where what was never tried is further than what was.
    """

    verdict: Verdict
    cost: float


def scales_of(requirements: Iterable[Requirement], rest: Evaluation) -> Scales:
    """What each margin is a share of, from a run in which nobody was there.

    A comparison: how far it is from its threshold at rest; where it stands on it, the threshold's own size.
    A measure: its margin at rest, where it has one; else its bound's size. A latency: the time allowed, so that it
    needs none here.
    """
    comparisons: dict[Compare, float] = {}
    measures: dict[str, float] = {}
    for requirement in requirements:
        claim = requirement.claim
        if isinstance(claim, Bounded):
            margin = judged(requirement, rest).margin
            bars = [abs(constant_value(bar, rest.limits)) for bar in (claim.at_least, claim.at_most) if bar]
            measures[requirement.id] = _first(margin or 0.0, *bars)
        for node in nodes_of(claim):
            # A state has no scale: how many numbers lie between is what counts.
            if isinstance(node, Compare) and node.op not in ("==", "!="):
                left, right = float(rest.term(node.left)[-1]), float(rest.term(node.right)[-1])
                size = max(abs(left), abs(right))
                apart = abs(left - right)
                comparisons[node] = _first(apart if apart > TINY * size else 0.0, size)
    return Scales(comparisons, measures)


def _first(*sizes: float) -> float:
    """The first that is a size at all, else 1."""
    return next((size for size in sizes if 0.0 < size < float("inf")), 1.0)


def near(requirement: Requirement, run: Evaluation, grades: Graded, scales: Scales) -> Near:
    """Judge a run, and tell how near it came.

    Raises
    ------
    InputError
        States that are not whole numbers.
    """
    verdict = judged(requirement, run)
    if verdict.verdict == "fail":
        size = share(requirement, verdict, run, scales)
        # Right on a limit that may not be reached is broken by nothing at all.
        return Near(verdict, BROKEN if size is None else -max(squeezed(-size), TINY))
    claim = requirement.claim
    if isinstance(claim, Formula):
        # A grade tells more than a margin: it also moves where the margin is another comparison's, or has none.
        grade = float(grades.of(claim.root)[0])
        # Clipped at the end it would be broken; but only the end of the run is in the way, which is no way to break it.
        return Near(verdict, grade if grade > 0.0 else CUT)
    size = share(requirement, verdict, run, scales)
    if size is not None:
        return Near(verdict, 0.5 * squeezed(size))
    if isinstance(claim, Latency):
        grade = float(grades.of(_whole(claim))[0])
        return Near(verdict, 0.5 + 0.5 * max(grade, 0.0))
    # The measure's own conditions say when it is taken at all.
    occasions = [float(grades.of(arg).max()) for arg in _conditions(claim.measure.args)]
    return Near(verdict, 0.5 + 0.5 * min(max(0.0, *(-grade for grade in occasions)), 1.0) if occasions else NEVER)


def share(requirement: Requirement, verdict: Verdict, run: Evaluation, scales: Scales) -> float | None:
    """The margin as a share of its scale; none where there is no margin."""
    if verdict.margin is None:
        return None
    claim = requirement.claim
    if isinstance(claim, Latency):
        return verdict.margin / _first(constant_value(claim.within, run.limits))
    if isinstance(claim, Bounded):
        return verdict.margin / scales.measures.get(requirement.id, 1.0)
    atom = limiting(run, claim.root, 0, "upper" if verdict.verdict == "fail" else "lower").atom
    return verdict.margin / scales.comparisons.get(atom, 1.0)


def _conditions(args: Iterable[Term | Condition]) -> list[Condition]:
    return [arg for arg in args if not isinstance(arg, Number | Name | Operation)]


def squeezed(size: float) -> float:
    """A share of 0 or more into 0 to 1."""
    return size / (1.0 + size)


def _whole(latency: Latency) -> Condition:
    """A latency as the formula that it is a short form of."""
    after, expect = latency.after.root, latency.expect.root
    source = Source(expect.source.text, expect.source.offset)
    if latency.hold is not None:
        expect = Window(of=Of.ALL, side=Side.AHEAD, length=latency.hold.root, arg=expect, source=source)
    within = Window(of=Of.SOME, side=Side.AHEAD, length=latency.within.root, arg=expect, source=source)
    answered = Implies(left=rising(after, after.source), right=within, source=source)
    return Window(of=Of.ALL, side=Side.AHEAD, length=None, arg=answered, source=source)


def horizon_s(requirement: Requirement, limits: Mapping[str, float]) -> float:
    """How far a requirement looks back and ahead, all its windows one after the other."""

    def long(term: Term) -> float:
        return constant_value(Constant(term, term.source.text, NOWHERE), limits)

    def reach(node: Term | Condition) -> float:
        own = long(node.length) if isinstance(node, Window | Until) and node.length is not None else 0.0
        return own + max((reach(part) for part in parts(node)), default=0.0)

    claim = requirement.claim
    if isinstance(claim, Formula):
        return reach(claim.root)
    if isinstance(claim, Latency):
        held = constant_value(claim.hold, limits) if claim.hold else 0.0
        return reach(claim.after.root) + reach(claim.expect.root) + constant_value(claim.within, limits) + held
    measure = claim.measure
    own = long(measure.args[DURATIONS[measure.name]]) if measure.name in DURATIONS else 0.0  # type: ignore[arg-type]
    return own + max(map(reach, measure.args))
