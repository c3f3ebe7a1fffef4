"""The ride a drive is tuned on, and what its runs are held against (row 4)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, NamedTuple, Self

import numpy as np
from pydantic import BeforeValidator, model_validator

from sim.base.clock import US_PER_S
from sim.base.document import Entry, checked, composed, placed
from sim.base.errors import Fault, InputError
from sim.bench import run as bench
from sim.bench.control import SOURCES
from sim.jobs.case import (
    SIGNALS,
    Case,
    CaseFile,
    StandardEntry,
    distinct,
    in_full,
    kept,
    read_requirements,
    standard_requirements,
)
from sim.jobs.ride import anywhere, here, stated
from sim.record.table import Table
from sim.verdict.entry import RequirementEntry
from sim.verdict.requirement import Requirement, faults_of, names_of

LIMITS = Path(__file__).parent / "limits.yaml"

# From power-up to the press, beyond what the start takes; and from the press to the lever.
READY_S = 0.3
PULL_S = 0.3
# What is left after letting go, long enough for the slowest ramp down and for the latencies to be decided.
AFTER_S = 1.5
# Thrust and speed are taken over so long before letting go.
STEADY_S = 0.5
THRUST_FRAC = 0.9
# A propeller that pushes less than this is not driven.
DRIVEN_N = 1.0
# Columns that `figures` reads.
SHOWN = ("thrust_n", "speed_m_s", "bus_v", "bus_a", "mode", "reason")


class LimitsFile(Entry):
    """A file of limits for a tuned drive: requirements, or those of the catalogue, or both."""

    requirements: tuple[RequirementEntry, ...] = ()
    standard: Annotated[StandardEntry | None, BeforeValidator(in_full)] = None

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        distinct(self.requirements)
        return self


class Drive(NamedTuple):
    """A case, and when its rider does what.

    entry : the scenario as a file would have it, with what it is held against.
    pull_s : the lever goes to full.
    release_s : the dead-man is let go.
    """

    case: Case
    entry: CaseFile
    pull_s: float
    release_s: float

    @property
    def hold_s(self) -> float:
        """For how long the lever is held."""
        return self.release_s - self.pull_s

    @property
    def columns(self) -> frozenset[str]:
        """All that a run must leave behind to be judged."""
        named = (name for requirement in self.case.requirements for name in names_of(requirement.claim))
        return frozenset((*SHOWN, *(name for name in named if name in SIGNALS)))


class Figures(NamedTuple):
    """What a drive is worth on one run.

    rise_s : from pulling the lever to 90 % of the thrust it comes to; None where there is no thrust.
    thrust_n, speed_m_s : before letting go.
    drives : whether anything was driven while the lever was held.
    mode, reason : what the controller was in in the end, and why it held the drive down, as its codes.
    """

    rise_s: float | None
    thrust_n: float
    speed_m_s: float
    bus_v_min: float
    bus_a_max: float
    drives: bool
    mode: int
    reason: int


def prepared(
    vehicle: Path,
    controller: str,
    params: str | None = None,
    limits: Path | None = None,
    hold_s: float = 10.0,
    engine: str = "auto",
    seed: int = 1,
    control_hz: float = 1000.0,
) -> Drive:
    """A vehicle and a controller on the tuning ride: from power-up to full lever at once, held, and let go.

    Parameters
    ----------
    limits : what it is held against; the standard ones if left out.
    hold_s : how long the lever is held.

    Raises
    ------
    InputError
    """
    entry: dict[str, Any] = {
        "name": "tuning ride",
        "vehicle": str(vehicle.resolve()),
        "controller": anywhere(controller, SOURCES),
        "params": params and anywhere(params, (".yaml", ".yml")),
        "water": {"kind": "lake"},
        "attitude": "held",
        "rider": [],
        "duration_s": 1.0,
        "control_hz": control_hz,
        "seed": seed,
    }
    ready = bench.set_up(CaseFile.model_validate(entry), here())
    requirements, named, filed = held_against(limits or LIMITS, ready)
    start_s = max(stated(ready.controller).start_delay, float(ready.vehicle.esc.arm_s))
    press_s = float(ready.vehicle.supply.boot_s) + start_s + READY_S
    pull_s = round(press_s + PULL_S, 3)
    release_s = round(pull_s + hold_s, 3)
    entry |= {
        "rider": [
            {"at_s": 0.0, "deadman": False},
            {"at_s": round(press_s, 3), "deadman": True},
            {"at_s": pull_s, "lever_frac": 1.0},
            {"at_s": release_s, "deadman": False},
        ],
        "duration_s": round(release_s + AFTER_S, 3),
    }
    scenario = CaseFile.model_validate(entry)
    ready = replace(ready, scenario=scenario, engine=engine)
    case = Case(ready, requirements, named, (limits or LIMITS,))
    whole = scenario.model_copy(update={"requirements": filed.requirements, "standard": filed.standard})
    return Drive(case, whole, pull_s, release_s)


def held_against(path: Path, ready: bench.Bench) -> tuple[tuple[Requirement, ...], Mapping[str, float], LimitsFile]:
    """The requirements of a limits file that apply to a vehicle, the limits that they name, and the file.

    Raises
    ------
    InputError
    """
    data, marks, faults = composed(path, "a limits file")
    own, broken = read_requirements(data, path, marks)
    entry = checked(path, data, marks, LimitsFile, [*faults, *broken], "a limits file")
    limits: Mapping[str, float] = ready.vehicle.limits() | ready.controller.stated_s()
    found = [fault for requirement in own for fault in faults_of(requirement, SIGNALS, limits)]
    standard: tuple[Requirement, ...] = ()
    with kept(found):
        if entry.standard is not None:
            standard, limits = standard_requirements(entry.standard, limits)
            ids = {requirement.id for requirement in standard}
            found += [
                Fault("", f"requirements[{index}].id", "an id that is not in the catalogue", each.id)
                for index, each in enumerate(entry.requirements)
                if each.id in ids
            ]
    if not found and not (own or standard):
        found.append(Fault(str(path), "requirements", "at least one requirement, or standard", "none", 1, 1))
    if found:
        raise InputError(placed(found, path, marks))
    return (*own, *standard), limits, entry


def figures(table: Table, pull_s: float, release_s: float, wanted_n: float | None = None) -> Figures:
    """What a drive was worth on a run; the times are the `Drive`'s, and `wanted_n` a thrust to time instead."""
    t_s = table.t_us / US_PER_S
    thrust_n = table["thrust_n"]
    steady = (t_s >= release_s - STEADY_S) & (t_s < release_s)
    held = (t_s >= pull_s) & (t_s < release_s)
    come_to_n = float(np.mean(thrust_n[steady]))
    wanted = THRUST_FRAC * come_to_n if wanted_n is None else wanted_n
    there = np.flatnonzero(held & (thrust_n >= wanted))
    return Figures(
        rise_s=float(t_s[there[0]] - pull_s) if come_to_n > DRIVEN_N and there.size else None,
        thrust_n=come_to_n,
        speed_m_s=float(np.mean(table["speed_m_s"][steady])),
        bus_v_min=float(np.min(table["bus_v"][held])),
        bus_a_max=float(np.max(table["bus_a"][held])),
        drives=bool(np.max(thrust_n[held]) > DRIVEN_N),
        mode=int(table["mode"][steady][-1]),
        reason=int(table["reason"][steady][-1]),
    )
