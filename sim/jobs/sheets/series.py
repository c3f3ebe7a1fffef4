"""Preferred values of resistors (row 4)."""

from __future__ import annotations

import math

E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
"""The E24 series of IEC 60063, one decade (values from memory; they are those of every catalogue)."""

# What a part of that series is commonly within: common practice, no source.
E24_FRAC = 0.05
# Rounding may put a value of the series a last digit to either side of the bound it equals.
SAME_FRAC = 1e-9


def at_most(ohm: float) -> float:
    """The largest value of the series that is no more than `ohm`, > 0."""
    decade = math.pow(10.0, math.floor(math.log10(ohm) + SAME_FRAC))
    fitting = [value for value in E24 if value * decade <= ohm * (1.0 + SAME_FRAC)]
    # Below the decade's first value only rounding brings one here: the last of the decade before.
    return round(fitting[-1] * decade, 12) if fitting else round(E24[-1] * decade / 10.0, 12)


def at_least(ohm: float) -> float:
    """The smallest value of the series that is no less than `ohm`, > 0."""
    decade = math.pow(10.0, math.floor(math.log10(ohm) + SAME_FRAC))
    fitting = [value for value in E24 if value * decade >= ohm * (1.0 - SAME_FRAC)]
    return round(fitting[0] * decade, 12) if fitting else round(10.0 * decade, 12)
