"""Data against fit, with what is left between them: one page for each thing fitted (row 5)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullFormatter

from sim.face import look
from sim.face.look import Floats
from sim.jobs.fit.fit import Fitted
from sim.jobs.fit.told import Panel, Topic

# Inches.
WIDTH_IN, EDGE_IN, LEFT_IN = 10.0, 0.35, 0.85
HEAD_IN, PANEL_IN, LEFT_OVER_IN, NAME_IN, FOOT_IN, LINE_IN = 0.6, 2.2, 0.75, 0.42, 0.55, 0.17
BETWEEN_IN = 0.12
MOST_FINDINGS = 14
# More points than this are thinned evenly: a cloud of them looks the same.
MOST_DOTS = 4000
DATA = look.Style("#8FB7D3", "#3F779F", "-", 0.9)
FIT = look.Style(look.VERMILLION, look.LIMIT.ink, "-", 1.2)
# Recorded lines that a fit runs along are wide enough to be seen below it.
BELOW_WIDTH = 3.0
# Of many points the scale holds so many of a hundred, and half as much again on either side.
HELD = (0.5, 99.5)
MANY = 200
# A longer name of an axis than this does not fit beside what is left.
UNIT_LETTERS = 8
# A spectrum's scale covers at least so many decades on either side of its floor.
DECADES = 1.0


def figure(told: Topic, vehicle: str) -> Figure:
    """Each panel with its data and fit, and below it what is left."""
    words_in = WIDTH_IN - 2.0 * EDGE_IN
    findings = [line for text in told.findings for line in look.wrapped(text, words_in, look.SMALL_PT)]
    if len(findings) > MOST_FINDINGS:
        findings = [*findings[: MOST_FINDINGS - 1], "and more, see what was printed"]
    heights = [_height(panel) for panel in told.panels]
    head_in = HEAD_IN + LINE_IN * len(findings)
    with look.styled():
        page = look.blank(WIDTH_IN, head_in + sum(heights))
        sheet = look.sheet_at(page, 0.0, 0.0, WIDTH_IN, head_in)
        look.say(sheet, EDGE_IN, 0.32, f"{told.name.capitalize()}, fitted for {vehicle}", look.HEAD_PT, bold=True)
        for index, line in enumerate(findings):
            look.say(sheet, EDGE_IN, 0.6 + LINE_IN * index, line, look.SMALL_PT)
        key = ((DATA, "recorded"), (FIT, "fitted"))
        x_in = WIDTH_IN - 2.3
        for style, words in key:
            sheet.plot((x_in, x_in + 0.3), (0.32, 0.32), color=style.colour, linewidth=2.0)
            look.say(sheet, x_in + 0.37, 0.32, words, look.SMALL_PT, style.ink)
            x_in += 1.1
        top_in = head_in
        for panel, height_in in zip(told.panels, heights, strict=True):
            _panel(page, panel, top_in)
            top_in += height_in
    return page


def _height(panel: Panel) -> float:
    left_in = LEFT_OVER_IN + BETWEEN_IN if panel.left is not None else 0.0
    return NAME_IN + PANEL_IN + left_in + FOOT_IN


def _panel(page: Figure, panel: Panel, top_in: float) -> None:
    width_in = WIDTH_IN - LEFT_IN - EDGE_IN
    axes = look.axes_at(page, LEFT_IN, top_in + NAME_IN, width_in, PANEL_IN)
    _data(axes, panel.data, panel.dots, BELOW_WIDTH if panel.left is not None else DATA.width)
    if panel.fit is not None:
        axes.plot(*panel.fit, color=FIT.colour, linewidth=FIT.width, solid_joinstyle="round", zorder=3)
    _limits(axes, panel)
    for x, y, words in panel.marks:
        axes.annotate(words, (x, y), (3.0, 5.0), textcoords="offset points", size=look.SMALL_PT, color=look.INK)
        axes.plot(x, y, "o", color=look.INK, markersize=3.0, zorder=4)
    axes.set_ylabel(panel.y_words, size=look.SMALL_PT)
    look.heading(axes, panel.name, panel.note, False, False)
    if panel.left is None:
        axes.set_xlabel(panel.x_words, size=look.SMALL_PT)
        return
    axes.tick_params(labelbottom=False)
    below = look.axes_at(page, LEFT_IN, top_in + NAME_IN + PANEL_IN + BETWEEN_IN, width_in, LEFT_OVER_IN)
    _data(below, panel.left, panel.dots, DATA.width)
    below.axhline(0.0, color=FIT.colour, linewidth=1.0, zorder=3)
    below.set_xlim(axes.get_xlim())
    beyond = _within(below, panel.left[1], panel.dots)
    if beyond:
        where: dict[str, Any] = {"xycoords": "axes fraction", "ha": "right", "va": "top", "size": look.SMALL_PT - 1.0}
        below.annotate(f"{beyond} points beyond the scale", (0.995, 0.97), color=look.QUIET, **where)
    below.yaxis.set_major_formatter(_plain)
    below.yaxis.set_major_locator(MaxNLocator(4))
    below.set_ylabel(f"left ({panel.y_words})" if len(panel.y_words) <= UNIT_LETTERS else "left", size=look.SMALL_PT)
    below.set_xlabel(panel.x_words, size=look.SMALL_PT)


@FuncFormatter
def _plain(value: float, place: int | None) -> str:
    return f"{value:g}"


def _data(axes: Axes, data: tuple[Floats, Floats], dots: bool, width: float) -> None:
    x, y = data
    if dots:
        every = max(1, len(x) // MOST_DOTS)
        few = len(x) < 60
        axes.plot(
            x[::every],
            y[::every],
            "o",
            color=DATA.colour if not few else DATA.ink,
            markersize=4.0 if few else 1.6,
            markeredgewidth=0.0,
            linestyle="none",
        )
        return
    axes.plot(*look.envelope(x, y), color=DATA.colour, linewidth=width)


def _limits(axes: Axes, panel: Panel) -> None:
    x, y = panel.data
    if panel.logarithmic:
        axes.set(xscale="log", yscale="log", xlim=(float(x[0]), float(x[-1])))
        middle = float(np.median(y))
        room = 10.0**DECADES
        axes.set_ylim(min(float(y.min()), middle / room), 1.5 * max(float(y.max()), middle * room))
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(_plain)
            axis.set_minor_formatter(NullFormatter())
        return
    low, high = float(np.nanmin(x)), float(np.nanmax(x))
    room = 0.02 * (high - low) if panel.dots else 0.0
    axes.set_xlim(low - room, high + room if high > low else low + 1.0)
    shown = y if panel.fit is None else np.concatenate((y, panel.fit[1]))
    _within(axes, shown, panel.dots)


def _within(axes: Axes, values: Floats, dots: bool) -> int:
    """A scale that holds all values, or of many points nearly all; how many lie beyond it."""
    known = values[np.isfinite(values)]
    low, high = float(known.min()), float(known.max())
    room = 0.06 * (high - low) or max(abs(high), 1.0) * 0.06
    if dots and len(known) > MANY:
        inner_low, inner_high = (float(end) for end in np.percentile(known, HELD))
        half = 0.5 * (inner_high - inner_low)
        if half > 0.0:
            low, high = max(low, inner_low - half), min(high, inner_high + half)
            room = 0.06 * (high - low)
    axes.set_ylim(low - room, high + room)
    return int(np.count_nonzero((known < low - room) | (known > high + room)))


def save(found: Fitted, vehicle: str, folder: Path) -> list[Path]:
    """A figure for each thing that has something to show, ``fit_NAME.svg`` and ``.png``; the paths.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    paths: list[Path] = []
    for told in found.topics:
        if told.panels:
            paths += look.save(figure(told, vehicle), folder / f"fit_{told.name}")
    return paths
