"""``drydive plan`` (row 5)."""

from __future__ import annotations

import argparse
import os
from contextlib import ExitStack
from pathlib import Path

from sim.base.errors import Fault, InputError
from sim.face.options import Parser, number, rate, seed, the_controller, the_engine, the_report, whole, workers
from sim.face.screen import EXIT, Screen

HELP = "a staged plan for trying the hardware: what to do, expect, log, and when to stop"
LEAST, MOST = 3, 2000
OPEN_WATER = ("lake", "brackish", "sea")


def add(command: Parser) -> None:
    """Its options."""
    add_for = command.add_argument
    add_for("vehicle", type=Path, metavar="VEHICLE.yaml", help="a vehicle file")
    the_controller(command)
    add_for(
        "--limits",
        type=Path,
        metavar="FILE",
        help="requirements that stages are held against and that say when to stop (YAML); default: the catalogue",
    )
    add_for("--charge", type=charge, default=0.9, metavar="FRAC", help="charge of the pack, default 0.9")
    add_for("--degc", type=degc, default=15.0, metavar="DEGC", help="of pack, water and air, default 15")
    add_for("--attitude", choices=("towed", "worn"), default="towed", help="in pool and open water, default towed")
    add_for("--open-water", choices=OPEN_WATER, default="lake", help="default lake")
    add_for("--builds", type=builds, metavar="N", help="builds that the bands come from, default 93")
    add_for("--control-hz", type=rate, default=1000.0, metavar="HZ", help="control rate, default 1000")
    add_for("--seed", type=seed, default=1, help="default 1")
    add_for("--workers", type=workers, metavar="N", help="processes; default one for each core")
    the_engine(command)
    the_report(command)


def charge(text: str) -> float:
    """A pack's charge."""
    return number(text, 0.05, 1.0, "a fraction")


def degc(text: str) -> float:
    """A temperature that pack, water and air can have."""
    return number(text, 0.0, 35.0, "degrees Celsius")


def builds(text: str) -> int:
    """A number of builds."""
    return whole(text, LEAST, MOST, "builds")


def writable(path: Path) -> None:
    """Refuse a place that cannot be written to before the long work.

    Raises
    ------
    InputError
    """
    there = next(each for each in (path, *path.absolute().parents) if each.exists())
    if there != path and not there.is_dir():
        raise InputError([Fault(str(path), "", "a place that can be written", f"{there} is no folder")])
    if not os.access(there, os.W_OK):
        raise InputError([Fault(str(path), "", "a place that can be written", f"{there} is read-only")])


def run(options: argparse.Namespace) -> int:
    """``drydive plan``; with --out the plan, its page, and each stage's scenario and blank logger file."""
    from concurrent.futures import ProcessPoolExecutor

    from sim.face import plan_text, text
    from sim.face.report.plan import of_plan, write
    from sim.jobs.plan.expect import COUNT
    from sim.jobs.plan.plan import Day, planned

    screen = Screen(options)
    if options.out is not None:
        writable(options.out / "plan.json")
    if options.report is not None:
        writable(options.report)
    day = Day(options.charge, options.degc, options.attitude, options.open_water)
    with ExitStack() as stack:
        pool = stack.enter_context(ProcessPoolExecutor(options.workers)) if options.workers else None
        done = stack.enter_context(screen.progress("runs"))
        made = planned(
            options.vehicle,
            options.controller,
            options.params,
            options.limits,
            day,
            options.builds or COUNT,
            options.control_hz,
            options.seed,
            options.engine,
            pool,
            done,
        )
    plan = made.plan
    text.head(screen.console, plan.verdict, f"test plan for {plan.vehicle}", "as simulated, stage by stage")
    plan_text.of_plan(screen.console, plan)
    written = made.write(options.out) if options.out is not None else []
    if options.out is not None:
        written.append(options.out / "plan.html")
    if options.report is not None:
        written.append(options.report)
    for path in written:
        if path.suffix == ".html":
            write(of_plan(made, options.asked), path)
    text.lines(screen.console, "written", [str(path) for path in written])
    if options.out is None:
        screen.console.print("with --out DIR: the page, each stage's scenario and blank logger file", style="dim")
    screen.console.print(text.CAUTION, style="dim")
    screen.result(plan.model_dump(mode="json"))
    return EXIT[plan.verdict]
