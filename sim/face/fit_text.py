"""What a fit found, as it is printed (row 5)."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.jobs.fit.fit import Fitted
from sim.jobs.fit.told import Estimate, Topic


def head(console: Console, found: Fitted) -> None:
    """How much was found, of what, from what."""
    of_vehicle = len(found.of_vehicle) + len(found.curves)
    about = f"{of_vehicle} numbers of {found.vehicle_path.name}, 95 % intervals"
    from_files = ", ".join(dict.fromkeys(trace.name for trace in found.traces))
    console.print(Text.assemble(("FITTED", "bold green"), "  ", (about, "bold"), (f"  from {from_files}", "dim")))


def topic(console: Console, told: Topic) -> None:
    """One of the things asked for: sentences first, then numbers, then what the data do not tell."""
    console.print()
    console.print(Text(told.name, "bold"))
    for finding in told.findings:
        console.print(Text(f"  {finding}"))
    if told.estimates:
        grid = Grid(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for name, justify in (
            ("", "left"),
            ("value", "right"),
            ("95 % interval", "left"),
            ("unit", "left"),
            ("how", "left"),
        ):
            grid.add_column(name, justify=justify)  # type: ignore[arg-type]
        for each in told.estimates:
            key = Text(f"  {each.key}", "" if each.of_vehicle else "dim")
            grid.add_row(
                key, digits(each.value, each), band(each), each.unit, Text(f"{each.how} ({each.rows} rows)", "dim")
            )
        console.print(grid)
    if told.curve is not None:
        console.print(Text(f"  {told.curve.key}: {told.curve.note}"))
    for untold in told.untold:
        console.print(Text(f"  not told: {untold}", "yellow"))


def band(estimate: Estimate) -> str:
    """Both ends."""
    return f"{digits(estimate.low, estimate)} .. {digits(estimate.high, estimate)}"


def digits(value: float, estimate: Estimate) -> str:
    """A number to two digits of its interval."""
    if not estimate.half > 0.0:
        return f"{value:.6g}"
    size = max(abs(estimate.value), abs(estimate.low), abs(estimate.high))
    needed = 2
    while needed < 9 and 10.0 ** (1 - needed) * size > 0.5 * estimate.half:
        needed += 1
    # The same place for value and ends, however small one of them is.
    place = f"{size:.{needed - 1}e}".partition("e")[2]
    decimals = needed - 1 - int(place)
    if 1e-4 <= size < 1e6:
        return f"{value:.{max(decimals, 0)}f}"
    return f"{value / 10.0 ** int(place):.{max(needed - 1, 0)}f}e{int(place)}"
