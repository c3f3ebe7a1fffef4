"""Open-water propellers: the B-series, two lines, the ideal disc and the loop's kernel."""

from __future__ import annotations

import math
from types import FunctionType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from sim.world import b_series, propeller
from sim.world.disc import disc_area_m2, ideal_power_w, ideal_static_thrust_n
from sim.world.propeller import (
    OpenWater,
    Params,
    highest_ideal_share,
    loads,
    of_diameter,
    open_water,
    thrust_coefficient,
    torque_coefficient,
    two_lines,
)

# INDEPENDENT: another implementation of the same polynomials. Blades, P/D, AE/A0; KT and KQ at J 0, 0.1, 0.2 ...
B_SERIES = {
    (4, 1.0, 0.55): (
        [
            0.424253, 0.399983, 0.371559, 0.339369, 0.303803, 0.265249, 0.224096, 0.180735, 0.135553, 0.088940,
            0.041286,
        ],
        [
            0.0612904, 0.0582427, 0.0547749, 0.0508802, 0.0465520, 0.0417838, 0.0365689, 0.0309007, 0.0247726,
            0.0181778, 0.0111099,
        ],
    ),
    (3, 0.8, 0.5): (
        [
            0.321692, 0.294912, 0.264752, 0.231601, 0.195852, 0.157893, 0.118115, 0.076910, 0.034667,
        ],
        [
            0.0387849, 0.0359363, 0.0327665, 0.0292905, 0.0255236, 0.0214808, 0.0171774, 0.0126284, 0.0078490,
        ],
    ),
    (3, 1.0, 0.5): (
        [
            0.405694, 0.379635, 0.350160, 0.317651, 0.282491, 0.245062, 0.205748, 0.164930, 0.122991, 0.080315,
            0.037284,
        ],
        [
            0.0596382, 0.0561756, 0.0523257, 0.0481059, 0.0435337, 0.0386264, 0.0334017, 0.0278768, 0.0220692,
            0.0159963, 0.0096756,
        ],
    ),
    (4, 1.4, 0.7): (
        [
            0.624423, 0.600324, 0.571657, 0.538888, 0.502485, 0.462913, 0.420640, 0.376133, 0.329858, 0.282282,
            0.233873,
        ],
        [
            0.1282665, 0.1234375, 0.1178783, 0.1116452, 0.1047946, 0.0973827, 0.0894659, 0.0811006, 0.0723430,
            0.0632496, 0.0538766,
        ],
    ),
    (5, 0.8, 0.75): (
        [
            0.367142, 0.338042, 0.304167, 0.266008, 0.224054, 0.178794, 0.130720, 0.080319, 0.028084,
        ],
        [
            0.0446704, 0.0417429, 0.0383150, 0.0344139, 0.0300667, 0.0253003, 0.0201418, 0.0146183, 0.0087569,
        ],
    ),
    (4, 0.8, 0.4): (
        [
            0.319580, 0.297678, 0.271748, 0.242079, 0.208962, 0.172686, 0.133543, 0.091821, 0.047812, 0.001806,
        ],
        [
            0.0364172, 0.0344786, 0.0323221, 0.0298760, 0.0270687, 0.0238282, 0.0200830, 0.0157614, 0.0107914,
            0.0051015,
        ],
    ),
}  # fmt: skip

# Computed with the closed forms, 300 W: kg/m3, m, N in the open, N in a duct.
STATIC = [
    (1000.0, 0.10, 112.233058, 141.404792),
    (1000.0, 0.15, 147.066910, 185.292696),
    (1025.0, 0.10, 113.160646, 142.573480),
    (1025.0, 0.15, 148.282394, 186.824110),
]

B4_55 = open_water(4, 1.0, 0.55)
SMALL = of_diameter(B4_55, 0.15)

blades = st.integers(2, 7)
pitches = st.floats(0.5, 1.4)
areas = st.floats(0.30, 1.05)


