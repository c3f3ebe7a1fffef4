"""Hull and rider: terminal speed, the way there, added mass, what holding still means."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.bench.run import Bench
from sim.world import hull, machine

SLED = hull.Params(mass_kg=140.0, drag_kg_m=40.0, deduction_frac=0.1, wake_frac=0.1, arm_m=0.24, held=0, dt_s=1e-3)
REST = hull.State(speed_m_s=0.0, distance_m=0.0)


def pulled(thrust_n: float, seconds: float, params: hull.Params = SLED, start: hull.State = REST) -> hull.State:
    state = start
    for _ in range(round(seconds / params.dt_s)):
        state = hull.step(params, state, thrust_n)
    return state


# Closed form: T (1 - t) = k v^2.
@pytest.mark.parametrize("thrust_n", [10.0, 100.0, 1000.0])
def test_terminal_speed(thrust_n: float) -> None:
    """Under a constant thrust the speed ends where drag takes all of what the hull leaves of it."""
    expected = math.sqrt(0.9 * thrust_n / SLED.drag_kg_m)
    assert pulled(thrust_n, 60.0, SLED._replace(dt_s=0.01)).speed_m_s == pytest.approx(expected, rel=1e-6)


# PUBLISHED law (Narita, Nakashima and Takagi 2017, J. Biomech. 54:123-128: passive drag 23.5 v^2, 42 swimmers,
# 0.9 to 1.5 m/s): 52.88 N at 1.5 m/s.
def test_swimmers_drag_balances_its_thrust() -> None:
    """52.88 N tow a passive swimmer at 1.5 m/s."""
    swimmer = SLED._replace(drag_kg_m=23.5, deduction_frac=0.0, dt_s=0.01)
    assert pulled(52.88, 60.0, swimmer).speed_m_s == pytest.approx(1.5, abs=0.5e-3)


def way_error_m_s(dt_s: float) -> float:
    exact = 3.0 * math.tanh(1.0 * math.sqrt(360.0 * 40.0) / 140.0)
    return abs(pulled(400.0, 1.0, SLED._replace(dt_s=dt_s)).speed_m_s - exact)


# Closed form: from rest v = v_end tanh(t sqrt(T k) / m).
def test_speed_is_of_second_order() -> None:
    """On the way to its terminal speed the error falls four times as the tick halves."""
    errors = [way_error_m_s(dt_s) for dt_s in (0.04, 0.02, 0.01)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.05)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.05)


# Closed form: unpushed, 1/v grows by k t / m and the distance is (m/k) ln(1 + v k t / m).
def test_coasting() -> None:
    """Without thrust speed and distance follow the closed form of quadratic drag."""
    after = pulled(0.0, 5.0, start=hull.State(speed_m_s=3.0, distance_m=0.0))
    slowed = 1.0 + 3.0 * 40.0 * 5.0 / 140.0
    assert after.speed_m_s == pytest.approx(3.0 / slowed, rel=1e-6)
    assert after.distance_m == pytest.approx(140.0 / 40.0 * math.log(slowed), rel=1e-6)


@given(st.floats(min_value=0.0, max_value=1e5))
def test_held_still(thrust_n: float) -> None:
    """Held, the vehicle does not move, whatever the thrust."""
    after = hull.step(SLED._replace(held=1), REST, thrust_n)
    assert after == REST


@given(st.floats(min_value=-5.0, max_value=10.0), st.floats(min_value=-1e4, max_value=1e4), st.floats(1e-4, 1.0))
def test_drag_always_opposes(speed_m_s: float, thrust_n: float, dt_s: float) -> None:
    """With drag the pull changes the speed by no more than it would without."""
    params = SLED._replace(dt_s=dt_s)
    after = hull.step(params, hull.State(speed_m_s, 0.0), 0.0).speed_m_s
    assert abs(after) <= abs(speed_m_s)
    assert after * speed_m_s >= 0.0
    pushed = hull.step(params, hull.State(0.0, 0.0), thrust_n).speed_m_s
    assert abs(pushed) <= abs(thrust_n) * dt_s / params.mass_kg


@given(st.floats(min_value=-5.0, max_value=10.0))
def test_inflow_is_the_slowed_speed(speed_m_s: float) -> None:
    """The propellers see the speed less the wake, and never water from behind."""
    inflow = hull.inflow_m_s(SLED, hull.State(speed_m_s, 0.0))
    assert inflow == pytest.approx(max(0.9 * speed_m_s, 0.0), abs=1e-12)


# PUBLISHED: H. Lamb 1918, ARC R&M 623, exact column of a prolate spheroid: k1 = 0.08185 at c/a 3.99.
def test_added_mass_reaches_the_hull(
    moorhen: Callable[..., Bench], switched_on: Callable[..., tuple[machine.Params, machine.State]]
) -> None:
    """A hull of 3.99 times its beam carries 0.08185 of its displaced water with it."""
    length_m, beam_m = 3.99 * 0.42, 0.42
    shape = {"hull.length_m": length_m, "hull.beam_m": beam_m}
    entry = moorhen(attitude="towed", vehicle_set=shape).vehicle.hull
    params, _ = switched_on(attitude="towed", vehicle_set=shape)
    displaced_kg = params.drivetrain.density_kg_m3 * math.pi / 6.0 * length_m * beam_m * beam_m
    carried_kg = params.hull.mass_kg - float(entry.mass_kg) - float(entry.towed.rider_kg)
    assert carried_kg / displaced_kg == pytest.approx(0.08185, abs=1e-5)


@pytest.mark.parametrize(("attitude", "held"), [("held", 1), ("towed", 0), ("worn", 0)])
def test_attitudes(attitude: str, held: int, switched_on: Callable[..., tuple[machine.Params, machine.State]]) -> None:
    """Only the held attitude holds the vehicle still."""
    assert switched_on(attitude=attitude)[0].hull.held == held


def test_drag_goes_with_the_density(switched_on: Callable[..., tuple[machine.Params, machine.State]]) -> None:
    """Sea water drags in proportion to its density."""
    lake, sea = (switched_on(attitude="towed", water={"kind": kind})[0] for kind in ("lake", "sea"))
    ratio = sea.drivetrain.density_kg_m3 / lake.drivetrain.density_kg_m3
    assert ratio > 1.02
    assert sea.hull.drag_kg_m / lake.hull.drag_kg_m == pytest.approx(ratio, rel=1e-12)
