"""Hypothesis strategies of rides, and the simplest ride that breaks a requirement (row 4).

Everything shrinks towards what is easiest to read: few steps at round times,
air, a sound pack, nothing broken. Nothing else of drydive needs Hypothesis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate
from pathlib import Path
from typing import Any, TypeAlias, TypeVar, get_args

try:
    from hypothesis import Phase, find, settings
    from hypothesis import strategies as st
    from hypothesis.errors import NoSuchExample
except ImportError as error:
    raise ImportError("sim.jobs.strategies needs Hypothesis; install drydive[test], or hypothesis alone") from error

from sim.bench import run as bench
from sim.bench.scenario import FaultKind, FaultStep, RiderStep
from sim.bench.tapes import water_of
from sim.jobs.case import CaseFile
from sim.jobs.written import write_scenario
from sim.verdict.entry import RequirementEntry
from sim.verdict.requirement import Requirement, Verdict, judge

Moves: TypeAlias = tuple[tuple[float, dict[str, float | bool]], ...]
"""What a hand does: seconds since it began, and what changes then."""

Part: TypeAlias = dict[str, Any]
"""Some of a scenario's keys."""

Item = TypeVar("Item")

KINDS: tuple[str, ...] = get_args(FaultKind)
WATERS = ("lake", "pool", "salt_pool", "brackish", "sea")
# How long a run goes on after the last thing that happens in it, unless told otherwise.
TAIL_S = 1.0


def _first(*values: Item) -> st.SearchStrategy[Item]:
    """One of the values; the first is the simplest."""
    return st.sampled_from(values)


def _steps(low: int, high: int, per_unit: int) -> st.SearchStrategy[float]:
    """Round numbers, a whole number of parts of a unit."""
    return st.integers(low, high).map(lambda count: count / per_unit)


def levers() -> st.SearchStrategy[Moves]:
    """The lever taken somewhere."""
    return _first(1.0, 0.0, 0.5, 0.25, 0.75, 0.1).map(lambda frac: ((0.0, {"lever_frac": frac}),))


def holds() -> st.SearchStrategy[Moves]:
    """The dead-man held from now on, or let go."""
    return _first(True, False).map(lambda pressed: ((0.0, {"deadman": pressed}),))


def cords() -> st.SearchStrategy[Moves]:
    """The kill cord pulled, and perhaps put back."""
    pulled: Moves = ((0.0, {"kill_cord": False}),)
    return st.just(pulled) | _steps(1, 10, 10).map(lambda after_s: (*pulled, (after_s, {"kill_cord": True})))


def gestures() -> st.SearchStrategy[Moves]:
    """One to four presses of the dead-man or the mode button: in rhythm, sloppy, or hardly a touch."""
    lengths = _first(0.2, 0.1, 0.3, 0.05, 0.5, 0.02)
    presses = st.lists(st.tuples(lengths, lengths), min_size=1, max_size=4)
    return st.builds(_pressed, _first("mode_button", "deadman"), presses)


def _pressed(contact: str, presses: Sequence[tuple[float, float]]) -> Moves:
    edges = accumulate((part for press in presses for part in press), initial=0.0)
    return tuple((at_s, {contact: index % 2 == 0}) for index, at_s in enumerate(list(edges)[:-1]))


def rider_scripts(duration_s: float, start_s: float | None = None) -> st.SearchStrategy[tuple[RiderStep, ...]]:
    """What a rider does within a time: lever, dead-man, gestures, mode button, kill cord, in any order.

    Parameters
    ----------
    start_s : from when on a careful rider may start: press the dead-man, then pull the lever. Most
        scripts then begin so; without it none does on purpose.
    """
    acts = levers() | holds() | gestures() | cords()
    waits = _steps(0, 10, 10)
    begun = st.just(()) if start_s is None else _first((), *[_start(start_s)] * 3)
    return st.builds(_script, begun, st.lists(st.tuples(waits, acts), max_size=6), st.just(duration_s))


def _start(start_s: float) -> Moves:
    return ((start_s, {"deadman": True}), (start_s + 0.2, {"lever_frac": 1.0}))


def _script(begun: Moves, acts: Sequence[tuple[float, Moves]], duration_s: float) -> tuple[RiderStep, ...]:
    at_s = begun[-1][0] if begun else 0.0
    timed = list(begun)
    for wait_s, moves in acts:
        timed += [(at_s + wait_s + since_s, changes) for since_s, changes in moves]
        at_s += wait_s + moves[-1][0]
    # What happens at one moment is one step.
    steps: dict[float, dict[str, float | bool]] = {}
    for moment_s, changes in timed:
        if moment_s < duration_s:
            steps.setdefault(round(moment_s, 3), {}).update(changes)
    return tuple(RiderStep.model_validate({"at_s": at_s, **changes}) for at_s, changes in steps.items())


