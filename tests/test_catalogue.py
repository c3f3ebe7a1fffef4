"""The catalogue: each entry passes, fails and is undecided where it should, on hand-made tables and on real runs."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import flawed_controller as flawed
import pytest
from catalogue_dives import AWAKE, FAILS, IDLE, LIMITS, PASSES, UNTRIED, Change, dive
from conftest import moorhen_bench

from sim.base.errors import InputError
from sim.bench.run import Run, simulate
from sim.bench.vehicle import LIMITS as VEHICLE_LIMITS
from sim.jobs.case import SIGNALS
from sim.record.table import Table
from sim.verdict.catalogue import load_catalogue, tables
from sim.verdict.requirement import Verdict, faults_of, judge
from sim.verdict.units import unit_of

ROOT = Path(__file__).parents[1]
IDS = [item.id for item in load_catalogue().items]
# All the names of a vehicle's limits, with values that do not matter where nothing is judged.
NAMED = dict.fromkeys(VEHICLE_LIMITS, 1.0)


def verdicts(
    table: Table, limits: Mapping[str, float], ids: list[str], overrides: Mapping[str, float] | None = None
) -> dict[str, Verdict]:
    """The verdicts on some entries, by id."""
    requirements, known = load_catalogue().requirements(table.names, limits, ids, overrides=overrides)
    return {requirement.id: judge(requirement, table, known) for requirement in requirements}


@pytest.mark.parametrize(("name", "changes"), PASSES)
def test_an_entry_passes(name: str, changes: dict[str, Change]) -> None:
    """A recording that does what the entry asks for, some of them only just, passes."""
    assert verdicts(dive(changes), LIMITS, [name])[name].verdict == "pass"


@pytest.mark.parametrize(("name", "changes"), FAILS)
def test_an_entry_fails(name: str, changes: dict[str, Change]) -> None:
    """A recording that does what the entry forbids fails."""
    assert verdicts(dive(changes), LIMITS, [name])[name].verdict == "fail"


@pytest.mark.parametrize("name", IDS)
def test_an_entry_that_was_never_tried_is_undecided(name: str) -> None:
    """A recording in which nothing happens proves nothing, and the verdict says that it was never tried."""
    found = verdicts(dive(UNTRIED.get(name, {}), IDLE), LIMITS, [name])[name]
    assert (found.verdict, found.why.split(":")[0]) == ("undecided", "never tried")


def test_every_entry_has_a_dive_that_passes_and_one_that_fails() -> None:
    """No entry of the catalogue is left out of the two lists above."""
    assert {name for name, _ in PASSES} == {name for name, _ in FAILS} == set(IDS)


def clicks(start_s: float) -> list[dict[str, Any]]:
    """Three short presses of the dead-man."""
    edges = [(0.0, True), (0.18, False), (0.42, True), (0.6, False), (0.84, True), (1.02, False)]
    return [{"at_s": start_s + after_s, "deadman": pressed} for after_s, pressed in edges]


PRESSED = {"at_s": 3.0, "deadman": True}
PULLED = {"at_s": 3.5, "lever_frac": 1.0}
HALF = {"at_s": 3.5, "lever_frac": 0.5}


def fault(kind: str, at_s: float, **more: float) -> dict[str, Any]:
    """One fault of a scenario, as its list."""
    return {"faults": [{"kind": kind, "at_s": at_s, **more}]}


SCENARIOS: dict[str, dict[str, Any]] = {
    "one step up, then off and on again under the lever": {
        "rider": [
            *clicks(3.2),
            {"at_s": 5.4, "deadman": True},
            {"at_s": 6.5, "lever_frac": 1.0},
            {"at_s": 8.6, "deadman": False},
            {"at_s": 9.6, "deadman": True},
        ],
        "duration_s": 10.5,
    },
    "kill cord": {
        "rider": [PRESSED, PULLED, {"at_s": 5, "kill_cord": False}, {"at_s": 6, "kill_cord": True}],
        "duration_s": 9,
    },
    "reset": {"rider": [PRESSED, PULLED], "duration_s": 8, **fault("chip_reset", 5.0)},
    "sensor open": {"rider": [PRESSED, PULLED], "duration_s": 6, **fault("sensor_open", 5.0)},
    "sensor shorted to its supply": {"rider": [PRESSED, HALF], "duration_s": 6.5, **fault("sensor_short_high", 5.0)},
    "sensor frozen": {"rider": [PRESSED, HALF], "duration_s": 6.5, **fault("sensor_dropped", 4.5, amount=1.0)},
    "sensor drifts": {
        "rider": [PRESSED, {"at_s": 3.5, "lever_frac": 0.3}, {"at_s": 5.5, "lever_frac": 0.0}],
        "duration_s": 8,
        **fault("sensor_drift", 4.5, amount=0.22),
    },
    "lever stuck": {
        "rider": [PRESSED, PULLED, {"at_s": 5, "lever_frac": 0.0}, {"at_s": 6, "deadman": False}],
        "duration_s": 7,
        **fault("lever_stuck", 4.5),
    },
    "wet contacts": {"water": {"kind": "pool"}, "rider": clicks(3.2), "duration_s": 9},
    "lever in small steps": {
        "rider": [PRESSED, *({"at_s": 3.5 + 0.5 * n, "lever_frac": 0.3 + 0.05 * n} for n in range(8))],
        "duration_s": 7.5,
    },
    "thruster lost": {"rider": [PRESSED, PULLED], "duration_s": 7.5, **fault("left_esc_dead", 5.0)},
    "signal lost": {"rider": [PRESSED, PULLED], "duration_s": 9, **fault("left_signal_lost", 4.5)},
    "a joint that opens and holds again": {
        "rider": [PRESSED, PULLED],
        "duration_s": 11,
        **fault("joint_corroded", 5.5, until_s=7.0, amount=0.12),
    },
    "tired pack": {
        "rider": [PRESSED, PULLED],
        "duration_s": 5,
        "pack": {
            "charge_frac": 0.35,
            "temperature_degc": 6,
            "resistance_growth_frac": 0.4,
            "capacity_loss_frac": 0.15,
        },
    },
}
OVERRIDES: dict[str, dict[str, float]] = {
    "sensor frozen": {"sensor_frozen_s": 0.5},
    "a joint that opens and holds again": {"recover_s": 3.0},
}
FULL_POWER = dict.fromkeys(("cap_1_permille", "cap_2_permille", "cap_3_permille", "cap_4_permille"), 920)
SETS: dict[tuple[str, str], dict[str, int]] = {
    ("sensor frozen", "reference"): {"sensor_frozen_ms": 300},
    ("a joint that opens and holds again", "reference"): {**FULL_POWER, "guard_up_ms": 2000},
    ("tired pack", "reference"): FULL_POWER,
    ("tired pack", "first_draft"): {"cap_1_permille": 1000},
}


@cache
def ridden(scenario: str, controller: str) -> Run:
    """One scenario under one controller."""
    params_set = SETS.get((scenario, controller), {})
    return simulate(moorhen_bench(**SCENARIOS[scenario], controller=controller, params_set=params_set))


REFERENCE: dict[str, list[str]] = {
    "one step up, then off and on again under the lever": [
        "start-needs-lever-at-rest",
        "no-restart-with-lever-pulled",
        "no-drive-without-deadman",
        "starts-at-gentlest-step",
        "deadman-stops-pulses",
        "deadman-stops-motors",
        "step-only-by-gesture",
        "step-rises-only-at-rest",
        "no-creep",
        "response-is-monotonic",
        "thrusters-asked-alike",
        "pulses-never-cease",
        "display-shows-step",
    ],
    "kill cord": ["kill-cord-stops-pulses", "kill-cord-opens-switch", "kill-cord-latches", "bus-above-esc-cut"],
    "reset": ["reset-does-not-restart", "starts-at-gentlest-step", "pulses-never-cease"],
    "sensor open": ["sensor-low-stops-drive", "lever-is-not-overread"],
    "sensor shorted to its supply": ["sensor-high-stops-drive", "lever-is-not-overread"],
    "sensor frozen": ["sensor-frozen-stops-drive"],
    "sensor drifts": ["lever-is-not-overread", "no-creep"],
    "lever stuck": ["stuck-lever-yields-to-deadman"],
    "wet contacts": [
        "button-leak-changes-no-step",
        "button-line-keeps-room",
        "deadman-leak-is-no-press",
        "step-only-by-gesture",
    ],
    "lever in small steps": ["lever-is-resolved", "response-is-monotonic"],
    "thruster lost": ["lost-thruster-stops-both", "yaw-is-brief"],
    "signal lost": ["lost-signal-stops-motor"],
    "a joint that opens and holds again": ["foldback-does-not-hunt", "foldback-recovers"],
    "tired pack": [
        "bus-above-esc-cut",
        "rail-above-brown-out",
        "weakest-cell-above-trip",
        "pack-current-below-trip",
        "drive-is-not-cut",
        "ramp-is-limited",
        "thrust-comes-gently",
        "foldback-does-not-hunt",
    ],
}
"""What the reference controller is tried for, and passes, in each scenario."""


@pytest.mark.parametrize("scenario", REFERENCE)
def test_the_reference_passes_what_a_run_tries(scenario: str) -> None:
    """In a run that tries them, each of these entries passes for the reference controller."""
    run = ridden(scenario, "reference")
    found = verdicts(run.table, run.limits, REFERENCE[scenario], OVERRIDES.get(scenario))
    assert {name: each.why for name, each in found.items() if each.verdict != "pass"} == {}


def test_the_runs_try_every_entry() -> None:
    """The reference's runs together try all that there is."""
    assert {name for ids in REFERENCE.values() for name in ids} == set(IDS)


