"""``drydive sweep`` (row 5)."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import Fault, InputError
from sim.face.options import Parser, the_engine, workers
from sim.face.screen import EXIT, FINE, Screen

if TYPE_CHECKING:
    from rich.console import Console

    from sim.jobs.sweep import Swept
    from sim.jobs.sweep_crew import Crew
    from sim.jobs.sweep_plan import Sweep

HELP = "many runs of one scenario, each with other values, as a table"


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("sweep", type=Path, metavar="FILE.sweep.yaml", help="a sweep file")
    command.add_argument("--workers", type=workers, metavar="N", help="processes or threads; default one for each core")
    command.add_argument("--threads", action="store_true", help="threads of this process instead of processes")
    command.add_argument("--cluster", metavar="ADDRESS", help="a Dask cluster, by its scheduler: tcp://10.0.0.5:8786")
    command.add_argument("--afresh", action="store_true", help="throw away the rows of a sweep that did not end")
    command.add_argument(
        "--case", type=int, metavar="N", help="run nothing: write case N as a scenario file, for drydive run"
    )
    the_engine(command)


def run(options: argparse.Namespace) -> int:
    """``drydive sweep``; a case that failed, or could not be run, is a failure."""
    from sim.face import text
    from sim.jobs.sweep import load_sweep, run_sweep

    screen = Screen(options)
    sweep = load_sweep(options.sweep)
    out = options.out or Path("out")
    if options.case is not None:
        return _write_case(options.case, sweep, out, screen)
    with _crew(options, len(sweep.cases)) as crew, screen.progress(sweep.name, len(sweep.cases)) as done:
        swept = run_sweep(sweep, out, crew, done, options.engine, options.afresh)
    text.head(screen.console, swept.verdict, sweep.name, sweep.says)
    _tell(screen.console, swept)
    drawn = _drawn(swept, out) if options.out is not None else []
    text.lines(screen.console, "written", [str(path) for path in (swept.csv, swept.npz, *drawn)])
    screen.console.print(text.CAUTION, style="dim")
    screen.result(swept.as_json())
    return EXIT[swept.verdict]


def _drawn(swept: Swept, out: Path) -> Sequence[Path]:
    """The figure's files; none where there is nothing to draw."""
    from sim.face import look, sweep_figure

    figure = sweep_figure.sweep(swept)
    return look.save(figure, out / swept.sweep.name) if figure is not None else []


def _crew(options: argparse.Namespace, cases: int) -> AbstractContextManager[Crew]:
    """Who runs the cases, as the options have it.

    Raises
    ------
    InputError
        Options that exclude each other; see ``sweep_crew.cluster``.
    """
    from sim.jobs.sweep_crew import cluster, processes, threads

    if options.cluster is not None:
        for name, given in (("--threads", options.threads), ("--workers", options.workers is not None)):
            if given:
                raise InputError([Fault("drydive sweep", "--cluster", f"no {name} with it", "both")])
        return cluster(options.cluster)
    count = min(options.workers or os.cpu_count() or 1, cases)
    return threads(count) if options.threads else processes(count)


def _write_case(number: int, sweep: Sweep, out: Path, screen: Screen) -> int:
    """Write one case, numbered from 1 as in the results."""
    from sim.face import text

    if not 1 <= number <= len(sweep.cases):
        raise InputError([Fault("drydive sweep", "--case", f"a case from 1 to {len(sweep.cases)}", str(number))])
    path = out / f"{sweep.name}_{number}.scenario.yaml"
    sweep.write(number - 1, path)
    text.lines(screen.console, "written", [str(path)])
    screen.result({"case": number, "files": [str(path)]})
    return FINE


def _tell(console: Console, swept: Swept) -> None:
    """How many cases of each verdict, the lowest margins and where they are, and the first that did not pass."""
    from rich.table import Table as Grid
    from rich.text import Text

    from sim.face.text import lines
    from sim.verdict.words import quantity

    counts = ", ".join(f"{count} {word}" for word, count in swept.tally.items() if count)
    went_on = f"; {swept.went_on_from} of them were done before" if swept.went_on_from else ""
    console.print(Text(f"{len(swept.sweep.cases)} cases: {counts}{went_on}"))
    grid = Grid(box=None, pad_edge=False, header_style="dim")
    for name in ("requirement", "lowest margin", "in case", "below 0 in", "with"):
        grid.add_column(name, justify="left" if name in ("requirement", "with") else "right")
    keys = [each.key for each in swept.sweep.cases.quantities]
    for worst in swept.worst.values():
        if worst.margin is None:
            grid.add_row(Text(worst.id), "none")
            continue
        style = "bold red" if worst.margin < 0.0 else ""
        margin = Text(quantity(worst.margin, worst.unit), style)
        grid.add_row(Text(worst.id), margin, str(worst.case), str(worst.failed or ""), _with(keys, worst.values))
    if swept.worst:
        console.print(grid)
    for word, cases in swept.told.items():
        first = "" if len(cases) == swept.tally[word] else f", the first {len(cases)} of {swept.tally[word]}"
        lines(console, f"{word}{first}", [f"case {case}: {why}" for case, why in cases])


def _with(keys: Sequence[str], values: Sequence[object]) -> str:
    shown = (f"{value:.6g}" if isinstance(value, float) else str(value) for value in values)
    return ", ".join(f"{key} {value}" for key, value in zip(keys, shown, strict=True))
