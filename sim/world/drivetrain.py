"""Both thrusters on one bus through one tick, in substeps (row 1).

The fast part of the world: at each substep the bus is solved twice, at the
start to predict the rotors' speeds in the middle, and with those speeds to move
the rotors and to count charge and energy.
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
    """The operating point in the middle of the last substep, and the tick's means and sums."""

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


def operating_point(
    inputs: Inputs, left_back_v: float, right_back_v: float
) -> tuple[float, int, float, int, float, int]:
    """The bus at two back voltages: its voltage, each thruster's way and motor current, and whether it collapsed."""
    if inputs.powered == 0:
        return 0.0, bus.IDLE, 0.0, bus.IDLE, 0.0, 0
    node_v, left_way, right_way, collapsed = bus.solve(
        inputs.emf_v, inputs.source_ohm, inputs.left, left_back_v, inputs.right, right_back_v, inputs.constant_w
    )
    left_a = bus.motor_a(inputs.left, left_back_v, left_way, node_v)
    right_a = bus.motor_a(inputs.right, right_back_v, right_way, node_v)
    return node_v, left_way, left_a, right_way, right_a, collapsed


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Outputs]:
    """Rotor speeds one tick later, and what the tick took and gave.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Midpoint rule with a linearly implicit first half (see ``thruster``). Both
    the speeds and the energy balance are of second order in the substep.
    """
    dt_s, density, spinner, blades = params.dt_s, params.density_kg_m3, params.motor, params.propeller
    left, right, inflow = inputs.left, inputs.right, inputs.inflow_m_s
    left_fouling, right_fouling = inputs.left_fouling, inputs.right_fouling
    k, friction_nm = spinner.k_v_s, spinner.k_v_s * spinner.no_load_a
    left_rad_s, right_rad_s = state.left_rad_s, state.right_rad_s
    node_v = node_a = left_a = right_a = 0.0
    charge_c = series_j = left_copper_j = right_copper_j = friction_j = shaft_j = left_n = right_n = 0.0
    collapsed = 0
    for _ in range(params.substeps):
        _, left_way, left_a, right_way, right_a, _ = operating_point(inputs, k * left_rad_s, k * right_rad_s)
        left_mid = thruster.middle_rad_s(
            spinner, blades, left.ohm, left_way, left_a, left_rad_s, inflow, density, left_fouling, dt_s
        )
        right_mid = thruster.middle_rad_s(
            spinner, blades, right.ohm, right_way, right_a, right_rad_s, inflow, density, right_fouling, dt_s
        )
        node_v, _, left_a, _, right_a, fell = operating_point(inputs, k * left_mid, k * right_mid)
        node_a = (inputs.emf_v - node_v) / inputs.source_ohm if inputs.powered == 1 else 0.0
        collapsed = max(collapsed, fell)
        left_rad_s, left_thrust_n, left_nm = thruster.step(
            spinner, blades, left_a, left_mid, left_rad_s, inflow, density, left_fouling, dt_s
        )
        right_rad_s, right_thrust_n, right_nm = thruster.step(
            spinner, blades, right_a, right_mid, right_rad_s, inflow, density, right_fouling, dt_s
        )
        charge_c += node_a * dt_s
        series_j += node_a * node_a * inputs.source_ohm * dt_s
        left_copper_j += left_a * left_a * left.ohm * dt_s
        right_copper_j += right_a * right_a * right.ohm * dt_s
        friction_j += friction_nm * (left_mid + right_mid) * dt_s
        shaft_j += (left_nm * left_mid + right_nm * right_mid) * dt_s
        left_n += left_thrust_n
        right_n += right_thrust_n
    return State(left_rad_s, right_rad_s), Outputs(
        node_v, node_a, left_a, right_a, charge_c, left_n / params.substeps, right_n / params.substeps,
        series_j, left_copper_j, right_copper_j, friction_j, shaft_j, collapsed,
    )  # fmt: skip
