"""Many runs of one scenario, each with other values, kept as rows of what is asked for (row 4)."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sim.bench.engine import AUTO
from sim.jobs.sweep_case import ERROR, Row, offered
from sim.jobs.sweep_columns import columns_of, write_csv, write_npz
from sim.jobs.sweep_crew import Crew, processes
from sim.jobs.sweep_journal import Journal
from sim.jobs.sweep_plan import Sweep
from sim.jobs.sweep_plan import load_sweep as load_sweep
from sim.jobs.sweep_values import Value

# Cases handed out at a time: so much work that handing it out costs nothing, so little that hardly any is done again.
BATCH_TICKS = 200_000
BATCH_MOST = 64
# Of the cases that did not pass so many are told.
TOLD_MOST = 5
# The worst first.
ORDER = (ERROR, "fail", "undecided", "pass")


@dataclass(slots=True)
class Worst:
    """The lowest margin of a requirement over all cases.

    margin, case, values : of the case that has it, from 1; `None` where no case has a margin.
    unit : of the margin.
    failed : cases in which it is below zero.
    """

    id: str
    margin: float | None = None
    unit: str = "1"
    case: int | None = None
    values: Sequence[Value] = ()
    failed: int = 0


@dataclass(slots=True)
class Swept:
    """What a sweep came to; its rows are in the files.

    tally : how many cases of each verdict, the worst first.
    told : the first cases that could not be run, failed or were not decided, the worst first, from 1, and why.
    went_on_from : cases that were done before this began.
    """

    sweep: Sweep
    tally: dict[str, int]
    worst: dict[str, Worst]
    told: dict[str, list[tuple[int, str]]]
    csv: Path
    npz: Path
    went_on_from: int = 0

    @property
    def verdict(self) -> str:
        """pass, fail or undecided, by the worst case; one that could not be run fails."""
        worst = next((word for word in ORDER if self.tally[word]), "undecided")
        return "fail" if worst == ERROR else worst

    def as_json(self) -> dict[str, Any]:
        """Plain data; every case is in the CSV and the NPZ instead."""
        keys = [each.key for each in self.sweep.cases.quantities]
        return {
            "verdict": self.verdict,
            "cases": {"all": len(self.sweep.cases), **self.tally},
            "requirements": [
                {
                    "id": each.id,
                    "lowest": each.margin,
                    "unit": each.unit,
                    "case": each.case,
                    "values": dict(zip(keys, each.values, strict=True)) if each.case else {},
                    "below_zero": each.failed,
                }
                for each in self.worst.values()
            ],
            "not_passed": [
                {"case": case, "verdict": word, "why": why} for word in ORDER for case, why in self.told[word]
            ],
            "went_on_from": self.went_on_from,
            "files": [str(self.csv), str(self.npz)],
            "inputs": dict(self.sweep.inputs),
        }


def run_sweep(
    sweep: Sweep,
    out: Path,
    crew: Crew | Executor | None = None,
    progress: Callable[[int], None] | None = None,
    engine: str = AUTO,
    afresh: bool = False,
) -> Swept:
    """Run every case that has no row yet, and write all rows; the same bytes however it is run.

    Parameters
    ----------
    out : folder of the results. While the sweep is under way its rows are in a
        journal there; interrupted in any way, it goes on from it.
    crew : a crew, or any executor; a process for each core without one.
    progress : called with the number of cases done.
    engine : one of ``bench.engine.CHOICES``.
    afresh : throw an unfinished sweep's rows away.

    Raises
    ------
    InputError
        An unfinished sweep of other inputs, inputs that change on the way, a place that cannot be written to.
    """
    path = out / f"{sweep.name}.journal"
    if afresh:
        path.unlink(missing_ok=True)
    journal = Journal(path, sweep.inputs, len(sweep.cases))
    try:
        before = len(journal)
        if before < len(sweep.cases):
            _run(sweep, journal, crew, progress, engine)
        assert len(journal) == len(sweep.cases), "a case has no row"
        swept = write_files(sweep, journal, out)
        swept.went_on_from = before
        journal.remove()
        return swept
    finally:
        journal.close()


def _run(
    sweep: Sweep,
    journal: Journal,
    crew: Crew | Executor | None,
    progress: Callable[[int], None] | None,
    engine: str,
) -> None:
    """Fill the journal."""
    scenario = sweep.base.bench.scenario
    ticks = scenario.duration_us // scenario.tick_us
    left = len(sweep.cases) - len(journal)
    cores = os.cpu_count() or 1
    workers = crew.workers if isinstance(crew, Crew) else min(cores, left)
    size = min(max(BATCH_TICKS // max(ticks, 1), 1), BATCH_MOST, -(-left // (4 * workers)))
    # Before any worker starts, which then finds the sweep read and the loop compiled.
    key = offered(sweep, engine, -(-left // workers) * ticks)
    given = Crew(crew, workers) if isinstance(crew, Executor) else crew
    own: AbstractContextManager[Crew] = nullcontext(given) if given else processes(workers)
    done = len(journal)
    if progress is not None:
        progress(done)
    with own as working:
        for rows in working.run(key, _batches(sweep, journal, size)):
            journal.add(rows)
            done += len(rows)
            if progress is not None:
                progress(done)


def _batches(sweep: Sweep, journal: Journal, size: int) -> Iterator[tuple[int, ...]]:
    """The cases without a row, those with the same tapes beside each other."""
    batch: list[int] = []
    for place in range(len(sweep.cases)):
        case = sweep.position(place)
        if case not in journal:
            batch.append(case)
        if len(batch) == size:
            yield tuple(batch)
            batch = []
    if batch:
        yield tuple(batch)


def write_files(sweep: Sweep, journal: Journal, out: Path) -> Swept:
    """The files of a sweep whose cases are all done, and what they come to."""
    columns = columns_of(sweep)
    csv, npz = (out / f"{sweep.name}.{ending}" for ending in ("csv", "npz"))
    swept = Swept(sweep, dict.fromkeys(ORDER, 0), {name: Worst(name) for name in sweep.margins}, {}, csv, npz)
    swept.told = {word: [] for word in ORDER}

    def cases() -> Iterator[tuple[Sequence[Value], Row]]:
        return ((sweep.cases.values(row.case), row) for row in journal.rows())

    widths = write_csv(columns, (_counted(swept, values, row) for values, row in cases()), csv)
    write_npz(columns, cases(), len(sweep.cases), widths, npz)
    return swept


def _counted(swept: Swept, values: Sequence[Value], row: Row) -> tuple[Sequence[Value], Row]:
    """Take one more row into account."""
    swept.tally[row.verdict] += 1
    if row.verdict != "pass" and len(swept.told[row.verdict]) < TOLD_MOST:
        swept.told[row.verdict].append((row.case + 1, row.reason))
    for worst, margin, unit in zip(swept.worst.values(), row.margins, row.units, strict=False):
        if margin is None:
            continue
        worst.failed += margin < 0.0
        if worst.margin is None or margin < worst.margin:
            worst.margin, worst.unit, worst.case, worst.values = margin, unit, row.case + 1, values
    return values, row
