"""``drydive fit`` (row 5)."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import shown
from sim.face.options import Parser, number, pair, pairs, the_report
from sim.face.screen import FINE, Screen
from sim.world.water import AIR_DEGC, KINDS

if TYPE_CHECKING:
    from sim.bench.vehicle import Vehicle
    from sim.jobs.fit.trace import Given

HELP = "from recordings to the vehicle file: each number with its 95 %% interval"

# As in `sim.jobs.fit.fit.TOPICS`, which is imported only when it is needed.
WHAT = ("lever", "noise", "contacts", "pack", "thrust", "drag")
ALL = "all"
DEGC = 20.0
THRUSTERS_MOST = 16


def add(command: Parser) -> None:
    """Its options."""
    degc = partial(number, low=AIR_DEGC[0], high=AIR_DEGC[1], what="degrees Celsius")
    add_for = command.add_argument
    add_for("vehicle", type=Path, metavar="VEHICLE.yaml", help="the vehicle file to start from; it stays as it is")
    add_for("recordings", type=Path, nargs="+", metavar="RECORDING", help="a logger's recording: CSV, or VCD")
    add_for(
        "--what",
        action="append",
        type=what,
        metavar="WHAT",
        help=f"{', '.join(WHAT)}, several with commas; default {ALL}: whatever the columns allow",
    )
    add_for(
        "--rest",
        action="append",
        default=[],
        type=stretch,
        metavar="FROM..TO",
        help="seconds from a recording's first row in which nobody touched anything; may be given again",
    )
    add_for(
        "--map", action="append", default=[], type=pair, metavar="SIGNAL=COLUMN", help="which column is which signal"
    )
    add_for(
        "--map-file", type=Path, metavar="FILE", help="what is known of the recordings (YAML); default: beside each"
    )
    add_for("--water", choices=KINDS, metavar="KIND", help=f"it was recorded in: {', '.join(KINDS)}")
    add_for(
        "--conductivity",
        type=partial(number, low=1e-6, high=20.0, what="siemens per metre"),
        metavar="S_M",
        help="of that water, measured; goes before --water's",
    )
    add_for("--temperature", type=degc, default=DEGC, metavar="DEGC", help="of water, leads and magnets; default 20")
    pack_degc = partial(number, low=-20.0, high=60.0, what="degrees Celsius")
    add_for("--pack-temperature", type=pack_degc, metavar="DEGC", help="of the pack, where it is another")
    share = partial(number, low=0.0, high=1.0, what="a share")
    add_for("--charge", type=share, metavar="FRAC", help="of the pack at a recording's first row")
    add_for(
        "--rig-ratio",
        type=partial(number, low=-1000.0, high=1000.0, what="a ratio"),
        default=1.0,
        metavar="RATIO",
        help="thrust over what the tank rig's load cell reads; default 1",
    )
    add_for("--thrusters", type=thrusters, default=2, metavar="N", help="that pull on the rig; default 2")
    add_for("--attitude", choices=("towed", "worn"), default="towed", help="of the rider in speed runs; default towed")
    the_report(command)


def what(text: str) -> tuple[str, ...]:
    """Things to fit, with commas between them."""
    names = tuple(text.split(","))
    if wrong := [name for name in names if name not in (*WHAT, ALL)]:
        raise argparse.ArgumentTypeError(f"expected {ALL} or some of {', '.join(WHAT)}; got '{shown(wrong[0])}'")
    return names


def stretch(text: str) -> tuple[float, float]:
    """FROM..TO in seconds."""
    from_text, dots, to_text = text.partition("..")
    try:
        from_s, to_s = float(from_text), float(to_text)
    except ValueError:
        from_s = to_s = float("nan")
    if not (dots and 0.0 <= from_s < to_s < float("inf")):
        raise argparse.ArgumentTypeError(f"expected FROM..TO in seconds, from 0 on; got '{shown(text)}'")
    return from_s, to_s


def thrusters(text: str) -> int:
    """How many thrusters."""
    value = number(text, 1, THRUSTERS_MOST, "a whole number")
    if value != int(value):
        raise argparse.ArgumentTypeError(f"expected a whole number from 1 to {THRUSTERS_MOST}; got '{shown(text)}'")
    return int(value)


def given_by(options: argparse.Namespace, vehicle: Vehicle) -> Given:
    """What the options say is known beside the recordings.

    Raises
    ------
    InputError
        A temperature outside the kind of water's range.
    """
    from sim.base.errors import Fault, InputError
    from sim.jobs.fit.trace import Given
    from sim.world.water import water

    around = None
    if options.water is not None:
        try:
            around = water(options.water, options.temperature)
        except ValueError as error:
            raise InputError(
                [Fault("", "temperature", str(error).replace(" must be", ","), f"{options.temperature:g}")]
            ) from error
    pack_degc = options.temperature if options.pack_temperature is None else options.pack_temperature
    return Given(
        vehicle,
        water=around,
        conductivity_s_m=options.conductivity,
        temperature_degc=options.temperature,
        pack_degc=pack_degc,
        charge_frac=options.charge,
        rig_ratio=options.rig_ratio,
        thrusters=options.thrusters,
        attitude=options.attitude,
    )


def run(options: argparse.Namespace) -> int:
    """``drydive fit``; with --out the copy of the vehicle file, figures, and what a scenario can use as recorded."""
    from datetime import date

    from sim.bench.vehicle import load_vehicle
    from sim.face import fit_text, text
    from sim.jobs.fit.fit import fit
    from sim.jobs.fit.trace import Rest, read_traces

    screen = Screen(options)
    vehicle = load_vehicle(options.vehicle)
    given = given_by(options, vehicle)
    names = {name for group in options.what or [(ALL,)] for name in group}
    chosen = [name for name in WHAT if name in names or ALL in names]
    rest = [Rest(*each) for each in options.rest]
    traces = read_traces(options.recordings, rest, pairs(options.map), options.map_file)
    with screen.progress("fit", len(chosen)) as done:
        found = fit(traces, options.vehicle, given, chosen, done)
    fit_text.head(screen.console, found)
    for trace in traces:
        text.lines(screen.console, f"taken as, {trace.name}", trace.recording.notes)
        text.lines(screen.console, f"mended, {trace.name}", trace.recording.mended)
    for topic in found.topics:
        fit_text.topic(screen.console, topic)
    if options.out is not None:
        from sim.face import fit_figure
        from sim.jobs.fit.written import write_vehicle

        paths = [*fit_figure.save(found, vehicle.name, options.out), *found.write_series(options.out)]
        if found.of_vehicle or found.curves:
            copy = options.out / f"{options.vehicle.stem}.fitted.yaml"
            write_vehicle(found, copy, date.today())
            paths.insert(0, copy)
        screen.console.print()
        text.lines(screen.console, "written", [str(path) for path in paths])
    if options.report is not None:
        from sim.face.report.fitted import of_fit

        screen.report(of_fit(found, vehicle.name))
    screen.console.print(text.CAUTION, style="dim")
    screen.result(found.as_json())
    return FINE
