"""One thruster between two solutions of the bus: motor current against propeller (row 1)."""

from sim.world import bus, motor, propeller

# Under this speed the propeller's torque has no usable slope.
SLOPE_RAD_S_MIN = 1.0


def step(
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
) -> tuple[float, float, float]:
    """The rotor's speed after `dt_s` at the currents that the bus solution gave.

    Parameters
    ----------
    ohm : winding and ESC.
    way, motor_a : how the thruster draws, and its motor current.
    fouling : factor on the propeller's torque, 1 is clean; weed and rope raise it
        and take as much off the thrust.

    Returns
    -------
    rad_s, thrust_n, water_nm
        Speed at the end; thrust, and torque into the water, at the start.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    J dw/dt = K (I - I0) - Q(w, v). The slope of the right side over speed is
    -K^2/R where the motor draws as a resistance, 0 where its current is held,
    and about -2 Q / w for the propeller.
    """
    thrust_n, clean_nm = propeller.loads(blades, rad_s, inflow_m_s, density_kg_m3)
    water_nm = clean_nm * fouling
    damping = 2.0 * water_nm / max(rad_s, SLOPE_RAD_S_MIN)
    if way == bus.OHMIC:
        damping = damping + spinner.k_v_s * spinner.k_v_s / ohm
    net_nm = motor.torque_nm(spinner, motor_a, rad_s) - water_nm
    return motor.spun_rad_s(spinner, rad_s, net_nm, damping, dt_s), thrust_n / fouling, water_nm
