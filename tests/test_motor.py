"""The motor: published machines, the Kv-R-I0 curve, the winding's temperature, the speed's integration."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import bus, motor

NO_LIMIT_A = 1e9


def rad_s_of(rpm: float) -> float:
    return rpm * math.pi / 30.0


def drawn_a(volts: float, ohm: float, k_v_s: float, rpm: float) -> float:
    """Motor current on a stiff source at full duty."""
    load = bus.Load(duty_frac=1.0, ohm=ohm, limit_a=NO_LIMIT_A)
    return bus.motor_a(load, k_v_s * rad_s_of(rpm), bus.OHMIC, volts)


# PUBLISHED: Modelica Standard Library, Electrical.Machines, example DCPM_withLosses (Haumer et al., Modelica 2009):
# 100 V, 100 A, 0.05 ohm, 95 V inside at 1425 rpm, 9500 W, 63.66 N m. Tolerance 0.01 %.
LOSSLESS = motor.Params(k_v_s=95.0 / rad_s_of(1425.0), winding_ohm=0.05, no_load_a=0.0, inertia_kg_m2=0.15)


@pytest.mark.parametrize(
    ("rpm", "amperes", "torque_nm", "power_w"),
    [(1425.0, 100.0, 63.66198, 9500.0), (1500.0, 0.0, 0.0, 0.0), (0.0, 2000.0, 1273.24, 0.0)],
)
def test_lossless_machine(rpm: float, amperes: float, torque_nm: float, power_w: float) -> None:
    """The lossless machine has the printed current, torque and power at rating, at no load and at stall."""
    found_a = drawn_a(100.0, LOSSLESS.winding_ohm, LOSSLESS.k_v_s, rpm)
    found_nm = motor.torque_nm(LOSSLESS, found_a, rad_s_of(rpm))
    assert found_a == pytest.approx(amperes, rel=1e-4, abs=1e-6)
    assert found_nm == pytest.approx(torque_nm, rel=1e-4, abs=1e-6)
    assert found_nm * rad_s_of(rpm) == pytest.approx(power_w, rel=1e-4, abs=1e-4)


# Same source, with losses: 0.5 V over the brushes, 94.5 V inside at 1417.5 rpm, and 200 + 50 + 100 W of core, stray
# and friction loss, which a constant no-load current of 350 W / 94.5 V stands for at this point; 61.30 N m, 9100 W.
def test_machine_with_losses() -> None:
    """The machine with losses draws 100 A and gives the printed torque and power."""
    params = LOSSLESS._replace(k_v_s=94.5 / rad_s_of(1417.5), no_load_a=350.0 / 94.5)
    found_a = drawn_a(100.0 - 0.5, 0.05, params.k_v_s, 1417.5)
    torque_nm = motor.torque_nm(params, found_a, rad_s_of(1417.5))
    assert found_a == pytest.approx(100.0, rel=1e-4)
    assert torque_nm == pytest.approx(61.30412, rel=1e-4)
    assert torque_nm * rad_s_of(1417.5) == pytest.approx(9100.0, rel=1e-4)


# Same source: 0.03864 ohm at 20 degC is 0.0500002 ohm at 95 degC with a coefficient of 0.00392; ours is 0.00393, which
# over 75 K makes 0.00001 * 75 / 1.294 = 0.058 % more.
def test_winding_warms() -> None:
    """The winding's resistance at 95 degC is the printed one, but for the last digit of copper's coefficient."""
    at_20 = LOSSLESS._replace(winding_ohm=1.0)
    params = LOSSLESS._replace(winding_ohm=0.03864 / motor.winding_ohm(at_20, 20.0))
    assert motor.winding_ohm(params, 95.0) == pytest.approx(0.0500002, rel=6e-4)


# PUBLISHED: 0.00393 per kelvin at 20 degC (IACS copper): R75/R20 = 1.21615, R0/R20 = 0.92140.
@pytest.mark.parametrize(("degc", "ratio"), [(75.0, 1.21615), (0.0, 0.92140)])
def test_winding_follows_copper(degc: float, ratio: float) -> None:
    """Resistance over that at 20 degC is copper's."""
    found = motor.winding_ohm(LOSSLESS, degc) / motor.winding_ohm(LOSSLESS, 20.0)
    assert found == pytest.approx(ratio, abs=0.5e-5)


