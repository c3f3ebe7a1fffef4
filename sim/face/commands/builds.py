"""``drydive builds`` (row 5)."""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from pathlib import Path

from sim.face.options import Parser, number, seed, the_engine, whole, workers
from sim.face.screen import EXIT, Screen

HELP = "which share of the builds within the vehicle's tolerances stays inside"
MOST = 100_000


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("scenario", type=Path, metavar="SCENARIO", help="a scenario file (YAML) with requirements")
    command.add_argument("--builds", type=count, metavar="N", help="builds drawn, default 200")
    command.add_argument("--seed", type=seed, help="instead of the scenario's own; it seeds the draw and the dive")
    command.add_argument(
        "--at-least",
        type=frac,
        metavar="FRAC",
        help="fail unless the share inside is shown to be this, with 95 %% confidence; default: fail if any build does",
    )
    command.add_argument("--workers", type=workers, metavar="N", help="processes; default one for each core")
    the_engine(command)


def count(text: str) -> int:
    """A number of builds."""
    return whole(text, 1, MOST, "builds")


def frac(text: str) -> float:
    """A share."""
    return number(text, 0.0, 1.0, "a fraction")


def run(options: argparse.Namespace) -> int:
    """``drydive builds``; with --out a figure, every build as CSV, and the worst as a scenario."""
    from concurrent.futures import ProcessPoolExecutor

    from sim.face import builds_text, text
    from sim.jobs.builds import COUNT, builds
    from sim.jobs.case import load_case, on_engine, reseeded

    screen = Screen(options)
    case = on_engine(load_case(options.scenario), options.engine)
    if options.seed is not None:
        case = reseeded(case, options.seed)
    drawn = options.builds or COUNT
    with ExitStack() as stack:
        pool = stack.enter_context(ProcessPoolExecutor(options.workers)) if options.workers else None
        done = stack.enter_context(screen.progress("builds", drawn))
        found = builds(case, drawn, options.at_least, pool, done)
    text.head(screen.console, found.verdict, case.bench.scenario.name, builds_text.summary(found))
    builds_text.of_builds(screen.console, found)
    if options.out is not None:
        from sim.face import builds_figure, look

        stem = options.scenario.name.removesuffix(".yaml").removesuffix(".scenario")
        table, worst = options.out / f"{stem}.builds.csv", options.out / f"{stem}.worst_build.scenario.yaml"
        drawings = look.save(builds_figure.builds(found), options.out / f"{stem}.builds")
        found.write_csv(table)
        found.write(found.worst, worst)
        text.lines(screen.console, "written", [str(path) for path in (*drawings, table, worst)])
    screen.console.print(text.CAUTION, style="dim")
    screen.result(found.as_json())
    return EXIT[found.verdict]
