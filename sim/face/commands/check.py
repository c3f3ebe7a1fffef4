"""``drydive check`` (row 5)."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import Fault, InputError
from sim.face.options import Parser, the_engine, the_report, workers
from sim.face.screen import BAD_INPUT, FAILED, FINE, Screen

if TYPE_CHECKING:
    from sim.jobs.check import Outcome

HELP = "the regression suite: every scenario of a folder"


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("paths", type=Path, nargs="+", metavar="PATH", help="scenario files, or folders of them")
    command.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    command.add_argument(
        "--baseline", type=Path, metavar="FILE", help="say what behaves otherwise than this file has it"
    )
    command.add_argument("--update", action="store_true", help="write the baseline anew")
    command.add_argument("--coverage", action="store_true", help="say what of the controllers was never visited")
    command.add_argument("--workers", type=workers, metavar="N", help="processes; default one for each core")
    the_engine(command)
    the_report(command)


def run(options: argparse.Namespace) -> int:
    """``drydive check``; what could not be read is bad input, what crashed or failed is a failure."""
    from concurrent.futures import ProcessPoolExecutor

    from sim.face import suite_text, text
    from sim.jobs.branches import installed
    from sim.jobs.check import check, find
    from sim.jobs.result import suite_json

    branches = options.coverage and installed()
    screen = Screen(options)
    if options.update and options.baseline is None:
        raise InputError([Fault("drydive check", "--update", "--baseline FILE with it", "none")])
    paths = find(options.paths)
    with screen.progress("scenarios", len(paths)) as done:
        if options.workers is None:
            outcomes = check(paths, progress=done, engine=options.engine, branches=branches)
        else:
            with ProcessPoolExecutor(options.workers) as pool:
                outcomes = check(paths, pool, done, options.engine, branches)
    words = {verdict: sum(each.verdict == verdict for each in outcomes) for verdict in ("error", "fail", "undecided")}
    worst = next((verdict for verdict, count in words.items() if count), "pass")
    told = ", ".join(f"{count} {word}" for word, count in words.items() if count) or "all pass"
    text.head(screen.console, "fail" if worst == "error" else worst, f"{len(paths)} scenarios", told)
    suite_text.suite(screen.console, outcomes)
    changes = _against_baseline(options, screen, outcomes)
    if options.coverage:
        suite_text.coverage(screen.console, outcomes)
    if options.junit is not None:
        from sim.face.junit import write_junit

        write_junit(outcomes, options.junit)
    if options.out is not None:
        from sim.face.look import save
        from sim.face.margins import margins

        text.lines(screen.console, "written", [str(path) for path in save(margins(outcomes), options.out / "suite")])
    if options.report is not None:
        from sim.face.report.told import of_check

        screen.report(of_check(outcomes, changes))
    screen.console.print(text.CAUTION, style="dim")
    screen.result(suite_json(outcomes, changes))
    if any(outcome.faults for outcome in outcomes):
        print("\n".join(fault for outcome in outcomes for fault in outcome.faults), file=sys.stderr)
        return BAD_INPUT
    return FAILED if worst in ("error", "fail") else FINE


def _against_baseline(options: argparse.Namespace, screen: Screen, outcomes: Sequence[Outcome]) -> list[str] | None:
    """What behaves otherwise than the baseline has it; `None` where none was asked for."""
    from sim.base.files import write_text
    from sim.face import suite_text, text
    from sim.jobs.check import as_baseline, baseline_text, compared, read_baseline

    if options.baseline is None:
        return None
    now = as_baseline(outcomes, options.baseline.parent)
    if options.update:
        write_text(options.baseline, baseline_text(now))
        text.lines(screen.console, "written", [str(options.baseline)])
        return []
    changes = compared(read_baseline(options.baseline), now)
    suite_text.changes(screen.console, changes)
    return changes
