"""The same pull of the lever with the parameters as filed and as tuned, at one corner (row 4)."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from sim.bench.run import Run, simulate
from sim.jobs.trials import Corner, case_at
from sim.jobs.tune.bed import Settings, with_values
from sim.jobs.tune.binding import Binding
from sim.jobs.tune.tuned import Tuned


class Story(NamedTuple):
    """What happens at the corner that holds the drive back.

    binding : why this one was chosen.
    before, after : the strongest step, as filed and as tuned.
    bare : the wished drive with the guard open, where that fails.
    """

    corner: Corner
    binding: Binding
    before: Run
    after: Run
    bare: Run | None


def told(tuned: Tuned) -> Story | None:
    """Both runs; None where nothing was found, or nothing binds.

    The corner is the one that keeps the wish from being, else the one that keeps a higher cap or a quicker ramp, else
    where the strongest step is nearest to a limit.

    Raises
    ------
    ControllerError
    """
    chosen = [tuned.held_back, tuned.beyond, tuned.quicker, *(step.binding for step in reversed(tuned.steps))]
    binding = next((each for each in chosen if each is not None), None)
    if not tuned.steps or binding is None:
        return None
    top = max(tuned.knobs.caps, key=lambda name: tuned.settings[name])
    after = {**tuned.settings, **dict.fromkeys(tuned.knobs.caps, tuned.settings[top])}
    return Story(
        binding.corner,
        binding,
        before=_run(tuned, binding.corner, tuned.filed),
        after=_run(tuned, binding.corner, after),
        bare=None if tuned.held_back is None else _run(tuned, binding.corner, tuned.wished),
    )


def _run(tuned: Tuned, corner: Corner, settings: Settings) -> Run:
    bench = case_at(tuned.ride.case, corner).bench
    return simulate(replace(bench, controller=with_values(bench.controller, settings)))