FIRST_DRAFT: dict[str, list[str]] = {
    "one step up, then off and on again under the lever": [
        "start-needs-lever-at-rest",
        "ramp-is-limited",
        "thrust-comes-gently",
    ],
    "kill cord": ["kill-cord-latches", "no-restart-with-lever-pulled"],
    "reset": ["reset-does-not-restart"],
    "sensor shorted to its supply": ["sensor-high-stops-drive", "lever-is-not-overread"],
    "sensor frozen": ["sensor-frozen-stops-drive"],
    "sensor drifts": ["no-creep"],
    "wet contacts": ["button-leak-changes-no-step", "step-only-by-gesture"],
    "thruster lost": ["lost-thruster-stops-both", "yaw-is-brief"],
    "tired pack": ["bus-above-esc-cut", "weakest-cell-above-trip", "drive-is-not-cut"],
}
"""What the first draft fails at, in the same scenarios."""


@pytest.mark.parametrize("scenario", FIRST_DRAFT)
def test_the_first_draft_fails_where_it_is_naive(scenario: str) -> None:
    """In the same runs the first draft fails these entries, each by something that it was not built to do."""
    run = ridden(scenario, "first_draft")
    found = verdicts(run.table, run.limits, FIRST_DRAFT[scenario], OVERRIDES.get(scenario))
    assert {name: each.why for name, each in found.items() if each.verdict != "fail"} == {}


