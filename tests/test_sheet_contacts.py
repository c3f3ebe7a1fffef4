"""The contacts' sheet against printed wet-contact voltages, the E24 series, Ohm's and Faraday's laws."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.constants import physical_constants
from sheet_cases import MOORHEN, called, result, tables_of, vehicle

from sim.bench import build
from sim.bench.vehicle import load_vehicle
from sim.face import sheet_contacts
from sim.jobs.sheets.contacts import (
    CLOSED,
    CONTACT_A_MAX,
    COPPER_KG_C,
    KEEPS,
    NAMES,
    OPEN,
    as_read,
    contacts_sheet,
    leak_at,
    line_frac,
)
from sim.jobs.sheets.paper import Paper
from sim.jobs.sheets.series import E24, at_least, at_most
from sim.world import contact
from sim.world.water import KINDS


def of(paper: Paper, table: str, name: str, kind: str):
    return next(row for row in paper.tables[table] if (row.contact, row.water) == (name, kind))


def texts(paper: Paper, bad: bool = True) -> str:
    return " ".join(finding.text for finding in paper.findings if finding.bad is bad)


# Values of IEC 60063 that are not the rounded ones: the series is older than its formula (common catalogue knowledge).
ODD = {2.6: 2.7, 2.9: 3.0, 3.2: 3.3, 3.5: 3.6, 3.8: 3.9, 4.2: 4.3, 4.6: 4.7, 8.3: 8.2}


def test_the_series_is_e24() -> None:
    """The 24 values are 10^(n/24) to two digits, but for the eight that IEC 60063 has otherwise."""
    rounded = [round(10.0 ** (n / 24.0), 1) for n in range(24)]
    assert list(E24) == [ODD.get(value, value) for value in rounded]


DECADES = [value * 10.0**decade for decade in range(-3, 8) for value in E24]


@given(st.floats(0.01, 1e6))
def test_a_value_of_the_series_is_the_nearest_on_its_side(ohm: float) -> None:
    """The largest no more and the smallest no less are those of the whole list."""
    assert at_most(ohm) == pytest.approx(max(value for value in DECADES if value <= ohm * (1.0 + 1e-9)))
    assert at_least(ohm) == pytest.approx(min(value for value in DECADES if value >= ohm * (1.0 - 1e-9)))


@given(st.sampled_from(DECADES[24:-24]))
def test_a_value_of_the_series_is_its_own(ohm: float) -> None:
    """A value of the series is its own nearest on either side, whatever rounding did to it."""
    assert at_most(ohm) == pytest.approx(ohm)
    assert at_least(ohm) == pytest.approx(ohm)


@pytest.mark.parametrize(
    ("sigma_s_m", "at_10k_v", "at_1k_v"),
    [
        (4.29175, 0.03800, 0.34434),
        (0.57, 0.26613, 1.54206),
        (0.25, 0.55000, 2.20000),
        (0.05, 1.65000, 3.00000),
        (0.02, 2.35714, 3.17308),
    ],
)
def test_the_line_is_that_of_two_discs_against_a_pull_up(sigma_s_m: float, at_10k_v: float, at_1k_v: float) -> None:
    """Two discs of 1 mm radius, 1/(2 sigma a) after Newman 1966, against 3.3 V (closed form, five digits)."""
    siemens = 2.0 * sigma_s_m * 1e-3
    assert 3.3 * line_frac(10_000.0, siemens) == pytest.approx(at_10k_v, abs=5e-6)
    assert 3.3 * line_frac(1_000.0, siemens) == pytest.approx(at_1k_v, abs=5e-6)


def test_the_leak_that_a_pull_up_bears_is_where_the_line_meets_the_threshold() -> None:
    """At the leak told the divider stands on the threshold: 10 kohm and 0.3 of the rail bear 233 uS (closed form)."""
    assert leak_at(10_000.0, 0.3) == pytest.approx(233.33e-6, rel=1e-4)
    assert line_frac(4700.0, leak_at(4700.0, 0.7)) == pytest.approx(0.7)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", KINDS)
def test_each_reading_is_what_the_input_does_with_its_history(name: str, kind: str) -> None:
    """The world's own contact, let go dry and let go pressed, ends as told: alike, or where it was."""
    loaded = load_vehicle(MOORHEN)
    row = of(contacts_sheet(MOORHEN), "readings", NAMES[name], kind)
    params = build.contact_params(getattr(loaded, name), 1, 1e-3)
    ends = []
    for history in (contact.initial(params, 5.0), contact.State(0.0, 1)):
        state = history
        for _ in range(50):
            state = contact.step(params, state, 0.0, row.leak_siemens, 5.0)
        ends.append(state.reads)
        assert state.line_v == pytest.approx(row.line_v)
    assert tuple(ends) == {OPEN: (0, 0), KEEPS: (0, 1), CLOSED: (1, 1)}[row.reads]


