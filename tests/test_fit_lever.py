"""The lever's calibration and its magnets, found again from recordings of a known lever."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import magpylib
import numpy as np
import pytest
from fit_cases import VEHICLE, estimates, few, given, holds, trace, untold

from sim.jobs.fit.lever import fit_lever
from sim.world import lever

TRIES = 40
COUNTS_MAX = 4095
# The true lever, off the vehicle file's in all that is to be found.
TRUE = {"throttle.polarization_tesla": 1.27, "throttle.gap_m": 0.0030, "throttle.rest_offset_m": -0.0037}
SIGMA = 6.0


@lru_cache
def field_tesla(place: float, turned: bool = False) -> float:
    """INDEPENDENT: magpylib's field of the true lever's two magnets, along the sensor's axis, at a place of its travel.

    turned : with the second magnet the wrong way round, which no slide-by lever of the file's kind has.
    """
    throttle = VEHICLE.throttle
    half = 0.5 * float(throttle.spacing_m)
    size = (float(throttle.magnet_diameter_m), float(throttle.magnet_thickness_m))
    height = TRUE["throttle.gap_m"] + 0.5 * size[1]
    carriage = TRUE["throttle.rest_offset_m"] + place * float(throttle.travel_m)
    br = TRUE["throttle.polarization_tesla"]
    magnets = [
        magpylib.magnet.Cylinder(
            polarization=(0.0, 0.0, sign * br), dimension=size, position=(x + carriage, 0.0, height)
        )
        for sign, x in ((1.0, -half), (1.0 if turned else -1.0, half))
    ]
    return float(sum(magnet.getB((0.0, 0.0, 0.0))[2] for magnet in magnets))


def counts_at(place: np.ndarray, turned: bool = False) -> np.ndarray:
    """Unrounded counts of a 5 V ratiometric sensor of 25 V/T: half scale, and 25/5 of scale a tesla (datasheet law)."""
    fields = np.array([field_tesla(each, turned) for each in place.round(6).tolist()])
    return COUNTS_MAX * (0.5 + 25.0 / 5.0 * fields)


def ride() -> np.ndarray:
    """Places of a lever pulled to full three times, with pauses, at 200 Hz: 12 s."""
    hand = np.zeros(2400)
    for start in (200, 900, 1600):
        hand[start : start + 400] = 1.0
    return np.round(lever.returned(hand, 0.005, 1.0 / 0.4, 1.0 / 0.4), 6)


def recorded(seed: int, spikes: float = 0.0, turned: bool = False) -> dict[str, np.ndarray]:
    """That ride as a converter gives it, with noise and now and then a spike."""
    rng = np.random.default_rng(seed)
    place = ride()
    clean = counts_at(place, turned)
    struck = np.where(rng.random(len(place)) < spikes, rng.choice([-400.0, 400.0], len(place)), 0.0)
    counts = np.clip(np.rint(clean + SIGMA * rng.standard_normal(len(place)) + struck), 0, COUNTS_MAX)
    return {"hall_counts": counts, "lever_frac": place}


def test_intervals_of_the_magnets_and_ends_hold_the_truth() -> None:
    """Of 40 recordings of a magpylib lever, with noise and spikes, as many intervals hold polarisation, gap and rest
    offset, and the counts at both ends, as 95 % allows."""
    ends = counts_at(np.array([0.0, 1.0]))
    truth = {**TRUE, "lever_rest_counts": ends[0], "lever_full_counts": ends[1]}
    held: dict[str, list[bool]] = {key: [] for key in truth}
    for seed in range(TRIES):
        found = estimates(fit_lever([trace(recorded(seed, 0.003), 5000)], given()))
        for key, true in truth.items():
            held[key].append(holds(found[key], true))
    assert few(held) == {}


def test_the_magnets_are_found_to_a_percent() -> None:
    """One recording of 12 s tells polarisation and gap to a percent, the offset to a hundredth of a millimetre."""
    found = estimates(fit_lever([trace(recorded(1), 5000)], given()))
    assert found["throttle.polarization_tesla"].half < 0.0127
    assert found["throttle.gap_m"].half < 0.00003
    assert found["throttle.rest_offset_m"].half < 0.00001


def test_the_right_geometry_explains_its_curve() -> None:
    """Of a lever of the file's own kind what is left is under a percent of the range, and it is said."""
    topic = fit_lever([trace(recorded(2), 5000)], given())
    assert any("geometry explains the curve" in finding for finding in topic.findings)


