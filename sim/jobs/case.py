"""A scenario with the requirements it is held against, read and judged (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, ValidationError, model_validator

from sim.base.document import Entry, Marks, checked, composed, placed, refusal, spot_in_scalar
from sim.base.errors import Fault, InputError
from sim.base.files import read_text
from sim.bench import run as bench
from sim.bench.control import load_controller
from sim.bench.loop import RECORDED
from sim.bench.scenario import Scenario
from sim.verdict.catalogue import CATALOGUE, load_catalogue
from sim.verdict.entry import RequirementEntry
from sim.verdict.place import Place
from sim.verdict.requirement import Requirement, Verdict, faults_of, judge

# How a verdict on what had no occasion begins.
NEVER_TRIED = "never tried"

SIGNALS = (*RECORDED, *bench.RIDER_COLUMNS, *bench.LEAKS, *bench.DERIVED)
"""Every signal that a requirement on a run may name."""


def in_full(given: object) -> object:
    """`standard: all` is short for a mapping that leaves nothing out."""
    if given == "all":
        return {}
    if isinstance(given, str):
        raise refusal("all, or a mapping of take, without, limits", given)
    return given


class StandardEntry(Entry):
    """Requirements of the catalogue: all that apply, or those taken, with other limits."""

    take: tuple[str, ...] | None = None
    without: tuple[str, ...] = ()
    limits: Mapping[str, float] = {}


class CaseFile(Scenario):
    """The whole scenario file; `requirements_from` names a file of more requirements."""

    requirements: tuple[RequirementEntry, ...] = ()
    requirements_from: str | None = None
    standard: Annotated[StandardEntry | None, BeforeValidator(in_full)] = None

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
    limits: Mapping[str, float]
    sources: tuple[Path, ...] = ()  # files of requirements beside the scenario's own
    optional: frozenset[str] = frozenset()  # ids that came with "all that apply", and may go untried


@dataclass(frozen=True, slots=True)
class Judged:
    """A run and the verdict on each requirement.

    untried : ids of the catalogue's requirements that applied, but whose occasion never came.
    """

    run: bench.Run
    requirements: tuple[Requirement, ...]
    verdicts: tuple[Verdict, ...]
    untried: tuple[str, ...] = ()
    sources: tuple[Path, ...] = ()

    def inputs(self) -> dict[str, str]:
        """Each input by role, with a short hash of its contents."""
        files = {f"requirements {path.name}": bench.fingerprint(path) for path in self.sources}
        return self.run.inputs() | files


def distinct(entries: Sequence[RequirementEntry]) -> None:
    """Refuse an id that stands twice, at the second.

    Raises
    ------
    PydanticCustomError
    """
    for index, entry in enumerate(entries):
        if entry.id in (before.id for before in entries[:index]):
            raise refusal("each requirement id once", entry.id, "requirements", index, "id")


def load_case(path: Path) -> Case:
    """A scenario file with all that it names.

    Raises
    ------
    InputError
        Every fault of the scenario; or, if it has none, every fault of what it names.
    """
    data, marks, faults = composed(path, "a scenario file")
    read, broken = read_requirements(data, path, marks)
    entry = checked(path, data, marks, CaseFile, [*faults, *broken], "a scenario file")
    found: list[Fault] = []
    limits: Mapping[str, float] = {}
    optional: frozenset[str] = frozenset()
    shared: tuple[Requirement, ...] = ()
    with kept(found):
        if entry.requirements_from is not None:
            shared = load_requirements(path.parent / entry.requirements_from)
            read = (*shared, *read)
            found += _twice(shared, entry.requirements)
    with kept(found):
        ready = bench.set_up(entry, path)
        limits = ready.vehicle.limits() | ready.controller.stated_s()
        found += [fault for requirement in read for fault in faults_of(requirement, SIGNALS, limits)]
        if entry.standard is not None:
            standard, limits = standard_requirements(entry.standard, limits)
            optional = frozenset(requirement.id for requirement in standard if entry.standard.take is None)
            read = (*read, *standard)
            found += _twice(standard, entry.requirements, "the catalogue")
            found += _in_both(shared, standard)
    if found:
        # The vehicle is read first; what is wrong with the controller is said in the same breath.
        with kept(found):
            load_controller(entry.controller, entry.tick_us, entry.params, entry.params_set, path.parent)
        raise InputError(placed(dict.fromkeys(found), path, marks))
    shared_from = (path.parent / entry.requirements_from,) if entry.requirements_from is not None else ()
    sources = shared_from if entry.standard is None else (*shared_from, CATALOGUE)
    return Case(ready, read, limits, sources, optional)


def standard_requirements(
    entry: StandardEntry, limits: Mapping[str, float]
) -> tuple[tuple[Requirement, ...], Mapping[str, float]]:
    """The catalogue's requirements that an entry takes, and the limits with theirs.

    Raises
    ------
    InputError
        Unknown ids or limits, or requirements that do not apply.
    """
    chosen: Literal["all"] | tuple[str, ...] = "all" if entry.take is None else entry.take
    return load_catalogue().requirements(SIGNALS, limits, chosen, entry.without, entry.limits)


@contextmanager
def kept(found: list[Fault]) -> Iterator[None]:
    """Add the faults that end the block to those found, and go on."""
    try:
        yield
    except InputError as error:
        found += error.faults


def _twice(
    shared: Sequence[Requirement], own: Sequence[RequirementEntry], where: str = "requirements_from"
) -> list[Fault]:
    ids = {requirement.id for requirement in shared}
    return [
        Fault("", f"requirements[{index}].id", f"an id that is not in {where}", entry.id)
        for index, entry in enumerate(own)
        if entry.id in ids
    ]


def _in_both(shared: Sequence[Requirement], standard: Sequence[Requirement]) -> list[Fault]:
    ids = {requirement.id for requirement in standard}
    expected = "no id that standard takes as well (standard.without leaves it out)"
    return [Fault("", "requirements_from", expected, each.id) for each in shared if each.id in ids]


def load_requirements(path: Path) -> tuple[Requirement, ...]:
    """A file of requirements alone.

    Raises
    ------
    InputError
        Every fault with its line.
    """
    data, marks, faults = composed(path, "a requirements file")
    read, broken = read_requirements(data, path, marks)
    checked(path, data, marks, RequirementFile, [*faults, *broken], "a requirements file")
    return read


def read_requirements(data: object, path: Path, marks: Marks) -> tuple[tuple[Requirement, ...], list[Fault]]:
    """The formulas of a file's requirements read, and every fault found in them.

    An entry that is no requirement is passed over: the file's model says what is wrong with it.
    """
    entries = data.get("requirements") if isinstance(data, dict) else None
    read: list[Requirement] = []
    faults: list[Fault] = []
    for index, given in enumerate(entries if isinstance(entries, list) else []):
        try:
            entry = RequirementEntry.model_validate(given)
        except ValidationError:
            continue
        base = ("requirements", index)
        places = {
            key: Written(str(path), f"requirements[{index}].{key}", *marks[(*base, key)], text=str(given[key]))
            for key in type(entry).model_fields
            if (*base, key) in marks
        }
        try:
            read.append(entry.requirement(str(path), places))
        except InputError as error:
            faults += error.faults
    return tuple(read), faults


@dataclass(frozen=True, slots=True)
class Written(Place):
    """Where a text stands that may be quoted, or run over several lines of its file."""

    text: str = ""

    def fault(self, offset: int, expected: str, got: str) -> Fault:
        """A fault `offset` characters into the text, at the line and column of that character."""
        source = read_text(Path(self.path), "a requirements file")
        at = spot_in_scalar(source, (self.line or 1, self.column), self.text, offset)
        return Fault(self.path, self.key, expected, got, *at)


def judge_case(case: Case, progress: Callable[[int], None] | None = None) -> Judged:
    """Run a case and judge it.

    Raises
    ------
    ControllerError
    """
    run = bench.simulate(case.bench, progress)
    judged = [(requirement, judge(requirement, run.table, case.limits)) for requirement in case.requirements]
    untried = {
        verdict.id
        for _, verdict in judged
        if verdict.id in case.optional and verdict.verdict == "undecided" and verdict.why.startswith(NEVER_TRIED)
    }
    decided = [(requirement, verdict) for requirement, verdict in judged if verdict.id not in untried]
    return Judged(
        run,
        tuple(requirement for requirement, _ in decided),
        tuple(verdict for _, verdict in decided),
        tuple(sorted(untried)),
        case.sources,
    )


def overall(verdicts: Sequence[Verdict]) -> str:
    """One word for many: any failure fails, and nothing passes that is not decided."""
    words = {verdict.verdict for verdict in verdicts}
    if "fail" in words:
        return "fail"
    return "undecided" if "undecided" in words or not words else "pass"


def reseeded(case: Case, seed: int) -> Case:
    """The same case under another seed."""
    scenario = case.bench.scenario.model_copy(update={"seed": seed})
    return replace(case, bench=replace(case.bench, scenario=scenario))


def on_engine(case: Case, engine: str) -> Case:
    """The same case on an engine, one of ``bench.engine.CHOICES``."""
    return replace(case, bench=replace(case.bench, engine=engine))
