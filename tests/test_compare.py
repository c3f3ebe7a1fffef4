"""Two sides held together: every tick that differs is told, and none that does not."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from conftest import moorhen_bench
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.base.errors import InputError
from sim.bench.events import Event
from sim.bench.run import simulate
from sim.face.cli import main
from sim.face.compare_figure import overlay
from sim.jobs.compare import JOINED_S, Comparison, Side, compare
from sim.record.table import Table

DEMO = Path(__file__).parents[1] / "sim" / "moorhen"
TRACES = Path(__file__).parents[1] / "traces"
TICK_US = 1000


def side(
    columns: dict[str, list[float]], events: tuple[Event, ...] = (), reasons: dict[int, str] | None = None
) -> Side:
    count = len(next(iter(columns.values())))
    table = Table(TICK_US * np.arange(count, dtype=np.int64), {k: np.array(v, dtype=float) for k, v in columns.items()})
    return Side("a side", table, events, (), {}, {0: "runs"}, reasons or {}, {})


PULSES = st.lists(st.sampled_from([1000.0, 1500.0]), min_size=200, max_size=200)


@given(PULSES, PULSES)
@settings(max_examples=60)
def test_the_stretches_hold_every_difference_and_little_else(one: list[float], other: list[float]) -> None:
    """Ticks that differ are inside a stretch; a stretch begins and ends at one, with no gap longer than is joined."""
    found = compare(side({"left_pulse_us": one}), side({"left_pulse_us": other}))
    differ = {tick for tick in range(200) if one[tick] != other[tick]}
    inside = set()
    for each in found.stretches:
        ticks = [t for t in range(200) if each.from_s <= t * 1e-3 < each.to_s or (t == 199 and each.to_s >= 0.199)]
        own = sorted(differ & set(ticks))
        assert own[0] * 1e-3 == pytest.approx(each.from_s)
        assert all(after - before <= JOINED_S * 1e3 for before, after in itertools.pairwise(own))
        assert each.first != each.second
        inside |= set(ticks)
    assert differ <= inside
    assert found.same == (not differ)
    if differ:
        assert found.command == (pytest.approx(min(differ) * 1e-3), "left_pulse_us")


def test_an_unknown_value_on_both_sides_is_no_difference() -> None:
    """NaN stands for what is not known, and equals itself here."""
    one = side({"lever_permille": [1.0, np.nan, 3.0]})
    assert compare(one, one).same


def test_numbers_of_modes_are_compared_only_where_their_words_are_the_same() -> None:
    """Mode 1 of one controller is not mode 1 of another."""
    one = side({"reason": [1.0, 1.0], "left_pulse_us": [1.0, 1.0]}, reasons={1: "released"})
    other = side({"reason": [2.0, 2.0], "left_pulse_us": [1.0, 1.0]}, reasons={2: "let go"})
    assert compare(one, other).same
    assert not compare(one, side({"reason": [2.0, 2.0], "left_pulse_us": [1.0, 1.0]}, reasons={1: "released"})).same


def test_events_are_told_once_with_both_times() -> None:
    """An event of both at another time, one of the first alone, one of the second alone; not what is the same."""
    pulses = {"left_pulse_us": [1.0] * 10}
    one = side(
        pulses, (Event(0.001, "a", "", "rider"), Event(0.002, "b", "why", "drive"), Event(0.003, "c", "", "rider"))
    )
    other = side(
        pulses, (Event(0.001, "a", "", "rider"), Event(0.004, "b", "why", "drive"), Event(0.005, "d", "", "rider"))
    )
    found = [(each.what, each.first_s, each.second_s) for each in compare(one, other).events]
    assert found == [("b", 0.002, 0.004), ("c", 0.003, None), ("d", None, 0.005)]


def test_two_clocks_cannot_be_compared() -> None:
    """One line says how long each is."""
    with pytest.raises(InputError, match=r"two runs on one clock; got 2 ticks to 0\.001 s and 3 ticks to 0\.002 s"):
        compare(side({"left_pulse_us": [1.0] * 2}), side({"left_pulse_us": [1.0] * 3}))


@pytest.fixture(scope="module")
def wet_and_dry() -> Comparison:
    """Half a second of full drive held still, in a lake and in air, pulled by hand."""
    rider = [{"at_s": 0.0, "deadman": False}, {"at_s": 2.6, "deadman": True}, {"at_s": 2.7, "lever_frac": 1.0}]
    sides = []
    for kind in ("lake", "air"):
        run = simulate(moorhen_bench(rider=rider, duration_s=4.0, water={"kind": kind}, controller="first_draft"))
        modes, reasons = run.bench.controller.modes, run.bench.controller.reasons
        sides.append(Side(kind, run.table, run.events, (), run.limits, modes, reasons, {}))
    return compare(*sides)


def test_a_dry_bench_hides_the_current(wet_and_dry: Comparison) -> None:
    """The same hand draws several times the current in water; so a dry test passes (common practice, no source)."""
    water, air = (float(np.mean(each.table["bus_a"][-300:])) for each in (wet_and_dry.first, wet_and_dry.second))
    assert water > 3.0 * air


def test_the_figure_shows_each_command_that_differs(wet_and_dry: Comparison) -> None:
    """Panels, both lines in each, and a lane for the commands that part."""
    figure = overlay(wet_and_dry)
    words = {text.get_text() for axes in figure.axes for text in axes.texts}
    assert {"Bus voltage (V)", "Pack current (A)", "Thrust (N)", "Where commands differ"} <= words
    assert any("Commands part" in word or "Every command" in word for word in words)


def test_the_command_tells_and_draws(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording through two controllers: exit 0, the differences as JSON, a figure in both forms."""
    trace = str(TRACES / "lake_wet_button.csv")
    told = ["compare", trace, "--with-controller", "first_draft", "--json", "-", "--out", str(tmp_path)]
    assert main(told) == 0
    found = json.loads(capsys.readouterr().out)
    assert not found["same"]
    assert found["differences"][0]["from_s"] >= found["first_command"]["t_s"] - 1e-9
    assert {path.suffix for path in tmp_path.iterdir()} == {".png", ".svg"}


def test_a_side_against_itself_is_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    """The same controller under its own name parts nowhere."""
    trace = str(TRACES / "lake_wet_button.csv")
    assert main(["compare", trace, "--with-controller", "reference"]) == 0
    assert "every command is the same at every tick" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "line"),
    [
        ([], "drydive compare: expected --with-controller, --with-params or --with-water; got nothing to compare with"),
        (["--with-water", "pol"], "--with-water: expected one of air, lake, pool"),
        (["--with-controller", "nobody"], "expected a path ending in .py or .c, or one of"),
        (["--with-params", "gone.yaml"], "gone.yaml: expected a parameter file; got no such file"),
    ],
)
def test_bad_input_is_one_line(more: list[str], line: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, and what was expected."""
    assert main(["compare", str(DEMO / "4_reference_tired_pack.scenario.yaml"), *more]) == 2
    printed = capsys.readouterr().err
    assert line in printed
    assert len(printed.splitlines()) == 1


def test_a_recording_has_its_water_in_it(capsys: pytest.CaptureFixture[str]) -> None:
    """Another water is for a scenario alone."""
    assert main(["compare", str(TRACES / "lake_wet_button.csv"), "--with-water", "air"]) == 2
    assert "--with-water: expected a scenario" in capsys.readouterr().err
