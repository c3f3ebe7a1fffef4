"""Water against PSS-78's and EOS-80's published points, TEOS-10 (gsw) and measured ranges."""

from __future__ import annotations

import gsw
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.world.water import (
    KINDS,
    T68_PER_T90,
    conductivity_pss78,
    density_eos80,
    hydrostatic_bar,
    salinity_pss78,
    water,
)

# PUBLISHED: Fofonoff & Millard 1983, UNESCO Tech. Pap. Mar. Sci. 44, p. 9.
# Conductivity ratio, t68 degC, p dbar, practical salinity.
PSS78_POINTS = [(1.0, 15.0, 0.0, 35.000000), (1.2, 20.0, 2000.0, 37.245628), (0.65, 5.0, 1500.0, 27.995347)]

# PUBLISHED: teos-10.org, example of gsw_SP_from_cndr. Conductivity ratio, t90 degC, p dbar, practical salinity.
TEOS10_EXAMPLE = [
    (1.3145, 28.7856, 10.0, 34.547219254816596),
    (1.3123, 28.4329, 50.0, 34.727400381174370),
    (1.1807, 22.8103, 125.0, 34.859100827188712),
    (0.8886, 10.2600, 250.0, 34.679845200922003),
    (0.8169, 6.8863, 600.0, 34.567856165219020),
    (0.7687, 4.4036, 1000.0, 34.561679175326645),
]

# PUBLISHED: UNESCO 1981, as in Gill 1982, table A3.2. Salinity, t68 degC, p bar, kg/m3.
EOS80_POINTS = [
    (0.0, 5.0, 0.0, 999.96675),
    (0.0, 25.0, 0.0, 997.04796),
    (35.0, 5.0, 0.0, 1027.67547),
    (35.0, 25.0, 0.0, 1023.34306),
    (0.0, 5.0, 1000.0, 1044.12802),
    (35.0, 5.0, 1000.0, 1069.48914),
    (35.0, 25.0, 1000.0, 1062.53817),
]

# INDEPENDENT, gsw 3.6.23: t90 degC, rho of fresh water and of SP 35 at 0 and at 40 dbar (kg/m3), C of SP 35 (mS/cm).
TEOS10 = [
    (0.0, 999.844464, 1000.047843, 1028.107022, 1028.297526, 29.036029),
    (5.0, 999.967803, 1000.164356, 1027.675741, 1027.860961, 33.455376),
    (10.0, 999.703243, 999.894327, 1026.954111, 1027.135039, 38.089706),
    (15.0, 999.103169, 999.289856, 1025.975637, 1026.153097, 42.917540),
    (20.0, 998.207676, 998.390836, 1024.765380, 1024.940068, 47.918044),
    (25.0, 997.048176, 997.228539, 1023.343131, 1023.515637, 53.071032),
    (30.0, 995.649975, 995.828170, 1021.725922, 1021.896745, 58.356964),
]
# EOS-80 is not TEOS-10: they are allowed 0.005 kg/m3 (5 millionths) apart.
EOS80_FROM_TEOS10 = 0.005


@pytest.mark.parametrize(("ratio", "t68", "dbar", "salinity"), PSS78_POINTS)
def test_salinity_at_the_scale_s_points(ratio: float, t68: float, dbar: float, salinity: float) -> None:
    """PSS-78 gives its published check points to their last digit."""
    assert salinity_pss78(ratio, t68 / T68_PER_T90, dbar / 10.0) == pytest.approx(salinity, abs=0.5e-6)


@pytest.mark.parametrize(("ratio", "t90", "dbar", "salinity"), TEOS10_EXAMPLE)
def test_salinity_at_teos10_s_example(ratio: float, t90: float, dbar: float, salinity: float) -> None:
    """PSS-78 gives the published TEOS-10 example."""
    assert salinity_pss78(ratio, t90, dbar / 10.0) == pytest.approx(salinity, abs=1e-11)


