"""The machine's lumps of heat: ESCs, motors, main switch, pack (row 1)."""

from typing import NamedTuple

from sim.world import heat


class Params(NamedTuple):
    esc: heat.Params
    motor: heat.Params
    switch: heat.Params
    pack: heat.Params
    around_degc: float


class State(NamedTuple):
    left_esc_degc: float
    right_esc_degc: float
    left_motor_degc: float
    right_motor_degc: float
    switch_degc: float
    pack_degc: float


class Inputs(NamedTuple):
    """Mean heat of the tick in each lump, watts."""

    left_esc_w: float
    right_esc_w: float
    left_motor_w: float
    right_motor_w: float
    switch_w: float
    pack_w: float


def initial(params: Params, pack_degc: float) -> State:
    """Everything but the pack as warm as its surroundings."""
    around = params.around_degc
    return State(around, around, around, around, around, pack_degc)


def step(params: Params, state: State, inputs: Inputs) -> State:
    """Temperatures one tick later; see ``heat`` for the source and its limits.

    Raises
    ------
    Nothing; ranges are checked at load.
    """
    esc, spinner, mosfets, cells, around = params
    left_esc_degc, right_esc_degc, left_motor_degc, right_motor_degc, switch_degc, pack_degc = state
    left_esc_w, right_esc_w, left_motor_w, right_motor_w, switch_w, pack_w = inputs
    return State(
        heat.warmed_degc(esc, left_esc_degc, around, left_esc_w),
        heat.warmed_degc(esc, right_esc_degc, around, right_esc_w),
        heat.warmed_degc(spinner, left_motor_degc, around, left_motor_w),
        heat.warmed_degc(spinner, right_motor_degc, around, right_motor_w),
        heat.warmed_degc(mosfets, switch_degc, around, switch_w),
        heat.warmed_degc(cells, pack_degc, around, pack_w),
    )
