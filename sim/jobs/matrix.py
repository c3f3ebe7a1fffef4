"""Every kind of fault in every phase of a ride and in several waters, and what became of each (row 4)."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import US_PER_S, to_us
from sim.base.errors import Fault, InputError, did_you_mean, one_line
from sim.bench import run as bench
from sim.bench.scenario import FaultKind, WaterEntry
from sim.jobs.ride import NO_FAULT, PHASES, PUSHES_N, Ride, Script, here, scenario, script
from sim.jobs.written import write_scenario
from sim.record.table import Table
from sim.verdict.requirement import judge
from sim.world import supply

KINDS: tuple[str, ...] = get_args(FaultKind)
ALL_WATERS: tuple[str, ...] = tuple(
    name for name in get_args(WaterEntry.model_fields["kind"].annotation) if name != "given"
)
WATERS = ("lake", "pool", "brackish")
"""The waters taken unless others are asked for: a dry-ish one, one that wets, one in which contacts hardly let go."""

# Phases whose fault is to meet a vehicle under way.
DRIVING = ("ramping", "full", "releasing", "after reset")
# "Just before" reaches back so far.
JUST_S = 0.1
# Drive that comes back sooner has not been stopped.
PAUSE_S = 0.5

SAFE_STOP = "safe stop"
SAFE_DEGRADED = "safe degraded"
UNSAFE = "unsafe"
UNDECIDED = "undecided"
ERROR = "error"
OUTCOMES = (ERROR, UNSAFE, UNDECIDED, SAFE_DEGRADED, SAFE_STOP)
"""Every outcome, the worst first."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What became of one fault in one phase and one water.

    latency_s : time to the safe state; None where there is none.
    since : what it counts from: "fault", "dead-man" (let go) or "cord" (pulled).
    at_s : the moment at which an unsafe cell went wrong.
    drove : whether there was any drive at all.
    """

    kind: str
    phase: str
    water: str
    outcome: str
    why: str
    latency_s: float | None = None
    since: str = ""
    at_s: float | None = None
    drove: bool = False


@dataclass(frozen=True, slots=True)
class Matrix:
    """All cells: water by water, phase by phase, first nothing broken and then kind by kind."""

    ride: Ride
    waters: tuple[str, ...]
    phases: tuple[str, ...]
    kinds: tuple[str, ...]
    cells: tuple[Cell, ...]

    def cell(self, kind: str, phase: str, water: str) -> Cell:
        """One cell by its three names.

        Raises
        ------
        KeyError
        """
        for each in self.cells:
            if (each.kind, each.phase, each.water) == (kind, phase, water):
                return each
        raise KeyError((kind, phase, water))

    def tally(self) -> dict[str, int]:
        """How many cells of each outcome, the worst first."""
        return {outcome: sum(cell.outcome == outcome for cell in self.cells) for outcome in OUTCOMES}

    def worst(self) -> tuple[Cell, ...]:
        """Errors, then unsafe cells, each in their order."""
        return tuple(cell for outcome in (ERROR, UNSAFE) for cell in self.cells if cell.outcome == outcome)

    def write(self, cell: Cell, path: Path) -> None:
        """Write a cell as a scenario file; it fails a requirement exactly if the cell is unsafe.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        case = scenario(self.ride, cell.kind, cell.phase, cell.water)
        write_scenario(case, path, here().parent, f"One cell of a fault matrix: {cell.outcome}.\n{cell.why}")

    def as_json(self) -> dict[str, Any]:
        """Plain data: the tally, and each cell by its fields."""
        return {"tally": self.tally(), "cells": [asdict(cell) for cell in self.cells]}


