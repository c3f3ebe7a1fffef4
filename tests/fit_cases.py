"""What the tests of the fits share: recordings made in memory, and how often an interval must hold the truth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

from sim.bench.vehicle import Vehicle, load_vehicle
from sim.jobs.fit.told import Estimate, Topic
from sim.jobs.fit.trace import Given, Rest, Trace
from sim.record.recording import Recording
from sim.record.table import Table

MOORHEN = Path(__file__).parents[1] / "sim" / "moorhen" / "moorhen.yaml"
VEHICLE: Vehicle = load_vehicle(MOORHEN)

# A share that chance makes smaller in one test of two hundred.
TAIL = 0.005


def trace(
    columns: Mapping[str, np.ndarray],
    every_us: int = 1000,
    t_us: np.ndarray | None = None,
    rest: Iterable[tuple[float, float]] = (),
    changes: bool = False,
    name: str = "was.csv",
) -> Trace:
    """A recording with these columns."""
    rows = len(next(iter(columns.values())))
    clock = every_us * np.arange(rows, dtype=np.int64) if t_us is None else t_us
    stretches = tuple(Rest(*each) for each in rest)
    return Trace(Path(name), Recording(Table(clock, columns), (), (), (1, 1), changes=changes), stretches)


def given(**changes: Any) -> Given:
    """What is known beside a recording, of the demo vehicle."""
    return Given(**{"vehicle": VEHICLE, **changes})


def estimates(topic: Topic) -> dict[str, Estimate]:
    """A topic's estimates by their keys."""
    return {each.key: each for each in topic.estimates}


def untold(topic: Topic) -> dict[str, str]:
    """What a topic could not tell, and what there was instead."""
    return {each.what: each.got for each in topic.untold}


def holds(estimate: Estimate, truth: float) -> bool:
    """Whether the interval holds the truth."""
    return estimate.low <= truth <= estimate.high


def least_of(tries: int) -> int:
    """The fewest of so many 95 % intervals that may hold the truth before chance is ruled out."""
    return int(stats.binom.ppf(TAIL, tries, 0.95))


def few(held: Mapping[str, list[bool]]) -> dict[str, str]:
    """The quantities whose intervals held the truth less often than 95 % allows."""
    return {key: f"{sum(hits)} of {len(hits)}" for key, hits in held.items() if sum(hits) < least_of(len(hits))}
