"""Cell curves and the pack's equivalent circuit against published and independent numbers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import cell, pack

# PUBLISHED: M. Chen, G. A. Rincon-Mora 2006, IEEE Trans. Energy Convers. 21(2):504-511 (read in two independent
# codings), evaluated: charge, V, ohm, ohm, F, ohm, F, s, s.
CHEN = [
    (0.05, 3.516365, 0.120644, 0.121415, 320.4478, 0.052656, 2914.4325, 38.9072, 153.4620),
    (0.1, 3.674569, 0.088115, 0.064096, 508.6131, 0.049841, 4072.8582, 32.6001, 202.9961),
    (0.2, 3.725029, 0.075654, 0.047634, 653.1021, 0.049840, 4448.2962, 31.1101, 221.7031),
    (0.3, 3.747692, 0.074564, 0.046741, 690.5220, 0.049840, 4473.2268, 32.2759, 222.9456),
    (0.4, 3.772878, 0.074469, 0.046693, 700.2130, 0.049840, 4474.8823, 32.6949, 223.0281),
    (0.5, 3.803362, 0.074461, 0.046690, 702.7228, 0.049840, 4474.9922, 32.8102, 223.0336),
    (0.6, 3.841094, 0.074460, 0.046690, 703.3728, 0.049840, 4474.9995, 32.8405, 223.0340),
    (0.7, 3.887992, 0.074460, 0.046690, 703.5412, 0.049840, 4475.0000, 32.8483, 223.0340),
    (0.8, 3.945979, 0.074460, 0.046690, 703.5848, 0.049840, 4475.0000, 32.8504, 223.0340),
    (0.9, 4.016975, 0.074460, 0.046690, 703.5961, 0.049840, 4475.0000, 32.8509, 223.0340),
    (1.0, 4.102900, 0.074460, 0.046690, 703.5990, 0.049840, 4475.0000, 32.8510, 223.0340),
]

# Same source, parameters held at half charge: 0.5 A for 200 s, then rest; closed form, which an independent RK4 of the
# same circuit meets to 1e-8 V. At 0 s the current is on, at 200 s not yet off.
STEP = [
    (0, 3.76613208), (1, 3.76531981), (5, 3.76227985), (10, 3.75890629), (30, 3.74900688), (60, 3.74065886),
    (120, 3.73301994), (200, 3.72808453), (201, 3.76608014), (205, 3.76893438), (210, 3.77208120), (230, 3.78112931),
    (260, 3.78834640), (320, 3.79414614), (400, 3.79729137), (600, 3.80090734),
]  # fmt: skip

# INDEPENDENT: pybamm 26.10.1.1, equivalent_circuit.Thevenin with two RC pairs, IDAKLUSolver(rtol=1e-10, atol=1e-10):
# R0 0.0744608, R1 0.0466902, C1 702.7, R2 0.04984, C2 4474.99, OCV 3.7914 + 0.8 (s - 0.5), 10 Ah, 5 A from s = 0.5.
PYBAMM = [
    (0, 3.4190960, 0.5), (1, 3.4108620, 0.4998611), (5, 3.3800172, 0.4993056), (10, 3.3457254, 0.4986111),
    (30, 3.2445078, 0.4958333), (60, 3.1576948, 0.4916667), (120, 3.0746403, 0.4833333), (200, 3.0163979, 0.4722222),
    (400, 2.9334648, 0.4444444), (600, 2.8866912, 0.4166667),
]  # fmt: skip

FLAT = (1.0, 1.0)


def one_cell(**changes: object) -> pack.Params:
    """A single cell with flat curves at 25 degC, but for the changes given."""
    params = pack.Params(
        series=1.0, capacity_c=3600.0, r0_ohm=0.02, r1_ohm=0.01, keep1_frac=pack.keep_frac(10.0, 1.0), r2_ohm=0.01,
        keep2_frac=pack.keep_frac(100.0, 1.0), ocv_v=(3.7, 3.7), r0_shape=FLAT, activation_j_mol=20_000.0,
        resistance_growth_frac=0.0, capacity_loss_frac=0.0, weak_capacity_frac=1.0, weak_resistance_frac=1.0,
    )  # fmt: skip
    return params._replace(**changes)


def terminal_v(params: pack.Params, state: pack.State, amperes: float) -> float:
    behind = pack.source(params, state, 1.0)
    return behind.emf_v - amperes * behind.ohm


@pytest.mark.parametrize("row", CHEN)
def test_cell_curves(row: tuple[float, ...]) -> None:
    """At each charge the circuit's six elements and two time constants are the published fit's."""
    soc, ocv_v, r0_ohm, r1_ohm, c1_f, r2_ohm, c2_f, tau1_s, tau2_s = row
    point = cell.chen_rincon_mora(soc)
    assert (point.ocv_v, point.r0_ohm, point.r1_ohm, point.r2_ohm) == pytest.approx(
        (ocv_v, r0_ohm, r1_ohm, r2_ohm), abs=0.5e-6
    )
    assert (point.c1_f, point.c2_f) == pytest.approx((c1_f, c2_f), abs=0.5e-4)
    assert (point.r1_ohm * point.c1_f, point.r2_ohm * point.c2_f) == pytest.approx((tau1_s, tau2_s), abs=0.5e-4)


# A third coding in circulation has +0.1178 s^2, which makes 4.3385 V of a full cell.
def test_square_term_is_negative() -> None:
    """A full cell rests at 4.1029 V, not at the 4.3385 V of a known miscopy of the square term."""
    full_v = cell.chen_rincon_mora(1.0).ocv_v
    assert full_v == pytest.approx(4.1029, abs=0.5e-6)
    assert full_v - 4.3385 == pytest.approx(-2.0 * 0.1178, abs=0.5e-4)


@given(st.floats(min_value=0.0, max_value=1.0))
def test_circuit_elements_stay_positive(soc: float) -> None:
    """No charge makes an element of the circuit negative, though the published fits of C1 and C2 turn so near empty."""
    assert min(cell.chen_rincon_mora(soc)) > 0.0


@pytest.mark.parametrize(("seconds", "volts"), STEP)
def test_step_and_rest(seconds: int, volts: float) -> None:
    """A current step and the rest after it follow the printed voltages."""
    point = cell.chen_rincon_mora(0.5)
    params = one_cell(
        r0_ohm=point.r0_ohm,
        r1_ohm=point.r1_ohm,
        keep1_frac=pack.keep_frac(point.r1_ohm * point.c1_f, 1.0),
        r2_ohm=point.r2_ohm,
        keep2_frac=pack.keep_frac(point.r2_ohm * point.c2_f, 1.0),
        ocv_v=(point.ocv_v, point.ocv_v),
    )
    state = pack.initial(params, 0.5)
    for second in range(seconds):
        state = pack.step(params, state, 0.5 if second < 200 else 0.0, 1.0, 1.0)
    assert terminal_v(params, state, 0.5 if seconds <= 200 else 0.0) == pytest.approx(volts, abs=0.5e-8)


@pytest.mark.parametrize(("seconds", "volts", "soc"), PYBAMM)
@pytest.mark.parametrize("tick_s", [1.0, 0.25])
def test_discharge_of_pybamm(seconds: int, volts: float, soc: float, tick_s: float) -> None:
    """A constant discharge gives pybamm's voltage and charge to their last printed digit, at any tick."""
    params = one_cell(
        capacity_c=36_000.0,
        r0_ohm=0.0744608,
        r1_ohm=0.0466902,
        keep1_frac=pack.keep_frac(0.0466902 * 702.7, tick_s),
        r2_ohm=0.04984,
        keep2_frac=pack.keep_frac(0.04984 * 4474.99, tick_s),
        ocv_v=(3.7914 - 0.4, 3.7914 + 0.4),
    )
    state = pack.initial(params, 0.5)
    for _ in range(round(seconds / tick_s)):
        state = pack.step(params, state, 5.0, 1.0, tick_s)
    # Half a unit of the last digit, and 1.2e-9 V between pybamm's solver and the exact answer.
    assert terminal_v(params, state, 5.0) == pytest.approx(volts, abs=0.52e-7)
    assert state.soc_frac == pytest.approx(soc, abs=0.5e-7)


