"""Flux density of uniformly magnetised cylinders and cuboids, in closed form (row 1).

Computed once before a run, over whole arrays of observers. Everything is
linear in the polarisation ``J`` (the "remanence" Br of a magnet maker's
data), so magnets add up. Limits: hard, uniform magnetisation and no iron near
by; a real NdFeB magnet recoils with a relative permeability of about 1.05
(common practice, no source), which these ideal fields overstate by a few
percent close to the magnet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# An ideal magnet's field grows as a logarithm towards its edges. Observers are kept
# this far off the edge, as a share of the magnet's size, so that the field stays finite.
EDGE_FRAC = 1e-9

# Bulirsch's iteration converges quadratically: once the two means agree to this,
# the result is at rounding. From the smallest modulus allowed here it takes under 10 rounds.
CEL_TOLERANCE = 1e-8


def _cel(kc: Floats, p: Floats, a: float, b: Floats) -> Floats:
    """Bulirsch's generalised complete elliptic integral, for kc > 0 and p > 0.

    The integral over 0..pi/2 of
    ``(a cos^2 + b sin^2) / ((cos^2 + p sin^2) sqrt(cos^2 + kc^2 sin^2))``.

    Notes
    -----
    Source: R. Bulirsch 1969, "Numerical calculation of elliptic integrals and
    elliptic functions III", Numer. Math. 13:305-315, as restated by Derby &
    Olbert 2010 (see ``cylinder_field``). Differs in taking only positive p.
    """
    root_p = np.sqrt(p)
    even = a + b / p
    odd = 2.0 * (b / root_p + a * kc / root_p)
    root_p = root_p + kc / root_p
    mean, k, product = 1.0 + kc, kc, kc
    previous = np.ones_like(kc)
    while np.any(np.abs(previous - k) > CEL_TOLERANCE * previous):
        k = 2.0 * np.sqrt(product)
        product = k * mean
        even, odd = even + odd / root_p, 2.0 * (odd + even * product / root_p)
        root_p = root_p + product / root_p
        previous, mean = mean, mean + k
    result: Floats = 0.5 * np.pi * (odd + even * mean) / (mean * (mean + root_p))
    return result


def cylinder_field(
    polarization_tesla: float, radius_m: float, length_m: float, rho_m: ArrayLike, z_m: ArrayLike
) -> tuple[Floats, Floats]:
    """Flux density of a cylinder magnetised along its axis.

    Parameters
    ----------
    polarization_tesla : float
        Along +z; negative turns the magnet over.
    radius_m, length_m : float
        Both > 0.
    rho_m, z_m : array_like, shapes that broadcast together
        Observers: distance from the axis (>= 0), height from the magnet's centre.

    Returns
    -------
    b_rho, b_z : arrays, tesla
        Inside the magnet as well as outside. On the curved surface, where b_z jumps
        by the polarisation, the mean of both sides; at the rims, where the ideal
        b_rho is infinite, its value ``EDGE_FRAC`` of the size off the rim. Rounding
        adds an absolute error of about 1e-16 of the polarisation, which is relative
        1e-9 some 100 radii away.

    Notes
    -----
    Source: N. Derby & S. Olbert 2010, "Cylindrical magnets and ideal solenoids",
    Am. J. Phys. 78:229-235, doi:10.1119/1.3256157, section II.
    """
    # The paper's letters: a radius, b half length, gamma = (a - rho)/(a + rho).
    a, b = radius_m, 0.5 * length_m
    rho, z = np.broadcast_arrays(np.asarray(rho_m, dtype=np.float64), np.asarray(z_m, dtype=np.float64))
    total = a + rho
    gamma = (a - rho) / total
    # gamma = 0 is the curved surface; there the jump in b_z averages to the plain integral K.
    on_surface = gamma == 0.0
    p = np.where(on_surface, 1.0, gamma * gamma)
    s = np.where(on_surface, 1.0, gamma)
    ones = np.ones_like(p)
    b_rho, b_z = np.zeros_like(p), np.zeros_like(p)
    for sign in (1.0, -1.0):
        height = z + sign * b
        far = np.sqrt(height * height + total * total)
        near = np.sqrt(height * height + (a - rho) * (a - rho))
        kc = np.maximum(near / far, EDGE_FRAC)
        b_rho += sign * a / far * _cel(kc, ones, 1.0, -ones)
        b_z += sign * a / total * height / far * _cel(kc, p, 1.0, s)
    scale = polarization_tesla / np.pi
    return scale * b_rho, scale * b_z


def cuboid_field(
    polarization_tesla: float, size_m: tuple[float, float, float], x_m: ArrayLike, y_m: ArrayLike, z_m: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Flux density of a cuboid magnetised along z.

    Parameters
    ----------
    polarization_tesla : float
        Along +z; negative turns the magnet over.
    size_m : three floats > 0
        Full edge lengths along x, y, z.
    x_m, y_m, z_m : array_like, shapes that broadcast together
        Observers, from the magnet's centre.

    Returns
    -------
    b_x, b_y, b_z : arrays, tesla
        Inside as well as outside. On the four faces parallel to the polarisation b_z
        is the mean of both sides; at the edges, where the ideal field is infinite,
        its value about ``EDGE_FRAC`` of the size off the edge.

    Notes
    -----
    Source: Z. J. Yang, T. H. Johansen, H. Bratsberg, G. Helgesen & A. T. Skjeltorp
    1990, "Potential and force between a magnet and a bulk Y1Ba2Cu3O7-d
    superconductor studied by a mechanical pendulum", Supercond. Sci. Technol.
    3:591 (the corner sums; not read, cited after the documentation of magpylib).
    Differs in the form of b_z: the
    arctangents are those of the equivalent surface currents, so that the flux
    density comes out inside too, and the logarithms are written as inverse
    hyperbolic sines, which lose no digits behind the magnet.
    """
    x, y, z = np.broadcast_arrays(*(np.asarray(axis, dtype=np.float64) for axis in (x_m, y_m, z_m)))
    floor = EDGE_FRAC * max(size_m)
    b_x, b_y, b_z = np.zeros(x.shape), np.zeros(x.shape), np.zeros(x.shape)
    for corner in np.ndindex(2, 2, 2):
        sign = 1.0 if sum(corner) % 2 == 0 else -1.0
        u, v, w = (axis + (0.5 - which) * edge for axis, which, edge in zip((x, y, z), corner, size_m, strict=True))
        r = np.sqrt(u * u + v * v + w * w)
        b_x += sign * np.arcsinh(v / np.maximum(np.sqrt(u * u + w * w), floor))
        b_y += sign * np.arcsinh(u / np.maximum(np.sqrt(v * v + w * w), floor))
        # arctan(v w / (u r)) with the value 0 in the plane u = 0, the mean of its two sides.
        b_z += sign * np.arctan2(v * w * np.sign(u), np.abs(u) * r)
        b_z += sign * np.arctan2(u * w * np.sign(v), np.abs(v) * r)
    scale = polarization_tesla / (4.0 * np.pi)
    return scale * b_x, scale * b_y, scale * b_z


def cylinder_on_axis(polarization_tesla: float, radius_m: float, length_m: float, from_face_m: ArrayLike) -> Floats:
    """Axial flux density on the axis of a cylinder, `from_face_m` above its pole face, in tesla.

    Notes
    -----
    Source: handbook form, common practice, no source.
    """
    z = np.asarray(from_face_m, dtype=np.float64)
    far, r2 = z + length_m, radius_m * radius_m
    axial: Floats = 0.5 * polarization_tesla * (far / np.sqrt(r2 + far * far) - z / np.sqrt(r2 + z * z))
    return axial


def cuboid_on_axis(polarization_tesla: float, size_m: tuple[float, float, float], from_face_m: ArrayLike) -> Floats:
    """Axial flux density on the axis of a cuboid, `from_face_m` (> 0) above its pole face, in tesla.

    Notes
    -----
    Source: handbook form, common practice, no source.
    """
    a, b, length = size_m
    z = np.asarray(from_face_m, dtype=np.float64)

    def face(s: Floats) -> Floats:
        angle: Floats = np.arctan2(a * b, 2.0 * s * np.sqrt(4.0 * s * s + a * a + b * b))
        return angle

    return polarization_tesla / np.pi * (face(z) - face(z + length))
