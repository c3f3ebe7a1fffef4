"""Which limit is nearest, where, and how near (row 4)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sim.jobs.trials import Corner
from sim.jobs.tune.bed import Bed, Driven, Settings

# What a limit may be worth at rest and still scale a margin.
ROOM_MIN = 1e-9
BROKEN = float("-inf")


@dataclass(frozen=True, slots=True)
class Binding:
    """A limit at a corner, with some drive.

    room : the margin as a share of what it is at rest: 1 is untouched, 0 at the limit; minus infinity for what is
        broken and has no distance.
    driven : the run that shows it.
    """

    limit: str
    corner: Corner
    margin: float | None
    unit: str
    room: float
    why: str
    driven: Driven

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        room = None if self.room == BROKEN else self.room
        told = {"limit": self.limit, "margin": self.margin, "unit": self.unit, "room_frac": room, "why": self.why}
        return {**told, "corner": self.corner.name}


def binding(bed: Bed, settings: Settings, at_rest: Settings, places: Sequence[int] | None = None) -> Binding | None:
    """The nearest limit at some corners, the active ones if none are named; None where no limit has a distance.

    Parameters
    ----------
    at_rest : the same without drive, which tells what each margin is worth.

    Notes
    -----
    Of those broken one with a distance is named first: that the bus fell under its limit tells more than that an ESC
    then cut.
    """
    chosen = list(bed.active if places is None else places)
    # All at once, on all cores.
    bed.drives([at_rest, settings], chosen)
    every = [each for place in chosen for each in rooms(bed, settings, at_rest, place)]
    measured = [each for each in every if BROKEN < each.room < 0.0]
    return min(measured or every, key=lambda each: each.room, default=None)


def rooms(bed: Bed, settings: Settings, at_rest: Settings, place: int) -> list[Binding]:
    """Every limit at a corner, with its room."""
    corner = bed.corners[place]
    (still,), (driven,) = bed.drives([at_rest, settings], [place])
    if driven.crash:
        return [Binding("controller", corner, None, "", BROKEN, driven.crash, driven)]
    worth = {verdict.id: verdict.margin for verdict in still.verdicts}
    found = []
    for verdict in driven.verdicts:
        room = _room(verdict.margin, worth.get(verdict.id), verdict.verdict)
        if room is not None:
            found.append(Binding(verdict.id, corner, verdict.margin, verdict.unit, room, verdict.why, driven))
    return found


def _room(margin: float | None, at_rest: float | None, verdict: str) -> float | None:
    """A margin as a share of what it is at rest; none where nothing is known."""
    if margin is None:
        return BROKEN if verdict == "fail" else None
    if at_rest is None or at_rest < ROOM_MIN:
        # A limit that is not tried at rest, such as a latency without drive: it has a distance but no scale.
        return None if margin >= 0.0 else BROKEN
    return margin / at_rest
