"""Thrust from a tank rig and drag from speed runs, found again from known ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from fit_cases import VEHICLE, estimates, few, given, holds, trace, untold

from sim.bench.vehicle import Vehicle
from sim.jobs.fit.drag import fit_drag
from sim.jobs.fit.thrust import fit_thrust

TRIES = 60
DIAMETER = float(VEHICLE.propeller.diameter_m)
LEFT_FRAC = 1.0 - float(VEHICLE.hull.deduction_frac)
RATIO = 2.5


def lines(kt: float) -> Vehicle:
    """The demo vehicle with a propeller of two lines."""
    data = VEHICLE.model_dump()
    own = {"diameter_m": DIAMETER, "kt_at_0": kt, "kq_at_0": 0.04, "j_zero_thrust": 0.9, "kq_at_zero_thrust": 0.01}
    return Vehicle.model_validate({**data, "propeller": own})


def pulled(seed: int, kt: float, thrusters: int = 2, density: float = 1000.0, zero_n: float = 4.0) -> dict[str, Any]:
    """A tank rig's load cell behind a lever of 2.5, over speeds to 1200 rpm; the water swings, so that its noise goes
    on from row to row."""
    rng = np.random.default_rng(seed)
    rpm = np.repeat([0.0, 400.0, 800.0, 1200.0, 0.0], 300)
    ramp = np.convolve(np.concatenate((np.zeros(50), rpm)), np.ones(50) / 50.0, mode="valid")[: len(rpm)]
    thrust = thrusters * kt * density * (ramp / 60.0) ** 2 * DIAMETER**4 * LEFT_FRAC
    swing = np.zeros(len(rpm))
    for row in range(1, len(rpm)):
        swing[row] = 0.8 * swing[row - 1] + rng.standard_normal()
    columns = {"rig_n": (thrust + zero_n) / RATIO + swing, "left_rpm": ramp}
    return columns | ({"right_rpm": ramp} if thrusters == 2 else {})


@pytest.mark.parametrize("thrusters", [1, 2])
def test_intervals_of_kt_and_static_thrust_hold_the_truth(thrusters: int) -> None:
    """T = KT rho n^2 D^4 (handbook): of 60 rigs with swinging water as many intervals hold KT, the cell's zero and the
    static thrust at 1200 rpm as 95 % allows."""
    kt = 0.31
    full_n = thrusters * kt * 1000.0 * 20.0**2 * DIAMETER**4 * LEFT_FRAC
    truth = {"propeller.kt_at_0": kt, "rig_zero_n": 4.0}
    held: dict[str, list[bool]] = {key: [] for key in truth}
    static = []
    for seed in range(TRIES):
        rig = given(vehicle=lines(0.2), rig_ratio=RATIO, thrusters=thrusters)
        found = estimates(fit_thrust([trace(pulled(seed, kt, thrusters), 20_000)], rig))
        for key, true in truth.items():
            held[key].append(holds(found[key], true))
        static.append(found["static_thrust_n"].value)
    assert few(held) == {}
    assert np.mean(static) == pytest.approx(full_n, rel=0.01)


def test_a_published_kt_is_the_pitch_it_was_published_for() -> None:
    """PUBLISHED (Wageningen B-series, Oosterveld and van Oossanen 1975, evaluated by others): B3-50 at P/D 0.8 has KT
    0.321692 at standstill; a rig that pulls so much tells a pitch ratio of 0.8."""
    rig = given(rig_ratio=RATIO)
    found = estimates(fit_thrust([trace(pulled(1, 0.321692), 20_000)], rig))
    assert holds(found["propeller.pitch_ratio"], 0.8)
    assert found["propeller.pitch_ratio"].half < 0.01


def test_a_kt_that_the_series_does_not_have_is_told() -> None:
    """A KT of 0.9 is beyond any pitch of the series: told, and no pitch is written."""
    topic = fit_thrust([trace(pulled(1, 0.9), 20_000)], given(rig_ratio=RATIO))
    assert "propeller.pitch_ratio" in untold(topic)
    assert holds(estimates(topic)["kt_at_0"], 0.9)


def test_one_speed_stands_for_both() -> None:
    """With one of two equal propellers' speeds recorded KT is the same."""
    columns = pulled(2, 0.31)
    del columns["right_rpm"]
    found = estimates(fit_thrust([trace(columns, 20_000)], given(vehicle=lines(0.2), rig_ratio=RATIO)))
    assert holds(found["propeller.kt_at_0"], 0.31)


