"""YAML files read into checked models, every fault with its line and column (row 0).

The text is composed, not loaded: that keeps positions, shows duplicate keys,
and leaves each scalar as the text that was written, so that the model's
declared type alone decides how it is read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError
from yaml.reader import ReaderError

from sim.base import wording
from sim.base.errors import Fault, InputError, did_you_mean, in_file_order, shown
from sim.base.files import read_text, spot
from sim.base.wording import Place as Place

Marks = dict[Place, tuple[int, int]]
Model = TypeVar("Model", bound=BaseModel)

# Larger than every file of ours, small enough to be read in seconds; an alias may multiply a file's parts.
LONGEST = 1_000_000
DEPTH_MAX = 20
PARTS_MAX = 200_000
# So many keys that nothing asks for tell that the file is of another kind; of a list of keys so many are shown.
STRANGE = 4

# What a value written without a tag may be; any other tag asks for something that is not done here.
_SCALARS = ("null", "bool", "int", "float", "timestamp", "str", "merge", "value")
_TAGS = {f"tag:yaml.org,2002:{name}" for name in (*_SCALARS, "seq", "map")}
_NULL = "tag:yaml.org,2002:null"


class Entry(BaseModel):
    """A part of a file: unknown keys are faults, values never change afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, validate_default=True)


def refusal(expected: str, got: object, *at: str | int) -> PydanticCustomError:
    """The error a validator raises to say in words what it expected.

    Parameters
    ----------
    at : keys and indexes from where the validator stands to what is wrong.
    """
    return PydanticCustomError("refused", "{expected}", {"expected": expected, "got": str(got), "at": at})


def number_refusal(expected: str, got: object) -> PydanticCustomError:
    """The same for a number: what it is, with its unit, is said by the key."""
    return PydanticCustomError("number_refused", "{expected}", {"expected": expected, "got": str(got)})


def load(path: Path, model: type[Model], what: str) -> Model:
    """The file as a checked model.

    Raises
    ------
    InputError
        Everything wrong with the file, in the order of its lines.
    """
    data, marks, faults = composed(path, what)
    return checked(path, data, marks, model, faults, what)


def composed(path: Path, what: str) -> tuple[Any, Marks, list[Fault]]:
    """The file's tree as dicts, lists and text, where each part of it stands, and the faults that leave a tree.

    Raises
    ------
    InputError
        A file that cannot be read, is no YAML, or has no bounds.
    """
    text = read_text(path, what)
    if len(text) > LONGEST:
        raise InputError([Fault(str(path), "", f"{what} of at most {LONGEST} characters", f"{len(text)}")])
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        raise InputError([_no_yaml(str(path), error)]) from error
    except ReaderError as error:
        got = f"the character U+{error.character:04X}"
        raise InputError([Fault(str(path), "", "readable text", got, *spot(text, error.position))]) from error
    except RecursionError as error:
        raise InputError([_too_deep(str(path), (), (None, None))]) from error
    if root is None:
        raise InputError([Fault(str(path), "", what, "an empty file", 1, 1)])
    marks: Marks = {}
    faults: list[Fault] = []
    return _tree(root, (), str(path), marks, faults), marks, faults


def checked(
    path: Path, data: object, marks: Marks, model: type[Model], known: Sequence[Fault] = (), what: str = ""
) -> Model:
    """`data` through the model; pydantic's errors become faults with places.

    Parameters
    ----------
    known : faults found before; they are raised together with what is found here.
    what : the kind of file; a file of another kind then is one fault instead of one for each of its keys.
    """
    if what:
        needed = [key for key, field in model.model_fields.items() if field.is_required()]
        if other := other_kind(str(path), data, wording.known_keys([model]), needed, what):
            raise InputError([*known, other])
    faults = list(known)
    try:
        made = model.model_validate(data)
    except ValidationError as error:
        faults += [_fault(str(path), detail, marks, model) for detail in error.errors(include_url=False)]
    if faults:
        raise InputError(in_file_order(faults))
    return made


def placed(faults: Iterable[Fault], path: Path, marks: Marks) -> list[Fault]:
    """The faults, those of a key of this file with the file, line and column of the key.

    A fault with no path is of whoever asked for what it is about.
    """
    places = {written(place): at for place, at in marks.items()}
    found = []
    for fault in faults:
        if fault.path in ("", str(path)) and fault.line is None:
            key = f"{fault.key}.key" if fault.got.startswith("unknown key") else fault.key
            line, column = places.get(key) or places.get(fault.key) or (None, None)
            fault = replace(fault, path=str(path), line=line, column=column)
        found.append(fault)
    return found


def spot_in_scalar(source: str, start: tuple[int, int], text: str, offset: int) -> tuple[int, int]:
    """Line and column of a character of a scalar, which may be quoted or run over several lines.

    Parameters
    ----------
    source, start : the whole file, and where the scalar starts in it with its tag, anchor, quote or block sign.
    text, offset : the scalar as read, and the character in it; its length means its end.

    Notes
    -----
    Folding changes blanks alone, so the text is followed sign by sign. An
    escape in double quotes is stepped over, or gives the last place before it.
    """
    lines = source.splitlines(keepends=True)
    at = sum(len(line) for line in lines[: start[0] - 1]) + start[1] - 1
    opening = re.compile(r"(?:[&!]\S*\s+)*(?:[|>].*\n|[\"'])?").match(source, at)
    at = opening.end() if opening else at
    for sign in text[: offset + 1]:
        if not sign.isspace():
            at = max(source.find(sign, at), at - 1) + 1
    inside = offset < len(text) and not text[offset].isspace()
    return spot(source, at - 1 if inside else at)


