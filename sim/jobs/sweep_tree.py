"""A scenario file as a tree of dicts, lists and scalars, with other values put in (row 4)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sim.base.document import Place
from sim.jobs.sweep_values import Value

# These two hold keys that have dots in them.
FLAT = ("vehicle_set", "params_set")


def without(tree: Mapping[str, Any], *keys: str) -> dict[str, Any]:
    """A tree without some of its keys."""
    return {key: value for key, value in tree.items() if key not in keys}


def place_of(key: str) -> Place:
    """Where a dotted key of a scenario stands in its tree: ``rider[2].at_s``, ``vehicle_set.esc.cut_v``."""
    head, _, rest = key.partition(".")
    if head in FLAT and rest:
        return head, rest
    found: list[str | int] = []
    for part in key.split("."):
        name, *indexes = part.split("[")
        found += [name, *(int(index[:-1]) for index in indexes if re.fullmatch(r"\d{1,6}\]", index))]
    return tuple(found)


def with_value(node: Any, place: Place, value: Value) -> Any:
    """A tree with another value at a place; what is not on the way there is shared."""
    if not place:
        return value
    head, *rest = place
    if isinstance(head, int):
        return [*node[:head], with_value(node[head], tuple(rest), value), *node[head + 1 :]]
    # `standard: all` is short for a mapping, and what is left out is an empty one.
    inner = dict(node) if isinstance(node, Mapping) else {}
    inner[head] = with_value(inner.get(head), tuple(rest), value)
    return inner
