"""Numbers that nobody knows exactly: a nominal value with a tolerance (row 0)."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any

from pydantic import AfterValidator, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from sim.base.document import refusal

FORMS = "a number, 'VALUE +- PART', 'VALUE +- PERCENT%' or 'LOW .. HIGH'"
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_PLUS_MINUS = re.compile(rf"^({_NUMBER})\s*(?:\+-|±)\s*({_NUMBER})\s*(%?)$")
_RANGE = re.compile(rf"^({_NUMBER})\s*\.\.\s*({_NUMBER})$")


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
        text = str(given).strip()
        if match := _PLUS_MINUS.match(text):
            nominal, part = float(match[1]), float(match[2])
            if part < 0.0:
                raise refusal("a tolerance that is not negative", text)
            part = abs(nominal) * part / 100.0 if match[3] else part
            return cls(nominal, nominal - part, nominal + part)
        if match := _RANGE.match(text):
            low, high = float(match[1]), float(match[2])
            if high < low:
                raise refusal("a range from low to high", text)
            return cls(0.5 * (low + high), low, high)
        try:
            value = float(text)
        except ValueError:
            raise refusal(FORMS, f"'{text}'" if given is not None else "nothing") from None
        if not math.isfinite(value):
            raise refusal("a finite number", text)
        return cls(value)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(cls.read)


def _within(low: float, high: float, open_low: bool, words: str) -> AfterValidator:
    def check(value: Toleranced) -> Toleranced:
        too_low = value.low <= low if open_low else value.low < low
        if too_low or value.high > high:
            band = f" with its tolerance {value.low:g} .. {value.high:g}" if value.low != value.high else ""
            raise refusal(words, f"{float(value):g}{band}")
        return value

    return AfterValidator(check)


Positive = Annotated[Toleranced, _within(0.0, math.inf, True, "more than 0")]
NotNegative = Annotated[Toleranced, _within(0.0, math.inf, False, "0 or more")]
Fraction = Annotated[Toleranced, _within(0.0, 1.0, False, "from 0 to 1")]
PositiveFraction = Annotated[Toleranced, _within(0.0, 1.0, True, "more than 0 and at most 1")]
AtLeastOne = Annotated[Toleranced, _within(1.0, math.inf, False, "1 or more")]
Celsius = Annotated[Toleranced, _within(-40.0, 150.0, False, "from -40 to 150 degrees Celsius")]
