"""Fields of cylinders and cuboids against magpylib and the handbook's on-axis forms."""

from __future__ import annotations

import magpylib
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sim.world.magnets import cuboid_field, cuboid_on_axis, cylinder_field, cylinder_on_axis

BR = 1.30
MILLI = 1e-3
# The tables below are printed to 1e-6 mT.
PRINT_T = 0.5e-9

# INDEPENDENT, magpylib 6.3.0, getB on the axis; Br 1.30 T, cylinder D10 x L5 mm, bar 10 x 10 x 5 mm.
# mm above the face, cylinder mT, bar mT.
ON_AXIS = [
    (0.5, 416.283630, 397.418889),
    (1.0, 371.868344, 360.122348),
    (2.0, 287.522817, 287.476857),
    (3.0, 216.776657, 224.020440),
    (4.0, 162.150449, 172.829167),
    (5.0, 121.758266, 133.344185),
    (7.5, 62.677158, 72.164960),
    (10.0, 35.266470, 41.872917),
    (15.0, 13.948481, 17.094161),
    (20.0, 6.784814, 8.435983),
]
ABOVE, CYLINDER, BAR = (MILLI * np.array(column) for column in zip(*ON_AXIS, strict=True))
BAR_SIZE = (10e-3, 10e-3, 5e-3)

# INDEPENDENT, magpylib 6.3.0: two cylinders D6 x L3 mm, Br 1.30 T, axes along z, centres x = -6 and +6 mm,
# z = 1.5 mm, polarised +z and -z, seen from (-s, 0, -3) mm. s mm, Bx mT, Bz mT.
SLIDE_BY = [
    (-6.0, -4.313276, -124.374865),
    (-4.8, -38.781827, -113.873956),
    (-3.6, -63.344474, -84.180404),
    (-2.4, -70.053330, -47.409983),
    (-1.2, -65.128070, -18.982973),
    (0.0, -61.758879, 0.0),
    (1.2, -65.128070, 18.982973),
    (2.4, -70.053330, 47.409983),
    (3.6, -63.344474, 84.180404),
    (4.8, -38.781827, 113.873956),
    (6.0, -4.313276, 124.374865),
]

sizes = st.floats(1e-3, 2e-2)
places = st.floats(-3e-2, 3e-2)
polarizations = st.floats(0.1, 1.5) | st.floats(-1.5, -0.1)


def test_cylinder_on_its_axis_agrees_with_magpylib() -> None:
    """The elliptic form on the axis gives magpylib's printed values."""
    _, b_z = cylinder_field(BR, 5e-3, 5e-3, 0.0, ABOVE + 2.5e-3)
    assert b_z == pytest.approx(CYLINDER, abs=PRINT_T)


def test_cuboid_on_its_axis_agrees_with_magpylib() -> None:
    """The corner sums on the axis give magpylib's printed values."""
    _, _, b_z = cuboid_field(BR, BAR_SIZE, 0.0, 0.0, ABOVE + 2.5e-3)
    assert b_z == pytest.approx(BAR, abs=PRINT_T)


def test_handbook_forms_agree_with_magpylib() -> None:
    """Both handbook on-axis forms (common practice, no source) give magpylib's printed values."""
    assert cylinder_on_axis(BR, 5e-3, 5e-3, ABOVE) == pytest.approx(CYLINDER, abs=PRINT_T)
    assert cuboid_on_axis(BR, BAR_SIZE, ABOVE) == pytest.approx(BAR, abs=PRINT_T)


def test_two_cylinders_sliding_by_agree_with_magpylib() -> None:
    """Two cylinders' fields, both components off the axis, add up to magpylib's printed values."""
    s, b_x, b_z = (MILLI * np.array(column) for column in zip(*SLIDE_BY, strict=True))
    total_x, total_z = np.zeros_like(s), np.zeros_like(s)
    for sign, centre in ((1.0, -6e-3), (-1.0, 6e-3)):
        along = -s - centre
        rho, axial = cylinder_field(sign * BR, 3e-3, 3e-3, np.abs(along), -4.5e-3)
        total_x += rho * np.sign(along)
        total_z += axial
    assert total_x == pytest.approx(b_x, abs=PRINT_T)
    assert total_z == pytest.approx(b_z, abs=PRINT_T)


def test_far_field_is_a_dipole() -> None:
    """100 mm away the D10 x L5 mm cylinder has magpylib's 0.0810470 mT, the point dipole 0.25 % more."""
    _, b_z = cylinder_field(BR, 5e-3, 5e-3, 0.0, 0.1)
    volume = np.pi * 5e-3**2 * 5e-3
    dipole = BR * volume / (2.0 * np.pi * 0.1**3)
    assert b_z == pytest.approx(0.0810470e-3, abs=0.5e-10)
    assert dipole / b_z - 1.0 == pytest.approx(0.0025, abs=0.00005)