@given(st.lists(st.floats(min_value=-50.0, max_value=200.0), max_size=60), st.floats(min_value=0.0, max_value=0.5))
def test_charge_is_conserved(currents_a: list[float], capacity_loss_frac: float) -> None:
    """The charge taken is the integral of the current over the capacity that is left."""
    params = one_cell(capacity_loss_frac=capacity_loss_frac)
    state = pack.initial(params, 0.6)
    for pack_a in currents_a:
        state = pack.step(params, state, pack_a, 1.0, 0.5)
    taken_c = 0.5 * math.fsum(currents_a)
    expected = 0.6 - taken_c / (3600.0 * (1.0 - capacity_loss_frac))
    assert state.soc_frac == pytest.approx(expected, abs=1e-12)


@given(
    st.lists(st.floats(min_value=0.0, max_value=200.0), min_size=1, max_size=60),
    st.floats(min_value=0.5, max_value=1.0),
    st.floats(min_value=1.0, max_value=2.0),
    st.floats(min_value=0.1, max_value=1.0),
)
def test_weakest_cell_is_never_above_the_mean(
    currents_a: list[float], capacity_frac: float, resistance_frac: float, soc: float
) -> None:
    """On discharge the weakest cell has no more charge and no more voltage than the mean cell of the string."""
    params = one_cell(
        series=14.0,
        ocv_v=cell.ocv_table_v(()),
        r0_shape=cell.resistance_shape(),
        weak_capacity_frac=capacity_frac,
        weak_resistance_frac=resistance_frac,
    )
    state = pack.initial(params, soc)
    for pack_a in currents_a:
        state = pack.step(params, state, pack_a, 1.0, 0.1)
        behind = pack.source(params, state, 1.0)
        mean_v = (behind.emf_v - pack_a * behind.ohm) / params.series
        assert state.weak_soc_frac <= state.soc_frac
        assert behind.weak_emf_v - pack_a * behind.weak_ohm <= mean_v + 1e-9


