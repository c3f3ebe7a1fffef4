"""The supply guard's thresholds: silent where the drive is sound, in time where something else is wrong (row 4)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from sim.bench.control import Controller
from sim.bench.loop import ControllerError
from sim.bench.scenario import FaultStep
from sim.jobs.case import judge_case
from sim.jobs.trials import Corner, case_at
from sim.jobs.tune.bed import Settings, with_values
from sim.jobs.tune.drive import Drive, Figures
from sim.jobs.tune.knobs import Knobs, reach

# Thresholds are round numbers, in the firmware's milli.
ROUND = 100
# What limits a drive where its requirements do not say: volts above the ESCs' cut, amperes below the slow trip.
BUS_MARGIN_V, TRIP_MARGIN_A = 0.5, 5.0
# The joint that goes bad to try the guard, this long after the lever is pulled.
BAD_OHM, BAD_AFTER_S = 0.05, 3.0
DUTIES = ("foldback-does-not-hunt", "drive-is-not-cut")


class Pair(NamedTuple):
    """A threshold at which drive is held back, and the one beyond it at which none is left.

    quiet : kept between what a sound drive shows and where the guard begins: noise and resolution of the readings.
    band : the least between both; in a narrower one a reading's noise swings the drive through all of it.
    sign : 1 where more of the quantity is bad, -1 where less is.
    """

    begin: str
    end: str
    quiet: int
    band: int
    sign: int
    unit: str


def pairs(knobs: Knobs) -> list[Pair]:
    """The two thresholds on the bus and the two on the pack's current, where the controller has both of them."""
    every = (
        Pair(knobs.bus_foldback, knobs.bus_floor, 200, 1000, -1, "V"),
        Pair(knobs.pack_foldback, knobs.pack_ceiling, 1000, 5000, 1, "A"),
    )
    return [pair for pair in every if pair.begin and pair.end]


def standing(
    knobs: Knobs,
    controller: Controller,
    limits: Sequence[Mapping[str, float]],
    fixed: Mapping[str, int],
    relied: bool = False,
) -> dict[str, int]:
    """Thresholds under which the drive is looked for: those under which the guard holds nothing back.

    A pair of which one is fixed stands as it will in the end, and so do all where the guard is relied on: at the
    limit, and no further from it than the band needs.
    """
    found: dict[str, int] = {}
    for pair in pairs(knobs):
        low, high = reach(controller, pair.end)
        if relied or pair.begin in fixed or pair.end in fixed:
            end = fixed.get(pair.end, _within(controller, pair.end, last(pair, limits)))
            begin = _within(controller, pair.begin, end - pair.sign * pair.band)
            found |= {pair.end: end, pair.begin: fixed.get(pair.begin, begin)}
        else:
            end = high if pair.sign > 0 else low
            found |= {pair.end: end, pair.begin: end - pair.sign}
    return found


def last(pair: Pair, limits: Sequence[Mapping[str, float]]) -> int:
    """Where no drive is to be left: at the limit with its wanted margin, the nearest of several corners' limits."""
    if pair.unit == "V":
        at = max(each["esc_cut_v"] + each.get("bus_margin_v", BUS_MARGIN_V) for each in limits)
    else:
        at = -min(each["trip_slow_a"] - each.get("trip_margin_a", TRIP_MARGIN_A) for each in limits)
    # To the safe side, which is away from the limit.
    return -pair.sign * ROUND * math.ceil(round(1000.0 * at / ROUND, 6))


def guarded(
    knobs: Knobs,
    controller: Controller,
    limits: Sequence[Mapping[str, float]],
    sound: Sequence[Figures],
    fixed: Mapping[str, int],
) -> tuple[dict[str, int], list[str]]:
    """Thresholds for a drive that was found with the guard open, and a sentence for each that it will feel.

    The guard ends at the limits with their wanted margins and begins as far from
    them as the sound drive leaves room for, which makes its slope the gentlest there can be.

    Parameters
    ----------
    limits, sound : of each corner: its limits, and what the drive came to there.
    """
    found: dict[str, int] = {}
    notes = []
    for pair in pairs(knobs):
        end = fixed.get(pair.end, _within(controller, pair.end, last(pair, limits)))
        bus = pair.unit == "V"
        worst = 1000.0 * (min(each.bus_v_min for each in sound) if bus else max(each.bus_a_max for each in sound))
        quiet = pair.sign * (ROUND * math.ceil(pair.sign * worst / ROUND) + pair.quiet)
        nearest = end - pair.sign * pair.band
        begin = max(quiet, nearest) if bus else min(quiet, nearest)
        begin = fixed.get(pair.begin, _within(controller, pair.begin, begin))
        found |= {pair.end: end, pair.begin: begin}
        if pair.sign * (begin - quiet) < 0:
            what = f"{begin / 1000.0:.1f} {pair.unit}"
            notes.append(f"The guard begins at {what}, which the drive reaches in its worst corner: it is felt there.")
    return found, notes


def _within(controller: Controller, name: str, value: int) -> int:
    low, high = reach(controller, name)
    return min(max(value, low), high)


def with_a_bad_joint(ride: Drive, corner: Corner, settings: Settings) -> list[str]:
    """What fails of the guard's own duties when a joint of the leads goes bad under full drive, a sentence each."""
    there = case_at(ride.case, corner)
    fault = FaultStep(kind="joint_corroded", at_s=round(ride.pull_s + BAD_AFTER_S, 3), amount=BAD_OHM)
    scenario = there.bench.scenario.model_copy(update={"faults": (fault,)})
    bench = replace(there.bench, scenario=scenario, controller=with_values(there.bench.controller, settings))
    duties = tuple(each for each in there.requirements if each.id in DUTIES)
    try:
        verdicts = judge_case(replace(there, bench=bench, requirements=duties)).verdicts
    except ControllerError as error:
        return [str(error)]
    return [f"{verdict.id}: {verdict.why}" for verdict in verdicts if verdict.verdict == "fail"]
