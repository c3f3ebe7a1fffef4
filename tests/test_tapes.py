"""The tapes: what the rider, the faults and chance do, tick by tick, before a run begins."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from file_cases import MOORHEN
from hypothesis import given
from hypothesis import strategies as st

from sim.base.clock import to_us
from sim.base.errors import InputError
from sim.bench.as_recorded import located
from sim.bench.scenario import Scenario
from sim.bench.tapes import FLOODED_SIEMENS, Tapes, draw, water_of
from sim.bench.vehicle import load_vehicle
from sim.record.table import Table, write_csv
from sim.world import machine, senses
from sim.world.electrodes import leak_conductance_siemens

VEHICLE = load_vehicle(MOORHEN / "moorhen.yaml")
PRESSES = [{"at_s": 0.1, "deadman": True}, {"at_s": 0.5, "deadman": False}, {"at_s": 0.7, "mode_button": True}]
CONTACTS = {"deadman": "deadman_closed", "button": "button_closed"}


def entry(**changes: Any) -> Scenario:
    """A second in pool water, unless changed."""
    plain: dict[str, Any] = {
        "name": "t",
        "vehicle": "moorhen.yaml",
        "controller": "reference",
        "water": {"kind": "pool"},
        "attitude": "held",
        "duration_s": 1.0,
        "rider": [],
    }
    return Scenario.model_validate(plain | changes)


def tapes(**changes: Any) -> Tapes:
    """The tapes of that second."""
    scenario = entry(**changes)
    return draw(scenario, VEHICLE, water_of(scenario))


def sense(drawn: Tapes, name: str) -> np.ndarray:
    """A column of what the pins' tape has."""
    return drawn.senses[:, senses.Tape._fields.index(name)]


def moved(drawn: Tapes, name: str) -> np.ndarray:
    """A column of what the machine's tape has."""
    return drawn.machine[:, machine.Tape._fields.index(name)]


def ticks(mask: np.ndarray) -> tuple[int, int]:
    """First tick of a stretch, and the first one after it; the stretch has no hole."""
    (indexes,) = np.nonzero(mask)
    assert len(indexes) == indexes[-1] - indexes[0] + 1
    return int(indexes[0]), int(indexes[-1]) + 1


@pytest.mark.parametrize("hz", [1000, 500, 333, 4000])
def test_a_tape_has_a_row_for_each_tick_that_starts_in_time(hz: int) -> None:
    """The number of rows is the number of ticks that begin before the end."""
    drawn = tapes(control_hz=hz)
    tick_us = entry(control_hz=hz).tick_us
    assert len(drawn) == len(drawn.machine) == len(range(0, 1_000_000, tick_us))


@pytest.mark.parametrize(
    ("kind", "column", "present"),
    [
        ("switch_welded", "switch_welded", 1.0),
        ("left_signal_lost", "left_wire", 0.0),
        ("right_signal_lost", "right_wire", 0.0),
        ("left_esc_dead", "left_alive", 0.0),
        ("right_esc_dead", "right_alive", 0.0),
    ],
)
def test_a_fault_of_the_machine_is_there_from_its_first_tick_to_its_last(
    kind: str, column: str, present: float
) -> None:
    """The window is closed at at_s and open at until_s, to the tick, and only its own column shows it."""
    drawn = tapes(faults=[{"kind": kind, "at_s": 0.3, "until_s": 0.6}])
    assert ticks(moved(drawn, column) == present) == (300, 600)
    sound = tapes()
    others = [name for name in machine.Tape._fields if name != column]
    assert all(np.array_equal(moved(drawn, name), moved(sound, name)) for name in others)


@pytest.mark.parametrize(
    ("kind", "code"), [("sensor_open", 1.0), ("sensor_short_low", 2.0), ("sensor_short_high", 3.0)]
)
def test_a_broken_sensor_has_its_code_in_its_window(kind: str, code: float) -> None:
    """Each kind of broken sensor shows as another code, from at_s to before until_s."""
    drawn = tapes(faults=[{"kind": kind, "at_s": 0.3, "until_s": 0.6}])
    fault = sense(drawn, "hall_fault")
    assert ticks(fault > 0.0) == (300, 600)
    assert set(fault) == {0.0, code}


