"""Does the scenario suite notice that a controller's source was changed?

Where a change lies within one function, the function is tried alone first, on
every different argument that the suite calls it with: in a scenario all of
whose calls it answers as before, a pure function changes nothing. What may
differ runs the scenario itself, closed loop, held against its requirements. A scenario that
fails a requirement or crashes kills the change, and so does one that takes too
long. What only the frozen baseline tells apart is said, and kills nothing.
"""

from __future__ import annotations

import importlib
import json
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

import numpy as np

from controllers.board import Inputs
from sim.bench import engine
from sim.bench.control import Watched
from sim.bench.loop import NO_MODE
from sim.bench.run import Prepared, prepare, simulate
from sim.jobs.case import Case, Judged, load_case
from sim.jobs.check import SUFFIX, Outcome, as_baseline, compared
from sim.jobs.result import judged_json
from sim.verdict.requirement import judge

MODULES = ("controllers.blocks", "controllers.reference_senses", "controllers.reference")
"""The modules that may be changed, each after those it imports."""

# A scenario is over in a second or two; one that needs this long hangs.
PATIENCE_S = 60.0

# A function that the suite calls with more different arguments is not tried alone.
CALLS_MOST = 150_000

REQUIREMENT = "requirement"
CRASH = "crash"
TIMEOUT = "timeout"
BASELINE_ALONE = "baseline alone"
RUN_ALIKE = "every run alike"
CALLS_ALIKE = "every call alike"
KILLED = (REQUIREMENT, CRASH, TIMEOUT)
RANK = {kind: rank for rank, kind in enumerate((CALLS_ALIKE, RUN_ALIKE, BASELINE_ALONE))}


