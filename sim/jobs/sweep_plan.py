"""A sweep read and checked: every case by its number, and what all cases have in common (row 4)."""

from __future__ import annotations

import platform
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

import sim
from sim.base.document import Marks, composed, placed
from sim.base.document import checked as checked_model
from sim.base.errors import Fault, InputError, did_you_mean
from sim.bench.control import SHIPPED
from sim.bench.run import fingerprint, recorded_inputs
from sim.jobs.case import SIGNALS, Case, CaseFile, Written, kept, load_case, standard_requirements
from sim.jobs.sweep_check import quantity_faults
from sim.jobs.sweep_file import ReportEntry, SweepFile
from sim.jobs.sweep_tree import place_of, with_value, without
from sim.jobs.sweep_values import Cases, Line, Quantity
from sim.jobs.written import write_scenario
from sim.verdict.measures import Measure, parse_measure
from sim.verdict.requirement import Requirement, margin_units

# What enters the physics alone: where only this differs, the tapes are the same.
QUICK = re.compile(
    r"(pack|params_set|controller|params|attitude|substeps|standard)\b"
    r"|vehicle_set\.(supply|pack|protection|leads|main_switch|esc|motor|propeller|hull|heat|converter|kill_cord)\."
)
# The code that a result depends on.
CODE = ("base/*", "world/*", "record/*", "bench/*", "verdict/*", "jobs/case.py", "jobs/sweep*.py")


@dataclass(frozen=True)
class Sweep:
    """A sweep ready to be run.

    Attributes
    ----------
    base : the scenario as its file has it.
    tree : that file as dicts, lists and text.
    requirements : the scenario's own, without the catalogue's.
    cases : which values its quantities take.
    margins, verdicts : ids of the requirements of which these are reported.
    measures : each reported measure by its name.
    inputs : each input by role, with a short hash of its contents.
    """

    path: Path
    says: str
    scenario_path: Path
    tree: Mapping[str, Any]
    base: Case
    requirements: tuple[Requirement, ...]
    cases: Cases
    margins: tuple[str, ...]
    verdicts: tuple[str, ...]
    measures: Mapping[str, Measure]
    inputs: Mapping[str, str]

    @property
    def name(self) -> str:
        """The file's name without its ending."""
        return self.path.name.removesuffix(".yaml").removesuffix(".sweep")

    def entry(self, case: int, judged: bool = False) -> CaseFile:
        """The scenario with the values of a case.

        Parameters
        ----------
        judged : with its requirements; those of the catalogue are always there.

        Raises
        ------
        InputError
            Values that make no scenario.
        """
        tree: Any = self.tree if judged else without(self.tree, "requirements", "requirements_from")
        for quantity, value in zip(self.cases.quantities, self.cases.values(case), strict=True):
            tree = with_value(tree, quantity.place, value)
        return checked_model(self.scenario_path, tree, {(): (1, 1)}, CaseFile)

    def position(self, place: int) -> int:
        """The case to run at a place in line: those with the same tapes stand beside each other."""
        return self.cases.at(place, [QUICK.match(each.key) is None for each in self.cases.quantities])

    def write(self, case: int, path: Path) -> None:
        """Write a case as a scenario file, which ``drydive run`` runs bit for bit alike.

        Raises
        ------
        InputError
            Values that make no scenario, or a place that cannot be written to.
        """
        try:
            entry = self.entry(case, judged=True)
        except InputError as error:
            # The values stand in no file.
            place = f"case {case + 1}: "
            told = [Fault(str(self.path), place + fault.key, fault.expected, fault.got) for fault in error.faults]
            raise InputError(told) from None
        values = zip(self.cases.quantities, self.cases.values(case), strict=True)
        comment = f"Case {case + 1} of {self.path.name}: " + ", ".join(f"{each.key} {value}" for each, value in values)
        named = entry.model_copy(update={"name": f"{entry.name}, case {case + 1}"})
        write_scenario(named, path, self.scenario_path.parent, comment)


