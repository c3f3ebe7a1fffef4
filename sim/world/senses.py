"""All that the chip's pins read: throttle sensor, contacts, bus and speeds (row 1)."""

import math
from typing import NamedTuple

from controllers.board import Inputs
from sim.world import adc, contact, hall, lever

# Revolutions a minute in a radian a second.
RPM_PER_RAD_S = 30.0 / math.pi


class Params(NamedTuple):
    hall: hall.Params
    adc: adc.Params
    deadman: contact.Params
    button: contact.Params
    cord: contact.Params
    cord_closed_in_place: int  # 1: the sense contact is closed while the cord is in place
    lead_distance_m: float  # battery lead to sensor, for its stray field
    bus_step_v: float  # resolution of the bus reading; 0 is no divider fitted
    current_step_a: float  # resolution of the current reading; 0 is no sensor fitted
    speed_fitted: int  # 1: the ESCs report propeller speed


class State(NamedTuple):
    hall: hall.State
    deadman: contact.State
    button: contact.State
    cord: contact.State
    counts: int  # last conversion, repeated when a sample is lost


class Tape(NamedTuple):
    """What was drawn up front for this tick."""

    magnets_tesla: float
    hall_noise_v: float
    hall_drift_v: float
    hall_fault: float
    hall_lost: float  # 1.0: this conversion is lost
    deadman_closed: float
    deadman_leak_siemens: float
    button_closed: float
    button_leak_siemens: float
    cord_leak_siemens: float
    bus_noise_v: float


class Machine(NamedTuple):
    """What the machine was doing at the end of the last tick."""

    rail_v: float
    bus_v: float
    bus_a: float
    cord_in_place: int  # as the sense contact has it
    left_rad_s: float
    right_rad_s: float


def initial(params: Params, rail_v: float) -> State:
    """Everything open, dry and settled."""
    return State(
        hall=hall.initial(params.hall),
        deadman=contact.initial(params.deadman, rail_v),
        button=contact.initial(params.button, rail_v),
        cord=contact.initial(params.cord, rail_v),
        counts=0,
    )


def read_milli(value: float, step: float) -> int:
    """A reading in thousandths, rounded to the channel's resolution; 0 where none is fitted, and below 0."""
    if step <= 0.0 or value < 0.0:
        return 0
    return int(int(value / step + 0.5) * step * 1000.0 + 0.5)


def rpm(params: Params, rad_s: float) -> int:
    """Propeller speed as reported, or -1 where none is."""
    return int(rad_s * RPM_PER_RAD_S + 0.5) if params.speed_fitted == 1 else -1


def step(params: Params, state: State, tape: Tape, machine: Machine) -> tuple[State, Inputs, float]:
    """The pins at the start of a control tick.

    Returns
    -------
    State, Inputs, hall_v
        hall_v: the voltage behind the throttle's counts, for the record. The lines'
        voltages stand in the state.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Each part's source stands in its own file. The bus and current channels
    round to their resolution and add no lag (common practice, no source).
    """
    rail_v, bus_v, bus_a, cord_in_place, left_rad_s, right_rad_s = machine
    (
        magnets_tesla, noise_v, drift_v, fault, lost,
        deadman_closed, deadman_leak, button_closed, button_leak, cord_leak, bus_noise_v,
    ) = tape  # fmt: skip
    hall_state, hall_v = hall.step(
        params.hall,
        state.hall,
        hall.Inputs(
            magnets_tesla + lever.stray_field(bus_a, params.lead_distance_m),
            rail_v,
            noise_v,
            drift_v,
            bus_a,
            int(fault),
        ),
    )
    counts = state.counts if lost > 0.5 else adc.counts(params.adc, hall_v, rail_v)
    deadman = contact.step(params.deadman, state.deadman, deadman_closed, deadman_leak, rail_v)
    button = contact.step(params.button, state.button, button_closed, button_leak, rail_v)
    sense_closed = 1.0 if cord_in_place == params.cord_closed_in_place else 0.0
    cord = contact.step(params.cord, state.cord, sense_closed, cord_leak, rail_v)
    pins = Inputs(
        counts,
        int(rail_v * 1000.0 + 0.5),
        read_milli(bus_v + bus_noise_v, params.bus_step_v),
        read_milli(bus_a, params.current_step_a),
        deadman.reads,
        button.reads,
        cord.reads,
        rpm(params, left_rad_s),
        rpm(params, right_rad_s),
    )
    return State(hall_state, deadman, button, cord, counts), pins, hall_v
