"""The closed loop beside a second one, written in C by hand from the same equations: see ``benchmarks/loop.c``."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

import numpy as np
import pytest
from benchmarks.in_c import LoopInC
from conftest import moorhen_bench
from numpy.typing import NDArray

from controllers.board import Command, Inputs
from sim.bench import loop
from sim.bench.run import prepare
from sim.world import esc, protection, supply

# Sums in another order round otherwise; a run of 20 s carries that on. Relative to the largest value of a column.
ROUNDING = 1e-9


def highest_step(at_s: float) -> list[dict[str, Any]]:
    """Presses of the mode button up to the first draft's fourth step."""
    return [{"at_s": at_s + 0.1 * edge, "mode_button": edge % 2 == 0} for edge in range(6)]


SOUND: dict[str, Any] = {
    "name": "sound",
    "attitude": "towed",
    "water": {"kind": "salt_pool"},
    "duration_s": 12.0,
    "rider": [
        {"at_s": 2.5, "mode_button": True},
        {"at_s": 2.6, "mode_button": False},
        {"at_s": 2.8, "mode_button": True},
        {"at_s": 2.9, "mode_button": False},
        {"at_s": 3.0, "deadman": True},
        {"at_s": 3.2, "lever_frac": 1.0},
        {"at_s": 8.0, "lever_frac": 0.4},
        {"at_s": 10.0, "deadman": False},
    ],
}
# Full power on a weak pack through everything that can break: a low cell, a long overcurrent and a short trip.
BROKEN: dict[str, Any] = {
    "name": "broken",
    "attitude": "held",
    "water": {"kind": "lake", "temperature_degc": 4},
    "pack": {"charge_frac": 0.4, "temperature_degc": 10, "resistance_growth_frac": 0.3},
    "vehicle_set": {
        "protection.cell_v_low": 2.85,
        "protection.cell_low_delay_s": 0.2,
        "protection.slow_a": 119,
        "esc.cut_v": 34,
        "esc.current_a_max": 110,
        "sensor.noise_v_rms": 0.05,
    },
    "duration_s": 18.0,
    # After each stop the dead-man is let go, since speed controllers arm on nothing but stop pulses.
    "rider": [
        *highest_step(1.2),
        {"at_s": 2.0, "deadman": True, "lever_frac": 1.0},
        {"at_s": 4.0, "deadman": False},
        *highest_step(4.6),
        {"at_s": 5.5, "deadman": True},
        {"at_s": 6.4, "deadman": False},
        {"at_s": 7.0, "deadman": True},
        {"at_s": 9.6, "deadman": False},
        *highest_step(10.0),
        {"at_s": 11.2, "deadman": True},
        {"at_s": 12.5, "kill_cord": 0.0},
        {"at_s": 13.0, "kill_cord": 1.0, "deadman": False},
        *highest_step(13.3),
        {"at_s": 14.5, "deadman": True},
    ],
    "faults": [
        {"kind": "left_fouled", "at_s": 3.0, "until_s": 3.8, "amount": 8.0},
        {"kind": "protection_release", "at_s": 4.0},
        {"kind": "joint_corroded", "at_s": 6.0, "until_s": 6.3, "amount": 0.4},
        {"kind": "sensor_open", "at_s": 7.4, "until_s": 7.6},
        {"kind": "sensor_short_high", "at_s": 7.6, "until_s": 7.8},
        {"kind": "sensor_dropped", "at_s": 7.8, "until_s": 8.0, "amount": 0.5},
        {"kind": "right_signal_lost", "at_s": 8.2, "until_s": 9.0},
        {"kind": "joint_corroded", "at_s": 9.3, "until_s": 9.5, "amount": 8.0},
        {"kind": "chip_reset", "at_s": 11.8},
        {"kind": "switch_welded", "at_s": 12.7, "until_s": 12.8},
        {"kind": "right_esc_dead", "at_s": 15.5, "until_s": 16.0},
        {"kind": "left_fouled", "at_s": 16.5, "amount": 3.0},
        {"kind": "right_fouled", "at_s": 16.5, "amount": 3.0},
    ],
}


SCENARIOS = {each["name"]: each for each in (SOUND, BROKEN)}


class Both(NamedTuple):
    """One run by each loop, by column name."""

    ours: dict[str, NDArray[np.float64]]
    in_c: dict[str, NDArray[np.float64]]


@cache
def run_by_both(name: str) -> Both:
    bench = moorhen_bench(**SCENARIOS[name] | {"controller": "first_draft"})
    ready = prepare(bench)
    ours = loop.run(bench.controller, *ready)
    with TemporaryDirectory() as folder:
        in_c = LoopInC(bench.controller, Path(folder)).run(ready)
    return Both(dict(zip(loop.RECORDED, ours, strict=True)), dict(zip(loop.RECORDED, in_c, strict=True)))


@pytest.fixture(params=SCENARIOS)
def both(request: pytest.FixtureRequest) -> Both:
    return run_by_both(request.param)


def apart(both: Both, name: str) -> float:
    """The largest difference of a column over its largest value."""
    largest = float(np.max(np.abs(both.ours[name])))
    return float(np.max(np.abs(both.ours[name] - both.in_c[name]))) / (largest or 1.0)


def test_commands_and_pins_are_the_same(both: Both) -> None:
    """INDEPENDENT, the loop in C: every pin and every command of every tick."""
    for name in (*Inputs._fields, *Command._fields):
        assert np.array_equal(both.ours[name], both.in_c[name]), name


def test_bus_and_speeds_agree(both: Both) -> None:
    """INDEPENDENT, the loop in C: bus voltage, both rotors and the hull, to rounding."""
    for name in ("bus_v", "left_rad_s", "right_rad_s", "speed_m_s"):
        assert apart(both, name) < ROUNDING, name


def test_everything_else_agrees(both: Both) -> None:
    """INDEPENDENT, the loop in C: every other column, to rounding."""
    differences = {name: apart(both, name) for name in loop.RECORDED}
    assert {name: difference for name, difference in differences.items() if difference >= ROUNDING} == {}


def test_the_broken_run_goes_through_what_can_break() -> None:
    """The comparison says nothing of a branch that neither loop takes."""
    seen = {name: set(column) for name, column in run_by_both("broken").ours.items()}
    assert seen["collapsed"] == {0.0, 1.0}
    assert seen["right_esc_mode"] == {esc.UNPOWERED, esc.ARMING, esc.READY, esc.CUT, esc.SIGNAL_LOST}
    assert seen["protection_tripped"] >= {protection.CLOSED, protection.CELL_LOW, protection.CURRENT_HIGH}
    assert seen["chip"] == {supply.RUNNING, supply.HELD, supply.BOOTING}
    assert seen["switch_closed"] == {0.0, 1.0}
