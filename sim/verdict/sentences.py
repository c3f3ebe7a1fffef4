"""Says in one plain sentence what a verdict hangs on (row 3)."""

from __future__ import annotations

import numpy as np

from sim.verdict.blame import Blame, Step, seen
from sim.verdict.check import is_bare, unit_of_atom
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import Compare, Name, Term, Until, Window, names_in
from sim.verdict.units import symbol_of
from sim.verdict.words import clock, number, quantity


def gap_sentence(run: Evaluation, step: Step) -> str:
    """Why nothing can be said: a window cut short or a missing sample."""
    at = clock(run.time_s(step.sample))
    if isinstance(step.node, Compare):
        missing = [name.name for name in names_in(step.node) if np.isnan(run.term(name)[step.sample])]
        return f"{', '.join(dict.fromkeys(missing)) or step.node.source.text} has no value at {at}"
    return f"the run ends at {clock(run.time_s(run.count - 1))}, inside {step.node.source.text} asked at {at}"


def fact(run: Evaluation, blame: Blame) -> str:
    """What the limiting comparison's signals were at the worst moment, and against what.

    Where a window was asked earlier than the moment it hangs on, it is named too.
    """
    asked = [step for step in blame.path if isinstance(step.node, Window | Until) and step.node.length is not None]
    late = [step for step in asked if step.sample != blame.index]
    tail = f" (in {late[-1].node.source.text} asked at {clock(run.time_s(late[-1].sample))})" if late else ""
    return _comparison(run, blame) + tail


def _comparison(run: Evaluation, blame: Blame) -> str:
    atom, index = blame.atom, blame.index
    subject, other = atom.left, atom.right
    if not _moves(run, subject) and _moves(run, other):
        subject, other = other, subject
    value, bar = float(run.term(subject)[index]), float(run.term(other)[index])
    unit = symbol_of(unit_of_atom(atom))
    moment = f"at {clock(run.time_s(index))}{_signals(run, subject, index)}"
    if is_bare(atom):
        return f"{subject.source.text} was {number(value)} {moment}"
    limit = f"{other.source.text} = {quantity(bar, unit)}" if names_in(other) else quantity(bar, unit)
    head = f"{subject.source.text} {_verb(run, blame, subject)} {quantity(value, unit)} {moment}"
    if atom.op in ("==", "!="):
        return head if value == bar else f"{head}, not {limit}"
    if value == bar:
        return f"{head}, right on {limit}"
    return f"{head}, {quantity(abs(value - bar), unit)} {'over' if value > bar else 'under'} {limit}"


def _verb(run: Evaluation, blame: Blame, subject: Term) -> str:
    """`fell to` or `rose to` where the moment is the lowest or highest of the stretch looked at, else `was`."""
    windows = [step for step in blame.path if isinstance(step.node, Window | Until)]
    if not windows or blame.atom.op in ("==", "!="):
        return "was"
    asked = windows[-1]
    assert isinstance(asked.node, Window | Until)
    start, stop = seen(run, asked.node, asked.sample)
    stretch = run.term(subject)[start:stop]
    value, first = run.term(subject)[blame.index], stretch[0]
    if value < first and value == np.nanmin(stretch):
        return "fell to"
    if value > first and value == np.nanmax(stretch):
        return "rose to"
    return "was"


def _signals(run: Evaluation, subject: Term, index: int) -> str:
    """The signals inside a worked-out subject, in brackets."""
    if isinstance(subject, Name):
        return ""
    names = [name for name in dict.fromkeys(part.name for part in names_in(subject)) if name in run.table]
    values = (f"{name} {number(float(run.table[name][index]))}" for name in names)
    return f" ({', '.join(values)})" if names else ""


def _moves(run: Evaluation, term: Term) -> bool:
    """Whether a term has a signal in it."""
    return any(name.name in run.table for name in names_in(term))
