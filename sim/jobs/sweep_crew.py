"""Who runs the cases of a sweep: processes, threads, a Dask cluster, or any executor (row 4)."""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from concurrent.futures import wait as wait_for
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sim.base.errors import Fault, InputError, one_line
from sim.jobs.sweep_case import ERROR, Key, Row, run_cases

DIED = "the process that ran it died"
# A cluster that does not answer within this is taken to be none.
ANSWER_S = 15
# One without a single worker for so long is taken to get none any more; looked at now and then.
NOBODY_S = 60.0
LOOK_S = 5.0
# A cluster with workers of which none works for so long has lost what was out, as it may when several die at once.
IDLE_S = 10.0
TRIES = 3
# The packages that log a lost scheduler, each for itself.
TALKATIVE = ("distributed", "tornado", "asyncio")


@dataclass
class Crew:
    """An executor, and what to do when a worker of it dies.

    executor : any of ``concurrent.futures``' kind.
    workers : how many cases it runs at a time.
    lost : errors that tell that a worker died; the cases it had are tried again one by one.
    renewed : a new executor, for those that are broken after a death; without it they go on by themselves.
    anybody : whether there is a worker at all, where these may go away for good.
    busy : whether one of them works.
    """

    executor: Executor
    workers: int
    lost: tuple[type[BaseException], ...] = ()
    renewed: Callable[[], Executor] | None = None
    anybody: Callable[[], bool] | None = None
    busy: Callable[[], bool] | None = None
    _out: dict[Future[list[Row]], tuple[int, ...]] = field(default_factory=dict)

    def run(self, key: Key, batches: Iterable[tuple[int, ...]]) -> Iterator[list[Row]]:
        """Rows by the batch, as they come; never more batches are out than keep the workers busy.

        Raises
        ------
        InputError
            See `run_cases`.
        """
        waiting = iter(batches)
        try:
            while True:
                lost, wrong = self._hand_out(key, waiting)
                if not (self._out or lost or wrong):
                    return
                done = self._some_of(self._out) if self._out else set()
                if self._out and not done:
                    lost += self._out.values()
                    self._out.clear()
                for future in sorted(done, key=lambda each: self._out[each]):
                    batch = self._out.pop(future)
                    error = CancelledError() if future.cancelled() else future.exception()
                    if error is None:
                        yield future.result()
                    elif isinstance(error, self.lost):
                        lost.append(batch)
                    else:
                        wrong = wrong or error
                # Rows that are there are kept before anything ends the sweep.
                if wrong is not None:
                    raise wrong
                if lost:
                    yield from self._tried_again(key, lost)
        finally:
            for future in self._out:
                future.cancel()
            self._out.clear()

    def _hand_out(
        self, key: Key, waiting: Iterator[tuple[int, ...]]
    ) -> tuple[list[tuple[int, ...]], BaseException | None]:
        """Keep two batches out for each worker; the batch that a broken executor did not take, or what it raised."""
        while len(self._out) < 2 * self.workers and (batch := next(waiting, None)) is not None:
            try:
                self._out[self.executor.submit(run_cases, key, batch)] = batch
            except self.lost:
                return [batch], None
            except Exception as error:
                return [], error
        return [], None

    def _tried_again(self, key: Key, lost: list[tuple[int, ...]]) -> Iterator[list[Row]]:
        """The cases a dead worker had, one at a time, so that the one that kills is found."""
        if self.renewed is not None:
            # A broken executor loses whatever was out.
            lost = [*lost, *self._out.values()]
            self._out.clear()
            self._renew()
        for case in sorted(case for batch in lost for case in batch):
            try:
                yield self._alone(key, case)
            except self.lost:
                self._renew()
                yield [Row(case, ERROR, DIED)]

    def _alone(self, key: Key, case: int) -> list[Row]:
        """The row of one case, asked for again where it gets lost."""
        for _ in range(TRIES):
            future = self.executor.submit(run_cases, key, (case,))
            if self._some_of([future]):
                return future.result()
        got = f"case {case} lost {TRIES} times; the rows there are are kept"
        raise InputError([Fault("", "cluster", "a cluster that works", got)])

    def _some_of(self, futures: Iterable[Future[list[Row]]]) -> set[Future[list[Row]]]:
        """Those that are done, as soon as one is; none where the workers have nothing to do, so that all are lost.

        Raises
        ------
        InputError
            The workers have gone away, and none comes back.
        """
        last_s = worked_s = time.monotonic()
        while True:
            done = wait_for(futures, None if self.anybody is None else LOOK_S, FIRST_COMPLETED).done
            if done or self.anybody is None:
                return done
            if self.anybody():
                last_s = time.monotonic()
                if self.busy is None or self.busy():
                    worked_s = last_s
                elif last_s - worked_s > IDLE_S:
                    return set()
            elif time.monotonic() - last_s > NOBODY_S:
                got = f"none for {NOBODY_S:g} s; the rows there are are kept"
                raise InputError([Fault("", "cluster", "at least one worker", got)])

    def _renew(self) -> None:
        if self.renewed is not None:
            self.executor.shutdown(wait=False, cancel_futures=True)
            self.executor = self.renewed()


