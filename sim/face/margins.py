"""A suite at a glance: every requirement of every scenario as a coloured cell with its margin (row 5)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.textpath import TextPath

from sim.face import look
from sim.face.suite_text import short
from sim.jobs.check import Outcome

CELL_W_IN, CELL_H_IN = 0.62, 0.24
EDGE_IN, HEAD_IN = 0.3, 0.7
NAME_PT, SLANT_DEG = 7.5, 55.0
# The line on top needs so much.
LEAST_IN = 6.5
# A margin under this share of the suite's middle one for its requirement is drawn as close.
CLOSE_FRAC = 0.3
MARKS = {"fail": "fails", "undecided": "?", "pass": "", "error": "no run"}


def margins(outcomes: Sequence[Outcome]) -> Figure:
    """One row a scenario, one column a requirement; red fails, grey is not decided, deeper green is closer.

    Parameters
    ----------
    outcomes : at least one.
    """
    cells = {(outcome.path, entry["id"]): entry for outcome in outcomes for entry in _entries(outcome)}
    names = list(dict.fromkeys(name for _, name in cells))
    middles = {name: _middle([entry for (_, own), entry in cells.items() if own == name]) for name in names}
    left_in = EDGE_IN + max(drawn_in(short(outcome.path)) for outcome in outcomes) + 0.1
    # The names of the columns lean to the right, and the last ones over the edge of the cells.
    lean_in, top_in = leaning_in(names)
    width_in = max(left_in + CELL_W_IN * max(len(names), 1) + lean_in, LEAST_IN)
    height_in = HEAD_IN + top_in + CELL_H_IN * len(outcomes) + 0.3
    with look.styled():
        figure = look.blank(width_in, height_in)
        head = look.sheet_at(figure, EDGE_IN, 0.0, width_in - EDGE_IN, HEAD_IN)
        words = {word: sum(outcome.verdict == word for outcome in outcomes) for word in MARKS}
        told = ", ".join(f"{count} {word}" for word, count in words.items() if count)
        head.text(0.0, 0.45, f"{len(outcomes)} scenarios: {told}", fontsize=12, fontweight="bold")
        key = "in each cell the margin; deeper green came closer than usual, orange failed, grey was not decided"
        head.text(0.0, 0.66, key, fontsize=8, color=look.QUIET)
        sheet = look.sheet_at(figure, 0.0, HEAD_IN, width_in, height_in - HEAD_IN)
        for column, name in enumerate(names):
            x = left_in + CELL_W_IN * (column + 0.4)
            sheet.text(x, top_in - 0.06, name, rotation=SLANT_DEG, ha="left", va="bottom", fontsize=NAME_PT)
        for row, outcome in enumerate(outcomes):
            # The sheet counts inches from its top; text stands on its line.
            y = top_in + CELL_H_IN * row
            line = y + 0.16
            sheet.text(left_in - 0.1, line, short(outcome.path), ha="right", fontsize=NAME_PT)
            if outcome.result is None:
                sheet.text(left_in, line, "could not be run", fontsize=NAME_PT, color=look.VERMILLION)
            for column, name in enumerate(names):
                if (entry := cells.get((outcome.path, name))) is not None:
                    colour, text = _cell(entry, middles[name])
                    place = (left_in + CELL_W_IN * column + 0.01, y + 0.01)
                    sheet.add_patch(Rectangle(place, CELL_W_IN - 0.02, CELL_H_IN - 0.02, color=colour, lw=0))
                    sheet.text(place[0] + 0.5 * CELL_W_IN, line, text, ha="center", fontsize=6.5, color=look.INK)
    return figure


def drawn_in(text: str) -> float:
    """How wide a name is drawn."""
    return float(TextPath((0.0, 0.0), text, size=NAME_PT).get_extents().width) / 72.0 if text else 0.0


def leaning_in(names: Sequence[str]) -> tuple[float, float]:
    """How far slanted names reach beyond the last column, and how high."""
    slant = math.radians(SLANT_DEG)
    widths = [drawn_in(name) for name in names]
    # Each begins in its own column; those before the last may end before it.
    ends = [width * math.cos(slant) - CELL_W_IN * (len(names) - at - 0.4) for at, width in enumerate(widths)]
    return max([EDGE_IN, *(end + EDGE_IN for end in ends)]), max([0.0, *widths]) * math.sin(slant) + 0.2


def _entries(outcome: Outcome) -> Sequence[Mapping[str, Any]]:
    return outcome.result["requirements"] if outcome.result is not None else ()


def _middle(entries: Sequence[Mapping[str, Any]]) -> float | None:
    """The median margin of a requirement over the suite; none where none was measured."""
    values = sorted(entry["margin"] for entry in entries if entry["margin"] is not None)
    return values[len(values) // 2] if values else None


def _cell(entry: Mapping[str, Any], middle: float | None) -> tuple[tuple[float, float, float], str]:
    text = MARKS[entry["verdict"]] if entry["margin"] is None else f"{entry['margin']:.3g} {entry['unit'].strip('1')}"
    if entry["verdict"] == "fail":
        return _mixed(look.VERMILLION, 0.75), text
    if entry["verdict"] == "undecided":
        return _mixed(look.QUIET, 0.25), text
    close = middle is not None and entry["margin"] is not None and entry["margin"] < CLOSE_FRAC * middle
    return _mixed(look.GREEN, 0.6 if close else 0.22), text


def _mixed(colour: str, share: float) -> tuple[float, float, float]:
    red, green, blue = (share * part + 1.0 - share for part in to_rgb(colour))
    return red, green, blue
