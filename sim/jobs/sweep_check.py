"""What is wrong with a sweep's quantity by itself, before anything is run (row 4)."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeAlias

from pydantic import BaseModel, ValidationError

from sim.base.document import Place, checked, written
from sim.base.errors import Fault, InputError, did_you_mean, shown
from sim.base.quantity import Toleranced
from sim.base.wording import given
from sim.bench.control import SHIPPED, WHOLE, shipped_controllers
from sim.bench.vehicle import Vehicle
from sim.bench.vehicle import quantities as numbers
from sim.jobs.case import Case, CaseFile
from sim.jobs.sweep_file import QuantityEntry
from sim.jobs.sweep_tree import with_value
from sim.jobs.sweep_values import Quantity, Value
from sim.verdict.catalogue import load_catalogue

KEY = re.compile(r"[a-z]\w*(\[\d{1,6}\])*(\.[a-z]\w*(\[\d{1,6}\])*)*")
# Names and sentences change nothing, and requirements are judged, not run.
FIXED = ("name", "says", "requirements", "requirements_from")
# Of a long grid so many values are tried beforehand.
TRIED_MOST = 1000

Wrong: TypeAlias = tuple[str, str]
"""What was expected, and what there is instead."""


def quantity_faults(quantity: Quantity, entry: QuantityEntry, base: Case, tree: Mapping[str, Any]) -> Iterator[Fault]:
    """Everything wrong with one quantity.

    A value that the scenario takes with none or some of the other quantities'
    values is not refused: its case tells.

    Parameters
    ----------
    base, tree : the scenario as it is, read and as its file has it.
    """
    here = written(("quantities", quantity.key))
    if wrong := _wrong_key(quantity.key, quantity.place, base, tree):
        yield Fault("", here, *wrong)
        return
    told: set[Place] = set()
    for place, value in entry.samples(TRIED_MOST):
        # One line says enough of an end, or of a grid of which no value fits.
        if place in told or (told and place == ("steps",)):
            continue
        if wrong := _wrong_value(quantity.place, value, base, tree):
            told.add(place)
            unknown = wrong[1].startswith("unknown key")
            yield Fault("", here if unknown else written(("quantities", quantity.key, *place)), *wrong)
            if unknown:
                return


def _wrong_key(key: str, place: Place, base: Case, tree: Mapping[str, Any]) -> Wrong | None:
    """Why a key is no place in the scenario that may be changed."""
    head = place[0]
    if not KEY.fullmatch(key):
        return "a key of the scenario file, such as pack.charge_frac or rider[2].at_s", f"unknown key {shown(key)}"
    if head in FIXED:
        return "a key of the scenario that changes the run", f"unknown key {key}"
    known: dict[Any, tuple[str, list[str]]] = {
        "vehicle_set": ("a number of the vehicle", list(numbers(base.bench.vehicle))),
        "params_set": ("a parameter of the controller", _parameters(base)),
        "standard": ("a limit of the catalogue", [f"limits.{name}" for name in load_catalogue().limits]),
    }
    if head in known:
        what, names = known[head]
        name = key.partition(".")[2]
        if name not in names:
            return f"{what}{did_you_mean(name, names)}", f"unknown key {shown(name) or head}"
        return None
    node: Any = tree
    for part in place:
        if isinstance(part, int) and not (isinstance(node, list) and part < len(node)):
            there = f"0 to {len(node) - 1}" if isinstance(node, list) and node else "none"
            return f"an index of the scenario's list ({there})", f"unknown key {key}"
        node = node[part] if isinstance(part, int) else node.get(part) if isinstance(node, Mapping) else None
    return None


def _parameters(base: Case) -> list[str]:
    return [name for name in type(base.bench.controller.params)._fields if name != "tick_us"]


def _wrong_value(place: Place, value: Value, base: Case, tree: Mapping[str, Any]) -> Wrong | None:
    """Why the scenario does not take a value in a place, whatever the rest of it is."""
    head, name = place[0], str(place[-1])
    if wrong := _own_wrong(CaseFile, with_value(tree, place, value), place):
        return wrong
    if head == "vehicle_set":
        inside = tuple(name.split("."))
        exact: Any = Toleranced(float(value or 0.0))
        return _own_wrong(Vehicle, with_value(base.bench.vehicle.model_dump(), inside, exact), inside)
    if head == "params_set":
        limits = getattr(sys.modules[base.bench.controller.initial.__module__], "LIMITS", {})
        low, high = limits.get(name, WHOLE)
        return None if low <= float(value or 0) <= high else (f"a whole number, {low} to {high}", given(value))
    return (
        _wrong_file(name, str(value), base.bench.path.parent) if head in ("vehicle", "controller", "params") else None
    )


def _own_wrong(model: type[BaseModel], data: Mapping[str, Any], place: Place) -> Wrong | None:
    """What a model says against what stands in one place, as far as it looks at nothing else."""
    try:
        model.model_validate(data)
        return None
    except ValidationError as error:
        # What a part says of several of its keys together stands at the part.
        if not any(detail["loc"][: len(place)] == place for detail in error.errors(include_url=False)):
            return None
    try:
        checked(Path(), data, {(): (1, 1)}, model)
    except InputError as error:
        faults = [fault for fault in error.faults if fault.key.startswith(written(place))]
        return (faults[0].expected, faults[0].got) if faults else None
    return None


def _wrong_file(key: str, value: str, beside: Path) -> Wrong | None:
    """Why a file or shipped name cannot be found."""
    shipped = {
        "vehicle": [],
        "controller": shipped_controllers(),
        "params": sorted(path.stem for path in SHIPPED.glob("*.yaml")),
    }[key]
    if value in shipped or value == "None" or (beside / value).is_file():
        return None
    names = f"a file or one of {', '.join(shipped)}{did_you_mean(value, shipped)}" if shipped else "a file"
    return names, f"'{shown(value)}'"
