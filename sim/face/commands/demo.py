"""``drydive demo`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path

from sim.face.options import Parser
from sim.face.screen import FAILED, FINE, Screen

HELP = "the story of Moorhen, an invented vehicle, on one page"


def add(command: Parser) -> None:
    """No options of its own."""


def run(options: argparse.Namespace) -> int:
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
