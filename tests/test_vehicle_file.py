"""The vehicle file: every key of the demo vehicle broken in turn, and the relations between keys."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from file_cases import MOORHEN, faults

from sim.base.document import checked, composed
from sim.base.errors import InputError
from sim.bench.vehicle import LIMITS, Vehicle, load_vehicle, quantities

FILE = MOORHEN / "moorhen.yaml"
TEXT = FILE.read_text(encoding="utf-8")
DATA, MARKS, _ = composed(FILE, "a vehicle file")
VEHICLE = load_vehicle(FILE)


def leaves(data: Any, place: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """The places of all keys that hold a plain text."""
    if isinstance(data, dict):
        return [leaf for key, value in data.items() for leaf in leaves(value, (*place, key))]
    return [place] if isinstance(data, str) else []


PLACES = leaves(DATA)
NUMBERS = [place for place in PLACES if ".".join(place) in quantities(VEHICLE)]


def with_value(place: tuple[str, ...], value: object) -> list[str]:
    """What is said of the demo vehicle with one key holding something else, or (...) left out."""
    data = _copy(DATA)
    marks = MARKS
    part = data
    for key in place[:-1]:
        part = part[key]
    part[place[-1]] = value
    if value is ...:
        del part[place[-1]]
        marks = {other: at for other, at in MARKS.items() if other[: len(place)] != place}
    return faults(lambda: checked(Path("v.yaml"), data, marks, Vehicle), Path("nowhere"))


def _copy(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _copy(value) for key, value in data.items()}
    return [_copy(value) for value in data] if isinstance(data, list) else data


def changed(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    """The demo vehicle with texts replaced by others, each once."""
    text = TEXT
    for old, new in changes:
        assert re.search(old, text, re.MULTILINE), f"{old} is not in the file"
        text = re.sub(old, lambda _, new=new: new, text, count=1, flags=re.MULTILINE)
    path = tmp_path / "v.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def said(tmp_path: Path, *changes: tuple[str, str]) -> list[str]:
    """What is said of the demo vehicle with these changes, without places."""
    path = changed(tmp_path, *changes)
    return [re.sub(r"^v\.yaml:\d+:\d+: ", "", line) for line in faults(lambda: load_vehicle(path), tmp_path)]


@pytest.mark.parametrize("place", NUMBERS, ids=".".join)
@pytest.mark.parametrize("bad", ["nan", "-inf", "1 +- 1e400", "twelve"])
def test_every_number_refuses_what_is_none_at_its_place(place: tuple[str, ...], bad: str) -> None:
    """NaN, infinities and words are one fault, with the line, column and key of the number."""
    (line,) = with_value(place, bad)
    where = ":".join(map(str, MARKS[place]))
    assert line.startswith(f"v.yaml:{where}: {'.'.join(place)}: expected a ")


@pytest.mark.parametrize("place", NUMBERS, ids=".".join)
def test_no_number_is_endless(place: tuple[str, ...]) -> None:
    """A number beyond any real part is refused, for the solver's sake."""
    assert len(with_value(place, "1e12")) == 1


@pytest.mark.parametrize("place", PLACES, ids=".".join)
def test_every_key_refuses_a_list_and_a_mapping(place: tuple[str, ...]) -> None:
    """A list or a mapping in the place of a plain value is one fault at that key."""
    for value, got in (([], "an empty list"), ({"a": "1"}, "a mapping")):
        (line,) = with_value(place, value)
        assert f": {'.'.join(place)}: expected " in line
        assert line.endswith(f"; got {got}")


@pytest.mark.parametrize("part", sorted(DATA))
def test_every_part_that_is_needed_is_asked_for(part: str) -> None:
    """A part left out is one fault that says what it takes, unless it has a default."""
    if not Vehicle.model_fields[part].is_required():
        data = {key: value for key, value in DATA.items() if key != part}
        assert checked(Path("v.yaml"), data, MARKS, Vehicle).name == VEHICLE.name
        return
    kind = "text" if isinstance(DATA[part], str) else "a mapping of keys"
    assert with_value((part,), ...) == [f"v.yaml:4:1: {part}: expected this key, with {kind}; got no such key"]


