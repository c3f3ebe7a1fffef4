"""A copy of the vehicle file with what was fitted, changed in place: comments kept, origins told (row 4)."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import NamedTuple

import yaml

import sim
from sim.base.caution import CAUTION
from sim.base.errors import Fault, InputError, one_line
from sim.base.files import read_text, written_whole
from sim.bench.vehicle import load_vehicle
from sim.jobs.fit.fit import Fitted
from sim.jobs.fit.told import Estimate, listed

# Digits of a tolerance.
DIGITS = 2
WIDTH = 116
# Numbers between these are written out, others with an exponent.
PLAIN = (1e-4, 1e6)
# No interval is written narrower than this share of its value: no meter behind a recording is as good.
FINEST_FRAC = 1e-6
# Keys that may be negative, and keys that may be 0.
SIGNED = ("polarization_tesla", "rest_offset_m")
MAY_BE_0 = (
    *("mean_wetted_frac", "film_spread_frac", "splash_rate_hz", "bubble_rate_hz", "bounce_us_mean", "bounce_us_max"),
    *("noise_v_rms", "spike_rate_hz", "spike_v", "ground_ohm", "joint_ohm", "r1_ohm", "r2_ohm"),
)


def toleranced(value: float, low: float, high: float, least: float = -math.inf, most: float = math.inf) -> str:
    """A value with its tolerance as the vehicle file takes it, the tolerance to two digits and never rounded down.

    Parameters
    ----------
    low, high : the interval; a narrower one than a millionth of the value is written as that.
    least, most : what the key may be; where the band would leave that, its two ends are written instead.
    """
    half = max(high - value, value - low, FINEST_FRAC * abs(value))
    if half <= 0.0:
        return f"{value:g}"
    decimals = DIGITS - 1 - math.floor(math.log10(half))
    half = math.ceil(round(half * 10.0**decimals, 6)) / 10.0**decimals
    middle = round(value, decimals)
    plain = PLAIN[0] <= max(abs(middle), half) < PLAIN[1]

    def shown(part: float) -> str:
        if plain:
            return f"{part:.{max(decimals, 0)}f}"
        size = math.floor(math.log10(abs(part))) if part else 0
        return f"{part:.{max(decimals + size, 0)}e}" if part else "0.0"

    if middle - half >= least and middle + half <= most:
        return f"{shown(middle)} +- {shown(half)}"
    return f"{shown(max(low, least))} .. {shown(min(high, most))}"


class Place(NamedTuple):
    """A value in a file's text: where it begins and ends."""

    start: int
    stop: int


def places(text: str) -> tuple[dict[str, Place], dict[str, yaml.MappingNode]]:
    """Where each scalar and list of a file stands, and each section, by dotted keys."""
    values: dict[str, Place] = {}
    sections: dict[str, yaml.MappingNode] = {}

    def walk(node: yaml.Node, prefix: str) -> None:
        if isinstance(node, yaml.MappingNode):
            sections[prefix.rstrip(".")] = node
            for key, value in node.value:
                walk(value, f"{prefix}{key.value}.")
        else:
            values[prefix.rstrip(".")] = Place(node.start_mark.index, node.end_mark.index)

    root = yaml.compose(text, Loader=yaml.SafeLoader)
    if root is not None:
        walk(root, "")
    return values, sections


def edited(text: str, changes: Mapping[str, tuple[str, str]]) -> str:
    """A file's text with values changed where they stand, and new ones at the end of their section.

    Parameters
    ----------
    changes : by dotted key, the new value and where it comes from, which goes into a comment behind what is there.
    """
    for key, (value, origin) in changes.items():
        # The places move with every change; a vehicle file is short.
        values, sections = places(text)
        if key in values:
            text = _changed(text, values[key], value, origin)
        else:
            text = _added(text, sections, key, value, origin)
    return text


def _changed(text: str, place: Place, value: str, origin: str) -> str:
    """The value replaced, the old one told in a comment at the end of its line."""
    before = text[place.start : place.stop]
    if before.startswith("- "):
        # A block of items: each stands on a line of its own, below the key's.
        indent = " " * (place.start - text.rfind("\n", 0, place.start) - 1)
        items = value.strip("[]").replace("], [", f"]\n{indent}- [")
        return f"{text[: place.start]}# {origin}\n{indent}- [{items}]\n{text[_content_end(text, place) :]}"
    line_end = _line_end(text, place.stop)
    head, sign, comment = text[place.stop : line_end].rstrip().partition("#")
    was = "" if before.startswith("[") else f", was {before.strip()}"
    said = f"{comment.strip()}; {origin}{was}" if sign else f"{origin}{was}"
    return f"{text[: place.start]}{value}{head.rstrip()}  # {said}{text[line_end:]}"


def _content_end(text: str, place: Place) -> int:
    """Where a block really ends: the parser counts the blank lines and comments behind it in."""
    lines = text[place.start : place.stop].split("\n")
    while lines and (not lines[-1].strip() or lines[-1].strip().startswith("#")):
        lines.pop()
    return min(place.start + len("\n".join(lines)) + 1, len(text))


