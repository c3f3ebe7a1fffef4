"""A sweep on one page: each margin over each quantity, with the limit between what holds and what does not (row 5)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from sim.face import look
from sim.face.look import Floats
from sim.jobs.sweep import Swept
from sim.verdict.words import quantity

# Inches.
EDGE_IN, NAME_IN, PANEL_IN, GAP_IN = 0.3, 2.05, 2.35, 0.3
HEAD_IN, PANEL_H_IN, BETWEEN_IN, FOOT_IN, LINE_IN = 1.2, 1.15, 0.25, 0.75, 0.17
ROWS_MOST, COLUMNS_MOST = 6, 4
POINTS_MOST = 4000
# A quantity of up to so many values has a line through the lowest margin at each of them.
VALUES_MOST = 40
WORDS_MOST = 14
NAMED_MOST = 8


@dataclass(frozen=True, slots=True)
class Along:
    """A quantity to be drawn along.

    at : of each case, shape (n,); of text its place among `words`.
    words : the texts, in order; empty for numbers.
    """

    key: str
    at: Floats
    words: tuple[str, ...]


def sweep(swept: Swept) -> Figure | None:
    """The page; nothing where no margin or no quantity moves.

    At most `POINTS_MOST` cases are drawn, evenly taken.
    """
    with np.load(swept.npz) as columns:
        heads = {head.removeprefix("margin ").split(" (")[0]: head for head in columns if head.startswith("margin ")}
        step = -(-len(swept.sweep.cases) // POINTS_MOST)
        margins = {name: columns[head][::step] for name, head in heads.items()}
        keys = [each.key for each in swept.sweep.cases.quantities]
        quantities = [_along(key, columns[key][::step]) for key in keys]
    moving = [each for each in quantities if np.unique(each.at[np.isfinite(each.at)]).size > 1]
    known = [name for name, values in margins.items() if np.unique(values[np.isfinite(values)]).size > 1]
    ordered = sorted(known, key=lambda name: -swept.worst[name].failed)
    rows, across = ordered[:ROWS_MOST], moving[:COLUMNS_MOST]
    if not rows or not across:
        return None
    width_in = 2.0 * EDGE_IN + NAME_IN + len(across) * (PANEL_IN + GAP_IN)
    with look.styled():
        figure = look.blank(width_in, HEAD_IN + len(rows) * (PANEL_H_IN + BETWEEN_IN) + FOOT_IN)
        _head(look.sheet_at(figure, EDGE_IN, 0.0, width_in - 2.0 * EDGE_IN, HEAD_IN), swept, step)
        for index, name in enumerate(rows):
            top_in = HEAD_IN + index * (PANEL_H_IN + BETWEEN_IN)
            _name(look.sheet_at(figure, EDGE_IN, top_in, NAME_IN, PANEL_H_IN), swept, name)
            for place, along in enumerate(across):
                left_in = EDGE_IN + NAME_IN + place * (PANEL_IN + GAP_IN)
                axes = look.axes_at(figure, left_in, top_in, PANEL_IN, PANEL_H_IN)
                _panel(axes, along, margins[name], first=place == 0, last=index == len(rows) - 1)
                if place == 0 and swept.worst[name].unit != "1":
                    axes.set_ylabel(swept.worst[name].unit, size=look.SMALL_PT)
        left_out = _left_out(len(ordered) - len(rows), len(moving) - len(across))
        foot = look.sheet_at(figure, EDGE_IN, HEAD_IN + len(rows) * (PANEL_H_IN + BETWEEN_IN), width_in, FOOT_IN)
        look.say(foot, 0.0, FOOT_IN - 0.2, left_out, look.SMALL_PT, look.QUIET)
    return figure


def _along(key: str, values: NDArray[np.generic]) -> Along:
    if values.dtype.kind in "if":
        return Along(key, values.astype(np.float64), ())
    words, at = np.unique(values, return_inverse=True)
    return Along(key, at.astype(np.float64), tuple(str(word) for word in words))


def _head(sheet: Axes, swept: Swept, step: int) -> None:
    """Verdict, name, what is asked, and what became of the cases."""
    width_in = sheet.get_xlim()[1]
    title_in = 0.18 + 0.115 * len(swept.verdict)
    look.plate(sheet, title_in / 2.0 - 0.05, 0.3, swept.verdict.upper(), look.VERDICT_COLOURS[swept.verdict])
    title = "".join(look.wrapped(swept.sweep.name, width_in - title_in, look.HEAD_PT, 1, look.BOLD_EM))
    look.say(sheet, title_in, 0.3, title, look.HEAD_PT, bold=True)
    counts = ", ".join(f"{count} {word}" for word, count in swept.tally.items() if count)
    few = "" if step == 1 else f"; every {step}th is drawn"
    look.say(sheet, 0.0, 0.6, f"{len(swept.sweep.cases)} cases: {counts}{few}", look.TEXT_PT, bold=True)
    about = f"{swept.sweep.says} " if swept.sweep.says else ""
    about += "A dot is a case, the line the lowest margin at each value; below 0 the requirement fails."
    for index, text in enumerate(look.wrapped(about, width_in, look.SMALL_PT, 2)):
        look.say(sheet, 0.0, 0.6 + LINE_IN * (index + 1.1), text, look.SMALL_PT, look.QUIET)


def _name(sheet: Axes, swept: Swept, name: str) -> None:
    """A row's requirement and its lowest margin."""
    worst, y_in = swept.worst[name], 0.1
    for text in look.wrapped(name.replace("-", "- "), NAME_IN - 0.75, look.TEXT_PT, 3, look.BOLD_EM):
        look.say(sheet, 0.0, y_in, text.replace("- ", "-"), look.TEXT_PT, bold=True)
        y_in += LINE_IN
    colour = look.LIMIT.ink if worst.failed else look.INK
    if worst.margin is not None:
        look.say(sheet, 0.0, y_in + 0.03, f"lowest {quantity(worst.margin, worst.unit)}", look.SMALL_PT, colour)
        look.say(sheet, 0.0, y_in + 0.03 + LINE_IN, f"in case {worst.case}", look.SMALL_PT, look.QUIET)
    if worst.failed:
        look.say(sheet, 0.0, y_in + 0.03 + 2 * LINE_IN, f"below 0 in {worst.failed}", look.SMALL_PT, colour)


