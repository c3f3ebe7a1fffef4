"""What must be true of every run, and the verdict on one (row 3).

A requirement is one sentence and exactly one claim: a formula that holds, a
latency, or a measure within bounds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

from sim.base.errors import Fault
from sim.record.table import Table
from sim.verdict.check import constant_faults, constant_value, require, unit_of_term
from sim.verdict.finding import Finding, Outcome
from sim.verdict.holds import formula_faults, judge_formula
from sim.verdict.latency import Latency, judge_latency
from sim.verdict.measures import Measure, take
from sim.verdict.tree import Constant, Formula
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
    claim = requirement.claim
    if isinstance(claim, Formula):
        finding = judge_formula(claim, table, limits)
    elif isinstance(claim, Latency):
        finding = judge_latency(claim, table, limits)
    else:
        finding = _judge_measure(claim, table, limits)
    return Verdict(requirement.id, *finding)


def _judge_measure(claim: Bounded, table: Table, limits: Mapping[str, float]) -> Finding:
    """The margin is the distance to the nearer bound; standing on a bound is inside."""
    figure = take(claim.measure, table, limits)
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