LET_GO = {"rider": [PRESSED, PULLED, {"at_s": 5, "deadman": False}], "duration_s": 6}
FOLDS = SCENARIOS["a joint that opens and holds again"] | fault("joint_corroded", 5.5, until_s=7.0, amount=0.1)
FLAWS: list[tuple[str, int, dict[str, Any]]] = [
    ("thrusters-asked-alike", flawed.UNEVEN, LET_GO),
    ("pulses-never-cease", flawed.SILENT, LET_GO),
    ("display-shows-step", flawed.MISCOUNTS, LET_GO),
    ("starts-at-gentlest-step", flawed.STARTS_HIGH, LET_GO),
    ("deadman-stops-pulses", flawed.SLOW, LET_GO),
    ("deadman-stops-motors", flawed.SLOW, LET_GO),
    ("no-drive-without-deadman", flawed.SLOW, LET_GO),
    ("lever-is-resolved", flawed.COARSE, SCENARIOS["lever in small steps"]),
    ("sensor-low-stops-drive", flawed.TRUSTS, SCENARIOS["sensor open"]),
    ("foldback-does-not-hunt", flawed.HUNTS, FOLDS),
    ("foldback-recovers", flawed.STAYS_DOWN, FOLDS),
]


@cache
def flawed_run(flaw: int, number: int) -> Run:
    """The scenario of one row of `FLAWS` under the flawed controller."""
    params_set = {"flaw": flaw, "low_mv": 48_000}
    return simulate(moorhen_bench(**FLAWS[number][2], controller=flawed.__file__, params_set=params_set))


@pytest.mark.parametrize("number", range(len(FLAWS)), ids=[name for name, _, _ in FLAWS])
@pytest.mark.parametrize("broken", [False, True], ids=["sound", "flawed"])
def test_one_flaw_makes_the_difference(broken: bool, number: int) -> None:
    """The same throttle in the same scenario passes without its flaw and fails with it."""
    name, flaw, scenario = FLAWS[number]
    # The first row with the same scenario shares its run.
    first = next(index for index, row in enumerate(FLAWS) if row[2] is scenario)
    run = flawed_run(flaw if broken else 0, first)
    found = verdicts(run.table, run.limits, [name], {"recover_s": 3.0, "foldback_room_v": 7.0})[name]
    assert found.verdict == ("fail" if broken else "pass"), found.why


