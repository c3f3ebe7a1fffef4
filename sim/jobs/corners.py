"""The worst day and the worst build for every limit, found by trying (row 4).

Nothing is assumed about which end of a tolerance is the bad one: each
quantity is tried at both its ends, alone, on the day that is worst for the
limit, and the worst build puts the bad ends together.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from sim.base.errors import InputError
from sim.base.quantity import Toleranced
from sim.bench.engine import decided
from sim.bench.run import Bench, physics, with_overrides
from sim.bench.vehicle import Vehicle, quantities
from sim.jobs.case import Case, Judged, judge_case, on_engine
from sim.jobs.envelope import Envelope, conditions
from sim.jobs.result import judged_json
from sim.jobs.trials import Corner, Trial, held_against, tried, usual_workers, write_corner
from sim.jobs.trials import at as at
from sim.jobs.trials import case_at as case_at
from sim.verdict.requirement import Verdict

Rank = tuple[int, float]
Progress = Callable[[int, int], None]
# Runs corners, and gives their trials in the same order.
Run = Callable[[Sequence[Corner]], list[Trial]]


class Effect(NamedTuple):
    """What one quantity's tolerance does to a margin: the margin at either end, all else as in the file."""

    key: str
    margin_low: float
    margin_high: float

    @property
    def size(self) -> float:
        """How far the margin moves from end to end."""
        return abs(self.margin_high - self.margin_low)


@dataclass(frozen=True, slots=True)
class Worst:
    """The worst corner found for one limit.

    limit : id of the requirement.
    verdict : on it at the corner; None where the controller crashed there.
    margin_filed : on the same day with the vehicle's numbers as its file has them.
    effects : of each quantity that moves the margin on that day, the strongest first.
    """

    limit: str
    corner: Corner
    verdict: Verdict | None
    crash: str
    margin_filed: float | None
    effects: tuple[Effect, ...]


@dataclass(frozen=True, slots=True)
class Survey:
    """What a search for corners found.

    filed : the scenario as it stands in its file.
    days : every condition of the envelope.
    unbounded : ids of requirements that fail nowhere and have no distance, so that none of their corners is the worst.
    runs : how many in all.
    """

    case: Case
    filed: Judged
    days: tuple[Corner, ...]
    worst: tuple[Worst, ...]
    unbounded: tuple[str, ...]
    runs: int

    @property
    def verdict(self) -> str:
        """Whether every limit holds at its worst corner; undecided where there is none."""
        words = {"fail" if each.verdict is None else each.verdict.verdict for each in self.worst}
        return "fail" if "fail" in words else "pass" if words else "undecided"

    @property
    def corners(self) -> tuple[Corner, ...]:
        """The worst corners, each once; one that is worst for several limits names them all."""
        return tuple(corner for corner, _ in self._alike())

    def write(self, folder: Path, stem: str) -> list[Path]:
        """Write each corner as a scenario file, which `drydive run` runs bit for bit alike; the paths written.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        paths = []
        for number, (corner, limits) in enumerate(self._alike(), 1):
            paths.append(folder / f"{stem}.corner_{number}.scenario.yaml")
            found = [f"{each.limit}: {each.verdict.why if each.verdict else each.crash}" for each in limits]
            write_corner(self.case.bench, corner, paths[-1], "\n".join(["The worst corner found for", *found]))
        return paths

    def _alike(self) -> list[tuple[Corner, list[Worst]]]:
        groups: list[list[Worst]] = []
        for each in self.worst:
            bare = replace(each.corner, name="")
            known = next((group for group in groups if replace(group[0].corner, name="") == bare), None)
            if known is None:
                groups.append([each])
            else:
                known.append(each)
        return [(_named(group[0].corner, *(each.limit for each in group)), group) for group in groups]

    def as_json(self) -> dict[str, Any]:
        """Plain data: each limit's worst corner, whole, with what moves its margin."""
        filed = judged_json(self.filed)
        return {
            "verdict": self.verdict,
            "limits": [
                {
                    "id": each.limit,
                    "corner": _named(each.corner, each.limit).name,
                    "verdict": "error" if each.verdict is None else each.verdict.verdict,
                    "margin": each.verdict and each.verdict.margin,
                    "margin_filed": each.margin_filed,
                    "unit": each.verdict and each.verdict.unit,
                    "why": each.verdict.why if each.verdict else each.crash,
                    "water": each.corner.water.model_dump(exclude_none=True),
                    "pack": each.corner.pack.model_dump(exclude_none=True),
                    "attitude": each.corner.attitude,
                    "vehicle_set": dict(each.corner.vehicle_set),
                    "effects": [effect._asdict() for effect in each.effects],
                }
                for each in self.worst
            ],
            "unbounded": list(self.unbounded),
            "conditions": len(self.days),
            "runs": self.runs,
            **{key: filed[key] for key in ("seed", "engine", "versions", "inputs")},
        }


