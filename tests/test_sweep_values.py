"""The values of a sweep's quantities: grids as written, draws as their distributions have it."""

from __future__ import annotations

import math
from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sim.base.streams import stream
from sim.jobs.sweep_values import BLOCK, Cases, Draw, Line, Listed, Quantity, read_value, share

SHARES = (0.0, 1e-12, 0.1, 0.5, 0.731, 0.999, 1.0 - 2.0**-53)


def quantity(key: str, values: Listed | Line | Draw) -> Quantity:
    return Quantity(key, (key,), values)


@given(
    start=st.decimals(-100, 100, places=3),
    step=st.decimals(-5, 5, places=3).filter(lambda step: step != 0),
    steps=st.integers(2, 60),
)
def test_a_grid_has_the_decimals_that_it_steps_through(start: Decimal, step: Decimal, steps: int) -> None:
    """Each value is the float nearest to the decimal that one counts to by hand (INDEPENDENT: the decimal module)."""
    line = Line.through(float(start), float(start + step * (steps - 1)), steps)
    assert [float(line[index] or 0) for index in range(steps)] == [float(start + step * n) for n in range(steps)]


def test_whole_steps_are_whole_numbers() -> None:
    """Seeds from 1 to 100 are whole, so that a scenario takes them."""
    line = Line.through(1.0, 100.0, 100)
    assert [line[index] for index in range(100)] == list(range(1, 101))
    assert all(isinstance(line[index], int) for index in range(100))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3", 3),
        ("-3", -3),
        ("3.0", 3.0),
        ("1e3", 1000.0),
        (".5", 0.5),
        ("lake", "lake"),
        ("true", "true"),
        ("1_0", "1_0"),
    ],
)
def test_a_scalar_is_the_number_it_looks_like(text: str, value: object) -> None:
    """Text that reads as a number is one, whole where it is written so."""
    read = read_value(text)
    assert (read, type(read)) == (value, type(value))


@pytest.mark.parametrize("at", SHARES)
@pytest.mark.parametrize(
    ("draw", "known"),
    [
        (Draw("uniform", -2.0, 7.0), stats.uniform(-2.0, 9.0)),
        (Draw("log_uniform", 0.01, 100.0), stats.loguniform(0.01, 100.0)),
        (Draw("normal", mean=42.0, deviation=1.5), stats.norm(42.0, 1.5)),
        (Draw("normal", 41.0, 46.0, 42.0, 1.5), stats.truncnorm(-1.0 / 1.5, 4.0 / 1.5, 42.0, 1.5)),
    ],
    ids=["uniform", "log_uniform", "normal", "cut normal"],
)
def test_a_draw_is_its_distributions_quantile(draw: Draw, known: stats.rv_continuous, at: float) -> None:
    """At each share of all draws the value is SciPy's quantile (INDEPENDENT: scipy.stats ``ppf``)."""
    value, expected = float(draw.at(at) or 0.0), float(known.ppf(at))
    if math.isinf(expected):
        # An infinite tail is cut off where the finest share ends.
        expected = float(known.ppf(0.5 * 2.0**-53))
    assert value == pytest.approx(expected, rel=1e-6)


def test_whole_draws_come_equally_often() -> None:
    """Of many equal shares each whole number, both ends included, gets the same part."""
    draw = Draw("whole", 3.0, 7.0)
    values = [draw.at((index + 0.5) / 1000) for index in range(1000)]
    assert {value: values.count(value) for value in set(values)} == dict.fromkeys([3, 4, 5, 6, 7], 200)


def test_choices_come_equally_often() -> None:
    """Of many equal shares each value listed gets the same part."""
    draw = Draw("choice", values=("lake", "sea", 3))
    values = [draw.at((index + 0.5) / 300) for index in range(300)]
    assert {value: values.count(value) for value in values} == {"lake": 100, "sea": 100, 3: 100}


@pytest.mark.parametrize("draw", [0, 1, BLOCK - 1, BLOCK, 5 * BLOCK + 17])
def test_a_draw_is_found_without_those_before_it(draw: int) -> None:
    """Any draw is the number that stands there in the plain stream of NumPy's generator."""
    whole = stream(9, "sweep pack.charge_frac").random(6 * BLOCK)
    assert share(9, "pack.charge_frac", draw) == whole[draw]


def test_more_draws_begin_with_the_same_ones() -> None:
    """A sweep with a larger count has the smaller one's cases at its beginning."""
    drawn = (quantity("a", Draw("uniform", 0.0, 1.0)), quantity("b", Draw("normal")))
    few, many = Cases(drawn, 10, 4), Cases(drawn, 1000, 4)
    assert [few.values(case) for case in range(10)] == [many.values(case) for case in range(10)]


def test_one_more_random_quantity_leaves_the_others_draws() -> None:
    """Each quantity has a stream of its own."""
    first = quantity("a", Draw("uniform", 0.0, 1.0))
    alone, both = Cases((first,), 20), Cases((quantity("z", Draw("normal")), first), 20)
    assert [alone.values(case)[0] for case in range(20)] == [both.values(case)[1] for case in range(20)]


def test_the_grid_is_every_combination_in_the_order_of_the_file() -> None:
    """Cases come as nested loops do, the last quantity changing first (INDEPENDENT: itertools.product)."""
    lists: tuple[tuple[str | int, ...], ...] = (("lake", "sea"), (1, 2, 3), (7, 8))
    cases = Cases(tuple(quantity(str(index), Listed(each)) for index, each in enumerate(lists)))
    assert [cases.values(case) for case in range(len(cases))] == list(product(*lists))


def test_every_point_of_the_grid_meets_the_same_draws() -> None:
    """What a grid quantity does is seen apart from chance."""
    cases = Cases((quantity("u", Draw("uniform", 0.0, 1.0)), quantity("g", Listed((1, 2)))), 5)
    values = [cases.values(case) for case in range(10)]
    assert [value[1] for value in values] == [1] * 5 + [2] * 5
    assert [value[0] for value in values[:5]] == [value[0] for value in values[5:]]


@given(
    sizes=st.lists(st.tuples(st.integers(1, 4), st.booleans(), st.booleans()), min_size=1, max_size=4),
    draws=st.integers(1, 5),
)
def test_the_order_of_running_leaves_no_case_out(sizes: list[tuple[int, bool, bool]], draws: int) -> None:
    """Whichever quantities are to change slowly, every case stands in line exactly once."""
    quantities = tuple(
        quantity(str(index), Draw("uniform", 0.0, 1.0) if drawn else Listed(tuple(range(size))))
        for index, (size, drawn, _) in enumerate(sizes)
    )
    cases = Cases(quantities, draws)
    line = [cases.at(position, [slow for _, _, slow in sizes]) for position in range(len(cases))]
    assert sorted(line) == list(range(len(cases)))


def test_what_changes_slowly_changes_as_seldom_as_can_be() -> None:
    """Run in line, a slow quantity takes each of its values once, in one stretch."""
    cases = Cases((quantity("fast", Listed((1, 2, 3))), quantity("slow", Listed((7, 8)))))
    line = [cases.values(cases.at(position, [False, True]))[1] for position in range(6)]
    assert line == [7, 7, 7, 8, 8, 8]


def test_shares_are_spread_evenly() -> None:
    """The uniform numbers pass a test of Kolmogorov and Smirnov at one in a thousand (INDEPENDENT: scipy.stats)."""
    values = np.array([share(1, "x", draw) for draw in range(5000)])
    assert stats.kstest(values, "uniform").pvalue > 1e-3