def test_without_speeds_the_static_thrust_is_told_alone() -> None:
    """Force and pulses alone tell what is pulled at full, and that KT needs a speed."""
    columns = pulled(3, 0.31, zero_n=0.0)
    rpm = columns.pop("left_rpm")
    del columns["right_rpm"]
    topic = fit_thrust([trace({**columns, "left_pulse_us": 1000.0 + rpm / 1.2}, 20_000)], given(rig_ratio=RATIO))
    full_n = 2.0 * 0.31 * 1000.0 * 400.0 * DIAMETER**4 * LEFT_FRAC
    assert estimates(topic)["static_thrust_n"].value == pytest.approx(full_n, rel=0.01)
    assert "kt_at_0" in untold(topic)


def test_a_moving_vehicle_is_no_rig() -> None:
    """A recording with a speed through the water tells no static thrust."""
    columns = {"thrust_n": np.full(500, 100.0), "speed_m_s": np.full(500, 1.0)}
    assert "thrust" in untold(fit_thrust([trace(columns)], given()))


# The demo hull towed: vehicle and rider, and the water that moves along with a prolate spheroid of 1.5 x 0.42 m.
# PUBLISHED (H. Lamb 1918, exact column of the table at c/a 3.571): between 0.12253 at 2.99 and 0.08185 at 3.99.
MASS_KG = 38.0 + 85.0
DISPLACED_KG = 1000.0 * np.pi / 6.0 * 1.5 * 0.42**2
K = 38.0


def mass_kg() -> float:
    """With the added mass of the exact formula (Lamb 1918)."""
    e = np.sqrt(1.0 - (0.42 / 1.5) ** 2)
    alpha = 2.0 * (1.0 - e * e) / e**3 * (0.5 * np.log((1.0 + e) / (1.0 - e)) - e)
    return float(MASS_KG + alpha / (2.0 - alpha) * DISPLACED_KG)


def speed_runs(seed: int, k: float = K, noise: float = 0.02, deaf: bool = False) -> dict[str, np.ndarray]:
    """Two pulls, each held, with a coast behind: dv/dt = (T - k v^2)/m in steps of 5 ms, every fourth recorded."""
    rng = np.random.default_rng(seed)
    force = np.repeat([60.0, 0.0, 140.0, 0.0, 220.0], [4000, 2000, 3000, 2000, 3000])
    speed, v, m = np.empty(len(force)), 0.0, mass_kg()
    for row, pull in enumerate(force.tolist()):
        half = v + 0.0025 * (pull - k * v * abs(v)) / m
        v = v + 0.005 * (pull - k * half * abs(half)) / m
        speed[row] = v
    columns = {"speed_m_s": speed[::4] + noise * rng.standard_normal(len(speed[::4]))}
    measured = force[::4] + np.where(force[::4] > 0.0, 3.0, 0.0) * rng.standard_normal(len(force[::4]))
    return columns if deaf else {**columns, "thrust_n": measured}


def test_the_mass_is_lambs() -> None:
    """PUBLISHED: the added mass of the exact formula lies between the printed ratios about it."""
    share = (mass_kg() - MASS_KG) / DISPLACED_KG
    assert 0.08185 < share < 0.12253


def test_intervals_of_drag_hold_the_truth() -> None:
    """Of 60 sets of speed runs as many intervals from steady runs, from coasting, and of what is written, hold the
    drag as 95 % allows."""
    keys = ("hull.towed.drag_kg_m", "drag_steady_kg_m", "drag_coasting_kg_m")
    held: dict[str, list[bool]] = {key: [] for key in keys}
    for seed in range(TRIES):
        found = estimates(fit_drag([trace(speed_runs(seed), 20_000)], given()))
        for key in keys:
            held[key].append(holds(found[key], K))
    assert few(held) == {}


