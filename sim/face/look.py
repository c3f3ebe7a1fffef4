"""The one look of every figure: colours, line styles, bands, labels beside their lines, and saving (row 5).

Colours are from the colour-blind safe set of Okabe and Ito (2008, "Color
Universal Design"). Colour never stands alone: lines also differ in dashes,
and bands, limits and verdicts carry words.
"""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.base.files import written_whole

Floats = NDArray[np.float64]

INK = "#222222"
QUIET = "#6b6b6b"
GREEN = "#009E73"
BETWEEN = "#F7EBC6"
VERMILLION = "#D55E00"

VERDICT_COLOURS = {"pass": GREEN, "fail": VERMILLION, "undecided": QUIET}
EVENT_COLOURS = {
    "supply": VERMILLION,
    "drive": "#A04000",
    "fault": "#8F4B74",
    "controller": "#0072B2",
    "water": "#2478A8",
    "rider": QUIET,
}
MODE_COLOURS = ("#E3E3E3", "#FBE3B0", "#F3DCE8", "#D3E9F7", "#B5E0D2", "#F6C9A8", "#F0B7A0", "#D9C7E8")
STEP_COLOURS = ("#DCEBF6", "#B0D2EA", "#7FB5DC", "#4A97CA")

TEXT_PT, SMALL_PT, HEAD_PT = 9.0, 8.0, 15.0
PNG_DPI = 120
# Mean advance of a letter of the figures' font, in parts of its size; measured on English text.
LETTER_EM, BOLD_EM = 0.54, 0.65
LINE_EM = 1.25
# Enough columns that none is wider than a pixel of the widest panel.
COLUMNS = 900

_RC: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": TEXT_PT,
    "text.color": INK,
    "axes.edgecolor": "#9a9a9a",
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#ececec",
    "grid.linewidth": 0.7,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "lines.linewidth": 1.4,
    # Words of a scenario may hold a dollar sign.
    "text.parse_math": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "drydive",
}


class Style(NamedTuple):
    """How a quantity's line is drawn, everywhere; its words are in `ink`, dark enough to read on white."""

    colour: str
    ink: str
    dashes: str | tuple[float, tuple[float, ...]] = "-"
    width: float = 1.4


LEFT = Style("#0072B2", "#0072B2")
RIGHT = Style("#E69F00", "#9A6A00", "--")
# Wide and pale, so that the controller's own pulses can be read on top of them.
LEFT_RECORDED = Style("#8FC1E3", "#3F779F", (0.0, (3.0, 0.8)), 3.4)
RIGHT_RECORDED = Style("#EBC573", "#8A6A24", (0.0, (1.0, 1.0)), 2.4)
TRUE = Style(GREEN, "#00785A", "-", 2.4)
UNDERSTOOD = Style(INK, INK, "--")
RAW = Style("#A0A0A0", QUIET, "-", 0.8)
LINE_VOLTAGE = Style("#5A5A5A", INK, "-", 0.9)
THRESHOLD = Style("#B08A1E", "#7A5F10", (0.0, (4.0, 3.0)), 0.7)
SINGLE = Style(INK, INK)
LIMIT = Style(VERMILLION, "#B34700", "-.", 1.2)


class Label(NamedTuple):
    """Words beside a panel, at a height in the panel's own unit."""

    at: float
    text: str
    colour: str


class Limit(NamedTuple):
    """A value not to be crossed."""

    at: float
    words: str


class Run(NamedTuple):
    """A stretch over which a column keeps its value."""

    start_s: float
    stop_s: float
    value: float


@contextmanager
def styled() -> Iterator[None]:
    """The look's settings over matplotlib's own defaults, whatever the user's are; undone at the end."""
    defaults: dict[Any, Any] = dict(matplotlib.rcParamsDefault)
    own = {key: value for key, value in (defaults | _RC).items() if not key.startswith("backend")}
    with matplotlib.rc_context(own):
        yield


def blank(width_in: float, height_in: float) -> Figure:
    """An empty page that draws with Agg."""
    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def axes_at(figure: Figure, left_in: float, top_in: float, width_in: float, height_in: float) -> Axes:
    """Axes placed in inches, measured from the page's left and top."""
    page_w, page_h = figure.get_size_inches()
    box = (left_in / page_w, 1.0 - (top_in + height_in) / page_h, width_in / page_w, height_in / page_h)
    return figure.add_axes(box)


