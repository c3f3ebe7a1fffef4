"""Numbers with tolerances: what their forms mean, and what is no number of a real part."""

from __future__ import annotations

import copy
import math
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from sim.base.document import Entry
from sim.base.quantity import (
    HUGE,
    AtLeastOne,
    Celsius,
    Fraction,
    NotNegative,
    Positive,
    PositiveFraction,
    Toleranced,
    ordered,
    quantities,
)


class Bounds(Entry):
    """One key for each kind of bound."""

    gap_m: Positive = Toleranced(1.0)
    noise_v: NotNegative = Toleranced(0.0)
    wet_frac: Fraction = Toleranced(0.5)
    sure_frac: PositiveFraction = Toleranced(1.0)
    growth_frac: AtLeastOne = Toleranced(1.0)
    warm_degc: Celsius = Toleranced(20.0)
    any_v: Toleranced = Toleranced(0.0)


class Outer(Entry):
    """A part inside a part."""

    inner: Bounds = Bounds()
    top_v: Toleranced = Toleranced(3.0)


def refused(**keys: object) -> str:
    """What is said to have been expected."""
    with pytest.raises(ValidationError) as raised:
        Bounds.model_validate(keys)
    (error,) = raised.value.errors()
    return f"{error['ctx']['expected']}; got {error['ctx']['got']}"


@pytest.mark.parametrize(
    ("text", "nominal", "low", "high"),
    [
        ("1.2", 1.2, 1.2, 1.2),
        ("1e3", 1000.0, 1000.0, 1000.0),
        (" 1.2 +- 0.1 ", 1.2, 1.1, 1.3),
        ("1.2+-0.1", 1.2, 1.1, 1.3),
        ("1.2 ± 0.1", 1.2, 1.1, 1.3),
        ("1.2 +- 10%", 1.2, 1.08, 1.32),
        ("1.2 +- 10 %", 1.2, 1.08, 1.32),
        ("-1.2 +- 10%", -1.2, -1.32, -1.08),
        ("1.1 .. 1.3", 1.2, 1.1, 1.3),
        ("1..3", 2.0, 1.0, 3.0),
        ("-3 .. -1", -2.0, -3.0, -1.0),
        ("5 .. 5", 5.0, 5.0, 5.0),
        ("1.0e-7 +- 10%", 1e-7, 0.9e-7, 1.1e-7),
        ("0 +- 0.5", 0.0, -0.5, 0.5),
    ],
)
def test_a_written_number_has_its_value_and_its_band(text: str, nominal: float, low: float, high: float) -> None:
    """Each form gives the nominal value and the ends of the band."""
    value = Toleranced.read(text)
    assert (float(value), value.low, value.high) == pytest.approx((nominal, low, high), rel=1e-12)


NO_FORM = """abc|1.2 +/- 0.1|10% +- 1|1.2 +-|+- 1|..|1 ..|1...3|1 .. 2 .. 3|1.1 \u2013 1.3|1,5|0x10|1.2 V|1.2 +- nan
1.2 +- 10%%|nan +- 1|1 .. inf|on|yes|.nan|.inf|-.INF"""


@pytest.mark.parametrize("text", ["", *NO_FORM.replace("\n", "|").split("|")])
def test_any_other_text_is_answered_with_the_forms(text: str) -> None:
    """What is none of the forms is refused, and the forms are said."""
    assert refused(any_v=text).startswith("as VALUE, 'VALUE +- PART', 'VALUE +- PERCENT%' or 'LOW .. HIGH'; got '")


@pytest.mark.parametrize(
    ("given", "got"), [(None, "nothing"), ([], "an empty list"), ([1.0], "a list"), ({}, "a mapping")]
)
def test_what_is_no_text_is_named(given: object, got: str) -> None:
    """Nothing, a list or a mapping in a number's place is said to be that."""
    assert refused(any_v=given).endswith(f"; got {got}")


@pytest.mark.parametrize(
    "text", ["nan", "NaN", "inf", "-inf", "Infinity", "1e400", "1e400 +- 1", "1 +- 1e400", "1 .. 1e400"]
)
def test_a_number_and_its_band_are_finite(text: str) -> None:
    """NaN and infinity are refused in every spelling, in the value and in the tolerance."""
    assert refused(any_v=text) == f"finite; got '{text}'"


