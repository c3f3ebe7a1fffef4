"""``drydive search`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sim.face.options import Parser, seed, the_engine, whole, workers
from sim.face.screen import FAILED, FINE, Screen

if TYPE_CHECKING:
    from sim.jobs.search.found import Search

HELP = "looks for the rider, the leak and the supply that come closest to breaking a requirement"
MOST = 10_000_000


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("scenario", type=Path, metavar="SCENARIO", help="a scenario file (YAML) to start from")
    command.add_argument(
        "--require",
        nargs="+",
        action="extend",
        default=[],
        metavar="ID",
        help="requirements of the scenario or of the catalogue; default: all of the scenario's",
    )
    command.add_argument(
        "--runs", type=runs, metavar="N", help="default 1000; making simple what is found comes on top"
    )
    command.add_argument("--seed", type=seed, default=1, help="of the search, default 1")
    command.add_argument(
        "--vary",
        nargs="+",
        action="extend",
        metavar="WHAT",
        help="rider, water, supply, faults, vehicle; default: the first three",
    )
    command.add_argument(
        "--fault", nargs="+", action="extend", metavar="KIND", help="kinds of faults to try, default all; varies faults"
    )
    command.add_argument("--envelope", type=Path, metavar="FILE", help="the days of use (YAML); default: common ones")
    command.add_argument("--workers", type=workers, metavar="N", help="processes; default one for each core")
    the_engine(command)


def runs(text: str) -> int:
    """A number of runs."""
    return whole(text, 1, MOST, "runs")


def run(options: argparse.Namespace) -> int:
    """``drydive search``; what is found is a failure, and with --out it is written as scenarios with their figures."""
    from sim.bench.run import fingerprint
    from sim.face import search_text, text
    from sim.jobs.case import load_case, on_engine
    from sim.jobs.envelope import load_envelope
    from sim.jobs.search.search import RUNS, search
    from sim.jobs.search.space import KINDS, USUAL

    screen = Screen(options)
    case = on_engine(load_case(options.scenario), options.engine)
    envelope = load_envelope(options.envelope) if options.envelope is not None else None
    varied = tuple(dict.fromkeys((*(options.vary or USUAL), *(("faults",) if options.fault else ()))))
    count = options.runs or RUNS
    with screen.progress("runs", count) as done:
        found = search(
            case,
            options.require,
            count,
            options.seed,
            varied,
            options.fault or KINDS,
            envelope,
            options.workers or 0,
            done,
        )
    text.head(screen.console, found.verdict, case.bench.scenario.name, search_text.summary(found))
    search_text.of_search(screen.console, found)
    if options.out is not None:
        text.lines(screen.console, "written", _written(found, options.scenario, options.out))
    screen.console.print(text.CAUTION, style="dim")
    document = found.as_json()
    if options.envelope is not None:
        document["inputs"][f"envelope {options.envelope.name}"] = fingerprint(options.envelope)
    screen.result(document)
    return FAILED if found.verdict == "fail" else FINE


def _written(found: Search, scenario: Path, out: Path) -> list[str]:
    """Every scenario found and the figure of its run; of a run that ends in an error there is none."""
    from sim.bench.loop import ControllerError
    from sim.face.drawing import save_run
    from sim.jobs.case import judge_case, load_case

    stem = scenario.name.removesuffix(".yaml").removesuffix(".scenario")
    paths = []
    for path in found.write(out, stem):
        paths.append(str(path))
        try:
            # Read again from its file, as `drydive run` would.
            paths += save_run(judge_case(load_case(path)), out)
        except ControllerError:
            continue
    return paths