def matrix(
    ride: Ride,
    waters: Sequence[str] = WATERS,
    phases: Sequence[str] = PHASES,
    kinds: Sequence[str] = KINDS,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Matrix:
    """Run every cell; the result is the same bit for bit however it is run.

    A cell that ends in an exception has the outcome "error" and its text; the
    others go on.

    Parameters
    ----------
    ride : made by ``ride.prepared``.
    executor : any of ``concurrent.futures``' kind; a process for each core without one.
    progress : called with the cells done and the cells in all.

    Raises
    ------
    InputError
        A water, phase or kind that is none.
    """
    faults = [
        Fault("", what, f"one of {', '.join(known)}{did_you_mean(name, known)}", name)
        for what, given, known in (("water", waters, ALL_WATERS), ("phase", phases, PHASES), ("kind", kinds, KINDS))
        for name in given
        if name not in known
    ]
    if faults:
        raise InputError(faults)
    names = [(kind, phase, water) for water in waters for phase in phases for kind in (NO_FAULT, *kinds)]
    if executor is not None:
        cells = _gathered(ride, names, executor, progress)
    else:
        with ProcessPoolExecutor(min(os.cpu_count() or 1, len(names) or 1)) as own:
            cells = _gathered(ride, names, own, progress)
    whole = {(cell.phase, cell.water): cell for cell in cells if cell.kind == NO_FAULT}
    return Matrix(
        ride=ride,
        waters=tuple(waters),
        phases=tuple(phases),
        kinds=tuple(kinds),
        cells=tuple(_compared(cell, whole[cell.phase, cell.water]) for cell in cells),
    )


def _gathered(
    ride: Ride,
    names: Sequence[tuple[str, str, str]],
    executor: Executor,
    progress: Callable[[int, int], None] | None,
) -> list[Cell]:
    futures = {executor.submit(tried, ride, *name): name for name in names}
    done: dict[tuple[str, str, str], Cell] = {}
    for future in as_completed(futures):
        name = futures[future]
        error = future.exception()
        done[name] = Cell(*name, ERROR, _told(error)) if error else future.result()
        if progress is not None:
            progress(len(done), len(names))
    return [done[name] for name in names]


def _compared(cell: Cell, whole: Cell) -> Cell:
    """Where nothing drives with nothing broken, no drive with something broken proves nothing."""
    if whole.outcome == ERROR or whole.drove or cell.drove or cell.outcome != SAFE_STOP:
        return cell
    why = f"{whole.why[:-1]}, even with nothing broken."
    return replace(cell, outcome=UNDECIDED, why=why, latency_s=None, since="")


def tried(ride: Ride, kind: str, phase: str, water: str) -> Cell:
    """Run one cell and judge it; whatever goes wrong in it becomes its outcome."""
    blank = Cell(kind, phase, water, ERROR, "")
    try:
        case = scenario(ride, kind, phase, water)
        run = bench.simulate(bench.set_up(case, here()))
        found = [(entry, judge(entry.requirement(""), run.table, run.limits)) for entry in case.requirements]
        broken = [(verdict.at_s or 0.0, entry.says) for entry, verdict in found if verdict.verdict == "fail"]
        return judged(blank, run, script(ride, phase), broken)
    except Exception as error:
        return replace(blank, why=_told(error))


def _told(error: BaseException) -> str:
    return one_line(f"{type(error).__name__}: {error}")


def judged(blank: Cell, run: bench.Run, when: Script, broken: Sequence[tuple[float, str]]) -> Cell:
    """The cell with its outcome, as its run shows it.

    Drive here is drive asked for, or a thruster that pushes.

    - unsafe: a rule is broken; the earliest is told.
    - undecided: the fault comes in a phase of driving, and there was no drive before it.
    - safe degraded: there is drive until the dead-man is let go, which ends it.
    - safe stop: there is none by then, though the lever is pulled; or the fault
      comes later; or letting go ends nothing and the kill cord does.

    Parameters
    ----------
    broken : when each broken rule is, and what it says.
    """
    drives = _drives(run.table, run.limits["stop_us"])
    t_s = run.table.t_us / US_PER_S
    cell = replace(blank, drove=bool(drives.any()))

    def seen(from_s: float, to_s: float) -> NDArray[np.float64]:
        return t_s[drives & (t_s >= from_s) & (t_s < to_s)]

    if broken:
        at_s, says = min(broken)
        return replace(cell, outcome=UNSAFE, at_s=at_s, why=f"{says[:-1]}; broken at {at_s:.2f} s.")
    comes_s = when.fault_s if when.reset_s is None else when.reset_s
    if cell.phase in DRIVING and not seen(comes_s - JUST_S, comes_s).size:
        why = f"There is no drive for it to meet: {_idle(run, comes_s)}."
        return replace(cell, outcome=UNDECIDED, why=why)
    after = seen(when.fault_s, when.end_s)
    last_s = float(after[-1]) if after.size else when.fault_s
    if last_s >= when.cord_s:
        why = "Letting go of the dead-man does not end the drive, pulling the kill cord does."
        return replace(cell, outcome=SAFE_STOP, latency_s=last_s - when.cord_s, since="cord", why=why)
    if seen(when.release_s - JUST_S, when.release_s).size:
        outcome, why = SAFE_DEGRADED, "Drive goes on within the rules until letting go of the dead-man ends it."
        if when.fault_s > when.release_s:
            outcome, why = SAFE_STOP, "Letting go of the dead-man ends the drive, and nothing brings it back."
        return replace(cell, outcome=outcome, latency_s=last_s - when.release_s, since="dead-man", why=why)
    # A stop is timed from where the drive that it ended began, if that was after the fault.
    pauses = np.flatnonzero(np.diff(after) > PAUSE_S)
    begun_s = float(after[pauses[-1] + 1 if pauses.size else 0]) if after.size else when.fault_s
    said = f"Drive ends: {_reason(run, when.release_s)}." if after.size else ""
    why = said or f"There is no drive: {_idle(run, when.release_s)}."
    return replace(cell, outcome=SAFE_STOP, latency_s=last_s - begun_s, since="fault", why=why)


def _drives(table: Table, stop_us: float) -> NDArray[np.bool_]:
    drives = np.zeros(len(table), dtype=np.bool_)
    for side in ("left", "right"):
        drives |= (table[f"{side}_pulse_us"] > stop_us) | (table[f"{side}_thrust_n"] > PUSHES_N)
    return drives


def _idle(run: bench.Run, at_s: float) -> str:
    """Why there is no drive at a moment, with what the controller is in: it may tell what it waits for."""
    return run.bench.controller.in_words(_reason(run, at_s), run.table["mode"][_index(run, at_s)])


def _index(run: bench.Run, at_s: float) -> int:
    return int(np.searchsorted(run.table.t_us, to_us(at_s))) - 1


def _reason(run: bench.Run, at_s: float) -> str:
    """Why there is no drive at a moment, in the controller's words as far as it has any."""
    table = run.table
    index = _index(run, at_s)
    if table["chip"][index] != supply.RUNNING:
        return "the chip is not running"
    said = run.bench.controller.reasons.get(int(table["reason"][index]), "")
    if not said and table["lever_permille"][index] <= 0.0:
        return "the controller takes the lever to be at rest"
    return said or "the controller gives no reason"
