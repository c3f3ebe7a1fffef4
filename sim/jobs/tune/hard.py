"""Tuning and looking for the hardest day and build by turns, until neither moves (row 4).

A tuning knows the ends of the tolerances and the worst of their combinations,
one limit at a time. The search moves all of them at once, and anywhere between
their ends; what it breaks is a corner of the next tuning.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from sim.jobs.case import Case
from sim.jobs.envelope import Envelope
from sim.jobs.search.hard import RUNS, Hardest, hardest
from sim.jobs.tune.bed import Bed, with_values
from sim.jobs.tune.hunt import Said
from sim.jobs.tune.knobs import Knobs
from sim.jobs.tune.tune import tune
from sim.jobs.tune.tuned import Tuned
from sim.jobs.tune.values import CAP_MIN

# Each search begins with the corners that the last one found.
SEARCHES_MAX = 8


def tune_hard(
    bed: Bed,
    knobs: Knobs,
    fixed: Mapping[str, int],
    envelope: Envelope | None = None,
    say: Said | None = None,
    mapped: bool = False,
    relied: bool = False,
    runs: int = RUNS,
    searched: Callable[[int], None] | None = None,
) -> Tuned:
    """Tune, look for the hardest day and build, tune with it too, and so on until a search breaks nothing.

    The strongest step is searched, without the supply guard's help unless that is needed. A limit that even the
    gentlest drive breaks where it was found is told as incurable, and the search goes on without it.

    Parameters
    ----------
    runs : of each search; each draws its own, from the ride's seed on.
    searched : called with the runs of the search that is under way.

    The others are those of `tune`.

    Raises
    ------
    InputError
        See `tune`.
    ControllerError
        The controller raised an error with nobody there.
    """
    found = tune(bed, knobs, fixed, envelope, say, False, relied)
    searches: list[Hardest] = []
    incurable: list[Hardest] = []
    while not found.refused:
        if len(searches) == SEARCHES_MAX:
            told = f"the last of {SEARCHES_MAX} searches still broke a limit at {searches[-1].corner.name}"
            found = replace(found, settings={}, steps=(), refused=told)
            break
        case = _strongest(bed, found, [hard.requirement for hard in incurable])
        seed = case.bench.scenario.seed + len(searches)
        known = [bed.corners[place] for place in bed.active]
        hard = hardest(case, runs, seed, envelope, known, bed.workers, searched) if case.requirements else None
        if hard is None:
            break
        searches.append(hard)
        if not hard.broken:
            break
        gentlest = {**found.bare, **dict.fromkeys(knobs.caps, CAP_MIN)}
        if bed.passes(gentlest, bed.add([hard.corner], active=False)):
            bed.add([hard.corner])
            found = tune(bed, knobs, fixed, envelope, say, False, relied)
        else:
            # No matter of the drive: told, and from now on it is looked for what else may break.
            incurable.append(hard)
            if hard.crash:
                break
    if mapped and not found.refused:
        # All but the map has been driven.
        found = tune(bed, knobs, fixed, envelope, say, True, relied)
    return replace(found, searches=tuple(searches), incurable=tuple(incurable))


def _strongest(bed: Bed, found: Tuned, without: Sequence[str]) -> Case:
    """The tuning ride with the strongest step, the guard open unless it is needed; some requirements left out."""
    case = bed.ride.case
    requirements = tuple(each for each in case.requirements if each.id not in without)
    scenario = case.bench.scenario
    scenario = scenario.model_copy(update={"params_set": {**scenario.params_set, **found.bare}})
    controller = with_values(case.bench.controller, found.bare)
    bench = replace(case.bench, scenario=scenario, controller=controller)
    return replace(case, bench=bench, requirements=requirements, limits={**case.limits, **controller.stated_s()})
