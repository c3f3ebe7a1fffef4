"""A throttle with one flaw of choice, against which the catalogue is tried; without one it has none of them."""

from typing import NamedTuple

from controllers.board import Command, Inputs

UNEVEN = 1
SILENT = 2
MISCOUNTS = 3
STARTS_HIGH = 4
COARSE = 5
HUNTS = 6
STAYS_DOWN = 7
SLOW = 8
TRUSTS = 9

RELEASED = 1
BUS_LOW = 2


class Params(NamedTuple):
    """The tick, the flaw, and the bus under which drive is held down."""

    tick_us: int
    flaw: int = 0
    low_mv: int = 1


class State(NamedTuple):
    """How long the dead-man has been released, the lever last read, the drive and its limit."""

    released_us: int
    lever: int
    drive: int
    limit: int


def initial(params: Params) -> State:
    """At rest, the dead-man released for long."""
    return State(released_us=10_000_000, lever=0, drive=0, limit=1000)


def _limit(params: Params, state: State, inputs: Inputs) -> int:
    """What a low bus leaves of the drive; one that hunts takes nearly all of it, and then gives it all back."""
    low = 0 < inputs.bus_mv < params.low_mv
    if params.flaw == HUNTS:
        return 300 if low or state.drive > state.limit else 1000
    if low:
        return max(min(state.limit, state.drive) - 1, 0)
    if params.flaw != STAYS_DOWN and inputs.bus_mv > params.low_mv + 800:
        return min(state.limit + 1, 1000)
    return state.limit


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    """One tick: the drive follows the lever by one permille up or five down."""
    flaw = params.flaw
    lever = min(max(inputs.hall_counts - 700, 0) * 1000 // 2700, 1000)
    if flaw == COARSE:
        lever = lever // 250 * 250
    if flaw == TRUSTS and inputs.hall_counts < 100:
        lever = state.lever
    released_us = 0 if inputs.deadman == 1 else state.released_us + params.tick_us
    held = released_us < (2_000_000 if flaw == SLOW else 30_000)
    limit = _limit(params, state, inputs)
    target = min(lever, limit) if held else 0
    drive = min(max(target, state.drive - 5), state.drive + 1)
    pulse_us = 1000 + drive
    if flaw == SILENT and drive == 0:
        pulse_us = 0
    reason = RELEASED
    if held:
        reason = BUS_LOW if limit < lever else 0
    power_step = 3 if flaw == STARTS_HIGH else 1
    return (
        State(released_us=released_us, lever=lever, drive=drive, limit=limit),
        Command(
            left_pulse_us=pulse_us,
            right_pulse_us=1000 + drive * 9 // 10 if flaw == UNEVEN else pulse_us,
            power_step=power_step,
            display=power_step - 1 if flaw == MISCOUNTS else power_step,
            mode=1 if held else 0,
            reason=reason,
            lever_permille=lever,
        ),
    )
