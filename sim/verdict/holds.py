"""Whether a formula holds over a recording, by how much, and why (row 3)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sim.base.errors import Fault
from sim.verdict.blame import Blame, gap, limiting
from sim.verdict.check import faults_in, implications, require, scope_faults, state_faults, unit_of_atom
from sim.verdict.finding import Finding
from sim.verdict.robustness import TIE, Evaluation
from sim.verdict.sentences import fact, gap_sentence
from sim.verdict.tree import Condition, Formula, Of, Window
from sim.verdict.units import symbol_of
from sim.verdict.words import times


def formula_faults(formula: Formula, signals: tuple[str, ...], limits: Mapping[str, float]) -> list[Fault]:
    """Everything wrong with a formula as a requirement."""
    return [
        *faults_in(formula.root, formula.place, signals, limits),
        *scope_faults(formula.root, formula.place),
    ]


def judge_formula(formula: Formula, run: Evaluation) -> Finding:
    """Judge a checked formula at the first sample of a recording.

    Returns
    -------
    Finding
        `pass` only where the margin is surely positive and the occasion of
        every implication arose: what was never tried is no evidence.
    """
    require(state_faults(run, formula.root, formula.place))
    lower, upper = (float(bound[0]) for bound in run.bounds(formula.root))
    tried = _tried(run, formula.root)
    if lower <= 0 and upper >= 0:
        step = gap(run, formula.root, 0)
        return Finding("undecided", None, "1", run.time_s(step.sample), gap_sentence(run, step), tried)
    passed = lower > 0
    if passed and tried == 0:
        idle = next(node for node in implications(formula.root) if not _spells(run, node.left))
        return Finding("undecided", None, "1", None, f"never tried: {idle.left.source.text} was not once true", 0)
    blame = limiting(run, formula.root, 0, "lower" if passed else "upper")
    tail = "" if tried is None else f"; tried {times(tried)}"
    margin, unit = _reported(lower if passed else upper), symbol_of(unit_of_atom(blame.atom))
    if passed and margin is None and _spread(blame):
        return Finding("pass", None, unit, None, f"every state was as required{tail}", tried)
    why = fact(run, blame) + tail
    return Finding("pass" if passed else "fail", margin, unit, run.time_s(blame.index), why, tried)


def _spread(blame: Blame) -> bool:
    """Whether the formula asks every sample first of all, so that no moment is better evidence than another."""
    first = next((step.node for step in blame.path if isinstance(step.node, Window)), None)
    return first is not None and first.of is Of.ALL


def _reported(margin: float) -> float | None:
    """A margin as reported: none for a state, zero for a tie."""
    if np.isinf(margin):
        return None
    return 0.0 if abs(margin) <= TIE else margin


def _tried(run: Evaluation, root: Condition) -> int | None:
    """How often the least tried implication's left side became true; `None` without implications."""
    return min((_spells(run, node.left) for node in implications(root)), default=None)


def _spells(run: Evaluation, condition: Condition) -> int:
    """The number of separate stretches in which a condition is surely true."""
    true = run.bounds(condition).lower > 0
    return int(true[0]) + int(np.count_nonzero(true[1:] & ~true[:-1]))
