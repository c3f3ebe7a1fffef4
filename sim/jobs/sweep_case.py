"""One case of a sweep run and judged, with nothing read or drawn twice (row 4)."""

from __future__ import annotations

import os
import threading
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple, TypeAlias

from sim.base.errors import Fault, InputError, one_line, shown
from sim.bench import engine
from sim.bench import run as bench
from sim.bench.build import senses_params
from sim.bench.control import SHIPPED, Controller, load_controller
from sim.bench.loop import ControllerError
from sim.bench.run import Bench, Prepared
from sim.bench.tapes import Script, Tapes, drawn, script_of
from sim.bench.vehicle import Vehicle, load_vehicle
from sim.jobs.case import NEVER_TRIED, SIGNALS, CaseFile, overall, standard_requirements
from sim.jobs.sweep_plan import Sweep, load_sweep
from sim.record.table import Table
from sim.verdict.catalogue import load_catalogue
from sim.verdict.check import require
from sim.verdict.demands import Demands
from sim.verdict.measures import taken
from sim.verdict.requirement import Verdict, names_of
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import names_in

ERROR = "error"
UNTRIED = "untried"
# Vehicles, controllers and sets of requirements that a process keeps of those it has met.
KEPT = 64
REASON_MOST = 300


Key: TypeAlias = tuple[str, tuple[tuple[str, str], ...], str, int]
"""What a process runs cases of: the sweep's file, its inputs with their hashes, the engine wanted, the ticks ahead."""


class Row(NamedTuple):
    """What is kept of one case.

    case : its number, from 0.
    verdict : pass, fail, undecided; or error where it could not be run.
    reason : what failed or was not decided, and why; what went wrong.
    margins, units : of each requirement whose margin is reported; `None` and empty where there is none.
    verdicts : of each requirement whose verdict is reported, or "untried"; empty in an error.
    measures : each reported measure; `None` where the run does not tell.
    """

    case: int
    verdict: str
    reason: str = ""
    margins: tuple[float | None, ...] = ()
    units: tuple[str, ...] = ()
    verdicts: tuple[str, ...] = ()
    measures: tuple[float | None, ...] = ()


class _Standing(NamedTuple):
    """What a case is held against, the catalogue's own limits, and the ids that may go untried."""

    demands: Demands
    limits: Mapping[str, float]
    optional: frozenset[str]


class Runner:
    """Runs cases of a sweep, in any order and from any number of threads."""

    def __init__(self, sweep: Sweep, wanted: str) -> None:
        self.sweep = sweep
        self.wanted = wanted
        self._vehicle = lru_cache(KEPT)(self._found_vehicle)
        self._controller = lru_cache(KEPT)(self._found_controller)
        self._held = threading.local()
        self._known: dict[tuple[frozenset[str], str], _Standing] = {}
        arguments = (arg for measure in sweep.measures.values() for arg in measure.args)
        self._measured = frozenset(name.name for arg in arguments for name in names_in(arg))

    def row(self, case: int) -> Row:
        """Run one case; whatever goes wrong in it becomes its row."""
        try:
            return self._judged(case)
        except InputError as error:
            # A case stands in no file, so that only the key tells where.
            faults = (str(Fault("", fault.key, fault.expected, fault.got)) for fault in error.faults)
            return Row(case, ERROR, self._shortened("; ".join(faults)))
        except ControllerError as error:
            return Row(case, ERROR, self._shortened(str(error)))
        except Exception as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            told = f"{type(error).__name__}: {error} ({Path(place.filename).name}:{place.lineno})"
            return Row(case, ERROR, self._shortened(told))

    def _shortened(self, text: str) -> str:
        """A reason on one line, without the folders that differ from machine to machine."""
        for folder in (self.sweep.scenario_path.parent, SHIPPED.parent):
            text = text.replace(f"{folder}{os.sep}", "")
        return shown(one_line(text), REASON_MOST)

    def _judged(self, case: int) -> Row:
        entry = self.sweep.entry(case)
        ready = self._bench(entry)
        limits = ready.vehicle.limits() | ready.controller.stated_s()
        demands, own_limits, optional = self._standing(entry, limits)
        limits |= own_limits
        require([fault for each in self.sweep.measures.values() for fault in each.faults(SIGNALS, limits)])
        table = self._table(ready, demands.names | self._measured)
        verdicts = {verdict.id: verdict for verdict in demands.judge(table, limits)}
        untried = {
            name
            for name, verdict in verdicts.items()
            if name in optional and verdict.verdict == "undecided" and verdict.why.startswith(NEVER_TRIED)
        }
        decided = [verdict for name, verdict in verdicts.items() if name not in untried]
        word = overall(decided)
        margins = [verdicts.get(name) for name in self.sweep.margins]
        run = Evaluation(table, limits)
        return Row(
            case=case,
            verdict=word,
            reason=self._shortened(_why(decided, word)),
            margins=tuple(each.margin if each else None for each in margins),
            units=tuple(each.unit if each and each.margin is not None else "" for each in margins),
            verdicts=tuple(
                UNTRIED if name in untried or name not in verdicts else verdicts[name].verdict
                for name in self.sweep.verdicts
            ),
            measures=tuple(taken(measure, run).value for measure in self.sweep.measures.values()),
        )

    def _bench(self, entry: CaseFile) -> Bench:
        """What the scenario names, kept from the case before where it is the same."""
        vehicle = self._vehicle(entry.vehicle, tuple(entry.vehicle_set.items()))
        controller = self._controller(entry.controller, entry.tick_us, entry.params, tuple(entry.params_set.items()))
        made = bench.put_together(entry, self.sweep.scenario_path, vehicle, controller)
        return replace(made, engine=self.wanted)

    def _standing(self, entry: CaseFile, limits: Mapping[str, float]) -> _Standing:
        """What the case is held against; read and checked once for all that differ in the limits' values alone."""
        standard = entry.standard
        key = frozenset(limits), standard.model_dump_json() if standard else ""
        if key not in self._known:
            requirements, optional = self.sweep.requirements, frozenset[str]()
            own: Mapping[str, float] = {}
            if standard is not None:
                added, with_own = standard_requirements(standard, limits)
                requirements = (*requirements, *added)
                named = {name for each in added for name in names_of(each.claim)}
                own = {name: with_own[name] for name in load_catalogue().limits if name in named}
                optional = frozenset(each.id for each in added if standard.take is None)
            if len(self._known) >= KEPT:
                self._known.clear()
            self._known[key] = _Standing(Demands(requirements, SIGNALS, {**limits, **own}), own, optional)
        return self._known[key]

    def _found_vehicle(self, name: str, overrides: tuple[tuple[str, float], ...]) -> Vehicle:
        path = self.sweep.scenario_path
        if overrides:
            return bench.with_overrides(self._vehicle(name, ()), dict(overrides), str(path))
        return load_vehicle(path.parent / name)

    def _found_controller(
        self, name: str, tick_us: int, params: str | None, overrides: tuple[tuple[str, int], ...]
    ) -> Controller:
        return load_controller(name, tick_us, params, dict(overrides), self.sweep.scenario_path.parent)

    def _table(self, ready: Bench, names: frozenset[str]) -> Table:
        """The run's columns of these names."""
        params, start = bench.physics(ready)
        tapes = self._tapes(script_of(ready.scenario, ready.vehicle, ready.water))
        prepared = Prepared(senses_params(ready.vehicle, ready.scenario.tick_us), params, start, tapes)
        with _compiling:
            chosen = engine.choose(ready.engine, ready.controller, len(tapes))
        return bench.record(ready, prepared, chosen, wanted=names)

    def _tapes(self, script: Script) -> Tapes:
        """Drawn anew only where what enters them differs from this thread's case before."""
        if getattr(self._held, "script", None) != script:
            # Two at a time would take twice the memory.
            self._held.script = self._held.tapes = None
            self._held.tapes = drawn(script)
            self._held.script = script
        tapes: Tapes = self._held.tapes
        return tapes


