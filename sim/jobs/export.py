"""A controller carried to the chip: C, its parameters, a main loop, and vectors that try it there (row 4)."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from hashlib import sha256
from math import ceil
from pathlib import Path
from types import FunctionType

import sim
from controllers.board import Command, Inputs
from sim.base.caution import CAUTION
from sim.base.errors import Fault, InputError
from sim.base.files import read_text, written_whole
from sim.bench.control import Controller, Watched
from sim.chip.example import EXAMPLE, example_text
from sim.chip.translate import HEADER, PARAMS, SOURCE, Translation, header_text, params_text, source_text, translate
from sim.chip.tree import leaves
from sim.chip.vectors import TEST, VECTORS, test_text, vectors_text
from sim.jobs.export_runs import vectors_of

# A controller without a tick of its own is tried at this one.
TICK_US = 1000
# The most ticks of each run that becomes a vector.
TICKS_MAX = 200_000

UNITS = {
    "counts": "counts of the converter",
    "mv": "mV",
    "ma": "mA",
    "ms": "ms",
    "us": "us",
    "permille": "permille",
    "rpm": "turns a minute",
}


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written.

    ranges : of each field of the command, lowest and highest, proved for any inputs.
    origin : where it comes from, in lines, as each file says it.
    """

    controller: Controller
    files: tuple[Path, ...]
    ranges: Mapping[str, tuple[int, int]]
    origin: tuple[str, ...]

    @property
    def source(self) -> Path:
        """The C file."""
        return next(path for path in self.files if path.name == SOURCE)


def export(controller: Controller, out: Path, checked: Path | None = None, ticks_max: int = TICKS_MAX) -> Exported:
    """Write a controller as C, all files or none.

    Parameters
    ----------
    controller : with the parameters that become constants, and its control tick among them.
    out : the folder.
    checked : the JSON of a `check` that this controller passed.
    ticks_max : the most ticks of each run that becomes a vector; fewer make the vectors smaller.

    Raises
    ------
    InputError
        A controller that is C already; what the accepted style leaves out or what could leave 32 bits, with its place;
        a check of something else; a folder that cannot be written to.
    ControllerError
        It fails in one of Moorhen's scenarios.

    Notes
    -----
    The vectors are Moorhen's scenarios with this controller, and random inputs up to the ends of 32 bits. They show
    that the C does on the chip what the Python did on the desk; whether that is right, the check shows.
    """
    if controller.in_c:
        raise InputError([Fault("", "controller", "a controller in Python", f"{controller.path.name}, which is C")])
    step = controller.step.bare if isinstance(controller.step, Watched) else controller.step
    translation = translate(controller.initial, step, controller.params)
    origin = _origin(controller, checked)
    tick_us = getattr(controller.params, "tick_us", None)
    tick = f"{tick_us} microseconds" if tick_us else "as long as the controller expects"
    words = {"mode": controller.modes, "reason": controller.reasons}
    stated = {f"{name.removesuffix('_s')}_ms": ceil(1000 * value) for name, value in controller.stated_s().items()}
    vectors = vectors_of(controller, step, tick_us or TICK_US, ticks_max)
    texts = {
        HEADER: header_text(translation, _banner("The controller's interface.", origin), words, stated),
        SOURCE: source_text(translation, _banner("The controller.", origin)),
        PARAMS: params_text(translation, _banner("The controller's parameters.", origin), _remarks(controller)),
        EXAMPLE: example_text(_banner("A main loop to start from; make it yours.", origin, edit=True), tick),
        VECTORS: vectors_text(vectors, Inputs, Command, _banner("Test vectors.", origin)),
        TEST: test_text(_banner("Plays the test vectors back, on a desk or on the chip.", origin)),
    }
    with ExitStack() as stack:
        for name, text in texts.items():
            stack.enter_context(written_whole(out / name)).write_text(text, encoding="utf-8")
    files = tuple(out / name for name in texts)
    return Exported(controller, files, _ranges(translation), tuple(origin))


def _ranges(translation: Translation) -> dict[str, tuple[int, int]]:
    """The proved range of each field of the command."""
    names = leaves(translation.program.command)
    return {name: (reach.low, reach.high) for name, reach in zip(names, translation.proof.command, strict=True)}


