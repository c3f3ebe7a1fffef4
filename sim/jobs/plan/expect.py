"""What a stage's figures come to over many builds, and the bands that follow (row 4)."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.streams import stream
from sim.bench import engine
from sim.bench import run as bench
from sim.bench.scenario import FaultStep, PackEntry, RiderStep, Scenario, WaterEntry
from sim.jobs.builds import draw
from sim.jobs.case import Case
from sim.jobs.corners import toleranced
from sim.jobs.plan.model import Number, Stage
from sim.jobs.plan.numbers import LOGGED, Taken, as_logged, run_columns, taken
from sim.jobs.plan.throttle import calibrated, calibrates, readings
from sim.jobs.search.days import known_degc
from sim.jobs.trials import BATCH_MAX, Corner, Sealed, at, sealed
from sim.record.table import Table

# How near to the day a builder can keep pack and water; the page says so.
CHARGE_BAND, DEGC_BAND = 0.05, 3.0
# How much shorter or longer a person holds than the script says, for what lasts more than a second.
HANDS = (0.85, 1.25)
HANDS_FROM_S = 1.0
# The parts of a vehicle that a throttle's reading comes from.
THROTTLE = ("throttle.", "sensor.")
COUNT = 93
"""Builds drawn unless told otherwise: of all builds 95 % lie between the lowest and highest of so many, with 95 %
confidence (S. S. Wilks, Annals of Mathematical Statistics 12, 1941, for two-sided limits), before any widening."""


class Drawn(NamedTuple):
    """One build on one day, in one pair of hands.

    numbers : of the vehicle, by dotted key.
    day : from -1 to 1: charge, pack temperature, water temperature within their bands.
    """

    number: int
    numbers: Mapping[str, float]
    day: tuple[float, float, float]
    seed: int


class Outcome(NamedTuple):
    """A build's figures by id, the most current it drew, and whether it drove at all."""

    values: dict[str, Taken]
    peak_a: float
    drives: bool


def drawn(ready: bench.Bench, count: int) -> tuple[list[Drawn], int]:
    """Builds, each with its day; and how many of the vehicle's numbers are drawn.

    Parameters
    ----------
    ready : a bench with the vehicle as filed; its seed seeds the draw.

    Raises
    ------
    InputError
        Tolerances that hardly ever make a vehicle.
    """
    bands = toleranced(ready.vehicle)
    if not calibrates(ready.controller.params):
        # Nobody takes a throttle to the bench that its controller misreads.
        bands = {key: band for key, band in bands.items() if not key.startswith(THROTTLE)}
    numbers = list(draw(ready, bands, count)[0].values()) if bands else [{} for _ in range(count)]
    seed = ready.scenario.seed
    days = stream(seed, "plan day").uniform(-1.0, 1.0, (count, 3)).tolist()
    return [
        Drawn(place, each, (day[0], day[1], day[2]), seed + place)
        for place, (each, day) in enumerate(zip(numbers, days, strict=True), 1)
    ], len(bands)


def at_build(ready: bench.Bench, build: Drawn) -> bench.Bench:
    """A stage's bench with another build, calibrated, on its day, in its hands."""
    scenario = ready.scenario
    filed = readings(ready.vehicle, scenario.water.temperature_degc, scenario.tick_us)
    charge, pack_degc, water_degc = build.day
    # What the stage itself sets, as for a propeller that is off, no build has otherwise.
    numbers = {key: value for key, value in build.numbers.items() if key not in scenario.vehicle_set}
    low, high = known_degc(scenario.water.kind)
    day_degc = scenario.water.temperature_degc
    corner = Corner(
        scenario.name,
        WaterEntry(
            kind=scenario.water.kind,
            temperature_degc=round(min(max(day_degc + DEGC_BAND * water_degc, low), high), 2),
        ),
        PackEntry(
            charge_frac=round(min(max(scenario.pack.charge_frac + CHARGE_BAND * charge, 0.0), 1.0), 4),
            temperature_degc=round(min(max(day_degc + DEGC_BAND * pack_degc, -20.0), 60.0), 2),
        ),
        scenario.attitude,
        numbers,
    )
    there = calibrated(at(ready, corner), filed)
    return replace(there, scenario=in_hands(there.scenario, build.seed))


