"""Corners made ready once and driven many times with other parameters, on all cores (row 4).

What a run draws and what its physics needs do not depend on the controller's
parameters: a process prepares a corner when it first drives it. No drive is
run twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import TracebackType
from typing import Any, NamedTuple, Self, TypeVar

from sim.base.errors import one_line
from sim.bench import build
from sim.bench.control import Controller
from sim.bench.engine import Engine, choose
from sim.bench.loop import ControllerError
from sim.bench.run import Bench, Prepared, physics, record
from sim.bench.tapes import drawn, script_of
from sim.jobs.case import Case
from sim.jobs.corners import require_possible
from sim.jobs.trials import Corner, Sealed, case_at, sealed, usual_workers
from sim.jobs.tune.drive import Drive, Figures, figures
from sim.verdict.requirement import Verdict, judged
from sim.verdict.robustness import Evaluation

# Runs ahead that the choice of the engine counts with; a tuning takes hundreds.
RUNS_AHEAD = 400
# What a process keeps: tapes take some megabytes each, and most corners share theirs with others.
TAPES_MAX, CORNERS_MAX = 16, 24

Settings = Mapping[str, int]
Result = TypeVar("Result")


class Driven(NamedTuple):
    """One corner driven with some parameters.

    figures : None where the controller crashed.
    """

    verdicts: tuple[Verdict, ...]
    figures: Figures | None
    crash: str = ""

    @property
    def passes(self) -> bool:
        """Whether no limit fails; one that was never tried bounds nothing."""
        return not self.crash and all(verdict.verdict != "fail" for verdict in self.verdicts)


@dataclass(slots=True)
class Bed:
    """The tuning ride on a list of corners, which may grow.

    Settings are parameters of the controller; the others stay as its file has them.

    workers : processes; one for each core if 0, and none but this one if 1.
    active : places of the corners that a drive must keep; the others are only looked at.
    runs : how many there were.
    told : called with that now and then.
    """

    ride: Drive
    workers: int = 0
    told: Callable[[int], None] | None = None
    corners: list[Corner] = field(default_factory=list)
    active: list[int] = field(default_factory=list)
    runs: int = 0
    _pool: Executor | None = None
    _engine: Engine | None = None
    _places: dict[tuple[Any, ...], int] = field(default_factory=dict)
    _hard: list[int] = field(default_factory=list)
    _known: dict[tuple[Any, ...], Driven] = field(default_factory=dict)

    @property
    def engine(self) -> Engine:
        """What runs the loop; known once opened."""
        assert self._engine is not None
        return self._engine

    def __enter__(self) -> Self:
        """Decide on the engine, which the workers then find compiled, and start them."""
        bench = self.ride.case.bench
        self.workers = self.workers or usual_workers(RUNS_AHEAD)
        ticks = RUNS_AHEAD * (bench.scenario.duration_us // bench.scenario.tick_us) // self.workers
        self._engine = choose(bench.engine, bench.controller, ticks)
        worker = _Worker(sealed(self.ride.case), self.engine, self.ride.columns, self.ride.pull_s, self.ride.release_s)
        if self.workers == 1:
            _open(worker)
            self._pool = _Here()
        else:
            self._pool = ProcessPoolExecutor(self.workers, initializer=_open, initargs=(worker,))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the workers go."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def add(self, corners: Sequence[Corner], active: bool = True) -> list[int]:
        """The places of corners; those that have none yet get one."""
        places = []
        for corner in corners:
            place = self._places.setdefault(_condition(corner), len(self.corners))
            if place == len(self.corners):
                self.corners.append(corner)
            if active and place not in self.active:
                self.active.append(place)
            places.append(place)
        return places

    def drive(
        self, settings: Settings, places: Sequence[int] | None = None, wanted_n: float | None = None
    ) -> list[Driven]:
        """Drive with some settings at the corners of some places, in their order; see `drives`."""
        return self.drives([settings], places, wanted_n)[0]

    def drives(
        self, every: Sequence[Settings], places: Sequence[int] | None = None, wanted_n: float | None = None
    ) -> list[list[Driven]]:
        """Drive with each of several settings at the corners of some places.

        Parameters
        ----------
        places : the active corners if left out.
        wanted_n : the thrust whose time is taken; what the drive itself comes to if left out, see `Figures`.

        Returns
        -------
        list of lists of Driven
            For each settings, for each place, in their order.

        Raises
        ------
        InputError
            A corner that is no possible vehicle.
        """
        assert self._pool is not None
        chosen = self.active if places is None else places
        keys = [(wanted_n, tuple(sorted(settings.items()))) for settings in every]
        waiting = []
        for place in dict.fromkeys(chosen):
            new = [key for key in dict.fromkeys(keys) if (place, *key) not in self._known]
            if new:
                ask = (place, self.corners[place], [dict(settings) for _, settings in new], wanted_n)
                waiting.append((place, new, self._pool.submit(_drive, *ask)))
        try:
            for place, new, future in waiting:
                for key, driven in zip(new, future.result(), strict=True):
                    self._known[place, *key] = driven
                    self.runs += 1
                if self.told is not None:
                    self.told(self.runs)
        finally:
            for *_, future in waiting:
                future.cancel()
        return [[self._known[place, *key] for place in chosen] for key in keys]

    def passes(self, settings: Settings, places: Sequence[int] | None = None) -> bool:
        """Whether every corner keeps every limit; those that failed last are asked first, and one failure is enough."""
        chosen = list(self.active if places is None else places)
        order = [place for place in self._hard if place in chosen]
        order += [place for place in chosen if place not in order]
        for start in range(0, len(order), self.workers):
            batch = order[start : start + self.workers]
            for place, driven in zip(batch, self.drive(settings, batch), strict=True):
                if not driven.passes:
                    self._hard = [place, *(each for each in self._hard if each != place)]
                    return False
        return True


def _condition(corner: Corner) -> tuple[Any, ...]:
    """What a corner is, whatever it is called."""
    return corner.water, corner.pack, corner.attitude, *sorted(corner.vehicle_set.items())


def with_values(controller: Controller, settings: Settings) -> Controller:
    """The controller with some parameters changed, unchecked."""
    return replace(controller, params=controller.params._replace(**settings))


class _Here(Executor):
    """Does each thing at once, in this process."""

    def submit(self, do: Callable[..., Result], /, *args: Any, **named: Any) -> Future[Result]:
        """The future of what is done already."""
        future: Future[Result] = Future()
        future.set_result(do(*args, **named))
        return future


class _Worker(NamedTuple):
    """What a process is told once."""

    closed: Sealed
    engine: Engine
    columns: frozenset[str]
    pull_s: float
    release_s: float


_told: list[tuple[_Worker, Case]] = []
_tapes = lru_cache(TAPES_MAX)(drawn)


def _open(worker: _Worker) -> None:
    _told[:] = [(worker, worker.closed.opened())]
    _ready.clear()


_ready: dict[int, tuple[Case, Prepared]] = {}


def _drive(place: int, corner: Corner, every: Sequence[Settings], wanted_n: float | None) -> list[Driven]:
    worker, case = _told[0]
    if place not in _ready:
        if len(_ready) >= CORNERS_MAX:
            del _ready[next(iter(_ready))]
        require_possible(case.bench, corner)
        there = case_at(case, corner)
        _ready[place] = there, _prepared(there.bench)
    # What was used last stays longest.
    _ready[place] = there, ready = _ready.pop(place)
    return [_driven(worker, there, ready, settings, wanted_n) for settings in every]


def _prepared(bench: Bench) -> Prepared:
    """`bench.run.prepare`, with tapes that were drawn before where they are the same."""
    params, start = physics(bench)
    tapes = _tapes(script_of(bench.scenario, bench.vehicle, bench.water))
    return Prepared(build.senses_params(bench.vehicle, bench.scenario.tick_us), params, start, tapes)


def _driven(worker: _Worker, case: Case, ready: Prepared, settings: Settings, wanted_n: float | None) -> Driven:
    controller = with_values(case.bench.controller, settings)
    try:
        table = record(replace(case.bench, controller=controller), ready, worker.engine, wanted=worker.columns)
    except ControllerError as error:
        return Driven((), None, one_line(str(error)))
    # The controller's stated times are limits too, and follow from its parameters.
    run = Evaluation(table, {**case.limits, **controller.stated_s()})
    verdicts = tuple(judged(requirement, run) for requirement in case.requirements)
    return Driven(verdicts, figures(table, worker.pull_s, worker.release_s, wanted_n))