def _line_end(text: str, start: int) -> int:
    end = text.find("\n", start)
    return len(text) if end < 0 else end


def _added(text: str, sections: Mapping[str, yaml.MappingNode], key: str, value: str, origin: str) -> str:
    """A key that the file did not have, behind the last of its section; the section too, where it is missing."""
    section, _, name = key.rpartition(".")
    if section not in sections:
        above, _, own = section.rpartition(".")
        node = sections[above]
        if node.flow_style:
            return _inside(text, node, own, f"{{{name}: {value}}}", f"{key} {origin}")
        return _behind(text, node, f"{own}:", f"  {name}: {value}  # {origin}")
    node = sections[section]
    if node.flow_style:
        return _inside(text, node, name, value, f"{name} {origin}")
    return _behind(text, node, f"{name}: {value}  # {origin}")


def _inside(text: str, node: yaml.MappingNode, name: str, value: str, said: str) -> str:
    """A key behind the last one between braces, its comment at the end of the line."""
    last = node.value[-1][1].end_mark.index if node.value else node.start_mark.index + 1
    line_end = _line_end(text, last)
    rest = text[last:line_end].rstrip()
    sign, mark = (", " if node.value else ""), ("; " if "#" in rest else "  # ")
    return f"{text[:last]}{sign}{name}: {value}{rest}{mark}{said}{text[line_end:]}"


def _behind(text: str, node: yaml.MappingNode, *lines: str) -> str:
    """Lines behind the last key of a block section, with that section's indent."""
    indent = " " * node.start_mark.column
    last = node.value[-1][1]
    stop = Place(node.start_mark.index, last.end_mark.index)
    block = isinstance(last, yaml.CollectionNode) and not last.flow_style
    end = _content_end(text, stop) if block else _line_end(text, last.end_mark.index) + 1
    head = text[:end] if text[:end].endswith("\n") else text[:end] + "\n"
    added = "".join(f"{indent}{line}\n" for line in lines)
    return f"{head}{added}{text[end:]}"


def origin_of(estimate: Estimate, day: date) -> str:
    """Where a number comes from."""
    return one_line(f"fitted from {listed(estimate.files, 3)}, {estimate.rows} rows, {day.isoformat()}")


def changes_of(found: Fitted, day: date) -> dict[str, tuple[str, str]]:
    """Each key to be written, its new value, and where it comes from."""
    told: dict[str, tuple[str, str]] = {}
    for key, estimate in found.of_vehicle.items():
        band = (estimate.value, estimate.low, estimate.high, least_of(key, estimate.value), most_of(key))
        told[key] = (toleranced(*band), origin_of(estimate, day))
    for curve in found.curves:
        points = ", ".join(f"[{charge:g}, {volts:g}]" for charge, volts in curve.points)
        told[curve.key] = (f"[{points}]", one_line(f"fitted, {curve.note}, {day.isoformat()}"))
    return told


def least_of(key: str, value: float) -> float:
    """What a key's band may not go under: its own range is checked when the copy is read back."""
    name = key.rsplit(".", 1)[-1]
    if name in SIGNED:
        return -math.inf
    # Where 0 itself is refused, a thousandth of the value stands for it.
    return 0.0 if name in MAY_BE_0 else 1e-3 * abs(value)


def most_of(key: str) -> float:
    """What a key's band may not go over."""
    return 1.0 if key.endswith("mean_wetted_frac") else math.inf


def write_vehicle(found: Fitted, path: Path, day: date) -> None:
    """Write the copy, whole or not at all.

    Raises
    ------
    InputError
        A place that cannot be written to; a file with anchors; or numbers that the vehicle file does not take
        together.
    """
    changes = changes_of(found, day)
    text = read_text(found.vehicle_path, "a vehicle file")
    _require_no_anchors(text, found.vehicle_path)
    with written_whole(path) as temporary:
        temporary.write_text(head_of(found, day) + edited(text, changes), encoding="utf-8")
        try:
            load_vehicle(temporary)
        except InputError as error:
            raise InputError(replace(fault, path=str(path)) for fault in error.faults) from error


def _require_no_anchors(text: str, path: Path) -> None:
    """Refuse a file in which a value stands in several places at once: changing one would change the others."""
    for token in yaml.scan(text, Loader=yaml.SafeLoader):
        if isinstance(token, yaml.AnchorToken):
            at = (token.start_mark.line + 1, token.start_mark.column + 1)
            expected = "a file whose values can be changed in place, so no anchors"
            raise InputError([Fault(str(path), "", expected, f"the anchor &{token.value}", *at)])


def head_of(found: Fitted, day: date) -> str:
    """What stands on top of the copy."""
    lines = [
        f"A copy of {found.vehicle_path.name} with what drydive {sim.__version__} fitted on {day.isoformat()}.",
        "Tolerances of what was fitted are 95 % intervals.",
        *(f"{role} {short}" for role, short in found.inputs.items()),
        CAUTION,
    ]
    wrapped = [part for line in lines for part in textwrap.wrap(one_line(line), WIDTH, break_long_words=False)]
    return "".join(f"# {line}\n" for line in wrapped) + "\n"
