"""YAML files read into checked models, every fault with its line and column (row 0).

The text is composed, not loaded: that keeps positions, shows duplicate keys,
and leaves each scalar as the text that was written, so that the model's
declared type alone decides how it is read.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from sim.base.errors import Fault, InputError, did_you_mean
from sim.base.files import read_text

Place = tuple[str | int, ...]
Marks = dict[Place, tuple[int, int]]
Model = TypeVar("Model", bound=BaseModel)

# Deep enough for every file of ours; stops an alias that contains itself.
DEPTH_MAX = 20

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
    "kg": "kilograms",
    "tesla": "tesla",
    "ah": "ampere hours",
}


class Entry(BaseModel):
    """A part of a file: unknown keys are faults, values never change afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, validate_default=True)


def refusal(expected: str, got: object) -> PydanticCustomError:
    """The error a validator raises to say in words what it expected."""
    return PydanticCustomError("refused", "{expected}", {"expected": expected, "got": str(got)})


def load(path: Path, model: type[Model], what: str) -> Model:
    """The file as a checked model.

    Raises
    ------
    InputError
        Everything wrong with the file, in the order of its lines.
    """
    data, marks, faults = composed(path, what)
    if faults:
        raise InputError(faults)
    return checked(path, data, marks, model)


def composed(path: Path, what: str) -> tuple[Any, Marks, list[Fault]]:
    """The file's tree as dicts, lists and text, and where each part of it stands."""
    text = read_text(path, what)
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = (mark.line + 1, mark.column + 1) if mark else (None, None)
        raise InputError([Fault(str(path), "", "valid YAML", error.problem or str(error), *where)]) from error
    except yaml.YAMLError as error:
        raise InputError([Fault(str(path), "", "valid YAML", " ".join(str(error).split()))]) from error
    if root is None:
        raise InputError([Fault(str(path), "", what, "an empty file", 1, 1)])
    marks: Marks = {}
    faults: list[Fault] = []
    return _plain(root, (), str(path), marks, faults), marks, faults


def checked(path: Path, data: object, marks: Marks, model: type[Model]) -> Model:
    """`data` through the model; pydantic's errors become faults with places."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        details = error.errors(include_url=False)
        faults = [_fault(str(path), detail, marks, model) for detail in details]
        unique = list(dict.fromkeys(faults))
        raise InputError(sorted(unique, key=lambda fault: (fault.line or 0, fault.column or 0))) from None


def written(place: Place) -> str:
    """A place in the tree as a reader writes it: ``rider[2].at_s``."""
    text = ""
    for part in place:
        text += f"[{part}]" if isinstance(part, int) else (f".{part}" if text else part)
    return text


def _plain(node: yaml.Node, place: Place, path: str, marks: Marks, faults: list[Fault]) -> Any:
    here = (node.start_mark.line + 1, node.start_mark.column + 1)
    marks.setdefault(place, here)
    if len(place) > DEPTH_MAX:
        faults.append(Fault(path, written(place), f"at most {DEPTH_MAX} levels", "more", *here))
        return None
    if isinstance(node, yaml.SequenceNode):
        return [_plain(item, (*place, index), path, marks, faults) for index, item in enumerate(node.value)]
    if isinstance(node, yaml.MappingNode):
        result: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = str(key_node.value)
            at = (key_node.start_mark.line + 1, key_node.start_mark.column + 1)
            if not isinstance(key_node, yaml.ScalarNode):
                faults.append(Fault(path, written(place), "a plain key", "a list or mapping as key", *at))
                continue
            if key in result:
                faults.append(Fault(path, written((*place, key)), "each key once", "a second one", *at))
            marks.setdefault((*place, key, "key"), at)
            result[key] = _plain(value_node, (*place, key), path, marks, faults)
        return result
    empty = node.tag == "tag:yaml.org,2002:null"
    return None if empty else node.value


def _fault(path: str, detail: ErrorDetails, marks: Marks, model: type[BaseModel]) -> Fault:
    place = _known_place(detail["loc"], marks)
    kind = detail["type"]
    key_place = (*place, "key")
    line, column = marks.get(place, marks.get((), (1, 1)))
    if kind == "extra_forbidden":
        line, column = marks.get(key_place, (line, column))
        known = _fields_at(model, place[:-1])
        name = str(place[-1])
        hint = did_you_mean(name, known)
        return Fault(
            path, written(place), f"one of the keys {', '.join(known)}{hint}", f"unknown key {name}", line, column
        )
    if kind == "missing":
        missing = (*place, str(detail["loc"][-1]))
        return Fault(
            path, written(missing), f"this key, with {_kind_of(str(missing[-1]))}", "no such key", line, column
        )
    return Fault(path, written(place), _expected(detail, place), _got(detail), line, column)


def _known_place(loc: tuple[int | str, ...], marks: Marks) -> Place:
    """The error's location without what pydantic adds for unions and validators."""
    place: Place = ()
    for part in loc:
        if (*place, part) in marks:
            place = (*place, part)
    return place


