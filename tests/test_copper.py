"""Copper leads against published wire tables, IEC 60228's limits and two heating formulas."""

from __future__ import annotations

import math

import pytest

from sim.world.copper import adiabatic_a2s, awg_area_m2, awg_diameter_m, lead_resistance_ohm

MM2 = 1e-6
KFT_M = 304.8

# Computed from ASTM B258's formula and 1/58 ohm mm2/m; diameters agree with published tables. AWG, mm, mm2, ohm/km.
AWG = [
    (6, 4.1154, 13.3018, 1.2962),
    (8, 3.2636, 8.3656, 2.0610),
    (10, 2.5882, 5.2612, 3.2771),
    (12, 2.0525, 3.3088, 5.2108),
    (14, 1.6277, 2.0809, 8.2855),
    (16, 1.2908, 1.3087, 13.1745),
    (18, 1.0237, 0.8230, 20.9482),
    (20, 0.8118, 0.5176, 33.3090),
]
# PUBLISHED: ohm/1000 ft at 20 degC, solid copper, a public wire-resistance table.
OHM_PER_KFT = [(12, 1.588, 0.0005), (14, 2.525, 0.0005), (16, 4.016, 0.0005), (18, 6.385, 0.0005), (20, 10.15, 0.005)]

# PUBLISHED: IEC 60228, largest resistance at 20 degC, plain copper, ohm/km by mm2 (three independent tables).
CLASS_5 = {
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30,
    10.0: 1.91, 16.0: 1.21, 25.0: 0.780, 35.0: 0.554,
}  # fmt: skip
CLASS_1 = {1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08, 10.0: 1.83, 16.0: 1.15}


@pytest.mark.parametrize(("gauge", "mm", "mm2", "ohm_km"), AWG)
def test_gauge_table(gauge: int, mm: float, mm2: float, ohm_km: float) -> None:
    """Diameter, section and resistance of each gauge are the table's to its last digit."""
    assert 1e3 * awg_diameter_m(gauge) == pytest.approx(mm, abs=0.5e-4)
    assert awg_area_m2(gauge) / MM2 == pytest.approx(mm2, abs=0.5e-4)
    assert lead_resistance_ohm(awg_area_m2(gauge), 1e3) == pytest.approx(ohm_km, abs=0.5e-4)


@pytest.mark.parametrize(("gauge", "ohm", "half_digit"), OHM_PER_KFT)
def test_published_wire_resistance(gauge: int, ohm: float, half_digit: float) -> None:
    """Solid copper has the published resistance for 1000 ft, to its last digit."""
    assert lead_resistance_ohm(awg_area_m2(gauge), KFT_M) == pytest.approx(ohm, abs=half_digit)


@pytest.mark.parametrize(("mm2", "ohm_km"), CLASS_5.items())
def test_fine_stranded_limit(mm2: float, ohm_km: float) -> None:
    """IEC 60228 class 5 allows 10 to 16 % above solid copper of the nominal section."""
    pure = lead_resistance_ohm(mm2 * MM2, 1e3)
    assert 1.10 <= ohm_km / pure <= 1.16


@pytest.mark.parametrize(("mm2", "ohm_km"), CLASS_1.items())
def test_solid_limit(mm2: float, ohm_km: float) -> None:
    """IEC 60228 classes 1 and 2 allow 5 to 8 % above solid copper of the nominal section."""
    pure = lead_resistance_ohm(mm2 * MM2, 1e3)
    assert 1.05 <= ohm_km / pure <= 1.08


@pytest.mark.parametrize(("degc", "ratio"), [(75.0, 1.21615), (0.0, 0.92140)])
def test_resistance_rises_with_temperature(degc: float, ratio: float) -> None:
    """With 0.00393 /K from 20 degC the ratios are the computed ones."""
    warm = lead_resistance_ohm(MM2, 1.0, temperature_degc=degc)
    assert warm / lead_resistance_ohm(MM2, 1.0) == pytest.approx(ratio, abs=0.5e-5)


@pytest.mark.parametrize(("degc", "factor"), [(60.0, 0.862), (75.0, 0.820), (100.0, 0.758)])
def test_resistance_against_iec_60228_s_correction(degc: float, factor: float) -> None:
    """IEC 60228's factors (PUBLISHED, with 0.004 /K) are met to 0.6 %, what 0.00393 makes of 80 K."""
    cold = lead_resistance_ohm(MM2, 1.0) / lead_resistance_ohm(MM2, 1.0, temperature_degc=degc)
    assert cold == pytest.approx(factor, rel=0.006)


def test_stranding_adds_its_share() -> None:
    """3 % of stranding is 3 % of resistance."""
    assert lead_resistance_ohm(MM2, 1.0, extra_frac=0.03) == pytest.approx(1.03 * lead_resistance_ohm(MM2, 1.0))


@pytest.mark.parametrize(("start", "end", "k"), [(70.0, 160.0, 115.00), (90.0, 250.0, 143.08), (30.0, 160.0, 142.90)])
def test_adiabatic_constant(start: float, end: float, k: float) -> None:
    """I2t of 1 mm2 is k squared with k as computed from IEC 60949 (published rounded: 115 and 143)."""
    assert math.sqrt(adiabatic_a2s(MM2, start, end)) == pytest.approx(k, abs=0.005)


def test_short_circuit_time() -> None:
    """A 2.5 mm2 lead in PVC stands 300 A for 0.918 s (k 115, 82 656 A2s), to 0.1 %."""
    a2s = adiabatic_a2s(2.5 * MM2, 70.0, 160.0)
    assert a2s == pytest.approx(82_656.25, rel=1e-3)
    assert a2s / (300.0 * 300.0) == pytest.approx(0.918403, rel=1e-3)


@pytest.mark.parametrize(
    ("gauge", "seconds", "ampere"),
    [(20, 1.0, 146.837), (20, 10.0, 46.434), (16, 1.0, 371.248), (16, 10.0, 117.399), (12, 1.0, 938.626)],
)
def test_adiabatic_heating_to_melting_is_onderdonk_s(gauge: int, seconds: float, ampere: float) -> None:
    """Taken to copper's 1083 degC from 40, it is Onderdonk's fusing current (from memory) to 0.5 %."""
    fusing = math.sqrt(adiabatic_a2s(awg_area_m2(gauge), 40.0, 1083.0) / seconds)
    assert fusing == pytest.approx(ampere, rel=0.005)