def corners(
    case: Case, envelope: Envelope | None = None, executor: Executor | None = None, progress: Progress | None = None
) -> tuple[Corner, ...]:
    """The worst corner for each limit of a case; see `survey`, which tells more."""
    return survey(case, envelope, executor, progress).corners


def survey(
    case: Case, envelope: Envelope | None = None, executor: Executor | None = None, progress: Progress | None = None
) -> Survey:
    """Find the worst day of an envelope, and then the worst build on it, for every limit of a case.

    A limit is a requirement that has a margin, or that fails somewhere.

    1. Every condition of the envelope is run with the vehicle's numbers as filed: the worst day for each limit.
    2. On each such day every toleranced quantity is run at both its ends, alone.
    3. Bad is the end with the lower margin, if that is lower than as filed. The worst end alone, the two worst, and so
       on up to all bad ends at once are run, and the lowest is taken: a controller that holds back may make all of
       them together milder than some.

    Parameters
    ----------
    case : its scenario says what is done; the days replace its water, pack and attitude.
    envelope : the days; a default one if left out.
    executor : any of ``concurrent.futures``' kind; a process for each core without one.
    progress : called with the runs done, and those in all as far as is known.

    Raises
    ------
    InputError
        A corner that is no possible vehicle, or outside the physics' range; no requirements.
    ControllerError
        The controller raised in the scenario as filed.

    Notes
    -----
    Two ends of an envelope's value are its worst only where a margin rises or falls over it all the way; give values
    between them where that is in doubt. A build between the ends may be worse where quantities work on each other:
    ``builds`` draws some.
    """
    if executor is None:
        with ProcessPoolExecutor(os.cpu_count() or 1) as own:
            return survey(case, envelope, own, progress)
    held_against(case)
    conditioned = conditions(envelope or Envelope())
    scenario = case.bench.scenario
    ticks = len(conditioned) * (scenario.duration_us // scenario.tick_us) // usual_workers(len(conditioned))
    case = on_engine(case, decided(case.bench.engine, ticks))
    filed = judge_case(case)
    runner = _Runner(case, executor, progress)
    worst, unbounded = worst_of(case, conditioned, runner.run)
    # The scenario as filed is a run too.
    return Survey(case, filed, conditioned, worst, unbounded, runner.done + 1)


def worst_of(case: Case, conditioned: Sequence[Corner], run: Run) -> tuple[tuple[Worst, ...], tuple[str, ...]]:
    """The worst day and build for every limit of a case, and the ids of requirements without any; see `survey`."""
    trials = run(conditioned)
    lowest = {each.id: _lowest(trials, each.id) for each in case.requirements}
    unbounded = tuple(limit for limit, index in lowest.items() if index is None)
    chosen = {index: (conditioned[index], trials[index]) for index in lowest.values() if index is not None}
    days = _days(case.bench, run, chosen)
    limits = {limit: days[index] for limit, index in lowest.items() if index is not None}
    built = [(limit, corner) for limit, day in limits.items() for corner in day.worse_builds(limit)]
    trials = run([corner for _, corner in built])
    tries = [(limit, corner, trial) for (limit, corner), trial in zip(built, trials, strict=True)]
    worst = tuple(_worst(limit, day, [each[1:] for each in tries if each[0] == limit]) for limit, day in limits.items())
    return worst, unbounded


class _Runner:
    """Runs corners in batches and counts them."""

    def __init__(self, case: Case, executor: Executor, progress: Progress | None) -> None:
        self.case, self.executor, self.progress = case, executor, progress
        self.done = 0

    def run(self, wanted: Sequence[Corner]) -> list[Trial]:
        for corner in wanted:
            require_possible(self.case.bench, corner)
        before, progress = self.done, self.progress
        told = None if progress is None else lambda done: progress(before + done, before + len(wanted))
        self.done += len(wanted)
        return tried(self.case, wanted, self.executor, told)


class _Day(NamedTuple):
    """A condition with the numbers as filed, and with each toleranced quantity at either end, alone."""

    corner: Corner
    trial: Trial
    bands: Mapping[str, Toleranced]
    ends: Mapping[tuple[str, float], Trial]

    def built(self, numbers: Mapping[str, float]) -> Corner:
        """The day with other numbers of the vehicle."""
        return replace(self.corner, vehicle_set={**self.corner.vehicle_set, **numbers})

    def worse_builds(self, limit: str) -> list[Corner]:
        """Builds that are worse for a limit than the one as filed: the worst end alone, the two worst, up to all.

        An end is bad at which the limit is nearer, or worse broken, than with the number as filed.
        """
        filed = _rank(self.trial, limit)
        bad: list[tuple[Rank, str, float]] = []
        for key, band in self.bands.items():
            ranks = [(rank, end) for end in (band.low, band.high) if (rank := _rank(self.ends[key, end], limit))]
            if ranks and filed and min(ranks)[0] < filed:
                bad.append((min(ranks)[0], key, min(ranks)[1]))
        numbers = [(key, end) for _, key, end in sorted(bad)]
        return [self.built(dict(numbers[:count])) for count in range(1, len(numbers) + 1)]

    def effects(self, limit: str) -> tuple[Effect, ...]:
        """What each quantity does to the margin, those that do nothing left out, the strongest first."""
        found = []
        for key, band in self.bands.items():
            low, high = (_margin(self.ends[key, end], limit) for end in (band.low, band.high))
            if low is not None and high is not None and not low == high == _margin(self.trial, limit):
                found.append(Effect(key, low, high))
        return tuple(sorted(found, key=lambda effect: -effect.size))


def _days(bench: Bench, run: Run, chosen: Mapping[int, tuple[Corner, Trial]]) -> dict[int, _Day]:
    """The chosen days, all their ends run together."""
    bare = {
        index: _Day(corner, trial, toleranced(at(bench, corner).vehicle), {})
        for index, (corner, trial) in chosen.items()
    }
    ends = [
        (index, (key, end))
        for index, day in bare.items()
        for key, band in day.bands.items()
        for end in (band.low, band.high)
    ]
    trials = run([bare[index].built(dict([end])) for index, end in ends])
    found: dict[int, dict[tuple[str, float], Trial]] = {index: {} for index in bare}
    for (index, end), trial in zip(ends, trials, strict=True):
        found[index][end] = trial
    return {index: day._replace(ends=found[index]) for index, day in bare.items()}


def _worst(limit: str, day: _Day, tries: Sequence[tuple[Corner, Trial]]) -> Worst:
    """The lowest of the builds tried on a day, the one as filed included."""
    tries = [(day.corner, day.trial), *tries]
    ranked = [(rank, corner, one) for corner, one in tries if (rank := _rank(one, limit)) is not None]
    _, corner, kept = min(ranked, key=lambda each: each[0])
    return Worst(limit, corner, _verdict(kept, limit), kept.crash, _margin(day.trial, limit), day.effects(limit))


def toleranced(vehicle: Vehicle) -> dict[str, Toleranced]:
    """The numbers of a vehicle that are not known exactly, by dotted key."""
    return {key: band for key, band in quantities(vehicle).items() if band.low < band.high}


def require_possible(bench: Bench, corner: Corner) -> None:
    """Refuse a corner whose numbers make no vehicle, or one that the physics cannot use.

    Raises
    ------
    InputError
    """
    try:
        with_overrides(bench.vehicle, corner.vehicle_set, str(bench.path))
        physics(at(bench, corner))
    except InputError as error:
        raise InputError(
            replace(fault, got=f"{fault.got} at the corner {corner.name}") for fault in error.faults
        ) from None


def _verdict(trial: Trial, limit: str) -> Verdict | None:
    return next((verdict for verdict in trial.verdicts if verdict.id == limit), None)


def _margin(trial: Trial, limit: str) -> float | None:
    verdict = _verdict(trial, limit)
    return verdict.margin if verdict else None


def _rank(trial: Trial, limit: str) -> Rank | None:
    """The lower the worse: a crash, then a failure without a distance, then by margin; none where nothing tells."""
    if trial.crash:
        return (0, 0.0)
    verdict = _verdict(trial, limit)
    if verdict is None or verdict.verdict == "undecided":
        return None
    if verdict.margin is None:
        return (1, 0.0) if verdict.verdict == "fail" else None
    return (2, verdict.margin)


def _lowest(trials: Iterable[Trial], limit: str) -> int | None:
    """Which trial is the worst for a limit; none where none tells."""
    ranks = [(rank, index) for index, trial in enumerate(trials) if (rank := _rank(trial, limit)) is not None]
    return min(ranks)[1] if ranks else None


def _named(corner: Corner, *limits: str) -> Corner:
    return replace(corner, name=f"{corner.name}; worst build for {' and '.join(limits)}")