def test_the_flawed_throttle_has_a_flaw_of_each_kind_tried() -> None:
    """No flaw of the controller is left untried."""
    known = {value for key, value in vars(flawed).items() if key.isupper() and key not in ("RELEASED", "BUS_LOW")}
    assert {flaw for _, flaw, _ in FLAWS} == known


def test_every_entry_applies_to_a_run() -> None:
    """A run has every column, and a vehicle every limit, that any entry names."""
    assert [item.id for item in load_catalogue().applicable(SIGNALS, NAMED)] == IDS


def test_every_entry_is_a_requirement_without_fault() -> None:
    """Names, units and durations of each entry are sound with the columns of a run and a vehicle's limits."""
    requirements, limits = load_catalogue().requirements(SIGNALS, NAMED)
    assert [str(fault) for each in requirements for fault in faults_of(each, SIGNALS, limits)] == []


def test_an_entry_applies_only_with_all_that_it_names() -> None:
    """Without a column or limit, exactly the entries that name it are left out."""
    catalogue = load_catalogue()
    apply = catalogue.applicable([name for name in SIGNALS if name != "yaw_moment_nm"], NAMED)
    assert [name for name in IDS if name not in {item.id for item in apply}] == ["yaw-is-brief"]
    apply = catalogue.applicable(SIGNALS, [name for name in NAMED if name != "brown_out_v"])
    assert [name for name in IDS if name not in {item.id for item in apply}] == ["rail-above-brown-out"]


def test_limits_of_the_catalogue_are_called_unlike_all_else() -> None:
    """No limit of the catalogue has the name of a column or of a vehicle's limit, which it would hide."""
    assert set(load_catalogue().limits).isdisjoint({*SIGNALS, *VEHICLE_LIMITS})


def test_limits_say_their_unit() -> None:
    """Each limit's name ends in a unit, but for the one that is a count."""
    assert [name for name in load_catalogue().limits if unit_of(name) is None] == ["hunting_turns_max"]


def test_the_limits_of_what_was_taken_are_added() -> None:
    """The limits that come back are the vehicle's, and those of the requirements taken, with their defaults."""
    _, limits = load_catalogue().requirements(SIGNALS, NAMED, ["bus-above-esc-cut", "kill-cord-latches"])
    assert limits == {**NAMED, "bus_margin_v": 0.5}


def test_an_overridden_limit_is_judged_by_and_told() -> None:
    """Another value of a limit moves the margin, and the sentence has it."""
    table = dive({"pulse_us": [(3, 9, 1400)], "bus_v": [(3, 9, 43)]})
    (requirement,), limits = load_catalogue().requirements(
        table.names, LIMITS, ["bus-above-esc-cut"], overrides={"bus_margin_v": 2.0}
    )
    assert requirement.says == "While driving, the bus keeps 2 V above the ESCs' undervoltage cut-off."
    assert judge(requirement, table, limits).margin == pytest.approx(-1.0)


def test_all_means_all_that_apply_but_those_left_out() -> None:
    """All takes what applies, in the order of the catalogue, without those named."""
    requirements, _ = load_catalogue().requirements(SIGNALS, NAMED, without=["no-creep", "yaw-is-brief"])
    assert [each.id for each in requirements] == [name for name in IDS if name not in ("no-creep", "yaw-is-brief")]


def test_chosen_entries_come_in_the_order_of_the_catalogue() -> None:
    """However they are named, and however often, each comes once and in its place."""
    chosen = ["no-creep", "deadman-stops-pulses", "no-creep"]
    requirements, _ = load_catalogue().requirements(SIGNALS, NAMED, chosen)
    assert [each.id for each in requirements] == ["deadman-stops-pulses", "no-creep"]


@pytest.mark.parametrize(
    ("asked", "fault"),
    [
        (
            {"chosen": ["no-crep"]},
            "standard.take[0]: expected an entry of the catalogue (did you mean no-creep?); got 'no-crep'",
        ),
        (
            {"without": ["no-creep", "yaw-is-breif"]},
            "standard.without[1]: expected an entry of the catalogue (did you mean yaw-is-brief?); got 'yaw-is-breif'",
        ),
        (
            {"overrides": {"bus_margin": 1.0}},
            "standard.limits.bus_margin: expected a limit of the catalogue (did you mean bus_margin_v?); "
            "got unknown key bus_margin",
        ),
        ({"overrides": {"yaw_s": float("nan")}}, "standard.limits.yaw_s: expected a finite number; got nan"),
    ],
)
def test_what_the_catalogue_does_not_have_is_a_fault(asked: dict[str, Any], fault: str) -> None:
    """An unknown id or limit is told with its place and the nearest known one, a value that is none likewise."""
    with pytest.raises(InputError) as raised:
        load_catalogue().requirements(SIGNALS, NAMED, **asked)
    assert [str(each) for each in raised.value.faults] == [fault]