class TooLongError(BaseException):
    """Patience ran out; no `Exception`, so that nothing on the way takes it for a crash."""


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of a changed controller.

    kind : one of the words above. scenario, why : what told it, where something did.
    """

    kind: str
    scenario: str = ""
    why: str = ""

    @property
    def killed(self) -> bool:
        """Whether the suite notices."""
        return self.kind in KILLED


@dataclass(slots=True)
class Sound:
    """One scenario, as it goes with the sound controller.

    pins : what the controller saw tick by tick; `None` while the chip does not run.
    kills : how many changes it has killed.
    """

    name: str
    case: Case
    prepared: Prepared
    pins: list[Inputs | None]
    baseline: dict[str, Any]
    kills: int = 0


@dataclass(slots=True)
class Calls:
    """Every different argument that a function is called with in the suite.

    answers : by argument. where : the scenarios that make the call, as bits of a number in the order of the suite.
    """

    answers: dict[tuple[Any, ...], Any]
    where: dict[tuple[Any, ...], int]

    def differing(self, function: Callable[..., Any]) -> int:
        """The scenarios in which a changed function answers a call otherwise, or not at all."""
        found = 0
        for args, answer in self.answers.items():
            where = self.where[args]
            if found | where != found and not alike(function, args, answer):
                found |= where
        return found


def alike(function: Callable[..., Any], args: tuple[Any, ...], answer: Any) -> bool:
    """Whether a function answers as before."""
    try:
        return bool(function(*args) == answer)
    except Exception:
        return False


def dived(case: Case, prepared: Prepared) -> Judged:
    """The case run on tapes drawn before, and judged."""
    run = simulate(case.bench, prepared=prepared)
    verdicts = tuple(judge(requirement, run.table, case.limits) for requirement in case.requirements)
    return Judged(run, case.requirements, verdicts)


def sound(path: Path) -> Sound:
    """The scenario run and judged with the controller as it is.

    Raises
    ------
    ValueError
        It does not pass: nothing can be learned from a change then.
    """
    case = load_case(path)
    ready = prepare(case.bench)
    judged = dived(case, ready)
    if failed := failures(judged):
        raise ValueError(f"{path.name} fails with the sound controller: {failed}")
    table = judged.run.table
    rows = np.column_stack([table[name] for name in (*Inputs._fields, "mode")]).astype(np.int64).tolist()
    pins = [Inputs(*row) if mode != NO_MODE else None for *row, mode in rows]
    return Sound(path.name.removesuffix(SUFFIX), case, ready, pins, baseline_of(path, judged))


def failures(judged: Judged) -> str:
    """The sentences of the requirements that fail."""
    return "; ".join(f"{verdict.id}: {verdict.why}" for verdict in judged.verdicts if verdict.verdict == "fail")


def baseline_of(path: Path, judged: Judged) -> dict[str, Any]:
    """What the frozen baseline would keep of a run."""
    return as_baseline([Outcome(str(path), judged_json(judged), None)], path.parent)


@contextmanager
def patience(seconds: float) -> Iterator[None]:
    """Raise `TooLongError` in the block once it has taken so long."""

    def ring(signum: int, frame: object) -> None:
        raise TooLongError

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def changed_modules(name: str, source: str) -> dict[str, ModuleType]:
    """`controllers.reference` and what it is made of, one module's source changed; the sound ones stay loaded.

    Raises
    ------
    Exception
        Whatever the changed source raises when it is loaded.
    """
    sound = {each: sys.modules[each] for each in MODULES}
    package = sys.modules["controllers"]
    fresh: dict[str, ModuleType] = {}
    try:
        for each in MODULES:
            path = str(sound[each].__file__)
            text = source if each == name else Path(path).read_text(encoding="utf-8")
            module = ModuleType(each)
            module.__file__ = path
            fresh[each] = sys.modules[each] = module
            setattr(package, each.rpartition(".")[2], module)
            exec(compile(text, path, "exec", dont_inherit=True), module.__dict__)
    finally:
        for each, module in sound.items():
            sys.modules[each] = module
            setattr(package, each.rpartition(".")[2], module)
    return fresh


class Judge:
    """The suite, ready to try one changed source after another."""

    def __init__(self, folder: Path) -> None:
        for name in MODULES:
            importlib.import_module(name)
        if engine.installed():
            # With the world compiled, a mutant that runs interpreted takes a quarter of the time.
            from sim.bench import compiled_loop

            compiled_loop.world()
        paths = sorted(folder.glob(f"*{SUFFIX}"))
        self.scenarios = [sound(path) for path in paths if load_case(path).bench.controller.name == "reference"]
        self._calls = calls(self.scenarios)
        # The scenarios that killed the last changes of a function, the latest first.
        self._killers: dict[tuple[str, str], list[str]] = {}

    def fate(self, module: str, function: str | None, source: str) -> Fate:
        """What becomes of one module's changed source; `function` is where the change is, if within one."""
        try:
            with patience(PATIENCE_S):
                changed = changed_modules(module, source)
        except TooLongError:
            return Fate(TIMEOUT, why="never loaded")
        except Exception as error:
            return Fate(CRASH, why=f"at load: {type(error).__name__}: {error}")
        where = (module, function or "")
        # Without its calls at hand a change may matter anywhere.
        known = self._calls.get(where)
        candidates = -1
        if known is not None:
            try:
                with patience(PATIENCE_S):
                    candidates = known.differing(getattr(changed[module], str(function)))
            except TooLongError:
                return Fate(TIMEOUT, why="alone")
        best = Fate(RUN_ALIKE if candidates else CALLS_ALIKE)
        for scenario in self._in_order(where, candidates):
            found = tried(scenario, changed["controllers.reference"])
            if found.killed:
                scenario.kills += 1
                latest = [name for name in self._killers.get(where, []) if name != scenario.name]
                self._killers[where] = [scenario.name, *latest]
                return found
            best = max(best, found, key=lambda fate: RANK[fate.kind])
        return best

    def _in_order(self, where: tuple[str, str], candidates: int) -> Sequence[Sound]:
        """The candidates: those that killed a change of the same function first, then deadly ones, then short ones."""
        killers = self._killers.get(where, [])

        def key(scenario: Sound) -> tuple[int, float]:
            latest = killers.index(scenario.name) if scenario.name in killers else len(killers)
            return latest, len(scenario.pins) / (1 + scenario.kills)

        return sorted((each for index, each in enumerate(self.scenarios) if candidates >> index & 1), key=key)


