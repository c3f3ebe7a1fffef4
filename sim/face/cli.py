"""The command ``drydive`` (row 5)."""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Sequence
from contextlib import nullcontext, redirect_stdout
from dataclasses import replace
from pathlib import Path

from sim.base.errors import Fault, InputError, one_line
from sim.bench.loop import ControllerError
from sim.face.commands import COMMANDS
from sim.face.options import parser
from sim.face.screen import BAD_INPUT, FAILED, unread


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
    options = parser(COMMANDS).parse_args(arguments)
    options.stdout = sys.stdout
    options.asked = list(sys.argv[1:] if arguments is None else arguments)
    try:
        # Where standard output carries the JSON, what a controller prints goes elsewhere.
        with redirect_stdout(sys.stderr) if options.json == "-" else nullcontext():
            return COMMANDS[options.command].run(options)
    except InputError as error:
        print("\n".join(str(_as_asked(fault, options)) for fault in error.faults), file=sys.stderr)
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


def _as_asked(fault: Fault, options: argparse.Namespace) -> Fault:
    """A fault as the command line named what it is in: an option, or a file from the current folder on."""
    if not fault.path:
        return replace(fault, path=f"drydive {options.command}", key=f"--{fault.key.replace('_', '-')}")
    here = Path.cwd()
    # Work that moves between folders names its files in full; whoever did so too knows them by that name.
    if Path(fault.path).is_relative_to(here) and not any(str(here) in argument for argument in options.asked):
        return replace(fault, path=str(Path(fault.path).relative_to(here)))
    return fault


if __name__ == "__main__":
    sys.exit(main())
