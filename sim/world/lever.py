"""The throttle lever: two magnets moved about a fixed Hall sensor (row 1).

From the rider's hand to the flux density at the sensor: where a sprung lever
follows the hand to, and what field its carriage of two disc magnets makes at
the sensor. Computed once before a run; only ``stray_field`` runs inside the
loop. Plastics, epoxy, air and water have a relative permeability of 1 to
within 1e-4, so only distances matter, not what fills them.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.world.magnets import Floats, cylinder_field

Geometry = Literal["slide_by", "push_pull", "same_poles"]
Lost = Literal["first", "second"]

# Both magnets' polarisation is stated at this temperature.
REFERENCE_DEGC = 20.0


class LeverParams(NamedTuple):
    """Two equal disc magnets on a carriage; x is the way the carriage moves.

    The first magnet sits towards -x, the second towards +x. The sensor stands
    at the origin when the carriage's middle does and nothing is misaligned.

    geometry : how the magnets face the sensor.
        "slide_by": side by side, opposite poles towards the sensor, which lies
        `gap_m` below their faces and measures along z.
        "push_pull": on one axis, like poles towards the sensor between them, which
        measures along x and finds zero midway.
        "same_poles": as push_pull with the second magnet turned over, so that both
        point the same way. The map is then even about the middle and cannot tell one
        side from the other; it is kept because it gets built.
        With a positive polarisation the first two rise along the travel.
    diameter_m, thickness_m : one magnet, > 0.
    polarization_tesla : at 20 degC (a maker's remanence Br); negative swaps every pole.
    gap_m : slide_by: sensor below the pole faces. Otherwise: from the sensor to
        either face with the carriage in the middle. > 0.
    spacing_m : slide_by: between the magnets' axes, > 0. Otherwise 0, as the gap sets it.
    travel_m : carriage movement from rest to full lever, > 0.
    rest_offset_m : carriage position at rest, usually about -travel_m / 2.
    misalign_x_m, misalign_y_m : sensor off its place along the movement, and across it
        (in slide_by y is level with the faces; in the others it is off the axis).
    temperature_coefficient_per_k : of the polarisation. About -0.0012 for
        neodymium magnets: common practice, no source.
    magnet_degc : their temperature.
    """

    geometry: Geometry
    diameter_m: float
    thickness_m: float
    polarization_tesla: float
    gap_m: float
    spacing_m: float
    travel_m: float
    rest_offset_m: float
    misalign_x_m: float = 0.0
    misalign_y_m: float = 0.0
    temperature_coefficient_per_k: float = -0.0012
    magnet_degc: float = REFERENCE_DEGC


def check(params: LeverParams) -> None:
    """Refuse a lever that cannot be built.

    Raises
    ------
    ValueError
        A size out of range, or a carriage that would strike the sensor.
    """
    for name in ("diameter_m", "thickness_m", "gap_m", "travel_m"):
        if not getattr(params, name) > 0.0:
            raise ValueError(f"{name} must be above 0")
    if params.geometry == "slide_by":
        if not params.spacing_m >= params.diameter_m:
            raise ValueError("spacing_m must be at least diameter_m, or the magnets overlap")
        return
    if params.spacing_m != 0.0:
        raise ValueError(f"spacing_m must be 0 in {params.geometry}, where gap_m sets it")
    ends = (params.rest_offset_m, params.rest_offset_m + params.travel_m)
    if max(abs(end - params.misalign_x_m) for end in ends) >= params.gap_m:
        raise ValueError("the carriage would strike the sensor: gap_m must exceed its largest offset from it")


def sensor_field(params: LeverParams, travel_frac: ArrayLike, lost_magnet: Lost | None = None) -> Floats:
    """Flux density along the sensor's axis for each lever position.

    Parameters
    ----------
    params : LeverParams
    travel_frac : array_like
        Lever position, 0 at rest to 1 at full.
    lost_magnet : "first", "second" or None
        A magnet that has come off.

    Returns
    -------
    array, tesla
        Same shape as `travel_frac`.

    Raises
    ------
    ValueError
        As `check`.

    Notes
    -----
    Source: the sum of two ideal magnets, see ``magnets.cylinder_field``. The
    sensor is a point; a real element averages over some 0.1 mm.
    """
    check(params)
    warm_k = params.magnet_degc - REFERENCE_DEGC
    polarization = params.polarization_tesla * (1.0 + params.temperature_coefficient_per_k * warm_k)
    carriage = params.rest_offset_m + np.asarray(travel_frac, dtype=np.float64) * params.travel_m
    # The sensor as seen from the carriage's middle.
    along, across = params.misalign_x_m - carriage, abs(params.misalign_y_m)
    slide = params.geometry == "slide_by"
    half = 0.5 * params.spacing_m if slide else params.gap_m + 0.5 * params.thickness_m
    second_sign = 1.0 if params.geometry == "same_poles" else -1.0
    field: Floats = np.zeros_like(along)
    for name, centre, sign in (("first", -half, 1.0), ("second", half, second_sign)):
        if name == lost_magnet:
            continue
        # The sensor in the magnet's own coordinates: off its axis, and along it.
        rho: ArrayLike = across
        height: ArrayLike = along - centre
        if slide:
            rho = np.sqrt((along - centre) * (along - centre) + across * across)
            height = -(params.gap_m + 0.5 * params.thickness_m)
        axial = cylinder_field(sign * polarization, 0.5 * params.diameter_m, params.thickness_m, rho, height)[1]
        field = field + axial
    return field


def returned(
    target_frac: ArrayLike,
    tick_s: float,
    push_per_s: float,
    return_per_s: float,
    stuck_from_s: float = math.inf,
    stuck_until_s: float = math.inf,
) -> Floats:
    """Where a sprung lever goes as a hand pushes it and lets go.

    Parameters
    ----------
    target_frac : array_like, shape (n,)
        Where the hand would have the lever at each tick; the stops are 0 and 1.
    tick_s : float, > 0
    push_per_s : float, > 0
        Fastest push against the spring, in whole travels a second.
    return_per_s : float, > 0
        Fastest return by the spring, in whole travels a second.
    stuck_from_s, stuck_until_s : float
        While stuck (grit, ice, a cord round it) the lever stays where it is.

    Returns
    -------
    array, shape (n,)
        The lever's position, 0 to 1; at rest before the first tick.

    Notes
    -----
    Source: none, a rate limit between stops. The lever's inertia and the
    spring's law are left out; both act within a few ticks.
    """
    up, down = push_per_s * tick_s, return_per_s * tick_s
    targets = np.clip(np.asarray(target_frac, dtype=np.float64), 0.0, 1.0)
    at_s = np.arange(targets.size) * tick_s
    stuck = (at_s >= stuck_from_s) & (at_s < stuck_until_s)
    path = np.empty(targets.size)
    position = 0.0
    begins = starts(targets, stuck).tolist()
    for start, end in pairwise([*begins, targets.size]):
        target, tick = float(targets[start]), start
        # Once there, the lever stays until the hand moves on.
        while tick < end and position != target and not stuck[start]:
            position = min(max(target, position - down), position + up)
            path[tick] = position
            tick += 1
        path[tick:end] = position
    return path


def starts(*columns: NDArray[Any]) -> NDArray[np.int64]:
    """Where each stretch begins, in arrays of shape (n,), in which no column changes."""
    changed = np.ones(columns[0].size, dtype=np.bool_)
    changed[1:] = False
    for column in columns:
        changed[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(changed)


def stray_field(current_a: float, distance_m: float) -> float:
    """Flux density beside a long straight lead, in tesla.

    Notes
    -----
    Source: Ampere's law, ``mu0 I / (2 pi r)`` with mu0 = 4 pi 1e-7 H/m. The
    return lead's opposite field is left out: the worst case of two leads
    spread apart.
    """
    return 2e-7 * current_a / distance_m