def wettings() -> st.SearchStrategy[Part]:
    """Where the vehicle is: in air, in a kind of water, or in water of a given conductivity; and its films.

    The keys are `water`, `attitude`, and `vehicle_set` for films unlike the vehicle's own.
    """
    degc = _first(20.0, 5.0, 30.0)
    kinds = st.fixed_dictionaries({"kind": _first(*WATERS)}, optional={"temperature_degc": degc})
    given = st.fixed_dictionaries(
        {"kind": st.just("given"), "conductivity_s_m": _steps(0, 60, 10), "density_kg_m3": st.just(1000.0)}
    )
    wet = st.fixed_dictionaries(
        {"water": kinds | given, "attitude": _first("held", "towed", "worn"), "vehicle_set": films()}
    )
    return dry() | wet


def dry() -> st.SearchStrategy[Part]:
    """In air, with the same keys as `wettings`."""
    return st.just({"water": {"kind": "air"}, "attitude": "held", "vehicle_set": {}})


def films() -> st.SearchStrategy[dict[str, float]]:
    """How water comes and goes across the contacts, as keys of a vehicle."""
    ranges = {
        "mean_wetted_frac": _steps(0, 10, 10),
        "film_spread_frac": _steps(0, 5, 10),
        "film_time_s": _first(0.8, 0.1, 3.0),
        "splash_rate_hz": _first(0.4, 0.0, 3.0, 20.0),
        "splash_drain_s": _first(0.15, 0.02, 1.0),
        "bubble_rate_hz": _first(0.3, 0.0, 3.0, 20.0),
        "bubble_time_s": _first(0.05, 0.01, 0.5),
    }
    contacts = _first("mode_button", "deadman", "kill_cord_sense")
    changes = [st.tuples(contacts.map(f"{{}}.film.{key}".format), values) for key, values in ranges.items()]
    return st.lists(st.one_of(changes), max_size=4).map(dict)


def supplies() -> st.SearchStrategy[Part]:
    """The pack on the day, and the joint in its lead: charge, cold, age, corrosion.

    The keys are `pack`, and `vehicle_set` for the joint.
    """
    pack = st.fixed_dictionaries(
        {},
        optional={
            "charge_frac": _first(0.9, 1.0, 0.5, 0.3, 0.1),
            "temperature_degc": _first(20.0, 5.0, -5.0, 40.0),
            "resistance_growth_frac": _first(0.0, 0.4, 1.0),
            "capacity_loss_frac": _first(0.0, 0.15, 0.4),
        },
    )
    joint = st.fixed_dictionaries({}, optional={"leads.joint_ohm": _first(0.002, 0.01, 0.05)})
    return st.fixed_dictionaries({"pack": pack, "vehicle_set": joint})


def amounts(kind: str) -> st.SearchStrategy[float | None]:
    """The amount of a fault: none where it has none."""
    ranges: dict[str, st.SearchStrategy[float]] = {
        "sensor_drift": _first(0.2, -0.2, 0.5, -0.5, 1.0, -1.0),
        "sensor_noise": _steps(1, 10, 20),
        "sensor_dropped": _steps(1, 10, 10),
        "joint_corroded": _steps(1, 20, 100),
        "left_fouled": _steps(2, 10, 2),
        "right_fouled": _steps(2, 10, 2),
    }
    return ranges.get(kind, st.none())


def faults(
    duration_s: float, kinds: Sequence[str] = KINDS, at_most: int = 2, near_s: Sequence[float] = ()
) -> st.SearchStrategy[tuple[FaultStep, ...]]:
    """Some faults, each from a moment of the run on, for good or for a while.

    Parameters
    ----------
    near_s : moments within the run soon after which most of the faults come.
    """
    last = max(math.ceil(duration_s * 10) - 1, 0)
    moments = _steps(0, last, 10)
    if near_s:
        soon = st.builds(lambda at_s, after_s: min(at_s + after_s, last / 10), _first(*near_s), _steps(0, 8, 10))
        # Most faults matter only while something is going on.
        moments = soon | soon | soon | moments
    several = st.lists(_fault(moments, kinds), max_size=at_most)
    return several.map(lambda found: tuple(sorted(found, key=lambda fault: fault.at_s)))


@st.composite
def _fault(draw: st.DrawFn, moments: st.SearchStrategy[float], kinds: Sequence[str]) -> FaultStep:
    kind = draw(st.sampled_from(kinds))
    at_s = round(draw(moments), 3)
    lasts_s = draw(st.none() | _steps(1, 20, 10))
    until_s = None if lasts_s is None else round(at_s + lasts_s, 3)
    return FaultStep.model_validate({"kind": kind, "at_s": at_s, "until_s": until_s, "amount": draw(amounts(kind))})


