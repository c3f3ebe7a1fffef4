"""Where a command prints, and how it ends (row 5)."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from sim.base.errors import Fault, InputError
from sim.base.files import write_text

if TYPE_CHECKING:
    from sim.face.report.page import Report

FINE, FAILED, BAD_INPUT = 0, 1, 2
# What was not decided has not failed: the verdict says so, the exit code only tells of failures.
EXIT = {"pass": FINE, "fail": FAILED, "undecided": FINE}
# Piped output is read by people and grep alike: wide enough that sentences stay on one line.
PIPED_WIDTH = 160


class Page(Console):
    """A console whose reader may leave: what is left to do is done, and the exit code still tells the verdict."""

    def on_broken_pipe(self) -> None:
        """Fall silent, and let the stream that nobody reads lead nowhere."""
        self.quiet = True
        unread(sys.stdout)


def unread(stream: IO[str]) -> None:
    """Let a stream that nobody reads any more, or that takes no more, lead nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _no_place(path: Path | None, wanted: str) -> Iterator[Fault]:
    """That nothing can be written there: a file where a folder is wanted, or the other way, or below a file."""
    if path is None:
        return
    there = next((each for each in (path, *path.parents) if each.exists()), path)
    if there != path and not there.is_dir():
        yield Fault(str(path), "", f"a {wanted} to write", f"a place below {there}, which is no folder")
    elif there == path and path.exists() and path.is_dir() != (wanted == "folder"):
        yield Fault(str(path), "", f"a {wanted} to write", "a folder" if path.is_dir() else "a file")


class Screen:
    """Where a command prints: nowhere when quiet or when standard output carries the JSON."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options = options
        self.quiet = options.quiet or options.json == "-"
        width = None if sys.stdout.isatty() else PIPED_WIDTH
        self.console = Page(highlight=False, width=width, quiet=self.quiet)
        # Told before the work, which may take minutes, and not behind it.
        faults = [
            *_no_place(options.out, "folder"),
            *_no_place(None if options.json in (None, "-") else Path(options.json), "file"),
        ]
        if faults:
            raise InputError(faults)

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

    def report(self, report: Report) -> None:
        """Write a page where one was asked for, with the command line that makes it again.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        from sim.face.report.page import repeated, write

        path = self.options.report
        write(replace(report, command=repeated(self.options.asked)), path)
        self.console.print(f"[dim]written[/dim]\n  {escape(str(path))}")

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
