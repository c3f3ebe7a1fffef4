"""A vehicle whose steady drive has a closed form, on one day, and what `drydive tune` comes to on it.

Nothing here calls the simulation's physics: duty on a winding behind a back
voltage, a propeller at a standstill, a source behind one resistance.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import yaml
from resistive import EMF_V, vehicle
from scipy.optimize import brentq

from sim.jobs.envelope import Age, Envelope
from sim.jobs.tune.bed import Bed
from sim.jobs.tune.drive import Drive, prepared
from sim.jobs.tune.knobs import knobs_of
from sim.jobs.tune.tune import tune
from sim.jobs.tune.tuned import Tuned

DAY = Envelope(
    charge_frac=(0.5,),
    pack_degc=(25.0,),
    ages=(Age(name="new"),),
    water=("lake",),
    water_degc=(25.0,),
    attitudes=("held",),
)
JOINT_OHM = 0.1
KV_RPM_V = 42.0
# Winding and ESC; the winding stays as warm as the water, for which its resistance is given.
MOTOR_OHM = 0.06
NO_LOAD_A = 1.4
DIAMETER_M = 0.21
KT, KQ = 0.3, 0.05
# The lake's at 25 degC: Kell (1975) gives 997.05; the tolerance of what it is used for covers the rest.
WATER_KG_M3 = 997.05
DRIVE = {
    "motor.inertia_kg_m2": 0.0035,
    "motor.winding_ohm": 0.054,
    "motor.no_load_a": NO_LOAD_A,
    "motor.kv_rpm_v": KV_RPM_V,
    "esc.on_ohm": 0.006,
    "esc.idle_w": 1e-9,
    "leads.joint_ohm": JOINT_OHM,
    "esc.rise_frac_s": 1000.0,
    "esc.cut_v": 40.0,
}
PROPELLER = {"diameter_m": DIAMETER_M, "kt_at_0": KT, "kq_at_0": KQ, "j_zero_thrust": 0.9, "kq_at_zero_thrust": 0.01}
BUS_ALONE = "standard:\n  take: [bus-above-esc-cut]\n"


def filed(folder: Path, **numbers: Any) -> Path:
    """The vehicle's file, single numbers as given with `__` for the dots."""
    path = vehicle(folder, **DRIVE, **numbers)
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    data["propeller"] = PROPELLER
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    return path


def ride(folder: Path, limits: str = BUS_ALONE, hold_s: float = 3.0, **numbers: Any) -> Drive:
    """The tuning ride on it."""
    (folder / "limits.yaml").write_text(limits, encoding="utf-8")
    vehicle = filed(folder, **numbers)
    return prepared(vehicle, "reference", None, folder / "limits.yaml", hold_s, "compiled")


def tuned(folder: Path, fixed: dict[str, int] | None = None, mapped: bool = False, **ride_keys: Any) -> Tuned:
    """What a tuning on that one day comes to, in this process alone."""
    given = ride(folder, **ride_keys)
    with Bed(given, workers=1) as bed:
        return tune(bed, knobs_of(given.case.bench.controller), fixed or {}, DAY, mapped=mapped)


def rotor_rad_s(duty: float, ohm: float = JOINT_OHM) -> float:
    """Where both motors' torque is their propellers': K (I - I0) = KQ rho n^2 D^5, with I from Kirchhoff's laws."""
    k = 60.0 / (2.0 * math.pi * KV_RPM_V)

    def over_nm(rad_s: float) -> float:
        turns = rad_s / (2.0 * math.pi)
        return k * (motor_a(duty, rad_s, ohm) - NO_LOAD_A) - KQ * WATER_KG_M3 * turns**2 * DIAMETER_M**5

    return float(brentq(over_nm, 0.0, duty * EMF_V / k))


def motor_a(duty: float, rad_s: float, ohm: float = JOINT_OHM) -> float:
    """One motor's current: d V - K w = Rm I on a bus V = E - R 2 d I."""
    k = 60.0 / (2.0 * math.pi * KV_RPM_V)
    return (duty * EMF_V - k * rad_s) / (MOTOR_OHM + 2.0 * duty * duty * ohm)


def bus_v(duty: float, ohm: float = JOINT_OHM) -> float:
    """The bus that both motors leave."""
    return EMF_V - ohm * 2.0 * duty * motor_a(duty, rotor_rad_s(duty, ohm), ohm)


def duty_at(volts: float, ohm: float = JOINT_OHM) -> float:
    """The duty that pulls the bus down to so much."""
    return float(brentq(lambda duty: bus_v(duty, ohm) - volts, 0.05, 1.0))
