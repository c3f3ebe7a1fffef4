"""The lever's magnets about its sensor, its spring, and the leads' stray field."""

from __future__ import annotations

from typing import Any

import magpylib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.world.lever import LeverParams, check, returned, sensor_field, stray_field
from sim.world.magnets import cylinder_on_axis

# The tables below are printed to 1e-6 mT.
PRINT_T = 0.5e-9

SLIDE_BY = LeverParams(
    geometry="slide_by",
    diameter_m=6e-3,
    thickness_m=3e-3,
    polarization_tesla=1.3,
    gap_m=3e-3,
    spacing_m=12e-3,
    travel_m=12e-3,
    rest_offset_m=-6e-3,
)
PUSH_PULL = SLIDE_BY._replace(geometry="push_pull", gap_m=8e-3, spacing_m=0.0, travel_m=10e-3, rest_offset_m=-5e-3)
SAME_POLES = PUSH_PULL._replace(geometry="same_poles")

# INDEPENDENT, magpylib 6.3.0: cylinders D6 x L3 mm, Br 1.30 T. Carriage mm, field along the sensor's axis in mT.
SLIDE_BY_MT = [
    (-6.0, -124.374865),
    (-4.8, -113.873956),
    (-3.6, -84.180404),
    (-2.4, -47.409983),
    (-1.2, -18.982973),
    (0.0, 0.0),
    (1.2, 18.982973),
    (2.4, 47.409983),
    (3.6, 84.180404),
    (4.8, 113.873956),
    (6.0, 124.374865),
]
# The same, on one axis: sensor mm from the carriage's middle, push-pull mT, both pointing one way mT.
ON_ONE_AXIS_MT = [
    (-5, 116.245622, 127.270911),
    (-4, 70.659455, 84.229084),
    (-3, 42.768478, 59.718649),
    (-2, 24.499278, 46.033661),
    (-1, 11.194335, 39.091297),
    (0, 0.0, 36.965037),
    (1, -11.194335, 39.091297),
    (2, -24.499278, 46.033661),
    (3, -42.768478, 59.718649),
    (4, -70.659455, 84.229084),
    (5, -116.245622, 127.270911),
]


def test_slide_by_agrees_with_magpylib() -> None:
    """The slide-by carriage gives magpylib's printed field at every position."""
    carriage, field = np.array(SLIDE_BY_MT).T
    assert sensor_field(SLIDE_BY, (carriage + 6.0) / 12.0) == pytest.approx(1e-3 * field, abs=PRINT_T)


def test_push_pull_agrees_with_magpylib() -> None:
    """The push-pull carriage gives magpylib's printed field at every position."""
    sensor, field, _ = np.array(ON_ONE_AXIS_MT).T
    assert sensor_field(PUSH_PULL, (5.0 - sensor) / 10.0) == pytest.approx(1e-3 * field, abs=PRINT_T)


def test_same_poles_agrees_with_magpylib() -> None:
    """The carriage with one magnet turned over gives magpylib's printed field at every position."""
    sensor, _, field = np.array(ON_ONE_AXIS_MT).T
    assert sensor_field(SAME_POLES, (5.0 - sensor) / 10.0) == pytest.approx(1e-3 * field, abs=PRINT_T)


@pytest.mark.parametrize("lever", [SLIDE_BY, PUSH_PULL])
def test_right_geometries_rise_along_the_travel(lever: LeverParams) -> None:
    """Slide-by and push-pull rise all along the travel, so that a field means one position."""
    assert np.all(np.diff(sensor_field(lever, np.linspace(0.0, 1.0, 200))) > 0.0)


def test_same_poles_cannot_tell_sides() -> None:
    """With one magnet turned over, the two ends of the travel look the same."""
    field = sensor_field(SAME_POLES, [0.0, 0.25, 0.75, 1.0])
    assert field[:2] == pytest.approx(field[:1:-1], rel=1e-12)


def magpylib_lever(lever: LeverParams, carriage_m: float) -> float:
    """The same lever built of magpylib's magnets, turned and moved by magpylib."""
    total = magpylib.Collection()
    slide = lever.geometry == "slide_by"
    half = 0.5 * lever.spacing_m if slide else lever.gap_m + 0.5 * lever.thickness_m
    signs = (1.0, 1.0) if lever.geometry == "same_poles" else (1.0, -1.0)
    for sign, side in zip(signs, (-half, half), strict=True):
        magnet = magpylib.magnet.Cylinder(
            polarization=(0, 0, sign * lever.polarization_tesla), dimension=(lever.diameter_m, lever.thickness_m)
        )
        if not slide:
            magnet.rotate_from_angax(90, "y")
        magnet.position = (side + carriage_m, 0.0, lever.gap_m + 0.5 * lever.thickness_m if slide else 0.0)
        total.add(magnet)
    field = total.getB((lever.misalign_x_m, lever.misalign_y_m, 0.0))
    return float(field[2 if slide else 0])


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from([SLIDE_BY, PUSH_PULL, SAME_POLES]),
    st.floats(-2e-3, 2e-3),
    st.floats(-2e-3, 2e-3),
    st.floats(0.0, 1.0),
)
def test_misaligned_sensor_agrees_with_magpylib(lever: LeverParams, x: float, y: float, travel: float) -> None:
    """A sensor off its place sees what magpylib (INDEPENDENT) puts there, to 1e-9 of the largest field."""
    lever = lever._replace(misalign_x_m=x, misalign_y_m=y)
    expected = magpylib_lever(lever, lever.rest_offset_m + travel * lever.travel_m)
    assert sensor_field(lever, travel) == pytest.approx(expected, rel=1e-9, abs=1e-10)


