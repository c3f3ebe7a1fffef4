"""What the vehicle file makes of the lever: counts for a field, and the volts behind a count (row 4)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.bench.build import magnets
from sim.jobs.fit.interval import Floats
from sim.jobs.fit.trace import Given, Trace
from sim.world import lever
from sim.world.hall import Params as HallParams


@dataclass(frozen=True, slots=True)
class Codes:
    """Sensor and converter of a vehicle, settled and without noise.

    counts_max : full scale. supply_v : of sensor and logic. counts_per_v : of the sensor's output.
    magnets : as the file has them, at the temperature of the day.
    """

    counts_max: int
    supply_v: float
    counts_per_v: float
    hall: HallParams
    magnets: lever.LeverParams
    travel_m: float

    @classmethod
    def of(cls, given: Given) -> Codes:
        """Of a vehicle file; a sensor that has another supply than the file's needs another file."""
        vehicle = given.vehicle
        supply_v = float(vehicle.supply.rail_v_nominal)
        counts_max = (1 << vehicle.converter.bits) - 1
        follows = vehicle.converter.reference == "follows_supply"
        reference_v = supply_v if follows else float(vehicle.converter.reference_v)
        sensor = vehicle.sensor
        return cls(
            counts_max,
            supply_v,
            counts_max / reference_v,
            HallParams(
                sensitivity_v_tesla=float(sensor.sensitivity_v_tesla),
                supply_v_nominal=float(sensor.supply_v_nominal),
                settled_frac=1.0,
                headroom_v=float(sensor.headroom_v),
                ground_ohm=0.0,
            ),
            magnets(vehicle.throttle, given.temperature_degc),
            float(vehicle.throttle.travel_m),
        )

    @property
    def v_per_tesla(self) -> float:
        """The sensor's sensitivity at this supply."""
        return self.hall.sensitivity_v_tesla * self.supply_v / self.hall.supply_v_nominal

    def counts(self, carriage: lever.LeverParams, travel_frac: Floats) -> Floats:
        """Unrounded counts over the travel, held between the sensor's stops and the converter's ends.

        Raises
        ------
        ValueError
            A lever that cannot be built.
        """
        field = lever.sensor_field(carriage, travel_frac)
        low_v = min(self.hall.headroom_v, 0.5 * self.supply_v)
        volts = np.clip(0.5 * self.supply_v + self.v_per_tesla * field, low_v, self.supply_v - low_v)
        counts: Floats = np.clip(volts * self.counts_per_v, 0.0, self.counts_max)
        return counts

    @property
    def rest(self) -> float:
        """Counts at rest, as the file has it."""
        return float(self.counts(self.magnets, np.array([0.0]))[0])

    @property
    def full(self) -> float:
        """Counts at full, as the file has it."""
        return float(self.counts(self.magnets, np.array([1.0]))[0])

    def nearer_rest(self, counts: float) -> bool:
        """Whether a level is nearer to what the file has at rest than at full."""
        return abs(counts - self.rest) <= abs(counts - self.full)

    def place(self, trace: Trace) -> Floats:
        """The lever's true position, 0 to 1; the recording has it."""
        frac = trace.get("lever_frac")
        return frac if frac is not None else trace.table["lever_m"] / self.travel_m