@given(st.floats(min_value=0.0, max_value=1.0))
def test_equal_cells_share_the_voltage(soc: float) -> None:
    """Without spread every cell has its share of the pack's voltage and resistance."""
    params = one_cell(series=14.0, ocv_v=cell.ocv_table_v(()), r0_shape=cell.resistance_shape())
    behind = pack.source(params, pack.State(soc, soc, 0.3, 0.2), 1.2)
    assert behind.weak_emf_v == pytest.approx(behind.emf_v / 14.0, rel=1e-12)
    assert behind.weak_ohm == pytest.approx(behind.ohm / 14.0, rel=1e-12)


def test_temperature_factor_is_1_at_25_degc() -> None:
    """At 25 degC resistances are those given."""
    assert pack.temperature_factor(one_cell(), 25.0) == 1.0


# Arrhenius law; 20 kJ/mol over 8.314462618 J/(mol K) times (1/277.15 K - 1/298.15 K) is 0.6113, worked by hand.
def test_cold_pack_resists_more() -> None:
    """At 4 degC a pack of 20 kJ/mol has 1.843 times its resistance at 25 degC."""
    assert pack.temperature_factor(one_cell(), 4.0) == pytest.approx(1.843, abs=0.5e-3)


@given(st.floats(min_value=-60.0, max_value=90.0), st.floats(min_value=-60.0, max_value=90.0))
def test_temperature_factor_falls_with_warmth(one_degc: float, other_degc: float) -> None:
    """A warmer pack never resists more."""
    cold, warm = (pack.temperature_factor(one_cell(), degc) for degc in sorted((one_degc, other_degc)))
    assert cold >= warm > 0.0


def test_ageing_multiplies_the_resistance() -> None:
    """An aged pack has its growth on top of the temperature's factor, in the series resistance and both RC pairs."""
    params = one_cell(resistance_growth_frac=0.3)
    factor = pack.aged_factor(params, 4.0)
    assert factor == pytest.approx(1.3 * pack.temperature_factor(params, 4.0))
    new = pack.step(params, pack.initial(params, 0.5), 10.0, 1.0, 1.0)
    aged = pack.step(params, pack.initial(params, 0.5), 10.0, factor, 1.0)
    assert (aged.v1_v / new.v1_v, aged.v2_v / new.v2_v) == pytest.approx((factor, factor))
    assert pack.source(params, aged, factor).ohm == pytest.approx(factor * pack.source(params, new, 1.0).ohm)


@given(st.floats(min_value=-1.0, max_value=2.0))
def test_table_is_held_at_its_ends(frac: float) -> None:
    """Past empty or full a table keeps its last value, and between its points it is linear."""
    assert pack.interpolated((1.0, 3.0, 4.0), frac) == pytest.approx(
        min(max(1.0 + 4.0 * frac, 1.0), 3.0) if frac <= 0.5 else min(3.0 + 2.0 * (frac - 0.5), 4.0)
    )


def test_given_points_are_met() -> None:
    """A table of the user's own voltages has them at its charges and straight lines between."""
    table = cell.ocv_table_v(((0.0, 3.0), (0.1, 3.4), (1.0, 4.2)))
    by_charge = dict(zip(cell.table_charges(), table, strict=True))
    assert (by_charge[0.0], by_charge[0.05], by_charge[0.1], by_charge[1.0]) == pytest.approx((3.0, 3.2, 3.4, 4.2))


# Straight lines between 41 points against the curve: h^2/8 of the second derivative 1263 e^(-35 s).
@given(st.floats(min_value=0.1, max_value=1.0))
def test_table_follows_the_curve(soc: float) -> None:
    """From a tenth of full charge up the pack's table is within 2 mV of the published curve."""
    assert pack.interpolated(cell.ocv_table_v(()), soc) == pytest.approx(cell.chen_rincon_mora(soc).ocv_v, abs=2e-3)
