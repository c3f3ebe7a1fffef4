"""A scenario written back as the YAML it could have been read from (row 4)."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml

from sim.base.errors import one_line
from sim.base.files import write_text
from sim.bench.as_recorded import files_of
from sim.bench.control import SOURCES
from sim.bench.scenario import AsRecorded, Scenario

# What may name a file, and how such a name ends; shipped controllers and sets have no ending.
PATHS = {
    "vehicle": ("",),
    "controller": SOURCES,
    "params": (".yaml", ".yml"),
    "requirements_from": ("",),
}
# No line is ever folded, so that a formula stays as it was written.
WIDTH = 1_000_000
NUMBER = re.compile(r"[-+]?[0-9]+(\.[0-9]+)?([eE][-+]?[0-9]+)?")


def scenario_text(case: Scenario, comment: str = "") -> str:
    """The YAML of a scenario: the model's order of keys, defaults left out, one line for each step.

    Parameters
    ----------
    case : a scenario, or a case with its requirements.
    comment : stands on top, each line behind a ``#``.
    """
    kept = case.model_dump(mode="json", exclude_defaults=True, exclude_none=True)
    lines = _comment(comment)
    # Lists come last, where they can grow.
    for key in sorted((key for key in type(case).model_fields if key in kept), key=lambda key: type(kept[key]) is list):
        lines += _lines(key, kept[key])
    return "\n".join(lines) + "\n"


def requirements_text(entries: Sequence[Mapping[str, str]], comment: str = "") -> str:
    """The YAML of a file of requirements, each entry by its keys."""
    return "\n".join([*_comment(comment), *_lines("requirements", list(map(dict, entries)))]) + "\n"


def write_scenario(case: Scenario, path: Path, beside: Path, comment: str = "") -> None:
    """Write a scenario file that loads as this case, whole or not at all.

    Parameters
    ----------
    beside : the folder that the paths named in the case start from; they are
        rewritten to start from the new file's.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    write_text(path, scenario_text(moved(case, beside, path.parent), comment))


def moved(case: Scenario, beside: Path, folder: Path) -> Scenario:
    """The same case, its paths from another folder."""
    changed: dict[str, Any] = {}
    for key, endings in PATHS.items():
        value = getattr(case, key, None)
        if value is not None and value.endswith(endings):
            changed[key] = os.path.relpath((beside / value).resolve(), folder.resolve())
    recorded = {
        key: os.path.relpath((beside / name).resolve(), folder.resolve()) for key, name in files_of(case).items()
    }
    if recorded:
        changed["as_recorded"] = AsRecorded(**recorded)
    return case.model_copy(update=changed)


def _comment(comment: str) -> list[str]:
    return [f"# {one_line(line)}".rstrip() for line in comment.splitlines()]


def _lines(key: str, value: Any) -> Iterator[str]:
    if isinstance(value, list) and value:
        yield ""
        yield f"{key}:"
        for item in value:
            # A requirement holds sentences and formulas, which need a line each; a step stands on one.
            tall = isinstance(item, dict) and "id" in item
            lines = [f"{name}: {_inline(part)}" for name, part in item.items()] if tall else [_inline(item)]
            yield f"  - {lines[0]}"
            yield from (f"    {line}" for line in lines[1:])
    else:
        yield f"{key}: {_inline(value)}"


def _inline(value: Any) -> str:
    """A value on one line, without the end-of-document mark that YAML puts behind a plain scalar."""
    if isinstance(value, str) and NUMBER.fullmatch(value):
        # Read from a file a number is text; it needs no quotes to be read again.
        return value
    # Only double quotes have escapes for what does not print, a line's end included.
    style = None if str(value).isprintable() else '"'
    text: str = yaml.safe_dump(
        value, default_flow_style=True, default_style=style, sort_keys=False, allow_unicode=not style, width=WIDTH
    )
    return text.removesuffix("\n").removesuffix("\n...")