@pytest.mark.parametrize(
    ("kind", "amount", "column"),
    [
        ("joint_corroded", 0.05, "extra_ohm"),
        ("left_fouled", 3.0, "left_fouling"),
        ("right_fouled", 2.0, "right_fouling"),
    ],
)
def test_an_amount_is_there_in_its_window(kind: str, amount: float, column: str) -> None:
    """The amount of a fault is the column's value in its window; outside it is that of a sound machine."""
    values = moved(tapes(faults=[{"kind": kind, "at_s": 0.3, "until_s": 0.6, "amount": amount}]), column)
    assert ticks(values == amount) == (300, 600)
    assert set(values) == {amount, 1.0 if "fouling" in column else 0.0}


def test_the_later_of_two_amounts_counts_while_both_are_there() -> None:
    """Of overlapping faults of one kind the later one's amount is present."""
    faults = [
        {"kind": "joint_corroded", "at_s": 0.1, "amount": 0.01},
        {"kind": "joint_corroded", "at_s": 0.3, "until_s": 0.6, "amount": 0.02},
    ]
    values = moved(tapes(faults=faults), "extra_ohm")
    assert [values[tick] for tick in (99, 100, 300, 599, 600, 999)] == [0.0, 0.01, 0.02, 0.02, 0.01, 0.01]


def test_a_drift_adds_its_volts_in_its_window() -> None:
    """A drift may be negative, and is there in its window alone."""
    values = sense(
        tapes(faults=[{"kind": "sensor_drift", "at_s": 0.3, "until_s": 0.6, "amount": -0.4}]), "hall_drift_v"
    )
    assert ticks(values == -0.4) == (300, 600)


@pytest.mark.parametrize("kind", ["chip_reset", "protection_release"])
def test_a_moment_is_one_tick_unless_it_has_an_end(kind: str) -> None:
    """A reset or a release without until_s is one tick long; with it, as long as it says."""
    column = {"chip_reset": "chip_reset", "protection_release": "release"}[kind]
    assert ticks(moved(tapes(faults=[{"kind": kind, "at_s": 0.3}]), column) > 0.0) == (300, 301)
    assert ticks(moved(tapes(faults=[{"kind": kind, "at_s": 0.3, "until_s": 0.4}]), column) > 0.0) == (300, 400)


def test_a_fault_between_two_ticks_begins_at_the_next() -> None:
    """A fault's window on a coarse clock holds the ticks that lie in it."""
    drawn = tapes(control_hz=100, faults=[{"kind": "sensor_open", "at_s": 0.3001, "until_s": 0.3301}])
    assert ticks(sense(drawn, "hall_fault") > 0.0) == (31, 34)


def test_a_fault_that_no_tick_sees_is_refused() -> None:
    """A window that falls between two ticks would be tried by nobody, and is refused."""
    with pytest.raises(ValueError, match=r"a control tick between at_s and until_s; one is 0\.001 s"):
        entry(faults=[{"kind": "sensor_open", "at_s": 0.3001, "until_s": 0.3009}])


@given(st.integers(0, 999_000), st.integers(1, 1_000_000), st.sampled_from([250, 1000, 3003, 20_000]))
def test_a_window_holds_exactly_the_ticks_between_its_ends(at_us: int, length_us: int, tick_us: int) -> None:
    """Whatever the times and the tick, a fault is present at the ticks from at_s to before until_s."""
    until_us = at_us + length_us
    inside = [tick for tick in range(len(range(0, 1_000_000, tick_us))) if at_us <= tick * tick_us < until_us]
    fault = {"kind": "left_esc_dead", "at_s": at_us / 1e6, "until_s": until_us / 1e6}
    try:
        scenario = entry(control_hz=1e6 / tick_us, water={"kind": "air"}, faults=[fault])
    except ValueError:
        # Refused where no tick of the run would see it.
        assert not inside
        return
    assert inside
    assert (to_us(fault["at_s"]), to_us(fault["until_s"]), scenario.tick_us) == (at_us, until_us, tick_us)
    drawn = draw(scenario, VEHICLE, water_of(scenario))
    assert np.flatnonzero(moved(drawn, "left_alive") == 0.0).tolist() == inside