def _why(decided: Sequence[Verdict], word: str) -> str:
    """Why a case is what it is: the first requirement that makes it so, and how many more do."""
    found = [verdict for verdict in decided if verdict.verdict == word]
    if word == "pass":
        return ""
    if not found:
        return "no requirement was judged"
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    return f"{found[0].id}: {found[0].why}{more}"


# Where the compiler keeps its code is told to the whole process, so that threads compile one after the other.
_compiling = threading.Lock()
_lock = threading.Lock()
_runners: dict[Key, Runner] = {}


def changed(before: Mapping[str, str], now: Mapping[str, str]) -> str:
    """Which inputs are others than before, in words; empty where none is."""
    return ", ".join(sorted(role for role in {*before, *now} if before.get(role) != now.get(role)))


def offered(sweep: Sweep, wanted: str, ticks: int) -> Key:
    """Keep a sweep at hand for `run_cases`, here and in processes that are forked from this one.

    Parameters
    ----------
    wanted, ticks : see ``engine.decided``.

    Returns
    -------
    What `run_cases` takes first, in any process that has the same files.

    Raises
    ------
    InputError
        An engine that is not to be had.
    """
    whole = replace(sweep, path=sweep.path.absolute(), scenario_path=sweep.scenario_path.absolute())
    key = str(whole.path), tuple(whole.inputs.items()), wanted, ticks
    with _lock:
        _runners.clear()
        _runners[key] = Runner(whole, engine.decided(wanted, ticks))
        # A controller that compiles is compiled here once, not in each worker.
        engine.choose(_runners[key].wanted, whole.base.bench.controller, ticks)
    return key


def run_cases(key: Key, cases: Sequence[int]) -> list[Row]:
    """Run cases, in this process or any other.

    Raises
    ------
    InputError
        The files are no longer those of the sweep that was offered, or are others where this process runs.
    """
    with _lock:
        if key not in _runners:
            path, inputs, wanted, ticks = key
            sweep = load_sweep(Path(path))
            if changes := changed(dict(inputs), sweep.inputs):
                expected = "the inputs that the sweep was begun with, wherever a case is run"
                raise InputError([Fault(path, "", expected, f"a change of {changes}")])
            _runners.clear()
            _runners[key] = Runner(sweep, engine.decided(wanted, ticks))
        runner = _runners[key]
    return [runner.row(case) for case in cases]