@st.composite
def scenarios(
    draw: st.DrawFn,
    vehicle: str,
    controller: str,
    params: str | None = None,
    requirements: Sequence[RequirementEntry] = (),
    duration_s: float = 6.0,
    tail_s: float = TAIL_S,
    control_hz: float = 250.0,
    start_s: float | None = None,
    kinds: Sequence[str] = KINDS,
    wetting: st.SearchStrategy[Part] | None = None,
    supply: st.SearchStrategy[Part] | None = None,
) -> CaseFile:
    """Whole scenarios with requirements, no longer than `duration_s` and as short as what happens in them.

    Parameters
    ----------
    vehicle, controller, params : as in a scenario file.
    requirements : what each is to be held against.
    tail_s : how long a run goes on after the last thing that happens in it; longer than the longest time asked about.
    start_s : see `rider_scripts`.
    kinds : of faults; empty for none.
    wetting, supply : `wettings()` and `supplies()` unless given, such as `dry()`.
    """
    rider = draw(rider_scripts(duration_s - tail_s, start_s))
    near_s = [step.at_s for step in rider]
    broken = draw(faults(duration_s - tail_s, kinds, near_s=near_s)) if kinds else ()
    around = draw(wettings() if wetting is None else wetting)
    pack = draw(supplies() if supply is None else supply)
    last_s = max([*(step.at_s for step in rider), *(fault.at_s for fault in broken)], default=0.0)
    return CaseFile.model_validate(
        {
            "name": "found by search",
            "vehicle": vehicle,
            "controller": controller,
            "params": params,
            "rider": rider,
            "faults": broken,
            "seed": draw(st.integers(1, 5)),
            "duration_s": round(last_s + tail_s, 3),
            "control_hz": control_hz,
            "requirements": tuple(requirements),
            **around,
            **pack,
            "vehicle_set": around["vehicle_set"] | pack["vehicle_set"],
        }
    )


class Judge:
    """Judges many scenarios of few vehicles and controllers, whose files it reads once.

    Parameters
    ----------
    beside : the folder that the paths in the scenarios start from.
    """

    def __init__(self, beside: Path) -> None:
        self.path = beside / "search.scenario.yaml"
        self._ready: dict[tuple[object, ...], bench.Bench] = {}
        self._claims: dict[RequirementEntry, Requirement] = {}

    def broken(self, case: CaseFile) -> tuple[Verdict, ...]:
        """The verdicts on the requirements that a scenario breaks.

        Raises
        ------
        InputError, ControllerError
        """
        key = (case.vehicle, case.controller, case.params, tuple(case.params_set.items()), case.control_hz)
        if key not in self._ready:
            self._ready[key] = bench.set_up(case.model_copy(update={"vehicle_set": {}}), self.path)
        ready = self._ready[key]
        vehicle = bench.with_overrides(ready.vehicle, case.vehicle_set, str(self.path))
        run = bench.simulate(replace(ready, scenario=case, vehicle=vehicle, water=water_of(case)))
        verdicts = (judge(self._claim(entry), run.table, run.limits) for entry in case.requirements)
        return tuple(verdict for verdict in verdicts if verdict.verdict == "fail")

    def _claim(self, entry: RequirementEntry) -> Requirement:
        if entry not in self._claims:
            self._claims[entry] = entry.requirement(str(self.path))
        return self._claims[entry]


def counterexample(
    search: st.SearchStrategy[CaseFile], beside: Path, max_examples: int = 200, path: Path | None = None
) -> CaseFile | None:
    """The simplest scenario found that breaks one of its requirements, or none; the same at every call.

    Parameters
    ----------
    search : such as `scenarios` makes.
    beside : the folder that the paths in the scenarios start from.
    max_examples : scenarios tried before it is given up.
    path : where to write what is found, as a scenario file that fails in the same way.

    Raises
    ------
    InputError, ControllerError
    """
    judged = Judge(beside)
    rules = settings(
        max_examples=max_examples, deadline=None, derandomize=True, database=None, phases=(Phase.generate, Phase.shrink)
    )
    try:
        found = find(search, lambda case: bool(judged.broken(case)), settings=rules)
    except NoSuchExample:
        return None
    if path is not None:
        write_scenario(found, path, beside, told(judged.broken(found)))
    return found


def told(broken: Sequence[Verdict]) -> str:
    """What a scenario breaks, a line each."""
    return "\n".join(["Found by search; broken are", *(f"{verdict.id}: {verdict.why}" for verdict in broken)])