def test_the_lever_moves_no_faster_than_hand_and_spring() -> None:
    """A full pull takes push_s, the spring's return return_s, both to the tick."""
    steps = [{"at_s": 0.1, "lever_frac": 1.0}, {"at_s": 0.5, "lever_frac": 0.0}]
    drawn = tapes(rider=steps)
    lever = drawn.rider["lever_frac"]
    assert ticks(drawn.rider["hand_frac"] == 1.0) == (100, 500)
    # 150 ms of push and 120 ms of return, the first tick of each already moving.
    assert ticks(lever > 1.0 - 1e-9)[0] == 249
    assert np.flatnonzero(lever > 1e-9)[-1] == 500 + 118


def test_a_stuck_lever_stays_where_it_was_and_then_follows_again() -> None:
    """Stuck on its way up the lever stays there, whatever the hand does, until it is free."""
    steps = [{"at_s": 0.1, "lever_frac": 1.0}, {"at_s": 0.3, "lever_frac": 0.0}]
    lever = tapes(rider=steps, faults=[{"kind": "lever_stuck", "at_s": 0.2, "until_s": 0.6}]).rider["lever_frac"]
    assert set(lever[199:600]) == {lever[199]}
    assert 0.5 < lever[199] < 0.9
    assert lever[600] < lever[599]


def test_a_lever_may_stick_twice() -> None:
    """Each of two faults holds the lever in its own window."""
    steps = [{"at_s": 0.1, "lever_frac": 1.0}, {"at_s": 0.5, "lever_frac": 0.0}]
    stuck = [{"kind": "lever_stuck", "at_s": t, "until_s": t + 0.1} for t in (0.15, 0.55)]
    lever = tapes(rider=steps, faults=stuck).rider["lever_frac"]
    assert set(lever[149:250]) == {lever[149]}
    assert set(lever[549:650]) == {lever[549]}
    assert lever[149] < lever[400] == 1.0


def test_a_lever_stuck_from_the_start_stays_at_rest() -> None:
    """A lever that sticks before the first tick never leaves rest."""
    drawn = tapes(rider=[{"at_s": 0.1, "lever_frac": 1.0}], faults=[{"kind": "lever_stuck", "at_s": 0.0}])
    assert not drawn.rider["lever_frac"].any()


def test_a_quantity_keeps_its_value_until_the_rider_changes_it() -> None:
    """Each rider column changes at its own steps alone, from its tick on; the cord starts in place."""
    steps = [
        {"at_s": 0.2, "deadman": True, "lever_frac": 0.4},
        {"at_s": 0.5, "kill_cord": False},
        {"at_s": 0.6, "deadman": False},
    ]
    rider = tapes(rider=steps).rider
    assert ticks(rider["deadman_pressed"] > 0.5) == (200, 600)
    assert ticks(rider["hand_frac"] == 0.4) == (200, 1000)
    assert ticks(rider["cord_seated"] > 0.5) == (0, 500)
    assert not rider["mode_pressed"].any()


def test_a_step_before_the_first_tick_holds_from_the_first_tick() -> None:
    """What the rider does at 0 s is there on the first row, without a bounce."""
    drawn = tapes(rider=[{"at_s": 0.0, "deadman": True}])
    assert drawn.rider["deadman_pressed"].all()
    assert sense(drawn, "deadman_closed").all()


