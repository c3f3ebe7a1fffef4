"""``drydive new`` (row 5)."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

import sim
from sim.base.errors import Fault, InputError
from sim.face.options import Parser
from sim.face.screen import FINE, Screen

HELP = "a project of your own to start from: vehicle, controller, scenarios, CI"


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("folder", type=Path, metavar="DIR", help="a folder that is new or empty")


def run(options: argparse.Namespace) -> int:
    """``drydive new``."""
    from sim.face import text
    from sim.jobs.new import new

    screen = Screen(options)
    if options.out is not None:
        # Ignored, it would leave its owner looking for files in the wrong place.
        raise InputError([Fault("drydive new", "--out", "DIR alone to say where", str(options.out))])
    paths = new(options.folder)
    text.lines(screen.console, "written", [str(options.folder / path) for path in paths])
    into = [] if options.folder == Path() else [f"cd {shlex.quote(str(options.folder))}"]
    todo = [*into, "drydive check scenarios --baseline baseline.json", "and read README.md: every number is invented"]
    text.lines(screen.console, "next", todo)
    screen.console.print(text.CAUTION, style="dim")
    screen.result(
        {
            "folder": str(options.folder),
            "files": [path.as_posix() for path in paths],
            "versions": {"drydive": sim.__version__},
        }
    )
    return FINE
