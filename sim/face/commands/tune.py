"""``drydive tune`` (row 5)."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sim.base.errors import shown
from sim.face.options import Parser, number, rate, seed, the_controller, the_engine, the_report, workers
from sim.face.screen import EXIT, Screen

if TYPE_CHECKING:
    from sim.jobs.tune.tuned import Tuned

HELP = "the fastest ramp and the highest caps that keep every corner inside its limits"
HOLD_S = 10.0


def add(command: Parser) -> None:
    """Its options."""
    add_for = command.add_argument
    add_for("vehicle", type=Path, metavar="VEHICLE.yaml", help="a vehicle file")
    the_controller(command)
    add_for("--limits", type=Path, metavar="FILE", help="what it is held against (YAML); default: the standard ones")
    add_for("--envelope", type=Path, metavar="FILE", help="the days of use (YAML); default: common ones")
    add_for("--hold", type=hold, default=HOLD_S, metavar="S", help=f"how long the lever is held, default {HOLD_S:g} s")
    add_for(
        "--fix", type=fix, action="append", default=[], metavar="NAME=VALUE", help="a parameter that stays as given"
    )
    add_for(
        "--name",
        type=fix,
        action="append",
        default=[],
        metavar="KNOB=PARAM",
        help="a knob's parameter, where it has another name than the reference controller's",
    )
    add_for(
        "--rely-on-guard",
        action="store_true",
        help="let the supply guard keep limits; default: caps and ramp keep them, the guard is there for the rest",
    )
    add_for(
        "--hard",
        action="store_true",
        help="look for a harder day and build, tune with it, and so on until nothing breaks any more",
    )
    add_for("--control-hz", type=rate, default=1000.0, metavar="HZ", help="control rate, default 1000")
    add_for("--seed", type=seed, default=1, help="default 1")
    add_for("--workers", type=workers, metavar="N", help="processes; default one for each core")
    the_engine(command)
    the_report(command)


def hold(text: str) -> float:
    """How long the lever is held."""
    return number(text, 1.0, 120.0, "seconds")


def fix(text: str) -> tuple[str, str]:
    """NAME=VALUE from the command line."""
    name, equals, value = text.partition("=")
    if not (name and equals and value):
        raise argparse.ArgumentTypeError(f"expected NAME=VALUE; got '{shown(text)}'")
    return name.strip(), value.strip()


def run(options: argparse.Namespace) -> int:
    """``drydive tune``; with --out the parameter file, the steps' nearest corners as scenarios, and two figures."""
    from sim.face import text, tune_text
    from sim.jobs.envelope import load_envelope
    from sim.jobs.tune.bed import Bed
    from sim.jobs.tune.drive import prepared
    from sim.jobs.tune.hard import tune_hard
    from sim.jobs.tune.knobs import fixed, knobs_of, named
    from sim.jobs.tune.tune import tune

    screen = Screen(options)
    ride = prepared(
        options.vehicle,
        options.controller,
        options.params,
        options.limits,
        options.hold,
        options.engine,
        options.seed,
        options.control_hz,
    )
    controller = ride.case.bench.controller
    knobs = knobs_of(controller, named(options.name))
    stays = fixed(controller, knobs, options.fix)
    envelope = load_envelope(options.envelope) if options.envelope is not None else None
    mapped = options.out is not None or options.report is not None
    with screen.progress("runs") as done, Bed(ride, options.workers or 0, done) as bed:
        found = (tune_hard if options.hard else tune)(
            bed, knobs, stays, envelope, mapped=mapped, relied=options.rely_on_guard
        )
    tune_text.tuned(screen.console, found)
    if options.out is not None and not found.refused:
        written = _write(found, options.out, options.vehicle.stem)
        text.lines(screen.console, "written", [str(path) for path in written])
    text.engine(screen.console, found.engine)
    if options.report is not None:
        from sim.face.report.tuned import of_tune

        screen.report(of_tune(found, options.envelope))
    screen.console.print(text.CAUTION, style="dim")
    document = found.as_json()
    if options.envelope is not None:
        from sim.bench.run import fingerprint

        document["inputs"][f"envelope {options.envelope.name}"] = fingerprint(options.envelope)
    screen.result(document)
    return EXIT[found.verdict]


def _write(found: Tuned, out: Path, stem: str) -> list[Path]:
    """All files of a tuning; their paths."""
    from sim.face import look, tune_figure
    from sim.jobs.tune.story import told
    from sim.jobs.tune.written import write

    paths = write(found, out, stem)
    if found.chart is not None:
        paths += look.save(tune_figure.chart(found, found.chart), out / f"{stem}.map")
        paths.append(out / f"{stem}.map.csv")
        found.chart.write(paths[-1])
    story = told(found)
    if story is not None:
        paths += look.save(tune_figure.story(found, story), out / f"{stem}.before_after")
    return paths