@pytest.mark.parametrize(("member", "values"), B_SERIES.items())
def test_b_series_values(member: tuple[int, float, float], values: tuple[list[float], list[float]]) -> None:
    """KT and KQ are the independent implementation's at every advance ratio, to its last digits."""
    curve = open_water(*member)
    for step, (kt, kq) in enumerate(zip(*values, strict=True)):
        assert thrust_coefficient(curve, 0.1 * step) == pytest.approx(kt, abs=0.5e-6)
        assert torque_coefficient(curve, 0.1 * step) == pytest.approx(kq, abs=0.5e-7)


@pytest.mark.parametrize(("j", "kt", "kq"), [(0.0, 0.4566, 0.0700), (0.6632, 0.1798, 0.0312)])
def test_b_series_values_printed_by_fossen(j: float, kt: float, kq: float) -> None:
    """Z 3, P/D 1, AE/A0 0.718 gives what T. I. Fossen's MSS toolbox prints (PUBLISHED), to the last digit."""
    curve = open_water(3, 1.0, 0.718)
    assert thrust_coefficient(curve, j) == pytest.approx(kt, abs=0.5e-4)
    assert torque_coefficient(curve, j) == pytest.approx(kq, abs=0.5e-4)


def test_b_series_has_all_its_terms() -> None:
    """There are 39 terms of KT and 47 of KQ, and they sum to the transcriptions' sums."""
    assert (len(b_series.KT), len(b_series.KQ)) == (39, 47)
    assert math.fsum(term[0] for term in b_series.KT) == pytest.approx(-0.0337731941, abs=0.5e-10)
    assert math.fsum(term[0] for term in b_series.KQ) == pytest.approx(0.0098693749, abs=0.5e-10)


@pytest.mark.parametrize(("member", "j"), [((4, 1.0, 0.55), 1.0855), ((3, 0.8, 0.50), 0.8809)])
def test_zero_thrust(member: tuple[int, float, float], j: float) -> None:
    """Thrust ends at the independently computed advance ratio, to its last digit."""
    assert open_water(*member).j_zero_thrust == pytest.approx(j, abs=0.5e-4)


@pytest.mark.parametrize(
    ("member", "says"),
    [((1, 1.0, 0.55), "blades"), ((4, 1.5, 0.55), "pitch_ratio"), ((4, 1.0, 0.2), "area_ratio"),
     ((4, math.nan, 0.5), "pitch_ratio")],
)  # fmt: skip
def test_out_of_the_series_is_refused(member: tuple[int, float, float], says: str) -> None:
    """Blades, pitch and area outside the series are each refused by name."""
    with pytest.raises(ValueError, match=says):
        open_water(*member)


@settings(deadline=None, max_examples=300)
@given(blades, pitches, areas)
def test_no_member_beats_the_ideal_disc(z: int, pitch_ratio: float, area_ratio: float) -> None:
    """From bollard to zero thrust, anywhere in the series, shaft power is at least the ideal power."""
    share, _ = highest_ideal_share(open_water(z, pitch_ratio, area_ratio))
    assert 0.0 < share < 1.0


@settings(deadline=None, max_examples=300)
@given(blades, pitches, areas, st.floats(0.05, 0.95))
def test_no_member_beats_froude_s_efficiency(z: int, pitch_ratio: float, area_ratio: float, part: float) -> None:
    """Under way, open-water efficiency stays below Froude's 2 / (1 + sqrt(1 + CT))."""
    curve = open_water(z, pitch_ratio, area_ratio)
    j = part * curve.j_zero_thrust
    kt = thrust_coefficient(curve, j)
    efficiency = j * kt / (2.0 * math.pi * torque_coefficient(curve, j))
    assert efficiency < 2.0 / (1.0 + math.sqrt(1.0 + 8.0 * kt / (math.pi * j * j)))


