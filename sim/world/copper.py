"""Copper leads: gauge, resistance, and what a short circuit does to them (row 1).

Computed once before a run. Direct current; the skin effect is nothing at a
pack's ripple frequencies in leads this thin.
"""

from __future__ import annotations

import math

# International annealed copper standard at 20 degC: 1/58 ohm mm2/m.
RESISTIVITY_OHM_M = 1e-6 / 58.0
# Per kelvin from 20 degC, of that copper. IEC 60228's correction table rounds it to 0.004.
TEMPERATURE_COEFFICIENT_PER_K = 0.00393


def awg_diameter_m(gauge: float) -> float:
    """Diameter of a solid wire by American wire gauge; 4/0 is -3.

    Notes
    -----
    Source: ASTM B258 (formula from memory; it gives published wire tables).
    """
    return 0.127e-3 * math.pow(92.0, (36.0 - gauge) / 39.0)


def awg_area_m2(gauge: float) -> float:
    """Cross section of a solid wire by American wire gauge."""
    diameter_m = awg_diameter_m(gauge)
    return 0.25 * math.pi * diameter_m * diameter_m


def lead_resistance_ohm(
    area_m2: float, length_m: float, temperature_degc: float = 20.0, extra_frac: float = 0.0
) -> float:
    """Resistance of a copper lead.

    Parameters
    ----------
    area_m2 : float, > 0
        Nominal cross section.
    length_m : float, >= 0
        Of conductor: there and back counts twice.
    temperature_degc : float
        Of the copper.
    extra_frac : float
        Above solid copper of that section. Stranded gauge wire 0.02 to 0.04 (from
        memory, not verified); fine-stranded metric wire up to 0.16, the most
        IEC 60228 class 5 allows.

    Notes
    -----
    Source: common practice; linear in temperature about 20 degC.
    """
    warm = 1.0 + TEMPERATURE_COEFFICIENT_PER_K * (temperature_degc - 20.0)
    return RESISTIVITY_OHM_M * length_m / area_m2 * warm * (1.0 + extra_frac)


def adiabatic_a2s(area_m2: float, start_degc: float, end_degc: float) -> float:
    """The ``I^2 t`` that takes a lead from one temperature to another, no heat leaving it.

    Parameters
    ----------
    area_m2 : float, > 0
    start_degc, end_degc : float
        End above start; insulation of PVC is commonly held to 160, silicone to 250.

    Returns
    -------
    float, A2s

    Notes
    -----
    Source: IEC 60949, ``I^2 t = k^2 S^2`` with k = 226 sqrt(ln(1 + (end - start)/(234.5 + start)))
    and S in mm2 (from memory; it gives the rounded k of IEC 60364-5-54). For faults of up to
    some 5 s; heat to the surroundings is left out, which errs on the safe side.
    """
    k = 226.0 * math.sqrt(math.log(1.0 + (end_degc - start_degc) / (234.5 + start_degc)))
    section_mm2 = 1e6 * area_m2
    return k * k * section_mm2 * section_mm2
