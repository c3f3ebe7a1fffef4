"""The contacts' sheet as it is printed and drawn (row 5)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from rich.console import Console
from rich.text import Text

from sim.face import look
from sim.face.sheet_text import BAD, HEAD_IN, head, page_head, table
from sim.jobs.sheets.contacts import CLOSED, KEEPS, OPEN, Cure, Input, Reading
from sim.jobs.sheets.paper import Paper

PAGE_W_IN, LEFT_IN, WIDTH_IN, PANEL_IN, LABELS_IN = 10.5, 0.75, 7.0, 2.0, 2.5
STYLES = {OPEN: "green", KEEPS: "yellow", CLOSED: BAD}
# Colour never stands alone: each reading has a marker and a word.
MARKERS = {OPEN: ("o", look.GREEN), KEEPS: ("D", "#B08A1E"), CLOSED: ("X", look.VERMILLION)}
WORDS = {OPEN: "reads open", KEEPS: "stays as it was", CLOSED: "reads closed"}


def about(paper: Paper) -> str:
    """The conditions."""
    given = paper.given
    return f"water of {given['water_degc']:g} degC, rail {given['rail_v']:g} V, contacts wetted in full"


def show(console: Console, paper: Paper) -> None:
    """Print the sheet."""
    head(console, paper, about(paper))
    _readings(console, paper.tables["readings"])
    _inputs(console, paper.tables["fitted"])
    if paper.tables["cures"]:
        _cures(console, paper.tables["cures"])


def _readings(console: Console, readings: Sequence[Reading]) -> None:
    rows = [
        (
            each.contact,
            each.water,
            f"{1e6 * each.leak_siemens:.0f}",
            f"{1e6 * each.leak_siemens_worst:.0f}",
            f"{each.line_v:.2f}",
            f"{each.line_v_worst:.2f}",
            Text(each.reads, STYLES[each.reads]),
            Text(each.reads_worst, STYLES[each.reads_worst]),
            _share(each.closes_wetted_frac),
            _share(each.lets_go_wetted_frac),
            f"{1e3 * each.leak_a:.2f}",
            f"{3.6e9 * each.copper_kg_s:.1f}",
        )
        for each in readings
    ]
    columns = (
        "contact",
        "water",
        "leak uS",
        "worst",
        "line V",
        "worst",
        "reads",
        "worst",
        "closes",
        "opens",
        "mA",
        "mg/h",
    )
    title = "an open contact in water (closes, opens: at which share of wetting; mg/h: copper lost)"
    table(console, title, columns, rows, words=2)


def _inputs(console: Console, inputs: Sequence[Input]) -> None:
    rows = [
        (
            each.contact,
            each.wet_means,
            f"{each.pullup_ohm:g}",
            *(f"{1e6 * leak:.0f}" for leak in (each.lets_go_siemens, each.lets_go_siemens_worst)),
            *(f"{1e6 * leak:.0f}" for leak in (each.closes_siemens, each.closes_siemens_worst)),
        )
        for each in inputs
    ]
    columns = ("contact", "wet it reads", "ohm", "lets go to uS", "worst", "closes from uS", "worst")
    table(console, "the leak that each input bears", columns, rows, words=2)


def _cures(console: Console, cures: Sequence[Cure]) -> None:
    rows = [
        (
            each.contact,
            each.water,
            f"{each.pullup_ohm_most:.0f}",
            f"{each.pullup_ohm_least:.0f}",
            Text("none", BAD) if each.pullup_ohm is None else f"{each.pullup_ohm:g}",
            f"{1e3 * each.closed_a:.1f}",
            "" if each.threshold_frac is None else f"{each.threshold_frac:.3f} over {each.own_pullup_ohm:g}",
            "" if each.contact_ohm_most is None else f"{each.contact_ohm_most:.1f}",
        )
        for each in cures
    ]
    columns = ("contact", "water", "at most", "at least", "E24 ohm", "mA", "or threshold, ohm", "contact under ohm")
    table(console, "the pull-up that would serve at worst", columns, rows, words=2)


def _share(share: float | None) -> str:
    return "" if share is None else f"{share:.2f}"


def figure(paper: Paper) -> Figure:
    """The line's voltage over the leak for each contact, with the waters on it and the two thresholds."""
    inputs: Sequence[Input] = paper.tables["fitted"]
    top = HEAD_IN + 0.3
    with look.styled():
        page = look.blank(PAGE_W_IN, top + len(inputs) * (PANEL_IN + 0.65) + 0.2)
        page_head(
            look.sheet_at(page, 0.0, 0.0, PAGE_W_IN, HEAD_IN),
            paper,
            f"Contacts of {paper.vehicle}",
            about(paper),
            PAGE_W_IN,
        )
        for number, each in enumerate(inputs):
            axes = look.axes_at(page, LEFT_IN, top + number * (PANEL_IN + 0.65), WIDTH_IN, PANEL_IN)
            _panel(axes, each, paper)
        axes.set_xlabel(
            "conductance of the water across the open contact, microsiemens (ring: as it is; filled: at worst)",
            size=look.SMALL_PT,
        )
    return page


