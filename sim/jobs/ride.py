"""The ride that every cell of a fault matrix makes: its script, its scenario, the rules it must keep (row 4).

The rider starts, drives, lets the lever dip, lets the dead-man go and, last of
all, pulls the kill cord, so that each cell asks whether all of these still
work with one thing broken. The rules are requirements like any other.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple, TypeAlias

from sim.base.errors import Fault, InputError
from sim.bench import run as bench
from sim.bench.control import SOURCES, Controller
from sim.bench.scenario import AMOUNTS
from sim.jobs.case import CaseFile
from sim.verdict.entry import RequirementEntry
from sim.world import supply

PHASES = ("start", "arming", "ramping", "full", "releasing", "step change", "after reset")
NO_FAULT = "no fault"
"""The cell that all others of its phase and water are compared with: the same ride, nothing broken."""

SIZES = {
    "sensor_drift": 0.5,
    "sensor_noise": 0.3,
    "sensor_dropped": 0.5,
    "joint_corroded": 0.05,
    "left_fouled": 3.0,
    "right_fouled": 3.0,
}
"""The amount of each fault that needs one: well outside what is normal, short of what anybody would see at once."""

# Bounce, line filter and a tick or two, on top of what a controller states from the pin on.
PIN_ALLOWANCE_S = 0.05
# Pulse frame, the ESC's own slew and the rotor's spin-down, on top of what is commanded.
SPIN_DOWN_S = 0.6
# More thrust than this pushes; a rotor dragged through the water makes less.
PUSHES_N = 5.0
# With less than this share of the other's thrust a thruster leaves the other alone.
ALONE_FRAC = 0.1
# Drive beyond the lever's by more than this share of full surprises a rider: common practice, no source.
EXCESS_FRAC = 0.1
# More than this share of full from nothing within this time is a start; less is the noise of a lever at rest.
STARTS_FRAC = 0.05
RISE_S = 0.5
# What a controller does this long after a hand's movement, or after the dead-man was let go, may still come of it.
HAND_S = 0.6
UNHELD_S = 0.2
# A gesture may ask for so much quiet before it, and for less after it.
QUIET_S = 3.2
# For so long the rider waits for the dead-man to end the drive, and then pulls the cord.
PATIENCE_S = 1.2

Attitude: TypeAlias = Literal["held", "towed", "worn"]


class Stated(NamedTuple):
    """What a controller says of itself, in seconds; each a function of its parameters named so, ending in _ms."""

    deadman_latency: float
    kill_latency: float
    sensor_latency: float
    thruster_latency: float
    start_delay: float


COMMON = Stated(deadman_latency=0.5, kill_latency=0.1, sensor_latency=0.5, thruster_latency=1.5, start_delay=2.0)
"""What is taken for a controller that does not say: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Ride:
    """What all cells of a matrix share; `prepared` makes one.

    vehicle, controller, params : as a scenario names them, from any folder.
    lasting_s : how long a fault lasts; None is to the end.
    stated : the controller's own words, or common ones.
    boot_s, arm_s : the vehicle's.
    """

    vehicle: str
    controller: str
    params: str | None
    attitude: Attitude
    seed: int
    control_hz: float
    lasting_s: float | None
    stated: Stated
    boot_s: float
    arm_s: float


class Script(NamedTuple):
    """When what happens in a cell, in seconds.

    reset_s : a reset that is part of the phase, not the fault tried.
    """

    rider: tuple[dict[str, float | bool], ...]
    fault_s: float
    release_s: float
    cord_s: float
    end_s: float
    reset_s: float | None = None


def here() -> Path:
    """A path to name scenarios by that stand in no file; only its folder counts."""
    return Path.cwd() / "cell.scenario.yaml"


def anywhere(name: str, endings: tuple[str, ...]) -> str:
    """A path as it holds from every folder; a shipped controller's or set's name as it is."""
    return str(Path(name).resolve()) if name.endswith(endings) else name


