"""The pack's protection: opens the pack and stays open until released (row 1)."""

from typing import NamedTuple

# Why the pack was opened.
CLOSED = 0
CELL_LOW = 1
CURRENT_HIGH = 2
CURRENT_SHORT = 3
TOO_WARM = 4


class Params(NamedTuple):
    cell_v_low: float
    cell_low_delay_s: float
    slow_a: float  # first level: this much for slow_delay_s
    slow_delay_s: float
    fast_a: float  # second level: this much for fast_delay_s
    fast_delay_s: float
    warm_degc: float
    warm_delay_s: float
    dt_s: float


class State(NamedTuple):
    tripped: int
    low_s: float
    slow_s: float
    fast_s: float
    warm_s: float


class Inputs(NamedTuple):
    cell_v_min: float
    pack_a: float
    pack_degc: float
    release: float  # 1.0: someone resets it


def initial(params: Params) -> State:
    """Closed, with all delays unused."""
    return State(tripped=CLOSED, low_s=0.0, slow_s=0.0, fast_s=0.0, warm_s=0.0)


def step(params: Params, state: State, inputs: Inputs) -> State:
    """The protection's state one tick later; `tripped` says why it is open, 0 is closed.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Source: two current levels with delays, cell undervoltage and temperature,
    latched: common practice, no source. Differs from a real one in: delays are
    exact and start anew at the first sample back in range; no balancing, no
    charge side. A release while the fault persists trips again after its delay.
    """
    tripped, low_s, slow_s, fast_s, warm_s = state
    cell_v_min, pack_a, pack_degc, release = inputs
    dt_s = params.dt_s
    # Each timer runs while its limit is passed, and starts anew at the first sample back in range;
    # a delay of 0 still needs one sample past the limit.
    low_s = low_s + dt_s if cell_v_min < params.cell_v_low else 0.0
    slow_s = slow_s + dt_s if pack_a > params.slow_a else 0.0
    fast_s = fast_s + dt_s if pack_a > params.fast_a else 0.0
    warm_s = warm_s + dt_s if pack_degc > params.warm_degc else 0.0
    if release > 0.5:
        tripped = CLOSED
        low_s = 0.0
        warm_s = 0.0
    if tripped == CLOSED:
        if fast_s > 0.0 and fast_s >= params.fast_delay_s:
            tripped = CURRENT_SHORT
        elif slow_s > 0.0 and slow_s >= params.slow_delay_s:
            tripped = CURRENT_HIGH
        elif low_s > 0.0 and low_s >= params.cell_low_delay_s:
            tripped = CELL_LOW
        elif warm_s > 0.0 and warm_s >= params.warm_delay_s:
            tripped = TOO_WARM
    return State(tripped, low_s, slow_s, fast_s, warm_s)