@pytest.mark.parametrize("text", ["1.2 +- -0.1", "1.2 +- -10%"])
def test_a_tolerance_is_not_negative(text: str) -> None:
    """A negative tolerance is refused."""
    assert refused(any_v=text) == f"its tolerance not negative; got '{text}'"


def test_a_range_is_written_with_its_lower_end_first() -> None:
    """A range upside down is refused."""
    assert refused(any_v="1.3 .. 1.1") == "the lower end of a range first; got '1.3 .. 1.1'"


@pytest.mark.parametrize(
    ("key", "text", "expected"),
    [
        ("gap_m", "0", "more than 0; got 0"),
        ("gap_m", "-1", "more than 0; got -1"),
        ("gap_m", "1.2 +- 100%", "more than 0; got 1.2 with its tolerance 0 .. 2.4"),
        ("gap_m", "1.2 +- 1.3", "more than 0; got 1.2 with its tolerance -0.1 .. 2.5"),
        ("gap_m", "0 .. 1", "more than 0; got 0.5 with its tolerance 0 .. 1"),
        ("gap_m", "1e10", "more than 0 and at most 1e+09; got 1e+10"),
        ("noise_v", "-0.1", "at least 0; got -0.1"),
        ("noise_v", "0 +- 0.1", "at least 0; got 0 with its tolerance -0.1 .. 0.1"),
        ("wet_frac", "1.1", "from 0 to 1; got 1.1"),
        ("wet_frac", "0.95 +- 10%", "from 0 to 1; got 0.95 with its tolerance 0.855 .. 1.045"),
        ("sure_frac", "0", "more than 0 and at most 1; got 0"),
        ("growth_frac", "0.9", "at least 1; got 0.9"),
        ("growth_frac", "1 +- 0.1", "at least 1; got 1 with its tolerance 0.9 .. 1.1"),
        ("warm_degc", "200", "from -40 to 150; got 200"),
    ],
)
def test_the_whole_band_lies_in_the_keys_range(key: str, text: str, expected: str) -> None:
    """A value out of range is refused, and so is a tolerance that reaches out of it."""
    assert refused(**{key: text}) == expected


@pytest.mark.parametrize("text", ["1.2 +- 99%", "1e-12", f"{HUGE:g}"])
def test_a_band_that_just_stays_inside_is_taken(text: str) -> None:
    """Up to its bounds a range is open for every band."""
    assert Bounds.model_validate({"gap_m": text}).gap_m.low > 0.0


def test_a_number_keeps_its_band_when_it_is_sent_on() -> None:
    """Copies and pickles, as sweeps in other processes make them, keep value and band."""
    value = Toleranced.read("1.2 +- 0.1")
    for again in (pickle.loads(pickle.dumps(value)), copy.deepcopy(value)):
        assert (again, again.low, again.high) == (value, value.low, value.high)


def test_the_numbers_of_an_entry_are_known_by_their_dotted_keys() -> None:
    """Parts inside parts give their numbers under dotted keys."""
    assert {"inner.gap_m", "inner.any_v", "top_v"} <= set(quantities(Outer()))


def test_two_numbers_the_wrong_way_round_are_told_at_the_upper_one() -> None:
    """The refusal names the lower key with its value, and stands at the upper one."""
    entry = Bounds(gap_m=Toleranced(2.0), any_v=Toleranced(1.0))
    ordered(entry, "any_v", "gap_m")
    ordered(entry, "gap_m", "gap_m", may_equal=True)
    with pytest.raises(Exception, match=r"more than gap_m \(2\)") as raised:
        ordered(entry, "gap_m", "any_v")
    assert raised.value.context["at"] == ("any_v",)


finite = st.floats(-1e8, 1e8)


@given(finite, st.floats(0.0, 1e8))
def test_a_band_surrounds_its_value(nominal: float, part: float) -> None:
    """However it is written, the value lies in its band and the band is as wide as the tolerance says."""
    value = Toleranced.read(f"{nominal!r} +- {part!r}")
    assert value.low <= value <= value.high
    assert math.isclose(value.high - value.low, 2.0 * part, rel_tol=1e-9, abs_tol=1e-6)


@given(finite, finite)
def test_a_range_has_its_value_in_the_middle(one: float, other: float) -> None:
    """A range's value is halfway between its ends."""
    low, high = sorted((one, other))
    value = Toleranced.read(f"{low!r} .. {high!r}")
    assert (value.low, value.high) == (low, high)
    assert math.isclose(value - low, high - value, rel_tol=1e-9, abs_tol=1e-6)
