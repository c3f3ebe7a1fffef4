"""Explores a controller: every property of a scope walked to its end, proved, refuted or left open (row 4)."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace
from typing import Any

from sim.base.errors import Fault, InputError
from sim.bench.control import Controller
from sim.bench.engine import COMPILED, INTERPRETED, installed
from sim.bench.loop import ControllerError, stepped
from sim.jobs.explore import plain
from sim.jobs.explore.monitors import FOUND
from sim.jobs.explore.scope import Task
from sim.jobs.explore.space import BROKEN, ERROR, UNFINISHED, Walk

# About 160 bytes each for the reference, and so much again for the tables beside it.
STATES_MAX = 10_000_000
# In plain Python some 20 000 transitions are made in a second, and a state takes some 900 bytes.
PLAIN_STATES_MAX = 1_000_000


@dataclass(frozen=True, slots=True)
class Proof:
    """What came of one walk.

    engine_why : why it was interpreted, where compiled code was wanted; empty otherwise.
    """

    task: Task
    walk: Walk
    engine_why: str = ""

    @property
    def verdict(self) -> str:
        """pass (proved), fail (refuted) or undecided."""
        if self.walk.ended in (BROKEN, ERROR):
            return "fail"
        return "undecided" if self.walk.ended == UNFINISHED or self.idle else "pass"

    @property
    def idle(self) -> str:
        """Why a whole walk shows nothing, for what it was to show never had an occasion; empty otherwise."""
        if self.walk.reached.driven == 0:
            return "it never drives"
        steps = [step for step in self.walk.reached.power_steps if step > 0]
        return "the power step never changes" if self.task.name == "step" and len(steps) < 2 else ""

    @property
    def why(self) -> str:
        """The verdict in words."""
        walk = self.walk
        if walk.ended == BROKEN:
            return FOUND[walk.found]
        if walk.ended == ERROR:
            return walk.why
        if walk.ended == UNFINISHED:
            return f"left unfinished at {walk.states} states, and so nothing is proved"
        return f"{self.idle}, and so nothing is shown" if self.idle else "holds in every state"


@dataclass(frozen=True, slots=True)
class Exploration:
    """All of it, in the order of the scope."""

    proofs: tuple[Proof, ...]

    @property
    def verdict(self) -> str:
        """fail where anything is refuted, undecided where anything is open, else pass."""
        words = {proof.verdict for proof in self.proofs}
        return next(word for word in ("fail", "undecided", "pass") if word in words)

    @property
    def controller(self) -> Controller:
        """With the parameters of the first round."""
        return self.proofs[0].task.space.controller

    def modes(self) -> set[int]:
        """Modes reached by any walk."""
        return {mode for proof in self.proofs for mode, _ in proof.walk.reached.reasons}

    def reasons(self) -> set[int]:
        """Reasons reached by any walk."""
        return {reason for proof in self.proofs for _, reason in proof.walk.reached.reasons}

    def changes(self) -> set[tuple[int, int]]:
        """Changes of mode, as (before, after), made by any walk."""
        return {pair for proof in self.proofs for pair in proof.walk.reached.modes if pair[0] != pair[1]}


def explore(
    tasks: Sequence[Task],
    states_max: int | None = None,
    engine: str = "auto",
    workers: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> Exploration:
    """Walk every task.

    Parameters
    ----------
    states_max : states of one walk; beyond it the walk is left unfinished.
    engine : one of ``bench.engine.CHOICES``; interpreted where the controller does not compile.
    workers : walks at a time, where they are compiled; one for each core if left out.
    progress : called with the number of walks done.

    Raises
    ------
    InputError
        The compiled engine asked for, and none installed.
    """
    if engine == COMPILED and not installed():
        raise InputError([Fault("", "engine", "numba installed (pip install 'drydive[fast]')", "no such package")])
    told = progress or (lambda done: None)
    if engine == INTERPRETED or not installed():
        return _one_by_one(tasks, states_max, "", told)
    from sim.bench.compiled_loop import NotCompiledError
    from sim.jobs.explore import walker

    try:
        for task in tasks:
            walker.ready(task.space)
    except NotCompiledError as error:
        return _one_by_one(tasks, states_max, str(error), told)
    stopped = threading.Event()

    def halted(_: int) -> None:
        if stopped.is_set():
            raise InterruptedError

    def walked(task: Task) -> Proof:
        return Proof(task, _explained(task, walker.walked(task.space, states_max or STATES_MAX, halted)))

    with ThreadPoolExecutor(min(workers or os.cpu_count() or 1, len(tasks))) as pool:
        waiting = [pool.submit(walked, task) for task in tasks]
        try:
            for done, _ in enumerate(as_completed(waiting), 1):
                told(done)
        except BaseException:
            # Threads cannot be ended from outside; they look at this between two stretches of work.
            stopped.set()
            pool.shutdown(cancel_futures=True)
            raise
        return Exploration(tuple(each.result() for each in waiting))


def _one_by_one(tasks: Sequence[Task], states_max: int | None, why: str, told: Callable[[int], None]) -> Exploration:
    proofs = []
    for done, task in enumerate(tasks, 1):
        proofs.append(Proof(task, plain.walked(task.space, states_max or PLAIN_STATES_MAX), why))
        told(done)
    return Exploration(tuple(proofs))


def _explained(task: Task, walk: Walk) -> Walk:
    """A walk whose controller went wrong in compiled code, which cannot say how, with what its Python says."""
    if walk.ended != ERROR:
        return walk
    controller = task.space.controller
    logic: Any = controller.initial(controller.params)
    try:
        for tick, move in enumerate(walk.path):
            logic, _ = stepped(controller, logic, task.space.moves[move], tick * task.tick_us)
    except ControllerError as error:
        return replace(walk, why=str(error))
    return replace(walk, why="a number of the state leaves 32 bits")
