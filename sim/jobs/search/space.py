"""What a search may change of a scenario, and the scenario that a row of numbers between 0 and 1 stands for (row 4)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from sim.base.errors import Fault, InputError, did_you_mean
from sim.bench.run import Bench, with_overrides
from sim.bench.scenario import FaultKind, FaultStep, RiderStep, Scenario, WaterEntry
from sim.bench.tapes import water_of
from sim.jobs.corners import toleranced
from sim.jobs.envelope import Age, Envelope
from sim.jobs.ride import stated
from sim.jobs.search import script
from sim.jobs.search.days import Band, Builds, Chance, Changed, Day, Films, Packs, Part
from sim.jobs.search.script import Genes, picked, reached, spread

Vary = Literal["rider", "water", "supply", "faults", "vehicle"]
VARIED: tuple[str, ...] = get_args(Vary)
"""What may be varied."""
USUAL = ("rider", "water", "supply")
"""What is varied unless told otherwise: broken, or badly built, no vehicle keeps every requirement."""

KINDS: tuple[str, ...] = get_args(FaultKind)

FAULTS_MAX = 2
GENES_PER_FAULT = 4
LASTS_S = (0.02, 4.0)
AMOUNTS: Mapping[str, Band] = {
    "sensor_drift": (-1.0, 1.0),
    "sensor_noise": (0.02, 0.5),
    "sensor_dropped": (0.1, 1.0),
    "joint_corroded": (0.005, 0.2),
    "left_fouled": (1.2, 5.0),
    "right_fouled": (1.2, 5.0),
}
"""The amounts of faults that are tried: from what may pass unnoticed to what hardly could."""
# So long after the last thing that the rider does something may still break.
BREAKS_AFTER_S = 1.5
# However far a requirement looks, this share of the run at most is kept free for it.
TAIL_FRAC_MAX = 0.25
# A careful rider starts so long after the controller may be started.
READY_S = 0.3


@dataclass(frozen=True, slots=True)
class Space:
    """All that a search may try.

    own : the scenario as its file has it.
    days : what is read of every point: water, supply, vehicle, chance.
    rides : whether the rider's script is varied.
    kinds : faults that may be tried; empty where none are.
    bounded : whether the scenario's own day may lie outside of all that is tried, so that nothing goes back to it.
    tail_s : how long a run goes on after the last thing that happens in it, at least.
    start_s : from when on a careful rider starts.
    """

    own: Scenario
    days: tuple[Part, ...]
    rides: bool = False
    kinds: tuple[str, ...] = ()
    bounded: bool = False
    tail_s: float = 0.0
    start_s: float = 0.0

    @property
    def size(self) -> int:
        """How many numbers a point has."""
        # One more than the script's own: how long the run goes on after it.
        ridden = (script.GENES + 1) * self.rides + FAULTS_MAX * GENES_PER_FAULT * bool(self.kinds)
        return ridden + sum(part.size for part in self.days)

    def scenario(self, point: Sequence[float]) -> Scenario:
        """The scenario that a point stands for; its vehicle's numbers are not checked against each other."""
        genes = list(point)
        changed: dict[str, Any] = {}
        numbers: dict[str, float] = dict(self.own.vehicle_set)
        for part in self.days:
            read = part.read(genes[: part.size])
            genes = genes[part.size :]
            numbers |= read.pop("vehicle_set", {})
            changed |= read
        if self.rides:
            changed |= self._ridden(genes[: script.GENES], genes[script.GENES])
            genes = genes[script.GENES + 1 :]
        ridden = self.own.model_copy(update={**changed, "vehicle_set": numbers})
        return self._broken(ridden, genes) if self.kinds else ridden

    def day(self, scenario: Scenario) -> list[float]:
        """The numbers of a point, as far as they tell the day and the build, that a scenario stands for."""
        return [gene for part in self.days for gene in part.written(scenario)]

    def _ridden(self, genes: Genes, stay: float) -> Changed:
        """A script, and a run that is as long as it needs to be."""
        own = self.own
        tail_s = min(self.tail_s, TAIL_FRAC_MAX * own.duration_s)
        until_s = max([own.duration_s - tail_s, *(step.at_s for step in own.rider)])
        rider = script.script(genes, own.rider, self.start_s, until_s)
        last_s = max([*(step.at_s for step in rider), *(fault.at_s for fault in own.faults)], default=0.0)
        end_s = min(last_s + tail_s, own.duration_s)
        return {"rider": rider, "duration_s": round(end_s + stay * stay * (own.duration_s - end_s), 3)}

    def _broken(self, ridden: Scenario, genes: Genes) -> Scenario:
        """The scenario with something broken, early enough to be seen."""
        tick_s = ridden.tick_us / 1e6
        last_s = max((step.at_s for step in ridden.rider), default=0.0) + BREAKS_AFTER_S
        last_s = max(min(last_s, ridden.duration_s - 3.0 * tick_s), 0.0)
        found = list(self.own.faults)
        for number in range(FAULTS_MAX):
            kind, at, lasts, amount = genes[number * GENES_PER_FAULT :][:GENES_PER_FAULT]
            # The first always breaks, any other now and then.
            if number and kind < 0.5:
                continue
            kind = 2.0 * kind - 1.0 if number else kind
            # Rounded up it could come after the last tick.
            at_s = min(round(at * last_s, 2), round(last_s, 6))
            found.append(_fault(picked(kind, self.kinds), at_s, lasts, amount, tick_s))
        seen_s = min(max(fault.at_s for fault in found) + self.tail_s, self.own.duration_s)
        ordered = tuple(sorted(found, key=lambda fault: fault.at_s))
        return ridden.model_copy(
            update={"faults": ordered, "duration_s": max(ridden.duration_s, round(seen_s, 3))},
        )