def prepared(
    vehicle: Path,
    controller: str,
    params: str | None = None,
    attitude: Attitude = "towed",
    seed: int = 1,
    control_hz: float = 500.0,
    lasting_s: float | None = None,
) -> Ride:
    """A vehicle and a controller made ready to be tried, every file that they name read and checked.

    Parameters
    ----------
    vehicle, controller, params : as in a scenario; paths start from the current folder.
    lasting_s : how long each fault lasts; to the end of its cell if left out.

    Raises
    ------
    InputError
    """
    entry = CaseFile.model_validate(
        {
            "name": "ride",
            "vehicle": str(vehicle.resolve()),
            "controller": anywhere(controller, SOURCES),
            "params": params and anywhere(params, (".yaml", ".yml")),
            "water": {"kind": "lake"},
            "attitude": attitude,
            "rider": [],
            "duration_s": 1.0,
            "control_hz": control_hz,
        }
    )
    ready = bench.set_up(entry, here())
    return Ride(
        vehicle=entry.vehicle,
        controller=entry.controller,
        params=entry.params,
        attitude=attitude,
        seed=seed,
        control_hz=control_hz,
        lasting_s=lasting_s,
        stated=stated(ready.controller),
        boot_s=float(ready.vehicle.supply.boot_s),
        arm_s=float(ready.vehicle.esc.arm_s),
    )


def stated(controller: Controller) -> Stated:
    """What the controller's file says of its own times, common ones where it says nothing.

    Raises
    ------
    InputError
        It raised instead, or gave no number.
    """
    module = sys.modules[controller.initial.__module__]
    said = {}
    for name, common in COMMON._asdict().items():
        ask = getattr(module, f"{name}_ms", None)
        try:
            said[name] = common if ask is None else float(ask(controller.params)) / 1000.0
        except Exception as error:
            got = f"{type(error).__name__}: {error}"
            raise InputError([Fault(str(controller.path), f"{name}_ms", "a number of milliseconds", got)]) from error
    return Stated(**said)


def script(ride: Ride, phase: str) -> Script:
    """What the rider does in a phase, and when the fault comes.

    Press, pull, and hold for long enough to see a thruster that is lost; let the
    lever dip to rest for long enough to see drive that does not follow, and pull
    again; let go of the dead-man with the lever still pulled; pull the cord.
    Where the fault comes late there is no dip. Long before the first press the
    rider tries whether the lever moves.
    """
    poke = ride.boot_s + 0.1
    wait = max(ride.stated.start_delay, ride.arm_s) + 0.2
    press = poke + 0.6 + wait
    rider: list[dict[str, float | bool]] = [{"at_s": poke, "lever_frac": 1.0}, {"at_s": poke + 0.4, "lever_frac": 0.0}]
    reset: float | None = None
    if phase == "step change":
        fault = press + 0.3
        rider += [*_clicks("deadman", press), *_clicks("mode_button", press + 1.0 + QUIET_S)]
        press += 2.8 + QUIET_S
    elif phase == "after reset":
        reset = press + 1.0
        fault = reset + ride.boot_s + 0.1
        off = reset + 1.2
        rider += [*_drive(press), {"at_s": off, "deadman": False, "lever_frac": 0.0}]
        press = off + 0.2 + wait
    rider += _drive(press)
    release = press + 2.2
    if phase == "releasing":
        release = press + 1.2
        fault = release + 0.08
    elif phase not in ("step change", "after reset"):
        fault = {"start": 0.0, "arming": ride.boot_s + 0.05, "ramping": press + 0.35, "full": press + 1.0}[phase]
        rider += [{"at_s": press + 3.2, "lever_frac": 0.0}, {"at_s": press + 4.2, "lever_frac": 1.0}]
        release = press + 5.0
    cord = release + PATIENCE_S
    rider += [{"at_s": release, "deadman": False}, {"at_s": cord, "kill_cord": False}]
    for step in rider:
        step["at_s"] = round(step["at_s"], 3)
    return Script(tuple(rider), fault, release, cord, cord + SPIN_DOWN_S + 0.4, reset)


def _clicks(contact: str, first_s: float) -> list[dict[str, float | bool]]:
    """Three short presses in rhythm."""
    edges = [(first_s + 0.4 * number + held, not held) for number in range(3) for held in (0.0, 0.18)]
    return [{"at_s": at_s, contact: pressed} for at_s, pressed in edges]


def _drive(press_s: float) -> list[dict[str, float | bool]]:
    """The dead-man, then the lever."""
    return [{"at_s": press_s, "deadman": True}, {"at_s": press_s + 0.2, "lever_frac": 1.0}]


