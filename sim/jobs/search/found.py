"""What a search leaves: how near every requirement came to breaking, and the scenarios that show it (row 4)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sim.base.document import composed
from sim.bench.scenario import Scenario
from sim.jobs.case import Case, CaseFile, Judged, RequirementFile, StandardEntry
from sim.jobs.result import judged_json
from sim.jobs.written import write_scenario
from sim.verdict.requirement import Requirement, Verdict


@dataclass(frozen=True, slots=True)
class Line:
    """One requirement over all runs.

    verdict : on the run that came nearest to breaking it, or broke it; none where no run was ever judged.
    share : its margin as a share of the margin at rest, or of the requirement's own scale; none without a margin.
    scenario : that run's.
    run : which it was, from 1; 0 is the scenario as filed.
    runs, tried : how many runs were judged on it, and in how many of those it was tried at all.
    tries : runs spent to make the scenario simple; 0 where that was not done.
    """

    requirement: Requirement
    verdict: Verdict | None
    share: float | None
    scenario: Scenario
    run: int
    runs: int
    tried: int
    tries: int = 0

    @property
    def id(self) -> str:
        """Of the requirement."""
        return self.requirement.id

    @property
    def broken(self) -> bool:
        """Whether a run broke it."""
        return self.verdict is not None and self.verdict.verdict == "fail"

    @property
    def word(self) -> str:
        """fail where a run broke it, undecided where none tried it, else pass."""
        return "fail" if self.broken else "pass" if self.tried else "undecided"


@dataclass(frozen=True, slots=True)
class Crash:
    """A run in which the controller raised an error, made simple; fields as in `Line`."""

    why: str
    scenario: Scenario
    run: int
    tries: int = 0


@dataclass(frozen=True, slots=True)
class Search:
    """What a search came to.

    filed : the scenario as it stands in its file.
    varied : what was varied.
    lines : every requirement asked about, in order.
    crash : none where the controller never raised an error.
    runs, tries : how many runs looked for something, and how many made it simple.
    seed : of the search.
    """

    case: Case
    filed: Judged
    varied: tuple[str, ...]
    lines: tuple[Line, ...]
    crash: Crash | None
    runs: int
    tries: int
    seed: int

    @property
    def broken(self) -> tuple[Line, ...]:
        """Those that a run broke."""
        return tuple(line for line in self.lines if line.broken)

    @property
    def closest(self) -> Line | None:
        """The requirement with the least share left, of those that are not broken; none where none has a margin."""
        return closest(self.lines)

    @property
    def verdict(self) -> str:
        """fail where anything was found, undecided where a requirement was never tried, else pass."""
        words = {line.word for line in self.lines} | ({"fail"} if self.crash else set())
        return next(word for word in ("fail", "undecided", "pass") if word in words)

    def write(self, folder: Path, stem: str) -> list[Path]:
        """Write what was found, and the closest, as scenario files that `drydive run` runs bit for bit alike.

        Returns
        -------
        list of Path
            One for each broken requirement in order, for the crash, and for the closest.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        paths = []
        closest = self.closest
        for line in (*self.broken, *([closest] if closest else ())):
            word = "Breaks" if line.broken else "Of all runs that break nothing this comes closest to"
            why = line.verdict.why if line.verdict else ""
            comment = f"Found by a search, run {line.run} of {self.runs}, seed {self.seed}. {word} {line.id}:\n{why}"
            path = folder / f"{stem}.{'found' if line.broken else 'closest'}.{line.id}.scenario.yaml"
            name = f"{self.case.bench.scenario.name}: {line.id}"
            self._write(only(self.case, line.scenario, line.id), name, line.requirement.says, path, comment)
            paths.append(path)
        if self.crash is not None:
            path = folder / f"{stem}.found.error.scenario.yaml"
            comment = f"Found by a search, run {self.crash.run} of {self.runs}, seed {self.seed}:\n{self.crash.why}"
            name = f"{self.case.bench.scenario.name}: the controller raises an error"
            self._write(self.crash.scenario, name, "", path, comment)
            paths.append(path)
        return paths

    def _write(self, scenario: Scenario, name: str, says: str, path: Path, comment: str) -> None:
        named = scenario.model_copy(update={"name": name, "says": says})
        write_scenario(named, path, self.case.bench.path.parent, comment)

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        filed = judged_json(self.filed)
        closest = self.closest
        crash = self.crash
        return {
            "verdict": self.verdict,
            "requirements": [_line_json(line) for line in self.lines],
            "closest": closest and closest.id,
            "error": crash and {"why": crash.why, "run": crash.run, "scenario": scenario_json(crash.scenario)},
            "varied": list(self.varied),
            "runs": self.runs,
            "tries": self.tries,
            "seed": self.seed,
            **{key: filed[key] for key in ("engine", "versions", "inputs")},
        }


def closest(lines: tuple[Line, ...]) -> Line | None:
    """See `Search.closest`."""
    near = [line for line in lines if line.share is not None and not line.broken]
    return min(near, key=lambda line: line.share or 0.0, default=None)


def only(case: Case, scenario: Scenario, wanted: str) -> Scenario:
    """The scenario held against one of its requirements alone, wherever that stood."""
    assert isinstance(scenario, CaseFile)
    own = tuple(entry for entry in scenario.requirements if entry.id == wanted)
    if not own and scenario.requirements_from is not None:
        path = case.bench.path.parent / scenario.requirements_from
        data, _, _ = composed(path, "a requirements file")
        own = tuple(entry for entry in RequirementFile.model_validate(data).requirements if entry.id == wanted)
    limits = scenario.standard.limits if scenario.standard else {}
    standard = None if own else StandardEntry(take=(wanted,), limits=limits)
    return scenario.model_copy(update={"requirements": own, "requirements_from": None, "standard": standard})


SHOWN = ("water", "pack", "attitude", "vehicle_set", "rider", "faults", "seed", "duration_s")


def scenario_json(scenario: Scenario) -> dict[str, Any]:
    """What of a scenario a search may change, as in its file."""
    data: dict[str, Any] = scenario.model_dump(mode="json", exclude_none=True)
    return {key: data[key] for key in SHOWN}


def _line_json(line: Line) -> dict[str, Any]:
    verdict = line.verdict
    return {
        "id": line.id,
        "verdict": line.word,
        "margin": verdict and verdict.margin,
        "unit": verdict and verdict.unit,
        "share": line.share,
        "at_s": verdict and verdict.at_s,
        "why": verdict and verdict.why,
        "run": line.run,
        "runs": line.runs,
        "tried": line.tried,
        "scenario": scenario_json(line.scenario),
    }
