"""What ``drydive compare`` prints (row 5)."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.face.text import STYLES
from sim.jobs.compare import Comparison
from sim.verdict.words import quantity

# So many differences are read; the rest stands in the JSON.
MOST = 25


def comparison(console: Console, found: Comparison) -> None:
    """Where the two part, what each commands then and why, and what happens on one side alone."""
    console.print(Text.assemble("first   ", (found.first.name, "bold")))
    console.print(Text.assemble("second  ", (found.second.name, "bold")))
    if found.same:
        console.print("every command is the same at every tick")
    else:
        assert found.command is not None
        console.print(f"commands part at {found.command[0]:.3f} s, with {found.command[1]}")
    if found.pin is not None:
        console.print(f"what the pins read differs from {found.pin[0]:.3f} s, with {found.pin[1]}")
    _stretches(console, found)
    _events(console, found)
    _verdicts(console, found)


def _grid(*columns: str) -> Grid:
    grid = Grid(box=None, pad_edge=False, show_header=True, header_style="dim")
    for name in columns:
        grid.add_column(name, justify="right" if name in ("from", "to", "first", "second") else "left")
    return grid


def _more(console: Console, count: int) -> None:
    if count > MOST:
        console.print(Text(f"  and {count - MOST} more, all in --json", "dim"))


def _stretches(console: Console, found: Comparison) -> None:
    if not found.stretches:
        return
    console.print()
    grid = _grid("from", "to", "command", "first", "second", "why first", "why second")
    for each in found.stretches[:MOST]:
        times = f"{each.from_s:.3f} s", f"{each.to_s:.3f} s"
        values = f"{each.first:.0f}", f"{each.second:.0f}"
        grid.add_row(*times, each.column, *values, Text(each.why_first, "dim"), Text(each.why_second, "dim"))
    console.print(grid)
    _more(console, len(found.stretches))


def _events(console: Console, found: Comparison) -> None:
    if not found.events:
        return
    console.print()
    grid = _grid("first", "second", "what happened", "why")
    for each in found.events[:MOST]:
        times = ("" if time is None else f"{time:.3f} s" for time in (each.first_s, each.second_s))
        grid.add_row(*times, Text(each.what), Text(each.why, "dim"))
    console.print(grid)
    _more(console, len(found.events))


def _verdicts(console: Console, found: Comparison) -> None:
    """Requirements of either side, those of another verdict first."""
    first = {each.id: each for each in found.first.verdicts}
    second = {each.id: each for each in found.second.verdicts}
    if not first and not second:
        return
    console.print()
    grid = _grid("requirement", "first", "second")
    rows = []
    for name in dict.fromkeys([*first, *second]):
        one, other = first.get(name), second.get(name)
        same = one is not None and other is not None and one.verdict == other.verdict
        cells = []
        for verdict in (one, other):
            if verdict is None:
                cells.append(Text("not judged", "dim"))
            else:
                margin = "" if verdict.margin is None else f" {quantity(verdict.margin, verdict.unit)}"
                cells.append(Text(f"{verdict.verdict}{margin}", STYLES[verdict.verdict]))
        rows.append((same, name, cells))
    for _, name, cells in sorted(rows, key=lambda row: row[0]):
        grid.add_row(name, *cells)
    console.print(grid)