def test_bollard_example() -> None:
    """B4-55, P/D 1, 0.15 m at 20 turns a second in sea water: the printed thrust, torque, power and merit."""
    thrust_n, torque_nm = loads(SMALL, 40.0 * math.pi, 0.0, 1025.0)
    ideal_w = ideal_power_w(thrust_n, 0.0, 1025.0, 0.15)
    assert thrust_n == pytest.approx(88.0590, abs=0.5e-4)
    assert torque_nm == pytest.approx(1.908238, abs=0.5e-6)
    # Printed from a KQ of seven decimals, good to a millionth of 240 W.
    assert 40.0 * math.pi * torque_nm == pytest.approx(239.7963, abs=2e-4)
    assert ideal_w == pytest.approx(137.2927, abs=0.5e-4)
    assert ideal_w / (40.0 * math.pi * torque_nm) == pytest.approx(0.572539, abs=0.5e-6)


def test_figure_of_merit_closed_form() -> None:
    """The ideal share at bollard is KT^1.5 / (2 pi sqrt(pi/2) KQ)."""
    merit = B4_55.kt0**1.5 / (2.0 * math.pi * math.sqrt(0.5 * math.pi) * B4_55.kq0)
    share, j = highest_ideal_share(B4_55, points=1)
    assert (share, j) == (pytest.approx(merit, rel=1e-12), 0.0)


@pytest.mark.parametrize(("density", "diameter", "newton", "ducted_newton"), STATIC)
def test_ideal_static_thrust(density: float, diameter: float, newton: float, ducted_newton: float) -> None:
    """300 W give the printed ideal thrusts, open and ducted."""
    assert ideal_static_thrust_n(300.0, density, diameter) == pytest.approx(newton, abs=0.5e-6)
    assert ideal_static_thrust_n(300.0, density, diameter, ducted=True) == pytest.approx(ducted_newton, abs=0.5e-6)


@pytest.mark.parametrize("ducted", [False, True])
@given(st.floats(0.0, 5e3), st.floats(1.0, 1100.0), st.floats(0.02, 1.0))
def test_ideal_power_undoes_ideal_thrust(ducted: bool, power: float, density: float, diameter: float) -> None:
    """At standstill the power for the most thrust of a power is that power."""
    thrust = ideal_static_thrust_n(power, density, diameter, ducted)
    assert ideal_power_w(thrust, 0.0, density, diameter, ducted) == pytest.approx(power, rel=1e-9, abs=1e-12)


@given(st.floats(0.1, 1e3), st.floats(0.0, 10.0), st.booleans())
def test_ideal_power_balances_momentum(thrust: float, inflow: float, ducted: bool) -> None:
    """The jet that carries the power carries the thrust: mass flow times its gain."""
    gain = 2.0 * (ideal_power_w(thrust, inflow, 1000.0, 0.15, ducted) / thrust - inflow)
    through = inflow + (gain if ducted else 0.5 * gain)
    assert 1000.0 * disc_area_m2(0.15) * through * gain == pytest.approx(thrust, rel=1e-6)


def test_two_lines_pass_their_points() -> None:
    """KT and KQ start at the bollard values and end at zero thrust with the torque given."""
    curve = two_lines(0.4, 1.0, 0.06, 0.01)
    assert (thrust_coefficient(curve, 0.0), torque_coefficient(curve, 0.0)) == (0.4, 0.06)
    assert thrust_coefficient(curve, 1.0) == pytest.approx(0.0, abs=1e-15)
    assert torque_coefficient(curve, 1.0) == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("numbers", "says"),
    [
        ((0.0, 1.0, 0.06, 0.01), "kt_at_0"),
        ((0.4, -1.0, 0.06, 0.01), "j_zero_thrust"),
        ((0.4, 1.0, math.nan, 0.01), "kq_at_0"),
        ((0.4, 1.0, 0.06, 0.07), "kq_at_j_zero"),
        ((0.4, 1.0, 0.02, 0.01), "ideal disc"),
    ],
)
def test_impossible_lines_are_refused(numbers: tuple[float, float, float, float], says: str) -> None:
    """A number out of range is refused by name, and so is a propeller better than an ideal disc."""
    with pytest.raises(ValueError, match=says):
        two_lines(*numbers)


def test_a_duct_is_allowed_more_thrust() -> None:
    """Coefficients beyond an open disc's bound pass as a ducted propeller's."""
    with pytest.raises(ValueError, match="ideal disc"):
        two_lines(0.5, 1.0, 0.042, 0.02)
    assert two_lines(0.5, 1.0, 0.042, 0.02, ducted=True).kt0 == 0.5


