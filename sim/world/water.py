"""Conductivity and density of the water around the vehicle (row 1).

Computed once before a run. Brackish and sea water follow the practical
salinity scale PSS-78 and the equation of state EOS-80; fresh waters have a
typical conductivity with a linear temperature compensation, and the density
of EOS-80 at their small salinity; air is there as water's dry neighbour.
"""

from __future__ import annotations

import math
from typing import NamedTuple

STANDARD_GRAVITY = 9.80665
PASCAL_PER_BAR = 1e5
# Both scales are written in the temperature scale of 1968; a thermometer today reads ITS-90.
T68_PER_T90 = 1.00024
# C(35, 15 degC on IPTS-68, 0), the conductivity of standard sea water: 42.914 mS/cm.
STANDARD_S_M = 4.2914


class Water(NamedTuple):
    """What surrounds the vehicle: conductivity, density, temperature."""

    conductivity_s_m: float
    density_kg_m3: float
    temperature_degc: float


class Fresh(NamedTuple):
    """A typical water too fresh for PSS-78: conductivity at 25 degC, and its salinity in g/kg."""

    conductivity_25_s_m: float
    salinity: float


# Lake: within the 0 to 200 uS/cm of lakes and streams (DataStream, water-quality guide).
# Pool: 1 to 3 mS/cm from its dissolved solids: common practice, no measured data found.
# Salt pool: 3 g/L of sodium chloride, 5.7 mS/cm from the CRC Handbook's molar conductivities (from memory).
FRESH = {"lake": Fresh(0.02, 0.1), "pool": Fresh(0.2, 1.0), "salt_pool": Fresh(0.57, 3.0)}
# Practical salinities. Sea: standard sea water. Brackish: an invented value, an inner fjord or estuary.
SALINE = {"brackish": 10.0, "sea": 35.0}
KINDS = ("air", *FRESH, *SALINE)

# Conductivity gained for each kelvin away from 25 degC: common practice, no source.
FRESH_PER_K = 0.02
# Specific gas constant of dry air, J/(kg K), and the standard atmosphere, Pa.
AIR_GAS_CONSTANT = 287.05
ATMOSPHERE_PA = 101325.0

AIR_DEGC = (-40.0, 60.0)
FRESH_DEGC = (0.0, 40.0)
SALINE_DEGC = (-2.0, 35.0)
DEPTH_M = (0.0, 1000.0)


def water(kind: str, temperature_degc: float, depth_m: float = 0.0) -> Water:
    """Conductivity and density of a kind of water.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    temperature_degc : float
        ITS-90. Air -40 to 60; fresh waters 0 to 40; brackish and sea -2 to 35.
    depth_m : float
        0 to 1000; of no effect in air, and none on the conductivity of fresh waters.

    Returns
    -------
    Water

    Raises
    ------
    ValueError
        An unknown kind, or a temperature or depth out of range.

    Notes
    -----
    Sources: ``conductivity_pss78`` and ``density_eos80``; for the fresh kinds
    the table `FRESH`; air is a dry ideal gas at one standard atmosphere.
    A given conductivity and density need no function: build a `Water`.
    """
    if kind not in KINDS:
        raise ValueError(f"water kind must be one of {', '.join(KINDS)}")
    if kind == "air":
        _within("air temperature_degc", temperature_degc, AIR_DEGC)
        density = ATMOSPHERE_PA / (AIR_GAS_CONSTANT * (temperature_degc + 273.15))
        return Water(conductivity_s_m=0.0, density_kg_m3=density, temperature_degc=temperature_degc)
    _within("depth_m", depth_m, DEPTH_M)
    if kind in FRESH:
        _within(f"{kind} temperature_degc", temperature_degc, FRESH_DEGC)
        fresh = FRESH[kind]
        conductivity = fresh.conductivity_25_s_m * (1.0 + FRESH_PER_K * (temperature_degc - 25.0))
        pressure_bar = hydrostatic_bar(fresh.salinity, temperature_degc, depth_m)
        density = density_eos80(fresh.salinity, temperature_degc, pressure_bar)
    else:
        _within(f"{kind} temperature_degc", temperature_degc, SALINE_DEGC)
        salinity = SALINE[kind]
        pressure_bar = hydrostatic_bar(salinity, temperature_degc, depth_m)
        conductivity = conductivity_pss78(salinity, temperature_degc, pressure_bar)
        density = density_eos80(salinity, temperature_degc, pressure_bar)
    return Water(conductivity_s_m=conductivity, density_kg_m3=density, temperature_degc=temperature_degc)


def _within(what: str, value: float, span: tuple[float, float]) -> None:
    if not span[0] <= value <= span[1]:
        raise ValueError(f"{what} must be {span[0]:g} to {span[1]:g}")


