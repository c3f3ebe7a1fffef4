"""Permanent-magnet motor in its DC-equivalent form: Kv, R, I0 (row 1)."""

import math
from typing import NamedTuple

COPPER_FRAC_K = 0.00393  # rise of copper's resistance per kelvin at 20 degC
AT_25 = 1.0 + COPPER_FRAC_K * 5.0  # over that at 20 degC


class Params(NamedTuple):
    k_v_s: float  # volts per rad/s, which is also N m per ampere
    winding_ohm: float  # at 25 degC
    no_load_a: float
    inertia_kg_m2: float  # rotor, shaft and propeller with the water it carries


def k_of_kv(kv_rpm_v: float) -> float:
    """Motor constant K (V s/rad and N m/A) of a speed constant in rpm per volt.

    Notes
    -----
    Source: K = 60 / (2 pi Kv) (handbook form).
    """
    return 60.0 / (2.0 * math.pi * kv_rpm_v)


def winding_ohm(params: Params, winding_degc: float) -> float:
    """Winding resistance at a temperature.

    Notes
    -----
    Source: linear rise of copper, 0.00393 per kelvin referred to 20 degC
    (handbook value), written here for a resistance given at 25 degC.
    """
    return params.winding_ohm * (1.0 + COPPER_FRAC_K * (winding_degc - 20.0)) / AT_25


def torque_nm(params: Params, amperes: float, rad_s: float) -> float:
    """Torque at the shaft: that of the current less no-load friction while turning.

    Notes
    -----
    Source: T = K (I - I0) (handbook form). Friction is constant with speed and
    never turns the motor backwards.
    """
    friction = params.k_v_s * params.no_load_a if rad_s > 0.0 else min(params.no_load_a, amperes) * params.k_v_s
    return params.k_v_s * amperes - friction


def spun_rad_s(params: Params, rad_s: float, net_nm: float, damping_nm_s: float, dt_s: float) -> float:
    """Speed after `dt_s` under a net torque whose slope over speed is -`damping_nm_s`.

    Notes
    -----
    Source: linearly implicit midpoint rule (the one-stage Rosenbrock method with
    gamma = 1/2; Hairer and Wanner, "Solving Ordinary Differential Equations II",
    section IV.7, from memory): second order, stable at any step. The rotor stops
    at zero instead of turning backwards.
    """
    return max(rad_s + dt_s * net_nm / (params.inertia_kg_m2 + 0.5 * dt_s * damping_nm_s), 0.0)
