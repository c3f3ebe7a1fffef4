"""Sweep files for tests: a short dive, what is changed in it, and a controller that fails when told to."""

from __future__ import annotations

from pathlib import Path

MOORHEN = Path(__file__).parents[1] / "sim" / "moorhen"

SCENARIO = f"""
name: short dive
vehicle: {MOORHEN / "moorhen.yaml"}
vehicle_set: {{esc.arm_s: 0.1}}
controller: first_draft
water: {{kind: pool, temperature_degc: 15}}
pack: {{charge_frac: 0.5}}
attitude: held
duration_s: 1.2
rider:
  - {{at_s: 0.2, mode_button: true}}
  - {{at_s: 0.3, deadman: true}}
  - {{at_s: 0.5, lever_frac: 1.0}}
  - {{at_s: 1.0, deadman: false}}
faults:
  - {{kind: sensor_drift, at_s: 0.7, until_s: 0.9, amount: 0.1}}
requirements:
  - {{id: bus, says: The bus stays up., formula: always(bus_v >= esc_cut_v + 0.5)}}
  - {{id: stop, says: It stops., after: deadman_pressed == 0, expect: left_pulse_us <= stop_us, within_s: 0.1}}
  - {{id: pull, says: It pulls., measure: maximum(thrust_n), at_least: 1}}
  - {{id: quiet, says: No ESC cuts., formula: never(state(left_esc_mode >= 3))}}
"""

# Of pulses over 1900 us it makes an error, of exactly 1800 us the end of the process.
CONTROLLER = """
import os
from typing import NamedTuple
from controllers.board import Command, Inputs

LIMITS = {"pulse_us": (800, 2200)}


class Params(NamedTuple):
    tick_us: int
    pulse_us: int = 1000


class State(NamedTuple):
    ticks: int


def initial(params):
    return State(ticks=0)


def step(params, state, inputs):
    if params.pulse_us > 1900:
        raise RuntimeError("too long a pulse")
    if params.pulse_us == 1800:
        os._exit(3)
    return State(ticks=state.ticks + 1), Command(
        left_pulse_us=params.pulse_us, right_pulse_us=params.pulse_us, power_step=1, display=1, mode=0, reason=0,
        lever_permille=0,
    )
"""


def scenario(folder: Path, text: str = SCENARIO) -> Path:
    """The scenario file in a folder."""
    path = folder / "dive.scenario.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def sweep_file(folder: Path, quantities: str, rest: str = "", base: str = SCENARIO, name: str = "s") -> Path:
    """A sweep file over the scenario, which is written beside it.

    Parameters
    ----------
    quantities : a line each.
    rest : the file's other keys.
    """
    scenario(folder, base)
    lines = "".join(f"  {line.strip()}\n" for line in quantities.strip().splitlines())
    path = folder / f"{name}.sweep.yaml"
    path.write_text(f"scenario: dive.scenario.yaml\nquantities:\n{lines}{rest}\n", encoding="utf-8")
    return path


def own_controller(folder: Path) -> str:
    """The short dive with the controller that fails when told to, written beside it."""
    (folder / "own.py").write_text(CONTROLLER, encoding="utf-8")
    text = SCENARIO.replace("controller: first_draft", "controller: own.py")
    return text.replace("duration_s: 1.2", "duration_s: 1.1")
