"""The cell's curves over its charge: open-circuit voltage and how resistances change (row 1).

Read once, when a vehicle is loaded: the pack keeps them as short tables.
"""

import math
from typing import NamedTuple

# Charge steps of the tables that the pack interpolates. From a tenth of full charge
# up, 41 points follow the curves within 2 mV; nearer to empty, where they bend most
# and a protection has tripped, the straight lines read up to 0.07 V low.
TABLE_POINTS = 41


class CellPoint(NamedTuple):
    """The equivalent circuit of one cell at one state of charge."""

    ocv_v: float
    r0_ohm: float
    r1_ohm: float
    c1_f: float
    r2_ohm: float
    c2_f: float


def chen_rincon_mora(soc_frac: float) -> CellPoint:
    """One 850 mAh polymer Li-ion cell, at room temperature.

    Parameters
    ----------
    soc_frac : float, 0 to 1

    Notes
    -----
    Source: M. Chen, G. A. Rincon-Mora, "Accurate electrical battery model
    capable of predicting runtime and I-V performance", IEEE Trans. Energy
    Convers. 21(2), 2006, 504-511, read in two independent codings. The
    capacitances' fits turn negative under a charge of about 0.011; they are
    held at their value at 0.02 below that.
    """
    s = soc_frac
    held = max(s, 0.02)
    return CellPoint(
        ocv_v=-1.031 * math.exp(-35.0 * s) + 3.685 + 0.2156 * s - 0.1178 * s * s + 0.3201 * s * s * s,
        r0_ohm=0.1562 * math.exp(-24.37 * s) + 0.07446,
        r1_ohm=0.3208 * math.exp(-29.14 * s) + 0.04669,
        c1_f=-752.9 * math.exp(-13.51 * held) + 703.6,
        r2_ohm=6.603 * math.exp(-155.2 * s) + 0.04984,
        c2_f=-6056.0 * math.exp(-27.12 * held) + 4475.0,
    )


def table_charges() -> tuple[float, ...]:
    """The charges, 0 to 1, at which the pack's tables are given."""
    return tuple(index / (TABLE_POINTS - 1) for index in range(TABLE_POINTS))


def ocv_table_v(points: tuple[tuple[float, float], ...]) -> tuple[float, ...]:
    """Open-circuit voltages at `table_charges`, from given points or, without any, the paper's curve.

    Parameters
    ----------
    points : ((soc_frac, volts), ...), charges strictly rising from 0 to 1; may be empty
    """
    if not points:
        return tuple(chen_rincon_mora(soc).ocv_v for soc in table_charges())
    table = []
    above = 1
    for soc in table_charges():
        while points[above][0] < soc:
            above += 1
        (s0, v0), (s1, v1) = points[above - 1], points[above]
        table.append(v0 + (v1 - v0) * (soc - s0) / (s1 - s0))
    return tuple(table)


def resistance_shape() -> tuple[float, ...]:
    """Series resistance at `table_charges` over that at half charge, after the same paper.

    The paper's rise near empty is carried over to other cells as a ratio: a
    guess that suits most Li-ion cells in kind, not in number.
    """
    middle = chen_rincon_mora(0.5).r0_ohm
    return tuple(chen_rincon_mora(soc).r0_ohm / middle for soc in table_charges())