def written(place: Place) -> str:
    """A place in the tree as a reader writes it: ``rider[2].at_s``."""
    text = ""
    for part in place:
        text += f"[{part}]" if isinstance(part, int) else (f".{part}" if text else part)
    return text


def unknown_key(path: str, place: Place, known: Sequence[str], at: tuple[int | None, int | None]) -> Fault:
    """The fault of a key that nothing asks for."""
    name = str(place[-1])
    near = did_you_mean(name, known)
    wanted = f"one of the keys {', '.join(known)}{near}"
    return Fault(path, shown(written(place)), wanted, f"unknown key {shown(name)}", *at)


def other_kind(path: str, data: object, known: Sequence[str], needed: Sequence[str], what: str) -> Fault | None:
    """The fault of a file whose keys are mostly strange and that lacks most of those needed; None where it is not."""
    if not isinstance(data, dict):
        return None
    # A key mistyped is told by itself, with the one that it is near to.
    strange = [key for key in data if key not in known and not did_you_mean(str(key), known)]
    missing = [key for key in needed if key not in data]
    if len(strange) < STRANGE or 2 * len(strange) <= len(data) or (needed and 2 * len(missing) <= len(needed)):
        return None
    wanted = _few(missing or known)
    return Fault(path, "", f"{what}, with the keys {wanted}", f"one with the keys {_few(strange)}", 1, 1)


def _few(keys: Sequence[str]) -> str:
    return ", ".join([*map(shown, keys[:STRANGE]), *(["..."] if len(keys) > STRANGE else [])])


def _no_yaml(path: str, error: yaml.MarkedYAMLError) -> Fault:
    """What the parser says, turned round to "expected ...; got ..." where it says both."""
    mark = error.problem_mark or error.context_mark
    at = (mark.line + 1, mark.column + 1) if mark else (None, None)
    said = (error.problem or str(error)).replace("'<stream end>'", "the end of the file")
    said = said.replace("character '\\t' that cannot start any token", "a tab, where YAML takes blanks")
    context = error.context or ""
    both = f"{context} {said}" if said.startswith("but ") else said
    match = re.fullmatch(r"expected (.+?),? but (?:got|found) (.+)", both)
    expected, got = match.groups() if match else ("valid YAML", said.removeprefix("found "))
    start = error.context_mark
    if start is not None and mark is not None and start.line != mark.line and context.startswith("while "):
        got += f" {context} that starts in line {start.line + 1}"
    return Fault(path, "", expected, got, *at)


def _too_deep(path: str, place: Place, at: tuple[int | None, int | None]) -> Fault:
    return Fault(path, shown(written(place)), f"at most {DEPTH_MAX} levels, one inside the other", "more", *at)


def _tree(node: yaml.Node, place: Place, path: str, marks: Marks, faults: list[Fault]) -> Any:
    here = (node.start_mark.line + 1, node.start_mark.column + 1)
    marks.setdefault(place, here)
    if len(place) > DEPTH_MAX:
        # An alias that contains itself ends here too.
        raise InputError([_too_deep(path, place, here)])
    if len(marks) > PARTS_MAX:
        raise InputError([Fault(path, shown(written(place)), f"at most {PARTS_MAX} parts, aliases followed", "more")])
    if node.tag not in _TAGS:
        faults.append(Fault(path, written(place), "a value without a tag", shown(node.tag), *here))
    if isinstance(node, yaml.SequenceNode):
        return [_tree(item, (*place, index), path, marks, faults) for index, item in enumerate(node.value)]
    if isinstance(node, yaml.MappingNode):
        result: dict[str, Any] = {}
        for key_node, value_node in node.value:
            at = (key_node.start_mark.line + 1, key_node.start_mark.column + 1)
            if not isinstance(key_node, yaml.ScalarNode):
                faults.append(Fault(path, written(place), "a plain key", "a list or mapping as key", *at))
                continue
            key = str(key_node.value)
            if key in result:
                faults.append(Fault(path, written((*place, key)), "each key once", "a second one", *at))
            marks.setdefault((*place, key, "key"), at)
            result[key] = _tree(value_node, (*place, key), path, marks, faults)
        return result
    return None if node.tag == _NULL else node.value


def _fault(path: str, detail: ErrorDetails, marks: Marks, model: type[BaseModel]) -> Fault:
    kind = detail["type"]
    loc = (*detail["loc"], *detail.get("ctx", {}).get("at", ()))
    place: Place = ()
    annotations: list[Any] = [model]
    for index, part in enumerate(loc):
        if kind == "extra_forbidden" and index == len(loc) - 1:
            known = wording.known_keys(annotations)
            return unknown_key(path, (*place, part), known, _mark((*place, part, "key"), marks))
        # What pydantic adds for unions and validators stands in no file.
        if below := wording.inside(annotations, part):
            place, annotations = (*place, part), below
    key = next((part for part in reversed(place) if isinstance(part, str)), "")
    wanted = wording.expected(detail, annotations, key)
    return Fault(path, shown(written(place)), wanted, wording.got(detail), *_mark(place, marks))


def _mark(place: Place, marks: Marks) -> tuple[int, int]:
    """Where a place stands, or what it would stand in."""
    while place and place not in marks:
        place = place[:-1]
    return marks.get(place, (1, 1))
