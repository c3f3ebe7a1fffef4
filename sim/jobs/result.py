"""What a job leaves for other programs: verdicts, measures and events as one JSON object (row 4)."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

import sim
from sim.bench.engine import INTERPRETED, Engine
from sim.bench.events import Event
from sim.jobs.case import Judged, overall
from sim.jobs.doubts import doubts
from sim.jobs.replay import Replay
from sim.record.table import Table
from sim.verdict.requirement import Requirement, Verdict
from sim.verdict.tree import Formula, names_in

if TYPE_CHECKING:
    from sim.jobs.check import Outcome

# Column, how it is taken, unit: the figures a builder asks for first.
HEADLINES = (
    ("bus_v", "min", "V"),
    ("cell_v_min", "min", "V"),
    ("rail_v", "min", "V"),
    ("bus_a", "max", "A"),
    ("pack_a", "max", "A"),
    ("left_motor_a", "max", "A"),
    ("right_motor_a", "max", "A"),
    ("thrust_n", "max", "N"),
    ("speed_m_s", "max", "m/s"),
    ("distance_m", "last", "m"),
    ("left_pulse_us", "max", "us"),
    ("right_pulse_us", "max", "us"),
    ("pack_degc", "max", "degC"),
    ("left_esc_degc", "max", "degC"),
    ("source_j", "last", "J"),
    ("resets", "last", "1"),
)


def measures(table: Table) -> dict[str, dict[str, Any]]:
    """The headline figures that a table can give, each with its unit."""
    found = {}
    for column, how, unit in HEADLINES:
        if column in table and len(table):
            values = table[column]
            value = {"min": values.min(), "max": values.max(), "last": values[-1]}[how]
            name = column if how == "last" or column.endswith(f"_{how}") else f"{column}_{how}"
            found[name] = {"value": float(value), "unit": unit}
    return found


def closest(requirements: Sequence[Requirement], verdicts: Sequence[Verdict], table: Table) -> str:
    """The voltage or current that used up most of its room, in words; nothing where none was bounded.

    Room used is told by the margin left against how far the quantity moved, so
    that a rail that never moved is not called close for being near its limit by design.
    """
    rated = []
    for requirement, verdict in zip(requirements, verdicts, strict=True):
        if verdict.margin is None or verdict.unit not in ("V", "A") or not isinstance(requirement.claim, Formula):
            continue
        signal = next(name.name for name in names_in(requirement.claim.root) if name.name in table)
        moved = float(np.ptp(table[signal]))
        if moved > 0.0:
            rated.append((verdict.margin / moved, verdict.why))
    return min(rated)[1] if rated else ""


def as_json(
    verdicts: Sequence[Verdict],
    table: Table,
    events: Sequence[Event],
    seed: int | None,
    inputs: Mapping[str, str],
    engine: Engine,
) -> dict[str, Any]:
    """The result in the shape every command shares.

    Parameters
    ----------
    seed : of the run; None for a replay, which draws nothing.
    inputs : name and short hash of each file that went in.
    engine : what ran it.
    """
    return {
        "verdict": overall(verdicts),
        "requirements": [
            {
                "id": verdict.id,
                "verdict": verdict.verdict,
                "margin": verdict.margin,
                "unit": verdict.unit,
                "at_s": verdict.at_s,
                "why": verdict.why,
            }
            for verdict in verdicts
        ],
        "measures": measures(table),
        "events": [{"t_s": event.t_s, "what": event.what, "why": event.why} for event in events],
        "seed": seed,
        "engine": engine.name,
        "versions": {"drydive": sim.__version__, "python": platform.python_version(), "numpy": np.__version__},
        "inputs": dict(inputs),
    }


def judged_json(judged: Judged) -> dict[str, Any]:
    """The result of a scenario."""
    run = judged.run
    return as_json(judged.verdicts, run.table, run.events, run.bench.scenario.seed, judged.inputs(), run.engine)


def replay_json(done: Replay) -> dict[str, Any]:
    """The result of a replay, with what was guessed, mended and different."""
    document = as_json(done.verdicts, done.table, done.events, None, done.inputs(), Engine(INTERPRETED))
    document["notes"] = list(done.notes)
    document["mended"] = list(done.mended)
    document["doubts"] = list(doubts(done))
    if done.differences is not None:
        document["lag_s"] = done.lag_s
        document["differences"] = [each._asdict() for each in done.differences]
    return document


def demo_json(told: Sequence[Judged]) -> dict[str, Any]:
    """The chapters of the demo in order."""
    return {"scenarios": [{"name": judged.run.bench.scenario.name, **judged_json(judged)} for judged in told]}


def suite_json(outcomes: Sequence[Outcome], changes: Sequence[str] | None) -> dict[str, Any]:
    """A suite's scenarios in order; those that could not be run say why. `changes` are against a baseline."""
    scenarios = [
        {"path": outcome.path, **outcome.result}
        if outcome.result is not None
        else {"path": outcome.path, "verdict": "error", "faults": list(outcome.faults), "crash": outcome.crash}
        for outcome in outcomes
    ]
    return {"scenarios": scenarios} if changes is None else {"scenarios": scenarios, "changes": list(changes)}
