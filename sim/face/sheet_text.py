"""What all printed design sheets share: the head, the findings and plain tables (row 5)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

from matplotlib.axes import Axes
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from sim.face import look
from sim.jobs.sheets.paper import Paper

Columns: TypeAlias = Sequence[str]
Rows: TypeAlias = Sequence[Sequence[object]]

BAD = "bold red"


def head(console: Console, paper: Paper, about: str) -> None:
    """The sheet's title, its conditions, and what it found, the bad first."""
    console.print(Text.assemble((f"{paper.name} sheet", "bold"), f"  {paper.vehicle}", (f"  {about}", "dim")))
    for finding in sorted(paper.findings, key=lambda each: not each.bad):
        mark = Text("change  ", BAD) if finding.bad else Text("        ")
        grid = Grid.grid()
        grid.add_row(mark, Text(finding.text))
        console.print(grid)


def table(console: Console, title: str, columns: Columns, rows: Rows, words: int = 1, pad: int = 2) -> None:
    """A titled table; the first `words` columns are text, the others numbers already in words, `pad` blanks apart."""
    grid = Grid(box=None, pad_edge=False, padding=(0, pad, 0, 0), header_style="dim")
    for number, name in enumerate(columns):
        justify = "left" if number < words else "right"
        grid.add_column(name, justify=justify, no_wrap=True)  # type: ignore[arg-type]
    for row in rows:
        grid.add_row(*(cell if isinstance(cell, Text) else Text(str(cell)) for cell in row))
    console.print(Padding(Text(title, "bold"), (1, 0, 0, 0)))
    console.print(grid)


def warned(text: str, bad: bool) -> Text:
    """A number that is marked where it is bad: in colour, and with a sign for those who see none."""
    return Text(f"{text}!", BAD) if bad else Text(text)


def band(low: float, high: float) -> str:
    """Two ends of a band, whole."""
    return f"{round(low)} .. {round(high)}"


def change(low: float, high: float) -> str:
    """Two ends of a change, whole, with their signs."""
    return f"{round(low):+d} .. {round(high):+d}"


MOST_TOLD = 4


def page_head(sheet: Axes, paper: Paper, title: str, about: str, width_in: float) -> None:
    """A figure's title, its conditions, and the bad findings as far as they fit."""
    look.say(sheet, 0.35, 0.32, title, look.HEAD_PT, bold=True)
    look.say(sheet, 0.35, 0.58, about, look.TEXT_PT, look.QUIET)
    bad = [finding.text for finding in paper.findings if finding.bad]
    lines = [line for text in bad for line in look.wrapped(text, width_in - 0.7, look.TEXT_PT, 2)]
    if len(lines) > MOST_TOLD:
        lines = [*lines[: MOST_TOLD - 1], "and more, see the printed sheet"]
    for number, line in enumerate(lines or ["Nothing found that must change."]):
        look.say(sheet, 0.35, 0.82 + 0.17 * number, line, look.TEXT_PT, look.LIMIT.ink if bad else look.TRUE.ink)


HEAD_IN = 1.1 + 0.17 * (MOST_TOLD - 1)
"""Height of that head."""
