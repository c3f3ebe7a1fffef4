"""Builds drawn within their tolerances: the draw, the share and its interval, the worst, and what matters."""

from __future__ import annotations

import csv
import json
import math
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from file_cases import controller, faults
from resistive import IDLE_W, held_power_v, lowest, scenario, vehicle
from scipy.stats import kstest

from sim.base.quantity import Toleranced
from sim.bench.run import Bench
from sim.face import builds_figure, builds_text, look
from sim.face.cli import main
from sim.jobs.builds import Builds, builds, draw, uniform
from sim.jobs.case import judge_case, load_case
from sim.jobs.corners import toleranced
from sim.jobs.shares import BY_CHANCE, CONFIDENCE, Share, matters, share

DOCS = Path(__file__).parents[1] / "docs" / "corners.md"
JOINT = "leads.joint_ohm"
WIDE = {"leads__joint_ohm": "0.02 +- 50%", "esc__idle_w": "300 +- 10%"}


@pytest.fixture(scope="module")
def one() -> Iterator[Executor]:
    """An executor that starts no process."""
    with ThreadPoolExecutor(1) as pool:
        yield pool


@pytest.fixture
def drawn(tmp_path: Path, one: Executor) -> Callable[..., Builds]:
    """Draws builds of the resistive vehicle, its numbers as given, under one requirement or several."""

    def make(*requirements: dict[str, Any], count: int = 40, at_least: float | None = None, **numbers: Any) -> Builds:
        vehicle(tmp_path, **(numbers or WIDE))
        case = load_case(scenario(tmp_path, list(requirements) or [lowest()], seed=5))
        return builds(case, count, at_least, one)

    return make


def coverage(shares: list[Share], true: float) -> float:
    """How often one of the intervals of 0 to n of n tries covers the true share, by the binomial law of handbooks."""
    of = len(shares) - 1
    law = [math.comb(of, inside) * true**inside * (1.0 - true) ** (of - inside) for inside in range(of + 1)]
    return math.fsum(part for part, each in zip(law, shares, strict=True) if each.low <= true <= each.high)


@pytest.mark.parametrize("of", [1, 10, 60, 200])
def test_the_interval_covers_the_truth_as_often_as_it_says(of: int) -> None:
    """For every true share of a grid, 0.001 to 0.999, an interval of 95 % covers it in at least 95 % of all draws."""
    grid = [0.001, 0.01, *(step / 25 for step in range(1, 25)), 0.985, 0.99, 0.999]
    shares = [share(inside, of) for inside in range(of + 1)]
    assert min(coverage(shares, true) for true in grid) >= CONFIDENCE


@pytest.mark.parametrize("of", [1, 59, 200])
def test_the_interval_where_all_or_none_are_inside(of: int) -> None:
    """All of n give (alpha/2)^(1/n) to 1, and none the mirror image: the binomial law solved by hand."""
    end = (0.5 * (1.0 - CONFIDENCE)) ** (1.0 / of)
    assert share(of, of)[2:] == pytest.approx((end, 1.0), rel=1e-9)
    assert share(0, of)[2:] == pytest.approx((0.0, 1.0 - end), rel=1e-9)


