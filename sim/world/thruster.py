"""One thruster between two solutions of the bus: motor current against propeller (row 1)."""

from sim.world import motor, propeller

# Under this speed the propeller's torque has no usable slope.
SLOPE_RAD_S_MIN = 1.0


def step(
    spinner: motor.Params,
    blades: propeller.Params,
    motor_a: float,
    electric_nm_s: float,
    rad_s: float,
    inflow_m_s: float,
    density_kg_m3: float,
    fouling: float,
    dt_s: float,
) -> tuple[float, float, float]:
    """The rotor's speed after `dt_s` at the current that the bus solution gave.

    Parameters
    ----------
    motor_a : motor current.
    electric_nm_s : how fast the motor's torque falls with speed, bus included; see ``drivetrain``.
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
    J dw/dt = K (I - I0) - Q(w, v), advanced by ``motor.spun_rad_s``. The
    propeller's torque goes nearly with the square of speed: its slope is 2 Q / w.
    """
    thrust_n, clean_nm = propeller.loads(blades, rad_s, inflow_m_s, density_kg_m3)
    water_nm = clean_nm * fouling
    turning_rad_s = max(rad_s, SLOPE_RAD_S_MIN)
    damping = electric_nm_s + 2.0 * water_nm / turning_rad_s
    net_nm = motor.torque_nm(spinner, motor_a, rad_s) - water_nm
    after = motor.spun_rad_s(spinner, rad_s, net_nm, damping, dt_s)
    # Halfway, both of the propeller's loads have moved by their slope.
    middle = 1.0 + (after - rad_s) / turning_rad_s
    return after, thrust_n * middle / fouling, water_nm * middle