def in_hands(scenario: Scenario, seed: int) -> Scenario:
    """The same script as a person does it: what lasts more than a second lasts somewhat shorter or longer."""
    times = sorted({step.at_s for step in scenario.rider} | set(_fault_times(scenario.faults)))
    factors = stream(seed, "plan hands").uniform(*HANDS, len(times)).tolist()
    moved = {0.0: 0.0}
    before_s = now_s = 0.0
    for place, (at_s, factor) in enumerate(zip(times, factors, strict=True)):
        gap_s = at_s - before_s
        # Whoever is told to touch nothing until all is armed does so.
        now_s = round(now_s + (gap_s * factor if place and gap_s > HANDS_FROM_S else gap_s), 3)
        moved[at_s], before_s = now_s, at_s
    return scenario.model_copy(
        update={
            "rider": tuple(_moved(step, moved) for step in scenario.rider),
            "faults": tuple(_moved(step, moved) for step in scenario.faults),
            "duration_s": round(now_s + scenario.duration_s - before_s, 3),
            "seed": seed,
        }
    )


def _fault_times(faults: Sequence[FaultStep]) -> list[float]:
    return [at_s for fault in faults for at_s in (fault.at_s, fault.until_s) if at_s is not None]


def _moved(step: RiderStep | FaultStep, moved: Mapping[float, float]) -> RiderStep | FaultStep:
    changed = {"at_s": moved[step.at_s]}
    if isinstance(step, FaultStep) and step.until_s is not None:
        changed["until_s"] = moved[step.until_s]
    return step.model_copy(update=changed)


def logged(ready: bench.Bench) -> Table:
    """A run of a bench as a perfect logger would have it.

    Raises
    ------
    ControllerError
    """
    prepared = bench.prepare(ready)
    chosen = engine.choose(ready.engine, ready.controller, len(prepared.tapes))
    return as_logged(bench.record(ready, prepared, chosen, wanted=run_columns()))


def outcomes(
    work: Sequence[tuple[Case, Stage]],
    builds: Sequence[Drawn],
    executor: Executor | None = None,
    progress: Callable[[int], None] | None = None,
) -> list[list[Outcome]]:
    """Every build through every stage; the same bit for bit however it is run.

    Returns
    -------
    For each stage, of each build in order.

    Raises
    ------
    ControllerError
    """
    if executor is None:
        with ProcessPoolExecutor(min(os.cpu_count() or 1, len(builds))) as own:
            return outcomes(work, builds, own, progress)
    futures = {}
    for place, (case, stage) in enumerate(work):
        closed = sealed(case)
        for first in range(0, len(builds), BATCH_MAX):
            futures[executor.submit(_run, closed, stage, builds[first : first + BATCH_MAX])] = (place, first)
    done: dict[tuple[int, int], list[Outcome]] = {}
    try:
        for future in as_completed(futures):
            done[futures[future]] = future.result()
            if progress is not None:
                progress(sum(map(len, done.values())))
    finally:
        for future in futures:
            future.cancel()
    return [
        [outcome for place, first in sorted(done) if place == wanted for outcome in done[place, first]]
        for wanted in range(len(work))
    ]


def _run(closed: Sealed, stage: Stage, builds: Sequence[Drawn]) -> list[Outcome]:
    ready = closed.opened().bench
    found = []
    for build in builds:
        table = logged(at_build(ready, build))
        pulse_us = float(np.max(np.maximum(table["left_pulse_us"], table["right_pulse_us"])))
        drives = pulse_us > float(ready.vehicle.esc.stop_us) + LOGGED["left_pulse_us"].reads
        found.append(Outcome(taken(stage, table)[0], float(np.max(table["pack_a"])), drives))
    return found