def test_another_geometry_does_not_explain_the_curve() -> None:
    """With the second magnet turned over the curve is even about the middle: said, and no magnet number is told."""
    topic = fit_lever([trace(recorded(3, turned=True), 5000)], given())
    assert any("geometry does not explain the curve" in finding for finding in topic.findings)
    assert not any(key.startswith("throttle.") for key in estimates(topic))


def without_place(seed: int) -> dict[str, np.ndarray]:
    return {"hall_counts": recorded(seed)["hall_counts"]}


def test_without_a_position_both_ends_are_found_by_their_levels() -> None:
    """Rest and full come from the stretches in which the reading stands; 30 recordings, as 95 % allows."""
    ends = counts_at(np.array([0.0, 1.0]))
    held: dict[str, list[bool]] = {"lever_rest_counts": [], "lever_full_counts": []}
    for seed in range(30):
        found = estimates(fit_lever([trace(without_place(seed), 5000)], given()))
        for key, true in zip(held, ends, strict=True):
            held[key].append(holds(found[key], true))
    assert few(held) == {}


def test_without_a_position_the_gap_is_not_told() -> None:
    """Two counts cannot tell three numbers, and cannot test the geometry; both is said."""
    topic = fit_lever([trace(without_place(1), 5000)], given())
    assert "throttle.gap_m" not in estimates(topic)
    assert "whether the magnets explain the curve" in untold(topic)


def test_without_a_position_the_intervals_hold_what_the_gaps_tolerance_allows() -> None:
    """With the gap held at the file's 3.2 mm of a true 3.0, the intervals of the others hold the truth all the same:
    the gap's tolerance of 0.3 mm went in."""
    found = estimates(fit_lever([trace(without_place(1), 5000)], given()))
    assert holds(found["throttle.polarization_tesla"], TRUE["throttle.polarization_tesla"])
    assert holds(found["throttle.rest_offset_m"], TRUE["throttle.rest_offset_m"])


def test_a_lever_in_metres_is_the_same_lever() -> None:
    """A position in metres from rest gives what the same position as a share of the travel gives."""
    columns = recorded(1)
    place = columns.pop("lever_frac")
    metres = fit_lever([trace({**columns, "lever_m": place * float(VEHICLE.throttle.travel_m)}, 5000)], given())
    shares = fit_lever([trace({**columns, "lever_frac": place}, 5000)], given())
    for key in TRUE:
        assert estimates(metres)[key].value == pytest.approx(estimates(shares)[key].value, rel=1e-6)


def test_warm_magnets_are_told_at_20_degrees() -> None:
    """Recorded at 60 degC the polarisation comes out higher by 40 K of the file's -0.0012 per kelvin."""
    warm = estimates(fit_lever([trace(recorded(1), 5000)], given(temperature_degc=60.0)))
    cold = estimates(fit_lever([trace(recorded(1), 5000)], given(temperature_degc=20.0)))
    ratio = warm["throttle.polarization_tesla"].value / cold["throttle.polarization_tesla"].value
    assert ratio == pytest.approx(1.0 / (1.0 - 0.0012 * 40.0), rel=1e-4)


@pytest.mark.parametrize("per_hour", [0.0, 3000.0, -3000.0])
def test_drift_at_rest_is_found(per_hour: float) -> None:
    """A reading that drifts by 3000 counts an hour is told so, one that does not is not: 30 recordings each."""
    held: dict[str, list[bool]] = {"lever_drift_counts_h": []}
    for seed in range(30):
        rng = np.random.default_rng(seed)
        at_h = np.arange(4000) * 0.005 / 3600.0
        columns = {"hall_counts": np.rint(516.0 + per_hour * at_h + SIGMA * rng.standard_normal(4000))}
        found = estimates(fit_lever([trace(columns, 5000, rest=[(0.0, 20.0)])], given()))
        held["lever_drift_counts_h"].append(holds(found["lever_drift_counts_h"], per_hour))
    assert few(held) == {}


def test_the_dead_band_holds_all_that_a_lever_at_rest_reads() -> None:
    """In another recording of the same lever, spikes aside, no reading at rest lies outside the dead band."""
    found = estimates(fit_lever([trace(recorded(1), 5000)], given()))
    rest, full = found["lever_rest_counts"].value, found["lever_full_counts"].value
    other = recorded(99)
    at_rest = other["hall_counts"][other["lever_frac"] == 0.0]
    permille = 1000.0 * np.abs(at_rest - rest) / (full - rest)
    assert permille.max() < found["lever_dead_band_permille"].value * 1.1


