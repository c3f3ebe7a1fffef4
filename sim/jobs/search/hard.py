"""The hardest day and build for a ride that stays as it is: a corner that a tuned drive has to keep too (row 4).

Corners are found from the ends of tolerances, one at a time; here all move at
once, and anywhere between their ends.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sim.base.streams import stream
from sim.bench.scenario import Scenario
from sim.jobs.case import Case
from sim.jobs.envelope import ATTITUDES, Envelope
from sim.jobs.search.bed import Bed, Points, Seen, Task
from sim.jobs.search.near import CRASHED, NEVER, TINY, squeezed
from sim.jobs.search.seek import Costs, seek
from sim.jobs.search.space import conditions_of
from sim.jobs.trials import Corner, at, held_against
from sim.verdict.requirement import Verdict

RUNS = 400
"""Runs unless told otherwise."""

# A number of the vehicle that moves the margin by a smaller share goes back to what its file says.
SHARE_MORE = 0.001


@dataclass(frozen=True, slots=True)
class Hardest:
    """The hardest condition found, within the envelope's days and the vehicle's tolerances.

    requirement : the one that came nearest to breaking there, or broke; empty where the controller crashed.
    verdict : none where it crashed.
    share : its margin as a share of the margin at rest, or of the requirement's own scale; none without a margin.
    """

    corner: Corner
    requirement: str
    verdict: Verdict | None
    share: float | None
    crash: str
    runs: int

    @property
    def margin(self) -> float | None:
        """How far the requirement was from breaking, in its unit; below 0 where it is broken."""
        return self.verdict.margin if self.verdict else None

    @property
    def broken(self) -> bool:
        """Whether a drive that keeps every other corner fails at this one."""
        return bool(self.crash) or (self.verdict is not None and self.verdict.verdict == "fail")


def hardest(
    case: Case,
    runs: int = RUNS,
    seed: int = 1,
    envelope: Envelope | None = None,
    known: Sequence[Corner] = (),
    workers: int = 0,
    progress: Callable[[int], None] | None = None,
) -> Hardest | None:
    """Look for the day and build on which a case's ride comes nearest to breaking any of its requirements.

    Parameters
    ----------
    case : its rider, faults, chance and controller stay as they are; its scenario names the controller.
    runs : all of them are spent, for a corner that is broken worse binds harder.
    envelope : the days; a default one if left out.
    known : corners within them that the search begins with, such as those that ``corners.survey`` found.
    workers : processes; 0 is one for each core. The result does not depend on them.
    progress : called with the runs done.

    Returns
    -------
    Hardest, or none where no run had a margin and none failed

    Raises
    ------
    InputError
        No requirements.
    ControllerError
        The controller raised an error with nobody there.
    """
    held_against(case)
    space = conditions_of(case.bench, envelope or Envelope())
    with Bed.of(case, space, runs, workers) as bed:
        asked = [requirement.id for requirement in case.requirements]
        best: tuple[float, Points | None, Seen | None] = (NEVER, None, None)

        def cost(points: Points) -> Costs:
            nonlocal best
            seen = bed.run(points, asked)
            costs = np.array([_hardness(one)[0] for one in seen])
            lowest = int(np.argmin(costs))
            if costs[lowest] < best[0]:
                best = (float(costs[lowest]), points[lowest], seen[lowest])
            if progress is not None:
                progress(bed.runs)
            return costs

        first = np.array([space.day(at(case.bench, corner).scenario) for corner in known]).reshape(-1, space.size)
        if len(first):
            cost(first[:runs])
        seek(cost, space.size, runs - bed.runs, stream(seed, "hardest"), first, lambda: False)
        _, point, seen = best
        if point is None or seen is None:
            return None
        place = _hardness(seen)[1]
        wanted = None if seen.crash else asked[place]
        task = Task(space.scenario(point.tolist()), wanted, None if seen.crash else seen.shares[place], SHARE_MORE)
        ((made, shown),) = bed.simplified([task], lambda done: None)
        spent = bed.runs + made.tries
    corner = _corner(made.scenario, case.bench.scenario, wanted or "the controller")
    if wanted is None:
        return Hardest(corner, "", None, None, shown.crash, spent)
    return Hardest(corner, wanted, shown.verdicts[0], shown.shares[0], "", spent)


def _corner(found: Scenario, own: Scenario, wanted: str) -> Corner:
    """A scenario's day and build as a corner, with a name that tells the day."""
    pack, water = found.pack, found.water
    degc = water.temperature_degc if pack.temperature_degc is None else pack.temperature_degc
    day = f"{degc:g} degC, {100.0 * pack.charge_frac:g} % charge, {ATTITUDES[found.attitude]}"
    name = f"{day}, {water.kind} at {water.temperature_degc:g} degC; hardest found for {wanted}"
    numbers = {key: value for key, value in found.vehicle_set.items() if own.vehicle_set.get(key) != value}
    return Corner(name, water, pack, found.attitude, numbers)


def _hardness(seen: Seen) -> tuple[float, int]:
    """The cost of a run, the lower the nearer to breaking or the worse broken, and which requirement it is of."""
    if seen.crash:
        return CRASHED, 0
    costs = [NEVER]
    for verdict, share in zip(seen.verdicts, seen.shares, strict=True):
        failed = verdict is not None and verdict.verdict == "fail"
        # A state has no distance: that the bus fell too low tells more than that an ESC then cut.
        costs.append((-TINY if failed else NEVER) if share is None else np.sign(share) * squeezed(abs(share)))
    lowest = int(np.argmin(costs))
    return float(costs[lowest]), lowest - 1
