"""The command ``drydive`` (row 5)."""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Callable, Sequence
from contextlib import nullcontext, redirect_stdout
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import Fault, InputError, one_line
from sim.bench.loop import ControllerError
from sim.face.options import pairs, parser
from sim.face.screen import BAD_INPUT, EXIT, FAILED, FINE, Screen, unread

if TYPE_CHECKING:
    from sim.jobs.check import Outcome


def run_command(options: argparse.Namespace) -> int:
    """``drydive run``."""
    from sim.face import text
    from sim.jobs.case import judge_case, load_case, overall, reseeded
    from sim.jobs.result import judged_json

    screen = Screen(options)
    case = load_case(options.scenario)
    if options.seed is not None:
        case = reseeded(case, options.seed)
    scenario = case.bench.scenario
    with screen.progress(scenario.name, scenario.duration_us // scenario.tick_us) as done:
        judged = judge_case(case, done)
    verdict = overall(judged.verdicts)
    text.head(screen.console, verdict, scenario.name, scenario.says)
    text.requirements(screen.console, judged.verdicts)
    text.lines(
        screen.console, "of the catalogue, never tried here", [", ".join(judged.untried)] if judged.untried else ()
    )
    text.events(screen.console, judged.run.events)
    if options.out is not None:
        from sim.face.drawing import save_run

        text.lines(screen.console, "written", save_run(judged, options.out))
    screen.console.print(text.CAUTION, style="dim")
    screen.result(judged_json(judged))
    return EXIT[verdict]


def replay_command(options: argparse.Namespace) -> int:
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
        done = replay(options.trace, controller, required, tick_us, vehicle, mapping, options.before, progress, sources)
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
    screen.console.print(text.CAUTION, style="dim")
    screen.result(replay_json(done))
    return EXIT[done.verdict]


def demo_command(options: argparse.Namespace) -> int:
    """``drydive demo``; a first draft that fails is the story, not an error."""
    from sim.face import text
    from sim.jobs.case import overall
    from sim.jobs.demo import chapters, told_as_expected
    from sim.jobs.result import demo_json

    screen = Screen(options)
    told = []
    screen.console.print("Moorhen, an invented two-thruster sled, in four dry dives:\n")
    for chapter in chapters():
        with screen.progress(chapter.title, chapter.ticks) as done:
            judged = chapter.tell(done)
        told.append(judged)
        scenario = judged.run.bench.scenario
        text.head(screen.console, overall(judged.verdicts), scenario.name, scenario.says)
        text.story(screen.console, judged)
    from sim.face.drawing import save_demo

    out = options.out or Path("out")
    text.lines(screen.console, "written", save_demo(told, out))
    screen.console.print(text.CAUTION, style="dim")
    screen.result(demo_json(told))
    return FINE if told_as_expected(told) else FAILED


def check_command(options: argparse.Namespace) -> int:
    """``drydive check``; what could not be read is bad input, what crashed or failed is a failure."""
    from concurrent.futures import ProcessPoolExecutor

    from sim.face import suite_text, text
    from sim.jobs.check import check, find
    from sim.jobs.result import suite_json

    screen = Screen(options)
    if options.update and options.baseline is None:
        raise InputError([Fault("drydive check", "--update", "--baseline FILE with it", "none")])
    paths = find(options.paths)
    with screen.progress("scenarios", len(paths)) as done:
        if options.workers is None:
            outcomes = check(paths, progress=done)
        else:
            with ProcessPoolExecutor(options.workers) as pool:
                outcomes = check(paths, pool, done)
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


def matrix_command(options: argparse.Namespace) -> int:
    """``drydive matrix``; unsafe cells are failures, and with --out they are written as scenarios."""
    from sim.face import grid, text
    from sim.jobs.matrix import ERROR, UNSAFE, WATERS, matrix
    from sim.jobs.ride import prepared

    screen = Screen(options)
    ride = prepared(options.vehicle, options.controller, options.params, seed=options.seed)
    with screen.progress("cells") as done:
        found = matrix(ride, tuple(dict.fromkeys(options.water or WATERS)), progress=done)
    grid.matrix(screen.console, found)
    if options.out is not None:
        paths = [options.out / f"{each.water}_{each.phase}_{each.kind}.scenario.yaml" for each in found.worst()]
        paths = [path.with_name(path.name.replace(" ", "_")) for path in paths]
        for cell, path in zip(found.worst(), paths, strict=True):
            found.write(cell, path)
        text.lines(screen.console, "written", [str(path) for path in paths])
    screen.console.print(text.CAUTION, style="dim")
    screen.result(found.as_json())
    return FAILED if any(found.tally()[outcome] for outcome in (ERROR, UNSAFE)) else FINE


JOBS: dict[str, Callable[[argparse.Namespace], int]] = {
    "run": run_command,
    "replay": replay_command,
    "demo": demo_command,
    "check": check_command,
    "matrix": matrix_command,
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Returns
    -------
    int
        0 fine, 1 a requirement failed, 2 bad input or usage.
    """
    # A stream that was closed by whoever started the program is none at all.
    sys.stdout = sys.stdout or io.StringIO()
    sys.stderr = sys.stderr or io.StringIO()
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A terminal that lacks a letter shows its escape.
        sys.stdout.reconfigure(errors="backslashreplace")
    options = parser().parse_args(arguments)
    options.stdout = sys.stdout
    try:
        # Where standard output carries the JSON, what a controller prints goes elsewhere.
        with redirect_stdout(sys.stderr) if options.json == "-" else nullcontext():
            return JOBS[options.command](options)
    except InputError as error:
        print("\n".join(str(_asked_here(fault, options.command)) for fault in error.faults), file=sys.stderr)
        return BAD_INPUT
    except ControllerError as error:
        print(one_line(str(error)), file=sys.stderr)
        return FAILED
    except OSError as error:
        unread(sys.stdout)
        got = (error.strerror or str(error)).lower()
        print(Fault("drydive", "", "standard output that can be written", got), file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print(Fault("drydive", "", "the run to end", "an interruption from the keyboard"), file=sys.stderr)
        return 130


def _asked_here(fault: Fault, command: str) -> Fault:
    """A fault of something that the command line named, told as the option's."""
    if fault.path:
        return fault
    return replace(fault, path=f"drydive {command}", key=f"--{fault.key.replace('_', '-')}")


if __name__ == "__main__":
    sys.exit(main())