@pytest.mark.parametrize("seed", range(5))
def test_bounce_stays_within_its_longest_time(seed: int) -> None:
    """The metal differs from the finger only within the longest bounce after an edge."""
    drawn = tapes(rider=PRESSES, seed=seed)
    off = np.flatnonzero(sense(drawn, "deadman_closed") != drawn.rider["deadman_pressed"])
    longest = int(VEHICLE.deadman.bounce_us_max / 1000.0) + 1
    assert all(min(abs(tick - edge) for edge in (100, 500)) <= longest for tick in off)
    assert all(tick >= 100 for tick in off)


def test_contacts_bounce_at_all() -> None:
    """Over some seeds the metal opens again after the finger has closed it."""
    closed = [sense(tapes(rider=PRESSES, seed=seed), "deadman_closed") for seed in range(10)]
    assert any((np.diff(each[100:110]) < 0.0).any() for each in closed)


@pytest.mark.parametrize("name", CONTACTS)
def test_a_welded_contact_is_closed_and_an_open_one_open(name: str) -> None:
    """Welded metal touches whatever the finger does, open metal never does; both in the window alone."""
    for kind, closed in (("welded", True), ("open", False)):
        drawn = tapes(rider=PRESSES, faults=[{"kind": f"{name}_{kind}", "at_s": 0.2, "until_s": 0.8}])
        assert (sense(drawn, CONTACTS[name])[200:800] == closed).all()
        assert np.array_equal(sense(drawn, CONTACTS[name])[:200], sense(tapes(rider=PRESSES), CONTACTS[name])[:200])


def test_an_intermittent_contact_opens_and_closes_while_it_is_pressed() -> None:
    """An intermittent contact opens again and again in its window, and never closes by itself."""
    fault = [{"kind": "deadman_intermittent", "at_s": 0.15, "until_s": 0.45}]
    closed = sense(tapes(rider=PRESSES, faults=fault), "deadman_closed")
    assert 4 <= np.abs(np.diff(closed[150:450])).sum() <= 30
    assert not closed[510:].any()


@pytest.mark.parametrize("name", ["deadman_leak_siemens", "button_leak_siemens", "cord_leak_siemens"])
def test_nothing_leaks_in_air(name: str) -> None:
    """Air conducts nothing across any contact."""
    assert not sense(tapes(water={"kind": "air"}), name).any()


@pytest.mark.parametrize("kind", ["lake", "pool", "sea"])
def test_a_leak_never_exceeds_the_fully_wetted_contact(kind: str) -> None:
    """The leak lies between none and two electrodes fully in the water, and reaches a good part of it."""
    scenario = entry(water={"kind": kind})
    full = leak_conductance_siemens(water_of(scenario).conductivity_s_m, VEHICLE.mode_button.electrode_radius_m)
    leak = sense(tapes(water={"kind": kind}), "button_leak_siemens")
    assert leak.min() >= 0.0
    assert 0.3 * full < leak.max() <= full


def test_the_leak_follows_the_conductivity_alone() -> None:
    """The same film in water that conducts three times as well leaks three times as much."""
    water = {"kind": "given", "conductivity_s_m": 0.1, "density_kg_m3": 1000.0}
    one = sense(tapes(water=water), "button_leak_siemens")
    three = sense(tapes(water=water | {"conductivity_s_m": 0.3}), "button_leak_siemens")
    assert three == pytest.approx(3.0 * one, rel=1e-12)


def test_a_flooded_sense_contact_conducts_like_metal() -> None:
    """The flooded kill-cord sense has its conductance on top of the leak, in its window."""
    drawn = tapes(faults=[{"kind": "cord_sense_flooded", "at_s": 0.3, "until_s": 0.6}])
    added = sense(drawn, "cord_leak_siemens") - sense(tapes(), "cord_leak_siemens")
    assert added[300:600] == pytest.approx(FLOODED_SIEMENS)
    assert not added[:300].any()
    assert not added[600:].any()


