"""The command line's options and what they take (row 5)."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NoReturn, Protocol

import sim
from sim.base.errors import Fault, InputError, one_line, shown
from sim.bench.engine import AUTO, CHOICES
from sim.face.screen import BAD_INPUT

SEED_DIGITS = 18


class Parser(argparse.ArgumentParser):
    """An argument parser whose faults look like every other fault: one clear line."""

    def error(self, message: str) -> NoReturn:
        """Say in one line what is wrong with the command line, and exit with the code of bad input."""
        self.exit(BAD_INPUT, one_line(f"{self.prog}: {message}; see {self.prog} --help") + "\n")


class Command(Protocol):
    """What the module of a command offers."""

    HELP: str

    def add(self, command: Parser) -> None:
        """Add the command's own options."""

    def run(self, options: argparse.Namespace) -> int:
        """Do it, and give the exit code."""


def parser(commands: Mapping[str, Command]) -> Parser:
    """The whole command line; each command's module tells its ``HELP`` and adds its options by ``add``."""
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
    choices = top.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=Parser)
    for name, module in commands.items():
        module.add(choices.add_parser(name, parents=[shared], allow_abbrev=False, help=module.HELP))
    return top


def the_report(command: Parser) -> None:
    """A page of what came out."""
    command.add_argument(
        "--report", type=Path, metavar="FILE.html", help="write a page that holds everything, to send and to print"
    )


def the_engine(command: Parser) -> None:
    """Which engine runs the loop."""
    command.add_argument(
        "--engine",
        choices=CHOICES,
        default=AUTO,
        help="interpreted, or compiled (the same bits, needs the fast extra); default auto: what is quicker",
    )


def the_controller(command: Parser) -> None:
    """Which controller, with which parameters."""
    command.add_argument("--controller", default="reference", metavar="NAME|FILE.py|FILE.c", help="default: reference")
    command.add_argument("--params", metavar="FILE", help="parameter set: a file, or the name of a shipped one")


def the_dump(command: Parser) -> None:
    """Where every signal is written for a waveform viewer."""
    command.add_argument("--vcd", type=Path, metavar="FILE", help="write every signal as a value change dump (VCD)")


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
        Fault("", "map", "each signal once", shown(f"{signal}={column} after {signal}={before}"))
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


def whole(text: str, low: float, high: float, what: str) -> int:
    """A whole number of something, within a range, from the command line."""
    value = number(text, low, high, what)
    if value != int(value):
        raise argparse.ArgumentTypeError(f"expected a whole number of {what}; got '{text}'")
    return int(value)


def rate(text: str) -> float:
    """A control rate."""
    return number(text, 50.0, 4000.0, "hertz")


def seconds(text: str) -> float:
    """A time before the recording."""
    return number(text, 0.0, 600.0, "seconds")


def workers(text: str) -> int:
    """A number of processes."""
    return int(number(text, 1, 256, "processes"))
