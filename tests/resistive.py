"""A vehicle whose bus has a closed form: a battery of one voltage, a known resistance, a known load.

Everything else of Moorhen is made exact and of no effect: flat cells without
RC pairs, temperature or spread, a thick lead, a switch of next to nothing.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import yaml
from file_cases import MOORHEN, command, controller

from sim.base.quantity import Toleranced

EMF_V = 14 * 3.6
JOINT_OHM = 0.02
# Leads, switch and cells besides the joint: two in parallel of the switch, eight cells abreast.
REST_OHM = 1e-9
IDLE_W = 300.0

CONSTANT = {
    "pack.cell.ocv_v": [[0.0, 3.6], [1.0, 3.6]],
    "pack.cell.r0_ohm": 1e-12,
    "pack.cell.r1_ohm": 0.0,
    "pack.cell.r2_ohm": 0.0,
    "pack.cell.activation_j_mol": 0.0,
    "pack.weak_capacity_frac": 1.0,
    "pack.weak_resistance_frac": 1.0,
    "leads.length_m": 1e-9,
    "leads.joint_ohm": JOINT_OHM,
    "main_switch.on_ohm": 1e-12,
    "supply.load_w": 1e-9,
    "esc.idle_w": IDLE_W,
    "esc.arm_s": 0.0,
    "esc.rise_frac_s": 1e6,
    "esc.cut_v": 20.0,
    "esc.on_v": 5.0,
    "esc.current_a_max": 1e6,
    "protection.slow_a": 1e6,
    "protection.fast_a": 1e6,
    "supply.boot_s": 0.0,
    # A rotor that does not get going is a resistor.
    "motor.inertia_kg_m2": 900.0,
    "motor.winding_ohm": 0.4,
    "esc.on_ohm": 0.1,
    "heat.motor.capacity_j_k": 1e9,
}


def exact(data: Any) -> Any:
    """The same tree without tolerances."""
    if isinstance(data, dict):
        return {key: exact(value) for key, value in data.items()}
    return float(Toleranced.read(data)) if isinstance(data, str) and "+-" in data else data


def vehicle(folder: Path, **numbers: Any) -> Path:
    """The vehicle's file, with single numbers or tolerances as given: keys with `__` for the dots."""
    data = exact(yaml.safe_load((MOORHEN / "moorhen.yaml").read_text(encoding="utf-8")))
    given = {key.replace("__", "."): value for key, value in numbers.items()}
    for key, value in (CONSTANT | given).items():
        *folders, last = key.split(".")
        entry = data
        for name in folders:
            entry = entry[name]
        entry[last] = value
    path = folder / "resistive.yaml"
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    return path


def scenario(folder: Path, requirements: list[dict[str, Any]], duty: float = 0.0, **keys: Any) -> Path:
    """A scenario of a twentieth of a second with it; both thrusters at a duty, held by a controller of its own."""
    pulse = f"{1000 + round(1000 * duty)}"
    controller(folder, command(left=pulse, right=pulse))
    entry = {
        "name": "resistive",
        "vehicle": "resistive.yaml",
        "controller": "mine.py",
        "water": {"kind": "lake", "temperature_degc": 25},
        "pack": {"charge_frac": 0.5},
        "attitude": "held",
        "rider": [],
        "duration_s": 0.05,
        "requirements": requirements,
    }
    path = folder / "resistive.scenario.yaml"
    path.write_text(yaml.safe_dump(entry | keys, sort_keys=False), encoding="utf-8")
    return path


def lowest(at_least: float = 40.0, measure: str = "minimum(bus_v)", name: str = "bus-high") -> dict[str, Any]:
    """The requirement that a measure, usually the bus, does not fall under a bound."""
    return {"id": name, "says": "It stays up.", "measure": measure, "at_least": at_least}


def held_power_v(ohm: float, power_w: float, emf_v: float = EMF_V) -> float:
    """The bus under a constant power: the upper root of V^2 - E V + R P = 0 (handbook form)."""
    return 0.5 * (emf_v + math.sqrt(emf_v * emf_v - 4.0 * ohm * power_w))


def resistor_v(ohm: float, siemens: float, emf_v: float = EMF_V) -> float:
    """The bus under a resistor: a divider."""
    return emf_v / (1.0 + ohm * siemens)