def test_lost_samples_are_lost_at_the_given_rate_and_in_the_window() -> None:
    """A fraction of 0.3 loses about three samples of ten, and none outside."""
    lost = sense(tapes(faults=[{"kind": "sensor_dropped", "at_s": 0.2, "until_s": 0.8, "amount": 0.3}]), "hall_lost")
    assert not lost[:200].any()
    assert not lost[800:].any()
    # Four standard deviations of a binomial of 600.
    assert abs(lost[200:800].mean() - 0.3) < 4.0 * (0.3 * 0.7 / 600) ** 0.5


def test_noise_adds_by_squares_in_its_window() -> None:
    """A noise burst of 40 mV rms on 5 mV makes 40.3 mV rms in its window."""
    noise = sense(
        tapes(faults=[{"kind": "sensor_noise", "at_s": 0.0, "until_s": 0.5, "amount": 0.04}], seed=4), "hall_noise_v"
    )
    assert noise[:500].std() == pytest.approx(0.0403, rel=0.1)
    assert noise[500:].std() < 0.02


def test_one_seed_is_one_tape() -> None:
    """The same file and seed give the same tapes bit for bit; another seed gives others."""
    one, same, other = (tapes(rider=PRESSES, seed=seed) for seed in (3, 3, 4))
    assert np.array_equal(one.senses, same.senses)
    assert np.array_equal(one.machine, same.machine)
    for name in ("hall_noise_v", "button_leak_siemens", "bus_noise_v", "deadman_leak_siemens"):
        assert not np.array_equal(sense(one, name), sense(other, name))


@pytest.mark.parametrize("kind", ["sensor_open", "deadman_intermittent", "lever_stuck", "chip_reset"])
def test_a_fault_changes_nothing_that_chance_draws_elsewhere(kind: str) -> None:
    """Adding a fault leaves noise, leaks and the other contact's bounce as they were."""
    sound, broken = tapes(rider=PRESSES), tapes(rider=PRESSES, faults=[{"kind": kind, "at_s": 0.3}])
    for name in ("hall_noise_v", "button_leak_siemens", "deadman_leak_siemens", "button_closed", "bus_noise_v"):
        assert np.array_equal(sense(sound, name), sense(broken, name))


def test_contacts_draw_their_own_chance() -> None:
    """Two contacts alike in everything still have different water across them."""
    drawn = tapes()
    assert not np.array_equal(sense(drawn, "deadman_leak_siemens") * 2.0, sense(drawn, "button_leak_siemens"))


def test_losing_a_magnet_changes_the_field_in_its_window() -> None:
    """With one magnet gone the sensor sees another field, from that tick on."""
    field = sense(tapes(faults=[{"kind": "magnet_lost", "at_s": 0.3}]), "magnets_tesla")
    assert np.array_equal(field[:300], sense(tapes(), "magnets_tesla")[:300])
    assert (field[300:] != field[0]).all()


def test_every_number_of_a_tape_is_finite() -> None:
    """No fault, water or rider puts a NaN or an infinity on the tapes."""
    everything = [
        {"kind": kind, "at_s": 0.2, "until_s": 0.9}
        | ({"amount": 1.0} if kind.endswith(("drift", "noise", "dropped", "corroded", "fouled")) else {})
        for kind in (
            "sensor_drift",
            "sensor_noise",
            "sensor_dropped",
            "joint_corroded",
            "left_fouled",
            "magnet_lost",
            "lever_stuck",
            "chip_reset",
        )
    ]
    drawn = tapes(rider=PRESSES, faults=everything, water={"kind": "sea"})
    assert np.isfinite(drawn.senses).all()
    assert np.isfinite(drawn.machine).all()


RECORDED = np.array([0.01, -0.02, 0.03, 0.0, -0.05, 0.002, 0.07])


def recorded(folder: Path, column: str, values: np.ndarray, every_us: int = 1000, **changes: Any) -> Tapes:
    """The tapes of a second whose noise or leak comes from a recording."""
    write_csv(Table(every_us * np.arange(len(values)), {column: values}), folder / "was.csv")
    scenario = located(entry(as_recorded={column: "was.csv"}, **changes), folder)
    return draw(scenario, VEHICLE, water_of(scenario))


