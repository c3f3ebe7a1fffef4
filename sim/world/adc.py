"""Analogue-to-digital conversion (row 1)."""

import math
from typing import NamedTuple


class Params(NamedTuple):
    counts_max: int  # 4095 for 12 bits
    reference_v: float  # used when the reference does not follow the supply
    follows_supply: int  # 1: the reference is the sensor's supply (ratiometric)


def counts(params: Params, pin_v: float, supply_v: float) -> int:
    """The code nearest to a pin voltage over the reference, held in range.

    Notes
    -----
    Source: the ideal quantiser of IEEE 1241 (value from memory, not verified),
    with codes 0 to `counts_max` spanning the reference. No integral or
    differential non-linearity. A reference at 0 V reads 0.
    """
    reference_v = supply_v if params.follows_supply == 1 else params.reference_v
    if reference_v <= 0.0:
        return 0
    code = math.floor(pin_v / reference_v * params.counts_max + 0.5)
    return min(max(code, 0), params.counts_max)