def _panel(axes: Axes, along: Along, margins: Floats, first: bool, last: bool) -> None:
    """One margin over one quantity."""
    known = np.isfinite(margins) & np.isfinite(along.at)
    at, values = along.at[known], margins[known]
    alpha = float(np.clip(60.0 / max(len(values), 1), 0.15, 0.7))
    for chosen, colour, marker in ((values >= 0.0, look.GREEN, "o"), (values < 0.0, look.VERMILLION, "x")):
        size = 9.0 if marker == "o" else 14.0
        edge = 0.0 if marker == "o" else 0.9
        axes.scatter(at[chosen], values[chosen], s=size, c=colour, marker=marker, alpha=alpha, linewidths=edge)
    places, inverse = np.unique(at, return_inverse=True)
    if 1 < places.size <= VALUES_MOST:
        lowest = np.full(places.size, np.inf)
        np.minimum.at(lowest, inverse, values)
        axes.plot(places, lowest, color=look.INK, linewidth=1.0, linestyle="-" if not along.words else ":")
    low, high = float(values.min()), float(values.max())
    span = high - low
    # The limit is drawn where it does not flatten the margins.
    if min(abs(low), abs(high)) < 1.5 * span or low < 0.0 < high:
        axes.axhline(0.0, color=look.LIMIT.colour, linestyle=look.LIMIT.dashes, linewidth=look.LIMIT.width)
    axes.margins(x=0.06, y=0.1)
    axes.tick_params(length=2.5, labelleft=first, labelbottom=last)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.xaxis.set_major_locator(MaxNLocator(4))
    if along.words:
        _worded(axes, along.words, last)
    if last:
        axes.set_xlabel(look.wrapped(along.key, PANEL_IN, look.SMALL_PT, 1)[0], size=look.SMALL_PT)


def _worded(axes: Axes, words: Sequence[str], last: bool) -> None:
    axes.set_xlim(-0.5, len(words) - 0.5)
    if len(words) > NAMED_MOST:
        axes.set_xticks([])
        return
    most = max(int(PANEL_IN * 72.0 / (look.LETTER_EM * look.SMALL_PT) / len(words)) - 1, 4)
    shown = [word if len(word) <= most else f"{word[: most - 1]}…" for word in words]
    axes.set_xticks(range(len(words)), shown if last else [""] * len(words))


def _left_out(margins: int, quantities: int) -> str:
    parts = [f"{count} more {what}" for count, what in ((margins, "margins"), (quantities, "quantities")) if count]
    return f"In the table alone: {' and '.join(parts)}." if parts else ""
