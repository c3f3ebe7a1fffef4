"""Hull and rider: surge along the course, and the yawing moment of unequal thrust (row 1)."""

from typing import NamedTuple

# The density that a vehicle file's drag numbers are stated for.
FRESH_WATER_KG_M3 = 1000.0


class Params(NamedTuple):
    mass_kg: float  # vehicle, rider and the water moved with them (added mass)
    drag_kg_m: float  # drag over speed squared, in this water
    deduction_frac: float  # thrust lost to the hull behind which the propeller works
    wake_frac: float  # inflow slowed by the hull
    arm_m: float  # thrusters' distance from the centre line
    held: int  # 1: held still (bollard, tank, bench)
    dt_s: float


class State(NamedTuple):
    speed_m_s: float
    distance_m: float


def inflow_m_s(params: Params, state: State) -> float:
    """Speed of the water into the propellers, never negative."""
    return max(state.speed_m_s * (1.0 - params.wake_frac), 0.0)


def step(params: Params, state: State, thrust_n: float) -> State:
    """Speed and distance one tick later.

    Parameters
    ----------
    thrust_n : both propellers' mean thrust over the tick, before deduction.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Source: m dv/dt = T (1 - t) - k v |v|; thrust deduction and wake fraction as
    in ship propulsion (handbook forms); quadratic drag of a passive swimmer,
    Narita, Nakashima and Takagi 2017. Advanced by the linearly implicit
    midpoint rule (see ``motor``). One degree of freedom: the yawing moment of
    unequal thrusts is reported, not followed.
    """
    before, distance_m = state
    speed, dt_s = before, params.dt_s
    if params.held == 0:
        drag = params.drag_kg_m * abs(speed)
        pulled_n = thrust_n * (1.0 - params.deduction_frac) - drag * speed
        rate = dt_s / params.mass_kg
        speed = speed + rate * pulled_n / (1.0 + rate * drag)
    return State(speed, distance_m + 0.5 * (before + speed) * dt_s)
