"""``drydive replay`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import Fault, InputError
from sim.face.options import Parser, number, pair, pairs, rate, seconds, the_controller, the_dump, the_report
from sim.face.screen import EXIT, Screen

if TYPE_CHECKING:
    from sim.jobs.plan.filled import Filled
    from sim.jobs.plan.model import Plan, Stage
    from sim.jobs.replay import Replay

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
    command.add_argument("--control-hz", type=rate, metavar="HZ", help="control rate, default 1000")
    command.add_argument(
        "--before",
        type=seconds,
        default=4.0,
        metavar="S",
        help="how long the chip has been running when the recording begins, with its first sample held; default 4",
    )
    command.add_argument(
        "--plan",
        type=Path,
        metavar="DIR",
        help="fill in a stage of the plan that drydive plan wrote here; its scenario names what is left out above",
    )
    command.add_argument("--stage", type=stage, metavar="N", help="which stage of the plan it is a recording of")
    # Where neither the command line nor a plan says which, it is as everywhere.
    command.set_defaults(controller=None)


def stage(text: str) -> int:
    """A stage's number."""
    wanted = number(text, 1, 5, "a stage")
    if wanted != int(wanted):
        raise argparse.ArgumentTypeError(f"expected a whole number; got '{text}'")
    return int(wanted)


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
    planned = _planned(options)
    tick_us = to_us(1.0 / (options.control_hz or 1000.0))
    controller = load_controller(options.controller or "reference", tick_us, options.params)
    vehicle = load_vehicle(options.vehicle) if options.vehicle else None
    required = load_requirements(options.requirements) if options.requirements else standing_requirements()
    mapping = pairs(options.map)
    plan_file = None if planned is None else options.plan / "plan.json"
    sources = [path for path in (options.vehicle, options.requirements, plan_file) if path is not None]
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
    filled = _filled(planned, done)
    _print(screen, done, filled)
    _write(screen, done, filled)
    screen.console.print(text.CAUTION, style="dim")
    document = replay_json(done)
    if filled is not None:
        document["plan"] = filled.as_json()
    screen.result(document)
    return EXIT["fail" if filled is not None and filled.verdict == "fail" else done.verdict]


def _print(screen: Screen, done: Replay, filled: Filled | None) -> None:
    """The stage first, where there is one, then the replay."""
    from sim.face import plan_text, text
    from sim.jobs.doubts import doubts

    if filled is not None:
        plan_text.of_filled(screen.console, filled)
    text.head(screen.console, done.verdict, done.path.name, f"through {done.controller.name}")
    text.lines(screen.console, "taken as", done.notes)
    text.lines(screen.console, "mended", done.mended)
    text.lines(screen.console, "to be doubted", list(doubts(done)))
    text.requirements(screen.console, done.verdicts)
    text.events(screen.console, done.events)
    if done.differences is not None:
        text.differences(screen.console, done.differences, done.lag_s)


def _write(screen: Screen, done: Replay, filled: Filled | None) -> None:
    """All files that were asked for; with a stage the report is the stage's page."""
    from sim.face import text

    options = screen.options
    if options.out is not None:
        from sim.face.drawing import save_replay

        text.lines(screen.console, "written", save_replay(done, options.out))
    if options.vcd is not None:
        from sim.record.vcd_out import write_vcd

        write_vcd(done.table, options.vcd)
        text.lines(screen.console, "written", [str(options.vcd)])
    text.lines(screen.console, "written", [str(path) for path in _pages(options, filled)])
    if options.report is not None and filled is None:
        from sim.face.report.told import of_replay

        screen.report(of_replay(done))


def _planned(options: argparse.Namespace) -> tuple[Plan, Stage] | None:
    """The plan and the stage asked for; what the command line left out is as the stage's scenario has it.

    Raises
    ------
    InputError
        One of the two options alone, or a plan or a stage that is none.
    """
    if options.plan is None and options.stage is None:
        return None
    if options.plan is None or options.stage is None:
        missing, there = ("plan", "stage") if options.plan is None else ("stage", "plan")
        raise InputError([Fault("", missing, f"this option beside --{there}", "no such option")])
    from sim.jobs.case import load_case
    from sim.jobs.plan.filled import load_plan, stage_of

    plan = load_plan(options.plan)
    chosen = stage_of(plan, options.stage, options.plan)
    bench = load_case(options.plan / chosen.scenario).bench
    if options.controller is None:
        options.controller = str(bench.controller.path)
        if options.params is None and bench.controller.params_path is not None:
            options.params = str(bench.controller.params_path)
    options.vehicle = options.vehicle or bench.vehicle_path
    options.control_hz = options.control_hz or bench.scenario.control_hz
    return plan, chosen


def _filled(planned: tuple[Plan, Stage] | None, done: Replay) -> Filled | None:
    if planned is None:
        return None
    from sim.jobs.plan.filled import filled

    return filled(*planned, done)


def _pages(options: argparse.Namespace, filled: Filled | None) -> list[Path]:
    """The pages of a stage filled in, written where they were asked for."""
    if filled is None:
        return []
    from sim.face.report.plan import of_filled, write

    here = [] if options.out is None else [options.out / f"{options.trace.stem}.stage_{filled.stage.number}.html"]
    paths = [*here, *([options.report] if options.report is not None else [])]
    for path in paths:
        write(of_filled(filled, options.asked), path)
    return paths