@pytest.mark.parametrize("part", [part for part, value in DATA.items() if isinstance(value, dict)])
def test_every_part_says_which_keys_it_has(part: str) -> None:
    """An unknown key in any part is answered with the keys of that part alone."""
    (line,) = with_value((part, "nonsense"), "1")
    known = sorted(Vehicle.model_fields[part].annotation.model_fields)
    assert f"{part}.nonsense: expected one of the keys {', '.join(known)}; got unknown key nonsense" in line


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        (
            [("spacing_m: 0.012", "spacing_m: 0.005")],
            "throttle.spacing_m: expected at least magnet_diameter_m (0.006); got 0.005",
        ),
        (
            [("geometry: slide_by", "geometry: push_pull")],
            "throttle.spacing_m: expected 0 in push_pull, where gap_m sets it; got 0.012",
        ),
        (
            [("high_frac: 0.7", "high_frac: 0.3")],
            "deadman.high_frac: expected more than low_frac with its tolerance (0.3); got 0.3",
        ),
        (
            [("low_frac: 0.3", "low_frac: 0.6 +- 20%")],
            "deadman.high_frac: expected more than low_frac with its tolerance (0.72); got 0.7",
        ),
        (
            [("closed_ohm: 0.5", "bounce_us_mean: 7000")],
            "deadman.bounce_us_max: expected more than bounce_us_mean (7000); got 6200",
        ),
        (
            [("brown_out_v: 4.3", "brown_out_v: 4.6")],
            "supply.brown_out_v_release: expected at least brown_out_v (4.6); got 4.5",
        ),
        (
            [("rail_v_nominal: 5.0", "rail_v_nominal: 4.4")],
            "supply.rail_v_nominal: expected more than brown_out_v_release (4.5); got 4.4",
        ),
        ([("arm_s: 1.0", "arm_s: 1.0\n  full_us: 900")], "esc.full_us: expected more than stop_us (1000); got 900"),
        (
            [("arm_s: 1.0", "arm_s: 1.0\n  full_us: 2300")],
            "esc.valid_us_max: expected at least full_us (2300); got 2200",
        ),
        (
            [("arm_s: 1.0", "arm_s: 1.0\n  valid_us_min: 1100")],
            "esc.stop_us: expected at least valid_us_min (1100); got 1000",
        ),
        ([("beam_m: 0.42", "beam_m: 2")], "hull.length_m: expected at least beam_m (2); got 1.5"),
        ([("awg: 8", "area_m2: 1e-5\n  awg: 8")], "leads: expected either awg or area_m2; got both"),
        ([("  awg: 8\n", "")], "leads: expected either awg or area_m2; got neither"),
        ([("awg: 8", "awg: 40")], "leads.awg: expected a whole number, at most 30; got '40'"),
        ([("series: 14", "series: 0")], "pack.series: expected a whole number, at least 1; got '0'"),
        ([("series: 14", "series: 14 +- 1")], "pack.series: expected a whole number; got '14 +- 1'"),
        ([("bits: 12", "bits: 24")], "converter.bits: expected a whole number, at most 16; got '24'"),
        ([("pitch_ratio: 0.8", "pitch_ratio: 2")], "propeller.pitch_ratio: expected a number, from 0.5 to 1.4; got 2"),
        (
            [("area_ratio: 0.5", "area_ratio: 1 +- 20%")],
            "propeller.area_ratio: expected a number, from 0.3 to 1.05; got 1 with its tolerance 0.8 .. 1.2",
        ),
        (
            [("blades: 3", "kt_at_0: 0.4")],
            "propeller: expected either blades, pitch_ratio, area_ratio or kt_at_0, kq_at_0, j_zero_thrust,"
            " kq_at_zero_thrust; got area_ratio, kt_at_0, pitch_ratio",
        ),
        (
            [
                (r"blades: 3\n.*\n", "kt_at_0: 0.4\n  kq_at_0: 0.05\n"),
                (r"area_ratio: .*", "j_zero_thrust: 0.9\n  kq_at_zero_thrust: 0.06"),
            ],
            "propeller.kq_at_0: expected at least kq_at_zero_thrust (0.06); got 0.05",
        ),
        (
            [("on_lost: holds", "on_lost: stop")],
            "esc.on_lost: expected one of stops, holds (did you mean stops?); got 'stop'",
        ),
        (
            [("propeller_speed: true", "propeller_speed: 3")],
            "readings.propeller_speed: expected true or false; got '3'",
        ),
        (
            [(r"\[0.0, 3.00\]", "[0.1, 3.00]")],
            "pack.cell.ocv_v: expected points [charge, volts] from charge 0 to charge 1",
        ),
        ([(r"\[0.1, 3.42\]", "[0.05, 3.42]")], "pack.cell.ocv_v: expected charges that rise"),
        ([(r"\[0.1, 3.42\]", "[0.1, 3.0]")], "pack.cell.ocv_v: expected voltages above 0 that do not fall with charge"),
        ([(r"\[0.1, 3.42\]", "[0.1, 3.42, 9]")], "pack.cell.ocv_v[2]: expected a list"),
        ([(r"\[0.1, 3.42\]", "[0.1, .nan]")], "pack.cell.ocv_v[2][1]: expected a number in volts; got '.nan'"),
        (
            [("closed_ohm: 0.5", "film: {bubble_rate_hz: 1e9}")],
            "deadman.film.bubble_rate_hz: expected a number in hertz, from 0 to 1000; got 1e+09",
        ),
    ],
)
def test_relations_and_ranges_are_told_at_the_key(
    tmp_path: Path, changes: list[tuple[str, str]], expected: str
) -> None:
    """What does not fit together is one fault, at the key that breaks it where there is one."""
    (line,) = said(tmp_path, *changes)
    assert line.startswith(expected)