@pytest.mark.parametrize(
    ("column", "shown"),
    [
        ("hall_noise_v", "hall_noise_v"),
        ("deadman_leak_siemens", "deadman_leak_siemens"),
        ("button_leak_siemens", "button_leak_siemens"),
    ],
)
def test_what_was_recorded_comes_again_and_again(tmp_path: Path, column: str, shown: str) -> None:
    """At the recording's own rate the tape is the recording, begun somewhere in it and repeated without a seam."""
    values = np.abs(RECORDED) if column.endswith("_siemens") else RECORDED
    tape = sense(recorded(tmp_path, column, values), shown)
    shifts = [np.resize(np.roll(values, -shift), len(tape)) for shift in range(len(values))]
    assert sum(np.array_equal(tape, shifted) for shifted in shifts) == 1


def test_another_seed_begins_elsewhere_in_a_recording(tmp_path: Path) -> None:
    """Over many seeds a run begins at every row of the recording."""
    first = {sense(recorded(tmp_path, "hall_noise_v", RECORDED, seed=seed), "hall_noise_v")[0] for seed in range(60)}
    assert first == set(RECORDED)


def test_a_recording_is_held_from_row_to_row(tmp_path: Path) -> None:
    """A recording of 5 ms rows shows each row for five ticks of 1 ms, and nothing between two rows."""
    tape = sense(recorded(tmp_path, "hall_noise_v", RECORDED, every_us=5000), "hall_noise_v")
    runs = np.diff(np.flatnonzero(np.diff(tape)))
    assert set(tape) == set(RECORDED)
    assert set(runs) == {5}


def test_a_recording_takes_the_place_of_the_files_noise_and_spikes(tmp_path: Path) -> None:
    """With a recording of zeros nothing is left of the vehicle file's noise, and other tapes stay as they were."""
    silent, drawn = recorded(tmp_path, "hall_noise_v", np.zeros(3)), tapes()
    assert not sense(silent, "hall_noise_v").any()
    others = [name for name in senses.Tape._fields if name != "hall_noise_v"]
    assert all(np.array_equal(sense(silent, name), sense(drawn, name)) for name in others)


def test_a_fault_adds_noise_to_a_recording(tmp_path: Path) -> None:
    """The fault sensor_noise of 0.5 V rms is there in its window on top of a silent recording, and not outside."""
    faults = [{"kind": "sensor_noise", "at_s": 0.2, "until_s": 0.8, "amount": 0.5}]
    tape = sense(recorded(tmp_path, "hall_noise_v", np.zeros(3), faults=faults), "hall_noise_v")
    assert tape[200:800].std() == pytest.approx(0.5, rel=0.1)
    assert not tape[:200].any()
    assert not tape[800:].any()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("t_us,other\n0,1\n1000,2\n", "a column of this name"),
        ("t_us,button_leak_siemens\n0,1e-5\n1000,-1e-5\n", "conductances of 0 or more"),
        ("t_us,button_leak_siemens\n0,1e-5\n1000,\n2000,1e-5\n", "nothing has to be mended"),
        ("t_us,button_leak_siemens\n0,1e-5\n", "two rows or more"),
    ],
)
def test_a_recording_that_cannot_be_used_is_refused(tmp_path: Path, text: str, expected: str) -> None:
    """Another column, a negative conductance, a hole and a single row are each one fault of the recording."""
    (tmp_path / "was.csv").write_text(text)
    with pytest.raises(InputError, match=expected):
        located(entry(as_recorded={"button_leak_siemens": "was.csv"}), tmp_path)


def test_a_recording_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """A path to nothing is a fault that names it."""
    with pytest.raises(InputError, match=r"nowhere\.csv: expected a recording"):
        located(entry(as_recorded={"hall_noise_v": "nowhere.csv"}), tmp_path)
