"""One lump of heat: a thermal resistance to the water and a heat capacity (row 1)."""

import math
from typing import NamedTuple


class Params(NamedTuple):
    resistance_k_w: float
    keep_frac: float  # of a temperature difference over one tick, see `keep_frac`


def keep_frac(resistance_k_w: float, capacity_j_k: float, tick_s: float) -> float:
    """Share of a temperature difference that is left after a tick: exp(-t / (Rth Cth))."""
    return math.exp(-tick_s / (resistance_k_w * capacity_j_k))


def warmed_degc(params: Params, now_degc: float, around_degc: float, heat_w: float) -> float:
    """Temperature after one tick of constant heat: exact for one lump.

    Notes
    -----
    Source: lumped thermal network, T = Ta + P Rth (1 - exp(-t / (Rth Cth)))
    (handbook form). Valid when the inside evens out faster than it cools
    (Biot number well under 1). Wetter parts cool faster: give Rth for water.
    """
    resistance_k_w, keep = params
    final_degc = around_degc + heat_w * resistance_k_w
    return final_degc + (now_degc - final_degc) * keep
