"""``drydive matrix`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path

from sim.face.options import Parser, rate, seed, the_controller
from sim.face.screen import FAILED, FINE, Screen

HELP = "every fault in every phase of a ride, by water"


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("vehicle", type=Path, metavar="VEHICLE.yaml", help="a vehicle file")
    the_controller(command)
    command.add_argument(
        "--water", action="append", metavar="KIND", help="default: lake, pool and brackish; may be given again"
    )
    command.add_argument(
        "--control-hz", type=rate, default=500.0, metavar="HZ", help="control rate, default 500, for many short rides"
    )
    command.add_argument("--seed", type=seed, default=1, help="default 1")


def run(options: argparse.Namespace) -> int:
    """``drydive matrix``; unsafe cells are failures, and with --out they are written as scenarios beside the figure."""
    from sim.face import grid, text
    from sim.jobs.matrix import ERROR, UNSAFE, WATERS, matrix
    from sim.jobs.ride import prepared

    screen = Screen(options)
    ride = prepared(
        options.vehicle, options.controller, options.params, seed=options.seed, control_hz=options.control_hz
    )
    with screen.progress("cells") as done:
        found = matrix(ride, tuple(dict.fromkeys(options.water or WATERS)), progress=done)
    grid.matrix(screen.console, found)
    if options.out is not None:
        from sim.face import look, matrix_figure

        drawn = look.save(matrix_figure.matrix(found), options.out / "matrix")
        paths = [options.out / f"{each.water}_{each.phase}_{each.kind}.scenario.yaml" for each in found.worst()]
        paths = [path.with_name(path.name.replace(" ", "_")) for path in paths]
        for cell, path in zip(found.worst(), paths, strict=True):
            found.write(cell, path)
        text.lines(screen.console, "written", [str(path) for path in (*drawn, *paths)])
    screen.console.print(text.CAUTION, style="dim")
    screen.result(found.as_json())
    return FAILED if any(found.tally()[outcome] for outcome in (ERROR, UNSAFE)) else FINE
