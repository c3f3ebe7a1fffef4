"""How far the motors' current pushes the throttle's reading while the lever stands (row 4)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sim.jobs.fit.interval import Fit, Floats, linear
from sim.jobs.fit.standing import Stand, has_place
from sim.jobs.fit.trace import Trace

CURRENTS = ("pack_a", "bus_a")
# A current that swings by less than this pushes nothing that could be seen.
SWING_A = 5.0
# Stretches with less of the swing than this tell little of it.
SWING_FRAC = 0.2


@dataclass(frozen=True, slots=True)
class Push:
    """The reading over the current.

    fit : counts an ampere first, then each stretch's level at no current.
    current_a, over : each row's current, and the reading less its stretch's level at no current.
    swing_a : how far the current went in one stretch.
    """

    fit: Fit
    current_a: Floats
    over: Floats
    swing_a: float

    @property
    def counts_a(self) -> float:
        """Counts an ampere; 0 where noise alone could have made it."""
        slope = float(self.fit.values[0])
        return slope if abs(slope) > float(self.fit.half[0]) else 0.0


def known_to_stand(stand: Stand) -> bool:
    """Whether something else than the reading tells that the lever stood: a push would move the reading too."""
    return stand.told or has_place(stand.trace)


def swing_of(standing: Sequence[Stand]) -> float:
    """How far the current went while the lever stood, in amperes."""
    return max((float(np.ptp(current)) for _, current in _with_current(standing)), default=0.0)


def _with_current(standing: Sequence[Stand]) -> list[tuple[Stand, Floats]]:
    return [
        (stand, current[stand.rows])
        for stand in standing
        if known_to_stand(stand) and (current := stand.trace.get(*CURRENTS)) is not None
    ]


def push_of(standing: Sequence[Stand]) -> Push | None:
    """One slope for all stretches, each with a level of its own; None where the current never swung in them."""
    swing = swing_of(standing)
    if swing < SWING_A:
        return None
    parts = [each for each in _with_current(standing) if float(np.ptp(each[1])) >= SWING_FRAC * swing]
    design = np.zeros((sum(len(current) for _, current in parts), 1 + len(parts)))
    counts = np.empty(len(design))
    at = 0
    for index, (stand, current) in enumerate(parts):
        rows = slice(at, at + len(current))
        design[rows, 0], design[rows, 1 + index] = current, 1.0
        counts[rows] = stand.counts
        at += len(current)
    fit = linear(design, counts)
    return Push(fit, design[:, 0], counts - design[:, 1:] @ fit.values[1:], swing)


def without(trace: Trace, push: Push | None) -> Trace:
    """The recording as it would be with no current near the sensor."""
    current = trace.get(*CURRENTS)
    if push is None or current is None or push.counts_a == 0.0:
        return trace
    counts = trace.table["hall_counts"] - push.counts_a * current
    return replace(trace, recording=replace(trace.recording, table=trace.table.with_columns({"hall_counts": counts})))