def test_winding_is_given_at_25_degc() -> None:
    """At 25 degC the winding has the resistance given."""
    assert motor.winding_ohm(LOSSLESS, 25.0) == pytest.approx(0.05, rel=1e-12)


# PUBLISHED: textbook solution in the Scilab Textbook Companion, book id 1892, example 4.4 (title not identified):
# 0.12 V s, 48 V, two phases of 0.15 ohm in series, 2 V device drop -> 3819.72 rpm at no load (drop ignored there),
# 153.333 A and 18.400 N m at the start.
def test_starting_brushless_motor() -> None:
    """A brushless motor at the start draws the printed current and makes the printed torque."""
    params = motor.Params(k_v_s=0.12, winding_ohm=0.3, no_load_a=0.0, inertia_kg_m2=1.0)
    start_a = drawn_a(48.0 - 2.0, 0.3, 0.12, 0.0)
    assert start_a == pytest.approx(153.333, abs=0.5e-3)
    assert motor.torque_nm(params, start_a, 0.0) == pytest.approx(18.400, abs=0.5e-3)
    assert drawn_a(48.0, 0.3, 0.12, 3819.72) == pytest.approx(0.0, abs=0.005 * 0.12 * math.pi / 30.0 / 0.3)


# Value from memory, not verified: Fitzgerald et al., "Electric Machinery", PM motor example: 1.03 ohm; no load 50 V,
# 1.25 A, 2100 rpm -> Km 0.22, 60.9 W of rotational loss; at 48 V and 1700 rpm 8.58 A. Its output is not compared: the
# book holds the loss constant in watts, this model in torque.
def test_machine_known_by_its_no_load_test() -> None:
    """A no-load test gives the motor constant, the no-load loss and then the current under load."""
    k_v_s = (50.0 - 1.25 * 1.03) / rad_s_of(2100.0)
    params = motor.Params(k_v_s=k_v_s, winding_ohm=1.03, no_load_a=1.25, inertia_kg_m2=1.0)
    no_load_a = drawn_a(50.0, 1.03, k_v_s, 2100.0)
    assert k_v_s == pytest.approx(0.2215, abs=0.5e-4)
    assert motor.torque_nm(params, no_load_a, rad_s_of(2100.0)) == pytest.approx(0.0, abs=1e-9)
    assert k_v_s * no_load_a * rad_s_of(2100.0) == pytest.approx(60.9, abs=0.05)
    assert drawn_a(48.0, 1.03, 0.22, 1700.0) == pytest.approx(8.58, abs=0.01)


# PUBLISHED closed forms (Kv-R-I0 model, handbook), exact arithmetic: 24 V, 0.04 ohm, 120 rpm/V, 1 A.
# A, rpm, N m, shaft W, efficiency; 24.49 A is the best efficiency, 300.5 A the greatest power, 600 A the stall.
CURVE = [
    (1.0, 2875.2, 0.0, 0.0, 0.0),
    (2.0, 2870.4, 0.079577, 23.92, 0.498333),
    (5.0, 2856.0, 0.318310, 95.2, 0.793333),
    (10.0, 2832.0, 0.716197, 212.4, 0.885),
    (20.0, 2784.0, 1.511972, 440.8, 0.918333),
    (24.4948974278, 2762.424492, 1.869665, 540.857334, 0.920017),
    (40.0, 2688.0, 3.103521, 873.6, 0.910),
    (80.0, 2496.0, 6.286620, 1643.2, 0.855833),
    (150.0, 2160.0, 11.857043, 2682.0, 0.745),
    (300.5, 1437.6, 23.833453, 3588.01, 0.497506),
]
SMALL = motor.Params(k_v_s=motor.k_of_kv(120.0), winding_ohm=0.04, no_load_a=1.0, inertia_kg_m2=1e-3)


