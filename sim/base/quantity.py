"""Numbers that nobody knows exactly: a nominal value with a tolerance (row 0)."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from sim.base.document import number_refusal, refusal
from sim.base.wording import given as words_for

FORMS = "as VALUE, 'VALUE +- PART', 'VALUE +- PERCENT%' or 'LOW .. HIGH'"
# Beyond any number of a real machine, and far inside what a float can multiply.
HUGE = 1e9
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_PLUS_MINUS = re.compile(rf"^({_NUMBER})\s*(?:\+-|±)\s*({_NUMBER})\s*(%?)$")
# Three dots in a row could be read two ways.
_RANGE = re.compile(rf"^({_NUMBER})\s*(?<!\.)\.\.(?!\.)\s*({_NUMBER})$")


class Toleranced(float):
    """A float that is its nominal value and knows the band it may lie in.

    Attributes
    ----------
    low, high : float
        Ends of the band, both equal to the value where no tolerance is given.
    """

    low: float
    high: float

    def __new__(cls, nominal: float, low: float | None = None, high: float | None = None) -> Toleranced:
        made = super().__new__(cls, nominal)
        made.low = float(nominal if low is None else low)
        made.high = float(nominal if high is None else high)
        return made

    def __reduce__(self) -> tuple[type[Toleranced], tuple[float, float, float]]:
        return Toleranced, (float(self), self.low, self.high)

    @classmethod
    def read(cls, given: object) -> Toleranced:
        """The quantity written as text or number.

        Raises
        ------
        PydanticCustomError
            Not one of the forms, not finite, a negative tolerance, a range upside down.
        """
        if isinstance(given, Toleranced):
            return given
        text = given.strip() if isinstance(given, str) else str(given)
        if match := _PLUS_MINUS.match(text):
            nominal, part = float(match[1]), float(match[2])
            if part < 0.0:
                raise number_refusal("its tolerance not negative", words_for(given))
            part = abs(nominal) * part / 100.0 if match[3] else part
            made = cls(nominal, nominal - part, nominal + part)
        elif match := _RANGE.match(text):
            low, high = float(match[1]), float(match[2])
            if high < low:
                raise number_refusal("the lower end of a range first", words_for(given))
            made = cls(0.5 * low + 0.5 * high, low, high)
        else:
            try:
                made = cls(float(text))
            except ValueError:
                raise number_refusal(FORMS, words_for(given)) from None
        if not (math.isfinite(made.low) and math.isfinite(made.high)):
            raise number_refusal("finite", words_for(given))
        return made

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(cls.read)


def exact(value: float) -> Toleranced:
    """A number without tolerance."""
    return Toleranced(value)


def ordered(entry: BaseModel, lower: str, upper: str, may_equal: bool = False) -> None:
    """Refuse two numbers of an entry that stand the wrong way round.

    Raises
    ------
    PydanticCustomError
        At the upper one.
    """
    low, high = getattr(entry, lower), getattr(entry, upper)
    if high < low or (high == low and not may_equal):
        word = "at least" if may_equal else "more than"
        raise refusal(f"{word} {lower} ({low:g})", f"{high:g}", upper)


def quantities(entry: BaseModel, prefix: str = "") -> dict[str, Toleranced]:
    """Every toleranced number of an entry and its parts, by its dotted key."""
    found: dict[str, Toleranced] = {}
    for name in type(entry).model_fields:
        value: Any = getattr(entry, name)
        if isinstance(value, Toleranced):
            found[prefix + name] = value
        elif isinstance(value, BaseModel):
            found.update(quantities(value, f"{prefix}{name}."))
    return found


def within(low: float, high: float = HUGE, above: bool = False) -> AfterValidator:
    """Check that the whole band lies from `low` (or, with `above`, from more than that) to `high`."""
    floor = f"more than {low:g}" if above else f"at least {low:g}"
    both = f"{floor} and at most {high:g}" if above else f"from {low:g} to {high:g}"

    def check(value: Toleranced) -> Toleranced:
        too_low = value.low <= low if above else value.low < low
        if too_low or value.high > high:
            # Nobody needs to hear of a bound that no real part comes near.
            words = floor if too_low and high == HUGE else both
            band = f" with its tolerance {value.low:g} .. {value.high:g}" if value.low != value.high else ""
            raise number_refusal(words, f"{float(value):g}{band}")
        return value

    return AfterValidator(check)


Positive = Annotated[Toleranced, within(0.0, above=True)]
NotNegative = Annotated[Toleranced, within(0.0)]
Fraction = Annotated[Toleranced, within(0.0, 1.0)]
PositiveFraction = Annotated[Toleranced, within(0.0, 1.0, above=True)]
AtLeastOne = Annotated[Toleranced, within(1.0)]
Celsius = Annotated[Toleranced, within(-40.0, 150.0)]
