"""What the commands print: the verdict first, then why, then what happened (row 5)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.base.caution import CAUTION as CAUTION
from sim.bench.engine import Engine
from sim.bench.events import Event
from sim.jobs.case import Judged
from sim.jobs.replay import Difference
from sim.jobs.result import closest
from sim.verdict.requirement import Verdict
from sim.verdict.words import quantity

STYLES = {"pass": "bold green", "fail": "bold red", "undecided": "bold yellow"}


def idle(console: Console) -> None:
    """That nothing was driven, below the verdict."""
    console.print(Text("No pulse asks for drive here: what is to stop or bound it has not been tried.", "yellow"))


def head(console: Console, verdict: str, title: str, says: str = "") -> None:
    """The verdict and what it is about, on one line."""
    line = Text.assemble((verdict.upper(), STYLES[verdict]), "  ", (title, "bold"))
    console.print(line if not says else line.append(f"  {says}", "dim"))


def requirements(console: Console, verdicts: Sequence[Verdict]) -> None:
    """Every requirement, the failed ones first and the nearest to failing before the safest."""
    order = {"fail": 0, "undecided": 1, "pass": 2}
    grid = Grid(box=None, pad_edge=False, show_header=True, header_style="dim")
    for name, justify in (("", "left"), ("requirement", "left"), ("margin", "right"), ("why", "left")):
        grid.add_column(name, justify=justify)  # type: ignore[arg-type]
    for verdict in sorted(verdicts, key=lambda each: order[each.verdict]):
        margin = "" if verdict.margin is None else quantity(verdict.margin, verdict.unit)
        grid.add_row(Text(verdict.verdict, STYLES[verdict.verdict]), Text(verdict.id), margin, Text(verdict.why))
    console.print(grid)


def engine(console: Console, used: Engine) -> None:
    """The engine, where it was not what one would expect."""
    if used.why:
        console.print(Text(f"engine: {used.name}: {used.why}", "dim"))


def events(console: Console, happened: Iterable[Event]) -> None:
    """What happened, in order; a run of the same event is one line."""
    grid = Grid(box=None, pad_edge=False, show_header=True, header_style="dim")
    for name, justify in (("at", "right"), ("what happened", "left"), ("why", "left")):
        grid.add_column(name, justify=justify)  # type: ignore[arg-type]
    for _, run in groupby(happened, key=lambda event: (event.what, event.kind)):
        alike = list(run)
        first = alike[0]
        what = first.what if len(alike) == 1 else f"{first.what} ({len(alike)} times, to {alike[-1].t_s:.3f} s)"
        grid.add_row(f"{first.t_s:.3f} s", Text(what), Text(first.why, "dim"))
    console.print(grid)


def lines(console: Console, title: str, said: Sequence[str]) -> None:
    """A titled list; nothing where there is nothing to say."""
    if said:
        console.print(Text(title, "dim"))
        for line in said:
            console.print(Text(f"  {line}"))


def differences(console: Console, found: Sequence[Difference], lag_s: float) -> None:
    """Where the computed command leaves the recorded one."""
    console.print(Text(f"against the recorded command, which lags {lag_s:+.3f} s", "dim"))
    if not found:
        console.print("  no difference")
        return
    grid = Grid(box=None, pad_edge=False, show_header=True, header_style="dim")
    for name in ("from", "to", "recorded", "computed"):
        grid.add_column(name, justify="right")
    grid.add_column("this controller then")
    for each in found:
        pulses = f"{each.recorded_us:.0f} us", f"{each.computed_us:.0f} us"
        grid.add_row(f"{each.from_s:.3f} s", f"{each.to_s:.3f} s", *pulses, Text(each.why, "dim"))
    console.print(grid)


def story(console: Console, judged: Judged) -> None:
    """A chapter of the demo in a few lines: what failed and what happened to drive and supply."""
    failed = [verdict for verdict in judged.verdicts if verdict.verdict != "pass"]
    for verdict in failed:
        console.print(Text(f"  {verdict.id}: {verdict.why}"))
    clicks = [event for event in judged.run.events if event.kind == "water"]
    if clicks:
        console.print(Text(f"  water pressed {len(clicks)} times, first at {clicks[0].t_s:.3f} s: {clicks[0].why}"))
    for event in judged.run.events:
        if event.kind in ("drive", "supply") and event.why:
            console.print(Text(f"  {event.t_s:.3f} s  {event.what}: {event.why}"))
    if not failed:
        console.print(Text(f"  closest: {closest(judged.requirements, judged.verdicts, judged.run.table)}"))
    console.print()