@settings(deadline=None, max_examples=200)
@given(polarizations, sizes, sizes, places, places, places)
def test_cylinder_agrees_with_magpylib_anywhere(
    polarization: float, radius: float, length: float, x: float, y: float, z: float
) -> None:
    """Inside and outside, the cylinder equals magpylib (INDEPENDENT) to 1e-9 of the field."""
    rho = float(np.hypot(x, y))
    # At the surface magpylib chooses a side where this project takes the mean.
    assume(abs(rho - radius) > 1e-6 and abs(abs(z) - 0.5 * length) > 1e-6)
    magnet = magpylib.magnet.Cylinder(polarization=(0, 0, polarization), dimension=(2 * radius, length))
    expected = magnet.getB((x, y, z))
    b_rho, b_z = cylinder_field(polarization, radius, length, rho, z)
    outwards = np.array((x, y)) / rho if rho > 0.0 else np.zeros(2)
    error = np.linalg.norm(np.array((*(b_rho * outwards), b_z)) - expected)
    assert error <= 1e-9 * np.linalg.norm(expected)


@settings(deadline=None, max_examples=200)
@given(polarizations, st.tuples(sizes, sizes, sizes), st.tuples(places, places, places))
def test_cuboid_agrees_with_magpylib_anywhere(
    polarization: float, size: tuple[float, float, float], place: tuple[float, float, float]
) -> None:
    """Inside and outside, the cuboid equals magpylib (INDEPENDENT) to 1e-9 of the field."""
    assume(all(abs(abs(at) - 0.5 * edge) > 1e-6 for at, edge in zip(place, size, strict=True)))
    magnet = magpylib.magnet.Cuboid(polarization=(0, 0, polarization), dimension=size)
    expected = magnet.getB(place)
    error = np.linalg.norm(np.array(cuboid_field(polarization, size, *place)) - expected)
    assert error <= 1e-9 * np.linalg.norm(expected)


@pytest.mark.parametrize("z", [0.0, 1.0e-3, 1.5e-3, -1.5e-3, 7.0e-3])
def test_cylinder_on_the_axis_has_no_radial_field(z: float) -> None:
    """On the axis, in the magnet, on its faces and outside, the field is the axial handbook form alone."""
    b_rho, b_z = cylinder_field(BR, 3e-3, 3e-3, 0.0, z)
    assert b_rho == pytest.approx(0.0, abs=1e-15)
    assert b_z == pytest.approx(cylinder_on_axis(BR, 3e-3, 3e-3, z - 1.5e-3), rel=1e-12)


@pytest.mark.parametrize("z", [0.0, 0.7e-3, 2.0e-3])
def test_cylinder_surface_is_the_mean_of_both_sides(z: float) -> None:
    """At the magnet's radius b_z is the mean of the values just inside and just outside."""
    _, b_z = cylinder_field(BR, 3e-3, 3e-3, [3e-3 - 1e-9, 3e-3, 3e-3 + 1e-9], z)
    assert b_z[1] == pytest.approx(0.5 * (b_z[0] + b_z[2]), abs=1e-6)


def test_cuboid_side_face_is_the_mean_of_both_sides() -> None:
    """On a face parallel to the polarisation b_z is the mean of the values just inside and just outside."""
    _, _, b_z = cuboid_field(BR, (4e-3, 7e-3, 3e-3), [2e-3 - 1e-9, 2e-3, 2e-3 + 1e-9], 1e-3, 0.5e-3)
    assert b_z[1] == pytest.approx(0.5 * (b_z[0] + b_z[2]), abs=1e-6)


def test_edges_are_finite() -> None:
    """At a cylinder's rim and at a cuboid's edge and corner the field is large but finite."""
    rim = cylinder_field(BR, 3e-3, 3e-3, 3e-3, [1.5e-3, -1.5e-3])
    edge = cuboid_field(BR, (4e-3, 7e-3, 3e-3), 2e-3, [0.0, 3.5e-3, 3.5e-3], [1.5e-3, 0.0, 1.5e-3])
    assert np.all(np.isfinite(rim))
    assert np.all(np.isfinite(edge))
    assert 2.0 < rim[0][0] < 10.0


def test_field_behind_an_edge_is_exact() -> None:
    """On the continuation of a cuboid's edge, where one form of the logarithm fails, magpylib agrees."""
    place = (2e-3, 3.5e-3, 9e-3)
    magnet = magpylib.magnet.Cuboid(polarization=(0, 0, BR), dimension=(4e-3, 7e-3, 3e-3))
    assert cuboid_field(BR, (4e-3, 7e-3, 3e-3), *place) == pytest.approx(magnet.getB(place), rel=1e-9)
