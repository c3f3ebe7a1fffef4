"""``drydive export`` (row 5)."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import Fault, InputError
from sim.face.options import Parser, rate, whole
from sim.face.screen import FINE, Screen

if TYPE_CHECKING:
    from rich.console import Console

    from sim.chip.size import Size
    from sim.jobs.export import Exported

HELP = "a controller as C99 for the chip, with test vectors, proved ranges and sizes"
TICKS_MOST = 10_000_000
# A fault of what the controller's name leads to.
ASKED = ("", "controller")


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("controller", metavar="NAME|FILE.py", help="a shipped controller, or a file in Python")
    command.add_argument("--params", metavar="FILE", help="parameter set: a file, or the name of a shipped one")
    command.add_argument(
        "--check",
        type=Path,
        metavar="CHECK.json",
        help="what drydive check --json wrote of it, named in each file",
    )
    command.add_argument("--control-hz", type=rate, default=1000.0, metavar="HZ", help="control rate, default 1000")
    command.add_argument(
        "--ticks-max",
        type=ticks,
        metavar="N",
        help="the most ticks of each run among the test vectors; fewer take less flash",
    )


ticks = partial(whole, low=1, high=TICKS_MOST, what="ticks")


def run(options: argparse.Namespace) -> int:
    """``drydive export``."""
    import sim
    from sim.base.clock import to_us
    from sim.bench.control import load_controller
    from sim.chip.size import missing, sizes
    from sim.face import text
    from sim.jobs.export import TICKS_MAX, export

    screen = Screen(options)
    if options.out is None:
        raise InputError([Fault("drydive export", "--out", "DIR with it, a folder for the files", "none")])
    tick_us = to_us(1.0 / options.control_hz)
    with screen.progress("C"), _named():
        controller = load_controller(options.controller, tick_us, options.params)
        done = export(controller, options.out, options.check, options.ticks_max or TICKS_MAX)
        found = sizes(done.source)
    console = screen.console
    text.lines(console, "from", done.origin)
    _ranges(console, done)
    _sizes(console, found)
    if missing():
        absent = f"not measured without Debian's {' and '.join(missing())}"
        text.lines(console, "sizes" if not found else "further sizes", [absent])
    text.lines(console, "written", [str(path) for path in done.files])
    console.print(text.CAUTION, style="dim")
    screen.result(
        {
            "controller": controller.name,
            "fingerprint": controller.fingerprint(),
            "tick_us": tick_us,
            "files": [str(path) for path in done.files],
            "origin": list(done.origin),
            "ranges": {name: list(ends) for name, ends in done.ranges.items()},
            "sizes": [each.as_json() for each in found],
            "versions": {"drydive": sim.__version__},
        }
    )
    return FINE


@contextmanager
def _named() -> Iterator[None]:
    """Faults of the controller's name are those of the argument, which is no option."""
    try:
        yield
    except InputError as error:
        faults = [
            replace(fault, path="drydive export", key="CONTROLLER") if (fault.path, fault.key) == ASKED else fault
            for fault in error.faults
        ]
        raise InputError(faults) from error


def _ranges(console: Console, done: Exported) -> None:
    """What each field of the command cannot leave."""
    from rich.table import Table as Grid
    from rich.text import Text

    console.print(Text("proved for any inputs", "dim"))
    grid = Grid(box=None, pad_edge=False, show_header=False, padding=(0, 1))
    for justify in ("left", "right", "left", "right"):
        grid.add_column(justify=justify)
    for name, (low, high) in done.ranges.items():
        grid.add_row(Text(f"  {name}"), str(low), "to", str(high))
    console.print(grid)


def _sizes(console: Console, found: list[Size]) -> None:
    """What it takes of each core, and what has no bound."""
    from rich.table import Table as Grid
    from rich.text import Text

    if not found:
        return
    console.print(Text("size in bytes; the longest path through one step is an estimate, in instructions", "dim"))
    grid = Grid(box=None, pad_edge=False, header_style="dim")
    for name in ("", "flash", "state", "static", "stack", "longest path", "compiler"):
        grid.add_column(name, justify="left" if name in ("", "compiler") else "right")
    for each in found:
        grid.add_row(Text(f"  {each.target}"), *each.figures(), Text(each.compiler))
    console.print(grid)
    for each in found:
        if each.why:
            console.print(Text(f"  {each.target}: {each.why}"))
