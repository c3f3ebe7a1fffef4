"""Contacts found again: bounce, press lengths, presses nobody made, leaks and the film's law."""

from __future__ import annotations

import numpy as np
import pytest
from fit_cases import VEHICLE, estimates, few, given, holds, least_of, trace, untold

from sim.jobs.fit.bounce import trains
from sim.jobs.fit.contacts import fit_contacts
from sim.jobs.fit.trace import Trace
from sim.world import bounce, electrodes

TRIES = 40
CONDUCTIVITY = 0.2
RADIUS = 0.0011
PULLUP = float(VEHICLE.mode_button.pullup_ohm)
RAIL_V = float(VEHICLE.supply.rail_v_nominal)
FILM = electrodes.Wetting(
    mean_wetted_frac=0.45,
    film_spread_frac=0.12,
    film_time_s=0.5,
    splash_rate_hz=0.6,
    splash_drain_s=0.2,
    bubble_rate_hz=0.4,
    bubble_time_s=0.1,
)


def wet_line(seed: int, rows: int = 12_000, interval_s: float = 0.01, noise_v: float = 0.003) -> dict[str, np.ndarray]:
    """The line of a mode button that nobody touches, in water that keeps to the film's law, with the line's noise."""
    rng = np.random.default_rng(seed)
    leak = electrodes.leak_tape(rng, rows, interval_s, 2.0 * CONDUCTIVITY * RADIUS, FILM)
    line_v = RAIL_V / (1.0 + PULLUP * leak) + noise_v * rng.standard_normal(rows)
    return {"mode_line_v": line_v, "mode_pressed": np.zeros(rows)}


def test_intervals_of_the_films_numbers_hold_the_truth() -> None:
    """Of 40 recordings of two minutes as many intervals hold each of the film's numbers, and the electrodes' radius,
    as 95 % allows."""
    truth = {f"mode_button.film.{key}": value for key, value in FILM._asdict().items()}
    truth["mode_button.electrode_radius_m"] = RADIUS
    held: dict[str, list[bool]] = {key: [] for key in truth}
    for seed in range(TRIES):
        found = estimates(fit_contacts([trace(wet_line(seed), 10_000)], given(conductivity_s_m=CONDUCTIVITY)))
        for key, true in truth.items():
            held[key].append(holds(found[key], true))
    assert few(held) == {}


def test_film_that_dries_up_is_no_bubble() -> None:
    """A film that wanders down to nothing by itself, without bubbles, is not counted as many of them."""
    law = FILM._replace(mean_wetted_frac=0.3, film_spread_frac=0.15, bubble_rate_hz=0.0)
    rng = np.random.default_rng(3)
    leak = electrodes.leak_tape(rng, 60_000, 0.002, 2.0 * CONDUCTIVITY * RADIUS, law)
    line_v = RAIL_V / (1.0 + PULLUP * leak)
    columns = {"mode_line_v": line_v, "mode_pressed": np.zeros(60_000)}
    found = estimates(fit_contacts([trace(columns, 2000)], given(conductivity_s_m=CONDUCTIVITY)))
    assert found["mode_button.film.bubble_rate_hz"].value < 0.1


def test_the_leak_is_the_dividers() -> None:
    """A line at half its rail has a leak equal to the pull-up's conductance (voltage divider, handbook)."""
    rng = np.random.default_rng(1)
    columns = {"mode_line_v": 0.5 * RAIL_V + 0.001 * rng.standard_normal(2000), "mode_pressed": np.zeros(2000)}
    found = estimates(fit_contacts([trace(columns, 10_000)], given()))
    assert found["mode_button_leak_siemens"].value == pytest.approx(1.0 / PULLUP, rel=1e-4)


def test_the_radius_is_newmans() -> None:
    """PUBLISHED (J. Newman 1966, J. Electrochem. Soc. 113:501): two discs of 1.1 mm in water of 0.2 S/m make
    2 x 0.2 x 0.0011 = 0.44 mS, wetted in full; found from their line to 3 %."""
    found = estimates(fit_contacts([trace(wet_line(5), 10_000)], given(conductivity_s_m=CONDUCTIVITY)))
    assert found["mode_button.electrode_radius_m"].value == pytest.approx(0.44e-3 / (2.0 * 0.2), rel=0.03)


