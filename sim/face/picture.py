"""What a figure shows: a table, its events and limits, verdicts in words, and where something is wrong (row 5)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import US_PER_S
from sim.bench.events import RIDERS_OWN_S, Event
from sim.face.look import Floats, Run, runs
from sim.record.table import Table
from sim.verdict.finding import Outcome
from sim.world import esc, protection, supply

Mask = NDArray[np.bool_]


class Verdict(NamedTuple):
    """A requirement's outcome, and what it is about in words."""

    outcome: Outcome
    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    """What a figure shows.

    Attributes
    ----------
    table : at least one row; panels appear for the columns it has.
    events : in order of time.
    limits : as ``Vehicle.limits()`` names them; those missing are not drawn.
    modes : the controller's words for its modes.
    closest : the closest margin in words, for the head.
    """

    title: str
    subtitle: str
    table: Table
    events: tuple[Event, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    modes: Mapping[int, str] = field(default_factory=dict)
    verdicts: tuple[Verdict, ...] = ()
    closest: str = ""

    def __post_init__(self) -> None:
        if not len(self.table):
            raise ValueError("a picture needs a table with at least one row")

    @property
    def t_s(self) -> Floats:
        """The table's clock in seconds."""
        return self.table.t_us / US_PER_S

    @property
    def span_s(self) -> tuple[float, float]:
        """The time axis; a single row gets a millisecond."""
        t_s = self.t_s
        return float(t_s[0]), float(max(t_s[-1], t_s[0] + 1e-3))


def has(table: Table, *names: str) -> bool:
    """Whether the table has at least one of the columns."""
    return any(name in table for name in names)


def trouble(picture: Picture) -> list[tuple[str, Mask]]:
    """Everything that is wrong at some time, in words, and the rows in which it is."""
    table = picture.table
    found: list[tuple[str, Mask]] = []
    for words, state in (("cut off", esc.CUT), ("no signal", esc.SIGNAL_LOST)):
        for side in ("left", "right"):
            if f"{side}_esc_mode" in table:
                found.append((f"{side} ESC {words}", table[f"{side}_esc_mode"] == state))
    if "protection_tripped" in table:
        found.append(("pack open", table["protection_tripped"] != protection.CLOSED))
    if "chip" in table:
        # The first boot is no reset.
        booted = np.logical_or.accumulate(table["chip"] == supply.RUNNING)
        found.append(("chip in reset", booted & (table["chip"] != supply.RUNNING)))
    if "collapsed" in table:
        found.append(("bus collapsed", table["collapsed"] > 0.5))
    return [(words, mask) for words, mask in found if mask.any()]


def stretches(picture: Picture, mask: Mask) -> list[Run]:
    """Where a condition holds."""
    return [run for run in runs(picture.t_s, mask.astype(np.float64)) if run.value > 0.5]


def lengthened(picture: Picture, mask: Mask) -> Mask:
    """A contact's truth, each press longer by the time that filter and debounce may take."""
    t_s = picture.t_s
    last_s = np.maximum.accumulate(np.where(mask, t_s, -np.inf))
    longer: Mask = t_s - last_s <= RIDERS_OWN_S
    return longer
