"""A sequence of readings written as a scenario, on a bench where the pins read just what the script says (row 4).

The vehicle is a desk: no noise, no bounce, no filter, no water, no delay. What
stands between a hand and a pin is a tick's length at most, and is allowed for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from controllers.board import Inputs
from sim.base.clock import to_s
from sim.base.files import read_text, write_text
from sim.bench import build
from sim.bench.vehicle import load_vehicle
from sim.jobs.case import CaseFile, judge_case, load_case
from sim.jobs.explore.claims import claim
from sim.jobs.explore.explore import Proof
from sim.jobs.explore.recording import recorded
from sim.jobs.explore.sequence import TICKS_AFTER, Written, again, broken, named, readings
from sim.jobs.written import write_scenario
from sim.record.table import Table
from sim.verdict.requirement import Verdict
from sim.world import adc, hall, lever

DESK = Path(__file__).parent / "desk.vehicle.yaml"
# The chip boots in one tick, and its controller's first sample is the next.
FIRST_TICK = 1
# The cord's sense contact is seen by the chip a tick after the cord was pulled.
CORD_TICKS = 1
# Pins that nobody's hand moves: what they read on the desk.
FIXED = {"sensor_supply_mv": 5000, "bus_mv": 0, "pack_ma": 0, "left_rpm": -1, "right_rpm": -1}
LEVER_TRIES = 60


class Throttle:
    """What the desk's lever must do for a reading."""

    def __init__(self) -> None:
        vehicle = load_vehicle(DESK)
        self.magnets = build.lever_params(vehicle, 20.0)
        self.senses = build.senses_params(vehicle, 10_000)
        self.rail_v = float(vehicle.supply.rail_v_nominal)
        self.ends = (self.counts(0.0), self.counts(1.0))

    def counts(self, lever_frac: float) -> int:
        """The reading with the lever there."""
        field = float(lever.sensor_field(self.magnets, np.array([lever_frac]))[0])
        params = self.senses.hall
        _, out_v = hall.step(params, hall.initial(params), hall.Inputs(field, self.rail_v, 0.0, 0.0, 0.0, hall.SOUND))
        return adc.counts(self.senses.adc, out_v, self.rail_v)

    def lever_frac(self, counts: int) -> float | None:
        """Where the lever must be, in few digits; none for a reading that is not between its ends."""
        if counts in self.ends:
            return float(self.ends.index(counts))
        low, high = 0.0, 1.0
        if not self.ends[0] < counts < self.ends[1]:
            return None
        for _ in range(LEVER_TRIES):
            middle = 0.5 * (low + high)
            reads = self.counts(middle)
            if reads == counts:
                return next(short for digits in range(1, 18) if self.counts(short := round(middle, digits)) == counts)
            low, high = (middle, high) if reads < counts else (low, middle)
        return None

    def drift_v(self, counts: int) -> float:
        """What must be added to the sensor's output, the lever at rest, for a reading outside its ends."""
        return (counts - self.ends[0]) * self.rail_v / self.senses.adc.counts_max


def write(proof: Proof, stem: str, folder: Path) -> Written:
    """Write what a walk found as a scenario, run it again from its file, and compare.

    The desk and the parameter file are copied beside it, so that the folder can be sent to others. Where the desk
    cannot make a pin read what it must, a recording is written, to be replayed.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    pins = readings(proof)
    if any(getattr(each, name) != value for each in pins for name, value in FIXED.items()):
        return recorded(proof, stem, folder)
    space, task = proof.task.space, proof.task
    controller = space.controller
    tick_us = task.tick_us
    write_text(folder / DESK.name, read_text(DESK, "a vehicle file"))
    params: dict[str, Any] = {}
    if controller.params_path is not None:
        copy = folder / f"{stem}.params.yaml"
        write_text(copy, read_text(controller.params_path, "a parameter file"))
        params["params"] = str(copy.resolve())
    rider, faults = _script(pins, tick_us)
    path = folder / f"{stem}.{task.name}.scenario.yaml"
    case = CaseFile.model_validate(
        {
            "name": f"{stem}: {space.proof.says}",
            "says": f"The shortest sequence that breaks it, {len(pins)} ticks.",
            "vehicle": str((folder / DESK.name).resolve()),
            "controller": named(controller),
            "params_set": dict(task.params_set),
            **params,
            "water": {"kind": "air", "temperature_degc": 20.0},
            "attitude": "held",
            "rider": rider,
            "faults": faults,
            "duration_s": to_s((FIRST_TICK + len(pins) + TICKS_AFTER) * tick_us),
            "control_hz": 1e6 / tick_us,
            "requirements": [claim(task.name, proof.walk.found, space.rule, to_s(tick_us))],
        }
    )
    write_scenario(case, path, Path.cwd(), broken(proof))

    def run() -> tuple[Table, Sequence[Verdict]]:
        judged = judge_case(load_case(path))
        return judged.run.table, judged.verdicts

    return again(proof, path, run, "run as a scenario", FIRST_TICK)


def _script(pins: Sequence[Inputs], tick_us: int) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rider steps and faults that make the pins read so."""
    throttle = Throttle()
    moments: dict[int, dict[str, Any]] = {}

    def at(tick: int, key: str, value: object) -> None:
        moments.setdefault(tick, {})[key] = value

    for key, early in (("deadman", 0), ("mode_button", 0), ("kill_cord", CORD_TICKS)):
        for tick, value in _changes([getattr(each, key) for each in pins]):
            at(_moment(tick, early), key, value == 1)
    counts = [each.hall_counts for each in pins]
    faults = []
    for tick, value in _changes(counts):
        place = throttle.lever_frac(value)
        at(_moment(tick), "lever_frac", 0.0 if place is None else place)
        if place is None:
            until = next((later for later, _ in _changes(counts) if later > tick), None)
            faults.append(_fault(throttle, value, tick, until, tick_us))
    rider = [{"at_s": to_s(tick * tick_us), **moved} for tick, moved in sorted(moments.items())]
    return rider, faults


def _moment(tick: int, early: int = 0) -> int:
    """The bench's tick for one of the walk's; what the first one reads has stood since the power came on."""
    return 0 if tick == 0 else FIRST_TICK + tick - early


def _changes(values: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Each tick at which a reading is another than before, the first among them."""
    for tick, value in enumerate(values):
        if tick == 0 or value != values[tick - 1]:
            yield tick, value


def _fault(throttle: Throttle, counts: int, tick: int, until: int | None, tick_us: int) -> dict[str, Any]:
    fault: dict[str, Any] = {"at_s": to_s(_moment(tick) * tick_us)}
    if until is not None:
        fault["until_s"] = to_s(_moment(until) * tick_us)
    if counts <= 0:
        return {"kind": "sensor_short_low", **fault}
    if counts >= throttle.senses.adc.counts_max:
        return {"kind": "sensor_short_high", **fault}
    return {"kind": "sensor_drift", "amount": round(throttle.drift_v(counts), 6), **fault}
