"""What a model wanted and what it was given, in the words of the file's reader (row 0)."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, Union

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from sim.base.errors import did_you_mean, shown

Place = tuple[str | int, ...]

UNITS = {
    "v": "volts",
    "a": "amperes",
    "ohm": "ohms",
    "f": "farads",
    "w": "watts",
    "nm": "newton metres",
    "n": "newtons",
    "s": "seconds",
    "us": "microseconds",
    "hz": "hertz",
    "degc": "degrees Celsius",
    "frac": "a fraction of 1",
    "m": "metres",
    "m2": "square metres",
    "kg": "kilograms",
    "tesla": "tesla",
    "ah": "ampere hours",
    "s_m": "siemens per metre",
    "kg_m": "kilograms per metre",
    "kg_m2": "kilograms times square metres",
    "kg_m3": "kilograms per cubic metre",
    "k_w": "kelvins per watt",
    "j_k": "joules per kelvin",
    "j_mol": "joules per mole",
    "v_tesla": "volts per tesla",
    "rpm_v": "turns a minute per volt",
    "frac_s": "fractions of full per second",
    "frac_k": "fractions per kelvin",
}

_COMPARED = {
    "greater_than": "more than",
    "greater_than_equal": "at least",
    "less_than": "less than",
    "less_than_equal": "at most",
}


def unit_of(key: str) -> str:
    """The unit in a key's name, in words; nothing where it has none.

    The order is noun, unit, qualifiers: the unit is looked for from the end,
    and the longest one counts (`drag_kg_m` is not in metres).
    """
    parts = key.split("_")
    for end in range(len(parts), 1, -1):
        for start in range(1, end):
            if unit := UNITS.get("_".join(parts[start:end])):
                return unit
    return ""


def asked(annotations: Iterable[Any], key: str) -> str:
    """What a key takes, in words."""
    plain = [part for annotation in annotations for part in _plain(annotation)]
    classes = [part for part in plain if isinstance(part, type) and not isinstance(part, types.GenericAlias)]
    number = next((part for part in (float, int) if any(issubclass(each, part) for each in classes)), None)
    if bool in classes:
        return "true or false"
    if number is not None:
        unit = unit_of(key)
        if unit.startswith("a "):
            return unit
        return ("a number" if number is float else "a whole number") + (f" in {unit}" if unit else "")
    if str in classes:
        return "text"
    if any(issubclass(each, BaseModel) for each in classes):
        return "a mapping of keys"
    origins = [typing.get_origin(part) for part in plain]
    if Literal in origins:
        return "one of " + ", ".join(_choices(plain))
    return "a mapping of keys" if Mapping in origins else "a list"


def inside(annotations: Iterable[Any], part: str | int) -> list[Any]:
    """What stands under a key or index of something that takes these."""
    found: list[Any] = []
    for annotation in (each for outer in annotations for each in _plain(outer)):
        arguments = typing.get_args(annotation)
        if isinstance(part, str):
            if _is_model(annotation) and part in annotation.model_fields:
                found.append(annotation.model_fields[part].annotation)
            elif typing.get_origin(annotation) is Mapping:
                found.append(arguments[1])
        elif typing.get_origin(annotation) in (tuple, list) and arguments:
            found.append(arguments[min(part, len(arguments) - 1)] if Ellipsis not in arguments else arguments[0])
    return found


def known_keys(annotations: Iterable[Any]) -> list[str]:
    """The keys that something takes."""
    models = (each for outer in annotations for each in _plain(outer) if _is_model(each))
    return sorted({key for model in models for key in model.model_fields})


def expected(detail: ErrorDetails, annotations: list[Any], key: str) -> str:
    """What one of pydantic's errors says was expected."""
    context: Mapping[str, Any] = detail.get("ctx", {})
    kind = detail["type"]
    wanted = asked(annotations, key)
    if kind == "refused":
        return str(context["expected"])
    if kind == "number_refused":
        return f"{wanted}, {context['expected']}"
    if kind == "missing":
        return f"this key, with {wanted}"
    if kind in _COMPARED:
        return f"{wanted}, {_COMPARED[kind]} {next(iter(context.values())):g}"
    if kind == "finite_number":
        return f"{wanted}, finite"
    if kind == "string_too_short":
        return "text that is not empty"
    if kind == "string_pattern_mismatch":
        return f"text of the form {context['pattern']}"
    if kind == "literal_error":
        choices = _choices(part for annotation in annotations for part in _plain(annotation))
        return wanted + did_you_mean(str(detail["input"]), choices)
    if kind == "value_error":
        # Validators of other layers say "expected ..." in plain ValueErrors.
        return detail["msg"].removeprefix("Value error, ").removeprefix("expected ")
    return wanted


def got(detail: ErrorDetails) -> str:
    """What one of pydantic's errors was given."""
    if detail["type"] in ("refused", "number_refused"):
        return str(detail["ctx"]["got"])
    if detail["type"] == "missing":
        return "no such key"
    if detail["type"] == "value_error" and isinstance(detail["input"], Mapping):
        return shown(", ".join(map(str, detail["input"])))
    return given(detail["input"])


def given(value: object) -> str:
    """What stands in a file, in a few words."""
    if value is None:
        return "nothing"
    if isinstance(value, Mapping | BaseModel):
        return "a mapping"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    return f"'{shown(value)}'"


def _plain(annotation: Any) -> list[Any]:
    """The annotation without what is said about it, its alternatives side by side."""
    origin = typing.get_origin(annotation)
    if origin is Annotated:
        return _plain(typing.get_args(annotation)[0])
    if origin in (Union, types.UnionType):
        return [part for each in typing.get_args(annotation) if each is not type(None) for part in _plain(each)]
    return [annotation]


def _choices(plain: Iterable[Any]) -> list[str]:
    return [str(choice) for part in plain if typing.get_origin(part) is Literal for choice in typing.get_args(part)]


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and not typing.get_origin(annotation) and issubclass(annotation, BaseModel)