@pytest.mark.parametrize(
    ("inside", "of", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_published_intervals(inside: int, of: int, low: float, high: float) -> None:
    """PUBLISHED: R. G. Newcombe, Statist. Med. 17 (1998) 857-872, table I, method 5 (from memory; all figures met)."""
    assert share(inside, of)[2:] == pytest.approx((low, high), abs=0.5e-4)


def test_every_draw_is_within_its_tolerance(moorhen: Callable[..., Bench]) -> None:
    """No number of 2000 builds of Moorhen is outside its tolerance, and each comes near both of its ends."""
    bench = moorhen()
    bands = toleranced(bench.vehicle)
    for key, band in bands.items():
        values = uniform(1, key, band, 2000)
        assert band.low <= values.min() < band.low + 0.01 * (band.high - band.low), key
        assert band.high - 0.01 * (band.high - band.low) < values.max() <= band.high, key
    assert bands


def test_draws_are_uniform(moorhen: Callable[..., Bench]) -> None:
    """INDEPENDENT: scipy.stats.kstest finds no quantity of Moorhen that is drawn otherwise, at a level of 1 in 1000."""
    bands = toleranced(moorhen().vehicle)
    worst = min(
        kstest(uniform(1, key, band, 2000), "uniform", (band.low, band.high - band.low)).pvalue
        for key, band in bands.items()
    )
    assert worst > 1e-3 / len(bands)


def test_quantities_are_drawn_independently(moorhen: Callable[..., Bench]) -> None:
    """No two quantities of Moorhen are correlated beyond chance: |r| of n pairs is under 5/sqrt(n)."""
    bands = toleranced(moorhen().vehicle)
    columns = np.array([uniform(1, key, band, 4000) for key, band in bands.items()])
    correlations = np.corrcoef(columns) - np.eye(len(columns))
    assert np.abs(correlations).max() < 5.0 / math.sqrt(4000)


@pytest.mark.parametrize(("low", "high"), [(-0.0037, -0.0033), (-1.0, 1.0), (0.0, 5e-324), (1.0, 1.0 + 2.0**-52)])
def test_draws_reach_over_no_end_however_narrow(low: float, high: float) -> None:
    """Negative numbers, both signs, and bands of a single step of the float stay inside too."""
    values = uniform(3, "key", Toleranced(low, low, high), 500)
    assert low <= values.min() <= values.max() <= high


def test_one_more_tolerance_changes_no_other_number(tmp_path: Path) -> None:
    """Each quantity has a stream of its own."""
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%")
    bench = load_case(scenario(tmp_path, [lowest()])).bench
    before, _ = draw(bench, toleranced(bench.vehicle), 5)
    vehicle(tmp_path, **WIDE)
    bench = load_case(scenario(tmp_path, [lowest()])).bench
    after, _ = draw(bench, toleranced(bench.vehicle), 5)
    assert [numbers[JOINT] for numbers in before.values()] == [numbers[JOINT] for numbers in after.values()]


def test_more_builds_begin_with_the_same(moorhen: Callable[..., Bench]) -> None:
    """The first builds of a longer draw are those of a shorter one."""
    bench = moorhen()
    bands = toleranced(bench.vehicle)
    few, _ = draw(bench, bands, 3)
    many, _ = draw(bench, bands, 9)
    assert list(many.items())[:3] == list(few.items())


def test_another_seed_draws_other_builds(moorhen: Callable[..., Bench]) -> None:
    """The scenario's seed seeds the draw."""
    first, second = (draw(moorhen(seed=seed), toleranced(moorhen().vehicle), 2)[0] for seed in (1, 2))
    assert not set(first[1].values()) & set(second[1].values())


def test_numbers_that_a_scenario_sets_are_not_drawn(moorhen: Callable[..., Bench]) -> None:
    """A number of `vehicle_set` is exact."""
    assert JOINT not in toleranced(moorhen(vehicle_set={JOINT: 0.001}).vehicle)
    assert JOINT in toleranced(moorhen().vehicle)


def test_the_share_is_that_of_the_closed_form(drawn: Callable[..., Builds]) -> None:
    """Of a resistance uniform from 0.01 to 0.03 ohm the builds inside are those under the R at which V meets the bound.

    R = V (E - V) / P, so the true share is known, and the interval covers it.
    """
    bound = held_power_v(0.022, 2 * IDLE_W)
    found = drawn(lowest(bound), count=120, leads__joint_ohm="0.02 +- 50%")
    inside = [build.numbers[JOINT] < 0.022 for build in found.builds]
    assert [build.verdict == "pass" for build in found.builds] == inside
    assert found.share.inside == sum(inside)
    assert found.share.low < (0.022 - 0.01) / 0.02 < found.share.high


def test_margins_are_those_of_the_closed_form(drawn: Callable[..., Builds]) -> None:
    """Each build's margin is the closed form's with its own resistance and power."""
    found = drawn()
    (line,) = found.lines
    closed = [held_power_v(each.numbers[JOINT], 2 * each.numbers["esc.idle_w"]) - 40.0 for each in found.builds]
    assert line.margins == pytest.approx(closed, rel=1e-9)
    assert line.worst == 1 + int(np.argmin(closed))
    assert found.worst.number == line.worst


def test_limits_are_each_build_own(drawn: Callable[..., Builds]) -> None:
    """Over a cut-off with a tolerance the margin is taken from the cut-off as drawn."""
    above = {"id": "above-cut", "says": "It stays above.", "formula": "always(bus_v >= esc_cut_v)"}
    found = drawn(above, count=10, esc__cut_v="40 +- 2")
    volts = held_power_v(0.02, 2 * IDLE_W)
    closed = [volts - build.numbers["esc.cut_v"] for build in found.builds]
    assert found.lines[0].margins == pytest.approx(closed, rel=1e-9)


def test_what_moves_a_margin_stands_out_and_nothing_else(drawn: Callable[..., Builds]) -> None:
    """The joint's resistance does, downwards; the hull's mass, held still, does not."""
    found = drawn(count=60, leads__joint_ohm="0.02 +- 50%", hull__mass_kg="38 +- 20%", sensor__noise_v_rms="0 .. 0.01")
    first, *others = found.lines[0].moves
    assert (first.key, first.correlation, first.stands_out) == (JOINT, pytest.approx(-1.0), True)
    assert not any(each.stands_out for each in others)


def test_what_breaks_a_requirement_stands_out(drawn: Callable[..., Builds]) -> None:
    """High resistance breaks a lower bound: above 0."""
    found = drawn(lowest(held_power_v(0.02, 2 * IDLE_W)), count=60, leads__joint_ohm="0.02 +- 50%")
    (each,) = found.lines[0].breaks
    assert each.correlation > 0.8
    assert each.stands_out


def test_rank_correlation_is_the_textbook_one() -> None:
    """Without ties it is 1 - 6 sum d^2 / (n (n^2 - 1)), Spearman's own form."""
    rng = np.random.default_rng(3)
    x, y = rng.permutation(30), rng.permutation(30)
    (each,) = matters({"x": x}, [float(value) for value in y])
    apart = int(((x - y) ** 2).sum())
    assert each.correlation == pytest.approx(1.0 - 6.0 * apart / (30 * (30**2 - 1)), rel=1e-12)


def test_chance_alone_hardly_ever_stands_out() -> None:
    """Of 200 margins that hang on none of 20 quantities, at most the stated share has one that stands out by chance."""
    rng = np.random.default_rng(4)
    alarms = 0
    for _ in range(200):
        quantities = {str(index): rng.random(50) for index in range(20)}
        alarms += any(each.stands_out for each in matters(quantities, rng.random(50).tolist()))
    # Three standard deviations over the mean of the binomial law.
    assert alarms <= 200 * BY_CHANCE + 3.0 * math.sqrt(200 * BY_CHANCE * (1.0 - BY_CHANCE))


def test_a_quantity_that_does_not_move_has_no_correlation() -> None:
    """A tolerance so narrow that every draw is the same number says nothing, and warns of nothing."""
    assert matters({"x": [1.0] * 20}, [float(value) for value in range(20)]) == ()


@pytest.mark.parametrize("margins", [[1.0] * 20, [None] * 20, [1.0, 2.0] * 4])
def test_nothing_is_said_where_nothing_can_be(margins: list[float | None]) -> None:
    """Margins all alike, none, or too few give no correlation, and no warning."""
    assert matters({"x": list(range(len(margins)))}, margins) == ()


def test_margins_that_are_not_known_are_passed_over() -> None:
    """Only builds with a margin count."""
    values: list[float | None] = [float(value) for value in range(20)]
    values[3] = None
    (each,) = matters({"x": list(range(20))}, values)
    assert each.correlation == pytest.approx(1.0)


def test_other_processes_find_the_same(drawn: Callable[..., Builds]) -> None:
    """One process, two, or a thread: every number and every verdict is the same, bit for bit."""
    found = drawn(count=30)
    for workers in (1, 2):
        with ProcessPoolExecutor(workers) as pool:
            again = builds(found.case, 30, None, pool)
        assert again.builds == found.builds
        assert again.as_json() == found.as_json()


def test_the_worst_build_runs_again_as_a_scenario(drawn: Callable[..., Builds], tmp_path: Path) -> None:
    """Its file, from another folder, gives its verdict and margin bit for bit."""
    found = drawn(lowest(held_power_v(0.022, 2 * IDLE_W)))
    path = tmp_path / "below" / "worst.scenario.yaml"
    found.write(found.worst, path)
    again = judge_case(load_case(path))
    assert again.verdicts == found.worst.trial.verdicts
    assert again.verdicts[0].verdict == "fail"
    assert main(["run", str(path), "--quiet"]) == 1


def test_a_build_of_moorhen_runs_again_as_a_scenario(tmp_path: Path, one: Executor) -> None:
    """So it does with all of Moorhen's tolerances, water and chance at work."""
    source = next((Path(__file__).parent / "scenarios").glob("13_*.scenario.yaml"))
    case = load_case(source)
    found = builds(case, 2, None, one)
    found.write(found.builds[1], tmp_path / "b.scenario.yaml")
    assert judge_case(load_case(tmp_path / "b.scenario.yaml")).verdicts == found.builds[1].trial.verdicts


def test_the_worst_is_the_furthest_beyond_its_limit(drawn: Callable[..., Builds]) -> None:
    """Of two requirements in different units, the one broken by more of its own spread tells."""
    amperes = {"id": "small", "says": "It is small.", "measure": "maximum(bus_a)", "at_most": 11.0}
    found = drawn(lowest(40.0), amperes, count=30)
    (most,) = [line.worst for line in found.lines if line.id == "small"]
    assert (found.worst.number, found.nearest) == (most, "small")


def test_every_build_is_in_the_csv(drawn: Callable[..., Builds], tmp_path: Path) -> None:
    """A row a build with every number and margin, which read back as they were."""
    found = drawn(lowest(held_power_v(0.02, 2 * IDLE_W)), count=20)
    found.write_csv(tmp_path / "b.csv")
    with (tmp_path / "b.csv").open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert [int(row["build"]) for row in rows] == [build.number for build in found.builds]
    for row, build in zip(rows, found.builds, strict=True):
        assert {key: float(row[key]) for key in build.numbers} == build.numbers
        assert float(row["bus-high (V)"]) == build.margin("bus-high")
        assert row["failed"] == ("bus-high" if build.verdict == "fail" else "")


def test_undecided_is_not_inside(drawn: Callable[..., Builds]) -> None:
    """A requirement whose time runs past the end is undecided in every build: none is inside, and none has failed."""
    late = {"id": "late", "says": "It comes.", "after": "bus_v > 1", "expect": "bus_v > 100", "within_s": 9}
    found = drawn(late, count=5)
    assert (found.share.inside, found.verdict, found.tally()["undecided"]) == (0, "undecided", 5)
    assert found.lines[0].verdict == "undecided"


STUMBLES = (
    "def step(p, s, i):\n    if i.bus_mv < {limit}:\n        raise ValueError('low')\n    return s, {{command}}\n"
)


def test_a_crash_is_not_inside(tmp_path: Path, one: Executor) -> None:
    """Builds in which the controller raises are errors, fail the whole, and count as builds of each requirement."""
    exact = {"readings__bus_step_v": 0.001, "readings__bus_noise_v_rms": 0.0}
    vehicle(tmp_path, leads__joint_ohm="0.02 +- 50%", **exact)
    path = scenario(tmp_path, [lowest()])
    limit_v = held_power_v(0.022, 2 * IDLE_W)
    controller(tmp_path, step=STUMBLES.format(limit=round(1000 * limit_v)))
    found = builds(load_case(path), 30, None, one)
    high = sum(build.numbers[JOINT] > 0.022 for build in found.builds)
    assert found.tally()["error"] == pytest.approx(high, abs=1)
    assert found.verdict == "fail"
    assert found.lines[0].share == found.share
    assert found.worst.verdict == "error"
    assert "ValueError: low" in found.as_json()["worst"]["crash"]


@pytest.mark.parametrize(("at_least", "verdict"), [(0.9, "pass"), (0.93, "fail")])
def test_a_share_has_to_be_shown(drawn: Callable[..., Builds], at_least: float, verdict: str) -> None:
    """40 of 40 inside show 0.025^(1/40) = 91.2 % and no more."""
    assert drawn(at_least=at_least).verdict == verdict


def test_a_share_that_is_shown_passes_though_some_fail(drawn: Callable[..., Builds]) -> None:
    """What is asked for decides; without it any failure fails."""
    bound = lowest(held_power_v(0.028, 2 * IDLE_W))
    numbers = {"leads__joint_ohm": "0.02 +- 50%"}
    assert drawn(bound, **numbers).verdict == "fail"
    assert drawn(bound, at_least=0.5, **numbers).verdict == "pass"


def test_draws_that_make_no_vehicle_are_passed_over_and_counted(tmp_path: Path) -> None:
    """Thresholds that must not cross, drawn crossing: as many are left out as cross by their own numbers."""
    vehicle(tmp_path, supply__brown_out_v="4.3 +- 0.3", supply__brown_out_v_release="4.5 +- 0.3")
    bench = load_case(scenario(tmp_path, [lowest()])).bench
    bands = toleranced(bench.vehicle)
    found, impossible = draw(bench, bands, 50)
    low, high = (uniform(1, key, band, 50 + impossible) for key, band in ((key, bands[key]) for key in sorted(bands)))
    possible = np.flatnonzero(high >= low) + 1
    assert list(found) == possible.tolist()
    assert impossible == int((high < low).sum()) > 0


def test_tolerances_that_hardly_make_a_vehicle_are_a_fault(tmp_path: Path) -> None:
    """Where most draws contradict themselves the tolerances are what is wrong."""
    vehicle(tmp_path, supply__brown_out_v="4.4 +- 0.5", supply__brown_out_v_release="4.4 .. 4.41")
    bench = load_case(scenario(tmp_path, [lowest()], vehicle_set={})).bench
    bands = toleranced(bench.vehicle) | {"supply.brown_out_v": Toleranced(4.8, 4.42, 4.9)}
    (fault,) = faults(lambda: draw(bench, bands, 5), tmp_path)
    assert fault.startswith(
        "resistive.yaml: expected tolerances of which at least half of the combinations make a vehicle; got 20 of 20"
    )


def test_no_tolerance_is_a_fault(tmp_path: Path, one: Executor) -> None:
    """An exact vehicle has one build."""
    vehicle(tmp_path)
    (fault,) = faults(lambda: builds(load_case(scenario(tmp_path, [lowest()])), 5, None, one), tmp_path)
    assert fault == "resistive.yaml: expected numbers with a tolerance, such as '1.2 +- 10%'; got none"


def test_no_requirement_is_a_fault(tmp_path: Path, one: Executor) -> None:
    """Builds held against nothing say nothing."""
    vehicle(tmp_path, **WIDE)
    (fault,) = faults(lambda: builds(load_case(scenario(tmp_path, [])), 5, None, one), tmp_path)
    assert "requirements: expected this key" in fault


def test_without_scipy_there_is_one_clear_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command says what to install, before any build is run."""
    vehicle(tmp_path, **WIDE)
    monkeypatch.setitem(sys.modules, "scipy.stats", None)
    assert main(["builds", str(scenario(tmp_path, [lowest()])), "--workers", "1"]) == 2
    said = "scipy: expected this package installed (pip install scipy); got no such package\n"
    assert capsys.readouterr().err == said


def test_percentages_are_rounded_outwards() -> None:
    """An interval never claims more than was found, and only all of all is 100 %."""
    assert builds_text.percent(share(200, 200)) == "100 % (98.1 to 100 %)"
    assert builds_text.percent(share(9999, 10000)) == "99.9 % (99.9 to 100 %)"
    assert builds_text.percent(share(0, 20)) == "0 % (0 to 16.9 %)"


def test_bars_never_lie_on_both_sides_of_the_limit() -> None:
    """Where margins lie on both sides of 0 it is an edge of a bar; every margin is in a bar."""
    values = np.random.default_rng(1).normal(0.3, 1.0, 300)
    cuts = builds_figure.edges(values)
    assert 0.0 in cuts
    assert np.histogram(values, cuts)[0].sum() == 300
    assert np.all(np.diff(cuts) > 0.0)


CASES: list[tuple[list[dict[str, Any]], dict[str, Any]]] = [
    ([lowest()], WIDE),  # the limit far off
    ([lowest(held_power_v(0.022, 2 * IDLE_W))], WIDE),  # on both sides of it
    ([lowest(60.0)], WIDE),  # all outside, far off
    ([lowest()], {"hull__mass_kg": "38 +- 20%"}),  # the same margin in every build
    ([{"id": "a", "says": "Never.", "formula": "never(state(chip == 9))"}], WIDE),  # no margin at all
    ([{"id": "late", "says": "It comes.", "after": "bus_v > 1", "expect": "bus_v > 100", "within_s": 9}], WIDE),
]


@pytest.mark.parametrize(("requirements", "numbers"), CASES)
@pytest.mark.parametrize("count", [1, 12])
def test_figure_and_text_of_odd_results(
    drawn: Callable[..., Builds],
    tmp_path: Path,
    requirements: list[dict[str, Any]],
    numbers: dict[str, Any],
    count: int,
) -> None:
    """One build or a few, limits near or far, margins or none: a figure is drawn, and nothing warns."""
    found = drawn(*requirements, count=count, **numbers)
    _, png = look.save(builds_figure.builds(found), tmp_path / "figure")
    assert png.stat().st_size > 5000
    assert builds_text.summary(found).startswith(f"{found.share.inside} of {count} builds inside")
    json.dumps(found.as_json(), allow_nan=False)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`drydive builds` tells the share, each requirement and the worst build, and exits with 1 where one fails."""
    vehicle(tmp_path, **WIDE)
    path = scenario(tmp_path, [lowest(held_power_v(0.022, 2 * IDLE_W))], seed=5)
    out = tmp_path / "out"
    assert main(["builds", str(path), "--builds", "25", "--workers", "1", "--out", str(out)]) == 1
    printed = capsys.readouterr().out
    assert printed.startswith("FAIL  resistive  ")
    assert "of 25 builds inside" in printed
    assert f"moves with {JOINT} -0." in printed
    assert "2 numbers, each uniform within its tolerance, seed 5" in printed
    assert "worst is build " in printed
    names = [
        "resistive.builds.csv",
        "resistive.builds.png",
        "resistive.builds.svg",
        "resistive.worst_build.scenario.yaml",
    ]
    assert sorted(each.name for each in out.iterdir()) == names


def test_the_json_of_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --json - standard output is one document, every key of which docs/corners.md names."""
    vehicle(tmp_path, **WIDE)
    path = scenario(tmp_path, [lowest()])
    assert main(["builds", str(path), "--builds", "12", "--workers", "1", "--json", "-", "--seed", "3"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["verdict"], told["seed"], told["builds"]["of"], told["builds"]["inside"]) == ("pass", 3, 12, 12)
    page = DOCS.read_text(encoding="utf-8")
    keys = {*told, *told["builds"], *told["requirements"][0], *told["worst"], *told["requirements"][0]["moves"][0]}
    assert [key for key in keys if f"`{key}`" not in page] == []


BAD = [
    (["--builds", "0"], "argument --builds: expected builds from 1 to 100000; got '0'"),
    (["--builds", "2.5"], "argument --builds: expected a whole number of builds; got '2.5'"),
    (["--builds", "many"], "argument --builds: expected builds from 1 to 100000; got 'many'"),
    (["--at-least", "95"], "argument --at-least: expected a fraction from 0 to 1; got '95'"),
]


@pytest.mark.parametrize(("options", "said"), BAD)
def test_bad_options(options: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each is one line, and the exit code is 2."""
    with pytest.raises(SystemExit) as ended:
        main(["builds", str(tmp_path / "none.yaml"), *options])
    assert ended.value.code == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
