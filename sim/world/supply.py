"""Supply of the logic: converter, hold-up capacitor, brown-out reset and boot (row 1)."""

import math
from typing import NamedTuple

# What the chip is doing.
RUNNING = 0
HELD = 1  # the brown-out detector holds it in reset
BOOTING = 2


class Params(NamedTuple):
    rail_v_nominal: float
    converter_v_min: float  # under this at its input the converter cannot hold the rail
    diode_v: float  # between bus and hold-up capacitor
    hold_f: float  # hold-up capacitor at the converter's input
    load_w: float  # chip, sensor and display, at the rail
    efficiency_frac: float
    brown_out_v: float  # rail under this: reset
    brown_out_v_release: float  # rail over this: boot begins
    boot_s: float
    dt_s: float


class State(NamedTuple):
    hold_v: float
    chip: int
    boot_s: float  # time spent booting
    resets: float  # how often the chip was reset since power-up


class Inputs(NamedTuple):
    feed_v: float  # the bus in front of the diode
    reset: float  # 1.0: a watchdog or a glitch resets the chip now


class Outputs(NamedTuple):
    rail_v: float
    load_w: float  # drawn from the feed


def initial(params: Params, feed_v: float) -> State:
    """Powered, charged, and just beginning to boot."""
    return State(hold_v=max(feed_v - params.diode_v, 0.0), chip=BOOTING, boot_s=0.0, resets=0.0)


def rail_from(params: Params, hold_v: float) -> float:
    """The rail: regulated while the converter's input suffices, in proportion below."""
    return params.rail_v_nominal * min(hold_v / params.converter_v_min, 1.0)


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Outputs]:
    """Hold-up voltage, rail and what the chip does, one tick later.

    Returns
    -------
    State, Outputs
        rail_v: V. load_w: power drawn from the feed, 0 while the capacitor carries it.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Source: energy of a capacitor at constant power, C/2 (V0^2 - V1^2) = P t / eta
    (handbook form). The proportional rail below the converter's minimum is a
    simplification; a real one may chatter. The capacitor charges at once
    through its diode: no inrush.
    """
    hold_v, chip, booted_s, resets = state
    feed_v, reset = inputs
    dt_s = params.dt_s
    drawn_w = params.load_w / params.efficiency_frac
    fed_v = feed_v - params.diode_v
    carried = hold_v * hold_v - 2.0 * drawn_w * dt_s / params.hold_f
    hold_v = math.sqrt(max(carried, 0.0))
    load_w = 0.0
    if fed_v >= hold_v:
        hold_v = fed_v
        load_w = drawn_w
    rail_v = rail_from(params, hold_v)
    boot_s = 0.0
    if rail_v < params.brown_out_v or reset > 0.5:
        if chip != HELD:
            resets = resets + 1.0
        chip = HELD
    elif chip == HELD:
        if rail_v >= params.brown_out_v_release:
            chip = BOOTING
    elif chip == BOOTING:
        boot_s = booted_s + dt_s
        if boot_s >= params.boot_s:
            chip = RUNNING
    return State(hold_v, chip, boot_s, resets), Outputs(rail_v, load_w)
