"""The lever's sheet as it is printed and drawn (row 5)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from rich.console import Console

from sim.face import look
from sim.face.sheet_text import HEAD_IN, Columns, Rows, band, change, head, page_head, table, warned
from sim.jobs.sheets.lever import Error, Point, Room
from sim.jobs.sheets.paper import Paper

PAGE_W_IN, LEFT_IN, WIDTH_IN, LABELS_IN = 11.0, 0.75, 7.2, 2.6
EVERY = 10
# Prefixes of the numbers that a reader sees; the data keep to plain units.
SCALES = {"T": (1e3, "mT"), "m": (1e3, "mm"), "V/T": (1.0, "V/T"), "degC": (1.0, "degC")}


def show(console: Console, paper: Paper) -> None:
    """Print the sheet."""
    given = paper.given
    about = (
        f"calibrated at {given['magnets_degc']:g} degC, rail {given['rail_v']:g} V, full scale {given['counts_max']}"
    )
    head(console, paper, about + (f", controller {given['controller']}" if given["controller"] else ""))
    points: Sequence[Point] = paper.tables["points"]
    rows: Rows = [
        (
            f"{each.travel_frac:.1f}",
            f"{1e3 * each.field_tesla:.2f}",
            f"{each.hall_v:.3f}",
            each.counts,
            f"{each.slope_counts_permille:.2f}",
            f"{1.0 / abs(each.slope_counts_permille):.2f}" if abs(each.slope_counts_permille) > 1e-3 else "none",
            band(each.use_counts_low, each.use_counts_high),
            band(each.built_counts_low, each.built_counts_high),
        )
        for each in points[::EVERY]
    ]
    columns: Columns = ("travel", "field mT", "sensor V", "counts", "slope", "one count", "in use", "uncalibrated")
    table(console, "over the travel (slope: counts a permille of travel; one count: in permille)", columns, rows)
    errors: Sequence[Error] = paper.tables["errors"]
    rows = [
        (
            each.name,
            _band_of(each),
            change(each.rest_counts_low, each.rest_counts_high),
            change(each.half_counts_low, each.half_counts_high),
            change(each.full_counts_low, each.full_counts_high),
            f"{each.worst_permille:.1f}",
        )
        for each in errors
    ]
    columns = ("one at a time", "from .. to", "at rest", "half", "at full", "permille")
    table(
        console, "what moves the reading, in counts (permille: of the range, the worst over the travel)", columns, rows
    )
    rooms: Sequence[Room] = paper.tables["rooms"]
    rows = [
        (
            each.to,
            each.at,
            f"{each.limit_counts:.0f}",
            *(warned(f"{left:.0f}", left < 0.0) for left in (each.nominal_counts, each.use_counts, each.built_counts)),
        )
        for each in rooms
    ]
    columns = ("room to", "lever", "counts", "nominal", "in use", "never calibrated")
    table(console, "room left, in counts", columns, rows, words=2)


def _about(paper: Paper) -> str:
    given = paper.given
    about = (
        f"calibrated at {given['magnets_degc']:g} degC, rail {given['rail_v']:g} V, full scale {given['counts_max']}"
    )
    return about + (f", controller {given['controller']}" if given["controller"] else "")


def _band_of(each: Error) -> str:
    scale, unit = SCALES.get(each.unit, (1.0, each.unit))
    return f"{scale * each.low:.4g} .. {scale * each.high:.4g} {unit}"


def figure(paper: Paper) -> Figure:
    """The code over the travel with its bands and limits, its slope, and what moves it most."""
    errors: Sequence[Error] = paper.tables["errors"]
    bars_in = 0.24 * len(errors)
    top = HEAD_IN + 0.25
    with look.styled():
        page = look.blank(PAGE_W_IN, top + 6.35 + bars_in)
        head_sheet = look.sheet_at(page, 0.0, 0.0, PAGE_W_IN, HEAD_IN)
        page_head(head_sheet, paper, f"Lever of {paper.vehicle}", _about(paper), PAGE_W_IN)
        _codes(look.axes_at(page, LEFT_IN, top, WIDTH_IN, 3.6), paper)
        _slope(look.axes_at(page, LEFT_IN, top + 4.05, WIDTH_IN, 1.1), paper.tables["points"])
        _bars(look.axes_at(page, 2.6, top + 5.95, WIDTH_IN + LEFT_IN - 2.6, bars_in), errors)
    return page


def _codes(axes: Axes, paper: Paper) -> None:
    points: Sequence[Point] = paper.tables["points"]
    travel = np.array([each.travel_frac for each in points])

    def column(name: str) -> look.Floats:
        return np.array([getattr(each, name) for each in points], dtype=np.float64)

    rooms: Sequence[Room] = paper.tables["rooms"]
    axes.set(xlim=(0.0, 1.0), ylim=(0.0, paper.given["counts_max"]))
    axes.fill_between(travel, column("built_counts_low"), column("built_counts_high"), color="#CFE3F2", lw=0)
    axes.fill_between(travel, column("use_counts_low"), column("use_counts_high"), color="#6FA8D6", lw=0)
    look.line(axes, travel, column("counts"), look.SINGLE)
    limits = {each.to: look.Limit(each.limit_counts, f"{each.to} {each.limit_counts:.0f}") for each in rooms}
    labels = look.limits(axes, list(limits.values()))
    last = points[-1]
    labels.append(look.Label(last.counts, f"as calibrated {last.counts}", look.INK))
    note = "dark band: all that moves it in use; pale: all tolerances on top"
    look.heading(axes, "Converter's code over the travel", note, False, False)
    look.beside(axes, labels, LABELS_IN)


def _slope(axes: Axes, points: Sequence[Point]) -> None:
    travel = np.array([each.travel_frac for each in points])
    slope = np.array([each.slope_counts_permille for each in points])
    low, high = min(0.0, float(slope.min())), max(0.0, float(slope.max()))
    axes.set(xlim=(0.0, 1.0), ylim=(1.15 * low, 1.15 * high or 1.0))
    look.line(axes, travel, slope, look.SINGLE)
    axes.axhline(0.0, color=look.QUIET, linewidth=0.7)
    index = int(np.abs(slope).argmin())
    look.point(axes, float(travel[index]), float(slope[index]))
    note = f"least {slope[index]:.2f} at {travel[index]:.2f}"
    look.heading(axes, "Slope (counts a permille of travel)", note, False, False)
    axes.set_xlabel("lever, 0 at rest to 1 at full", size=look.SMALL_PT)


def _bars(axes: Axes, errors: Sequence[Error]) -> None:
    ranked = sorted(errors, key=lambda each: each.worst_permille)
    built = ("#A9CDE6", "//////")
    for place, each in enumerate(ranked):
        colour, hatch = built if each.stage == "built" else ("#2C6CA3", "")
        axes.barh(place, each.worst_permille, 0.62, facecolor=colour, hatch=hatch, edgecolor="white", linewidth=0.0)
        words = f"{each.worst_permille:.1f}  ({_band_of(each)})"
        axes.annotate(
            words, (each.worst_permille, place), (4.0, 0.0), textcoords="offset points", size=7.5, va="center"
        )
    axes.set(yticks=range(len(ranked)), ylim=(-0.6, len(ranked) - 0.4))
    axes.set_yticklabels([each.name for each in ranked])
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0.0)
    axes.set_xlim(0.0, 1.05 * max((each.worst_permille for each in ranked), default=1.0) or 1.0)
    note = "hatched: as built; plain: in use"
    look.heading(axes, "What moves the reading most (permille)", note, False, False)
