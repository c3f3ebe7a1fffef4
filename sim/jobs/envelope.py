"""The envelope file: the days on which a vehicle is to be used, and the corners that they make (row 4)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, ValidationError, model_validator

from sim.base.document import Entry, load, refusal
from sim.bench.scenario import Frac, PackEntry, WaterEntry
from sim.jobs.ride import Attitude
from sim.jobs.trials import Corner

Kind = Literal["air", "lake", "pool", "salt_pool", "brackish", "sea"]
ATTITUDES = {"held": "held still", "towed": "towed", "worn": "worn"}


def _each_once(values: tuple[Any, ...]) -> tuple[Any, ...]:
    """Refuse an empty list, and a value that stands twice, at the second."""
    if not values:
        raise refusal("a list that is not empty", "an empty list")
    for index, value in enumerate(values):
        if value in values[:index]:
            raise refusal("each value once", f"{value}", index)
    return values


Once = AfterValidator(_each_once)


class Age(Entry):
    """How worn the pack is; the weakest cell's numbers replace the vehicle's, with their tolerance, if given."""

    name: Annotated[str, Field(min_length=1)]
    resistance_growth_frac: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    capacity_loss_frac: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.0
    weak_capacity_frac: Annotated[float, Field(gt=0.0, le=1.0)] | None = None
    weak_resistance_frac: Annotated[float, Field(ge=1.0, le=10.0)] | None = None

    def vehicle_set(self) -> dict[str, float]:
        """The spread of the cells at this age, as numbers of the vehicle."""
        given = {
            "pack.weak_capacity_frac": self.weak_capacity_frac,
            "pack.weak_resistance_frac": self.weak_resistance_frac,
        }
        return {key: value for key, value in given.items() if value is not None}


class Envelope(Entry):
    """Every list holds values that a day may have; any of each goes with any of the others."""

    charge_frac: Annotated[tuple[Frac, ...], Once] = (0.15, 1.0)
    pack_degc: Annotated[tuple[Annotated[float, Field(ge=-20.0, le=60.0)], ...], Once] = (4.0, 35.0)
    ages: Annotated[tuple[Age, ...], Once] = (
        Age(name="new"),
        Age(name="aged", resistance_growth_frac=0.5, capacity_loss_frac=0.2),
    )
    water: Annotated[tuple[Kind, ...], Once] = ("lake", "pool", "sea")
    water_degc: Annotated[tuple[Annotated[float, Field(ge=-40.0, le=60.0)], ...], Once] = (4.0, 25.0)
    attitudes: Annotated[tuple[Attitude, ...], Once] = ("held", "towed")

    @model_validator(mode="after")
    def _possible(self) -> Self:
        names = [age.name for age in self.ages]
        for index, name in enumerate(names):
            if name in names[:index]:
                raise refusal("each name once", name, "ages", index, "name")
        for kind, (index, degc) in product(self.water, enumerate(self.water_degc)):
            try:
                WaterEntry(kind=kind, temperature_degc=degc)
            except ValidationError as error:
                expected = error.errors()[0]["ctx"]["expected"]
                raise refusal(expected, f"{degc:g}", "water_degc", index) from None
        if set(self.water) == {"air"} and "held" not in self.attitudes:
            raise refusal("held, the one attitude in air", ", ".join(self.attitudes), "attitudes")
        return self


def load_envelope(path: Path) -> Envelope:
    """The envelope file, checked.

    Raises
    ------
    InputError
        Every fault with its line.
    """
    return load(path, Envelope, "an envelope file")


def conditions(envelope: Envelope) -> tuple[Corner, ...]:
    """Every combination of an envelope's values, the vehicle's numbers as its file has them but for the age's.

    In air nothing but held still is possible; other attitudes are left out there.
    """
    found = []
    days = product(
        envelope.pack_degc,
        envelope.ages,
        envelope.charge_frac,
        envelope.attitudes,
        envelope.water,
        envelope.water_degc,
    )
    for pack_degc, age, charge, attitude, kind, degc in days:
        if kind == "air" and attitude != "held":
            continue
        around = kind if len(envelope.water_degc) == 1 else f"{kind} at {degc:g} degC"
        warmth = _warmth(pack_degc, envelope.pack_degc)
        found.append(
            Corner(
                name=f"{warmth}, {age.name}, {100.0 * charge:g} % charge, {ATTITUDES[attitude]}, {around}",
                water=WaterEntry(kind=kind, temperature_degc=degc),
                pack=PackEntry(
                    charge_frac=charge,
                    temperature_degc=pack_degc,
                    resistance_growth_frac=age.resistance_growth_frac,
                    capacity_loss_frac=age.capacity_loss_frac,
                ),
                attitude=attitude,
                vehicle_set=age.vehicle_set(),
            )
        )
    return tuple(found)


def _warmth(pack_degc: float, among: Sequence[float]) -> str:
    """A pack's temperature in a word where it is the lowest or highest of several."""
    if len(among) > 1 and pack_degc in (min(among), max(among)):
        return "cold" if pack_degc == min(among) else "warm"
    return f"{pack_degc:g} degC"