def test_without_the_waters_conductivity_there_is_no_radius() -> None:
    """The same line without the water tells neither radius nor what is a share of full wetting, and says so."""
    topic = fit_contacts([trace(wet_line(1), 10_000)], given())
    keys = estimates(topic)
    assert "mode_button.electrode_radius_m" in untold(topic)
    assert "mode_button.film.film_time_s" in keys
    assert "mode_button.film.mean_wetted_frac" not in keys


def test_a_line_over_the_rail_is_another_rails() -> None:
    """A line at 8 V on the file's rail of 5 V is refused."""
    columns = {"mode_line_v": np.full(2000, 8.0), "mode_pressed": np.zeros(2000)}
    assert "8.00 V" in untold(fit_contacts([trace(columns)], given()))["mode_button leak"]


def test_a_line_far_below_the_rail_is_told() -> None:
    """A 3.3 V line under the file's 5 V rail looks like a leak; that it never comes near the rail is said."""
    columns = {"mode_line_v": np.full(2000, 3.28), "mode_pressed": np.zeros(2000)}
    assert any("rail is another" in each for each in fit_contacts([trace(columns)], given()).findings)


def clicking(seed: int, rate_hz: float, length_s: float, interval_s: float = 0.002) -> dict[str, np.ndarray]:
    """A mode button pressed now and then by hand, and as often as not by water; a minute."""
    rng = np.random.default_rng(seed)
    rows = int(60.0 / interval_s)
    pressed = (np.arange(rows) * interval_s % 10.0 < 0.7).astype(float)
    clicks = np.zeros(rows)
    for _ in range(rng.poisson(rate_hz * 60.0)):
        start = rng.integers(rows)
        clicks[start : start + 1 + int(rng.exponential(length_s) / interval_s)] = 1.0
    return {"mode_button": np.maximum(pressed, clicks), "mode_pressed": pressed}


def test_intervals_of_the_rate_of_clicks_hold_the_truth() -> None:
    """Of 50 recordings of a minute with 0.5 clicks a second, as many intervals hold the rate as 95 % allows."""
    held = [
        holds(
            estimates(fit_contacts([trace(clicking(seed, 0.5, 0.02), 2000)], given()))["mode_button_click_rate_hz"], 0.5
        )
        for seed in range(50)
    ]
    assert sum(held) >= least_of(50)


def test_presses_by_hand_are_no_clicks() -> None:
    """A minute with six presses by hand and no water has no click."""
    found = estimates(fit_contacts([trace(clicking(1, 0.0, 0.0), 2000)], given()))
    assert found["mode_button_click_rate_hz"].value == 0.0


def test_press_lengths_are_told() -> None:
    """Ten presses of 0.2 s, bouncing at their start, have a median of 0.2 s within two rows."""
    rows = 20_000
    reads = (np.arange(rows) % 1000 < 200).astype(float)
    reads[np.arange(rows) % 1000 == 2] = 0.0
    found = estimates(fit_contacts([trace({"deadman": reads}, 1000)], given()))
    assert found["deadman_press_s"].value == pytest.approx(0.2, abs=0.002)


def test_a_rest_told_by_hand_does_for_a_truth() -> None:
    """Three clicks of 20 ms in a stretch told to be at rest are presses nobody made, and those outside are not."""
    reads = np.zeros(20_000)
    for start in (3000, 5000, 7000, 15_000):
        reads[start : start + 20] = 1.0
    found = estimates(fit_contacts([trace({"mode_button": reads}, 1000, rest=[(1.0, 10.0)])], given()))
    assert found["mode_button_click_rate_hz"].value == pytest.approx(3.0 / 9.0, rel=0.01)
    assert found["mode_button_click_s"].value == pytest.approx(0.02, rel=1e-6)