def scenario(ride: Ride, kind: str, phase: str, water: str) -> CaseFile:
    """The whole scenario of a cell, with the rules as its requirements."""
    when = script(ride, phase)
    faults = [] if when.reset_s is None else [{"kind": "chip_reset", "at_s": round(when.reset_s, 3)}]
    if kind != NO_FAULT:
        fault: dict[str, object] = {"kind": kind, "at_s": round(when.fault_s, 3)}
        if ride.lasting_s is not None:
            fault["until_s"] = round(when.fault_s + ride.lasting_s, 3)
        if kind in AMOUNTS:
            fault["amount"] = SIZES[kind]
        faults.append(fault)
    return CaseFile.model_validate(
        {
            "name": f"{kind}, {phase}, {water}",
            "vehicle": ride.vehicle,
            "controller": ride.controller,
            "params": ride.params,
            "water": {"kind": water},
            "attitude": "held" if water == "air" else ride.attitude,
            "rider": when.rider,
            "faults": faults,
            "seed": ride.seed,
            "duration_s": round(when.end_s, 3),
            "control_hz": ride.control_hz,
            "requirements": rules(ride.stated),
        }
    )


ASKED = "state(left_pulse_us > stop_us or right_pulse_us > stop_us)"
PUSHES = f"state(left_thrust_n > {PUSHES_N:g} or right_thrust_n > {PUSHES_N:g})"
ALONE = f"state(min(left_thrust_n, right_thrust_n) < {ALONE_FRAC:g} * max(left_thrust_n, right_thrust_n)) and {PUSHES}"
DRIVE_FRAC = "(max(left_pulse_us, right_pulse_us) - stop_us) / (full_us - stop_us)"
RISES = f"state({DRIVE_FRAC} > {STARTS_FRAC:g}) and once({RISE_S:g}, not {ASKED})"
STILL = " and ".join(
    f"state(abs({hand} - previous({hand})) <= 0)"
    for hand in ("deadman_pressed", "hand_frac", "mode_pressed", "cord_seated")
)


def rules(said: Stated) -> tuple[RequirementEntry, ...]:
    """What no cell may show, in the language of requirements."""
    deadman = said.deadman_latency + PIN_ALLOWANCE_S
    cord = said.kill_latency + PIN_ALLOWANCE_S
    dark = cord + SPIN_DOWN_S
    excess = said.sensor_latency + PIN_ALLOWANCE_S
    alone = said.thruster_latency + SPIN_DOWN_S
    texts = {
        "deadman-ends-drive": (
            f"No drive is asked for once the dead-man's pin has read released for {deadman:g} s.",
            f"never(throughout({deadman:g}, deadman == 0) and {ASKED})",
        ),
        "cord-ends-drive": (
            f"No drive is asked for once the kill cord's pin has read out for {cord:g} s.",
            f"never(throughout({cord:g}, kill_cord == 0) and {ASKED})",
        ),
        "cord-ends-thrust": (
            f"Nothing pushes once the kill cord has been out for {dark:g} s.",
            f"never(throughout({dark:g}, cord_seated == 0) and {PUSHES})",
        ),
        "drive-within-lever": (
            f"Drive never exceeds the lever by {EXCESS_FRAC:g} of full for {excess:g} s on end.",
            f"never(throughout({excess:g}, state({DRIVE_FRAC} > lever_frac + {EXCESS_FRAC:g})))",
        ),
        "step-rises-at-rest": (
            "The power step never rises while drive is asked for.",
            f"never(state(power_step > previous(power_step) and previous(power_step) >= 1) and {ASKED})",
        ),
        "no-thruster-alone": (
            f"No drive is asked for while one thruster has pushed alone for {alone:g} s on end.",
            f"never(throughout({alone:g}, {ALONE} and {ASKED}))",
        ),
        "no-start-unheld": (
            f"No drive rises from nothing while nobody has held the dead-man for {UNHELD_S + RISE_S:g} s.",
            f"never({RISES} and throughout({UNHELD_S + RISE_S:g}, deadman_pressed == 0))",
        ),
        "no-start-after-reset": (
            "After a reset no drive is asked for before the dead-man's pin has read released.",
            f"always(implies(falling(chip != {supply.RUNNING}), until(not {ASKED}, deadman == 0) or never({ASKED})))",
        ),
        "no-start-by-itself": (
            f"No drive rises from nothing while no hand has moved for {HAND_S + RISE_S:g} s.",
            f"never({RISES} and throughout({HAND_S + RISE_S:g}, {STILL}))",
        ),
    }
    return tuple(RequirementEntry(id=name, says=says, formula=formula) for name, (says, formula) in texts.items())
