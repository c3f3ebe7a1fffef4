"""All builds on one page: how each margin spreads, where the limit lies, and what the margin moves with (row 5)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from sim.face import look
from sim.face.builds_text import drawn, percent, standing_out, summary
from sim.face.look import Floats
from sim.jobs.builds import Builds, Line
from sim.jobs.shares import Matter
from sim.verdict.words import quantity

# Inches.
EDGE_IN, NAME_IN, PANEL_IN, GAP_IN = 0.3, 2.4, 5.2, 0.3
KEY_IN, BAR_IN, FIGURE_IN = 2.15, 1.0, 0.45
BARS_IN = KEY_IN + BAR_IN + FIGURE_IN
HEAD_IN, MARKS_IN, PANEL_H_IN, FOOT_IN, LINE_IN = 1.15, 0.24, 0.95, 0.5, 0.17
WIDTH_IN = EDGE_IN + NAME_IN + PANEL_IN + GAP_IN + BARS_IN + EDGE_IN
# A limit further off than this many times the margins' own spread is named but not drawn, as it would flatten them.
FAR = 1.5
BARS_LEAST, BARS_MOST = 24, 60


FILED = look.Style(look.INK, look.QUIET, (0.0, (2.0, 2.0)))


class Mark(NamedTuple):
    """A margin to be told from the others."""

    at: float
    words: str
    style: look.Style


def builds(found: Builds) -> Figure:
    """One row for each requirement whose margin moves, the one most often broken first; the others in words below."""
    ordered = sorted(found.lines, key=lambda line: line.share.frac)
    drawn_lines = [line for line in ordered if line.known.size and np.ptp(line.known) > 0.0]
    told = [line for line in ordered if line not in drawn_lines]
    row_in = MARKS_IN + PANEL_H_IN + FOOT_IN
    words_in = LINE_IN * (len(told) + 2) if told else 0.1
    with look.styled():
        figure = look.blank(WIDTH_IN, HEAD_IN + row_in * len(drawn_lines) + words_in)
        _head(look.sheet_at(figure, EDGE_IN, 0.0, WIDTH_IN - 2.0 * EDGE_IN, HEAD_IN), found)
        for index, line in enumerate(drawn_lines):
            top_in = HEAD_IN + row_in * index
            _name(look.sheet_at(figure, EDGE_IN, top_in, NAME_IN, row_in), line)
            left_in = EDGE_IN + NAME_IN
            axes = look.axes_at(figure, left_in, top_in + MARKS_IN, PANEL_IN, PANEL_H_IN)
            marks = look.sheet_at(figure, left_in, top_in, PANEL_IN, MARKS_IN)
            _spread(axes, marks, line)
            bars_in = left_in + PANEL_IN + GAP_IN
            _moves(look.sheet_at(figure, bars_in, top_in, BARS_IN, row_in), line)
        if told:
            top_in = HEAD_IN + row_in * len(drawn_lines)
            sheet = look.sheet_at(figure, EDGE_IN, top_in, WIDTH_IN - 2.0 * EDGE_IN, words_in)
            look.say(
                sheet, 0.0, 0.5 * LINE_IN, "Without a margin, or with the same in every build", look.TEXT_PT, bold=True
            )
            for index, line in enumerate(told, 1):
                margin = f", margin {quantity(float(line.known[0]), line.unit)}" if line.known.size else ""
                words = f"{line.id}: {line.share.inside} of {line.share.of} inside, {percent(line.share)}{margin}"
                look.say(sheet, 0.0, (index + 0.6) * LINE_IN, words, look.SMALL_PT)
    return figure


def _head(sheet: Axes, found: Builds) -> None:
    """Title, verdict, the share, and how the builds came about."""
    width_in = sheet.get_xlim()[1]
    title_in = 0.18 + 0.115 * len(found.verdict)
    look.plate(sheet, title_in / 2.0 - 0.05, 0.3, found.verdict.upper(), look.VERDICT_COLOURS[found.verdict])
    bench = found.filed.run.bench
    scenario = bench.scenario
    title = "".join(look.wrapped(scenario.name, width_in - title_in, look.HEAD_PT, 1, look.BOLD_EM))
    look.say(sheet, title_in, 0.3, title, look.HEAD_PT, bold=True)
    day = f"{scenario.water.kind} at {bench.water.temperature_degc:g} degC, {scenario.attitude}"
    charge = f"pack {100.0 * scenario.pack.charge_frac:.0f} % charged"
    about = f"{bench.vehicle.name}, {bench.controller.name}, {day}, {charge}; " + "; ".join(drawn(found))
    look.say(sheet, 0.0, 0.6, summary(found), look.TEXT_PT, bold=True)
    for index, text in enumerate(look.wrapped(about, width_in, look.SMALL_PT, 2)):
        look.say(sheet, 0.0, 0.6 + LINE_IN * (index + 1.1), text, look.SMALL_PT, look.QUIET)


def _name(sheet: Axes, line: Line) -> None:
    """A row's requirement, and how many builds are inside."""
    room_in = NAME_IN - 0.35
    y_in = MARKS_IN + 0.08
    for text in look.wrapped(line.id.replace("-", "- "), room_in, look.TEXT_PT, 2, look.BOLD_EM):
        look.say(sheet, 0.0, y_in, text.replace("- ", "-"), look.TEXT_PT, bold=True)
        y_in += LINE_IN
    colour = look.INK if line.share.inside == line.share.of else look.LIMIT.ink
    look.say(sheet, 0.0, y_in, f"{line.share.inside} of {line.share.of} inside", look.SMALL_PT, colour)
    look.say(sheet, 0.0, y_in + LINE_IN, percent(line.share), look.SMALL_PT, look.QUIET)