def _in_worker() -> None:
    """Leave an interruption from the keyboard to the parent, and end with it however it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: multiprocessing.process.BaseProcess) -> None:
    parent.join()
    os._exit(1)


@contextmanager
def processes(workers: int) -> Iterator[Crew]:
    """A crew of processes on this machine."""

    def made() -> Executor:
        return ProcessPoolExecutor(workers, initializer=_in_worker)

    yield from _until_done(Crew(made(), workers, (BrokenExecutor,), made))


@contextmanager
def threads(workers: int) -> Iterator[Crew]:
    """A crew of threads in this process."""
    yield from _until_done(Crew(ThreadPoolExecutor(workers), workers))


def _until_done(crew: Crew) -> Iterator[Crew]:
    try:
        yield crew
    finally:
        crew.executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def cluster(address: str) -> Iterator[Crew]:
    """A crew of all workers of a Dask cluster, those too that come later.

    Parameters
    ----------
    address : of its scheduler. The workers need the same files in the same places.

    Raises
    ------
    InputError
        Dask distributed is not installed, no scheduler answers, or it goes away.
    """
    try:
        from distributed import Client
        from distributed.comm.addressing import resolve_address
        from distributed.scheduler import KilledWorker
    except ImportError as error:
        expected = "Dask distributed installed (pip install 'drydive[cluster]')"
        raise InputError([Fault("", "cluster", expected, "no such package")]) from error
    try:
        # A client that was given no address at all takes half a minute to give up.
        resolve_address(address)
        with _fewer_words():
            client: Any = Client(address, timeout=ANSWER_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        got = one_line(str(error)) or "no answer"
        raise InputError([Fault("", "cluster", "the address of a Dask scheduler", f"{address}: {got}")]) from error
    try:
        with _fewer_words(), client:
            threads_there = sum(client.nthreads().values())
            with client.get_executor(pure=False) as executor:
                yield Crew(
                    executor,
                    max(threads_there, 1),
                    (KilledWorker,),
                    anybody=lambda: bool(client.nthreads()),
                    busy=lambda: any(client.processing().values()),
                )
    except (CancelledError, OSError) as error:
        got = one_line(str(error)) or "one that went away; the rows it gave are kept"
        raise InputError([Fault("", "cluster", "a cluster that stays", got)]) from error


@contextmanager
def _fewer_words() -> Iterator[None]:
    """What the client says of a lost scheduler is a page; here it is a line.

    Some of Dask's parts have a level of their own, so quieting the parent alone leaves them talking.
    """
    named = [name for name in logging.root.manager.loggerDict if name.partition(".")[0] in TALKATIVE]
    loggers = [logging.getLogger(name) for name in {*named, *TALKATIVE}]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)