def test_the_kill_cord_clicks_out() -> None:
    """For the kill cord a press nobody made is a reading of out while it is in place."""
    reads = np.ones(10_000)
    reads[4000:4030] = 0.0
    found = estimates(fit_contacts([trace({"kill_cord": reads, "cord_seated": np.ones(10_000)}, 1000)], given()))
    assert found["kill_cord_sense_click_rate_hz"].value == pytest.approx(0.1, rel=0.01)


def captured(seed: int, presses: int, law: bounce.Bounce) -> Trace:
    """A logic analyser's capture of a dead-man pressed so often, to the microsecond."""
    rng = np.random.default_rng(seed)
    edges = np.cumsum(rng.integers(200_000, 600_000, 2 * presses))
    times, levels = bounce.bounce_edges(rng, edges, np.arange(2 * presses) % 2 == 0, law)
    reads = np.concatenate(([0.0], levels.astype(float)))
    return trace({"deadman": reads}, t_us=np.concatenate(([0], times)), changes=True)


def test_intervals_of_bounce_hold_the_truth() -> None:
    """Of 60 captures of 300 presses as many intervals hold the mean and the longest bounce as 95 % allows; the
    longest is now and then not told at all."""
    law = bounce.Bounce(mean_us=900.0, max_us=3000.0)
    held: dict[str, list[bool]] = {"deadman.bounce_us_mean": [], "deadman.bounce_us_max": []}
    for seed in range(60):
        found = estimates(fit_contacts([captured(seed, 300, law)], given()))
        held["deadman.bounce_us_mean"].append(holds(found["deadman.bounce_us_mean"], law.mean_us))
        if "deadman.bounce_us_max" in found:
            held["deadman.bounce_us_max"].append(holds(found["deadman.bounce_us_max"], law.max_us))
    assert len(held["deadman.bounce_us_max"]) > 40
    assert few(held) == {}


def test_published_bounces_are_found() -> None:
    """PUBLISHED: J. Ganssle's 16 switches, 1557 us in the mean and 6200 at most (read second-hand): of 20 captures
    drawn by that law as many give the mean back within their intervals as 95 % allows."""
    found = [estimates(fit_contacts([captured(seed, 200, bounce.GANSSLE)], given())) for seed in range(20)]
    assert sum(holds(each["deadman.bounce_us_mean"], 1557.0) for each in found) >= least_of(20)


def test_a_train_runs_from_its_first_edge_to_its_last() -> None:
    """Edges 0, 300, 800 us after a press are one train of 800 us; a clean release one of 0; a click none."""
    t_us = np.array([0, 100_000, 100_300, 100_800, 300_000, 500_000, 500_200])
    reads = np.array([0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0])
    capture = trace({"deadman": reads}, t_us=t_us, changes=True)
    assert trains(capture, reads, np.ones(7, dtype=bool)).tolist() == [800.0, 0.0]


def test_a_slow_logger_tells_no_bounce() -> None:
    """Bounces of a millisecond in rows of a millisecond are the logger's grid, and what it would need is said."""
    reads = (np.arange(20_000) % 1000 < 500).astype(float)
    reads[np.arange(20_000) % 1000 == 1] = 0.0
    topic = fit_contacts([trace({"deadman": reads}, 1000)], given())
    assert "a row every 1000 us" in untold(topic)["deadman.bounce_us_mean"]


def test_without_a_contact_nothing_is_told() -> None:
    """A recording of the throttle alone tells nothing of contacts."""
    topic = fit_contacts([trace({"hall_counts": np.zeros(100)})], given())
    assert topic.estimates == ()
    assert "contacts" in untold(topic)


def test_the_leak_is_left_for_a_scenario() -> None:
    """What a scenario can use is the leak over time, held over the presses, never negative."""
    columns = wet_line(1)
    columns["mode_pressed"][500:600] = 1.0
    columns["mode_line_v"][500:600] = 0.001
    (series,) = fit_contacts([trace(columns, 10_000)], given()).series
    assert series.column == "button_leak_siemens"
    assert series.values.min() >= 0.0
    assert series.values.max() < 1.2 * 2.0 * CONDUCTIVITY * RADIUS
