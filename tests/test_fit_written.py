"""The copy of the vehicle file: changed in place, comments kept, tolerances that hold the intervals, origins told."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import pytest
from fit_cases import MOORHEN, VEHICLE
from hypothesis import given as drawn
from hypothesis import strategies as st

from sim.base.errors import InputError
from sim.base.quantity import Toleranced
from sim.bench.vehicle import load_vehicle, quantities
from sim.jobs.fit.fit import Fitted
from sim.jobs.fit.told import Curve, Estimate, Topic
from sim.jobs.fit.written import edited, toleranced, write_vehicle

DAY = date(2026, 3, 14)


def found(*estimates: tuple[str, float, float], curve: Curve | None = None, path: Path = MOORHEN) -> Fitted:
    """A fit of these keys, values and halves of intervals."""
    told = tuple(
        Estimate(key, value, value - half, value + half, "", "", 1234, ("log.csv",), True)
        for key, value, half in estimates
    )
    return Fitted(path, (), (Topic("lever", told, curve=curve),), {"recording log.csv": "0123456789ab"})


def copied(folder: Path, *estimates: tuple[str, float, float], curve: Curve | None = None) -> str:
    """The text of the copy."""
    write_vehicle(found(*estimates, curve=curve), folder / "copy.yaml", DAY)
    return (folder / "copy.yaml").read_text(encoding="utf-8")


def test_a_number_is_changed_where_it_stands(tmp_path: Path) -> None:
    """The line keeps its key and its comment, and tells file, rows, day and what it was."""
    text = copied(tmp_path, ("throttle.gap_m", 0.003012, 0.000051))
    assert (
        "  gap_m: 0.003012 +- 0.000051  # pole faces to sensor, through the printed wall and epoxy; "
        "fitted from log.csv, 1234 rows, 2026-03-14, was 0.0032 +- 0.0003\n"
    ) in text


def test_every_other_line_stays_as_it_was(tmp_path: Path) -> None:
    """But for the head and the lines changed, the copy is the file, comments, blanks and all."""
    before = MOORHEN.read_text(encoding="utf-8").splitlines()
    after = copied(tmp_path, ("throttle.gap_m", 0.003, 1e-5), ("pack.cell.r0_ohm", 0.02, 1e-3)).splitlines()
    body = after[after.index("") + 1 :]
    assert len(body) == len(before)
    changed = [number for number, line in enumerate(body) if line != before[number]]
    assert [before[number].split(":")[0].strip() for number in changed] == ["gap_m", "r0_ohm"]


def test_the_copy_loads_with_the_numbers_found(tmp_path: Path) -> None:
    """What was found is what is read, with the interval as its band; every other number is the file's."""
    copied(tmp_path, ("throttle.gap_m", 0.003012, 0.000051), ("deadman.film.film_time_s", 1.5, 0.25))
    read, filed = quantities(load_vehicle(tmp_path / "copy.yaml")), quantities(VEHICLE)
    assert (read["throttle.gap_m"], read["throttle.gap_m"].low) == (0.003012, pytest.approx(0.002961))
    assert (read["deadman.film.film_time_s"], read["deadman.film.film_time_s"].high) == (1.5, 1.75)
    del (
        read["throttle.gap_m"],
        read["deadman.film.film_time_s"],
        filed["throttle.gap_m"],
        filed["deadman.film.film_time_s"],
    )
    assert read == filed


def test_a_section_that_was_not_there_is_added(tmp_path: Path) -> None:
    """Film numbers of a file without a film become its section, one line each."""
    text = copied(tmp_path, ("deadman.film.film_time_s", 1.5, 0.2), ("deadman.film.splash_drain_s", 0.2, 0.01))
    assert "  film:\n    film_time_s: 1.50 +- 0.20  # fitted" in text
    assert "\n    splash_drain_s: 0.200 +- 0.010  # fitted" in text


def test_a_key_that_was_not_there_is_added_to_its_section(tmp_path: Path) -> None:
    """Misalignment, which the file leaves at its default, comes last in its section, before the blank line."""
    text = edited("a:\n  b: 1   # one\n\nc: 2\n", {"a.d": ("3", "told")})
    assert text == "a:\n  b: 1   # one\n  d: 3  # told\n\nc: 2\n"
    assert "misalign_x_m: 0.000100 +- 0.000010" in copied(tmp_path, ("throttle.misalign_x_m", 1e-4, 1e-5))


