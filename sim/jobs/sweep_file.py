"""The sweep file: a scenario, what is changed in it, and what is reported of each case (row 4)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, create_model, model_validator

from sim.base.document import Entry, refusal
from sim.jobs.sweep_values import Draw, Line, Listed, Value, read_value

CASES_MAX = 10_000_000
# Beyond this not every whole number is a float of its own.
WHOLE_MOST = 2**53

RandomKind = Literal["uniform", "log_uniform", "normal", "whole", "choice"]
# Which keys each form takes besides, and which it may have.
_FORMS: Mapping[str, tuple[set[str], set[str]]] = {
    "values": (set(), set()),
    "steps": ({"from", "to"}, set()),
    "uniform": ({"from", "to"}, set()),
    "log_uniform": ({"from", "to"}, set()),
    "whole": ({"from", "to"}, set()),
    "normal": ({"mean", "deviation"}, {"from", "to"}),
    "choice": ({"values"}, set()),
}

# `from` is a word of Python's own, so that these two cannot be written as fields of a class.
_ENDS: dict[str, Any] = {"from": (float | None, None), "to": (float | None, None)}
_Ends = create_model("_Ends", __base__=Entry, **_ENDS)


class QuantityEntry(_Ends):  # type: ignore[valid-type,misc]
    """A grid (`values`; or `from`, `to`, `steps`) or a distribution (`random` and what it takes)."""

    values: tuple[str | None, ...] | None = None
    steps: Annotated[int, Field(ge=2, le=CASES_MAX)] | None = None
    random: RandomKind | None = None
    mean: float | None = None
    deviation: Annotated[float, Field(gt=0.0)] | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        given = {key for key in type(self).model_fields if getattr(self, key) is not None}
        form: str | None = self.random or next((key for key in ("values", "steps") if key in given), None)
        if form is None:
            got = ", ".join(sorted(given)) or "no keys"
            raise refusal("values; or from, to and steps; or random with what it takes", got)
        needed, optional = _FORMS[form]
        rest = given - {form, "random"}
        for key in sorted(needed - rest):
            raise refusal(f"this key beside {self._told(form)}", "no such key", key)
        for key in sorted(rest - needed - optional):
            raise refusal(f"no such key beside {self._told(form)}", _shown(getattr(self, key)), key)
        self._sensible(form)
        return self

    def _told(self, form: str) -> str:
        return f"random {form}" if self.random else form

    def _sensible(self, form: str) -> None:
        """Refuse numbers that do not go together.

        Raises
        ------
        PydanticCustomError
        """
        low, high = self.ends()
        if self.values == ():
            raise refusal("at least one value", "an empty list", "values")
        if form == "steps" and low == high:
            raise refusal(f"another number than from ({low:g})", f"{high:g}", "to")
        if self.random and low >= high:
            raise refusal(f"more than from ({low:g})", f"{high:g}", "to")
        if form == "log_uniform" and low <= 0.0:
            raise refusal("more than 0 with random log_uniform", f"{low:g}", "from")
        if form == "whole":
            for key, end in (("from", low), ("to", high)):
                if not end.is_integer() or abs(end) > WHOLE_MOST:
                    raise refusal(f"a whole number of at most {WHOLE_MOST} with random whole", f"{end:g}", key)
        if form == "values":
            for index, value in enumerate(self.values or ()):
                if value in (self.values or ())[:index]:
                    raise refusal("each value once", f"'{value}'", "values", index)

    def ends(self) -> tuple[float, float]:
        """`from` and `to`, infinite where they are not given."""
        start, stop = getattr(self, "from"), self.to
        return (-math.inf if start is None else start), (math.inf if stop is None else stop)

    def read(self) -> Listed | Line | Draw:
        """The values it stands for."""
        low, high = self.ends()
        listed = tuple(read_value(value) for value in self.values or ())
        if self.random:
            return Draw(self.random, low, high, self.mean or 0.0, self.deviation or 1.0, listed)
        return Listed(listed) if self.values else Line.through(low, high, self.steps or 2)

    def samples(self, most: int) -> Iterator[tuple[tuple[str | int, ...], Value]]:
        """Values that may be met, at most so many, each with the place in the entry that it comes from."""
        if self.values:
            yield from ((("values", index), read_value(value)) for index, value in enumerate(self.values[:most]))
            return
        low, high = self.ends()
        yield from ((("from",), end) for end in (low,) if end > -math.inf)
        yield from ((("to",), end) for end in (high,) if end < math.inf)
        if self.mean is not None:
            yield ("mean",), self.mean
        if self.steps:
            line = Line.through(low, high, self.steps)
            yield from ((("steps",), line[index]) for index in range(min(self.steps, most)))


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


class DrawsEntry(Entry):
    """How many draws of the random quantities there are at each point of the grid, and their seed."""

    count: Annotated[int, Field(ge=1, le=CASES_MAX)]
    seed: Annotated[int, Field(ge=0)] = 1


def _all(given: object) -> object:
    """`all` in the place of a list leaves nothing out."""
    if isinstance(given, str) and given != "all":
        raise refusal("all, or a list of ids", f"'{given}'")
    return None if given == "all" else given


def _names(given: Mapping[str, str]) -> Mapping[str, str]:
    for name in given:
        if not name.isidentifier():
            raise refusal("a name of letters, digits and _", f"'{name}'", name)
    return given


def _some(given: Mapping[str, QuantityEntry]) -> Mapping[str, QuantityEntry]:
    if not given:
        raise refusal("at least one quantity", "none")
    return given


class ReportEntry(Entry):
    """What is kept of each case besides its verdict: margins, single verdicts, measures by a name of one's own."""

    margins: Annotated[tuple[str, ...] | None, BeforeValidator(_all)] = None
    verdicts: Annotated[tuple[str, ...] | None, BeforeValidator(_all)] = ()
    measures: Annotated[Mapping[str, str], AfterValidator(_names)] = {}


class SweepFile(Entry):
    """The whole sweep file."""

    scenario: Annotated[str, Field(min_length=1)]
    says: str = ""
    quantities: Annotated[Mapping[str, QuantityEntry], AfterValidator(_some)]
    draws: DrawsEntry | None = None
    report: ReportEntry = ReportEntry()

    @model_validator(mode="after")
    def _draws_for_random(self) -> Self:
        random = [key for key, entry in self.quantities.items() if entry.random]
        if random and self.draws is None:
            raise refusal(f"this key, for {random[0]} is random", "no such key", "draws")
        if self.draws is not None and not random:
            raise refusal("no such key where no quantity is random", "draws", "draws")
        grid = (len(entry.read()) for entry in self.quantities.values() if not entry.random)  # type: ignore[arg-type]
        cases = math.prod(grid) * (self.draws.count if self.draws else 1)
        if cases > CASES_MAX:
            raise refusal(f"at most {CASES_MAX} cases", str(cases), "quantities")
        return self
