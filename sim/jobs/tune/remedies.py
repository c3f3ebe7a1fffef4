"""What else would let the wished drive be, where no ramp can (row 4).

Each remedy is one change of the vehicle or of its use. It is named as one that
does only if every corner passes with it, driven with the wished cap and the
slowest ramp; of one that would not do it is told what the supply would bear.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any, NamedTuple

from sim.base.errors import InputError
from sim.bench import build
from sim.bench.vehicle import Vehicle
from sim.jobs.trials import Corner, at
from sim.jobs.tune.bed import Bed, Settings
from sim.jobs.tune.search import largest, on_grid, smallest

# Cells in parallel that may be added.
CELLS_MAX = 4
# Parts in which a change of a whole is looked for.
PARTS = 100
WARMEST_DEGC = 45
# An ESC's cut-off and the pack's slow trip may be set otherwise by these shares.
CUT_FRAC, TRIP_FRAC = 0.15, 0.4


@dataclass(frozen=True, slots=True)
class Remedy:
    """One change.

    says : in words, with the least size that would do, or in its whole where even that would not.
    works : whether every corner passes with it at the wished cap.
    bears_permille : what the supply then bears with the slowest ramp; None where it is no more than without.
    """

    says: str
    works: bool
    bears_permille: int | None

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return asdict(self)


class Change(NamedTuple):
    """A change of a corner's vehicle or day, from a size of 1 to its whole.

    made : the numbers of the vehicle that change, or the pack's, for a vehicle, a corner and a size.
    says : it in words, with a size.
    at_most : in words, whole.
    """

    whole: int
    made: Callable[[Vehicle, Corner, int], Corner]
    says: Callable[[int], str]
    at_most: str


def remedies(bed: Bed, at_cap: Callable[[int], Settings], wish: int, bears: int, grid: int) -> tuple[Remedy, ...]:
    """Changes tried one by one, those that do first.

    Parameters
    ----------
    at_cap : the settings at a cap, with the slowest ramp.
    wish : the cap that fails at some corner.
    bears : the highest that fails at none.
    grid : caps between them are multiples of it.
    """
    bench = bed.ride.case.bench
    own = [(at(bench, bed.corners[place]).vehicle, bed.corners[place]) for place in bed.active]
    found = []
    for change in changes(own):
        passes = partial(_passes, bed, own, change)
        size = smallest(partial(passes, at_cap(wish)), 1, change.whole, probes=0).value
        if size is not None:
            found.append(Remedy(change.says(size), True, wish))
            continue
        more = on_grid(largest, partial(_bears, passes, at_cap, change.whole), bears, wish, grid).value
        found.append(Remedy(change.at_most, False, more if more is not None and more > bears else None))
    return tuple(sorted(found, key=lambda remedy: (not remedy.works, -(remedy.bears_permille or 0))))


Own = Sequence[tuple[Vehicle, Corner]]


def _passes(bed: Bed, own: Own, change: Change, settings: Settings, size: int) -> bool:
    """Whether every corner passes with a change of it."""
    try:
        return bed.passes(settings, bed.add([change.made(*each, size) for each in own], active=False))
    except InputError:
        # No such vehicle.
        return False


def _bears(passes: Callable[[Settings, int], bool], at_cap: Callable[[int], Settings], whole: int, cap: int) -> bool:
    return passes(at_cap(cap), whole)


def changes(own: Own) -> tuple[Change, ...]:
    """What may be changed, with words that fit the vehicle at its corners."""
    lead_ohm = max(build.leads_ohm(vehicle.leads, corner.water.temperature_degc) for vehicle, corner in own)
    cut_v = max(float(vehicle.esc.cut_v) for vehicle, _ in own)
    trip_a = min(float(vehicle.protection.slow_a) for vehicle, _ in own)
    # The slow trip stays under the fast one.
    room_a = min(float(vehicle.protection.fast_a - vehicle.protection.slow_a) for vehicle, _ in own)
    trip_more = max(math.ceil(min(TRIP_FRAC * trip_a, room_a)) - 1, 1)
    cut_less = max(int(10.0 * CUT_FRAC * cut_v), 1)

    def leads(parts: int) -> str:
        return f"{1e3 * lead_ohm * parts / PARTS:.1f} mOhm less in the leads"

    def cells(count: int) -> str:
        return f"{('one', 'two', 'three', 'four')[count - 1]} more parallel cell{'s' if count > 1 else ''}"

    def cut(tenths: int) -> str:
        return f"an ESC cut-off of {cut_v - tenths / 10.0:.1f} V"

    def trip(amperes: int) -> str:
        return f"a slow trip of {trip_a + amperes:.0f} A"

    return (
        Change(PARTS, _less_lead, leads, "leads without any resistance"),
        Change(CELLS_MAX, _more_cells, cells, cells(CELLS_MAX)),
        Change(100, _charged, lambda n: f"full drive only above {n} % of charge", "a full pack"),
        Change(WARMEST_DEGC, _warmed, lambda n: f"a pack of {n} degC at least", f"a pack of {WARMEST_DEGC} degC"),
        Change(cut_less, _lower_cut, cut, cut(cut_less)),
        Change(trip_more, _higher_trip, trip, trip(trip_more)),
    )


def _set(corner: Corner, numbers: Mapping[str, float]) -> Corner:
    return replace(corner, vehicle_set={**corner.vehicle_set, **numbers})


def _less_lead(vehicle: Vehicle, corner: Corner, parts: int) -> Corner:
    """The leads and their joints with so many parts of their resistance less."""
    # No lead is shorter than nothing.
    left = max(1.0 - parts / PARTS, 1e-6)
    leads = vehicle.leads
    length_m, joint_ohm = left * float(leads.length_m), left * float(leads.joint_ohm)
    return _set(corner, {"leads.length_m": length_m, "leads.joint_ohm": joint_ohm})


def _more_cells(vehicle: Vehicle, corner: Corner, count: int) -> Corner:
    """More cells abreast are as good as so much better ones: a vehicle's numbers alone may be set, not its counts."""
    more = (vehicle.pack.parallel + count) / vehicle.pack.parallel
    cell = vehicle.pack.cell
    ohms = {f"pack.cell.{name}": float(getattr(cell, name)) / more for name in ("r0_ohm", "r1_ohm", "r2_ohm")}
    return _set(corner, {**ohms, "pack.cell.capacity_ah": more * float(cell.capacity_ah)})


def _lower_cut(vehicle: Vehicle, corner: Corner, tenths: int) -> Corner:
    return _set(corner, {"esc.cut_v": float(vehicle.esc.cut_v) - tenths / 10.0})


def _higher_trip(vehicle: Vehicle, corner: Corner, amperes: int) -> Corner:
    return _set(corner, {"protection.slow_a": float(vehicle.protection.slow_a) + amperes})


def _charged(vehicle: Vehicle, corner: Corner, percent: int) -> Corner:
    charge = max(corner.pack.charge_frac, percent / 100.0)
    return replace(corner, pack=corner.pack.model_copy(update={"charge_frac": charge}))


def _warmed(vehicle: Vehicle, corner: Corner, degc: int) -> Corner:
    held = corner.pack.temperature_degc
    own = corner.water.temperature_degc if held is None else held
    return replace(corner, pack=corner.pack.model_copy(update={"temperature_degc": max(own, float(degc))}))