def _fault(kind: str, at_s: float, lasts: float, amount: float, tick_s: float) -> FaultStep:
    """A fault; half of all stay."""
    until_s = None if lasts < 0.5 else round(at_s + max(spread(2.0 * lasts - 1.0, *LASTS_S), 2.0 * tick_s), 4)
    sized = reached(amount, *AMOUNTS[kind]) if kind in AMOUNTS else None
    return FaultStep.model_validate({"kind": kind, "at_s": at_s, "until_s": until_s, "amount": sized})


def bench_of(own: Bench, scenario: Scenario) -> Bench:
    """The bench of a scenario that differs from its own in the day, the hand and the faults; no file is read again.

    Raises
    ------
    InputError
        Numbers of the vehicle that contradict each other.
    """
    before = own.scenario.vehicle_set
    numbers = {key: value for key, value in scenario.vehicle_set.items() if before.get(key) != value}
    vehicle = with_overrides(own.vehicle, numbers, str(own.path))
    return replace(own, scenario=scenario, vehicle=vehicle, water=water_of(scenario))


def space(
    own: Bench,
    varied: Sequence[str] = USUAL,
    envelope: Envelope | None = None,
    kinds: Sequence[str] = KINDS,
    tail_s: float = 1.0,
) -> Space:
    """All that may be tried of a scenario.

    Parameters
    ----------
    varied : of `VARIED`.
    envelope : the days of use; the default one, but in the scenario's own water and attitude, if left out.
    kinds : of faults, where they are varied.
    tail_s : see `Space`.

    Raises
    ------
    InputError
        A name that is none.
    """
    faults = [
        Fault("", what, f"one of {', '.join(known)}{did_you_mean(name, known)}", name)
        for what, given, known in (("vary", varied, VARIED), ("fault", kinds, KINDS))
        for name in given
        if name not in known
    ]
    if faults:
        raise InputError(faults)
    days: list[Part] = []
    scenario = own.scenario
    if "water" in varied:
        day = _day(scenario, envelope)
        days.append(day)
        if any(water.kind != "air" for water in day.waters):
            days.append(Films())
    if "supply" in varied:
        days.append(_packs(scenario, envelope))
    if "vehicle" in varied:
        days.append(_builds(own))
    if "water" in varied or "rider" in varied:
        days.append(Chance(scenario.seed))
    vehicle = own.vehicle
    start_s = max(stated(own.controller).start_delay, float(vehicle.esc.arm_s)) + float(vehicle.supply.boot_s)
    broken = tuple(kinds) if "faults" in varied else ()
    return Space(
        scenario,
        tuple(days),
        rides="rider" in varied,
        kinds=broken,
        tail_s=tail_s,
        start_s=round(start_s + READY_S, 2),
    )


def conditions_of(own: Bench, envelope: Envelope) -> Space:
    """The days of an envelope and the builds within the vehicle's tolerances; the ride stays as it is."""
    scenario = own.scenario
    return Space(scenario, (_day(scenario, envelope), _packs(scenario, envelope), _builds(own)), bounded=True)


def _day(scenario: Scenario, envelope: Envelope | None) -> Day:
    degc = (envelope or Envelope()).water_degc
    band = (min(degc), max(degc))
    if envelope is None:
        return Day((scenario.water,), band, (scenario.attitude,))
    depth_m = scenario.water.depth_m
    # The temperature is put in later, and fits every kind of an envelope.
    waters = [WaterEntry(kind=kind, temperature_degc=degc[0], depth_m=depth_m) for kind in envelope.water]
    return Day(tuple(waters), band, envelope.attitudes)


def _packs(scenario: Scenario, envelope: Envelope | None) -> Packs:
    """The packs of an envelope; without one the scenario's own age is possible too."""
    days = envelope or Envelope()
    own = Age.model_validate({"name": "own", **scenario.pack.model_dump(include=set(Age.model_fields) - {"name"})})
    ages = days.ages if envelope is not None else (own, *days.ages)
    charge, degc = days.charge_frac, days.pack_degc
    return Packs((min(charge), max(charge)), (min(degc), max(degc)), ages)


def _builds(own: Bench) -> Builds:
    return Builds({key: (band.low, band.high) for key, band in toleranced(own.vehicle).items()})


def rest(own: Scenario, settled_s: float = 2.0) -> Scenario:
    """The scenario on its own day with nobody there and nothing broken, just long enough to settle."""
    nobody: tuple[RiderStep, ...] = ()
    length_s = min(own.duration_s, math.ceil(settled_s))
    return own.model_copy(update={"rider": nobody, "faults": (), "duration_s": length_s})
