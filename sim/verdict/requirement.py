"""What must be true of every run, and the verdict on one (row 3).

A requirement is one sentence and exactly one claim: a formula that holds, a
latency, or a measure within bounds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from sim.base.errors import Fault
from sim.record.table import Table
from sim.verdict.check import constant_faults, constant_value, require, unit_of_atom, unit_of_term
from sim.verdict.finding import Finding, Outcome
from sim.verdict.holds import formula_faults, judge_formula
from sim.verdict.latency import Latency, judge_latency
from sim.verdict.measures import Measure, taken
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import Compare, Condition, Constant, Formula, Name, State, Term, parts, walk
from sim.verdict.units import alike, symbol_of
from sim.verdict.words import quantity


@dataclass(frozen=True, slots=True)
class Bounded:
    """A measure that must not leave its bounds; at least one is given."""

    measure: Measure
    at_least: Constant | None
    at_most: Constant | None

    def faults(self, signals: tuple[str, ...], limits: Mapping[str, float]) -> list[Fault]:
        """Everything wrong with the measure and its bounds."""
        bounds = [bound for bound in (self.at_least, self.at_most) if bound]
        faults = self.measure.faults(signals, limits) + [f for bound in bounds for f in constant_faults(bound, limits)]
        unit = self.measure.unit()
        for bound in bounds if not faults else ():
            if not alike(unit, other := unit_of_term(bound.root)):
                got = f"{bound.text} in {symbol_of(other)}"
                faults.append(bound.place.fault(0, f"a bound in {symbol_of(unit)}", got))
        return faults


Claim: TypeAlias = Formula | Latency | Bounded


@dataclass(frozen=True, slots=True)
class Requirement:
    """An id, one sentence for people, and the claim that is judged."""

    id: str
    says: str
    claim: Claim


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a requirement came to on one run.

    margin is the distance to failing in `unit`, negative when failed; `None`
    when undecided and where only states decided. `at_s` is the moment it hangs
    on, `tried` how often the occasion the requirement speaks of arose.
    """

    id: str
    verdict: Outcome
    margin: float | None
    unit: str
    at_s: float | None
    why: str
    tried: int | None = None


def faults_of(requirement: Requirement, signals: tuple[str, ...], limits: Mapping[str, float]) -> list[Fault]:
    """Everything wrong with a requirement for recordings with these signals."""
    claim = requirement.claim
    if isinstance(claim, Formula):
        return formula_faults(claim, signals, limits)
    return claim.faults(signals, limits)


def nodes_of(claim: Claim) -> Iterator[Term | Condition]:
    """Every node of a claim's formulas, in the order written."""
    roots: list[Term | Condition] = []
    if isinstance(claim, Formula):
        roots += [claim.root]
    elif isinstance(claim, Latency):
        roots += [part.root for part in (claim.after, claim.expect, claim.within, claim.hold) if part]
    else:
        roots += [*claim.measure.args, *(bound.root for bound in (claim.at_least, claim.at_most) if bound)]
    for root in roots:
        yield from walk(root)


def names_of(claim: Claim) -> tuple[str, ...]:
    """Every signal and limit that a claim names, in the order written, each once."""
    return tuple(dict.fromkeys(node.name for node in nodes_of(claim) if isinstance(node, Name)))


def margin_units(claim: Claim) -> frozenset[str]:
    """Every unit that the margin of a claim may come in; none where only states decide, which have no distance."""
    if isinstance(claim, Latency):
        return frozenset({"s"})
    if isinstance(claim, Bounded):
        return frozenset({symbol_of(claim.measure.unit())})
    return frozenset(symbol_of(unit_of_atom(atom)) for atom in _distances(claim.root))


def _distances(node: Term | Condition) -> Iterator[Compare]:
    """The comparisons under a condition whose margin is a distance."""
    if isinstance(node, Compare):
        if node.op not in ("==", "!="):
            yield node
    elif not isinstance(node, State):
        for part in parts(node):
            yield from _distances(part)


def judge(requirement: Requirement, table: Table, limits: Mapping[str, float] | None = None) -> Verdict:
    """Judge one recording.

    Parameters
    ----------
    requirement : Requirement
    table : Table
        Uniform ticks, at least one sample; NaN is a sample that is not known.
    limits : mapping of name to number
        The constants the requirement may name.

    Returns
    -------
    Verdict

    Raises
    ------
    InputError
        Names that are no signal or limit, unlike units, durations below zero,
        states that are not whole numbers, a recording that cannot be judged.
    """
    limits = limits or {}
    require(faults_of(requirement, table.names, limits))
    return judged(requirement, Evaluation(table, limits))


def judged(requirement: Requirement, run: Evaluation) -> Verdict:
    """Judge a requirement that was checked before, on a recording that others may be judged on too.

    Raises
    ------
    InputError
        States that are not whole numbers.
    """
    claim = requirement.claim
    if isinstance(claim, Formula):
        finding = judge_formula(claim, run)
    elif isinstance(claim, Latency):
        finding = judge_latency(claim, run)
    else:
        finding = _judge_measure(claim, run)
    return Verdict(requirement.id, *finding)


def _judge_measure(claim: Bounded, run: Evaluation) -> Finding:
    """The margin is the distance to the nearer bound; standing on a bound is inside."""
    figure, limits = taken(claim.measure, run), run.limits
    if figure.value is None:
        return Finding("undecided", None, figure.unit, figure.at_s, figure.why)
    margins = []
    if claim.at_least:
        bar = constant_value(claim.at_least, limits)
        margins.append((figure.value - bar, f"at least {quantity(bar, figure.unit)} required"))
    if claim.at_most:
        bar = constant_value(claim.at_most, limits)
        margins.append((bar - figure.value, f"at most {quantity(bar, figure.unit)} allowed"))
    margin, demand = min(margins)
    return Finding("pass" if margin >= 0 else "fail", margin, figure.unit, figure.at_s, f"{figure.why}; {demand}")
