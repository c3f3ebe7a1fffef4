"""Linear ratiometric Hall sensor of the throttle (row 1).

Output = supply / 2 + sensitivity * flux density, both terms in proportion to
the supply, low-passed by the sensor's bandwidth and held inside the rails.
"""

import math
from typing import NamedTuple

# What can be wrong with the sensor or its wires.
SOUND = 0
OPEN = 1
SHORT_LOW = 2
SHORT_HIGH = 3


class Params(NamedTuple):
    sensitivity_v_tesla: float  # V/T at the nominal supply, > 0; its sign is the magnets' matter
    supply_v_nominal: float
    settled_frac: float  # how much of a step it follows within one tick, see `settled_frac`
    headroom_v: float  # the output stops this far from either rail
    ground_ohm: float  # ground wire shared with the drive current


class State(NamedTuple):
    signal_v: float  # output before noise and rails


class Inputs(NamedTuple):
    field_tesla: float
    supply_v: float
    noise_v: float
    drift_v: float
    bus_a: float
    fault: int


def settled_frac(bandwidth_hz: float, tick_s: float) -> float:
    """Share of a step that a first-order low-pass follows within a tick: 1 - exp(-2 pi f t)."""
    return 1.0 - math.exp(-2.0 * math.pi * bandwidth_hz * tick_s)


def initial(params: Params) -> State:
    """Settled with no field at the nominal supply."""
    return State(signal_v=0.5 * params.supply_v_nominal)


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, float]:
    """The voltage at the ADC pin one tick later.

    Parameters
    ----------
    params, state, inputs : scalars, see the fields

    Returns
    -------
    State, out_v
        out_v: at the ADC pin, between the rails; a broken wire reads 0 V (pulled down), a short the rail.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Source: J. Gilbert, R. Dewey, "Linear Hall-effect sensors", application note
    27702A: quiescent output at half supply, quiescent output and sensitivity
    both proportional to the supply. The first-order bandwidth and the rail
    headroom are common practice, no source. Differs from a real part in:
    no temperature coefficient of its own, no ratiometry error, no hysteresis.
    """
    sensitivity_v_tesla, supply_v_nominal, settled_frac, headroom_v, ground_ohm = params
    field_tesla, supply_v, noise_v, drift_v, bus_a, fault = inputs
    (before_v,) = state
    supply_ratio = supply_v / supply_v_nominal
    ideal_v = 0.5 * supply_v + sensitivity_v_tesla * supply_ratio * field_tesla
    signal_v = before_v + settled_frac * (ideal_v - before_v)
    shifted_v = signal_v + noise_v + drift_v + ground_ohm * bus_a
    # On a dying supply the two limits meet at half of it.
    low_v = min(headroom_v, 0.5 * supply_v)
    out_v = min(max(shifted_v, low_v), supply_v - low_v)
    if fault != SOUND:
        out_v = supply_v if fault == SHORT_HIGH else 0.0
    return State(signal_v), out_v
