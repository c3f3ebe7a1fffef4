"""Both thrusters on one bus through one tick, in substeps (row 1).

The fast part of the world: at each substep the bus is solved with the rotor
speeds of that moment, then the rotors follow.
"""

from typing import NamedTuple

from sim.world import bus, motor, propeller, thruster


class Params(NamedTuple):
    motor: motor.Params
    propeller: propeller.Params
    density_kg_m3: float
    substeps: int
    dt_s: float  # one substep


class State(NamedTuple):
    left_rad_s: float
    right_rad_s: float


class Inputs(NamedTuple):
    """Held over the tick."""

    powered: int  # 0: the pack is open
    emf_v: float
    source_ohm: float
    constant_w: float  # logic and the ESCs' own draw
    left: bus.Load
    right: bus.Load
    left_fouling: float
    right_fouling: float
    inflow_m_s: float


class Outputs(NamedTuple):
    """The last substep's operating point, and the tick's means and sums."""

    node_v: float  # behind pack, leads and switch
    node_a: float
    left_motor_a: float
    right_motor_a: float
    charge_c: float
    left_thrust_n: float  # mean
    right_thrust_n: float
    series_j: float  # lost in pack, leads and switch
    left_copper_j: float  # lost in winding and ESC
    right_copper_j: float
    friction_j: float
    shaft_j: float  # into the water
    collapsed: int


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Outputs]:
    """Rotor speeds one tick later, and what the tick took and gave.

    Raises
    ------
    Nothing; ranges are checked at load.
    """
    dt_s, density, spinner, blades = params.dt_s, params.density_kg_m3, params.motor, params.propeller
    left, right, inflow = inputs.left, inputs.right, inputs.inflow_m_s
    k, friction_nm = spinner.k_v_s, spinner.k_v_s * spinner.no_load_a
    left_rad_s, right_rad_s = state.left_rad_s, state.right_rad_s
    node_v = node_a = left_a = right_a = 0.0
    left_way = right_way = bus.IDLE
    charge_c = series_j = left_copper_j = right_copper_j = friction_j = shaft_j = left_n = right_n = 0.0
    collapsed = 0
    for _ in range(params.substeps):
        left_back_v = k * left_rad_s
        right_back_v = k * right_rad_s
        if inputs.powered == 1:
            node_v, left_way, right_way, fell = bus.solve(
                inputs.emf_v, inputs.source_ohm, left, left_back_v, right, right_back_v, inputs.constant_w
            )
            node_a = (inputs.emf_v - node_v) / inputs.source_ohm
            left_a = bus.motor_a(left, left_back_v, left_way, node_v)
            right_a = bus.motor_a(right, right_back_v, right_way, node_v)
            collapsed = max(collapsed, fell)
        left_after, left_thrust_n, left_nm = thruster.step(
            spinner, blades, left.ohm, left_way, left_a, left_rad_s, inflow, density, inputs.left_fouling, dt_s
        )
        right_after, right_thrust_n, right_nm = thruster.step(
            spinner, blades, right.ohm, right_way, right_a, right_rad_s, inflow, density, inputs.right_fouling, dt_s
        )
        # Work is torque times the angle turned, taken at the middle of the substep as the speed is.
        left_rad = 0.5 * (left_rad_s + left_after) * dt_s
        right_rad = 0.5 * (right_rad_s + right_after) * dt_s
        left_rad_s, right_rad_s = left_after, right_after
        charge_c += node_a * dt_s
        series_j += node_a * node_a * inputs.source_ohm * dt_s
        left_copper_j += left_a * left_a * left.ohm * dt_s
        right_copper_j += right_a * right_a * right.ohm * dt_s
        friction_j += friction_nm * (left_rad + right_rad)
        shaft_j += left_nm * left_rad + right_nm * right_rad
        left_n += left_thrust_n
        right_n += right_thrust_n
    return State(left_rad_s, right_rad_s), Outputs(
        node_v, node_a, left_a, right_a, charge_c, left_n / params.substeps, right_n / params.substeps,
        series_j, left_copper_j, right_copper_j, friction_j, shaft_j, collapsed,
    )  # fmt: skip
