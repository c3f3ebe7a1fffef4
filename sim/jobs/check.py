"""The regression suite: every scenario of a folder, judged side by side, compared with what was (row 4)."""

from __future__ import annotations

import json
import os
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from sim.base.errors import Fault, InputError
from sim.base.files import read_text
from sim.bench.control import Controller
from sim.bench.engine import AUTO, INTERPRETED, MIXED, decided
from sim.bench.loop import NO_MODE, ControllerError
from sim.jobs.branches import Arcs, traced
from sim.jobs.case import judge_case, load_case, on_engine
from sim.jobs.result import judged_json
from sim.record.table import Table

SUFFIX = ".scenario.yaml"
# The same run gives the same bits on one machine; another's libraries may round its last digits otherwise.
SAME_FRAC = 1e-9
# About the length of a scenario, to tell whether compiling pays before any of them is read.
USUAL_TICKS = 6000


class Visited(NamedTuple):
    """What a run of a controller went through; numbers as in its MODES and REASONS."""

    controller: str
    modes: frozenset[int]
    changes: frozenset[tuple[int, int]]
    reasons: frozenset[int]
    mode_words: Mapping[int, str]
    reason_words: Mapping[int, str]


@dataclass(frozen=True, slots=True)
class Outcome:
    """One scenario of a suite.

    result : as every command's JSON; `None` where the scenario could not be run.
    faults : what is wrong with its input, a line each.
    crash : what went wrong while it ran, with the place; empty where nothing did.
    arcs : what was executed of the controller, where that was asked for.
    """

    path: str
    result: Mapping[str, Any] | None
    visited: Visited | None
    faults: tuple[str, ...] = ()
    crash: str = ""
    arcs: Arcs | None = None

    @property
    def verdict(self) -> str:
        """pass, fail, undecided, or error where there is no result."""
        return "error" if self.result is None else str(self.result["verdict"])


def find(paths: Sequence[Path]) -> list[Path]:
    """Scenario files: those named, and all below the folders named, in order of their names.

    Raises
    ------
    InputError
        A path that does not exist, or a folder without a scenario.
    """
    found: list[Path] = []
    faults = []
    for path in paths:
        if path.is_dir():
            inside = sorted(path.rglob(f"*{SUFFIX}"))
            if not inside:
                faults.append(Fault(str(path), "", f"a folder with *{SUFFIX} files", "none"))
            found += inside
        elif path.is_file():
            found.append(path)
        else:
            faults.append(Fault(str(path), "", "a scenario file or a folder of them", "no such file or folder"))
    if faults:
        raise InputError(faults)
    return list(dict.fromkeys(found))