@pytest.mark.parametrize(
    ("text", "changed"),
    [
        ("a: {b: 1, c: 2}\n", "a: {b: 9, c: 2}  # told, was 1\n"),
        ("a: {b: 1, c: 2}  # both\n", "a: {b: 9, c: 2}  # both; told, was 1\n"),
        ('a:\n  b: "1 +- 2"\n', 'a:\n  b: 9  # told, was "1 +- 2"\n'),
        ("a:\n  b: -1", "a:\n  b: 9  # told, was -1"),
        ("a: {c: 2}\n", "a: {c: 2, b: 9}  # b told\n"),
        ("a:\n  c:\n    d: 1\n# below\ne: 1\n", "a:\n  c:\n    d: 1\n  b: 9  # told\n# below\ne: 1\n"),
    ],
)
def test_whatever_way_a_file_is_written(text: str, changed: str) -> None:
    """Braces, quotes, negative numbers, no line end, and a section that ends in another are all changed in place."""
    assert edited(text, {"a.b": ("9", "told")}) == changed


def test_anchors_are_refused(tmp_path: Path) -> None:
    """A value that stands elsewhere, by an anchor, would change more than was found: a fault, and no file."""
    source = tmp_path / "anchored.yaml"
    text = MOORHEN.read_text(encoding="utf-8")
    text = text.replace("  bandwidth_hz: 20000", "  bandwidth_hz: &there 20000").replace(
        "  noise_v_rms: 0.005", "  noise_v_rms: *there"
    )
    source.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="no anchors"):
        write_vehicle(found(("sensor.noise_v_rms", 0.004, 1e-4), path=source), tmp_path / "copy.yaml", DAY)
    assert not (tmp_path / "copy.yaml").exists()


def test_numbers_that_do_not_go_together_are_refused(tmp_path: Path) -> None:
    """A longest bounce under the file's mean is what the vehicle file refuses: its fault, at the copy, and no file."""
    with pytest.raises(InputError, match=r"copy\.yaml:\d+:\d+: deadman\.bounce_us_max"):
        copied(tmp_path, ("deadman.bounce_us_max", 900.0, 10.0))
    assert not (tmp_path / "copy.yaml").exists()


CURVE = Curve("pack.cell.ocv_v", ((0.0, 3.0), (0.45, 3.71), (0.9, 4.081), (1.0, 4.2)), "two points")


def test_a_curve_takes_the_place_of_the_files(tmp_path: Path) -> None:
    """The list is replaced item by item, and told where it is from; what follows it stays."""
    text = copied(tmp_path, curve=CURVE)
    assert "    ocv_v:\n      # fitted, two points, 2026-03-14\n      - [0, 3]\n      - [0.45, 3.71]\n" in text
    assert "      - [1, 4.2]\n  weak_capacity_frac: 0.97 +- 0.02\n" in text
    assert load_vehicle(tmp_path / "copy.yaml").pack.cell.ocv_v == CURVE.points


def test_a_curve_in_brackets_is_replaced_too() -> None:
    """A list on one line stays on one."""
    text = edited("a: [[0, 1], [1, 2]]  # own\nb: 1\n", {"a": ("[[0, 3], [1, 4]]", "told")})
    assert text == "a: [[0, 3], [1, 4]]  # own; told\nb: 1\n"


def test_the_head_tells_what_it_is(tmp_path: Path) -> None:
    """On top stand the day, the file copied, what went in with its hash, and the caution."""
    head = copied(tmp_path, ("throttle.gap_m", 0.003, 1e-5)).split("\n\n")[0]
    for words in ("moorhen.yaml", "2026-03-14", "95 % intervals", "0123456789ab", "replaces no hardware interlock"):
        assert words in head


positive = st.floats(1e-6, 1e6)


@drawn(value=positive, share=st.floats(1e-9, 0.9), signed=st.booleans())
def test_a_written_tolerance_holds_the_interval(value: float, share: float, signed: bool) -> None:
    """Read back, the band holds both ends of the interval but for the rounding of the value, and is at most an eighth
    wider."""
    value = -value if signed else value
    half = share * abs(value)
    read = Toleranced.read(toleranced(value, value - half, value + half))
    wide = max(half, 1e-6 * abs(value))
    assert read.low <= value - 0.89 * half
    assert read.high >= value + 0.89 * half
    assert 0.5 * (read.high - read.low) <= 1.125 * wide


def test_a_band_stays_within_what_the_key_takes() -> None:
    """Where the band would reach under 0, both ends are written in the place of value and tolerance."""
    assert toleranced(0.1, -0.2, 0.4, least=0.0) == "0.00 .. 0.40"
    assert toleranced(0.9, 0.7, 1.1, most=1.0) == "0.70 .. 1.00"


def test_an_uneven_interval_is_held_whole() -> None:
    """The longer side of an uneven interval is the tolerance."""
    read = Toleranced.read(toleranced(4.0, 3.9, 5.0))
    assert (read.low, read.high) == (3.0, 5.0)
    assert math.isclose(float(read), 4.0)


def test_a_number_without_an_interval_is_exact() -> None:
    """Zero, found exactly, has no tolerance."""
    assert toleranced(0.0, 0.0, 0.0) == "0"
