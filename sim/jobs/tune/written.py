"""What a tuning leaves on disk: a parameter file, and each step's nearest corner as a scenario (row 4)."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path

import yaml

import sim
from sim.base.errors import Fault, InputError, one_line
from sim.base.files import read_text, write_text
from sim.bench.control import load_controller
from sim.jobs.trials import Corner
from sim.jobs.tune.tuned import Step, Tuned
from sim.jobs.written import write_scenario

CAUTION = (
    "Found in simulation, which replaces no hardware interlock: keep guarded propellers, a tether, a second person and "
    "care with lithium packs."
)
WIDTH = 118
# Numbers of a corner that are told.
MOST_TOLD = 3


def edited(text: str, values: Mapping[str, int]) -> str:
    """A parameter file's text with some values changed where they stand, and new ones at its end.

    Everything else stays as it was, comments and blanks too.
    """
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    pairs = root.value if isinstance(root, yaml.MappingNode) else []
    spans = {key.value: (value.start_mark.index, value.end_mark.index) for key, value in pairs}
    for name, (start, end) in sorted(spans.items(), key=lambda span: -span[1][0]):
        if name in values:
            text = f"{text[:start]}{values[name]}{text[end:]}"
    rest = [f"{name}: {value}\n" for name, value in values.items() if name not in spans]
    return text + ("" if not rest or text.endswith("\n") else "\n") + "".join(rest)


def params_text(tuned: Tuned) -> str:
    """The parameter file: where its numbers come from on top, then the file that was tuned with them put in."""
    controller = tuned.ride.case.bench.controller
    if controller.params_path is None:
        values = {name: value for name, value in tuned.before.items() if name != "tick_us"} | dict(tuned.settings)
        body = "".join(f"{name}: {value}\n" for name, value in values.items())
    else:
        text = read_text(controller.params_path, "a parameter file")
        changed = {name: value for name, value in tuned.settings.items() if value != tuned.before[name]}
        body = edited(text, changed)
    return "".join(f"# {one_line(line)}".rstrip() + "\n" for line in provenance(tuned)) + "\n" + body


def provenance(tuned: Tuned) -> list[str]:
    """Where the numbers come from, line by line."""
    bench = tuned.ride.case.bench
    fixed = ", ".join(f"{name} {value}" for name, value in tuned.fixed.items())
    told = [
        f"Tuned for {bench.vehicle.name} by drydive {sim.__version__}, engine {tuned.engine.name}, seed "
        f"{bench.scenario.seed}, lever held for {tuned.ride.hold_s:g} s.",
        *(f"{role} {short}" for role, short in tuned.inputs().items()),
        *([f"fixed: {fixed}"] if fixed else []),
        f"Every step was driven on {tuned.days} days, and on these corners:",
        *(f"- {described(corner)}" for corner in tuned.corners),
        CAUTION,
    ]
    return [line for text in told for line in _wrapped(text)]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ", break_long_words=False)


def described(corner: Corner) -> str:
    """A corner in words: its day, and the first of the vehicle's numbers that are not as filed, the worst."""
    numbers = [f"{key} {value:.4g}" for key, value in corner.vehicle_set.items()]
    more = f" and {len(numbers) - MOST_TOLD} more at a bad end" if len(numbers) > MOST_TOLD else ""
    return f"{corner.name}; {', '.join(numbers[:MOST_TOLD]) or 'the numbers as filed'}{more}"


def write(tuned: Tuned, folder: Path, stem: str) -> list[Path]:
    """Write the parameter file and the scenarios of the steps; the paths written.

    Raises
    ------
    InputError
        A place that cannot be written to, or a parameter file that cannot be changed in place.
    """
    params = folder / f"{stem}.tuned.yaml"
    write_text(params, params_text(tuned))
    _require_read_back(tuned, params)
    paths = [params]
    for step in tuned.steps:
        if step.binding is not None:
            paths.append(folder / f"{stem}.step_{step.number}.scenario.yaml")
            _write_step(tuned, step, step.binding.corner, params, paths[-1])
    return paths


def _require_read_back(tuned: Tuned, params: Path) -> None:
    """Refuse a parameter file that does not say what was found: one whose values stand elsewhere, by anchors."""
    scenario = tuned.ride.case.bench.scenario
    read = load_controller(scenario.controller, scenario.tick_us, str(params.resolve())).params._asdict()
    wanted = {**tuned.before, **tuned.settings}
    faults = [
        Fault(str(params), name, f"{wanted[name]} once changed in place, so no anchors in the file tuned", f"{value}")
        for name, value in read.items()
        if value != wanted[name]
    ]
    if faults:
        raise InputError(faults)


def _write_step(tuned: Tuned, step: Step, corner: Corner, params: Path, path: Path) -> None:
    """A step at its nearest corner, which `drydive run` runs bit for bit as it was driven here.

    The ride never changes the step, so every step is given this one's cap.
    """
    entry = tuned.ride.entry.model_copy(
        update={
            "name": f"step {step.number}: {corner.name}",
            "params": str(params.resolve()),
            "params_set": dict.fromkeys(tuned.knobs.caps, step.cap_permille),
            "water": corner.water,
            "pack": corner.pack,
            "attitude": corner.attitude,
            "vehicle_set": dict(corner.vehicle_set),
        }
    )
    near = step.binding.limit if step.binding is not None else ""
    write_scenario(entry, path, path.parent, f"Step {step.number} of {params.name} where {near} is nearest.")