@pytest.mark.parametrize("rad_s", [0.0, 1e-3, -50.0])
def test_a_propeller_at_rest_has_no_loads(rad_s: float) -> None:
    """Standing still, nearly so, or turned backwards: no thrust and no torque, whatever the inflow."""
    assert loads(SMALL, rad_s, 3.0, 1000.0) == (0.0, 0.0)


@settings(deadline=None)
@given(blades, pitches, areas, st.floats(0.0, 500.0), st.floats(-5.0, 20.0))
def test_torque_is_never_negative(z: int, pitch_ratio: float, area_ratio: float, rad_s: float, inflow: float) -> None:
    """Whatever the inflow the water never drives the shaft, and both loads are finite."""
    thrust_n, torque_nm = loads(of_diameter(open_water(z, pitch_ratio, area_ratio), 0.15), rad_s, inflow, 1000.0)
    assert math.isfinite(thrust_n)
    assert 0.0 <= torque_nm < math.inf


def test_inflow_past_the_end_counts_as_the_end() -> None:
    """Beyond 1.1 times zero thrust the coefficients are held: a small drag, the same at any higher inflow."""
    end_m_s = 1.1 * B4_55.j_zero_thrust * 10.0 * 0.15
    beyond = loads(SMALL, 20.0 * math.pi, 5.0 * end_m_s, 1000.0)
    assert beyond == pytest.approx(loads(SMALL, 20.0 * math.pi, end_m_s, 1000.0), rel=1e-12)
    assert -0.15 * loads(SMALL, 20.0 * math.pi, 0.0, 1000.0)[0] < beyond[0] < 0.0


def test_inflow_from_behind_counts_as_none() -> None:
    """Below no inflow the bollard coefficients hold."""
    assert loads(SMALL, 100.0, -1.0, 1000.0) == loads(SMALL, 100.0, 0.0, 1000.0)


def test_air_gives_next_to_nothing() -> None:
    """In air of 1.2 kg/m3 the loads are 1.2 thousandths of those in fresh water: why a dry test passes."""
    wet, dry = loads(SMALL, 300.0, 0.0, 1000.0), loads(SMALL, 300.0, 0.0, 1.2)
    assert dry == pytest.approx([0.0012 * load for load in wet], rel=1e-12)


@pytest.mark.parametrize("arguments", [(math.nan, 1.0), (100.0, math.nan)])
def test_no_number_is_not_hidden(arguments: tuple[float, float]) -> None:
    """A NaN of speed or inflow shows in both loads and is not clamped into a number."""
    assert all(math.isnan(load) for load in loads(SMALL, *arguments, 1000.0))


def test_compiled_loads_equal_plain_ones() -> None:
    """Compiled by numba the kernel gives the same bits, no numbers included."""
    scope = dict(vars(propeller))
    for helper in ("thrust_coefficient", "torque_coefficient"):
        scope[helper] = njit(scope[helper])
    compiled = njit(FunctionType(loads.__code__, scope))
    speeds = [-1.0, 0.0, 7e-3, 55.5, 321.0, math.nan]
    grid = [(rad_s, inflow) for rad_s in speeds for inflow in (-1.0, 0.0, 0.37, 3.3, 40.0, math.nan)]
    plain = np.array([loads(SMALL, rad_s, inflow, 1025.0) for rad_s, inflow in grid])
    fast = np.array([compiled(SMALL, rad_s, inflow, 1025.0) for rad_s, inflow in grid])
    assert np.array_equal(plain, fast, equal_nan=True)


def test_params_carry_the_curve() -> None:
    """The sized propeller has the curve's coefficients and ends 10 % past zero thrust."""
    assert isinstance(SMALL, Params)
    assert SMALL[1:9] == B4_55[:8]
    assert isinstance(B4_55, OpenWater)
    assert SMALL.j_max == pytest.approx(1.1 * B4_55.j_zero_thrust)