def check(
    paths: Sequence[Path],
    executor: Executor | None = None,
    progress: Callable[[int], None] | None = None,
    engine: str = AUTO,
    branches: bool = False,
) -> list[Outcome]:
    """Run and judge scenarios on all cores; one that crashes is its own failure and the rest go on.

    Parameters
    ----------
    executor : any ``concurrent.futures`` executor; a process for each core without one.
    progress : called with the number done.
    engine : one of ``bench.engine.CHOICES``.
    branches : measure what is executed of the controllers, which are then interpreted.

    Returns
    -------
    list of Outcome, in the order of `paths` however they were run
    """
    workers = min(os.cpu_count() or 1, max(len(paths), 1))
    # Decided before the workers start, which then find the compiled loop at hand.
    # Machine code has no lines: where branches are looked for, the controllers run as Python.
    engine = INTERPRETED if branches else decided(engine, len(paths) * USUAL_TICKS // workers)
    work = partial(run_one, engine=engine, branches=branches)
    if executor is not None:
        return list(_gathered(paths, executor, progress, work))
    with ProcessPoolExecutor(workers) as own:
        return list(_gathered(paths, own, progress, work))


def _gathered(
    paths: Sequence[Path],
    executor: Executor,
    progress: Callable[[int], None] | None,
    work: Callable[[str], Outcome],
) -> Iterator[Outcome]:
    futures = {executor.submit(work, str(path)): str(path) for path in paths}
    done: dict[str, Outcome] = {}
    for future in as_completed(futures):
        path = futures[future]
        error = future.exception()
        # A worker that died took its scenario with it.
        done[path] = Outcome(path, None, None, crash=f"{type(error).__name__}: {error}") if error else future.result()
        if progress is not None:
            progress(len(done))
    return (done[str(path)] for path in paths)


def run_one(path: str, engine: str = AUTO, branches: bool = False) -> Outcome:
    """One scenario to its outcome; whatever goes wrong becomes part of it."""
    if branches:
        # Machine code leaves no trace of its source: at most the world around the controller is compiled.
        outcome, arcs = traced(partial(run_one, path, INTERPRETED if engine == INTERPRETED else MIXED))
        return replace(outcome, arcs=arcs)
    try:
        judged = judge_case(on_engine(load_case(Path(path)), engine))
        return Outcome(path, judged_json(judged), visited(judged.run.bench.controller, judged.run.table))
    except InputError as error:
        return Outcome(path, None, None, faults=tuple(str(fault) for fault in error.faults))
    except ControllerError as error:
        return Outcome(path, None, None, crash=str(error))
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        return Outcome(path, None, None, crash=f"{type(error).__name__}: {error} ({place.filename}:{place.lineno})")


def visited(controller: Controller, table: Table) -> Visited:
    """Modes, changes of mode and reasons that a run went through while the chip ran."""
    mode, reason = table["mode"].astype(np.int64), table["reason"].astype(np.int64)
    running = mode != NO_MODE
    edges = np.flatnonzero((mode[1:] != mode[:-1]) & running[1:] & running[:-1])
    changes = {(int(mode[index]), int(mode[index + 1])) for index in edges}
    return Visited(
        controller.name,
        frozenset(np.unique(mode[running]).tolist()),
        frozenset(changes),
        frozenset(np.unique(reason[running]).tolist()),
        dict(controller.modes),
        dict(controller.reasons),
    )


def merged(outcomes: Sequence[Outcome]) -> dict[str, Visited]:
    """What the whole suite went through, by controller."""
    found: dict[str, Visited] = {}
    for outcome in outcomes:
        now = outcome.visited
        if now is not None:
            before = found.get(now.controller, now)
            found[now.controller] = now._replace(
                modes=before.modes | now.modes,
                changes=before.changes | now.changes,
                reasons=before.reasons | now.reasons,
            )
    return found


def as_baseline(outcomes: Sequence[Outcome], root: Path) -> dict[str, Any]:
    """The behaviour of a suite, to be kept and compared with: verdicts, margins, measures, order of events."""
    return {
        _key(outcome.path, root): {
            "requirements": {
                entry["id"]: {"verdict": entry["verdict"], "margin": entry["margin"]}
                for entry in outcome.result["requirements"]
            },
            "measures": {name: figure["value"] for name, figure in outcome.result["measures"].items()},
            "events": [event["what"] for event in outcome.result["events"]],
        }
        for outcome in outcomes
        if outcome.result is not None
    }


def baseline_text(baseline: Mapping[str, Any]) -> str:
    """A baseline as it is written: sorted and indented, so that a review shows what changed."""
    return json.dumps(baseline, indent=1, sort_keys=True, allow_nan=False) + "\n"


def read_baseline(path: Path) -> dict[str, Any]:
    """A baseline written before.

    Raises
    ------
    InputError
        No such file, or not a baseline.
    """
    text = read_text(path, "a baseline file (JSON); --update writes one")
    try:
        baseline = json.loads(text)
    except json.JSONDecodeError as error:
        raise InputError([Fault(str(path), "", "valid JSON", error.msg, error.lineno, error.colno)]) from error
    shaped = isinstance(baseline, dict) and all(
        isinstance(kept, dict) and {"requirements", "measures", "events"} <= set(kept) for kept in baseline.values()
    )
    if not shaped:
        raise InputError([Fault(str(path), "", "scenarios with requirements, measures and events", "something else")])
    return dict(baseline)


def compared(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """What behaves otherwise than before, a line each, even where all still passes."""
    lines = [f"{name}: no longer in the suite" for name in before if name not in now]
    for name, kept in now.items():
        if name not in before:
            lines.append(f"{name}: new")
            continue
        lines += [f"{name}: {line}" for line in _differences(before[name], kept)]
    return lines


def _differences(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    for key in dict.fromkeys([*before["requirements"], *now["requirements"]]):
        was, is_ = before["requirements"].get(key), now["requirements"].get(key)
        if was is None or is_ is None:
            yield f"{key}: {'new' if was is None else 'gone'}"
        elif was["verdict"] != is_["verdict"]:
            yield f"{key}: {was['verdict']} -> {is_['verdict']}"
        elif not _same(was["margin"], is_["margin"]):
            yield f"{key}: margin {_figure(was['margin'])} -> {_figure(is_['margin'])}"
    for key in dict.fromkeys([*before["measures"], *now["measures"]]):
        was, is_ = before["measures"].get(key), now["measures"].get(key)
        if not _same(was, is_):
            yield f"{key}: {_figure(was)} -> {_figure(is_)}"
    if before["events"] != now["events"]:
        yield _first_event(before["events"], now["events"])


def _first_event(before: Sequence[str], now: Sequence[str]) -> str:
    for index, (was, is_) in enumerate(zip(before, now, strict=False)):
        if was != is_:
            return f"event {index + 1}: {was} -> {is_}"
    longer, word = (before, "gone") if len(before) > len(now) else (now, "new")
    return f"event {min(len(before), len(now)) + 1}: {longer[min(len(before), len(now))]} ({word})"


def _same(was: float | None, now: float | None) -> bool:
    if was is None or now is None:
        return was is now
    return abs(was - now) <= SAME_FRAC * max(abs(was), abs(now), 1.0)


def _figure(value: float | None) -> str:
    return "none" if value is None else f"{value:.6g}"


def _key(path: str, root: Path) -> str:
    """A scenario's name in the baseline: its path from the baseline's folder, the same from every working folder."""
    return Path(os.path.relpath(Path(path).resolve(), root.resolve())).as_posix()
