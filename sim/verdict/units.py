"""The unit of a name, read from its suffix, and of products and ratios of names (row 3).

A unit is kept as powers of a few base symbols, so that `bus_v * pack_a` is
known to be watts and `bus_v + pack_a` is known to be a mistake. Plain numbers
and names without a suffix have no unit (`None`) and go with everything.
"""

from __future__ import annotations

from typing import NamedTuple


class Unit(NamedTuple):
    """A unit as printed, and the powers of the base symbols it stands for.

    `given` tells a unit read from a suffix from one worked out: newton metres
    and joules have the same powers, and the suffix knows which is meant.
    """

    symbol: str
    powers: tuple[tuple[str, int], ...]
    given: bool = True


def _powers(**powers: int) -> tuple[tuple[str, int], ...]:
    return tuple(sorted((base, power) for base, power in powers.items() if power))


# Everything electrical and mechanical is written in volts, amperes, seconds and metres: 1 N = 1 V A s / m.
# Radians count as plain numbers; integer firmware units are bases of their own, for no scaling is done here.
_SUFFIXES: dict[str, Unit] = {
    "v": Unit("V", _powers(V=1)),
    "a": Unit("A", _powers(A=1)),
    "ohm": Unit("ohm", _powers(V=1, A=-1)),
    "siemens": Unit("S", _powers(A=1, V=-1)),
    "w": Unit("W", _powers(V=1, A=1)),
    "j": Unit("J", _powers(V=1, A=1, s=1)),
    "nm": Unit("N m", _powers(V=1, A=1, s=1)),
    "n": Unit("N", _powers(V=1, A=1, s=1, m=-1)),
    "kg": Unit("kg", _powers(V=1, A=1, s=3, m=-2)),
    "h": Unit("H", _powers(V=1, s=1, A=-1)),
    "f": Unit("F", _powers(A=1, s=1, V=-1)),
    "tesla": Unit("T", _powers(V=1, s=1, m=-2)),
    "s_m": Unit("S/m", _powers(A=1, V=-1, m=-1)),
    "m": Unit("m", _powers(m=1)),
    "m_s": Unit("m/s", _powers(m=1, s=-1)),
    "m_s2": Unit("m/s2", _powers(m=1, s=-2)),
    "s": Unit("s", _powers(s=1)),
    "frac": Unit("1", _powers()),
    "frac_s": Unit("1/s", _powers(s=-1)),
    "frac_s2": Unit("1/s2", _powers(s=-2)),
    "rad": Unit("rad", _powers()),
    "rad_s": Unit("rad/s", _powers(s=-1)),
    "rad_s2": Unit("rad/s2", _powers(s=-2)),
    "v_s": Unit("V/s", _powers(V=1, s=-1)),
    "a_s": Unit("A/s", _powers(A=1, s=-1)),
    "hz": Unit("Hz", _powers(Hz=1)),
    "degc": Unit("degC", _powers(degC=1)),
    "us": Unit("us", _powers(us=1)),
    "us_s": Unit("us/s", _powers(us=1, s=-1)),
    "ms": Unit("ms", _powers(ms=1)),
    "mv": Unit("mV", _powers(mV=1)),
    "ma": Unit("mA", _powers(mA=1)),
    "rpm": Unit("rpm", _powers(rpm=1)),
    "lsb": Unit("lsb", _powers(lsb=1)),
    "counts": Unit("counts", _powers(counts=1)),
    "permille": Unit("permille", _powers(permille=1)),
}
_QUALIFIERS = frozenset({"max", "min", "mean", "rms", "peak", "limit", "nominal", "left", "right", "cold", "hot"})
# Where several units share their powers, the first listed names the outcome of a product.
_BY_POWERS: dict[tuple[tuple[str, int], ...], str] = {}
for _unit in _SUFFIXES.values():
    _BY_POWERS.setdefault(_unit.powers, _unit.symbol)

SECOND = _SUFFIXES["s"]


def unit_of(name: str) -> Unit | None:
    """The unit a name's suffix states; `None` without one.

    The order is noun, unit, qualifier (`phase_a_max`), so one qualifier may
    follow the unit.
    """
    parts = name.split("_")
    if len(parts) > 2 and parts[-1] in _QUALIFIERS:
        parts.pop()
    for length in (2, 1):
        if len(parts) > length and "_".join(parts[-length:]) in _SUFFIXES:
            return _SUFFIXES["_".join(parts[-length:])]
    return None


def alike(left: Unit | None, right: Unit | None) -> bool:
    """Whether values of the two units may be added or compared."""
    return left is None or right is None or left.powers == right.powers


def merged(left: Unit | None, right: Unit | None) -> Unit | None:
    """The unit of a sum of two like units: the one that was stated, if either was."""
    if left is None or (right is not None and right.given and not left.given):
        return right
    return left


def product(left: Unit | None, right: Unit | None, power: int = 1) -> Unit | None:
    """The unit of `left * right**power`; a value without a unit changes nothing."""
    if right is None:
        return left
    powers = dict(left.powers) if left else {}
    for base, exponent in right.powers:
        powers[base] = powers.get(base, 0) + power * exponent
    kept = _powers(**powers)
    if left is not None and kept == left.powers:
        return left
    written = " ".join(base if exponent == 1 else f"{base}^{exponent}" for base, exponent in kept)
    return Unit(_BY_POWERS.get(kept, written), kept, given=False)


def symbol_of(unit: Unit | None) -> str:
    """The unit as printed; `1` for a plain number."""
    return unit.symbol if unit else "1"
