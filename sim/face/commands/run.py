"""``drydive run`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path

from sim.face.options import Parser, seed, the_dump, the_engine, the_report
from sim.face.screen import EXIT, Screen

HELP = "one scenario through the closed loop"


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("scenario", type=Path, metavar="SCENARIO", help="a scenario file (YAML)")
    command.add_argument("--seed", type=seed, help="instead of the scenario's own")
    the_engine(command)
    the_report(command)
    the_dump(command)


def run(options: argparse.Namespace) -> int:
    """``drydive run``."""
    from sim.face import text
    from sim.jobs.case import judge_case, load_case, on_engine, overall, reseeded
    from sim.jobs.result import judged_json

    screen = Screen(options)
    case = on_engine(load_case(options.scenario), options.engine)
    if options.seed is not None:
        case = reseeded(case, options.seed)
    scenario = case.bench.scenario
    with screen.progress(scenario.name, scenario.duration_us // scenario.tick_us) as done:
        judged = judge_case(case, done)
    verdict = overall(judged.verdicts)
    text.head(screen.console, verdict, scenario.name, scenario.says)
    if not judged.run.drove:
        text.idle(screen.console)
    text.requirements(screen.console, judged.verdicts)
    text.engine(screen.console, judged.run.engine)
    text.lines(
        screen.console, "of the catalogue, never tried here", [", ".join(judged.untried)] if judged.untried else ()
    )
    text.events(screen.console, judged.run.events)
    if options.out is not None:
        from sim.face.drawing import save_run

        text.lines(screen.console, "written", save_run(judged, options.out))
    if options.vcd is not None:
        from sim.record.vcd_out import write_vcd

        write_vcd(judged.run.table, options.vcd)
        text.lines(screen.console, "written", [str(options.vcd)])
    if options.report is not None:
        from sim.face.report.told import of_run

        screen.report(of_run(judged))
    screen.console.print(text.CAUTION, style="dim")
    screen.result(judged_json(judged))
    return EXIT[verdict]