def test_lost_magnets_add_up() -> None:
    """What is left without the first and without the second magnet adds up to both."""
    travel = np.linspace(0.0, 1.0, 9)
    both = sensor_field(SLIDE_BY, travel)
    parts = sensor_field(SLIDE_BY, travel, "first") + sensor_field(SLIDE_BY, travel, "second")
    assert parts == pytest.approx(both, abs=1e-15)


def test_lost_first_magnet_leaves_the_second() -> None:
    """At rest the second magnet stands over the sensor: without the first, its on-axis field is all there is."""
    alone = sensor_field(SLIDE_BY, 0.0, lost_magnet="first")
    assert alone == pytest.approx(-cylinder_on_axis(1.3, 3e-3, 3e-3, 3e-3), rel=1e-12)


def test_warm_magnets_are_weaker() -> None:
    """50 K above the reference the field is 6 % weaker (-0.12 %/K, common practice, no source)."""
    warm = sensor_field(SLIDE_BY._replace(magnet_degc=70.0), [0.0, 1.0])
    assert warm == pytest.approx(0.94 * sensor_field(SLIDE_BY, [0.0, 1.0]), rel=1e-12)


@pytest.mark.parametrize(
    ("lever", "change", "says"),
    [
        (SLIDE_BY, {"gap_m": 0.0}, "gap_m"),
        (SLIDE_BY, {"travel_m": float("nan")}, "travel_m"),
        (SLIDE_BY, {"spacing_m": 5e-3}, "overlap"),
        (PUSH_PULL, {"spacing_m": 19e-3}, "spacing_m must be 0"),
        (PUSH_PULL, {"gap_m": 5e-3}, "strike"),
        (PUSH_PULL, {"misalign_x_m": 3.5e-3}, "strike"),
    ],
)
def test_levers_that_cannot_be_built_are_refused(lever: LeverParams, change: dict[str, Any], says: str) -> None:
    """A size out of range, overlapping magnets and a struck sensor are each refused by name."""
    with pytest.raises(ValueError, match=says):
        check(lever._replace(**change))


def test_push_is_limited() -> None:
    """A hand that asks for full lever at once gets it at the push's own speed."""
    path = returned(np.ones(5), 0.1, push_per_s=4.0, return_per_s=2.0)
    assert path == pytest.approx([0.4, 0.8, 1.0, 1.0, 1.0])


def test_spring_return_is_limited() -> None:
    """A lever let go falls back at the spring's speed and stays at its stop."""
    path = returned([1.0, 0.0, 0.0, 0.0], 0.1, push_per_s=20.0, return_per_s=4.0)
    assert path == pytest.approx([1.0, 0.6, 0.2, 0.0])


def test_stops_hold_the_lever() -> None:
    """A hand beyond either stop moves the lever only to it."""
    path = returned([2.0, 2.0, -1.0, -1.0], 1.0, push_per_s=9.0, return_per_s=9.0)
    assert path == pytest.approx([1.0, 1.0, 0.0, 0.0])


def test_stuck_lever_stays() -> None:
    """While stuck the lever keeps its place, and moves again when freed."""
    path = returned([0.5, 0.5, 0.0, 0.0, 0.0], 0.1, 10.0, 10.0, stuck_from_s=0.15, stuck_until_s=0.35)
    assert path == pytest.approx([0.5, 0.5, 0.5, 0.5, 0.0])


def test_stray_field_of_a_lead() -> None:
    """100 A at 20 mm make 1 mT, as Ampere's law and magpylib's 20 m long wire (INDEPENDENT) say."""
    wire = magpylib.current.Polyline(current=100.0, vertices=[(0, 0, -10.0), (0, 0, 10.0)])
    assert stray_field(100.0, 0.02) == pytest.approx(1e-3, rel=1e-12)
    assert stray_field(100.0, 0.02) == pytest.approx(float(np.linalg.norm(wire.getB((0.02, 0.0, 0.0)))), rel=1e-5)