def test_salinity_from_conductivity_at_teos10_s_check() -> None:
    """34.5487 mS/cm at 28.7856 degC and 10 dbar is the published salinity 20.009869599086951."""
    assert salinity_pss78(34.5487 / 42.914, 28.7856, 1.0) == pytest.approx(20.009869599086951, abs=1e-11)


def test_standard_sea_water_conducts_as_defined() -> None:
    """C(35, 15 degC, 0) is 42.914 mS/cm (PUBLISHED) at 15 degC of the 1968 scale."""
    assert conductivity_pss78(35.0, 15.0 / T68_PER_T90, 0.0) == pytest.approx(4.2914, abs=0.5e-6)


@settings(deadline=None)
@given(st.floats(2.0, 42.0), st.floats(-2.0, 35.0), st.floats(0.0, 1000.0))
def test_conductivity_inverts_gsw(salinity: float, t90: float, dbar: float) -> None:
    """gsw (INDEPENDENT) reads the salinity back from our conductivity anywhere in the scale's range."""
    conductivity = conductivity_pss78(salinity, t90, dbar / 10.0)
    assert gsw.SP_from_C(10.0 * conductivity, t90, dbar) == pytest.approx(salinity, abs=1e-9)


@pytest.mark.parametrize(("t90", "expected"), [(row[0], row[5]) for row in TEOS10])
def test_sea_conductivity_at_gsw_s_values(t90: float, expected: float) -> None:
    """Sea water conducts as gsw's printed values say."""
    assert 10.0 * water("sea", t90).conductivity_s_m == pytest.approx(expected, abs=0.5e-6)


@pytest.mark.parametrize("salinity", [1.9, 42.1])
def test_salinity_beyond_the_scale_is_refused(salinity: float) -> None:
    """PSS-78 is not stretched past its range."""
    with pytest.raises(ValueError, match="practical salinity must be 2 to 42"):
        conductivity_pss78(salinity, 15.0, 0.0)


@pytest.mark.parametrize(("salinity", "t68", "bar", "density"), EOS80_POINTS)
def test_density_at_eos80_s_points(salinity: float, t68: float, bar: float, density: float) -> None:
    """EOS-80 gives its published points to their last digit."""
    assert density_eos80(salinity, t68 / T68_PER_T90, bar) == pytest.approx(density, abs=0.5e-5)


def test_pressure_is_in_bar() -> None:
    """1000 dbar are 100 bar, about 1032.3 kg/m3 (PUBLISHED); taken for 1000 bar it would be 1069.5."""
    assert density_eos80(35.0, 5.0, 100.0) == pytest.approx(1032.3, abs=0.05)


@pytest.mark.parametrize("row", TEOS10)
def test_density_is_near_teos10(row: tuple[float, ...]) -> None:
    """Fresh and sea water at the surface and at 40 dbar are within 0.005 kg/m3 of gsw's printed values."""
    t90, fresh, fresh_deep, sea, sea_deep, _ = row
    ours = [density_eos80(salinity, t90, bar) for salinity in (0.0, 35.0) for bar in (0.0, 4.0)]
    assert ours == pytest.approx([fresh, fresh_deep, sea, sea_deep], abs=EOS80_FROM_TEOS10)


@settings(deadline=None)
@given(st.floats(0.0, 40.0), st.floats(0.0, 30.0), st.floats(0.0, 100.0))
def test_density_is_near_gsw_anywhere(salinity: float, t90: float, dbar: float) -> None:
    """Within 0.02 kg/m3 of gsw (INDEPENDENT) down to 100 dbar from fresh to salt."""
    absolute = salinity * 35.16504 / 35.0
    expected = gsw.rho_t_exact(absolute, t90, dbar)
    assert density_eos80(salinity, t90, dbar / 10.0) == pytest.approx(expected, abs=0.02)


def test_pressure_at_depth_is_gsw_s() -> None:
    """40 m of sea water press as gsw (INDEPENDENT) says, to 0.3 % for gravity's change with latitude."""
    assert 10.0 * hydrostatic_bar(35.0, 10.0, 40.0) == pytest.approx(gsw.p_from_z(-40.0, 45.0), rel=0.003)


