"""What a tuning came to (row 4)."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

import sim
from sim.bench.engine import Engine
from sim.bench.run import fingerprint
from sim.jobs.search.hard import Hardest
from sim.jobs.trials import Corner
from sim.jobs.tune.binding import Binding
from sim.jobs.tune.chart import Chart
from sim.jobs.tune.drive import Drive, Figures
from sim.jobs.tune.knobs import Knobs
from sim.jobs.tune.remedies import Remedy

PERCENT = 10.0
"""Permille in a percent."""


@dataclass(frozen=True, slots=True)
class Step:
    """One power step as recommended.

    wished_permille : its cap as the parameters had it.
    binding : the limit nearest to breaking with it, over all corners.
    usual : on each ordinary day, as recommended; None where the controller crashed.
    unlimited : there too, at once to full with the guard open.
    """

    number: int
    cap: str
    wished_permille: int
    cap_permille: int
    binding: Binding | None
    usual: tuple[Figures | None, ...]
    unlimited: tuple[Figures | None, ...]


@dataclass(frozen=True, slots=True)
class Tuned:
    """What a tuning came to.

    before : all parameters as filed.
    filed : of them the knobs, every step with the cap of the strongest.
    wished : every step with the highest cap that is wished, the slowest ramp, and the guard open.
    settings : those that are recommended, each driven on every corner; empty where nothing was found.
    bare : the strongest step of them with the guard as it stood while they were looked for, which is open unless it
        is needed: what every corner keeps.
    steps : empty where nothing was found.
    wish_permille : the highest cap that is wished.
    bears_permille : the highest cap that passes everywhere with the slowest ramp; None where none does.
    relied : whether the supply guard may be what keeps a limit.
    traded : shares of the time won and of the thrust lost by a cap below that, for its quicker ramp; None where none.
    as_filed : what fails with the parameters as filed, at the strongest step; None where nothing does.
    beyond : what fails one step of the search above that.
    quicker : what fails with a ramp that is one step of the search quicker.
    held_back : what fails at the wish with the slowest ramp; None where nothing does.
    remedies : what else would let the wish be, where that fails.
    corners : those that were kept, the days not among them.
    days : how many conditions were driven besides.
    refused : why nothing was found; empty where something was.
    notes : what else the reader must know, a sentence each.
    chart : the map of ramp and cap; None where it was not asked for, or there is no ramp.
    searches : what each search for a harder day and build came to, in their order; what it broke is among the corners.
    incurable : of them those that even the gentlest drive breaks.
    """

    ride: Drive
    engine: Engine
    knobs: Knobs
    before: Mapping[str, int]
    filed: Mapping[str, int]
    wished: Mapping[str, int]
    fixed: Mapping[str, int]
    settings: Mapping[str, int]
    bare: Mapping[str, int]
    steps: tuple[Step, ...]
    wish_permille: int
    slowest_ms: int | None
    bears_permille: int | None
    relied: bool
    traded: tuple[float, float] | None
    as_filed: Binding | None
    beyond: Binding | None
    quicker: Binding | None
    held_back: Binding | None
    remedies: tuple[Remedy, ...]
    corners: tuple[Corner, ...]
    days: int
    usual_days: tuple[Corner, ...]
    runs: int
    refused: str
    notes: tuple[str, ...]
    chart: Chart | None
    searches: tuple[Hardest, ...] = ()
    incurable: tuple[Hardest, ...] = ()

    @property
    def verdict(self) -> str:
        """Whether there is a drive that keeps every limit."""
        return "fail" if self.refused or self.incurable else "pass"

    def inputs(self) -> dict[str, str]:
        """Each input by role, with a short hash of its contents."""
        bench = self.ride.case.bench
        files = [("vehicle", bench.vehicle_path), ("params", bench.controller.params_path)]
        files += [("limits", path) for path in self.ride.case.sources]
        hashes = {f"{role} {path.name}": fingerprint(path) for role, path in files if path is not None}
        return {**hashes, f"controller {bench.controller.name}": bench.controller.fingerprint()}

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        names = self.settings or self.fixed
        return {
            "verdict": self.verdict,
            "refused": self.refused,
            "settings": {
                name: {"before": self.before[name], "value": names[name], "fixed": name in self.fixed} for name in names
            },
            "steps": [self._step(step) for step in self.steps],
            "wish_permille": self.wish_permille,
            "bears_permille": self.bears_permille,
            "guard_relied_on": self.relied,
            "traded": self.traded and dict(zip(("time_won_frac", "thrust_lost_frac"), self.traded, strict=True)),
            "as_filed": self.as_filed and self.as_filed.as_json(),
            "beyond": self.beyond and self.beyond.as_json(),
            "quicker": self.quicker and self.quicker.as_json(),
            "held_back": self.held_back and self.held_back.as_json(),
            "remedies": [remedy.as_json() for remedy in self.remedies],
            "corners": [
                {
                    "name": corner.name,
                    "water": corner.water.model_dump(exclude_none=True),
                    "pack": corner.pack.model_dump(exclude_none=True),
                    "attitude": corner.attitude,
                    "vehicle_set": dict(corner.vehicle_set),
                }
                for corner in self.corners
            ],
            "searches": [
                {
                    "corner": hard.corner.name,
                    "limit": hard.requirement,
                    "margin": hard.margin,
                    "broken": hard.broken,
                    "incurable": hard in self.incurable,
                    "runs": hard.runs,
                }
                for hard in self.searches
            ],
            "conditions": self.days,
            "runs": self.runs,
            "notes": list(self.notes),
            "seed": self.ride.case.bench.scenario.seed,
            "engine": self.engine.name,
            "versions": {"drydive": sim.__version__, "python": platform.python_version(), "numpy": np.__version__},
            "inputs": self.inputs(),
        }

    def _step(self, step: Step) -> dict[str, Any]:
        return {
            "step": step.number,
            "parameter": step.cap,
            "wished_permille": step.wished_permille,
            "cap_permille": step.cap_permille,
            "binding": step.binding and step.binding.as_json(),
            "days": [
                {"name": day.name, "tuned": _worth(tuned), "unlimited": _worth(unlimited)}
                for day, tuned, unlimited in zip(self.usual_days, step.usual, step.unlimited, strict=True)
            ],
        }


def _worth(figures: Figures | None) -> dict[str, float | None] | None:
    keys = ("thrust_n", "speed_m_s", "rise_s", "bus_v_min", "bus_a_max")
    return figures and {key: getattr(figures, key) for key in keys}
