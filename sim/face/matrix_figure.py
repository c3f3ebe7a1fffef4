"""A fault matrix as one page: fault kinds by phases, a panel for each water (row 5).

Meant to be read from afar and on a bad print: an outcome is told by its colour
and by its sign, and only what is unsafe is dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from sim.face import look
from sim.face.grid import latency
from sim.jobs.matrix import ERROR, SAFE_DEGRADED, SAFE_STOP, UNDECIDED, UNSAFE, Cell, Matrix
from sim.jobs.ride import NO_FAULT


class Mark(NamedTuple):
    """How an outcome looks: the cell's colour, its sign (a letter, or a marker of matplotlib's) and the ink of both."""

    fill: tuple[float, float, float]
    marker: str
    ink: str
    words: str


def _mixed(colour: str, share: float) -> tuple[float, float, float]:
    red, green, blue = (share * part + 1.0 - share for part in to_rgb(colour))
    return red, green, blue


# A safe stop for which nothing but the kill cord was left; it looks different, for there the dead-man does not help.
BY_CORD = "safe stop by the cord"
# The worst first. The signs are those of a recorder's keys: a square stops, a triangle goes on.
MARKS = {
    ERROR: Mark(to_rgb(look.INK), "!", "white", "ERROR: the run broke off"),
    UNSAFE: Mark(to_rgb(look.VERMILLION), "X", "white", "UNSAFE: a rule is broken"),
    UNDECIDED: Mark((0.92, 0.92, 0.92), "?", look.QUIET, "undecided: no drive to judge by"),
    BY_CORD: Mark(_mixed("#F0E442", 0.55), "D", "#6B5D00", "stopped by the kill cord alone"),
    SAFE_DEGRADED: Mark(_mixed("#56B4E9", 0.30), ">", "#1D5C86", "goes on safely until the dead-man is let go"),
    SAFE_STOP: Mark(_mixed(look.GREEN, 0.30), "s", "#00553E", "stops"),
}
BAD = (UNSAFE, ERROR)

CELL_W_IN, CELL_H_IN, GAP_IN = 0.6, 0.2, 0.08
NAME_IN, MARGIN_IN, BETWEEN_IN = 1.45, 0.3, 0.3
PANEL_HEAD_IN, FOOT_LINE_IN = 0.62, 0.17
PANELS_A_ROW = 3
MOST_LINES = 12
FOOT = (
    "In each cell the seconds from the fault to the end of the drive; with d from letting go of the dead-man, with c "
    "from pulling the kill cord, where nothing else helped."
)


def matrix(found: Matrix) -> Figure:
    """The whole matrix on a page."""
    across = min(len(found.waters), PANELS_A_ROW)
    down = -(-len(found.waters) // PANELS_A_ROW)
    # The words over a panel need more room than one phase has.
    panel_w = max(CELL_W_IN * len(found.phases), 1.6)
    panel_h = PANEL_HEAD_IN + CELL_H_IN * (len(found.kinds) + 1) + GAP_IN
    # A matrix of one phase still has a head to write.
    width_in = max(2.0 * MARGIN_IN + NAME_IN + across * (panel_w + BETWEEN_IN), 8.5)
    legend = _legend(found, width_in)
    head_in = max((y for _, y, _, _ in legend), default=0.85) + 0.25
    text_in = width_in - 2.0 * MARGIN_IN
    foot = [(line, look.QUIET) for line in look.wrapped(FOOT, text_in, look.SMALL_PT)]
    rules = broken(found)
    foot += [("Broken, and with which faults:", look.LIMIT.ink)] if rules else []
    foot += [(line, look.INK) for rule in rules for line in look.wrapped(rule, text_in, look.SMALL_PT, 3)]
    foot_at = head_in + down * (panel_h + 0.15) + FOOT_LINE_IN
    height_in = foot_at + FOOT_LINE_IN * (len(foot) + 1)
    with look.styled():
        figure = look.blank(width_in, height_in)
        page = look.sheet_at(figure, 0.0, 0.0, width_in, height_in)
        _head(page, found, legend)
        for number, water in enumerate(found.waters):
            row, column = divmod(number, PANELS_A_ROW)
            left = MARGIN_IN + NAME_IN + column * (panel_w + BETWEEN_IN)
            _panel(page, found, water, (left, head_in + row * (panel_h + 0.15), panel_w), named=column == 0)
        for number, (line, colour) in enumerate(foot):
            look.say(page, MARGIN_IN, foot_at + FOOT_LINE_IN * number, line, look.SMALL_PT, colour)
    return figure


def headline(found: Matrix) -> str:
    """What a matrix says, in one line."""
    tally, cells = found.tally(), len(found.cells)
    bad = [f"{tally[outcome]} {outcome}" for outcome in (UNSAFE, ERROR) if tally[outcome]]
    if bad:
        return f"{' and '.join(bad)} of {cells} cells"
    return f"No unsafe cell of {cells}" + (f"; {tally[UNDECIDED]} undecided" if tally[UNDECIDED] else "")


def looks(cell: Cell) -> str:
    """Which of the marks a cell has."""
    return BY_CORD if cell.outcome == SAFE_STOP and cell.since == "cord" else cell.outcome


def broken(found: Matrix) -> list[str]:
    """What went wrong, a line for each rule or error: in how many cells, and with which faults."""
    alike: dict[str, list[Cell]] = {}
    for cell in found.worst():
        alike.setdefault(cell.why.split("; broken at ")[0], []).append(cell)
    lines = []
    for why, cells in sorted(alike.items(), key=lambda item: -len(item[1])):
        kinds = dict.fromkeys(cell.kind for cell in cells)
        named = "every fault, and none" if len(kinds) == len(found.kinds) + 1 else ", ".join(kinds)
        lines.append(f"{len(cells)} \N{MULTIPLICATION SIGN}  {why}  ({named})")
    left_out = len(lines) - MOST_LINES
    return lines if left_out <= 0 else [*lines[:MOST_LINES], f"and {left_out} more kinds of error"]


def _head(page: Axes, found: Matrix, legend: Sequence[tuple[float, float, str, str]]) -> None:
    bad = any(cell.outcome in BAD for cell in found.cells)
    ride = found.ride
    look.say(page, MARGIN_IN, 0.36, headline(found), look.HEAD_PT, look.LIMIT.ink if bad else look.INK, bold=True)
    params = f" with {Path(ride.params).stem}" if ride.params else ""
    about = (
        f"fault matrix of {Path(ride.vehicle).stem}, {ride.attitude}; controller {Path(ride.controller).stem}{params}"
    )
    look.say(page, MARGIN_IN, 0.6, about, look.TEXT_PT, look.QUIET)
    for x, y, name, words in legend:
        _box(page, x, y - 0.09, CELL_H_IN * 1.2, CELL_H_IN - 0.02, MARKS[name])
        _sign(page, x + 0.6 * CELL_H_IN, y, MARKS[name])
        look.say(page, x + 0.32, y, words, look.SMALL_PT, bold=name in BAD)


def _legend(found: Matrix, width_in: float) -> list[tuple[float, float, str, str]]:
    """Where each mark that occurs is explained, its name, and the words; in as many lines as it takes."""
    places = []
    x, y = MARGIN_IN, 0.85
    for name, mark in MARKS.items():
        count = sum(looks(cell) == name for cell in found.cells)
        if not count:
            continue
        words = f"{count}  {mark.words}"
        needs_in = 0.52 + len(words) * (look.BOLD_EM if name in BAD else look.LETTER_EM) * look.SMALL_PT / 72.0
        if x > MARGIN_IN and x + needs_in > width_in:
            x, y = MARGIN_IN, y + 0.22
        places.append((x, y, name, words))
        x += needs_in
    return places


def _panel(page: Axes, found: Matrix, water: str, place: tuple[float, float, float], named: bool) -> None:
    """One water, at a place of left, top and width; the names of the faults stand beside the first panel of a row."""
    left, top, width = place
    cells = {(cell.kind, cell.phase): cell for cell in found.cells if cell.water == water}
    bad = sum(cell.outcome in BAD for cell in cells.values())
    look.say(page, left, top + 0.1, water.replace("_", " "), 11.0, bold=True)
    words = "unsafe or error" if any(cell.outcome == ERROR for cell in cells.values()) else "unsafe"
    note, colour = (f"{bad} {words}", look.LIMIT.ink) if bad else (f"none {words}", look.QUIET)
    page.text(left + width, top + 0.1, note, size=look.SMALL_PT, color=colour, ha="right", va="center_baseline")
    for column, phase in enumerate(found.phases):
        middle = left + CELL_W_IN * (column + 0.5)
        page.text(middle, top + 0.57, phase.replace(" ", "\n"), size=7.5, color=look.QUIET, ha="center", va="bottom")
    for row, kind in enumerate((NO_FAULT, *found.kinds)):
        y = top + PANEL_HEAD_IN + CELL_H_IN * row + (GAP_IN if row else 0.0)
        if named:
            anywhere = any(cell.outcome in BAD for cell in found.cells if cell.kind == kind)
            weight, ink = ("bold", look.LIMIT.ink) if anywhere else ("normal", look.INK)
            middle = y + 0.5 * CELL_H_IN
            how: dict[str, Any] = {"size": look.SMALL_PT, "color": ink, "weight": weight, "ha": "right"}
            page.text(left - 0.1, middle, kind, va="center_baseline", **how)
        for column, phase in enumerate(found.phases):
            _cell(page, cells[kind, phase], left + CELL_W_IN * column, y)


def _cell(page: Axes, cell: Cell, x: float, y: float) -> None:
    mark = MARKS[looks(cell)]
    _box(page, x, y, CELL_W_IN, CELL_H_IN, mark)
    middle = y + 0.5 * CELL_H_IN
    text = latency(cell)
    _sign(page, x + (0.11 if text else 0.5 * CELL_W_IN), middle, mark)
    page.text(x + CELL_W_IN - 0.06, middle, text, size=7.0, color=look.INK, ha="right", va="center_baseline")


def _box(page: Axes, x: float, y: float, width: float, height: float, mark: Mark) -> None:
    page.add_patch(Rectangle((x + 0.008, y + 0.008), width - 0.016, height - 0.016, facecolor=mark.fill, lw=0))


def _sign(page: Axes, x: float, y: float, mark: Mark) -> None:
    if mark.marker in "?!":
        page.text(
            x, y, mark.marker, size=look.SMALL_PT, color=mark.ink, weight="bold", ha="center", va="center_baseline"
        )
        return
    size = 7.5 if mark.ink == "white" else 4.2
    page.plot(x, y, marker=mark.marker, color=mark.ink, markersize=size, markeredgewidth=0.0, clip_on=False)
