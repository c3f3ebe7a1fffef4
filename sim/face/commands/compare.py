"""``drydive compare`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import Fault, InputError, did_you_mean
from sim.face.options import Parser, pair, pairs, rate, seconds, seed, the_controller, the_engine, the_report
from sim.face.screen import FINE, Screen

if TYPE_CHECKING:
    from sim.jobs.case import Case
    from sim.jobs.compare import Side

HELP = "two controllers, parameter sets or waters on one scenario or one recording"
RECORDINGS = (".csv", ".vcd", ".txt", ".tsv", ".log")
WATERS = ("air", "lake", "pool", "salt_pool", "brackish", "sea")


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("source", type=Path, metavar="SCENARIO|TRACE", help="a scenario file, or a recording")
    the_controller(command)
    command.set_defaults(controller=None)
    command.add_argument("--with-controller", metavar="NAME|FILE.py|FILE.c", help="the second side's controller")
    command.add_argument("--with-params", metavar="FILE", help="the second side's parameter set")
    command.add_argument("--with-water", metavar="KIND", help="the second side's water, of a scenario: air, lake, ...")
    command.add_argument("--vehicle", type=Path, metavar="FILE", help="of a recording: limits and input thresholds")
    command.add_argument("--map", action="append", default=[], type=pair, metavar="SIGNAL=COLUMN", help="as in replay")
    command.add_argument("--control-hz", type=rate, default=1000.0, metavar="HZ", help="of a recording; default 1000")
    command.add_argument("--before", type=seconds, default=4.0, metavar="S", help="as in replay; default 4")
    command.add_argument("--seed", type=seed, help="of a scenario: instead of its own")
    the_engine(command)
    the_report(command)


def run(options: argparse.Namespace) -> int:
    """``drydive compare``; what differs is a finding, not a failure."""
    from sim.face import compare_text, text
    from sim.jobs.compare import as_json, compare

    screen = Screen(options)
    if options.with_controller is None and options.with_params is None and options.with_water is None:
        expected = "--with-controller, --with-params or --with-water"
        raise InputError([Fault("drydive compare", "", expected, "nothing to compare with")])
    recorded = options.source.suffix.lower() in RECORDINGS
    with screen.progress(options.source.name):
        first, second = _replayed(options) if recorded else _dived(options)
        found = compare(first, second)
    compare_text.comparison(screen.console, found)
    if options.out is not None:
        from sim.face.compare_figure import overlay
        from sim.face.look import save

        stem = options.out / f"{options.source.name.split('.')[0]}_compared"
        text.lines(screen.console, "written", [str(path) for path in save(overlay(found), stem)])
    if options.report is not None:
        from sim.face.report.told import of_compare

        screen.report(of_compare(found, [("source", options.source)]))
    screen.console.print(text.CAUTION, style="dim")
    screen.result(as_json(found))
    return FINE


def _named(controller: str, params: str | None, water: str = "") -> str:
    """A side in words."""
    told = Path(controller).stem + (f" with {Path(params).name}" if params else "")
    return f"{told}, {water}" if water else told


def _dived(options: argparse.Namespace) -> tuple[Side, Side]:
    """Both sides of a scenario."""
    from sim.jobs.case import load_case, on_engine, reseeded

    case = on_engine(load_case(options.source), options.engine)
    if options.seed is not None:
        case = reseeded(case, options.seed)
    own = case.bench.scenario
    changed = options.controller is not None
    first = _changed(
        case, options.controller or own.controller, options.params if changed or options.params else own.params
    )
    controller = options.with_controller or first.bench.scenario.controller
    params = options.with_params
    if params is None and options.with_controller is None:
        params = first.bench.scenario.params
    second = _changed(first, controller, params, options.with_water)
    return _side(first, options), _side(second, options)


def _changed(case: Case, controller: str, params: str | None, water: str | None = None) -> Case:
    """The case with another controller, parameter set or water, all checked anew."""
    from dataclasses import replace

    from sim.bench.run import set_up
    from sim.bench.scenario import WaterEntry

    own = case.bench.scenario
    update: dict[str, object] = {"controller": controller, "params": params}
    if controller != own.controller:
        # Single parameters were set for the scenario's own controller.
        update["params_set"] = {}
    if water is not None:
        if water not in WATERS:
            expected = f"one of {', '.join(WATERS)}{did_you_mean(water, WATERS)}"
            raise InputError([Fault("", "with_water", expected, water)])
        degc = own.water.temperature_degc
        update["water"] = WaterEntry.model_validate({"kind": water, "temperature_degc": degc})
        if water == "air":
            # Nothing is towed through air.
            update["attitude"] = "held"
    bench = set_up(own.model_copy(update=update), case.bench.path)
    return replace(case, bench=replace(bench, engine=case.bench.engine))


def _side(case: Case, options: argparse.Namespace) -> Side:
    from sim.jobs.case import judge_case
    from sim.jobs.compare import side_of_run

    own = case.bench.scenario
    name = _named(own.controller, own.params, own.water.kind)
    return side_of_run(judge_case(case), name)


def _replayed(options: argparse.Namespace) -> tuple[Side, Side]:
    """Both sides of a recording."""
    from sim.base.clock import to_us
    from sim.bench.control import load_controller
    from sim.bench.vehicle import load_vehicle
    from sim.jobs.compare import side_of_replay
    from sim.jobs.replay import replay, standing_requirements

    if options.with_water is not None:
        raise InputError([Fault("", "with_water", "a scenario; a recording has its water in it", options.with_water)])
    tick_us = to_us(1.0 / options.control_hz)
    vehicle = load_vehicle(options.vehicle) if options.vehicle else None
    mapping = pairs(options.map)
    first = options.controller or "reference"
    second = options.with_controller or first
    sides = []
    for controller, params in ((first, options.params), (second, options.with_params)):
        loaded = load_controller(controller, tick_us, params)
        done = replay(options.source, loaded, standing_requirements(), tick_us, vehicle, mapping, options.before)
        sides.append(side_of_replay(done, _named(controller, params)))
    return sides[0], sides[1]