def size_in(axes: Axes) -> tuple[float, float]:
    """Width and height of axes in inches."""
    return float(axes.bbox.width / axes.figure.dpi), float(axes.bbox.height / axes.figure.dpi)


def sheet_at(figure: Figure, left_in: float, top_in: float, width_in: float, height_in: float) -> Axes:
    """Bare axes whose unit is the inch, from its top left corner, to write on."""
    sheet = axes_at(figure, left_in, top_in, width_in, height_in)
    sheet.set(xlim=(0.0, width_in), ylim=(height_in, 0.0))
    sheet.set_axis_off()
    return sheet


def letters(width_in: float, size_pt: float, em: float = LETTER_EM) -> int:
    """How many letters of a size fit a width."""
    return int(width_in * 72.0 / (em * size_pt))


def wrapped(
    text: str, width_in: float, size_pt: float, most_lines: int | None = None, em: float = LETTER_EM
) -> list[str]:
    """`text` in lines that fit; what does not fit the lines ends in an ellipsis."""
    width = max(letters(width_in, size_pt, em), 5)
    return textwrap.wrap(text, width, max_lines=most_lines, placeholder=" …", break_long_words=False)


def envelope(t: Floats, values: Floats, columns: int = COLUMNS) -> tuple[Floats, Floats]:
    """Fewer points that draw the same line: of each column of points the first, last, lowest and highest.

    Parameters
    ----------
    t, values : shape (n,)
        NaN in `values` is a gap; a column with one keeps one.
    columns : int > 0

    Returns
    -------
    t, values : shape (m,), m <= 5 * columns + 5
        Points of the input, in its order; all of them where there are few.

    Notes
    -----
    Source: Jugel, Jerzak, Hackenbroich, Markl (2014), "M4: A
    visualization-oriented time series data aggregation", PVLDB 7(10).
    """
    count = len(values)
    if count <= 4 * columns:
        return t, values
    width = -(-count // columns)
    starts = np.arange(0, count, width)
    padded = np.concatenate([values, np.full(len(starts) * width - count, values[-1])]).reshape(-1, width)
    gap = np.isnan(padded)
    picked = [
        starts,
        np.minimum(starts + width, count) - 1,
        starts + np.where(gap, np.inf, padded).argmin(axis=1),
        starts + np.where(gap, -np.inf, padded).argmax(axis=1),
        starts + gap.argmax(axis=1),
    ]
    kept = np.unique(np.minimum(np.concatenate(picked), count - 1))
    return t[kept], values[kept]


def runs(t_s: Floats, values: Floats) -> list[Run]:
    """The stretches over which a column keeps its value; each lasts until the next row."""
    if not len(values):
        return []
    known = np.nan_to_num(values, nan=-np.inf)
    starts = np.concatenate([[0], np.flatnonzero(known[1:] != known[:-1]) + 1])
    end_s = t_s[-1] + (np.median(np.diff(t_s)) if len(t_s) > 1 else 0.0)
    stops = np.append(t_s[starts[1:]], end_s)
    return [Run(*run) for run in zip(t_s[starts].tolist(), stops.tolist(), values[starts].tolist(), strict=True)]


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places at least `gap` apart, in the order of and as near as can be to those wanted.

    Parameters
    ----------
    wanted : in ascending order.
    low, high : no place is outside, unless there are more than fit; then they start at `low`.

    Notes
    -----
    Least squares by pooling adjacent violators: Barlow, Bartholomew, Bremner,
    Brunk (1972), "Statistical Inference under Order Restrictions".
    """
    pools: list[tuple[float, int]] = []
    for index, place in enumerate(wanted):
        pools.append((place - index * gap, 1))
        while len(pools) > 1 and pools[-2][0] >= pools[-1][0]:
            (a, m), (b, n) = pools[-2:]
            pools[-2:] = [((a * m + b * n) / (m + n), m + n)]
    top = max(high - (len(wanted) - 1) * gap, low)
    level = [min(max(mean, low), top) for mean, size in pools for _ in range(size)]
    return [place + index * gap for index, place in enumerate(level)]


def line(axes: Axes, t_s: Floats, values: Floats, style: Style, steps: bool = False) -> None:
    """A column's line, thinned so that no spike is lost."""
    axes.plot(
        *envelope(t_s, values),
        color=style.colour,
        linestyle=style.dashes,
        linewidth=style.width,
        drawstyle="steps-post" if steps else "default",
        solid_joinstyle="round",
    )


def point(axes: Axes, t_s: float, value: float) -> None:
    """A dot on a line."""
    axes.plot(t_s, value, "o", color=INK, markersize=4.0, zorder=4)


def merged(axes: Axes, stretches: Sequence[Run]) -> list[tuple[float, float]]:
    """Start and length of the stretches, in seconds; those too close to be told apart are one."""
    first_s, last_s = axes.get_xlim()
    least_s = (last_s - first_s) / COLUMNS
    spans: list[tuple[float, float]] = []
    for run in stretches:
        if spans and run.start_s - sum(spans[-1]) < least_s:
            start_s = spans.pop()[0]
            spans.append((start_s, run.stop_s - start_s))
        else:
            spans.append((run.start_s, run.stop_s - run.start_s))
    return spans


def bar(axes: Axes, stretches: Sequence[Run], at: float, height: float, colour: str) -> None:
    """Stretches as a thin bar; its edge keeps the shortest visible."""
    spans = merged(axes, stretches)
    axes.broken_barh(spans, (at, height), facecolor=colour, edgecolor=colour, linewidth=0.8, zorder=3)


def bands(axes: Axes, stretches: Sequence[Run], at: float, height: float, colour: str, words: str, ink: str) -> None:
    """Stretches as coloured bands with their words inside, as far as they fit; the scales have to be set."""
    (first_s, last_s), (low, high) = axes.get_xlim(), axes.get_ylim()
    width_in, height_in = size_in(axes)
    spans = merged(axes, stretches)
    axes.broken_barh(spans, (at, height), facecolor=colour, edgecolor=colour, linewidth=0.4)
    for start_s, length_s in spans:
        from_s, to_s = max(start_s, first_s), min(start_s + length_s, last_s)
        room_in = (to_s - from_s) / (last_s - first_s) * width_in - 0.06
        size_pt = SMALL_PT if len(words) <= letters(room_in, SMALL_PT) else SMALL_PT - 1.0
        most_lines = max(int(height / (high - low) * height_in * 72.0 / size_pt), 1)
        lines = wrapped(words, room_in, size_pt, most_lines)
        if lines and max(map(len, lines)) <= letters(room_in, size_pt):
            place, text = ((from_s + to_s) / 2.0, at + height / 2.0), "\n".join(lines)
            axes.text(*place, text, size=size_pt, color=ink, ha="center", va="center", linespacing=1.0)


def heading(axes: Axes, name: str, note: str, warns: bool, stacked: bool) -> None:
    """A panel's name over its left end; what to read off it over its right end or, stacked, below the name."""

    def over(text: str, x: float, up_pt: float, **how: Any) -> None:
        axes.annotate(text, (x, 1.0), (0.0, up_pt), xycoords="axes fraction", textcoords="offset points", **how)

    over(name, 0.0, 15.0 if stacked and note else 4.0, size=TEXT_PT, weight="bold")
    weight, colour = ("bold", LIMIT.ink) if warns else ("normal", INK)
    x, side = (0.0, "left") if stacked else (1.0, "right")
    over(note, x, 4.0, size=SMALL_PT, weight=weight, color=colour, ha=side)


def shade(axes: Axes, wrong: Sequence[Run]) -> None:
    """Tint the stretches in which something is wrong."""
    for start_s, length_s in merged(axes, wrong):
        axes.axvspan(start_s, start_s + length_s, facecolor=VERMILLION, alpha=0.13, linewidth=0.0, zorder=0.2)


def limits(axes: Axes, values: Sequence[Limit]) -> list[Label]:
    """Draw the limits in view; the labels of all, those out of view with an arrow towards where they are."""
    low, high = axes.get_ylim()
    labels = []
    for limit in values:
        if low <= limit.at <= high:
            style: dict[str, Any] = {"color": LIMIT.colour, "linestyle": LIMIT.dashes, "linewidth": LIMIT.width}
            axes.axhline(limit.at, label=limit.words, zorder=2.5, **style)
            labels.append(Label(limit.at, limit.words, LIMIT.ink))
        else:
            arrow = "\N{UPWARDS ARROW}" if limit.at > high else "\N{DOWNWARDS ARROW}"
            labels.append(Label(limit.at, f"{arrow} {limit.words}", LIMIT.ink))
    return labels


def beside(axes: Axes, labels: Sequence[Label], room_in: float) -> None:
    """Write labels to the right of the panel, each at its height or as near as the others let it."""
    low, high = axes.get_ylim()
    width_in, height_in = size_in(axes)
    line_in = LINE_EM * SMALL_PT / 72.0
    ordered = sorted(labels, key=lambda label: label.at)
    heights = [min(max((label.at - low) / (high - low), 0.0), 1.0) * height_in for label in ordered]
    places = spread(heights, line_in, -0.02, height_in + 0.02)
    tie = (1.0 + 0.02 / width_in, 1.0 + 0.14 / width_in)
    for label, from_in, to_in in zip(ordered, heights, places, strict=True):
        ends = (from_in / height_in, to_in / height_in)
        axes.plot(tie, ends, transform=axes.transAxes, color=label.colour, linewidth=0.7, clip_on=False)
        text = wrapped(label.text, room_in - 0.18, SMALL_PT, 1)[0]
        place = (1.0 + 0.18 / width_in, to_in / height_in)
        how: dict[str, Any] = {"size": SMALL_PT, "color": label.colour, "va": "center_baseline"}
        axes.text(*place, text, transform=axes.transAxes, **how)


def moment(axes: Axes, t_s: float, colour: str) -> None:
    """A thin line at an event, behind the data."""
    axes.axvline(t_s, color=colour, linewidth=0.7, alpha=0.5, zorder=0.8)


def say(
    sheet: Axes, x_in: float, y_in: float, text: str, size_pt: float, colour: str = INK, bold: bool = False
) -> None:
    """Write on a sheet, from a point on."""
    weight = "bold" if bold else "normal"
    sheet.text(x_in, y_in, text, size=size_pt, color=colour, weight=weight, va="center_baseline")


def plate(sheet: Axes, x_in: float, y_in: float, word: str, colour: str) -> None:
    """A white word on a coloured plate, centred."""
    box = {"boxstyle": "round,pad=0.32,rounding_size=0.25", "facecolor": colour, "edgecolor": "none"}
    sheet.text(x_in, y_in, word, size=10.0, weight="bold", color="white", ha="center", va="center", bbox=box)


def disc(sheet: Axes, x_in: float, y_in: float, number: int, colour: str) -> None:
    """A white number on a coloured disc, centred."""
    sheet.plot(x_in, y_in, "o", color=colour, markersize=13.5, markeredgewidth=0.0, clip_on=False)
    sheet.text(
        x_in, y_in, str(number), size=7.0, weight="bold", color="white", ha="center", va="center_baseline", zorder=3
    )


def save(figure: Figure, path_without_suffix: Path) -> tuple[Path, Path]:
    """Write the figure as SVG and PNG, each whole or not at all.

    Returns
    -------
    svg, png : the files. The same figure gives the same bytes with the same matplotlib.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    svg = path_without_suffix.with_name(path_without_suffix.name + ".svg")
    png = path_without_suffix.with_name(path_without_suffix.name + ".png")
    with styled(), written_whole(svg) as whole_svg, written_whole(png) as whole_png, warnings.catch_warnings():
        # A name in a script that the font lacks shows as boxes, which is plain enough.
        warnings.filterwarnings("ignore", message="Glyph")
        figure.savefig(whole_svg, format="svg", metadata={"Date": None, "Creator": "drydive"})
        figure.savefig(whole_png, format="png", dpi=PNG_DPI, metadata={"Software": "drydive"})
    return svg, png
