"""What the throttle's lever reads under any end of any tolerance (row 4).

The physics is the world's own: ``lever.sensor_field``, ``hall.step`` of a
settled sensor, and the converter's scale. Codes are kept unrounded here, so
that slopes and errors of less than a count can be told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Literal, NamedTuple, TypeAlias

import numpy as np

from sim.base.errors import Fault, InputError
from sim.base.quantity import quantities
from sim.bench import build
from sim.bench.run import with_overrides
from sim.bench.vehicle import Vehicle
from sim.world import adc, hall, lever
from sim.world.magnets import Floats
from sim.world.water import FRESH_DEGC

# The sheet asks for a settled sensor, so that any tick will do.
TICK_US = 1000

# Headroom of a sensor whose output never stops.
NO_STOP_V = -1e9

Stage = Literal["built", "in use"]
Best: TypeAlias = Callable[[float, float], float]

MAGNETS = "magnet temperature"
SUPPLY = "sensor's supply"
LEAD = "battery lead's field"
GROUND = "ground wire's current"
# Numbers of throttle and sensor that a lever at rest does not show, or shows only with current.
SILENT = ("push_s", "return_s", "lead_distance_m", "bandwidth_hz", "noise", "spike", "ground_ohm")


class Influence(NamedTuple):
    """One quantity that moves the reading, with the band in which it lies.

    stage : "built" is what a calibration of the built unit removes, "in use" what comes after it.
    """

    name: str
    stage: Stage
    unit: str
    nominal: float
    low: float
    high: float


class Reading(NamedTuple):
    """The lever's whole travel: flux density, sensor voltage and unrounded code at each point.

    low_room, high_room : counts between what the sensor would give without its stops and the
        lower and upper stop; below 0 it stands there.
    """

    field_tesla: Floats
    hall_v: Floats
    codes: Floats
    low_room: Floats
    high_room: Floats


def influences(vehicle: Vehicle, magnet_degc: float) -> list[Influence]:
    """All that moves the reading, from the tolerances of the vehicle file and from what happens in use.

    Parameters
    ----------
    magnet_degc : where the unit is calibrated.

    Notes
    -----
    In use: magnets over the temperatures that fresh water has (0 to 40 degC); the
    sensor's supply from the brown-out, under which nothing reads it, to the rail's
    highest; the battery lead at its nearest with the current at which the
    protection trips, in either direction; the same current through the ground
    wire at its highest resistance.
    """
    found = []
    for part in ("throttle", "sensor", "converter"):
        for key, value in quantities(getattr(vehicle, part), f"{part}.").items():
            fixed = key != "converter.reference_v" or vehicle.converter.reference == "fixed"
            if value.low != value.high and fixed and not any(word in key for word in SILENT):
                found.append(Influence(key, "built", unit_of(key), float(value), value.low, value.high))
    rail, most_a = vehicle.supply.rail_v_nominal, float(vehicle.protection.slow_a.high)
    stray = lever.stray_field(most_a, vehicle.throttle.lead_distance_m.low)
    found.append(Influence(MAGNETS, "in use", "degC", magnet_degc, *FRESH_DEGC))
    found.append(Influence(SUPPLY, "in use", "V", float(rail), vehicle.supply.brown_out_v.low, rail.high))
    found.append(Influence(LEAD, "in use", "T", 0.0, -stray, stray))
    found.append(Influence(GROUND, "in use", "A", 0.0, 0.0, most_a))
    return found


def unit_of(key: str) -> str:
    """The unit of a key of throttle or sensor, as it is written."""
    ends = {"_tesla": "T", "_v_tesla": "V/T", "_frac_k": "1/K", "_m": "m", "_v": "V", "_v_nominal": "V"}
    return next((unit for end, unit in sorted(ends.items(), key=lambda item: -len(item[0])) if key.endswith(end)), "")


class Bench:
    """The lever of one vehicle, read under any values of its influences; each set of values is worked out once."""

    def __init__(self, vehicle: Vehicle, path: Path, magnet_degc: float, travel_frac: Floats) -> None:
        self.vehicle, self.path, self.magnet_degc, self.travel_frac = vehicle, path, magnet_degc, travel_frac
        self.counts_max = build.senses_params(vehicle, TICK_US).adc.counts_max
        self._known: dict[tuple[tuple[str, float], ...], Reading] = {}

    def read(self, values: Mapping[str, float]) -> Reading:
        """The reading with some influences at other values than their nominal ones.

        Raises
        ------
        InputError
            Tolerances that reach to a lever that cannot be built.
        """
        key = tuple(sorted(values.items()))
        if key not in self._known:
            try:
                self._known[key] = self._read(values)
            except ValueError as error:
                ends = ", ".join(f"{name} {value:g}" for name, value in key)
                expected = "a lever that can be built at every end of its tolerances"
                raise InputError([Fault(str(self.path), "throttle", expected, f"at {ends}: {error}")]) from error
        return self._known[key]

    def _read(self, values: Mapping[str, float]) -> Reading:
        built = {name: value for name, value in values.items() if "." in name}
        vehicle = with_overrides(self.vehicle, built, str(self.path))
        pins = build.senses_params(vehicle, TICK_US)
        sensor = pins.hall._replace(settled_frac=1.0, ground_ohm=vehicle.sensor.ground_ohm.high)
        magnets = build.lever_params(vehicle, values.get(MAGNETS, self.magnet_degc))
        field = lever.sensor_field(magnets, self.travel_frac)
        supply_v = values.get(SUPPLY, float(vehicle.supply.rail_v_nominal))
        bus_a = values.get(GROUND, 0.0)
        at_sensor = (field + values.get(LEAD, 0.0)).tolist()
        hall_v: Floats = np.array([settled_v(sensor, tesla, supply_v, bus_a) for tesla in at_sensor])
        endless = sensor._replace(headroom_v=NO_STOP_V)
        free_v: Floats = np.array([settled_v(endless, tesla, supply_v, bus_a) for tesla in at_sensor])
        per_v = pins.adc.counts_max / reference_v(pins.adc, supply_v)
        low_v = min(sensor.headroom_v, 0.5 * supply_v)
        return Reading(
            field,
            hall_v,
            np.clip(hall_v * per_v, 0.0, pins.adc.counts_max),
            (free_v - low_v) * per_v,
            (supply_v - low_v - free_v) * per_v,
        )

    def worst(self, chosen: Sequence[Influence], quantity: str, best: Best) -> Floats:
        """The least or greatest of a field of `Reading` at each point, each chosen influence at its worse end there.

        Parameters
        ----------
        best : ``min`` or ``max``.

        Notes
        -----
        Climbed one influence at a time, from end to end, until no other end is worse; so what two
        of them do together counts, and nothing is summed. An extreme inside a band is not looked for.
        """
        found = np.empty_like(self.travel_frac)
        ends: dict[str, float] = {}
        for index in range(len(found)):
            # The neighbour's ends are nearly always the right ones here too.
            ends, found[index] = self._climbed(chosen, quantity, best, index, ends)
        return found

    def _climbed(
        self, chosen: Sequence[Influence], quantity: str, best: Best, index: int, ends: dict[str, float]
    ) -> tuple[dict[str, float], float]:
        def at(values: Mapping[str, float]) -> float:
            return float(getattr(self.read(values), quantity)[index])

        value, before = at(ends), math.nan
        while value != before:
            before = value
            for each in chosen:
                for end in (each.low, each.high):
                    tried = {**ends, each.name: end}
                    if (other := at(tried)) != value and best(other, value) == other:
                        ends, value = tried, other
        return ends, value

    def span(self, chosen: Sequence[Influence]) -> tuple[Floats, Floats]:
        """The lowest and the highest code at each point, see `worst`."""
        return self.worst(chosen, "codes", min), self.worst(chosen, "codes", max)


def settled_v(sensor: hall.Params, field_tesla: float, supply_v: float, bus_a: float) -> float:
    """The sensor's output for a field that stays; needs a sensor whose `settled_frac` is 1."""
    quiet = hall.Inputs(field_tesla, supply_v, 0.0, 0.0, bus_a, hall.SOUND)
    return hall.step(sensor, hall.initial(sensor), quiet)[1]


def reference_v(converter: adc.Params, supply_v: float) -> float:
    """What the converter's full scale stands for, as in ``adc.counts``."""
    return supply_v if converter.follows_supply == 1 else converter.reference_v
