"""The search: run what may happen, look for what breaks a requirement, make it simple (row 4).

1. The scenario as filed.
2. Points scattered over the whole space, each run judged on every requirement asked about.
3. For each that is not broken by then, in turn, a share of the runs left, led by how near each came.
4. What was found broken, and the run that came closest of all others, made simple.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sim.base.errors import Fault, InputError, did_you_mean
from sim.base.streams import stream
from sim.bench.scenario import Scenario
from sim.jobs.case import Case, StandardEntry, judge_case, standard_requirements
from sim.jobs.envelope import Envelope
from sim.jobs.search.bed import Bed, Points, Seen, Task
from sim.jobs.search.found import Crash, Line, Search, closest
from sim.jobs.search.near import NEVER, horizon_s
from sim.jobs.search.seek import Costs, scattered, seek
from sim.jobs.search.space import KINDS, USUAL, space
from sim.jobs.trials import held_against
from sim.verdict.catalogue import load_catalogue
from sim.verdict.requirement import Requirement, Verdict

RUNS = 1000
"""Runs unless told otherwise."""

# This share of the runs is scattered before any requirement is followed on its own.
SCATTERED_FRAC = 0.3
BATCH = 40
# What a run shows after the last window of the requirement that looks furthest.
AFTER_S = 0.3
# The nearest points that a requirement is followed from.
KNOWN = 20

Progress = Callable[[int, int], None]


def search(
    case: Case,
    require: Sequence[str] = (),
    runs: int = RUNS,
    seed: int = 1,
    varied: Sequence[str] = USUAL,
    kinds: Sequence[str] = KINDS,
    envelope: Envelope | None = None,
    workers: int = 0,
    progress: Progress | None = None,
) -> Search:
    """Look for what breaks a requirement; the same bit for bit on any number of processes.

    Parameters
    ----------
    case : the scenario to start from, which says the water, the attitude and the longest run.
    require : ids of its requirements, or of the catalogue's; all of its own if empty.
    runs : at least 1.
    seed : of the search.
    varied : of ``space.VARIED``.
    kinds : of faults, where those are varied.
    envelope : the days of use, see ``space.space``.
    workers : processes; 0 is one for each core.
    progress : called with the runs done, and those in all as far as is known.

    Raises
    ------
    InputError
        Unknown names, or nothing to hold runs against, or nothing to vary.
    ControllerError
        The controller raised an error in the scenario as filed.
    """
    case = asked_about(case, require)
    held_against(case)
    _each_once(case)
    looks_s = max(horizon_s(requirement, case.limits) for requirement in case.requirements)
    room = space(case.bench, varied, envelope, kinds, looks_s + AFTER_S)
    if not room.size:
        raise InputError([Fault("", "vary", "something that can be varied here", ", ".join(varied) or "nothing")])
    filed = judge_case(case)
    with Bed.of(case, room, runs, workers) as bed:
        hunt = _Hunt(bed, runs, stream(seed, "search"), progress or (lambda done, total: None))
        lines, crash = hunt.done()
    tries = sum(line.tries for line in lines) + (crash.tries if crash else 0)
    return Search(case, filed, tuple(varied), lines, crash, bed.runs, tries, seed)


def asked_about(case: Case, ids: Sequence[str]) -> Case:
    """The case held against these requirements alone, which may be the catalogue's too; as it is without any.

    Raises
    ------
    InputError
        An id that neither has.
    """
    if not ids:
        return case
    own = {requirement.id: requirement for requirement in case.requirements}
    known = [*own, *(item.id for item in load_catalogue().items)]
    faults = [
        Fault("", "require", f"a requirement of the scenario or of the catalogue{did_you_mean(name, known)}", name)
        for name in ids
        if name not in known
    ]
    if faults:
        raise InputError(faults)
    limits = case.limits
    others = tuple(name for name in ids if name not in own)
    if others:
        taken, more = standard_requirements(StandardEntry(take=others), case.bench.vehicle.limits())
        own |= {requirement.id: requirement for requirement in taken}
        limits = {**more, **limits}
    return replace(case, requirements=tuple(own[name] for name in dict.fromkeys(ids)), limits=limits)


def _each_once(case: Case) -> None:
    """Refuse requirements that could not be told apart."""
    ids = [requirement.id for requirement in case.requirements]
    twice = [name for name in dict.fromkeys(ids) if ids.count(name) > 1]
    path = str(case.bench.path)
    if twice:
        raise InputError([Fault(path, "requirements", "each requirement id once", name) for name in twice])


@dataclass(slots=True)
class _Trail:
    """The nearest that one requirement came so far; `point` is none for the scenario as filed."""

    requirement: Requirement
    rank: tuple[int, float] = (4, NEVER)
    point: Points | None = None
    run: int = 0
    verdict: Verdict | None = None
    share: float | None = None
    runs: int = 0
    tried: int = 0

    def take(self, seen: Seen, place: int, point: Points | None, run: int) -> float:
        """Take note of a run, and give its cost."""
        verdict, cost, share = seen.verdicts[place], seen.costs[place], seen.shares[place]
        self.runs += verdict is not None
        self.tried += verdict is not None and verdict.verdict != "undecided"
        if verdict is not None and (rank := _rank(verdict, cost, share)) < self.rank:
            self.rank, self.point, self.run = rank, point, run
            self.verdict, self.share = verdict, share
        # An error is a find of its own, and no way to break this.
        return NEVER if seen.crash else cost

    @property
    def broken(self) -> bool:
        return self.verdict is not None and self.verdict.verdict == "fail"


def _rank(verdict: Verdict, cost: float, share: float | None) -> tuple[int, float]:
    """The lower the more worth telling: what is broken, then what has a margin, then what was tried at all."""
    if verdict.verdict == "fail":
        return 0, cost
    return (1, share) if share is not None else (2 if verdict.verdict == "pass" else 3, cost)


class _Hunt:
    """One search under way."""

    def __init__(self, bed: Bed, runs: int, chance: np.random.Generator, progress: Progress) -> None:
        self.bed, self.runs, self.chance, self.progress = bed, runs, chance, progress
        self.trails = {each.id: _Trail(each) for each in bed.case.requirements}
        self.crash: tuple[str, Points, int] | None = None

    def done(self) -> tuple[tuple[Line, ...], Crash | None]:
        """The whole of it."""
        own = self.bed.as_filed()
        for place, trail in enumerate(self.trails.values()):
            trail.take(own, place, None, 0)
        points, costs = self._scattered()
        whole = self._open()
        for number, name in enumerate(whole):
            left = (self.runs - self.bed.runs) // (len(whole) - number)
            self._follow(self.trails[name], points[: len(costs[name])], costs[name], left)
        return self._simple()

    def _open(self) -> list[str]:
        return [name for name, trail in self.trails.items() if not trail.broken]

    def _scattered(self) -> tuple[Points, Mapping[str, list[float]]]:
        """Points all over the space, and their costs for each requirement as long as it was not broken."""
        points = scattered(max(int(SCATTERED_FRAC * self.runs), 1), self.bed.space.size, self.chance)
        costs: dict[str, list[float]] = {name: [] for name in self.trails}
        for first in range(0, len(points), BATCH):
            asked = self._open()
            if not asked:
                break
            for name, found in self._run(points[first : first + BATCH], asked).items():
                costs[name] += found.tolist()
        return points, costs

    def _follow(self, trail: _Trail, points: Points, costs: Sequence[float], runs: int) -> None:
        """Spend some runs on one requirement."""
        name = trail.requirement.id
        nearest = np.argsort(np.asarray(costs), kind="stable")[:KNOWN]
        seek(
            lambda tried: self._run(tried, [name])[name],
            self.bed.space.size,
            runs,
            self.chance,
            points[nearest],
            lambda: trail.broken,
        )

    def _run(self, points: Points, asked: Sequence[str]) -> Mapping[str, Costs]:
        """Run some points; their costs by requirement."""
        before = self.bed.runs
        seen = self.bed.run(points, asked)
        self.progress(self.bed.runs, self.runs)
        for number, (point, one) in enumerate(zip(points, seen, strict=True), before + 1):
            if one.crash and self.crash is None:
                self.crash = one.crash, point, number
        return {
            name: np.array(
                [
                    self.trails[name].take(one, place, point, number)
                    for number, (point, one) in enumerate(zip(points, seen, strict=True), before + 1)
                ]
            )
            for place, name in enumerate(asked)
        }

    def _simple(self) -> tuple[tuple[Line, ...], Crash | None]:
        """Every requirement's line, those found and the closest made simple."""
        lines = {
            name: Line(
                trail.requirement,
                trail.verdict,
                trail.share,
                self._scenario(trail.point),
                trail.run,
                trail.runs,
                trail.tried,
            )
            for name, trail in self.trails.items()
        }
        crash = None if self.crash is None else Crash(self.crash[0], self._scenario(self.crash[1]), self.crash[2])
        near = closest(tuple(lines.values()))
        tasks = [Task(line.scenario, name) for name, line in lines.items() if line.broken]
        tasks += [Task(near.scenario, near.id, near.share)] if near else []
        tasks += [Task(crash.scenario, None)] if crash else []
        done = self.bed.simplified(tasks, lambda count: self.progress(self.runs + count, self.runs + len(tasks)))
        for task, (simple, seen) in zip(tasks, done, strict=True):
            if task.wanted is None:
                assert crash is not None
                crash = replace(crash, why=seen.crash, scenario=simple.scenario, tries=simple.tries)
            else:
                lines[task.wanted] = replace(
                    lines[task.wanted],
                    verdict=seen.verdicts[0],
                    share=seen.shares[0],
                    scenario=simple.scenario,
                    tries=simple.tries,
                )
        return tuple(lines.values()), crash

    def _scenario(self, point: Points | None) -> Scenario:
        return self.bed.case.bench.scenario if point is None else self.bed.space.scenario(point.tolist())