def test_a_relation_has_the_line_of_its_key(tmp_path: Path) -> None:
    """A fault between two keys stands at the line and column of the one it names."""
    path = changed(tmp_path, ("beam_m: 0.42", "beam_m: 2"))
    (line,) = faults(lambda: load_vehicle(path), tmp_path)
    row = next(n for n, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1) if "length_m: 1.5" in text)
    assert line.startswith(f"v.yaml:{row}:13: hull.length_m: ")


def test_all_faults_of_a_vehicle_are_said_at_once(tmp_path: Path) -> None:
    """Faults in five parts, of five kinds, come together in the order of the lines."""
    lines = said(
        tmp_path,
        ("gap_m: .*", "gap_m: 0"),
        ("bits: 12", "bitz: 12"),
        ("pullup_ohm: 1000", "pullup_ohm: ten"),
        ("beam_m: 0.42", "beam_m: 2"),
        ("heat:\n", "heart: 1\nheat:\n"),
    )
    assert [line.partition(":")[0] for line in lines] == [
        "throttle.gap_m",
        "converter.bitz",
        "deadman.pullup_ohm",
        "hull.length_m",
        "heart",
    ]


def test_the_demo_vehicle_has_its_tolerances() -> None:
    """A number of the file keeps its value and its band."""
    length = VEHICLE.leads.length_m
    assert (length, length.low, length.high) == pytest.approx((1.2, 1.08, 1.32))


def test_each_limit_is_a_number_of_the_file() -> None:
    """Every named limit is the value of its key."""
    assert VEHICLE.limits() == {name: quantities(VEHICLE)[f"{part}.{key}"] for name, (part, key) in LIMITS.items()}


def test_a_scenario_is_no_vehicle() -> None:
    """A file of another kind is refused with faults, never read half."""
    with pytest.raises(InputError):
        load_vehicle(MOORHEN / "1_first_draft_in_air.scenario.yaml")
