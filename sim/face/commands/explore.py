"""``drydive explore`` (row 5)."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.base.errors import Fault, InputError, shown
from sim.face.options import Parser, the_engine, whole, workers
from sim.face.screen import FAILED, FINE, Screen

if TYPE_CHECKING:
    from sim.jobs.explore.explore import Exploration
    from sim.jobs.explore.sequence import Written

HELP = (
    "walks through every state a controller can reach under coarse times, and proves or refutes what it must never do"
)
MOST = 100_000_000


def add(command: Parser) -> None:
    """Its options."""
    command.add_argument("controller", metavar="NAME|FILE.py", help="a shipped controller's name, or a file")
    command.add_argument(
        "--scope",
        metavar="NAME|FILE",
        help="readings, demands and coarse times (YAML); default: the controller's own, FILE.scope.yaml beside it",
    )
    command.add_argument("--params", metavar="FILE", help="parameter set, in place of the scope's")
    command.add_argument(
        "--set", type=setting, nargs="+", action="extend", default=[], metavar="KEY=N", help="single parameters on top"
    )
    command.add_argument(
        "--prove",
        nargs="+",
        action="extend",
        default=[],
        metavar="WHAT",
        help="deadman, start, kill, step; default: all",
    )
    command.add_argument(
        "--states-max", type=states, metavar="N", help="states of one walk; default 10 million (interpreted: 1 million)"
    )
    command.add_argument("--workers", type=workers, metavar="N", help="walks at a time; default one for each core")
    the_engine(command)


def setting(text: str) -> tuple[str, int]:
    """KEY=N from the command line."""
    key, _, value = text.partition("=")
    try:
        return key, int(value)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected KEY=N with a whole number; got '{shown(text)}'") from None


def states(text: str) -> int:
    """A number of states."""
    return whole(text, 1, MOST, "states")


def run(options: argparse.Namespace) -> int:
    """``drydive explore``; what is refuted is a failure, and with --out it is written as a scenario or a recording."""
    from sim.face import explore_text, text
    from sim.jobs.explore.explore import explore
    from sim.jobs.explore.scope import load_scope, scope_path, tasks

    screen = Screen(options)
    path = scope_path(options.scope, options.controller)
    overrides = dict(options.set)
    scope = load_scope(path)
    try:
        walks = tasks(scope, path, options.controller, options.params, overrides, tuple(options.prove))
    except InputError as error:
        at_tick = f"at the tick of {scope.tick_us} us that {path.name} has"
        raise InputError(_placed(fault, overrides, path, at_tick) for fault in error.faults) from None
    with screen.progress("walks", len(walks)) as done:
        found = explore(walks, options.states_max, options.engine, options.workers, done)
    written = _written(found, options.out) if options.out is not None else {}
    text.head(screen.console, found.verdict, found.controller.name, explore_text.summary(found))
    explore_text.of_exploration(screen.console, found, written)
    screen.console.print(text.CAUTION, style="dim")
    screen.result(_json(found, path, written))
    return FAILED if found.verdict == "fail" else FINE


def _placed(fault: Fault, overrides: Mapping[str, int], scope: Path, at_tick: str) -> Fault:
    """A fault of what the command line names, told as the option's; of a parameter, with the tick it is meant for."""
    key = fault.key.removeprefix("params_set.")
    if not fault.path and key in overrides:
        return replace(fault, path="drydive explore", key=f"--set {key}")
    if not fault.path and fault.key == "controller":
        return replace(fault, path="drydive explore", key="NAME|FILE.py")
    if fault.line is not None and Path(fault.path) != scope:
        # What is right at the controller's own rate may not be at a coarse one.
        return replace(fault, expected=f"{fault.expected}, {at_tick}")
    return fault


def _written(found: Exploration, out: Path) -> dict[int, Written]:
    """A file for each property that was refuted, by the walk's place; the first walk that did so counts."""
    from sim.jobs.explore.script import write

    written: dict[int, Written] = {}
    names: set[str] = set()
    for index, proof in enumerate(found.proofs):
        if proof.verdict == "fail" and proof.task.name not in names:
            written[index] = write(proof, found.controller.name, out)
            names.add(proof.task.name)
    return written


def _json(found: Exploration, scope: Path, written: Mapping[int, Written]) -> dict[str, Any]:
    """Plain data."""
    from sim.bench.run import fingerprint
    from sim.jobs.explore.explore_json import exploration_json

    document = exploration_json(found)
    for index, each in written.items():
        document["walks"][index]["scenario"] = {
            "path": str(each.path) if each.path else None,
            "fails_alike": not each.why,
            "at_s": each.at_s,
            "repeat": list(each.repeat),
        }
    document["inputs"][f"scope {scope.name}"] = fingerprint(scope)
    return document