def _banner(what: str, origin: Sequence[str], edit: bool = False) -> list[str]:
    by_hand = "" if edit else " Do not edit it: change the Python, check it, and export again."
    return [f"{what} Made by drydive {sim.__version__}.{by_hand}", "", *origin, "", CAUTION]


def _origin(controller: Controller, checked: Path | None) -> list[str]:
    """Where it all comes from, as far as one can say so in a few lines."""
    said = [f"controller: {controller.path.name}, fingerprint {controller.fingerprint()}"]
    if controller.params_path is not None:
        digest = sha256(controller.params_path.read_bytes()).hexdigest()[:12]
        said.append(f"parameters: {controller.params_path.name}, SHA-256 {digest}")
    if hasattr(controller.params, "tick_us"):
        said.append(f"control tick: {controller.params.tick_us} us")
    return [*said, *(_passed(controller, checked) if checked else ["check: none was given"])]


def _passed(controller: Controller, checked: Path) -> list[str]:
    """What a check says of this very controller with these very parameters."""
    text = read_text(checked, "the JSON of drydive check")
    try:
        document = json.loads(text)
        results = document.get("scenarios", [document])
        role, mine = f"controller {controller.name}", controller.fingerprint()
        seen = {str(each.get("inputs", {}).get(role)) for each in results}
        tried = [each for each in results if each.get("inputs", {}).get(role) == mine]
        verdicts = [(str(each.get("path", each.get("name", "a scenario"))), str(each["verdict"])) for each in tried]
    except (ValueError, AttributeError, TypeError, KeyError) as error:
        raise InputError([Fault(str(checked), "", "the JSON of drydive check", f"{error}")]) from error
    if not tried:
        others = ", ".join(sorted(seen - {"None"}))
        got = f"fingerprints {others}" if others else "none of that name"
        raise InputError([Fault(str(checked), "", f"a check of {role} with fingerprint {mine}", got)])
    digest = sha256(checked.read_bytes()).hexdigest()[:12]
    failed = [f"{Path(path).name} ({verdict})" for path, verdict in verdicts if verdict != "pass"]
    said = [f"check: {checked.name}, SHA-256 {digest}, {len(tried) - len(failed)} of {len(tried)} scenarios passed"]
    return said + ([f"  NOT PASSED: {', '.join(failed)}"] if failed else [])


@dataclass(frozen=True, slots=True)
class _Note:
    """What a parameter file says of a parameter: comment lines above and behind it, and the value as written."""

    above: tuple[str, ...]
    behind: str
    written: str


def _remarks(controller: Controller) -> dict[str, list[str]]:
    """Comment lines for each parameter: what its file says, its unit, its range."""
    limits: Mapping[str, tuple[int, int]] = {}
    if isinstance(controller.initial, FunctionType):
        limits = controller.initial.__globals__.get("LIMITS", {})
    notes: dict[str, _Note] = {}
    if controller.params_path is not None:
        notes = dict(_notes(read_text(controller.params_path, "a parameter file")))
    found = {}
    for name, value in controller.params._asdict().items():
        note = notes.get(name, _Note((), "", str(value)))
        bounds = f"{limits[name][0]} to {limits[name][1]}" if name in limits else ""
        facts = ", ".join(part for part in (_unit(name), bounds) if part)
        if note.written != str(value):
            facts += f"; not the {note.written} of the file"
        found[name] = [*note.above, *([note.behind] if note.behind else []), *([f"[{facts}]"] if facts else [])]
    return found


def _unit(name: str) -> str:
    """The unit in a parameter's name."""
    return next((UNITS[part] for part in reversed(name.split("_")) if part in UNITS), "")


def _notes(text: str) -> Iterator[tuple[str, _Note]]:
    """What each line of a parameter file says of its parameter."""
    above: list[str] = []
    seen = False
    for line in text.splitlines():
        entry = re.match(r"(?P<key>\w+)\s*:\s*(?P<value>[^#\s]+)\s*(?:#\s*(?P<said>.*))?$", line)
        if entry:
            # What stands on top of the file is about the file.
            yield entry["key"], _Note(tuple(above) if seen else (), (entry["said"] or "").strip(), entry["value"])
            above, seen = [], True
        elif line.startswith("#"):
            above.append(line.lstrip("# ").rstrip())
        else:
            above, seen = [], True
