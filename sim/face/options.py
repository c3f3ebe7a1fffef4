"""The command line's options and what they take (row 5)."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn, TypeAlias

import sim
from sim.base.errors import Fault, InputError, one_line, shown
from sim.face.screen import BAD_INPUT

SEED_DIGITS = 18

Commands: TypeAlias = "argparse._SubParsersAction[Parser]"


class Parser(argparse.ArgumentParser):
    """An argument parser whose faults look like every other fault: one clear line."""

    def error(self, message: str) -> NoReturn:
        """Say in one line what is wrong with the command line, and exit with the code of bad input."""
        self.exit(BAD_INPUT, one_line(f"{self.prog}: {message}; see {self.prog} --help") + "\n")


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

    _run(commands, shared)
    _replay(commands, shared)
    commands.add_parser(
        "demo", parents=[shared], allow_abbrev=False, help="the story of Moorhen, an invented vehicle, on one page"
    )
    _matrix(commands, shared)
    _check(commands, shared)
    return top


def _run(commands: Commands, shared: Parser) -> None:
    run = commands.add_parser("run", parents=[shared], allow_abbrev=False, help="one scenario through the closed loop")
    run.add_argument("scenario", type=Path, metavar="SCENARIO", help="a scenario file (YAML)")
    run.add_argument("--seed", type=seed, help="instead of the scenario's own")


def _replay(commands: Commands, shared: Parser) -> None:
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


def _matrix(commands: Commands, shared: Parser) -> None:
    matrix = commands.add_parser(
        "matrix", parents=[shared], allow_abbrev=False, help="every fault in every phase of a ride, by water"
    )
    matrix.add_argument("vehicle", type=Path, metavar="VEHICLE.yaml", help="a vehicle file")
    matrix.add_argument("--controller", default="reference", metavar="NAME|FILE.py", help="default: reference")
    matrix.add_argument("--params", metavar="FILE", help="parameter set: a file, or the name of a shipped one")
    matrix.add_argument(
        "--water", action="append", metavar="KIND", help="default: lake, pool and brackish; may be given again"
    )
    matrix.add_argument("--seed", type=seed, default=1, help="default 1")


def _check(commands: Commands, shared: Parser) -> None:
    check = commands.add_parser(
        "check", parents=[shared], allow_abbrev=False, help="the regression suite: every scenario of a folder"
    )
    check.add_argument("paths", type=Path, nargs="+", metavar="PATH", help="scenario files, or folders of them")
    check.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    check.add_argument("--baseline", type=Path, metavar="FILE", help="say what behaves otherwise than this file has it")
    check.add_argument("--update", action="store_true", help="write the baseline anew")
    check.add_argument("--coverage", action="store_true", help="say what of the controllers was never visited")
    check.add_argument("--workers", type=workers, metavar="N", help="processes; default one for each core")


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


def workers(text: str) -> int:
    """A number of processes."""
    return int(number(text, 1, 256, "processes"))
