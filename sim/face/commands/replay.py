"""``drydive replay`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path

from sim.face.options import Parser, pair, pairs, rate, seconds, the_controller, the_dump, the_report
from sim.face.screen import EXIT, Screen

HELP = "a recorded trace through a controller"


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("trace", type=Path, metavar="TRACE", help="a logger's recording: CSV, or VCD")
    the_controller(command)
    command.add_argument("--vehicle", type=Path, metavar="FILE", help="gives limits and input thresholds")
    command.add_argument("--requirements", type=Path, metavar="FILE", help="instead of the standing ones")
    command.add_argument(
        "--map",
        action="append",
        default=[],
        type=pair,
        metavar="SIGNAL=COLUMN",
        help="which column is which signal; may be given again",
    )
    command.add_argument(
        "--map-file",
        type=Path,
        metavar="FILE",
        help="separators, encoding, clock and columns of the recording (YAML); default: TRACE with .map.yaml, if there",
    )
    the_dump(command)
    the_report(command)
    command.add_argument("--control-hz", type=rate, default=1000.0, metavar="HZ", help="control rate, default 1000")
    command.add_argument(
        "--before",
        type=seconds,
        default=4.0,
        metavar="S",
        help="how long the chip has been running when the recording begins, with its first sample held; default 4",
    )


def run(options: argparse.Namespace) -> int:
    """``drydive replay``."""
    from sim.base.clock import to_us
    from sim.bench.control import load_controller
    from sim.bench.vehicle import load_vehicle
    from sim.face import text
    from sim.jobs.case import load_requirements
    from sim.jobs.replay import replay, standing_requirements
    from sim.jobs.result import replay_json

    screen = Screen(options)
    tick_us = to_us(1.0 / options.control_hz)
    controller = load_controller(options.controller, tick_us, options.params)
    vehicle = load_vehicle(options.vehicle) if options.vehicle else None
    required = load_requirements(options.requirements) if options.requirements else standing_requirements()
    mapping = pairs(options.map)
    sources = [path for path in (options.vehicle, options.requirements) if path is not None]
    with screen.progress(options.trace.name) as progress:
        done = replay(
            options.trace,
            controller,
            required,
            tick_us,
            vehicle,
            mapping,
            options.before,
            progress,
            sources,
            options.map_file,
        )
    text.head(screen.console, done.verdict, options.trace.name, f"through {controller.name}")
    text.lines(screen.console, "taken as", done.notes)
    text.lines(screen.console, "mended", done.mended)
    text.requirements(screen.console, done.verdicts)
    text.events(screen.console, done.events)
    if done.differences is not None:
        text.differences(screen.console, done.differences, done.lag_s)
    if options.out is not None:
        from sim.face.drawing import save_replay

        text.lines(screen.console, "written", save_replay(done, options.out))
    if options.vcd is not None:
        from sim.record.vcd_out import write_vcd

        write_vcd(done.table, options.vcd)
        text.lines(screen.console, "written", [str(options.vcd)])
    if options.report is not None:
        from sim.face.report.told import of_replay

        screen.report(of_replay(done))
    screen.console.print(text.CAUTION, style="dim")
    screen.result(replay_json(done))
    return EXIT[done.verdict]
