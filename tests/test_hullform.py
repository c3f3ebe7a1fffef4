"""Added mass of spheroids against Lamb's table, and published tow drag."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from sim.world.hullform import (
    CORTESI_KG_M,
    NARITA_KG_M,
    added_mass,
    displaced_inertia_kg_m2,
    displaced_mass_kg,
    drag_n,
)

# Length over diameter; k1, k2, k' exact (computed from the closed form); the same as printed:
# PUBLISHED, H. Lamb 1918, ARC R&M 623 (k1 read; k2 and k' partly legible, the rest from memory).
LAMB = [
    (1.00, 0.5, 0.5, 0.0, 0.5, 0.5, 0.0),
    (1.50, 0.30375, 0.62208, 0.09512, 0.305, 0.621, 0.094),
    (2.00, 0.21002, 0.70421, 0.23942, 0.209, 0.702, 0.240),
    (2.51, 0.15543, 0.76286, 0.36745, 0.156, 0.763, 0.367),
    (2.99, 0.12253, 0.80317, 0.46389, 0.122, 0.803, 0.465),
    (3.99, 0.08185, 0.85933, 0.60681, 0.082, 0.860, 0.608),
    (4.99, 0.05929, 0.89398, 0.69910, 0.059, 0.895, 0.701),
    (6.01, 0.04507, 0.91731, 0.76283, 0.045, 0.918, 0.764),
    (6.97, 0.03608, 0.93269, 0.80556, 0.036, 0.933, 0.805),
    (8.01, 0.02920, 0.94483, 0.83968, 0.029, 0.945, 0.840),
    (9.02, 0.02431, 0.95363, 0.86465, 0.024, 0.954, 0.865),
    (9.97, 0.02080, 0.96006, 0.88302, 0.021, 0.960, 0.883),
]


@pytest.mark.parametrize("row", LAMB)
def test_added_mass_is_exact(row: tuple[float, ...]) -> None:
    """All three coefficients are the exact ones to 1e-5."""
    assert added_mass(row[0], 1.0) == pytest.approx(row[1:4], abs=1e-5)


@pytest.mark.parametrize("row", LAMB)
def test_added_mass_is_lamb_s_table(row: tuple[float, ...]) -> None:
    """All three coefficients are Lamb's printed ones to 3e-3, the accuracy of his table."""
    assert added_mass(row[0], 1.0) == pytest.approx(row[4:7], abs=3e-3)


@pytest.mark.parametrize("ratio", [1.0001, 1.01, 1.7, 3.3, 12.0])
def test_added_mass_by_quadrature(ratio: float) -> None:
    """Lamb's integrals over the confocal ellipsoids, summed by scipy (INDEPENDENT), give the same k1 and k2."""

    def integral(axis: float) -> float:
        def ring(u: float) -> float:
            return ratio / ((axis * axis + u) * math.sqrt(ratio * ratio + u) * (1.0 + u))

        return float(quad(ring, 0.0, math.inf, epsabs=1e-12, epsrel=1e-11)[0])

    alpha, beta = integral(ratio), integral(1.0)
    shares = added_mass(ratio, 1.0)
    assert shares.surge == pytest.approx(alpha / (2.0 - alpha), rel=1e-8)
    assert shares.sway == pytest.approx(beta / (2.0 - beta), rel=1e-8)


@given(st.floats(0.0, 1e-5))
def test_added_mass_is_smooth_at_the_sphere(stretch: float) -> None:
    """Nearly a sphere is nearly a sphere's added mass."""
    assert added_mass(1.0 + stretch, 1.0) == pytest.approx((0.5, 0.5, 0.0), abs=2e-5)


@pytest.mark.parametrize(("length", "diameter"), [(0.9, 1.0), (1.0, 0.0), (math.nan, 1.0)])
def test_body_wider_than_long_is_refused(length: float, diameter: float) -> None:
    """The formulas are a prolate body's; a flat one, an empty one and no number are refused."""
    with pytest.raises(ValueError, match="as long as wide"):
        added_mass(length, diameter)


def test_displaced_water_of_a_sphere() -> None:
    """A sphere of 1 m displaces pi/6 of a cubic metre, with the inertia of a solid ball, m d^2 / 10."""
    assert displaced_mass_kg(1.0, 1.0, 1000.0) == pytest.approx(1000.0 * math.pi / 6.0)
    assert displaced_inertia_kg_m2(1.0, 1.0, 1000.0) == pytest.approx(1000.0 * math.pi / 6.0 / 10.0)


@pytest.mark.parametrize(
    ("k", "speed", "newton"),
    [
        # PUBLISHED: Narita, Nakashima & Takagi 2017, J. Biomech. 54:123, D = 23.5 v^2.0 (2.2 m/s extrapolated).
        (NARITA_KG_M, 1.5, 52.88),
        (NARITA_KG_M, 2.2, 113.74),
        # PUBLISHED: Cortesi et al. 2024, J. Sports Sci. Med. 23:17, k about 25 kg/m.
        (CORTESI_KG_M, 1.5, 56.25),
        (CORTESI_KG_M, 2.0, 100.00),
    ],
)
def test_swimmers_drag(k: float, speed: float, newton: float) -> None:
    """The drag law gives the published swimmers' drag, to the last digit."""
    # A hair over half a digit: 52.875 is printed as 52.88.
    assert drag_n(k, speed) == pytest.approx(newton, abs=0.0051)


def test_drag_is_against_the_motion() -> None:
    """Going astern the drag changes sign."""
    assert drag_n(25.0, -2.0) == -drag_n(25.0, 2.0)
