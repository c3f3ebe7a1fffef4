"""Hydrodynamic coefficients of the hull: added mass and passive drag (row 1).

Computed once at load, except ``drag_n``, which runs inside the loop. The body
is taken as a prolate spheroid far from the surface, the bottom and other bodies.
"""

from __future__ import annotations

import math
from typing import NamedTuple

# Passive drag ``D = k v^2`` of a prone swimmer at the surface, k in kg/m. Both hold to some 20 %.
# T. Narita, M. Nakashima & H. Takagi 2017, J. Biomech. 54:123-128: 42 swimmers towed at 0.9 to 1.5 m/s.
NARITA_KG_M = 23.5
# M. Cortesi, G. Gatta, G. Carmigniani & P. Zamparo 2024, J. Sports Sci. Med. 23:17-24 (about 38 when swimming).
CORTESI_KG_M = 25.0


class AddedMass(NamedTuple):
    """Shares of the displaced water that move along with a spheroid.

    surge : k1, of the displaced mass, moving along the axis.
    sway : k2, of the displaced mass, moving across it.
    yaw : k', of the displaced water's moment of inertia, turning about a cross axis.
    """

    surge: float
    sway: float
    yaw: float


def added_mass(length_m: float, diameter_m: float) -> AddedMass:
    """Added-mass coefficients of a prolate spheroid.

    Parameters
    ----------
    length_m, diameter_m : float
        ``length_m >= diameter_m > 0``.

    Raises
    ------
    ValueError
        A body wider than long.

    Notes
    -----
    Source: H. Lamb 1918, "The inertia coefficients of an ellipsoid moving in
    fluid", ARC Reports & Memoranda 623 (formulas as in his "Hydrodynamics",
    articles 114-115).
    """
    if not length_m >= diameter_m > 0.0:
        raise ValueError("a hull must be at least as long as wide, and wider than 0")
    # Lamb's letters: e the eccentricity, alpha and beta the inertia integrals.
    ratio = diameter_m / length_m
    e2 = 1.0 - ratio * ratio
    if e2 < 1e-6:
        # A sphere to 1e-6, where the formulas below divide nothing by nothing.
        return AddedMass(surge=0.5, sway=0.5, yaw=0.0)
    e = math.sqrt(e2)
    half_log = math.atanh(e)
    alpha = 2.0 * (1.0 - e2) / (e2 * e) * (half_log - e)
    beta = 1.0 / e2 - (1.0 - e2) / (e2 * e) * half_log
    spread = beta - alpha
    yaw = e2 * e2 * spread / ((2.0 - e2) * (2.0 * e2 - (2.0 - e2) * spread))
    return AddedMass(surge=alpha / (2.0 - alpha), sway=beta / (2.0 - beta), yaw=yaw)


def displaced_mass_kg(length_m: float, diameter_m: float, density_kg_m3: float) -> float:
    """Water displaced by a spheroid."""
    return density_kg_m3 * math.pi / 6.0 * length_m * diameter_m * diameter_m


def displaced_inertia_kg_m2(length_m: float, diameter_m: float, density_kg_m3: float) -> float:
    """Moment of inertia of that water about a cross axis through its middle."""
    mass_kg = displaced_mass_kg(length_m, diameter_m, density_kg_m3)
    return mass_kg * (length_m * length_m + diameter_m * diameter_m) / 20.0


def drag_n(k_kg_m: float, speed_m_s: float) -> float:
    """Passive drag ``k v^2``, against the motion.

    Notes
    -----
    Source: common practice at these Reynolds numbers; k from a tow test, or the
    swimmers' values above. Measured for bodies at the surface below 2 m/s.
    """
    return k_kg_m * speed_m_s * abs(speed_m_s)