@pytest.mark.parametrize(("line", "expected"), [(0.3, CLOSED), (0.31, KEEPS), (0.69, KEEPS), (0.7, OPEN)])
def test_a_threshold_belongs_to_what_lies_beyond_it(line: float, expected: str) -> None:
    """On the low threshold the pin reads low, on the high one high."""
    assert as_read(line, 0.3, 0.7) == expected


def test_the_worst_takes_every_tolerance_at_its_worse_end(tmp_path: Path) -> None:
    """Largest electrode, largest pull-up and thresholds nearest to the line, by hand."""
    changes = {
        "deadman.pullup_ohm": "1000 +- 5%",
        "deadman.high_frac": "0.7 +- 0.05",
        "deadman.low_frac": "0.3 +- 0.05",
        "deadman.electrode_radius_m": "0.0005 +- 0.0002",
    }
    paper = contacts_sheet(vehicle(tmp_path, changes), 25.0)
    row = of(paper, "readings", "dead-man", "salt_pool")
    leak = 2.0 * 0.57 * 0.0007
    assert row.leak_siemens_worst == pytest.approx(leak)
    assert row.line_v_worst == pytest.approx(5.0 / (1.0 + 1050.0 * leak))
    fitted = next(each for each in paper.tables["fitted"] if each.contact == "dead-man")
    assert fitted.lets_go_siemens_worst == pytest.approx((1.0 / 0.75 - 1.0) / 1050.0)
    assert fitted.closes_siemens_worst == pytest.approx((1.0 / 0.35 - 1.0) / 1050.0)


def test_wetting_shares_are_those_at_which_the_line_passes_the_thresholds() -> None:
    """At the told shares of full wetting the line stands on the low and on the high threshold."""
    row = of(contacts_sheet(MOORHEN), "readings", "mode button", "pool")
    assert line_frac(10_000.0, row.closes_wetted_frac * row.leak_siemens_worst) == pytest.approx(0.3)
    assert line_frac(10_000.0, row.lets_go_wetted_frac * row.leak_siemens_worst) == pytest.approx(0.7)


@pytest.mark.parametrize("name", NAMES.values())
def test_a_suggested_pull_up_serves_and_the_next_one_does_not(name: str) -> None:
    """With 5 % either way it reads open at worst and carries no more than a small contact may; the next value fails."""
    paper = contacts_sheet(MOORHEN)
    for row in (row for row in paper.tables["cures"] if row.contact == name and row.pullup_ohm):
        leak = of(paper, "readings", name, row.water).leak_siemens_worst
        assert as_read(line_frac(1.05 * row.pullup_ohm, leak), 0.3, 0.7) == OPEN
        assert 5.0 / (0.95 * row.pullup_ohm) <= CONTACT_A_MAX
        following = next(value for value in DECADES if value > row.pullup_ohm * 1.001)
        assert as_read(line_frac(1.05 * following, leak), 0.3, 0.7) != OPEN


@pytest.mark.parametrize("name", NAMES.values())
def test_no_pull_up_saves_a_contact_in_the_sea(name: str) -> None:
    """Whatever E24 value holds Moorhen's line high in the sea would send over 10 mA through the contact (Ohm's law)."""
    paper = contacts_sheet(MOORHEN)
    row = of(paper, "cures", name, "sea")
    leak = of(paper, "readings", name, "sea").leak_siemens_worst
    assert row.pullup_ohm is None
    serving = [ohm for ohm in DECADES if as_read(line_frac(1.05 * ohm, leak), 0.3, 0.7) == OPEN]
    assert all(5.0 / (0.95 * ohm) > CONTACT_A_MAX for ohm in serving)
    assert f"{row.pullup_ohm_most:.0f} ohm" in texts(paper, bad=name != "kill-cord sense")


def test_a_threshold_of_ones_own_parts_wet_from_closed() -> None:
    """At the told threshold, over the told pull-up, the wet line stands above it and the worst closed contact below."""
    paper = contacts_sheet(MOORHEN)
    row = of(paper, "cures", "dead-man", "sea")
    leak = of(paper, "readings", "dead-man", "sea").leak_siemens_worst
    assert line_frac(1.05 * row.own_pullup_ohm, leak) > 1.9 * row.threshold_frac
    for ohm, below in ((0.99 * row.contact_ohm_most, True), (1.01 * row.contact_ohm_most, False)):
        assert (line_frac(0.95 * row.own_pullup_ohm, 1.0 / ohm) < row.threshold_frac) is below


