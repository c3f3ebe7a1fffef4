"""Sentences of a plan that follow from its numbers: the day, the free way, and what to know of it (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sim.bench import run as bench
from sim.jobs.plan import expect, gesture
from sim.jobs.plan.model import Stage
from sim.jobs.plan.throttle import CALIBRATED, calibrates

# Full lever for the ride, and as much again to come to rest in.
RIDE_S = 12.0


def day(charge_frac: float, degc: float, around: str) -> tuple[str, ...]:
    """What pack and surroundings are to be like on the day."""
    low, high = (max(0.0, min(1.0, charge_frac + side * expect.CHARGE_BAND)) for side in (-1.0, 1.0))
    band = f"{degc - expect.DEGC_BAND:g} to {degc + expect.DEGC_BAND:g} degC"
    return (f"pack {100.0 * low:.0f} to {100.0 * high:.0f} % charged", f"pack and {around} at {band}")


def with_reach(stages: Sequence[Stage]) -> list[Stage]:
    """The stages with the free way put in that their fastest ride asks for."""
    told = []
    for stage in stages:
        speeds = [n.high for n in stage.numbers if n.id.endswith(".speed") and n.high is not None]
        reach = f"{10.0 * math.ceil(max(speeds) * RIDE_S / 10.0):.0f} m" if speeds else "the length of a ride"
        before = tuple(line.replace("{reach}", reach) for line in stage.before)
        told.append(stage.model_copy(update={"before": before}))
    return told


def notes(ready: bench.Bench, way: gesture.Gesture | None, steps: int, tolerances: int) -> tuple[str, ...]:
    """What whoever reads the plan has to know of how it came about."""
    found = [gesture.note(way, steps)]
    if tolerances == 0:
        found.append(
            "The vehicle file gives no number a tolerance: the bands hold only chance, the day and the hands. Write "
            "'1.2 +- 10%' where a number is not known better, and make the plan anew."
        )
    if not calibrates(ready.controller.params):
        found.append(
            f"The controller has no {' and '.join(CALIBRATED)} among its parameters: its calibration is taken as "
            "right, and every build's throttle reads as the vehicle file has it."
        )
    if not ready.vehicle.readings.propeller_speed:
        found.append("The ESCs report no speed to the chip: log shafts by other means, or watch and listen.")
    return tuple(note for note in found if note)
