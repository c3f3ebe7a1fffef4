"""The fastest ramp and the highest caps, what binds them, and what they are worth (row 4)."""

from __future__ import annotations

from collections.abc import Mapping

from sim.jobs.envelope import Envelope
from sim.jobs.tune import guard
from sim.jobs.tune.bed import Bed, Settings
from sim.jobs.tune.binding import Binding, binding
from sim.jobs.tune.chart import chart
from sim.jobs.tune.hunt import Ended, Hunt, Said
from sim.jobs.tune.knobs import Knobs
from sim.jobs.tune.remedies import Remedy, remedies
from sim.jobs.tune.tuned import Step, Tuned
from sim.jobs.tune.values import CAP_GRID, CAP_MIN, RAMP_GRID_MS, Values

RELIED = "the supply guard relied on, to hold back where it must (--rely-on-guard)"


def tune(
    bed: Bed,
    knobs: Knobs,
    fixed: Mapping[str, int],
    envelope: Envelope | None = None,
    say: Said | None = None,
    mapped: bool = False,
    relied: bool = False,
) -> Tuned:
    """Find the drive.

    Parameters
    ----------
    bed : opened; corners that it has are kept too.
    fixed : parameters that stay as given, see ``knobs.fixed``.
    envelope : the days; a default one if left out.
    say : told what is being looked for.
    mapped : drive the map of ramp and cap too.
    relied : let the supply guard be what keeps a limit; else it is only there for what is not foreseen.

    Raises
    ------
    InputError
        Fixed values that the controller's own file refuses, or a corner that is no possible vehicle.
    """
    ride = bed.ride
    values = Values(ride.case.bench, knobs, fixed, ride.case.limits, ride.hold_s, relied)
    values.require(values.asked)
    hunt = Hunt(bed, values, envelope or Envelope(), say or (lambda _: None))
    return _told(hunt, hunt.ended(), mapped)


def _told(hunt: Hunt, ended: Ended, mapped: bool) -> Tuned:
    bed, values = hunt.bed, hunt.values
    hunt.say("what each step is worth")
    steps = _steps(hunt, ended.settings) if ended.settings else ()
    held_back, others = _what_else(hunt)
    bears, cap, ramp_ms = hunt.bears.value, ended.cap, ended.ramp_ms
    beyond, quicker, cells = None, None, None
    if bears is not None and bears < values.full:
        beyond = _broken(hunt, values.at(bears + CAP_GRID))
    if ramp_ms is not None and bears is not None:
        if values.knobs.ramp_up not in values.fixed and ramp_ms > RAMP_GRID_MS:
            quicker = _broken(hunt, values.at(cap, ramp_ms - RAMP_GRID_MS))
        if mapped:
            hunt.say("the map of ramp and cap")
            cells = chart(bed, values, cap, ramp_ms, bears)
    return Tuned(
        ride=bed.ride,
        engine=bed.engine,
        knobs=values.knobs,
        before=values.before,
        filed=values.filed,
        wished=values.at(values.top_wish),
        fixed=dict(values.fixed),
        settings=ended.settings,
        bare=values.at(ended.cap, ended.ramp_ms) if ended.settings else {},
        steps=steps,
        wish_permille=values.top_wish,
        slowest_ms=values.slowest_ms,
        bears_permille=bears,
        relied=values.relied,
        traded=hunt.traded,
        as_filed=_broken(hunt, values.filed),
        beyond=beyond,
        quicker=quicker,
        held_back=held_back,
        remedies=others,
        corners=tuple(bed.corners[place] for place in bed.active),
        days=len(hunt.days),
        usual_days=tuple(hunt.usual_days),
        runs=bed.runs,
        refused=_why(hunt, ended.refused),
        notes=(*dict.fromkeys(hunt.notes), *_joint(hunt, ended, steps)),
        chart=cells,
    )


def _steps(hunt: Hunt, settings: Settings) -> tuple[Step, ...]:
    """Each step with what binds it and what it is worth."""
    bed, values = hunt.bed, hunt.values
    places = bed.add(hunt.usual_days, active=False)
    (unlimited,) = bed.drives([values.at_once()], places)
    steps = []
    for number, name in enumerate(values.knobs.caps, 1):
        one = {**settings, **values.capped(settings[name])}
        usual = bed.drive(one, places)
        steps.append(
            Step(
                number=number,
                cap=name,
                wished_permille=values.before[name],
                cap_permille=settings[name],
                binding=_binding(hunt, one),
                usual=tuple(each.figures for each in usual),
                unlimited=tuple(each.figures for each in unlimited),
            )
        )
    return tuple(steps)


def _what_else(hunt: Hunt) -> tuple[Binding | None, tuple[Remedy, ...]]:
    """What fails at the wish however slow the ramp, and what would help; nothing where that passes."""
    bed, values = hunt.bed, hunt.values
    wish, bears = values.top_wish, hunt.bears.value
    held_back = None if bears is not None and bears >= wish else _broken(hunt, values.at(wish))
    if held_back is None:
        return None, ()
    hunt.say("what else would help")
    relied = {**values.at(wish), **values.standing(hunt.limits(), True)}
    tried = guard.pairs(values.knobs) and not values.relied
    others = [Remedy(RELIED, True, None)] if tried and bed.passes(relied) else []
    ramp = values.knobs.ramp_up
    slowest_ms = values.ramps(ramp)[1] if ramp in values.fixed else 0
    if slowest_ms and bed.passes(values.at(wish, **{ramp: slowest_ms})):
        others.append(Remedy(f"a ramp of {slowest_ms} ms", True, wish))
    return held_back, (*others, *remedies(bed, values.at, wish, bears or CAP_MIN, CAP_GRID))


def _joint(hunt: Hunt, ended: Ended, steps: tuple[Step, ...]) -> list[str]:
    """What the guard does not save where a joint goes bad under the strongest step, a sentence each."""
    if not ended.settings or not guard.pairs(hunt.knobs) or steps[-1].binding is None:
        return []
    settings = {**ended.settings, **hunt.values.capped(ended.cap)}
    bad = guard.with_a_bad_joint(hunt.bed.ride, steps[-1].binding.corner, settings)
    ohm = f"{1000.0 * guard.BAD_OHM:g} mOhm"
    return [f"With a joint of the leads gone to {ohm} under full drive the guard does not do: {why}" for why in bad]


def _why(hunt: Hunt, refused: str) -> str:
    """Why nothing was found, with the limit that even the gentlest drive breaks."""
    gentlest = hunt.values.at(CAP_MIN)
    found = _broken(hunt, gentlest) if refused and hunt.bears.value is None else None
    return refused if found is None else f"{refused}; {found.limit} fails at {found.corner.name}: {found.why}"


def _binding(hunt: Hunt, settings: Settings) -> Binding | None:
    return binding(hunt.bed, settings, {**settings, **hunt.values.capped(1)})


def _broken(hunt: Hunt, settings: Settings) -> Binding | None:
    """What fails with some settings at the active corners; None where nothing does."""
    found = _binding(hunt, settings)
    return None if found is None or found.room >= 0.0 else found
