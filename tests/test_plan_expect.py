"""Bands: how much of the builds they hold, and what a build, a day and a pair of hands change."""

from __future__ import annotations

import numpy as np
import pytest
from plan_cases import drawn, moorhen

from sim.jobs.case import load_case
from sim.jobs.plan import expect
from sim.jobs.plan.throttle import readings


def held(builds: int, share: float) -> float:
    """The confidence that lowest and highest of some builds hold a share of all (S. S. Wilks, 1941, two-sided)."""
    return 1.0 - builds * share ** (builds - 1) + (builds - 1) * share**builds


def test_the_usual_number_is_the_least_for_95_of_100_with_95_percent() -> None:
    """PUBLISHED: the two-sided 95/95 limits from extremes need 93 draws (Wilks; handbooks' table of sample sizes)."""
    assert held(expect.COUNT, 0.95) >= 0.95 > held(expect.COUNT - 1, 0.95)


@pytest.mark.parametrize("kind", ["normal", "lognormal", "uniform"])
def test_a_further_build_lies_inside_all_bands_as_often_as_said(kind: str) -> None:
    """PUBLISHED: draws alike are furthest out in turn, so that a new one of n + 1 is with a chance of 1 in n + 1."""
    rng = np.random.default_rng(3)
    builds, figures, repeats = 40, 15, 400
    mixed = rng.standard_normal((figures, figures))
    inside = 0
    for _ in range(repeats):
        values = getattr(rng, kind)(size=(builds + 1, figures)) @ mixed
        low, high, _ = expect.bands(values[:-1], np.full(figures, 1e-6))
        inside += bool(np.all((values[-1] >= low) & (values[-1] <= high)))
    true = builds / (builds + 1)
    # Three standard deviations of a binomial share, handbook form.
    assert inside / repeats >= true - 3.0 * np.sqrt(true * (1.0 - true) / repeats)


def test_a_figure_that_never_moves_has_a_band_of_what_is_read() -> None:
    """Equal values leave nothing but the instrument's own step about them, widened no more than others are."""
    values = np.column_stack([np.full(20, 5.0), np.linspace(0.0, 1.0, 20)])
    low, high, widened = expect.bands(values, np.array([0.1, 1e-9]))
    assert (low[0], high[0]) == pytest.approx((5.0 - 0.1 * widened, 5.0 + 0.1 * widened))
    assert widened < 0.2


def test_hands_are_no_clocks_and_keep_the_order() -> None:
    """What lasts more than a second lasts longer or shorter, quick things stay, and no step overtakes another."""
    plan, there = moorhen()
    scenario = load_case(there / plan.plan.stages[0].scenario).bench.scenario
    moved = expect.in_hands(scenario, 5)
    before = np.diff([step.at_s for step in scenario.rider])
    after = np.diff([step.at_s for step in moved.rider])
    assert moved.rider[0].at_s == scenario.rider[0].at_s
    assert after.min() > 0.0
    quick = before <= 1.0
    assert after[quick] == pytest.approx(before[quick], abs=2e-3)
    assert np.ptp(after[~quick] / before[~quick]) > 0.1


def test_every_build_keeps_its_propellers_off_the_bare_shafts() -> None:
    """What a stage sets of the vehicle is not drawn over."""
    plan, there = moorhen()
    bench = load_case(there / plan.plan.stages[0].scenario).bench
    build = drawn()[0]._replace(numbers={**drawn()[0].numbers, "propeller.diameter_m": 0.25})
    assert float(expect.at_build(bench, build).vehicle.propeller.diameter_m) == 0.001


def test_each_build_is_calibrated_to_its_own_throttle() -> None:
    """The reading at rest stands as far from the parameter as it did, by the ratio of both travels."""
    plan, there = moorhen()
    bench = load_case(there / plan.plan.stages[0].scenario).bench
    filed = readings(bench.vehicle, 15.0, bench.scenario.tick_us)
    other = expect.at_build(bench, drawn()[0])
    rest, full = readings(other.vehicle, other.scenario.water.temperature_degc, bench.scenario.tick_us)
    stretch = (full - rest) / (filed[1] - filed[0])
    expected = rest + (bench.controller.params.rest_counts - filed[0]) * stretch
    assert other.controller.params.rest_counts == pytest.approx(expected, abs=1.0)
    assert abs(rest - filed[0]) > 20.0


def test_the_same_seed_gives_the_same_builds() -> None:
    """More builds of one seed begin with the same ones."""
    ready = moorhen()[0].ready
    assert expect.drawn(ready, 3)[0] == expect.drawn(ready, 5)[0][:3]