def test_drag_is_told_for_fresh_water() -> None:
    """In sea water of 1025 kg/m3 the same pull and speed make a drag number less by that ratio (files.md)."""
    from sim.world.water import Water

    sea = given(water=Water(4.0, 1025.0, 20.0))
    runs = [trace(speed_runs(1), 20_000)]
    at_sea, fresh = (estimates(fit_drag(runs, day))["drag_steady_kg_m"].value for day in (sea, given()))
    written = estimates(fit_drag(runs, sea))["hull.towed.drag_kg_m"].value
    assert at_sea == pytest.approx(fresh, rel=0.01)
    assert written == pytest.approx(at_sea / 1.025, rel=0.02)


def test_thrust_follows_from_the_propellers_speeds() -> None:
    """With speeds in the place of a force, thrust is KT(J) rho n^2 D^4 of the file's curves; its pitch's tolerance
    widens the interval."""
    runs = speed_runs(2)
    blades = VEHICLE.propeller
    from sim.world.propeller import open_water, thrust_coefficient

    curve = open_water(int(blades.blades or 3), float(blades.pitch_ratio or 0.8), float(blades.area_ratio or 0.5))
    speed = np.convolve(np.pad(runs["speed_m_s"], 25, mode="edge"), np.ones(51) / 51.0, mode="valid")
    inflow = np.maximum(speed, 0.0) * (1.0 - float(VEHICLE.hull.wake_frac))
    wanted = np.where(
        runs["thrust_n"] > 20.0, np.repeat([60.0, 0.0, 140.0, 0.0, 220.0], [1000, 500, 750, 500, 750]), 0.0
    )
    n = np.full(len(speed), 10.0)
    for _ in range(200):
        j = np.clip(inflow / (n * DIAMETER), 0.0, curve.j_zero_thrust)
        kt = np.maximum(thrust_coefficient(curve, j), 0.02)
        n = 0.5 * n + 0.5 * np.sqrt(np.maximum(wanted, 0.0) / (2.0 * LEFT_FRAC * kt * 1000.0 * DIAMETER**4))
        n = np.maximum(n, 1e-3)
    rpm = np.where(wanted > 0.0, 60.0 * n, 0.0)
    columns = {"speed_m_s": runs["speed_m_s"], "left_rpm": rpm, "right_rpm": rpm}
    found = estimates(fit_drag([trace(columns, 20_000)], given()))
    assert found["drag_steady_kg_m"].value == pytest.approx(K, rel=0.03)


def test_a_worn_vehicle_is_written_there() -> None:
    """With the rider under the vehicle the drag is told as that attitude's."""
    assert "hull.worn.drag_kg_m" in estimates(fit_drag([trace(speed_runs(1), 20_000)], given(attitude="worn")))


def test_two_ways_that_do_not_agree_are_told() -> None:
    """A force that reads a third too much makes steady runs and coasting differ, and it is said."""
    columns = speed_runs(1)
    columns["thrust_n"] = 1.33 * columns["thrust_n"]
    assert any("do not agree" in each for each in fit_drag([trace(columns, 20_000)], given()).findings)


@pytest.mark.parametrize(
    ("columns", "missing"),
    [
        ({"hall_counts": np.zeros(100)}, "drag"),
        (speed_runs(1, deaf=True), "drag_steady_kg_m"),
        (speed_runs(1, deaf=True), "drag_coasting_kg_m"),
        ({"speed_m_s": np.linspace(0.0, 2.0, 900), "thrust_n": np.full(900, 90.0)}, "drag_steady_kg_m"),
    ],
)
def test_what_the_data_do_not_tell_is_said(columns: dict[str, np.ndarray], missing: str) -> None:
    """No speed, no force, no moment of coasting, and no steady run are each told, with no estimate."""
    topic = fit_drag([trace(columns, 20_000)], given())
    assert missing in untold(topic)
    assert topic.estimates == ()


def test_swinging_water_is_told_as_correlated() -> None:
    """Noise that goes on from row to row takes the block bootstrap, not the Jacobian."""
    found = estimates(fit_thrust([trace(pulled(1, 0.31), 20_000)], given(vehicle=lines(0.2), rig_ratio=RATIO)))
    assert found["propeller.kt_at_0"].how.startswith("block bootstrap")