def load_sweep(path: Path) -> Sweep:
    """A sweep file with all that it names.

    Raises
    ------
    InputError
        Every fault of the file, or of what it names. A value that is wrong by
        itself is one; values that do not go together are found when their case is run.
    """
    data, marks, faults = composed(path, "a sweep file")
    entry = checked_model(path, data, marks, SweepFile, faults, "a sweep file")
    scenario_path = path.parent / entry.scenario
    if not scenario_path.is_file():
        fault = Fault("", "scenario", "a scenario file", f"no such file: {scenario_path}")
        raise InputError(placed([fault], path, marks))
    base = load_case(scenario_path)
    tree, _, _ = composed(scenario_path, "a scenario file")
    quantities = tuple(Quantity(key, place_of(key), each.read()) for key, each in entry.quantities.items())
    found: list[Fault] = []
    for quantity in quantities:
        bare = without(tree, "requirements", "requirements_from")
        found += quantity_faults(quantity, entry.quantities[quantity.key], base, bare)
    margins, verdicts = (_ids(asked, key, base, found) for key, asked in _asked(entry.report))
    heads = ("case", "verdict", "reason", *entry.quantities)
    measures = _measures(entry.report, path, marks, base, heads, found)
    if found:
        raise InputError(placed(found, path, marks))
    draws = entry.draws
    cases = Cases(quantities, draws.count, draws.seed) if draws else Cases(quantities)
    inputs = _inputs(path, base, cases)
    own = own_requirements(base)
    return Sweep(path, entry.says, scenario_path, tree, base, own, cases, margins, verdicts, measures, inputs)


def own_requirements(base: Case) -> tuple[Requirement, ...]:
    """A scenario's requirements without those of the catalogue, which come last."""
    scenario = base.bench.scenario
    standard = scenario.standard if isinstance(scenario, CaseFile) else None
    added = len(standard_requirements(standard, base.limits)[0]) if standard else 0
    return base.requirements[: len(base.requirements) - added]


def _asked(report: ReportEntry) -> Iterator[tuple[str, tuple[str, ...] | None]]:
    yield "margins", report.margins
    yield "verdicts", report.verdicts


def _ids(asked: tuple[str, ...] | None, key: str, base: Case, found: list[Fault]) -> tuple[str, ...]:
    """The requirements asked for, in the order of the scenario; all where none are named."""
    known = [each.id for each in base.requirements if key == "verdicts" or margin_units(each.claim)]
    for index, name in enumerate(asked or ()):
        if name not in known:
            what = "a requirement of the scenario" + (" that has a margin" if key == "margins" else "")
            expected = f"{what}{did_you_mean(name, known)}"
            found.append(Fault("", f"report.{key}[{index}]", expected, f"'{name}'"))
    return tuple(name for name in known if asked is None or name in asked)


def _measures(
    report: ReportEntry, path: Path, marks: Marks, base: Case, heads: Sequence[str], found: list[Fault]
) -> dict[str, Measure]:
    """The measures read and checked; the heads of other columns are no names for them."""
    read = {}
    for name, text in report.measures.items():
        key = f"report.measures.{name}"
        if name in heads:
            found.append(Fault("", key, f"another name than {', '.join(heads)}", name))
        with kept(found):
            place = Written(str(path), key, *marks["report", "measures", name], text=text)
            read[name] = parse_measure(text, place)
            found += read[name].faults(SIGNALS, base.limits)
    return read


@lru_cache(maxsize=1)
def code() -> str:
    """A short hash of the code that a result depends on, the shipped controllers and their sets included."""
    package = Path(sim.__file__).parent
    found = [*SHIPPED.glob("*"), *(path for pattern in CODE for path in package.glob(pattern))]
    files = sorted(path for path in found if path.suffix in (".py", ".yaml"))
    return sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:12]


def _inputs(path: Path, base: Case, cases: Cases) -> dict[str, str]:
    """Everything that the rows depend on."""
    bench = base.bench
    found = {
        f"sweep {path.name}": fingerprint(path),
        f"scenario {bench.path.name}": fingerprint(bench.path),
        f"vehicle {bench.vehicle_path.name}": fingerprint(bench.vehicle_path),
        f"controller {bench.controller.name}": bench.controller.fingerprint(),
        **recorded_inputs(bench.scenario),
    }
    found |= {f"requirements {source.name}": fingerprint(source) for source in base.sources}
    for quantity in cases.quantities:
        if quantity.key in ("vehicle", "controller", "params") and not isinstance(quantity.values, Line):
            files = (bench.path.parent / str(value) for value in quantity.values.values)
            found |= {f"{quantity.key} {file}": fingerprint(file) for file in files if file.is_file()}
    versions = f"{sim.__version__} {code()}", platform.python_version(), f"{np.__version__} {platform.machine()}"
    return found | dict(zip(("drydive", "python", "numpy"), versions, strict=True))