def _expected(detail: ErrorDetails, place: Place) -> str:
    key = next((part for part in reversed(place) if isinstance(part, str)), "")
    context: Mapping[str, Any] = detail.get("ctx", {})
    kind = detail["type"]
    if kind == "refused":
        return str(context["expected"])
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        word = {"greater_than": "more than", "greater_than_equal": "at least"}.get(
            kind, "less than" if kind == "less_than" else "at most"
        )
        return f"{_kind_of(key)}, {word} {next(iter(context.values()))}"
    if kind == "finite_number":
        return f"a finite {_kind_of(key).removeprefix('a ')}"
    if kind.startswith("float"):
        return _kind_of(key)
    if kind.startswith("int"):
        return "a whole number" + _unit_of(key)
    if kind.startswith("bool"):
        return "true or false"
    if kind in ("literal_error", "enum"):
        wanted = str(context["expected"])
        choices = [choice.strip(" '") for choice in wanted.replace(" or ", ", ").split(",")]
        return f"one of {', '.join(choices)}{did_you_mean(str(detail['input']), choices)}"
    if kind in ("list_type", "tuple_type"):
        return "a list"
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return "a mapping of keys"
    if kind == "string_type":
        return "text"
    # Validators of other layers say "expected ..." in plain ValueErrors.
    said = detail["msg"].removeprefix("Value error, ").removeprefix("expected ")
    return said[0].lower() + said[1:]


def _got(detail: ErrorDetails) -> str:
    if detail["type"] == "refused":
        return str(detail["ctx"]["got"])
    got = detail["input"]
    if got is None:
        return "nothing"
    if isinstance(got, dict):
        return "a mapping"
    if isinstance(got, list | tuple):
        return "an empty list" if not got else "a list"
    return f"'{got}'"


def _unit_of(key: str) -> str:
    unit = UNITS.get(key.rpartition("_")[2]) if "_" in key else None
    return f" in {unit}" if unit and not unit.startswith("a ") else ""


def _kind_of(key: str) -> str:
    if key.endswith("_frac"):
        return "a fraction of 1"
    return f"a number{_unit_of(key)}" if _unit_of(key) else "a value"


def _fields_at(model: type[BaseModel], place: Place) -> list[str]:
    """The keys the model takes at a place in the tree."""
    found: set[type[BaseModel]] = {model}
    for part in place:
        if isinstance(part, str):
            annotations = [entry.model_fields[part].annotation for entry in found if part in entry.model_fields]
            found = {entry for annotation in annotations for entry in _models_in(annotation)}
    return sorted({field for entry in found for field in entry.model_fields})


def _models_in(annotation: Any) -> set[type[BaseModel]]:
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return {annotation} if issubclass(annotation, BaseModel) else set()
    return {model for inner in typing.get_args(annotation) for model in _models_in(inner)}
