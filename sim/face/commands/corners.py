"""``drydive corners`` (row 5)."""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from pathlib import Path

from sim.face.options import Parser, seed, the_engine, workers
from sim.face.screen import EXIT, Screen

HELP = "the worst day and the worst build for every requirement of a scenario"


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("scenario", type=Path, metavar="SCENARIO", help="a scenario file (YAML) with requirements")
    command.add_argument("--envelope", type=Path, metavar="FILE", help="the days of use (YAML); default: common ones")
    command.add_argument("--seed", type=seed, help="instead of the scenario's own")
    command.add_argument("--workers", type=workers, metavar="N", help="processes; default one for each core")
    the_engine(command)


def run(options: argparse.Namespace) -> int:
    """``drydive corners``; with --out each corner is written as a scenario."""
    from concurrent.futures import ProcessPoolExecutor

    from sim.bench.run import fingerprint
    from sim.face import builds_text, text
    from sim.jobs.case import load_case, on_engine, reseeded
    from sim.jobs.corners import survey
    from sim.jobs.envelope import load_envelope

    screen = Screen(options)
    case = on_engine(load_case(options.scenario), options.engine)
    if options.seed is not None:
        case = reseeded(case, options.seed)
    envelope = load_envelope(options.envelope) if options.envelope is not None else None
    with ExitStack() as stack:
        pool = stack.enter_context(ProcessPoolExecutor(options.workers)) if options.workers else None
        done = stack.enter_context(screen.progress("runs"))
        found = survey(case, envelope, pool, done)
    told = f"{len(found.days)} conditions, {found.runs} runs"
    text.head(screen.console, found.verdict, case.bench.scenario.name, told)
    builds_text.of_corners(screen.console, found)
    if options.out is not None:
        stem = options.scenario.name.removesuffix(".yaml").removesuffix(".scenario")
        paths = found.write(options.out, stem)
        text.lines(screen.console, "written", [str(path) for path in paths])
    screen.console.print(text.CAUTION, style="dim")
    document = found.as_json()
    if options.envelope is not None:
        document["inputs"][f"envelope {options.envelope.name}"] = fingerprint(options.envelope)
    screen.result(document)
    return EXIT[found.verdict]
