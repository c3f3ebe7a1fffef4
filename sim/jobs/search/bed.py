"""Many runs of one case, each at a point of a space, on all cores; the same however many there are (row 4)."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from types import TracebackType
from typing import NamedTuple, Self, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError, one_line
from sim.bench.engine import Engine, choose, decided
from sim.bench.loop import ControllerError
from sim.bench.run import Bench, prepare, record
from sim.bench.scenario import Scenario
from sim.bench.vehicle import quantities
from sim.jobs.case import Case, on_engine
from sim.jobs.search.graded import Graded
from sim.jobs.search.near import CRASHED, NEVER, Scales, near, scales_of, share
from sim.jobs.search.shrink import Own, Simple, simple
from sim.jobs.search.space import Space, bench_of, rest
from sim.jobs.trials import Sealed, sealed
from sim.verdict.requirement import Requirement, Verdict, names_of
from sim.verdict.robustness import Evaluation

Answer = TypeVar("Answer")
Points: TypeAlias = NDArray[np.float64]

# Runs handed to a process at a time, at most.
BATCH_MAX = 8
# Made simple, a run that was the closest may keep this much more of its margin.
SHARE_MORE = 0.02


class Seen(NamedTuple):
    """What is kept of one run: by each requirement asked about, in their order.

    verdicts : none where there was no run.
    shares : margins as shares of their scales; none where there is no margin.
    crash : what the controller raised; nothing else is known then.
    """

    verdicts: tuple[Verdict | None, ...]
    costs: tuple[float, ...]
    shares: tuple[float | None, ...]
    crash: str = ""

    @classmethod
    def none(cls, count: int, crash: str = "") -> Seen:
        """Nothing, of so many requirements."""
        return cls((None,) * count, (CRASHED if crash else NEVER,) * count, (None,) * count, crash)


class Task(NamedTuple):
    """A scenario to be made simple, and what it must go on to show.

    wanted : the requirement that it breaks, or none where the controller crashes.
    share : what it leaves of the margin, where that is to stay; below 0 where the requirement is broken.
    more : the share may grow by so much.
    """

    scenario: Scenario
    wanted: str | None
    share: float | None = None
    more: float = SHARE_MORE


@dataclass(slots=True)
class Judge:
    """Runs scenarios of a case's space and tells how near each requirement came to breaking.

    scales : worked out from a run at rest.
    """

    case: Case
    space: Space
    engine: Engine
    scales: Scales

    @classmethod
    def of(cls, case: Case, space: Space) -> Judge:
        """A judge for many runs of a case.

        Raises
        ------
        ControllerError
            The controller raised an error at rest.
        """
        made = cls(case, space, choose(case.bench.engine, case.bench.controller, 10**9), Scales({}, {}))
        still = replace(case.bench, scenario=rest(case.bench.scenario))
        made.scales = scales_of(case.requirements, made.ran(still, case.requirements))
        return made

    def ran(self, bench: Bench, asked: Sequence[Requirement]) -> Evaluation:
        """A run, with the columns that some requirements name.

        Raises
        ------
        ControllerError, InputError
        """
        wanted = {name for requirement in asked for name in names_of(requirement.claim)}
        table = record(bench, prepare(bench), self.engine, wanted=wanted)
        return Evaluation(table, {**self.case.limits, **bench.vehicle.limits()})

    def seen(self, scenario: Scenario, asked: Sequence[str]) -> Seen:
        """What a scenario's run shows of some requirements, in the case's order."""
        chosen = [requirement for requirement in self.case.requirements if requirement.id in asked]
        try:
            run = self.ran(bench_of(self.case.bench, scenario), chosen)
        except ControllerError as error:
            return Seen.none(len(chosen), one_line(str(error)))
        except InputError:
            # Numbers that are each possible may still make no vehicle together.
            return Seen.none(len(chosen))
        grades = Graded(run, self.scales.comparisons)
        found = [near(requirement, run, grades, self.scales) for requirement in chosen]
        return Seen(
            tuple(each.verdict for each in found),
            tuple(each.cost for each in found),
            tuple(
                share(requirement, each.verdict, run, self.scales)
                for requirement, each in zip(chosen, found, strict=True)
            ),
        )

    def seen_at(self, points: Points, asked: Sequence[str]) -> list[Seen]:
        """What the run at each point shows."""
        return [self.seen(self.space.scenario(point), asked) for point in points.tolist()]

    def simplified(self, task: Task) -> tuple[Simple, Seen]:
        """A scenario made as simple as it can be, and what it shows then."""
        asked = [task.wanted] if task.wanted else []

        def shows(scenario: Scenario) -> bool:
            seen = self.seen(scenario, asked)
            if task.wanted is None:
                return bool(seen.crash)
            if task.share is None:
                return seen.verdicts[0] is not None and seen.verdicts[0].verdict == "fail"
            left = seen.shares[0]
            # What breaks nothing is no simpler picture of what does, nor the other way round.
            return left is not None and left <= task.share + task.more and (left < 0.0) == (task.share < 0.0)

        numbers = {key: float(value) for key, value in quantities(self.case.bench.vehicle).items()}
        own = Own(self.space.own, numbers, self.space.rides, bool(self.space.kinds), not self.space.bounded)
        made = simple(own, task.scenario, shows)
        return made, self.seen(made.scenario, asked)


@dataclass(slots=True)
class Bed:
    """A case and a space of scenarios, ready to be run at many points.

    workers : processes; with 1 everything runs in this one.
    runs : how many there were.
    """

    case: Case
    space: Space
    workers: int
    runs: int = 0
    _here: Judge | None = None
    _pool: ProcessPoolExecutor | None = None

    @classmethod
    def of(cls, case: Case, space: Space, runs: int, workers: int = 0) -> Bed:
        """A bed on the engine that is quickest for so many runs; 0 workers are one for each core."""
        workers = min(workers or os.cpu_count() or 1, runs)
        scenario = case.bench.scenario
        ticks = runs * (scenario.duration_us // scenario.tick_us) // workers
        # Here as in every worker the controller is the one that the scenario names.
        opened = sealed(on_engine(case, decided(case.bench.engine, ticks))).opened()
        return cls(opened, space, workers)

    def __enter__(self) -> Self:
        """Start the workers, which find the compiled loop at hand."""
        self._here = Judge.of(self.case, self.space)
        if self.workers > 1:
            self._pool = ProcessPoolExecutor(self.workers, initializer=_open, initargs=(sealed(self.case), self.space))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let them go."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def as_filed(self) -> Seen:
        """The scenario as it stands in its file, judged on everything."""
        assert self._here is not None
        return self._here.seen(self.case.bench.scenario, [each.id for each in self.case.requirements])

    def run(self, points: Points, asked: Sequence[str]) -> list[Seen]:
        """Run at each point, shape (count, space.size), and judge the requirements of these ids."""
        assert self._here is not None
        self.runs += len(points)
        if self._pool is None:
            return self._here.seen_at(points, asked)
        size = min(max(len(points) // (2 * self.workers), 1), BATCH_MAX)
        batches = [points[first : first + size] for first in range(0, len(points), size)]
        futures = [self._pool.submit(_run, batch, tuple(asked)) for batch in batches]
        return [seen for future in futures for seen in _result(future)]

    def simplified(self, tasks: Sequence[Task], progress: Callable[[int], None]) -> list[tuple[Simple, Seen]]:
        """Make scenarios simple, each for itself."""
        assert self._here is not None
        found = []
        futures = None if self._pool is None else [self._pool.submit(_simplify, task) for task in tasks]
        for number, task in enumerate(tasks):
            found.append(self._here.simplified(task) if futures is None else _result(futures[number]))
            progress(number + 1)
        return found


def _result(future: Future[Answer]) -> Answer:
    """What a process came to.

    Raises
    ------
    InputError
        It was ended from outside, most likely for want of memory.
    """
    try:
        return future.result()
    except BrokenExecutor as error:
        expected = "processes that are left to run (fewer --workers need less memory)"
        raise InputError([Fault("", "workers", expected, "one that was ended from outside")]) from error


# What a process keeps.
_kept: list[Judge] = []


def _open(given: Sealed, space: Space) -> None:
    # An interruption from the keyboard reaches every process; the one that asks says so, the others just end.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    _kept[:] = [Judge.of(given.opened(), space)]


def _run(points: Points, asked: Sequence[str]) -> list[Seen]:
    return _kept[0].seen_at(points, asked)


def _simplify(task: Task) -> tuple[Simple, Seen]:
    return _kept[0].simplified(task)
