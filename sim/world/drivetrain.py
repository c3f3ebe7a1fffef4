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


def slope_nm_s(k_v_s: float, load: bus.Load, way: int, softness: float) -> float:
    """How fast a motor's torque falls as its speed rises.

    K^2/R at a bus that stays; a soft bus rises as the currents fall and makes it
    gentler by `softness`. Nothing where the current is held or there is none.
    """
    return k_v_s * k_v_s / (load.ohm * softness) if way == bus.OHMIC else 0.0


def a_per_w(source_ohm: float, limited_w: float, node_v: float) -> float:
    """Bus current that one more watt of a held power draws.

    1/V, and more because the bus falls as it draws: over 1 - R0 P/V^2, which is
    kept from 0, its value at the greatest power.
    """
    return 1.0 / (node_v * max(1.0 - source_ohm * limited_w / (node_v * node_v), 0.25))


def half_change(
    k_v_s: float, load: bus.Load, way: int, slope_nm_s: float, turned_rad_s: float, a_more_w: float
) -> tuple[float, float]:
    """Change of motor and bus current in the first half of a substep that changes the speed by `turned_rad_s`.

    `a_more_w` is from `a_per_w`; it matters only where the current is held.
    """
    half = 0.5 * turned_rad_s
    if way == bus.OHMIC:
        motor_a = -slope_nm_s / k_v_s * half
        return motor_a, load.duty_frac * motor_a
    if way == bus.LIMITED:
        return 0.0, load.limit_a * k_v_s * half * a_more_w
    return 0.0, 0.0


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Outputs]:
    """Rotor speeds one tick later, and what the tick took and gave.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    The bus is solved once a substep. With a source of resistance R0 and
    conductances G of the thrusters that draw as resistances, the solution moves
    by dI/dw = -(K/R) / (1 + R0 G) when both rotors change alike; the rotors'
    rule, the middle of the substep at which energy is summed, and its end all
    follow that slope. Second order for equal thrusters; for unequal ones the
    difference of their speeds is of first order.
    """
    dt_s, density, spinner, blades = params.dt_s, params.density_kg_m3, params.motor, params.propeller
    powered, emf_v, source_ohm, constant_w, left, right, left_fouling, right_fouling, inflow = inputs
    k, friction_nm = spinner.k_v_s, spinner.k_v_s * spinner.no_load_a
    left_rad_s, right_rad_s = state.left_rad_s, state.right_rad_s
    left_way = right_way = bus.IDLE
    node_v = node_a = left_a = right_a = left_slope = right_slope = a_more_w = 0.0
    charge_c = series_j = left_copper_j = right_copper_j = friction_j = shaft_j = left_n = right_n = 0.0
    collapsed = 0
    for _ in range(params.substeps):
        if powered == 1:
            left_back_v, right_back_v = k * left_rad_s, k * right_rad_s
            node_v, left_way, right_way, fell = bus.solve(
                emf_v, source_ohm, left, left_back_v, right, right_back_v, constant_w
            )
            node_a = (emf_v - node_v) / source_ohm
            left_a = bus.motor_a(left, left_back_v, left_way, node_v)
            right_a = bus.motor_a(right, right_back_v, right_way, node_v)
            collapsed = max(collapsed, fell)
            softness = 1.0 + source_ohm * (bus.siemens(left, left_way) + bus.siemens(right, right_way))
            if left_way == bus.LIMITED or right_way == bus.LIMITED:
                left_w = bus.limit_w(left, left_back_v) if left_way == bus.LIMITED else 0.0
                right_w = bus.limit_w(right, right_back_v) if right_way == bus.LIMITED else 0.0
                a_more_w = a_per_w(source_ohm, left_w + right_w, node_v)
            left_slope = slope_nm_s(k, left, left_way, softness)
            right_slope = slope_nm_s(k, right, right_way, softness)
        left_after, left_thrust_n, left_nm = thruster.step(
            spinner, blades, left_a, left_slope, left_rad_s, inflow, density, left_fouling, dt_s
        )
        right_after, right_thrust_n, right_nm = thruster.step(
            spinner, blades, right_a, right_slope, right_rad_s, inflow, density, right_fouling, dt_s
        )
        left_half_a, left_drawn_a = half_change(k, left, left_way, left_slope, left_after - left_rad_s, a_more_w)
        right_half_a, right_drawn_a = half_change(k, right, right_way, right_slope, right_after - right_rad_s, a_more_w)
        left_a, right_a, node_a = left_a + left_half_a, right_a + right_half_a, node_a + left_drawn_a + right_drawn_a
        left_rad = 0.5 * (left_rad_s + left_after) * dt_s
        right_rad = 0.5 * (right_rad_s + right_after) * dt_s
        charge_c += node_a * dt_s
        series_j += node_a * node_a * source_ohm * dt_s
        left_copper_j += left_a * left_a * left.ohm * dt_s
        right_copper_j += right_a * right_a * right.ohm * dt_s
        friction_j += friction_nm * (left_rad + right_rad)
        shaft_j += left_nm * left_rad + right_nm * right_rad
        left_n += left_thrust_n
        right_n += right_thrust_n
        left_a, right_a, node_a = left_a + left_half_a, right_a + right_half_a, node_a + left_drawn_a + right_drawn_a
        left_rad_s, right_rad_s = left_after, right_after
    return State(left_rad_s, right_rad_s), Outputs(
        (emf_v - node_a * source_ohm) * powered, node_a, left_a, right_a, charge_c,
        left_n / params.substeps, right_n / params.substeps,
        series_j, left_copper_j, right_copper_j, friction_j, shaft_j, collapsed,
    )  # fmt: skip