def hydrostatic_bar(salinity: float, temperature_degc: float, depth_m: float) -> float:
    """Pressure above the atmosphere at a depth, from the surface density, in bar."""
    return density_eos80(salinity, temperature_degc, 0.0) * STANDARD_GRAVITY * depth_m / PASCAL_PER_BAR


def salinity_pss78(conductivity_ratio: float, temperature_degc: float, pressure_bar: float) -> float:
    """Practical salinity from the conductivity ratio ``R = C / C(35, 15 degC, 0)``.

    Parameters
    ----------
    conductivity_ratio : float, > 0
    temperature_degc : float
        ITS-90, -2 to 35.
    pressure_bar : float
        Above the atmosphere, 0 to 1000.

    Returns
    -------
    float
        Stated for 2 to 42.

    Notes
    -----
    Source: N. P. Fofonoff & R. C. Millard 1983, "Algorithms for computation of
    fundamental properties of seawater", UNESCO Tech. Pap. Mar. Sci. 44, section 1
    (coefficients from memory, checked against that paper's published points).
    """
    t, p = temperature_degc * T68_PER_T90, pressure_bar * 10.0
    ratio = conductivity_ratio
    # r_t: what temperature alone does to standard sea water; R_p: what pressure does.
    r_t = _powers(t, (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9))
    pressed = p * _powers(p, (2.070e-5, -6.370e-10, 3.989e-15))
    r_p = 1.0 + pressed / (1.0 + 3.426e-2 * t + 4.464e-4 * t * t + (4.215e-1 - 3.107e-3 * t) * ratio)
    root = math.sqrt(ratio / (r_t * r_p))
    at_15 = _powers(root, (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081))
    away = _powers(root, (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144))
    return at_15 + (t - 15.0) / (1.0 + 0.0162 * (t - 15.0)) * away


def conductivity_pss78(salinity: float, temperature_degc: float, pressure_bar: float) -> float:
    """Conductivity of sea water of a practical salinity, in S/m.

    The scale gives salinity from conductivity and rises throughout its range,
    so its inverse is found by halving a bracket until it no longer shrinks.

    Parameters
    ----------
    salinity : float
        2 to 42, practical.
    temperature_degc, pressure_bar : as in `salinity_pss78`.

    Raises
    ------
    ValueError
        Salinity out of the scale's range.
    """
    _within("practical salinity", salinity, (2.0, 42.0))
    low, high = 0.01, 3.0
    while low < (middle := 0.5 * (low + high)) < high:
        if salinity_pss78(middle, temperature_degc, pressure_bar) < salinity:
            low = middle
        else:
            high = middle
    return middle * STANDARD_S_M


def density_eos80(salinity: float, temperature_degc: float, pressure_bar: float) -> float:
    """Density of fresh to sea water, in kg/m3.

    Parameters
    ----------
    salinity : float
        0 to 42, practical.
    temperature_degc : float
        ITS-90, -2 to 40.
    pressure_bar : float
        Above the atmosphere, 0 to 1000. Beware: in bar, not decibar.

    Notes
    -----
    Source: UNESCO 1981, "Tenth report of the joint panel on oceanographic
    tables and standards", Tech. Pap. Mar. Sci. 36 (EOS-80), as in A. E. Gill 1982,
    "Atmosphere-Ocean Dynamics", appendix 3 (coefficients from memory, checked
    against published points). Superseded by TEOS-10, from which it differs by
    less than 0.01 kg/m3 down to 40 m.
    """
    s, t, p = salinity, temperature_degc * T68_PER_T90, pressure_bar
    s_root = s * math.sqrt(s)
    pure = _powers(t, (999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9))
    surface = pure + s * _powers(t, (8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9))
    surface += s_root * _powers(t, (-5.72466e-3, 1.0227e-4, -1.6546e-6)) + 4.8314e-4 * s * s
    # The secant bulk modulus K = K0 + A p + B p^2, each for pure water and then salt.
    k0 = _powers(t, (19652.21, 148.4206, -2.327105, 1.360477e-2, -5.155288e-5))
    k0 += s * _powers(t, (54.6746, -0.603459, 1.09987e-2, -6.1670e-5))
    k0 += s_root * _powers(t, (7.944e-2, 1.6483e-2, -5.3009e-4))
    a = _powers(t, (3.239908, 1.43713e-3, 1.16092e-4, -5.77905e-7))
    a += s * _powers(t, (2.2838e-3, -1.0981e-5, -1.6078e-6)) + 1.91075e-4 * s_root
    b = _powers(t, (8.50935e-5, -6.12293e-6, 5.2787e-8)) + s * _powers(t, (-9.9348e-7, 2.0816e-8, 9.1697e-10))
    return surface / (1.0 - p / (k0 + a * p + b * p * p))


def _powers(x: float, coefficients: tuple[float, ...]) -> float:
    """The polynomial with `coefficients` of x^0, x^1 and so on."""
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total