def test_levels_that_differ_widen_the_interval_at_rest() -> None:
    """A lever that comes back to levels 10 counts apart has an interval of as much, whatever its rows' own noise."""
    columns = recorded(1)
    pulled = np.concatenate(([0], np.cumsum(np.diff(columns["lever_frac"]) > 0.0)))
    stretch = np.searchsorted([1, 80, 160], pulled, side="right")
    offsets = np.array([0.0, 10.0, -8.0, 5.0])
    counts = columns["hall_counts"] + np.where(columns["lever_frac"] == 0.0, offsets[stretch], 0.0)
    found = estimates(fit_lever([trace({**columns, "hall_counts": counts}, 5000)], given()))
    plain = estimates(fit_lever([trace(columns, 5000)], given()))
    assert found["lever_rest_counts"].half > 5.0 > 3.0 * plain["lever_rest_counts"].half


def test_a_noiseless_reading_may_hide_half_a_count() -> None:
    """Without noise a converter's code says no more than that the level is within half a count of it."""
    found = estimates(fit_lever([trace({"hall_counts": np.full(4000, 516.0)}, 5000)], given()))
    assert found["lever_rest_counts"].half == pytest.approx(0.5)


def test_currents_push_is_taken_off_the_levels() -> None:
    """A reading pushed by 0.2 counts an ampere while 60 A flow at full has the full level of no current."""
    columns = recorded(4)
    current = np.where(columns["lever_frac"] == 1.0, 60.0, 0.0)
    ramp = np.convolve(current, np.ones(80) / 80.0, mode="full")[: len(current)]
    pushed = {**columns, "hall_counts": columns["hall_counts"] + 0.2 * ramp, "pack_a": ramp}
    found = estimates(fit_lever([trace(pushed, 5000)], given()))
    plain = estimates(fit_lever([trace(columns, 5000)], given()))
    assert found["lever_full_counts"].value == pytest.approx(plain["lever_full_counts"].value, abs=2.0)


@pytest.mark.parametrize(
    ("columns", "missing", "got"),
    [
        ({"pack_a": np.zeros(100)}, "lever", "none"),
        ({"hall_counts": np.full(2000, 516.0)}, "lever_full_counts", "516"),
        ({"hall_counts": np.arange(2000.0)}, "lever_rest_counts", "never keeps"),
        ({"hall_counts": np.full(2000, 516.0), "lever_frac": np.full(2000, 0.3)}, "magnets", "0.00"),
    ],
)
def test_what_the_data_do_not_tell_is_said(columns: dict[str, np.ndarray], missing: str, got: str) -> None:
    """No throttle, a lever never moved, a reading that never stands and a curve of one place are each told."""
    assert got in untold(fit_lever([trace(columns, 5000)], given()))[missing]


def test_a_rest_in_which_the_lever_moves_is_not_believed() -> None:
    """A stretch told to be at rest in which the lever is pulled is told, and does not spoil the level at rest."""
    columns = without_place(1)
    told: Any = fit_lever([trace(columns, 5000, rest=[(0.0, 4.0)])], given())
    plain = estimates(fit_lever([trace(columns, 5000)], given()))
    assert "0 to 4 s" in untold(told)["lever at rest as told"]
    assert estimates(told)["lever_rest_counts"].value == pytest.approx(plain["lever_rest_counts"].value, abs=1.0)


def test_a_gap_in_the_recording_changes_nothing() -> None:
    """Rows lost within a stretch leave the levels where they were."""
    columns = recorded(5)
    keep = np.ones(len(columns["hall_counts"]), dtype=bool)
    keep[[30, 31, 32, 1000, 1001]] = False
    keep[700:760] = False
    t_us = (5000 * np.arange(len(keep)))[keep]
    torn = trace({name: values[keep] for name, values in columns.items()}, t_us=t_us)
    found, whole = estimates(fit_lever([torn], given())), estimates(fit_lever([trace(columns, 5000)], given()))
    for key in ("lever_rest_counts", "lever_full_counts", "throttle.gap_m"):
        assert abs(found[key].value - whole[key].value) < 2.0 * whole[key].half
