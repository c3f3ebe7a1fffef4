"""The command ``drydive`` (row 5)."""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, redirect_stdout
from dataclasses import replace
from pathlib import Path
from typing import IO, Any, NoReturn

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

import sim
from sim.base.errors import Fault, InputError, one_line, shown
from sim.base.files import write_text
from sim.bench.loop import ControllerError

FINE, FAILED, BAD_INPUT = 0, 1, 2
# What was not decided has not failed: the verdict says so, the exit code only tells of failures.
EXIT = {"pass": FINE, "fail": FAILED, "undecided": FINE}
# Piped output is read by people and grep alike: wide enough that sentences stay on one line.
PIPED_WIDTH = 160
SEED_DIGITS = 18


class Parser(argparse.ArgumentParser):
    """An argument parser whose faults look like every other fault: one clear line."""

    def error(self, message: str) -> NoReturn:
        """Say in one line what is wrong with the command line, and exit with the code of bad input."""
        self.exit(BAD_INPUT, one_line(f"{self.prog}: {message}; see {self.prog} --help") + "\n")


class Page(Console):
    """A console whose reader may leave: what is left to do is done, and the exit code still tells the verdict."""

    def on_broken_pipe(self) -> None:
        """Fall silent, and let the stream that nobody reads lead nowhere."""
        self.quiet = True
        unread(sys.stdout)


def unread(stream: IO[str]) -> None:
    """Let a stream that nobody reads any more, or that takes no more, lead nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def parser() -> Parser:
    """The whole command line."""
    shared = Parser(add_help=False)
    shared.add_argument(
        "--json",
        metavar="FILE",
        help="write the result as JSON; - is standard output, and nothing else is printed there",
    )
    shared.add_argument("--out", metavar="DIR", type=Path, help="write figures and files into this folder")
    shared.add_argument("--quiet", action="store_true", help="print nothing but faults")
    about = "A dry dive for throttle firmware, before it is flashed and sealed."
    top = Parser(prog="drydive", description=about, allow_abbrev=False)
    top.add_argument("--version", action="version", version=f"drydive {sim.__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=Parser)

    run = commands.add_parser("run", parents=[shared], allow_abbrev=False, help="one scenario through the closed loop")
    run.add_argument("scenario", type=Path, metavar="SCENARIO", help="a scenario file (YAML)")
    run.add_argument("--seed", type=seed, help="instead of the scenario's own")
    run.set_defaults(job=run_command)

    replay = commands.add_parser(
        "replay", parents=[shared], allow_abbrev=False, help="a recorded trace through a controller"
    )
    replay.add_argument("trace", type=Path, metavar="TRACE.csv", help="a logger's recording")
    replay.add_argument("--controller", default="reference", metavar="NAME|FILE.py", help="default: reference")
    replay.add_argument("--params", metavar="FILE", help="parameter set: a file, or the name of a shipped one")
    replay.add_argument("--vehicle", type=Path, metavar="FILE", help="gives limits and input thresholds")
    replay.add_argument("--requirements", type=Path, metavar="FILE", help="instead of the standing ones")
    replay.add_argument(
        "--map",
        action="append",
        default=[],
        type=pair,
        metavar="SIGNAL=COLUMN",
        help="which column is which signal; may be given again",
    )
    replay.add_argument("--control-hz", type=rate, default=1000.0, metavar="HZ", help="control rate, default 1000")
    replay.add_argument(
        "--before",
        type=seconds,
        default=4.0,
        metavar="S",
        help="how long the chip has been running when the recording begins, with its first sample held; default 4",
    )
    replay.set_defaults(job=replay_command)

    demo = commands.add_parser(
        "demo", parents=[shared], allow_abbrev=False, help="the story of Moorhen, an invented vehicle, on one page"
    )
    demo.set_defaults(job=demo_command)
    return top


def seed(text: str) -> int:
    """A seed from the command line."""
    if not (text.isascii() and text.isdecimal() and len(text) <= SEED_DIGITS):
        raise argparse.ArgumentTypeError(
            f"expected a whole number from 0, of at most {SEED_DIGITS} digits; got '{shown(text)}'"
        )
    return int(text)


def pair(text: str) -> tuple[str, str]:
    """SIGNAL=COLUMN from the command line."""
    signal, equals, column = text.partition("=")
    if not (signal and equals and column):
        raise argparse.ArgumentTypeError(f"expected SIGNAL=COLUMN; got '{shown(text)}'")
    return signal, column


def pairs(given: Sequence[tuple[str, str]]) -> dict[str, str]:
    """All pairs of the command line.

    Raises
    ------
    InputError
        A signal that is given twice.
    """
    faults = [
        Fault("drydive replay", "--map", "each signal once", shown(f"{signal}={column} after {signal}={before}"))
        for index, (signal, column) in enumerate(given)
        for other, before in given[:index]
        if other == signal
    ]
    if faults:
        raise InputError(faults)
    return dict(given)


def number(text: str, low: float, high: float, what: str) -> float:
    """A number within a range from the command line."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"expected {what} from {low:g} to {high:g}; got '{shown(text)}'")
    return value


def rate(text: str) -> float:
    """A control rate."""
    return number(text, 50.0, 4000.0, "hertz")


def seconds(text: str) -> float:
    """A time before the recording."""
    return number(text, 0.0, 600.0, "seconds")


class Screen:
    """Where a command prints: nowhere when quiet or when standard output carries the JSON."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options = options
        self.quiet = options.quiet or options.json == "-"
        width = None if sys.stdout.isatty() else PIPED_WIDTH
        self.console = Page(highlight=False, width=width, quiet=self.quiet)

    @contextmanager
    def progress(self, what: str, total: int | None = None) -> Iterator[Callable[..., None]]:
        """A progress bar on a terminal, nothing where the output is piped.

        Yields
        ------
        A function of the work done and, where it was not known before, of all the work.
        """
        if self.quiet or not sys.stderr.isatty():
            yield lambda done, total=total: None
            return
        columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(what, total=total)
            yield lambda done, total=total: bar.update(task, completed=done, total=total)

    def result(self, document: Any) -> None:
        """Write the JSON where it was asked for."""
        if self.options.json is None:
            return
        text = json.dumps(document, indent=1, allow_nan=False) + "\n"
        if self.options.json == "-":
            try:
                self.options.stdout.write(text)
                self.options.stdout.flush()
            except BrokenPipeError:
                unread(self.options.stdout)
        else:
            write_text(Path(self.options.json), text)


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
    with screen.progress(options.trace.name) as progress:
        done = replay(options.trace, controller, required, tick_us, vehicle, mapping, options.before, progress)
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
            return int(options.job(options))
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
