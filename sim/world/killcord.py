"""The kill cord: a magnet that holds the main power switch closed (row 1).

Pulled, it opens the switch by itself (stop category 0 of IEC 60204-1: power
removed at once, no software in the path), and a sense contact tells the
controller. Each has a delay of its own.
"""

from typing import NamedTuple


class Params(NamedTuple):
    open_delay_s: float  # magnet gone to main switch open
    sense_delay_s: float  # magnet gone, or back, to sense contact moved
    dt_s: float


class State(NamedTuple):
    away_s: float  # how long the magnet has been away
    seated_s: float  # how long it has been back


class Inputs(NamedTuple):
    seated: float  # 1.0 while the magnet is in place
    welded: float  # 1.0: the main switch no longer opens


class Outputs(NamedTuple):
    switch_closed: int
    sense_seated: int


def initial(params: Params) -> State:
    """In place, and has been for long."""
    return State(away_s=0.0, seated_s=1.0e9)


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Outputs]:
    """Where switch and sense contact stand one tick later.

    Notes
    -----
    Source: IEC 60204-1, stop category 0 (paraphrased from safety-engineering
    pages; the standard's text was not read). The delays are the builder's.
    Differs from a real switch in: contacts move cleanly, with no bounce.
    """
    away_s = 0.0
    seated_s = 0.0
    if inputs.seated > 0.5:
        seated_s = state.seated_s + params.dt_s
    else:
        away_s = state.away_s + params.dt_s
    opened = away_s > params.open_delay_s and inputs.welded < 0.5
    sensed = seated_s >= params.sense_delay_s if inputs.seated > 0.5 else away_s <= params.sense_delay_s
    return State(away_s, seated_s), Outputs(0 if opened else 1, 1 if sensed else 0)