def calls(scenarios: Sequence[Sound]) -> dict[tuple[str, str], Calls]:
    """What each function of the modules is called with in the suite, where that is not too much."""
    heard: dict[tuple[str, str], Calls] = {}
    bare = {
        (name, function.__name__): function
        for name in MODULES
        for function in vars(sys.modules[name]).values()
        if isinstance(function, FunctionType) and function.__module__ == name
    }
    now = 0

    def listening(place: tuple[str, str], function: Callable[..., Any]) -> Callable[..., Any]:
        told = heard[place] = Calls({}, {})

        def listener(*args: Any) -> Any:
            answer = function(*args)
            told.answers[args] = answer
            told.where[args] = told.where.get(args, 0) | now
            if len(told.where) > CALLS_MOST:
                heard.pop(place, None)
                setattr(sys.modules[place[0]], place[1], function)
            return answer

        return listener

    try:
        for (name, function), plain in bare.items():
            setattr(sys.modules[name], function, listening((name, function), plain))
        for index, scenario in enumerate(scenarios):
            now = 1 << index
            replay(scenario)
    finally:
        for (name, function), plain in bare.items():
            setattr(sys.modules[name], function, plain)
    return heard


def replay(scenario: Sound) -> None:
    """Let the sound controller see its recorded pins once more."""
    controller = sys.modules["controllers.reference"]
    params = scenario.case.bench.controller.params
    state = None
    for pins in scenario.pins:
        if pins is None:
            state = None
        else:
            state, _ = controller.step(params, controller.initial(params) if state is None else state, pins)


def tried(scenario: Sound, controller: ModuleType) -> Fate:
    """One scenario's word on a changed controller."""
    bench = scenario.case.bench
    changed = replace(
        bench.controller,
        initial=controller.initial,
        step=Watched(controller.step),
        modes=controller.MODES,
        reasons=controller.REASONS,
    )
    try:
        with patience(PATIENCE_S):
            judged = dived(replace(scenario.case, bench=replace(bench, controller=changed)), scenario.prepared)
    except TooLongError:
        return Fate(TIMEOUT, scenario.name, f"longer than {PATIENCE_S:g} s")
    except Exception as error:
        return Fate(CRASH, scenario.name, f"{type(error).__name__}: {error}")
    if failed := failures(judged):
        return Fate(REQUIREMENT, scenario.name, failed)
    otherwise = compared(scenario.baseline, baseline_of(bench.path, judged))
    return Fate(BASELINE_ALONE, scenario.name, otherwise[0]) if otherwise else Fate(RUN_ALIKE, scenario.name)


_the_judge: list[Judge] = []


def _told(group: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The fates of some changes, by the judge that this process was forked with."""
    told = []
    for asked in group:
        began = time.monotonic()
        fate = _the_judge[0].fate(asked["module"], asked["function"], asked["source"])
        took_s = round(time.monotonic() - began, 2)
        told.append(
            {"id": asked["id"], "kind": fate.kind, "scenario": fate.scenario, "why": fate.why, "took_s": took_s}
        )
    return told


def main(folder: Path, workers: int) -> None:
    """Tell the fates of the changes on standard input, a JSON list of groups, as JSON lines on standard output.

    The suite is got ready once; the workers are forked from that. Changes of one function belong into one group.
    """
    answers, sys.stdout = sys.stdout, sys.stderr
    groups = json.load(sys.stdin)
    _the_judge.append(Judge(folder))
    with get_context("fork").Pool(workers) as pool:
        for told in pool.imap_unordered(_told, groups):
            print("\n".join(map(json.dumps, told)), file=answers, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