def test_depth_reaches_density_and_conductivity() -> None:
    """Deep sea water is denser and conducts better than at the surface."""
    surface, deep = water("sea", 10.0), water("sea", 10.0, depth_m=40.0)
    assert deep.density_kg_m3 > surface.density_kg_m3 + 0.1
    assert deep.conductivity_s_m > surface.conductivity_s_m


@pytest.mark.parametrize(
    ("kind", "low_ms_cm", "high_ms_cm"),
    [
        # DataStream water-quality guide: lakes and streams 0 to 200 uS/cm (PUBLISHED).
        ("lake", 0.0, 0.200),
        # Dissolved solids of pools, by TDS/0.5 to TDS/0.67 (common practice, no measured data found).
        ("pool", 1.0, 3.0),
        # Salt-chlorinated pools, 1500 to 4500 mg/L of NaCl by the CRC Handbook's molar conductivities (from memory).
        ("salt_pool", 2.9, 8.4),
        # Mesohaline water, salinity 5 to 18 in the Venice system (from memory), by PSS-78.
        ("brackish", 9.0, 29.2),
        # A water-treatment guide: sea water 45 to 55 mS/cm (PUBLISHED).
        ("sea", 45.0, 55.0),
    ],
)
def test_kinds_conduct_within_their_ranges(kind: str, low_ms_cm: float, high_ms_cm: float) -> None:
    """At 25 degC every kind lies in the range found for such waters."""
    assert low_ms_cm <= 10.0 * water(kind, 25.0).conductivity_s_m <= high_ms_cm


def test_salt_pool_conducts_like_its_salt() -> None:
    """3 g/L: 5.70 mS/cm by molar conductivities (from memory), 5.559 by PSS-78 at 3; both to 5 %."""
    ms_cm = 10.0 * water("salt_pool", 25.0).conductivity_s_m
    assert ms_cm == pytest.approx(5.70, rel=0.05)
    assert ms_cm == pytest.approx(5.559, rel=0.05)


def test_kinds_are_in_order() -> None:
    """From air to sea each kind conducts better than the one before."""
    conductivities = [water(kind, 20.0).conductivity_s_m for kind in ("air", "lake", "pool", "salt_pool")]
    conductivities += [water(kind, 20.0).conductivity_s_m for kind in ("brackish", "sea")]
    assert conductivities == sorted(set(conductivities))


def test_fresh_water_gains_two_percent_a_kelvin() -> None:
    """A pool 10 K colder than 25 degC conducts 20 % less (common practice, no source)."""
    assert water("pool", 15.0).conductivity_s_m == pytest.approx(0.8 * water("pool", 25.0).conductivity_s_m)


def test_air_is_the_standard_atmosphere() -> None:
    """Air does not conduct and weighs 1.225 kg/m3 at 15 degC (PUBLISHED: ICAO Doc 7488, sea level)."""
    air = water("air", 15.0)
    assert air.conductivity_s_m == 0.0
    assert air.density_kg_m3 == pytest.approx(1.2250, abs=0.5e-4)


@pytest.mark.parametrize(
    ("kind", "temperature", "depth", "says"),
    [
        ("swamp", 15.0, 0.0, "air, lake, pool, salt_pool, brackish, sea"),
        ("lake", -1.0, 0.0, "lake temperature_degc must be 0 to 40"),
        ("sea", 36.0, 0.0, "sea temperature_degc must be -2 to 35"),
        ("air", float("nan"), 0.0, "air temperature_degc"),
        ("sea", 15.0, -1.0, "depth_m"),
    ],
)
def test_water_out_of_range_is_refused(kind: str, temperature: float, depth: float, says: str) -> None:
    """An unknown kind, a temperature and a depth out of range are each refused by name."""
    with pytest.raises(ValueError, match=says):
        water(kind, temperature, depth)


@pytest.mark.parametrize("kind", KINDS)
def test_water_keeps_its_temperature(kind: str) -> None:
    """Every kind can be had at 20 degC and says so."""
    assert water(kind, 20.0).temperature_degc == 20.0
