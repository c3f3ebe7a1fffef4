"""A scenario with the requirements it is held against, read and judged (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

from pydantic import model_validator

from sim.base.document import Entry, Marks, checked, composed, refusal
from sim.base.errors import Fault, InputError
from sim.bench import run as bench
from sim.bench.loop import RECORDED
from sim.bench.scenario import Scenario
from sim.verdict.entry import RequirementEntry
from sim.verdict.place import Place
from sim.verdict.requirement import Requirement, Verdict, faults_of, judge

SIGNALS = (*RECORDED, *bench.RIDER_COLUMNS, *bench.LEAKS, *bench.DERIVED)
"""Every signal that a requirement on a run may name."""


class CaseFile(Scenario):
    """The whole scenario file; `requirements_from` names a file of more requirements."""

    requirements: tuple[RequirementEntry, ...] = ()
    requirements_from: str | None = None

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        distinct(self.requirements)
        return self


class RequirementFile(Entry):
    """A file of requirements alone."""

    requirements: tuple[RequirementEntry, ...]

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        distinct(self.requirements)
        return self


@dataclass(frozen=True, slots=True)
class Case:
    """A bench set up, and what its run must fulfil."""

    bench: bench.Bench
    requirements: tuple[Requirement, ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """A run and the verdict on each requirement."""

    run: bench.Run
    requirements: tuple[Requirement, ...]
    verdicts: tuple[Verdict, ...]


def distinct(entries: Sequence[RequirementEntry]) -> None:
    """Refuse an id that stands twice.

    Raises
    ------
    PydanticCustomError
    """
    ids = [entry.id for entry in entries]
    if twice := sorted({name for name in ids if ids.count(name) > 1}):
        raise refusal("each requirement id once", ", ".join(twice))


def load_case(path: Path) -> Case:
    """A scenario file with all that it names.

    Raises
    ------
    InputError
        Every fault of the scenario; or, if it has none, every fault of what it names.
    """
    data, marks, faults = composed(path, "a scenario file")
    if faults:
        raise InputError(faults)
    entry = checked(path, data, marks, CaseFile)
    read, faults = read_requirements(entry.requirements, str(path), marks)
    try:
        if entry.requirements_from is not None:
            read = (*load_requirements(path.parent / entry.requirements_from), *read)
        ready = bench.set_up(entry, path)
    except InputError as error:
        raise InputError([*faults, *error.faults]) from error
    limits = ready.vehicle.limits()
    faults += [fault for requirement in read for fault in faults_of(requirement, SIGNALS, limits)]
    if faults:
        raise InputError(faults)
    return Case(ready, read)


def load_requirements(path: Path) -> tuple[Requirement, ...]:
    """A file of requirements alone.

    Raises
    ------
    InputError
        Every fault with its line.
    """
    data, marks, faults = composed(path, "a requirements file")
    if faults:
        raise InputError(faults)
    entry = checked(path, data, marks, RequirementFile)
    read, faults = read_requirements(entry.requirements, str(path), marks)
    if faults:
        raise InputError(faults)
    return read


def read_requirements(
    entries: Sequence[RequirementEntry], path: str, marks: Marks
) -> tuple[tuple[Requirement, ...], list[Fault]]:
    """The formulas of requirement entries read, and every fault found in them."""
    read: list[Requirement] = []
    faults: list[Fault] = []
    for index, entry in enumerate(entries):
        base: tuple[Any, ...] = ("requirements", index)
        places = {
            key: Place(path, f"requirements[{index}].{key}", *marks[(*base, key)])
            for key in type(entry).model_fields
            if (*base, key) in marks
        }
        try:
            read.append(entry.requirement(path, places))
        except InputError as error:
            faults += error.faults
    return tuple(read), faults


def judge_case(case: Case, progress: Callable[[int], None] | None = None) -> Judged:
    """Run a case and judge it.

    Raises
    ------
    ControllerError
    """
    run = bench.simulate(case.bench, progress)
    verdicts = tuple(judge(requirement, run.table, run.limits) for requirement in case.requirements)
    return Judged(run, case.requirements, verdicts)


def overall(verdicts: Sequence[Verdict]) -> str:
    """One word for many: any failure fails, and nothing passes that is not decided."""
    words = {verdict.verdict for verdict in verdicts}
    if "fail" in words:
        return "fail"
    return "undecided" if "undecided" in words or not words else "pass"


def reseeded(case: Case, seed: int) -> Case:
    """The same case under another seed."""
    scenario = case.bench.scenario.model_copy(update={"seed": seed})
    return Case(replace(case.bench, scenario=scenario), case.requirements)
