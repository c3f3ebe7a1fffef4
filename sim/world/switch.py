"""Resistance of the main switch: MOSFETs in parallel, warmer is worse (row 1)."""

from typing import NamedTuple


class Params(NamedTuple):
    on_ohm: float  # one device at 25 degC
    parallel: float  # how many share the current
    temperature_frac_k: float  # rise of resistance per kelvin


def resistance_ohm(params: Params, switch_degc: float) -> float:
    """On-resistance of all devices together at their own temperature.

    Notes
    -----
    Source: conduction loss P = I^2 Rds(on) kT (handbook form). A rise of 0.4 %
    per kelvin gives kT = 1.4 at 125 degC: common practice, no source. Devices
    share evenly.
    """
    factor = max(1.0 + params.temperature_frac_k * (switch_degc - 25.0), 0.5)
    return params.on_ohm * factor / params.parallel
