"""The ideal actuator disc: what any propeller of a size can at best do (row 1).

Used at load and in checks, never inside the loop.
"""

from __future__ import annotations

import math


def disc_area_m2(diameter_m: float) -> float:
    """Swept area of a propeller."""
    return 0.25 * math.pi * diameter_m * diameter_m


def ideal_power_w(
    thrust_n: float, inflow_m_s: float, density_kg_m3: float, diameter_m: float, ducted: bool = False
) -> float:
    """Least shaft power for a thrust at a speed of advance.

    Parameters
    ----------
    thrust_n, inflow_m_s : float, >= 0
    density_kg_m3, diameter_m : float, > 0
    ducted : bool
        In a duct whose exit is as wide as the disc, so that the jet does not contract.

    Notes
    -----
    Source: momentum theory (Rankine and Froude; any textbook). The jet gains w:
    ``T = rho A U w`` and ``P = T (v + w/2)``, where the flow through the disc is
    ``U = v + w/2`` in the open and ``U = v + w`` in such a duct. No swirl, no friction.
    """
    # T / (rho A) = w (v + share w), solved for w.
    share = 1.0 if ducted else 0.5
    load = thrust_n / (density_kg_m3 * disc_area_m2(diameter_m))
    gain = (math.sqrt(inflow_m_s * inflow_m_s + 4.0 * share * load) - inflow_m_s) / (2.0 * share)
    return thrust_n * (inflow_m_s + 0.5 * gain)


def ideal_static_thrust_n(power_w: float, density_kg_m3: float, diameter_m: float, ducted: bool = False) -> float:
    """Most thrust a shaft power can give at standstill: ``(2 rho A P^2)^(1/3)``, twice that 2 with a duct.

    Notes
    -----
    Source: as `ideal_power_w`, at ``v = 0``.
    """
    factor = 4.0 if ducted else 2.0
    return math.cbrt(factor * density_kg_m3 * disc_area_m2(diameter_m) * power_w * power_w)