def test_a_poor_contact_leaves_only_a_seal(tmp_path: Path) -> None:
    """Where closed metal conducts no better than the sea, no threshold tells them apart."""
    paper = contacts_sheet(vehicle(tmp_path, {"deadman.closed_ohm": 80.0}))
    row = of(paper, "cures", "dead-man", "sea")
    assert (row.pullup_ohm, row.threshold_frac) == (None, None)
    assert "seal the contact, or move a magnet past a sealed switch" in texts(paper)


def test_the_leak_eats_copper_by_faradays_law() -> None:
    """63.546 g/mol (standard atomic weight) and two electrons, with scipy's Faraday constant; the leak by Ohm's law."""
    faraday_c_mol = physical_constants["Faraday constant"][0]
    assert pytest.approx(63.546e-3 / (2.0 * faraday_c_mol), rel=1e-7) == COPPER_KG_C
    row = of(contacts_sheet(MOORHEN), "readings", "dead-man", "sea")
    assert row.leak_a == pytest.approx(5.0 / (1000.0 + 1.0 / row.leak_siemens_worst))
    assert row.copper_kg_s == pytest.approx(COPPER_KG_C * row.leak_a)


@pytest.mark.parametrize(("closed_when", "safe"), [("pulled", True), ("in_place", False)])
def test_which_side_water_is_on_depends_on_the_contact(tmp_path: Path, closed_when: str, safe: bool) -> None:
    """A cord's contact closed when pulled is wetted to the safe side; one closed in place hides that it was pulled."""
    paper = contacts_sheet(vehicle(tmp_path, {"kill_cord_sense.closed_when": closed_when}))
    fitted = next(each for each in paper.tables["fitted"] if each.contact == "kill-cord sense")
    assert fitted.wet_is_safe is safe
    assert ("Kill-cord sense wet reads closed by itself in sea" in texts(paper)) is not safe


def test_contacts_out_of_the_waters_reach_are_fine(tmp_path: Path) -> None:
    """With electrodes of a micrometre nothing is to change, and no pull-up is suggested."""
    paper = contacts_sheet(vehicle(tmp_path, {f"{name}.electrode_radius_m": 1e-6 for name in NAMES}))
    assert texts(paper) == ""
    assert paper.tables["cures"] == []


def test_warm_water_leaks_more() -> None:
    """Fresh waters conduct 2 % more for each kelvin of 25 degC's value (common practice): 35 over 5 degC is 2 to 1."""
    warm, cold = (of(contacts_sheet(MOORHEN, degc), "readings", "dead-man", "pool") for degc in (35.0, 5.0))
    assert warm.leak_siemens / cold.leak_siemens == pytest.approx(1.2 / 0.6)


def test_the_tables_fit_a_hundred_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """No printed line of a table is wider than 100 letters, and none is cut off."""
    code, out, err = called(capsys, "contacts", MOORHEN)
    assert (code, err) == (0, "")
    assert max(map(len, tables_of(out))) <= 100
    assert "…" not in out


def test_files_are_written_where_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--out gets the figure twice and a CSV for each table; the JSON has no number that is none."""
    data = result(capsys, "contacts", MOORHEN, "--out", tmp_path)
    names = {f"sheet_contacts.{end}" for end in ("png", "svg", "csv", "fitted.csv", "cures.csv")}
    assert {path.name for path in tmp_path.iterdir()} == names
    assert {"readings", "fitted", "cures", "inputs"} <= data.keys()
    assert list(data["inputs"]) == ["vehicle moorhen.yaml"]
    assert all(row["leak_siemens"] >= 0.0 and math.isfinite(row["line_v"]) for row in data["readings"])
    assert [row["pullup_ohm"] for row in data["cures"] if row["water"] == "sea"] == [None] * 3


def test_the_figure_has_a_panel_a_contact_with_every_water() -> None:
    """Each contact's panel names every water but air, and both thresholds' meanings."""
    figure = sheet_contacts.figure(contacts_sheet(MOORHEN))
    panels = [axes for axes in figure.axes if any("line (V)" in text.get_text() for text in axes.texts)]
    assert len(panels) == len(NAMES)
    for axes in panels:
        words = {text.get_text() for text in axes.texts}
        assert {"lake", "pool", "salt pool", "brackish", "sea", "reads open", "reads closed"} <= words


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (("--temperature", "40"), "drydive sheet: --temperature: expected degrees Celsius, 0 to 35, in which every"),
        (("--water", "sea"), "drydive sheet contacts: --water: expected one of --temperature; got sea"),
    ],
)
def test_bad_options_are_one_line(capsys: pytest.CaptureFixture[str], options: tuple[str, str], expected: str) -> None:
    """A temperature at which a water is not known, or an option of another sheet, exits with 2 and one line."""
    code, out, err = called(capsys, "contacts", MOORHEN, *options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(expected)
