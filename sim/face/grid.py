"""A fault matrix as it is printed: one grid a water, then what was found unsafe (row 5)."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.jobs.matrix import ERROR, SAFE_DEGRADED, SAFE_STOP, UNDECIDED, UNSAFE, Cell, Matrix
from sim.jobs.ride import NO_FAULT

# Colour never stands alone: each outcome has its word.
WORDS = {
    SAFE_STOP: ("stops", "green"),
    SAFE_DEGRADED: ("goes on", "cyan"),
    UNDECIDED: ("undecided", "yellow"),
    UNSAFE: ("UNSAFE", "bold red"),
    ERROR: ("ERROR", "bold magenta"),
}
LEGEND = (
    "stops: safe stop, within so many seconds of the fault (of letting go of the dead-man: d; of pulling the kill "
    "cord, where nothing else helped: c); goes on: safe degraded, until the dead-man ended it."
)


def matrix(console: Console, found: Matrix) -> None:
    """The whole matrix."""
    console.print(tally(found))
    for water in found.waters:
        console.print(grid(found, water))
    console.print(Text(LEGEND, "dim"))
    for line in (*holes(found), *idle(found)):
        console.print(line)


def holes(found: Matrix) -> list[Text]:
    """What went wrong, a line for all kinds that went wrong alike."""
    alike: dict[tuple[str, str, str, str], list[str]] = {}
    for cell in found.worst():
        alike.setdefault((cell.outcome, cell.water, cell.phase, cell.why), []).append(cell.kind)
    return [
        Text.assemble(WORDS[outcome], f"  {water}, {phase}, {', '.join(kinds)}: {why}")
        for (outcome, water, phase, why), kinds in alike.items()
    ]


def idle(found: Matrix) -> list[Text]:
    """Where nothing drives though nothing is broken, and why: a line for all phases that are idle alike."""
    alike: dict[tuple[str, str], list[str]] = {}
    for cell in found.cells:
        if cell.kind == NO_FAULT and cell.outcome == UNDECIDED:
            alike.setdefault((cell.water, cell.why), []).append(cell.phase)
    return [
        Text.assemble(WORDS[UNDECIDED], f"  {water}, {', '.join(phases)}, {NO_FAULT}: {why}")
        for (water, why), phases in alike.items()
    ]


def tally(found: Matrix) -> Text:
    """How many cells of each outcome, on one line."""
    counts = [(f"{count} {outcome}", WORDS[outcome][1]) for outcome, count in found.tally().items() if count]
    return Text(", ").join(Text(words, style) for words, style in counts)


def grid(found: Matrix, water: str) -> Grid:
    """One water: a row for each kind of fault, a column for each phase."""
    table = Grid(box=None, pad_edge=False, header_style="dim", title=water, title_justify="left")
    table.add_column("fault", no_wrap=True)
    for phase in found.phases:
        table.add_column(phase, no_wrap=True)
    cells = {(cell.kind, cell.phase): cell for cell in found.cells if cell.water == water}
    for kind in (NO_FAULT, *found.kinds):
        table.add_row(Text(kind), *(short(cells[kind, phase]) for phase in found.phases))
    return table


def short(cell: Cell) -> Text:
    """A cell in a word or two."""
    word, style = WORDS[cell.outcome]
    return Text(f"{word} {latency(cell)}".rstrip(), style)


def latency(cell: Cell) -> str:
    """Its latency in seconds, with the letter of what that counts from where it is not the fault; or nothing."""
    if cell.latency_s is None:
        return ""
    return f"{cell.latency_s:.2f}" if cell.since == "fault" else f"{cell.latency_s:.2f} {cell.since[0]}"
