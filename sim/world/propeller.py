"""Thrust and torque of a propeller in open water (row 1).

At load, a member of the Wageningen B-series or two straight lines become cubic
polynomials KT(J) and KQ(J); inside the loop only those are evaluated. In air
the same coefficients give next to nothing, which is why a dry test passes.

Limits: ahead only, with J from 0 to a little past zero thrust. Turned by the
water (windmilling, with its drag), backing, cavitation, ventilation at the
surface and the hull's wake are left out. Small propellers run well below the
series' Reynolds number of 2e6: expect several percent less.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from sim.world import b_series
from sim.world.disc import ideal_power_w

# Below this speed thrust and torque, which go with its square, are nothing, and J has no meaning.
SLOWEST_PER_S = 1e-3
# The cubics are trusted this far past zero thrust.
J_REACH = 1.1
TWO_PI = 2.0 * math.pi


class OpenWater(NamedTuple):
    """KT and KQ as cubics in J (kt0 + kt1 J + kt2 J^2 + kt3 J^3), and the J of zero thrust."""

    kt0: float
    kt1: float
    kt2: float
    kt3: float
    kq0: float
    kq1: float
    kq2: float
    kq3: float
    j_zero_thrust: float


class Params(NamedTuple):
    """One propeller: diameter_m > 0, its cubics, and the J at which they end."""

    diameter_m: float
    kt0: float
    kt1: float
    kt2: float
    kt3: float
    kq0: float
    kq1: float
    kq2: float
    kq3: float
    j_max: float


def open_water(z: int, pitch_ratio: float, area_ratio: float) -> OpenWater:
    """A propeller of the Wageningen B-series.

    Parameters
    ----------
    z : int
        Blades, 2 to 7.
    pitch_ratio, area_ratio : float
        P/D, 0.5 to 1.4; expanded blade area ratio AE/A0, 0.30 to 1.05.

    Raises
    ------
    ValueError
        Out of the range of the series.

    Notes
    -----
    Source: see ``b_series``; without its Reynolds-number correction, whose
    transcriptions disagree.
    """
    for what, value, (low, high) in (
        ("blades", z, b_series.BLADES),
        ("pitch_ratio", pitch_ratio, b_series.PITCH_RATIO),
        ("area_ratio", area_ratio, b_series.AREA_RATIO),
    ):
        if not low <= value <= high:
            raise ValueError(f"{what} must be {low:g} to {high:g} in the B-series")
    kt = _collapsed(b_series.KT, z, pitch_ratio, area_ratio)
    kq = _collapsed(b_series.KQ, z, pitch_ratio, area_ratio)
    roots = np.roots(kt[::-1])
    j_zero = min(float(root.real) for root in roots if abs(root.imag) < 1e-9 and root.real > 0.0)
    return OpenWater(*kt, *kq, j_zero)


def two_lines(
    kt_at_0: float, j_zero_thrust: float, kq_at_0: float, kq_at_j_zero: float, ducted: bool = False
) -> OpenWater:
    """A propeller known by four numbers: KT and KQ fall in straight lines to the J of zero thrust.

    Parameters
    ----------
    kt_at_0, kq_at_0 : float, > 0
        Bollard coefficients, ``T / (rho n^2 D^4)`` and ``Q / (rho n^2 D^5)``.
    j_zero_thrust : float, > 0
    kq_at_j_zero : float
        0 to `kq_at_0`.
    ducted : bool
        Whether the four numbers include a duct's thrust.

    Raises
    ------
    ValueError
        A number out of range, or more thrust than an ideal disc makes of that power.
    """
    if not (kt_at_0 > 0.0 and j_zero_thrust > 0.0 and kq_at_0 > 0.0):
        raise ValueError("kt_at_0, j_zero_thrust and kq_at_0 must be above 0")
    if not 0.0 <= kq_at_j_zero <= kq_at_0:
        raise ValueError("kq_at_j_zero must be 0 to kq_at_0")
    lines = OpenWater(
        kt0=kt_at_0,
        kt1=-kt_at_0 / j_zero_thrust,
        kt2=0.0,
        kt3=0.0,
        kq0=kq_at_0,
        kq1=(kq_at_j_zero - kq_at_0) / j_zero_thrust,
        kq2=0.0,
        kq3=0.0,
        j_zero_thrust=j_zero_thrust,
    )
    share, j = highest_ideal_share(lines, ducted)
    if share > 1.0:
        raise ValueError(f"more thrust than an ideal disc: {share:.2f} of the shaft power would be needed at J {j:.2f}")
    return lines


def highest_ideal_share(water: OpenWater, ducted: bool = False, points: int = 64) -> tuple[float, float]:
    """How near the propeller comes to the ideal disc: the largest ideal over shaft power, and its J.

    Above 1 the coefficients break momentum theory. At standstill the share is the figure of merit.
    """
    best = (0.0, 0.0)
    for step in range(points):
        j = water.j_zero_thrust * step / points
        # With n, D and rho all 1 the coefficients are the thrust and torque, and J the inflow.
        ideal_w = ideal_power_w(thrust_coefficient(water, j), j, 1.0, 1.0, ducted)
        best = max(best, (ideal_w / (TWO_PI * torque_coefficient(water, j)), j))
    return best


def of_diameter(water: OpenWater, diameter_m: float) -> Params:
    """The propeller in one size, ready for the loop."""
    return Params(
        diameter_m=diameter_m,
        kt0=water.kt0,
        kt1=water.kt1,
        kt2=water.kt2,
        kt3=water.kt3,
        kq0=water.kq0,
        kq1=water.kq1,
        kq2=water.kq2,
        kq3=water.kq3,
        j_max=J_REACH * water.j_zero_thrust,
    )


def cubic(c0: float, c1: float, c2: float, c3: float, j: float) -> float:
    """A coefficient at an advance ratio."""
    return c0 + j * (c1 + j * (c2 + j * c3))


def thrust_coefficient(curve: OpenWater | Params, j: float) -> float:
    """KT at an advance ratio."""
    return cubic(curve.kt0, curve.kt1, curve.kt2, curve.kt3, j)


def torque_coefficient(curve: OpenWater | Params, j: float) -> float:
    """KQ at an advance ratio."""
    return cubic(curve.kq0, curve.kq1, curve.kq2, curve.kq3, j)


def loads(params: Params, rad_s: float, inflow_m_s: float, density_kg_m3: float) -> tuple[float, float]:
    """Thrust and shaft torque at a speed of turning and of inflow.

    Parameters
    ----------
    params : Params
    rad_s : float
        Shaft speed; none or backwards gives no loads.
    inflow_m_s : float
        Speed of advance; below 0 counts as 0.
    density_kg_m3 : float

    Returns
    -------
    thrust_n, torque_nm : float
        Thrust a little negative past zero thrust; torque, against the shaft, never negative.

    Notes
    -----
    ``T = KT rho n^2 D^4``, ``Q = KQ rho n^2 D^5``, ``J = v / (n D)``.
    """
    n = rad_s / TWO_PI
    if n <= SLOWEST_PER_S:
        return 0.0, 0.0
    d, kt0, kt1, kt2, kt3, kq0, kq1, kq2, kq3, j_max = params
    j = min(max(inflow_m_s / (n * d), 0.0), j_max)
    head = density_kg_m3 * n * n * d * d * d * d
    thrust_n = head * cubic(kt0, kt1, kt2, kt3, j)
    torque_nm = head * d * max(cubic(kq0, kq1, kq2, kq3, j), 0.0)
    return thrust_n, torque_nm


def _collapsed(
    terms: b_series.Terms, z: int, pitch_ratio: float, area_ratio: float
) -> tuple[float, float, float, float]:
    """The four coefficients of J^0 to J^3, everything else put in."""
    cubic = [0.0] * 4
    for c, s, t, u, v in terms:
        cubic[s] += c * math.pow(pitch_ratio, t) * math.pow(area_ratio, u) * math.pow(z, v)
    c0, c1, c2, c3 = cubic
    return c0, c1, c2, c3