def test_faults_come_together() -> None:
    """All that is wrong with what is asked for is told at once."""
    with pytest.raises(InputError) as raised:
        load_catalogue().requirements(SIGNALS, NAMED, ["x"], ["y"], {"z": 1.0})
    assert {each.key for each in raised.value.faults} == {
        "standard.take[0]",
        "standard.without[0]",
        "standard.limits.z",
    }


def test_an_entry_asked_for_by_name_must_apply() -> None:
    """What all would pass over is a fault when it is asked for: the fault says what the recording lacks."""
    with pytest.raises(InputError) as raised:
        load_catalogue().requirements(["bus_v"], LIMITS, ["thrusters-asked-alike"])
    expected = "standard.take[0]: expected an entry that names nothing but what is there; got "
    assert str(raised.value) == expected + "left_pulse_us, right_pulse_us"


BROKEN: list[tuple[str, str, str]] = [
    ("{low}", "{lo}", "6:14: entries[0].formula: expected a word (did you mean low?); got {lo}"),
    ("[law]", "[lawn]", "7:13: entries[0].basis[0]: expected one of the sources (did you mean law?); got 'lawn'"),
    ("{room_v}", "{rom_v}", "5:11: entries[0].says: expected a limit of the claim (did you mean room_v?); got {rom_v}"),
    ("bus_v < cut_v", "bus_v < {cut}", "1:14: words.low: expected a word written before; got {cut}"),
    ("always(", "allways(", "6:14: entries[0].formula: expected one of always, "),
    ("basis:", "base:", "4:5: entries[0].requirement.base: expected one of the keys after, "),
    ("cut_v + room_v", "cut_v", "2:18: limits.room_v: expected a limit that an entry uses; got room_v"),
]


@pytest.mark.parametrize(("sound", "broken", "fault"), BROKEN)
def test_a_broken_catalogue_is_refused_at_its_line(tmp_path: Path, sound: str, broken: str, fault: str) -> None:
    """A word, source, limit, formula or key that does not exist is a fault, and so is a limit that nothing uses."""
    text = """\
words: {low: "bus_v < cut_v + room_v"}
limits: {room_v: {default: 1, says: room}}
entries:
  - id: bus
    says: The bus keeps {room_v} V.
    formula: always(not {low})
    basis: [law]
    topic: power
sources: {law: {name: A law, says: It is one., checked: not}}
"""
    path = tmp_path / "sound.yaml"
    path.write_text(text)
    assert [item.needs for item in load_catalogue(path).items] == [("bus_v", "cut_v")]
    path = tmp_path / "broken.yaml"
    path.write_text(text.replace(sound, broken))
    with pytest.raises(InputError) as raised:
        load_catalogue(path)
    assert any(str(found).startswith(f"{path}:{fault}") for found in raised.value.faults), str(raised.value)


def test_an_id_given_twice_is_refused(tmp_path: Path) -> None:
    """Two entries of one name could not be told apart in a report."""
    entry = "  - {id: bus, topic: power, says: It keeps up., formula: always(bus_v > 1)}\n"
    path = tmp_path / "twice.yaml"
    path.write_text("entries:\n" + entry + entry)
    with pytest.raises(InputError, match=r"twice.yaml:3:10: entries\[1\].id: expected each id once; got bus"):
        load_catalogue(path)


def test_the_document_has_the_whole_catalogue() -> None:
    """The tables in docs/catalogue.md are those of the file; `sim.verdict.catalogue.tables` writes them."""
    _, written = (ROOT / "docs" / "catalogue.md").read_text(encoding="utf-8").split("## Entries\n\n")
    assert written == tables(load_catalogue()) + "\n"


def test_the_awake_dive_is_a_whole_run() -> None:
    """The hand-made tables have every column that any entry names, so that none passes for lack of one."""
    needed = {name for item in load_catalogue().items for name in item.needs}
    assert needed <= {*AWAKE, "hall_counts", *LIMITS}
