"""One thruster between two solutions of the bus: motor current against propeller (row 1)."""

from sim.world import bus, motor, propeller

# Under this speed the propeller's torque has no usable slope.
SLOPE_RAD_S_MIN = 1.0


def middle_rad_s(
    spinner: motor.Params,
    blades: propeller.Params,
    ohm: float,
    way: int,
    motor_a: float,
    rad_s: float,
    inflow_m_s: float,
    density_kg_m3: float,
    fouling: float,
    dt_s: float,
) -> float:
    """The rotor's speed half of `dt_s` later, from the current at the start.

    Parameters
    ----------
    ohm : winding and ESC.
    way, motor_a : how the thruster draws, and its motor current.
    fouling : factor on the propeller's torque, 1 is clean.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    J dw/dt = K (I - I0) - Q(w, v), linearly implicit. The slope of the right side
    over speed is taken as -K^2/R where the motor draws as a resistance, 0 where
    its current is held, and about -2 Q / w for the propeller. The bus, which
    rises as the current falls, makes the true slope gentler: `step` mends that.
    """
    clean_nm = propeller.loads(blades, rad_s, inflow_m_s, density_kg_m3)[1]
    water_nm = clean_nm * fouling
    damping = 2.0 * water_nm / max(rad_s, SLOPE_RAD_S_MIN)
    if way == bus.OHMIC:
        damping = damping + spinner.k_v_s * spinner.k_v_s / ohm
    net_nm = motor.torque_nm(spinner, motor_a, rad_s) - water_nm
    return 0.5 * (rad_s + motor.spun_rad_s(spinner, rad_s, net_nm, damping, dt_s))


def step(
    spinner: motor.Params,
    blades: propeller.Params,
    motor_a: float,
    middle_rad_s: float,
    rad_s: float,
    inflow_m_s: float,
    density_kg_m3: float,
    fouling: float,
    dt_s: float,
) -> tuple[float, float, float]:
    """The rotor's speed after `dt_s`, moved by the torques in the middle of it.

    Parameters
    ----------
    motor_a : motor current that the bus solution gave for the middle.
    middle_rad_s, rad_s : speed in the middle, see `middle_rad_s`, and at the start.
    fouling : factor on the propeller's torque, 1 is clean; weed and rope raise it
        and take as much off the thrust.

    Returns
    -------
    rad_s, thrust_n, water_nm
        Speed at the end; thrust, and torque into the water, in the middle.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Midpoint rule, second order however roughly the middle was predicted; stable
    at any step while the slope used there is no gentler than the true one. The
    rotor stops at zero instead of turning backwards.
    """
    thrust_n, clean_nm = propeller.loads(blades, middle_rad_s, inflow_m_s, density_kg_m3)
    water_nm = clean_nm * fouling
    net_nm = motor.torque_nm(spinner, motor_a, middle_rad_s) - water_nm
    return motor.spun_rad_s(spinner, rad_s, net_nm, 0.0, dt_s), thrust_n / fouling, water_nm
