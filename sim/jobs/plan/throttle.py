"""What a build's throttle reads, and the controller calibrated to it as a builder would (row 4)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from sim.bench import run as bench
from sim.bench.build import magnets, senses_params
from sim.bench.vehicle import Vehicle
from sim.world import adc, lever

CALIBRATED = ("rest_counts", "full_counts")
"""The usual names of the parameters that a builder takes from the sensor at hand."""
WINDOW = {"window_low_counts": 0, "window_high_counts": 1}
"""Likewise of the window outside which a reading is not believed: each keeps its distance from rest, or from full."""


def calibrates(params: Any) -> bool:
    """Whether a controller has parameters of the usual names."""
    return all(hasattr(params, name) for name in CALIBRATED)


def readings(vehicle: Vehicle, degc: float, tick_us: int) -> tuple[float, float]:
    """Counts with the lever at rest and fully pulled, without noise or current, at the nominal supply.

    Parameters
    ----------
    degc : of the magnets.
    """
    params = senses_params(vehicle, tick_us)
    field_tesla = lever.sensor_field(magnets(vehicle.throttle, degc), np.array([0.0, 1.0]))
    rail_v = float(vehicle.supply.rail_v_nominal)
    ideal_v = 0.5 * rail_v + params.hall.sensitivity_v_tesla * rail_v / params.hall.supply_v_nominal * field_tesla
    out_v = np.clip(ideal_v, params.hall.headroom_v, rail_v - params.hall.headroom_v)
    rest, full = (float(adc.counts(params.adc, float(volts), rail_v)) for volts in out_v)
    return rest, full


def calibrated(ready: bench.Bench, filed: tuple[float, float]) -> bench.Bench:
    """The bench with its controller calibrated to its own throttle as it was to the vehicle as filed.

    Parameters
    ----------
    filed : what the throttle reads with the vehicle's numbers as filed.

    Notes
    -----
    A controller without parameters of the usual names, or a throttle that does not move, stays as it is.
    """
    controller = ready.controller
    if not calibrates(controller.params) or filed[0] == filed[1]:
        return ready
    rest, full = readings(ready.vehicle, ready.scenario.water.temperature_degc, ready.scenario.tick_us)
    stretch = (full - rest) / (filed[1] - filed[0])
    params = controller.params
    told = {name: round(rest + (getattr(params, name) - filed[0]) * stretch) for name in CALIBRATED}
    largest = (1 << ready.vehicle.converter.bits) - 2
    for name, end in WINDOW.items():
        if hasattr(params, name):
            told[name] = round(min(max(getattr(params, name) + (rest, full)[end] - filed[end], 1), largest))
    return replace(ready, controller=replace(controller, params=params._replace(**told)))
