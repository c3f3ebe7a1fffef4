"""``drydive sheet`` (row 5)."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.base.errors import Fault, InputError, shown
from sim.face.options import Parser, number
from sim.face.screen import FINE, Screen
from sim.world.water import AIR_DEGC, KINDS

if TYPE_CHECKING:
    from sim.jobs.sheets.paper import Paper

HELP = "design tables before anything is built: lever, contacts or power"

# What each sheet takes; the rest would be ignored, and is refused instead.
TAKES = {
    "lever": ("controller", "params", "temperature"),
    "contacts": ("temperature",),
    "power": (
        *("controller", "params", "water", "temperature"),
        *("charge", "pack_temperature", "resistance_growth", "capacity_loss"),
    ),
}
FLAGS = {name: f"--{name.replace('_', '-')}" for name in TAKES["power"]}
CHARGE_FRAC = 0.9
DEGC = 20.0
# No sheet has ticks; a controller is loaded with this one.
TICK_US = 1000


def add(command: Parser) -> None:
    """Its options."""
    degc = partial(number, low=AIR_DEGC[0], high=AIR_DEGC[1], what="degrees Celsius")
    pack_degc = partial(number, low=-20.0, high=60.0, what="degrees Celsius")
    share = partial(number, low=0.0, high=1.0, what="a share")
    command.add_argument("sheet", choices=tuple(TAKES), metavar="lever|contacts|power", help="which sheet")
    command.add_argument("vehicle", type=Path, metavar="VEHICLE.yaml", help="a vehicle file")
    add_for = command.add_argument
    add_for("--controller", metavar="NAME|FILE.py|FILE.c", help="power: whose caps; lever: whose windows")
    add_for("--params", metavar="FILE", help="its parameter set: a file, or the name of a shipped one")
    add_for("--water", choices=KINDS, metavar="KIND", help=f"power: one of {', '.join(KINDS)}; default lake")
    add_for("--temperature", type=degc, metavar="DEGC", help="of water and magnets, and of the pack; default 20")
    add_for("--charge", type=share, metavar="FRAC", help=f"power: the pack's charge, default {CHARGE_FRAC:g}")
    add_for(
        "--pack-temperature", type=pack_degc, metavar="DEGC", help="power: of the pack, where it is not the water's"
    )
    growth = partial(number, low=0.0, high=5.0, what="a share")
    add_for("--resistance-growth", type=growth, metavar="FRAC", help="power: 0.3 is a pack with 30 %% more resistance")
    loss = partial(number, low=0.0, high=0.99, what="a share")
    add_for("--capacity-loss", type=loss, metavar="FRAC", help="power: 0.1 is a pack with 10 %% less capacity")


def run(options: argparse.Namespace) -> int:
    """``drydive sheet``."""
    from sim.face import text

    screen = Screen(options)
    with screen.progress(f"{options.sheet} sheet"):
        paper, face = worked_out(options)
    face.show(screen.console, paper)
    if options.out is not None:
        from sim.face import look

        paths = [*look.save(face.figure(paper), options.out / f"sheet_{paper.name}"), *paper.write(options.out)]
        text.lines(screen.console, "written", [str(path) for path in paths])
    screen.console.print(text.CAUTION, style="dim")
    screen.result(paper.as_json())
    return FINE


def worked_out(options: argparse.Namespace) -> tuple[Paper, Any]:
    """The sheet, and the module that shows it.

    Raises
    ------
    InputError
        An option of another sheet, or files with faults.
    """
    given = {name: getattr(options, name) for name in FLAGS}
    takes = TAKES[options.sheet]
    faults = [
        Fault(
            f"drydive sheet {options.sheet}",
            FLAGS[name],
            f"one of {', '.join(FLAGS[each] for each in takes)}",
            shown(str(value)),
        )
        for name, value in given.items()
        if value is not None and name not in takes
    ]
    if faults:
        raise InputError(faults)
    degc = DEGC if options.temperature is None else options.temperature
    if options.sheet == "contacts":
        from sim.face import sheet_contacts
        from sim.jobs.sheets.contacts import contacts_sheet

        return contacts_sheet(options.vehicle, degc), sheet_contacts
    if options.sheet == "lever":
        from sim.face import sheet_lever
        from sim.jobs.sheets.lever import lever_sheet

        asked = options.controller is not None or options.params is not None
        return lever_sheet(options.vehicle, _controller(options) if asked else None, degc), sheet_lever
    from sim.bench.scenario import PackEntry
    from sim.face import sheet_power
    from sim.jobs.sheets.power import power_sheet

    pack = PackEntry(
        charge_frac=CHARGE_FRAC if options.charge is None else options.charge,
        temperature_degc=options.pack_temperature,
        resistance_growth_frac=options.resistance_growth or 0.0,
        capacity_loss_frac=options.capacity_loss or 0.0,
    )
    paper = power_sheet(options.vehicle, _controller(options), options.water or "lake", degc, pack)
    return paper, sheet_power


def _controller(options: argparse.Namespace) -> Any:
    """The controller whose parameters are asked about; its tick does not matter here."""
    from sim.bench.control import load_controller

    return load_controller(options.controller or "reference", TICK_US, options.params)
