"""How soon something follows an event, and whether that is soon enough (row 3).

`after` is an event: a sample where it is true and was not true just before.
What is true from the first sample on is no event. `expect` answers at the
first sample, that of the event included, from which it is true (for `hold`,
where that is asked for). Windows, missing samples and the end of the recording
are treated as in formulas: what is not known is undecided.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from sim.base.errors import Fault
from sim.verdict.blame import gap
from sim.verdict.check import duration_faults, faults_in, require, state_faults
from sim.verdict.finding import Finding, Outcome
from sim.verdict.formula import rising
from sim.verdict.robustness import Evaluation
from sim.verdict.sentences import gap_sentence
from sim.verdict.tree import Condition, Constant, Formula, Of, Side, Source, Window
from sim.verdict.words import clock, span, times

Indexes: TypeAlias = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Latency:
    """`expect` within so many seconds of each event `after`, and then held."""

    after: Formula
    expect: Formula
    within: Constant
    hold: Constant | None = None

    def faults(self, signals: tuple[str, ...], limits: Mapping[str, float]) -> list[Fault]:
        """Everything wrong with its parts."""
        faults = [
            *faults_in(self.after.root, self.after.place, signals, limits),
            *faults_in(self.expect.root, self.expect.place, signals, limits),
        ]
        for constant in (self.within, self.hold):
            faults += duration_faults(constant, limits) if constant else []
        return faults


class Answers(NamedTuple):
    """Events and the samples they are answered at.

    events : where `after` surely became true.
    doubtful : where it perhaps did, the sure ones included.
    surely, perhaps : for each sample, the first from it on where the answer is
        surely, or perhaps, there; the number of samples if none is recorded.
    """

    events: Indexes
    doubtful: Indexes
    surely: Indexes
    perhaps: Indexes


def answers(run: Evaluation, after: Condition, expect: Condition) -> Answers:
    """Find the events and their answers."""
    edge, answer = run.bounds(rising(after, after.source)), run.bounds(expect)
    # The first sample has nothing before it that it could differ from.
    return Answers(
        events=np.flatnonzero(edge.lower[1:] > 0) + 1,
        doubtful=np.flatnonzero(edge.upper[1:] > 0) + 1,
        surely=_next_true(answer.lower > 0),
        perhaps=_next_true(answer.upper > 0),
    )


def judge_latency(latency: Latency, run: Evaluation) -> Finding:
    """Judge a checked latency; the margin is the time to spare at the slowest answer.

    The outcome is that of `implies(rising(after), within(T_s, held(H_s, expect)))`
    at every sample.
    """
    for part in (latency.after, latency.expect):
        require(state_faults(run, part.root, part.place))
    held = _held(latency)
    found = answers(run, latency.after.root, held)
    source = Source(f"within({latency.within.text}, {held.source.text})", held.source.offset)
    within = Window(of=Of.SOME, side=Side.AHEAD, length=latency.within.root, arg=held, source=source)
    response = run.bounds(within)
    tried = len(found.events)
    lost = found.events[response.upper[found.events] < 0]
    if len(lost):
        waits = found.perhaps[lost] - lost
        return _finding("fail", run, latency, int(lost[np.argmax(waits)]), found.perhaps, tried)
    unmet = found.doubtful[response.lower[found.doubtful] <= 0]
    if len(unmet):
        event = int(unmet[0])
        cause = within if response.upper[event] > 0 else rising(latency.after.root, latency.after.root.source)
        why = f"{_since(run, latency, event)}: {gap_sentence(run, gap(run, cause, event))}"
        return Finding("undecided", None, "s", run.time_s(event), why, tried)
    if tried == 0:
        return Finding("undecided", None, "s", None, _never_sentence(run, latency), 0)
    waits = found.surely[found.doubtful] - found.doubtful
    return _finding("pass", run, latency, int(found.doubtful[np.argmax(waits)]), found.surely, tried)


def _finding(verdict: Outcome, run: Evaluation, latency: Latency, event: int, answered: Indexes, tried: int) -> Finding:
    """The finding that hangs on one event and its answer."""
    answer = int(answered[event])
    within_us = run.duration_us(latency.within.root)
    # An answer that never came is at the earliest one tick after the last sample.
    margin = (within_us - (answer - event) * run.step_us) / 1e6
    what = _held(latency).source.text
    if answer < run.count:
        told = f"{what} came {span((answer - event) * run.step_us / 1e6)}"
    else:
        told = f"{what} had not come by the end of the run, {span((answer - 1 - event) * run.step_us / 1e6)}"
    why = f"{told} {_since(run, latency, event)}, {span(within_us / 1e6)} allowed; tried {times(tried)}"
    return Finding(verdict, margin, "s", run.time_s(event), why, tried)


def _held(latency: Latency) -> Condition:
    """The answer, true from a sample on for as long as it must be held."""
    root = latency.expect.root
    if latency.hold is None:
        return root
    source = Source(f"{root.source.text} (held for {latency.hold.text} s)", root.source.offset)
    return Window(of=Of.ALL, side=Side.AHEAD, length=latency.hold.root, arg=root, source=source)


def _next_true(true: npt.NDArray[np.bool_]) -> Indexes:
    """For each sample the first true one from it on; the number of samples if there is none."""
    count = len(true)
    own = np.where(true, np.arange(count), count)
    return np.minimum.accumulate(own[::-1])[::-1]


def _since(run: Evaluation, latency: Latency, event: int) -> str:
    return f"after {latency.after.text} at {clock(run.time_s(event))}"


def _never_sentence(run: Evaluation, latency: Latency) -> str:
    if run.bounds(latency.after.root).lower[0] > 0:
        return f"never tried: {latency.after.text} was true from the start, which is no event"
    return f"never tried: {latency.after.text} did not become true"