def _panel(axes: Axes, each: Input, paper: Paper) -> None:
    readings: Sequence[Reading] = [row for row in paper.tables["readings"] if row.contact == each.contact]
    rail_v = paper.given["rail_v"]
    wet = [row for row in readings if row.leak_siemens > 0.0]
    low, high = 1.0, 1e6 * max(row.leak_siemens_worst for row in wet) * 2.0
    leaks = np.geomspace(low, high, 300)
    axes.set(xscale="log", xlim=(low, high), ylim=(0.0, 1.12 * rail_v))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    # The thresholds follow from the leaks at which they are met.
    low_v, high_v = (rail_v / (1.0 + each.pullup_ohm * leak) for leak in (each.closes_siemens, each.lets_go_siemens))
    axes.axhspan(low_v, high_v, facecolor=look.BETWEEN, linewidth=0.0)
    look.line(axes, leaks, rail_v / (1.0 + each.pullup_ohm * leaks * 1e-6), look.LINE_VOLTAGE)
    for row in wet:
        _water(axes, row)
    labels = [
        look.Label(0.5 * (high_v + 1.1 * rail_v), "reads open", look.TRUE.ink),
        look.Label(0.5 * (low_v + high_v), "between: stays as it was", look.THRESHOLD.ink),
        look.Label(0.5 * low_v, "reads closed", look.LIMIT.ink),
    ]
    note = f"wet it reads {each.wet_means}"
    name = f"{each.contact.capitalize()}, {each.pullup_ohm:g} ohm: line (V)"
    better = [row.pullup_ohm for row in paper.tables["cures"] if row.contact == each.contact and row.pullup_ohm]
    if better:
        dashed = look.LINE_VOLTAGE._replace(dashes=(0.0, (3.0, 2.0)))
        look.line(axes, leaks, rail_v / (1.0 + min(better) * leaks * 1e-6), dashed)
        name = f"{each.contact.capitalize()}, {each.pullup_ohm:g} ohm (dashed: {min(better):g} ohm): line (V)"
    look.heading(axes, name, note, not each.wet_is_safe, False)
    look.beside(axes, labels, LABELS_IN)


def _water(axes: Axes, row: Reading) -> None:
    """A water's nominal point, and a line to its worst one."""
    nominal, worst = 1e6 * row.leak_siemens, 1e6 * row.leak_siemens_worst
    marker, colour = MARKERS[row.reads_worst]
    axes.plot([nominal, worst], [row.line_v, row.line_v_worst], color=colour, linewidth=2.6, alpha=0.6, zorder=3)
    axes.plot(worst, row.line_v_worst, marker=marker, color=colour, markersize=6.5, markeredgewidth=0.0, zorder=4)
    axes.plot(nominal, row.line_v, marker="o", color="white", markeredgecolor=colour, markersize=4.5, zorder=4)
    # The line falls to the right, so that there is room below it, but for its end near the axis.
    below = row.line_v_worst > 0.1 * axes.get_ylim()[1]
    at, place = ((nominal, row.line_v), (-4.0, -3.0)) if below else ((worst, row.line_v_worst), (4.0, 3.0))
    how: dict[str, Any] = {"ha": "right", "va": "top"} if below else {"ha": "left", "va": "bottom"}
    axes.annotate(row.water.replace("_", " "), at, place, textcoords="offset points", size=7.5, color=look.INK, **how)
