"""A requirement as it stands in a YAML file (row 3)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeAlias, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StrictFloat, StrictInt, StrictStr, model_validator

from sim.base.errors import Fault, InputError
from sim.verdict.formula import parse, parse_constant
from sim.verdict.latency import Latency
from sim.verdict.measures import parse_measure
from sim.verdict.place import Place
from sim.verdict.requirement import Bounded, Claim, Requirement
from sim.verdict.tree import Constant

# A number as it is, or arithmetic on numbers and named limits.
Figure: TypeAlias = StrictInt | StrictFloat | StrictStr

Read = TypeVar("Read")

_FORMS: dict[str, tuple[frozenset[str], frozenset[str]]] = {
    # The key that tells the form: the keys it needs besides, and those it may have.
    "formula": (frozenset(), frozenset()),
    "after": (frozenset({"expect", "within_s"}), frozenset({"hold_s"})),
    "measure": (frozenset(), frozenset({"at_least", "at_most"})),
}


class RequirementEntry(BaseModel):
    """`id`, `says`, and one of three forms.

    `formula`; or `after`, `expect`, `within_s` and perhaps `hold_s`; or
    `measure` and one or both of `at_least`, `at_most`.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: StrictStr = Field(pattern=r"^[a-z][a-z0-9_-]*$")
    says: StrictStr = Field(min_length=1)
    formula: StrictStr | None = None
    after: StrictStr | None = None
    expect: StrictStr | None = None
    within_s: Figure | None = None
    hold_s: Figure | None = None
    measure: StrictStr | None = None
    at_least: Figure | None = None
    at_most: Figure | None = None

    @model_validator(mode="after")
    def _one_form(self) -> RequirementEntry:
        given = {key for key in type(self).model_fields if key not in ("id", "says") and getattr(self, key) is not None}
        forms = [key for key in _FORMS if key in given]
        if len(forms) != 1:
            raise ValueError("expected exactly one of formula, after, measure")
        needed, optional = _FORMS[forms[0]]
        rest = given - {forms[0]}
        if missing := sorted(needed - rest):
            raise ValueError(f"expected {', '.join(missing)} beside {forms[0]}")
        if unfit := sorted(rest - needed - optional):
            raise ValueError(f"expected no {', '.join(unfit)} beside {forms[0]}")
        if forms[0] == "measure" and not rest:
            raise ValueError("expected at_least or at_most beside measure")
        return self

    def requirement(self, path: str, places: Mapping[str, Place] | None = None) -> Requirement:
        """The requirement, its formulas read.

        Parameters
        ----------
        path : str
            The file, for faults.
        places : mapping of key to Place
            Where each key's text starts, where that is known.

        Raises
        ------
        InputError
            All faults of all its texts at once.
        """
        reader = _Texts(path, places or {})
        formula, measure = (
            reader.read(parse, "formula", self.formula),
            reader.read(parse_measure, "measure", self.measure),
        )
        after, expect = reader.read(parse, "after", self.after), reader.read(parse, "expect", self.expect)
        within, hold = reader.constant("within_s", self.within_s), reader.constant("hold_s", self.hold_s)
        at_least, at_most = reader.constant("at_least", self.at_least), reader.constant("at_most", self.at_most)
        claim: Claim | None = formula
        if measure:
            claim = Bounded(measure=measure, at_least=at_least, at_most=at_most)
        elif after and expect and within:
            claim = Latency(after=after, expect=expect, within=within, hold=hold)
        if reader.faults or claim is None:
            raise InputError(reader.faults)
        return Requirement(id=self.id, says=self.says, claim=claim)


class _Texts:
    """Reads the texts of one entry and collects their faults."""

    def __init__(self, path: str, places: Mapping[str, Place]) -> None:
        self.faults: list[Fault] = []
        self._path = path
        self._places = places

    def read(self, parser: Callable[[str, Place], Read], key: str, text: str | None) -> Read | None:
        """What the text says; `None` where there is no text or it has a fault."""
        try:
            return None if text is None else parser(text, self._places.get(key, Place(self._path, key)))
        except InputError as error:
            self.faults += error.faults
            return None

    def constant(self, key: str, value: Figure | None) -> Constant | None:
        """A number is read from its own text, so that `.nan` and `.inf` are refused like any other word."""
        return self.read(parse_constant, key, None if value is None else str(value))