def edges(values: Floats) -> Floats:
    """Edges of bars over values that are not all alike; the limit, 0, is one if it is among them, so that no bar
    is on both its sides."""
    low, high = float(values.min()), float(values.max())
    count = min(max(len(np.histogram_bin_edges(values, "auto")) - 1, BARS_LEAST), BARS_MOST)
    width = (high - low) / count
    first, last = np.floor(low / width), np.floor(high / width) + 1.0
    return width * np.arange(first, last + 1.0)


def _spread(axes: Axes, marks: Axes, line: Line) -> None:
    """How the margins of all builds lie about the limit."""
    values = line.known
    cuts = edges(values)
    counts, _ = np.histogram(values, cuts)
    outside = 0.5 * (cuts[1:] + cuts[:-1]) < 0.0
    for chosen, colour in ((outside, look.VERMILLION), (~outside, look.GREEN)):
        widths = np.diff(cuts)[chosen]
        axes.bar(cuts[:-1][chosen], counts[chosen], widths, align="edge", color=colour, edgecolor="white", lw=0.5)
    low, high = float(cuts[0]), float(cuts[-1])
    span = high - low
    far = max(low, -high, 0.0) > FAR * span
    low, high = (low, high) if far else (min(low, 0.0), max(high, 0.0))
    axes.set_xlim(low - 0.04 * (high - low), high + 0.04 * (high - low))
    axes.set_ylim(0.0, 1.08 * counts.max())
    axes.tick_params(length=2.5)
    axes.grid(axis="x", visible=False)
    axes.yaxis.set_major_locator(MaxNLocator(3, integer=True))
    unit = "" if line.unit == "1" else f" ({line.unit})"
    away = ""
    if far:
        side = "left" if low > 0.0 else "right"
        away = f"; the limit lies {quantity(float(np.abs(values).min()), line.unit)} to the {side} of the nearest"
    axes.set_xlabel(f"margin{unit}{away}", size=look.SMALL_PT, labelpad=2.0)
    axes.set_ylabel("builds", size=look.SMALL_PT)
    shown = [] if far else [Mark(0.0, "limit", look.LIMIT)]
    if line.filed and line.filed.margin is not None:
        shown.append(Mark(line.filed.margin, "as filed", FILED))
    shown.append(Mark(float(values.min()), f"build {line.worst}", look.SINGLE))
    _marks(axes, marks, shown)


def _marks(axes: Axes, marks: Axes, shown: Sequence[Mark]) -> None:
    """Lines through the panel, their words above it, none over another."""
    (low, high), width_in = axes.get_xlim(), marks.get_xlim()[1]
    ordered = sorted(shown, key=lambda mark: mark.at)
    wanted = [(mark.at - low) / (high - low) * width_in for mark in ordered]
    places = look.spread(wanted, 0.8, 0.3, width_in - 0.3)
    for (at, words, style), from_in, to_in in zip(ordered, wanted, places, strict=True):
        axes.axvline(at, color=style.colour, linestyle=style.dashes, linewidth=1.2, zorder=3)
        marks.plot((to_in, from_in), (MARKS_IN - 0.08, MARKS_IN), color=style.colour, linewidth=0.7, clip_on=False)
        marks.text(to_in, MARKS_IN - 0.1, words, size=look.SMALL_PT, color=style.ink, ha="center", va="bottom")


def _moves(sheet: Axes, line: Line) -> None:
    """What the margin moves with, and what breaks the requirement, as bars of rank correlation from -1 to 1."""
    blocks = [
        (words, named)
        for words, named in (
            ("margin moves with", standing_out(line.moves)),
            ("broken with", standing_out(line.breaks)),
        )
        if named
    ]
    y_in = MARKS_IN - 0.1
    for words, named in blocks or [("moves with no one quantity beyond chance", [])]:
        look.say(sheet, 0.0, y_in, words, look.SMALL_PT, look.QUIET)
        for each in named:
            y_in += LINE_IN
            _bar(sheet, y_in, each)
        y_in += 1.3 * LINE_IN


def _bar(sheet: Axes, y_in: float, each: Matter) -> None:
    """One quantity and its correlation, on a line."""
    half = 0.5 * BAR_IN
    middle = KEY_IN + half
    text = "".join(
        look.wrapped(each.key.rsplit(".", 1)[-1] if len(each.key) > 34 else each.key, KEY_IN, look.SMALL_PT, 1)
    )
    look.say(sheet, 0.0, y_in, text, look.SMALL_PT)
    end = middle + half * each.correlation
    sheet.plot((middle - half, middle + half), (y_in, y_in), color="#dddddd", linewidth=0.7, zorder=1)
    sheet.plot((middle, middle), (y_in - 0.06, y_in + 0.06), color="#bbbbbb", linewidth=0.7, zorder=1)
    sheet.plot((middle, end), (y_in, y_in), color=look.LEFT.colour, linewidth=4.5, solid_capstyle="butt")
    sheet.text(
        KEY_IN + BAR_IN + 0.42, y_in, f"{each.correlation:+.2f}", size=look.SMALL_PT, ha="right", va="center_baseline"
    )
