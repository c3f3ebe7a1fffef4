"""The drive bus: its voltage with both thrusters and the logic drawing, solved (row 1).

A thruster draws one of three ways, and which one depends on the very voltage
that is sought: nothing (its motor turns faster than its share of the bus
asks), as a conductance (duty on a resistance behind a back voltage), or as a
constant power (its current limit is at work). With the ways known the bus is
one quadratic; the ways are then checked against its answer.
"""

import math
from typing import NamedTuple

IDLE = 0
OHMIC = 1
LIMITED = 2

# The short search settles within three passes or not at all.
WAYS_TRIED_MAX = 4


class Load(NamedTuple):
    """One thruster as the bus meets it, held over a tick but for its speed."""

    duty_frac: float
    ohm: float  # winding and ESC
    limit_a: float  # motor current limit


def way_at(load: Load, back_v: float, bus_v: float) -> int:
    """How a thruster draws at a bus voltage, its motor's back voltage being `back_v`."""
    duty_frac, ohm, limit_a = load
    over_v = duty_frac * bus_v - back_v
    if over_v <= 0.0:
        return IDLE
    return LIMITED if over_v > limit_a * ohm else OHMIC


def limit_w(load: Load, back_v: float) -> float:
    """Power drawn while the current limit is at work."""
    return load.limit_a * (load.limit_a * load.ohm + back_v)


def siemens(load: Load, way: int) -> float:
    """Conductance of a thruster that draws as a resistance, as seen from the bus."""
    return load.duty_frac * load.duty_frac / load.ohm if way == OHMIC else 0.0


def motor_a(load: Load, back_v: float, way: int, bus_v: float) -> float:
    """Motor current at the operating point."""
    if way == OHMIC:
        return (load.duty_frac * bus_v - back_v) / load.ohm
    return load.limit_a if way == LIMITED else 0.0


def operating_v(emf_v: float, source_ohm: float, siemens: float, offset_a: float, power_w: float) -> float:
    """Upper root of E - R (G V - J + P/V) = V; negative where there is none.

    Notes
    -----
    Source: maximum power transfer, E^2/(4R) at V = E/2, and the constant-power
    load V = (E + sqrt(E^2 - 4 R P))/2 (handbook forms), extended by a
    conductance G and a back current J. The lower root is not stable.
    """
    a = 1.0 + source_ohm * siemens
    b = emf_v + source_ohm * offset_a
    under_root = b * b - 4.0 * a * source_ohm * power_w
    if under_root < 0.0:
        return -1.0
    return (b + math.sqrt(under_root)) / (2.0 * a)


def node_v(
    emf_v: float,
    source_ohm: float,
    left: Load,
    left_back_v: float,
    left_way: int,
    right: Load,
    right_back_v: float,
    right_way: int,
    constant_w: float,
) -> float:
    """Bus voltage if the thrusters draw in the ways given; negative where there is none."""
    siemens = 0.0
    offset_a = 0.0
    power_w = constant_w
    if left_way == OHMIC:
        share = left.duty_frac / left.ohm
        siemens = share * left.duty_frac
        offset_a = share * left_back_v
    elif left_way == LIMITED:
        power_w = power_w + limit_w(left, left_back_v)
    if right_way == OHMIC:
        share = right.duty_frac / right.ohm
        siemens = siemens + share * right.duty_frac
        offset_a = offset_a + share * right_back_v
    elif right_way == LIMITED:
        power_w = power_w + limit_w(right, right_back_v)
    return operating_v(emf_v, source_ohm, siemens, offset_a, power_w)


def highest(
    emf_v: float,
    source_ohm: float,
    left: Load,
    left_back_v: float,
    right: Load,
    right_back_v: float,
    constant_w: float,
) -> tuple[float, int, int]:
    """The highest bus voltage at which both ways agree with it, of all nine pairs; negative without any."""
    bus_v = -1.0
    left_way = IDLE
    right_way = IDLE
    for l_way in range(3):
        for r_way in range(3):
            found_v = node_v(emf_v, source_ohm, left, left_back_v, l_way, right, right_back_v, r_way, constant_w)
            agrees = way_at(left, left_back_v, found_v) == l_way and way_at(right, right_back_v, found_v) == r_way
            if found_v > bus_v and agrees:
                bus_v = found_v
                left_way = l_way
                right_way = r_way
    return bus_v, left_way, right_way


def solve(
    emf_v: float,
    source_ohm: float,
    left: Load,
    left_back_v: float,
    right: Load,
    right_back_v: float,
    constant_w: float,
) -> tuple[float, int, int, int]:
    """Bus voltage with everything drawing at once.

    Parameters
    ----------
    emf_v, source_ohm : the pack, leads and switch; both > 0.
    left, right : the thrusters; left_back_v, right_back_v: motor constant times speed.
    constant_w : logic and idle power.

    Returns
    -------
    bus_v, left_way, right_way, collapsed
        `collapsed` is 1 where no operating point is left above half the
        electromotive force, the point of greatest power. The bus then falls to
        where the limiters have run out of voltage and the thrusters draw as
        resistances; if even the constant power finds no point there it is
        dropped, as a converter drops out. Never NaN.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Above half the electromotive force there is at most one operating point,
    since a constant power P there keeps P < V^2/R. Whatever agrees with itself
    up there is therefore the answer, and the short search suffices; the nine
    pairs are tried only below.
    """
    left_way = OHMIC
    right_way = OHMIC
    for _ in range(WAYS_TRIED_MAX):
        bus_v = node_v(emf_v, source_ohm, left, left_back_v, left_way, right, right_back_v, right_way, constant_w)
        left_now = way_at(left, left_back_v, bus_v)
        right_now = way_at(right, right_back_v, bus_v)
        if left_now == left_way and right_now == right_way:
            if 2.0 * bus_v > emf_v:
                return bus_v, left_way, right_way, 0
            break
        left_way = left_now
        right_way = right_now
    bus_v, left_way, right_way = highest(emf_v, source_ohm, left, left_back_v, right, right_back_v, constant_w)
    collapsed = 1 if 2.0 * bus_v <= emf_v else 0
    if bus_v < 0.0:
        bus_v, left_way, right_way = highest(emf_v, source_ohm, left, left_back_v, right, right_back_v, 0.0)
    return max(bus_v, 0.0), left_way, right_way, collapsed
