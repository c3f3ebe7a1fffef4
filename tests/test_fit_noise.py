"""The throttle reading's noise, its spikes, its tones and the current's push, found again from known ones."""

from __future__ import annotations

import numpy as np
import pytest
from fit_cases import estimates, few, given, holds, least_of, trace, untold
from scipy import signal

from sim.jobs.fit.noise import fit_noise
from sim.jobs.fit.spectrum import peaks_of, spectrum_of, tone

TRIES = 50
ROWS = 6000
# One count of a 12-bit converter over 5 V.
VOLT = 5.0 / 4095.0
RMS_V, SPIKE_HZ, SPIKE_V = 0.008, 3.0, 0.35


def noisy(
    seed: int,
    rows: int = ROWS,
    keep: float = 0.0,
    rms_v: float = RMS_V,
    spike_hz: float = SPIKE_HZ,
    beside_v: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Counts of a standing lever at 1 kHz, with noise of which so much is left in the next row, and with spikes."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal(rows + 500)
    own = signal.lfilter([np.sqrt(1.0 - keep * keep)], [1.0, -keep], white)[500:]
    struck = np.where(rng.random(rows) < spike_hz * 1e-3, rng.choice([-SPIKE_V, SPIKE_V], rows), 0.0)
    return np.rint(1500.0 + (rms_v * own + struck + beside_v) / VOLT)


def at_rest(columns: dict[str, np.ndarray]) -> object:
    rows = len(columns["hall_counts"])
    return trace(columns, rest=[(0.0, 1e-3 * rows)])


@pytest.mark.parametrize("keep", [0.0, 0.7])
def test_intervals_of_noise_and_spikes_hold_the_truth(keep: float) -> None:
    """Of 50 recordings of white, and of correlated, noise with spikes, as many intervals hold the rms, the rate of
    spikes and their height as 95 % allows."""
    truth = {"sensor.noise_v_rms": RMS_V, "sensor.spike_rate_hz": SPIKE_HZ, "sensor.spike_v": SPIKE_V}
    held: dict[str, list[bool]] = {key: [] for key in truth}
    for seed in range(TRIES):
        found = estimates(fit_noise([at_rest({"hall_counts": noisy(seed, keep=keep)})], given()))
        for key, true in truth.items():
            held[key].append(holds(found[key], true))
    assert few(held) == {}


def test_spikes_are_not_in_the_noise() -> None:
    """Thirty spikes a second of 0.35 V leave the rms of 8 mV where it is, within 3 %; a plain deviation is far off."""
    counts = noisy(1, spike_hz=30.0)
    found = estimates(fit_noise([at_rest({"hall_counts": counts})], given()))
    assert found["sensor.noise_v_rms"].value == pytest.approx(RMS_V, rel=0.03)
    assert counts.std() * VOLT > 5.0 * RMS_V


def test_rounding_is_not_in_the_noise() -> None:
    """Noise of 0.8 counts rms is found as that; its rounding alone would add a twelfth of a count squared."""
    found = estimates(fit_noise([at_rest({"hall_counts": noisy(1, 60_000, rms_v=0.8 * VOLT, spike_hz=0.0)})], given()))
    assert found["sensor.noise_v_rms"].value == pytest.approx(0.8 * VOLT, rel=0.02)


def test_noise_below_a_count_may_hide() -> None:
    """A reading that never changes says no more than that its noise is under a count, not that there is none."""
    found = estimates(fit_noise([at_rest({"hall_counts": np.full(2000, 1500.0)})], given()))
    assert found["sensor.noise_v_rms"].low == 0.0
    assert found["sensor.noise_v_rms"].high > 0.2 * VOLT


def test_intervals_of_a_tone_hold_the_truth() -> None:
    """Of 40 recordings with a tone of 3 mV rms at 137.3 Hz below noise of 8, as many intervals hold both its
    frequency and its size as 95 % allows, and none misses it."""
    held: dict[str, list[bool]] = {"noise_tone_1_hz": [], "noise_tone_1_v_rms": []}
    at_s = 1e-3 * np.arange(ROWS)
    for seed in range(40):
        counts = noisy(seed, beside_v=np.sqrt(2.0) * 0.003 * np.sin(2.0 * np.pi * 137.3 * at_s + seed))
        found = estimates(fit_noise([at_rest({"hall_counts": counts})], given()))
        held["noise_tone_1_hz"].append(holds(found["noise_tone_1_hz"], 137.3))
        held["noise_tone_1_v_rms"].append(holds(found["noise_tone_1_v_rms"], 0.003))
    assert few(held) == {}


@pytest.mark.parametrize("rows", [300, 2000, 20_000])
def test_white_noise_has_no_tones(rows: int) -> None:
    """Of 200 recordings of white noise at most three show a tone, where one in a thousand is what was asked for."""
    shown = 0
    for seed in range(200):
        found = spectrum_of(np.random.default_rng(seed).standard_normal(rows), 1000.0)
        assert found is not None
        shown += bool(peaks_of(*found))
    assert shown <= 3


def test_red_noise_has_no_tones_either() -> None:
    """Noise that falls with frequency is a slope, not a row of tones: none in nine of ten recordings."""
    shown = 0
    for seed in range(40):
        red = signal.lfilter([1.0], [1.0, -0.9], np.random.default_rng(seed).standard_normal(20_000))
        found = spectrum_of(np.asarray(red), 1000.0)
        assert found is not None
        shown += bool(peaks_of(*found))
    assert shown <= 4


def test_the_spectrum_is_that_of_white_noise() -> None:
    """White noise of variance 1 at 1 kHz has 2/1000 of it in every hertz (one-sided density, handbook)."""
    found = spectrum_of(np.random.default_rng(1).standard_normal(200_000), 1000.0)
    assert found is not None
    assert np.mean(found[1][2:-2]) == pytest.approx(2.0 / 1000.0, rel=0.02)


def test_a_tone_of_nothing_is_none() -> None:
    """Asked for a tone where there is only noise, none is told that its own interval does not hold."""
    noise = np.random.default_rng(2).standard_normal(4000)
    told = [tone(noise, 1000.0, hz) for hz in np.linspace(20.0, 480.0, 20)]
    assert sum(found is None for found in told) >= 10


def pushed(seed: int, ohm: float) -> dict[str, np.ndarray]:
    """A lever held in the middle while the current comes and goes by 80 A, in noise."""
    current = 40.0 * (1.0 - np.cos(2.0 * np.pi * np.arange(ROWS) / 1500.0))
    counts = noisy(seed, beside_v=ohm * current)
    return {"hall_counts": counts, "pack_a": current, "lever_frac": np.full(ROWS, 0.4)}


@pytest.mark.parametrize("ohm", [0.0, 3e-4])
def test_the_currents_push_is_found(ohm: float) -> None:
    """Of 50 recordings with a push of 0.3 mV an ampere, and without one, as many intervals hold it as 95 % allows."""
    held = [
        holds(estimates(fit_noise([trace(pushed(seed, ohm))], given()))["current_push_ohm"], ohm) for seed in range(50)
    ]
    assert sum(held) >= least_of(50)


def test_a_push_is_told_in_words() -> None:
    """Half an ohm's thousandth at 80 A is a push; none is said to be none."""
    words = [" ".join(fit_noise([trace(pushed(2, ohm))], given()).findings) for ohm in (5e-4, 0.0)]
    assert "is pushed by the current" in words[0]
    assert "is not pushed beyond what noise allows" in words[1]


def test_the_leads_own_field_is_taken_off_the_ground_wire() -> None:
    """A push of 0.3 mOhm beside leads 60 mm away (2e-7/0.06 T an ampere, 25 V/T: 0.083 mOhm, handbook) leaves 0.217
    for the ground wire."""
    found = estimates(fit_noise([trace(pushed(1, 3e-4))], given()))
    assert holds(found["sensor.ground_ohm"], 3e-4 - 25.0 * 2e-7 / 0.06)


def test_a_push_the_other_way_is_no_ground_wire() -> None:
    """A reading pulled down by current is told, and no negative resistance is made of it."""
    topic = fit_noise([trace(pushed(1, -3e-4))], given())
    assert "sensor.ground_ohm" not in estimates(topic)
    assert "sensor.ground_ohm" in untold(topic)


def test_the_push_is_not_in_the_noise() -> None:
    """With a push of 24 mV peak to peak the noise is still that of the sensor, within 3 %."""
    found = estimates(fit_noise([trace(pushed(3, 3e-4))], given()))
    assert found["sensor.noise_v_rms"].value == pytest.approx(RMS_V, rel=0.03)


@pytest.mark.parametrize("grows", [0.0, 1.0])
def test_noise_that_grows_with_current_is_found(grows: float) -> None:
    """Of 40 recordings whose noise doubles with 80 A, or does not change, as many intervals hold by how much it is
    larger in the rows with much current as 95 % allows."""
    held = []
    for seed in range(40):
        columns = pushed(seed, 0.0)
        high, low = columns["pack_a"] >= 60.0, columns["pack_a"] <= 20.0
        louder = 1.0 + grows * columns["pack_a"] / 80.0
        grown = {**columns, "hall_counts": np.rint(1500.0 + (columns["hall_counts"] - 1500.0) * louder)}
        wanted = np.sqrt(np.mean(louder[high] ** 2) / np.mean(louder[low] ** 2))
        held.append(holds(estimates(fit_noise([trace(grown)], given()))["noise_ratio_with_current"], wanted))
    assert sum(held) >= least_of(40)


def test_noise_that_grows_is_told_in_words() -> None:
    """Noise that doubles with current is said to grow with it."""
    columns = pushed(1, 0.0)
    louder = 1.0 + columns["pack_a"] / 80.0
    grown = {**columns, "hall_counts": np.rint(1500.0 + (columns["hall_counts"] - 1500.0) * louder)}
    assert any("noise grows with current" in each for each in fit_noise([trace(grown)], given()).findings)


def test_a_lever_that_may_have_moved_tells_no_push() -> None:
    """Without a position or a stretch told to be at rest a reading that goes with current may be the hand."""
    columns = pushed(1, 3e-4)
    del columns["lever_frac"]
    assert "current's push on the reading" in untold(fit_noise([trace(columns)], given()))


def test_the_recorded_noise_is_what_was_recorded() -> None:
    """What is left for a scenario is the reading less its level, in volts, row by row, spikes and all."""
    counts = noisy(1)
    (series,) = fit_noise([at_rest({"hall_counts": counts})], given()).series
    assert series.column == "hall_noise_v"
    assert np.ptp(series.values - (counts - counts.mean()) * VOLT) < 1e-9
    assert np.all(np.diff(series.t_us) == 1000)
    assert np.abs(series.values).max() > 0.9 * SPIKE_V


@pytest.mark.parametrize(
    ("columns", "missing"),
    [({"bus_v": np.zeros(500)}, "noise"), ({"hall_counts": np.arange(500.0) * 20.0}, "noise")],
)
def test_what_the_data_do_not_tell_is_said(columns: dict[str, np.ndarray], missing: str) -> None:
    """No throttle, or a lever that never stands, is told."""
    topic = fit_noise([trace(columns)], given())
    assert missing in untold(topic)
    assert topic.estimates == ()


def test_too_few_spikes_have_no_height() -> None:
    """A single spike has no interval of its height, and is told as one."""
    counts = noisy(1, spike_hz=0.0)
    counts[777] += 300.0
    topic = fit_noise([at_rest({"hall_counts": counts})], given())
    assert untold(topic)["sensor.spike_v"] == "1"
    assert holds(estimates(topic)["sensor.spike_rate_hz"], 1.0 / 6.0)