@pytest.mark.parametrize(("amperes", "rpm", "torque_nm", "shaft_w", "efficiency"), CURVE)
def test_motor_curve(amperes: float, rpm: float, torque_nm: float, shaft_w: float, efficiency: float) -> None:
    """At each speed of the curve the current, torque, shaft power and efficiency are the printed ones."""
    found_a = drawn_a(24.0, SMALL.winding_ohm, SMALL.k_v_s, rpm)
    found_nm = motor.torque_nm(SMALL, found_a, rad_s_of(rpm))
    # Half a unit of the speed's last digit is worth up to 0.5e-6 * K pi / 30 / R amperes.
    assert found_a == pytest.approx(amperes, abs=0.5e-6)
    assert found_nm == pytest.approx(torque_nm, abs=0.6e-6)
    assert found_nm * rad_s_of(rpm) == pytest.approx(shaft_w, abs=0.5e-4)
    assert found_nm * rad_s_of(rpm) / (24.0 * found_a) == pytest.approx(efficiency, abs=0.5e-6)


def test_stalled_motor() -> None:
    """Blocked, the same motor draws 600 A; K times that is the printed stall torque, less the no-load friction here."""
    stall_a = drawn_a(24.0, SMALL.winding_ohm, SMALL.k_v_s, 0.0)
    assert stall_a == pytest.approx(600.0, rel=1e-9)
    assert SMALL.k_v_s * (stall_a - 1.0) == pytest.approx(47.666905, abs=0.5e-6)
    assert motor.torque_nm(SMALL, stall_a, 0.0) == pytest.approx(47.666905, abs=0.5e-6)


def test_motor_constant_of_kv() -> None:
    """120 rpm/V is the printed 0.07957747 V s."""
    assert motor.k_of_kv(120.0) == pytest.approx(0.07957747, abs=0.5e-8)


# Same closed forms: (1 - sqrt(I0 R / V))^2 and (V - I0 R)^2 / (4 R).
def test_curve_has_its_printed_maxima() -> None:
    """No speed is more efficient than 0.9200170 or stronger than 3588.01 W."""
    powers = []
    for rpm in (step / 5.0 for step in range(1, 14_376)):
        found_a = drawn_a(24.0, SMALL.winding_ohm, SMALL.k_v_s, rpm)
        shaft_w = motor.torque_nm(SMALL, found_a, rad_s_of(rpm)) * rad_s_of(rpm)
        powers.append((shaft_w / (24.0 * found_a), shaft_w))
    assert max(efficiency for efficiency, _ in powers) == pytest.approx(0.9200170, abs=0.5e-6)
    assert max(shaft_w for _, shaft_w in powers) == pytest.approx(3588.01, abs=0.5e-2)


@given(st.floats(min_value=0.0, max_value=10.0))
def test_friction_never_turns_a_still_rotor(amperes: float) -> None:
    """At standstill the torque is never negative, and zero until the current passes the no-load current."""
    torque_nm = motor.torque_nm(SMALL, amperes, 0.0)
    assert torque_nm == pytest.approx(SMALL.k_v_s * max(amperes - 1.0, 0.0), abs=1e-12)


def run_up(steps: int, torque_nm: float, drag_nm_s2: float, seconds: float) -> float:
    """Speed after a start against a quadratic drag."""
    params = SMALL._replace(inertia_kg_m2=2.0)
    rad_s = 0.0
    for _ in range(steps):
        net_nm = torque_nm - drag_nm_s2 * rad_s * rad_s
        rad_s = motor.spun_rad_s(params, rad_s, net_nm, 2.0 * drag_nm_s2 * rad_s, seconds / steps)
    return rad_s


# Closed form: J dw/dt = T - c w^2 from rest is sqrt(T/c) tanh(t sqrt(T c) / J).
def test_speed_is_of_second_order() -> None:
    """Against quadratic drag the error falls four times as the step halves."""
    exact = math.sqrt(8.0 / 2.0) * math.tanh(0.5 * math.sqrt(8.0 * 2.0) / 2.0)
    errors = [abs(run_up(steps, 8.0, 2.0, 0.5) - exact) for steps in (50, 100, 200)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.05)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.05)


@given(
    st.floats(min_value=0.0, max_value=1e4),
    st.floats(min_value=-1e6, max_value=1e6),
    st.floats(min_value=0.0, max_value=1e6),
    st.floats(min_value=1e-6, max_value=1.0),
)
def test_rotor_never_turns_backwards(rad_s: float, net_nm: float, damping_nm_s: float, dt_s: float) -> None:
    """Whatever brakes it, the rotor stops at zero, and its speed stays finite."""
    after = motor.spun_rad_s(SMALL, rad_s, net_nm, damping_nm_s, dt_s)
    assert after >= 0.0
    assert math.isfinite(after)