def banded(stage: Stage, filed: Mapping[str, Taken], found: Sequence[Outcome]) -> Stage:
    """The stage with its figures' bands, what an instrument resolves added.

    A figure that comes in no build is left out.
    A build that drives nothing at all would be seen at once, and tells nothing of one that does: it is set apart.
    """
    sound = [each for each in found if each.drives]
    notes = []
    # Where hardly any build drives, that is what is expected.
    if len(found) // 2 < len(sound) < len(found):
        notes.append(f"{len(found) - len(sound)} of {len(found)} builds drove nothing here, and are not in the bands.")
        found = sound
    astray = sum(not all(value.stepped for value in each.values.values()) for each in found)
    if astray:
        notes.append(
            f"In {astray} of {len(found)} builds a step was not the one of the script, as a wet contact does it: "
            "repeat the gesture until the display shows the step, and go on in no other."
        )
    stage = resolved(stage, filed)
    kept = [number for number in stage.numbers if any(each.values[number.id].value is not None for each in found)]
    values = np.array([[_or_nan(each.values[number.id].value) for number in kept] for each in found])
    reads = np.array([number.reads for number in kept])
    low, high, widened = bands(values, reads)
    told: dict[str, Number] = {}
    for place, number in enumerate(kept):
        as_filed = filed[number.id].value
        ends = [low[place], high[place], *([] if as_filed is None else [as_filed])]
        least, most = float(min(ends)), float(max(ends))
        told[number.id] = number.model_copy(
            update={
                "filed": as_filed,
                # What cannot be below 0 is not read below it either.
                "low": max(least - number.reads, 0.0) if least >= 0.0 else least - number.reads,
                "high": most + number.reads,
                "missing": int(np.count_nonzero(np.isnan(values[:, place]))),
            }
        )
    tries = tuple(
        each.model_copy(update={"numbers": tuple(told[n.id] for n in each.numbers if n.id in told)})
        for each in stage.tries
    )
    return stage.model_copy(
        update={"tries": tries, "widened_frac": widened, "builds": len(found), "notes": tuple(notes)}
    )


def resolved(stage: Stage, filed: Mapping[str, Taken]) -> Stage:
    """The stage with what is resolved of a quotient: of what is divided, over the current of its own try as filed."""
    tries = []
    for each in stage.tries:
        current = next((filed[number.id].value for number in each.numbers if number.id.endswith(".current")), None)
        numbers = [
            number.model_copy(update={"reads": number.reads / current}) if number.over and current else number
            for number in each.numbers
        ]
        tries.append(each.model_copy(update={"numbers": tuple(numbers)}))
    return stage.model_copy(update={"tries": tuple(tries)})


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def bands(
    values: NDArray[np.float64], reads: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Bands that hold a whole further build, not only each of its figures.

    Parameters
    ----------
    values : shape (builds, figures); NaN where a figure did not come.
    reads : shape (figures,), what an instrument resolves, above 0.

    Returns
    -------
    low, high : shape (figures,).
    widened : by which share of its half width each band was widened.

    Notes
    -----
    From lowest to highest of the builds, widened. Each build is looked at as if it were the new one: how far does it
    stand beyond all the others, in half widths of theirs? The furthest of all builds and figures is the share by which
    every band is widened. Where builds are drawn alike, a new one is further out than every one of them with a chance
    of about 1 in builds + 1, whatever the distribution (exchangeability; the jackknife+ of R. F. Barber, E. J. Candes,
    A. Ramdas, R. J. Tibshirani, Annals of Statistics 49, 2021, and conformal prediction rest on it).
    """
    figures = values.shape[1]
    low, high = np.zeros(figures), np.zeros(figures)
    widened = 0.0
    for place in range(figures):
        column = np.sort(values[~np.isnan(values[:, place]), place])
        low[place], high[place] = column[0], column[-1]
        if len(column) >= 3:
            over = (column[-1] - column[-2]) / (0.5 * (column[-2] - column[0]) + reads[place])
            under = (column[1] - column[0]) / (0.5 * (column[-1] - column[1]) + reads[place])
            widened = max(widened, over, under)
    half = widened * (0.5 * (high - low) + reads)
    # What is never below 0 in any build has no band below 0 either.
    return np.where(low >= 0.0, np.maximum(low - half, 0.0), low - half), high + half, float(widened)
