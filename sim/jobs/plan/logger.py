"""The blank file that a stage's logger fills, in the form that a replay reads (row 4)."""

from __future__ import annotations

from sim.jobs.plan.model import Plan, Stage
from sim.jobs.plan.numbers import LOGGED

CLOCK = "t_ms"


def blank(plan: Plan, stage: Stage) -> str:
    """Comments, the columns' names, and a line of units below them; rows come from the logger."""
    lines = [
        f"{plan.vehicle}, stage {stage.number}: {stage.title}",
        "Log at 100 Hz or more, from before power on to the end. Then, from this folder:",
        f"drydive replay {stage.logger} --plan . --stage {stage.number}",
        "hall_counts and deadman are needed; delete the columns of what you cannot log, and these lines if you like.",
        f"{CLOCK}: milliseconds, from any moment",
        *(f"{name}: {column.says}" for name, column in LOGGED.items()),
    ]
    units = [CLOCK.rpartition("_")[2], *(column.unit or "-" for column in LOGGED.values())]
    return "\n".join([*(f"# {line}" for line in lines), ",".join([CLOCK, *LOGGED]), ",".join(units)]) + "\n"
