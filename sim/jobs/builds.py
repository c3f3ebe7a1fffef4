"""Which share of the builds that a vehicle file allows stays inside its limits (row 4).

A vehicle file gives most numbers with a tolerance. Each build draws every one
of them anew, makes the same dive, and is held against the same requirements.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError
from sim.base.files import written_whole
from sim.base.quantity import Toleranced
from sim.base.streams import stream
from sim.bench.engine import decided
from sim.bench.run import Bench, physics, with_overrides
from sim.jobs.case import Case, Judged, judge_case, on_engine, overall
from sim.jobs.corners import toleranced
from sim.jobs.result import judged_json
from sim.jobs.shares import Matter, Share, matters, share, stats
from sim.jobs.trials import Trial, as_filed, at, held_against, tried, usual_workers, write_corner
from sim.verdict.requirement import Verdict

Progress = Callable[[int], None]
COUNT = 200
"""Builds drawn unless told otherwise: where all are inside, at least 98.1 % are, with 95 % confidence."""

# The worst builds first.
ORDER = ("error", "fail", "undecided", "pass")


@dataclass(frozen=True, slots=True)
class Build:
    """One build and what became of it.

    number : its place in the draw, from 1.
    numbers : every toleranced number of the vehicle as drawn, by dotted key.
    """

    number: int
    numbers: Mapping[str, float]
    trial: Trial

    @property
    def verdict(self) -> str:
        """pass, fail, undecided, or error where the controller crashed; only a pass is inside."""
        return "error" if self.trial.crash else overall(self.trial.verdicts)

    def on(self, requirement: str) -> Verdict | None:
        """The verdict on a requirement; none where it was not judged."""
        return next((verdict for verdict in self.trial.verdicts if verdict.id == requirement), None)

    def margin(self, requirement: str) -> float | None:
        """The margin of a requirement; none where it has none."""
        verdict = self.on(requirement)
        return verdict.margin if verdict else None


@dataclass(frozen=True, slots=True)
class Line:
    """One requirement over all builds.

    verdict : fail where a build fails it or crashed, else undecided where it is so in one.
    filed : its verdict with the numbers as the vehicle file has them; none where it was not judged.
    margins : of each build, in order; none where it has none.
    worst : number of the build with the lowest margin; none without margins.
    moves : what its margin ranks with; empty where it does not move.
    breaks : what being broken ranks with, above 0 where high numbers break it; empty where all builds are alike.
    """

    id: str
    unit: str
    verdict: str
    share: Share
    filed: Verdict | None
    margins: tuple[float | None, ...]
    worst: int | None
    moves: tuple[Matter, ...]
    breaks: tuple[Matter, ...]

    @property
    def known(self) -> NDArray[np.float64]:
        """The margins there are."""
        return np.array([margin for margin in self.margins if margin is not None])


@dataclass(frozen=True, slots=True)
class Builds:
    """What became of all builds.

    filed : the run with the numbers as the vehicle file has them.
    bands : every toleranced number, by dotted key.
    builds : in the order in which they were drawn, at least one.
    impossible : how many draws were passed over because their numbers contradict each other.
    worst, nearest : the worst build, and the requirement that it is nearest to by its margin; empty without any.
    at_least : the share asked for; without one every build has to be inside.
    """

    case: Case
    filed: Judged
    bands: Mapping[str, Toleranced]
    builds: tuple[Build, ...]
    impossible: int
    share: Share
    lines: tuple[Line, ...]
    worst: Build
    nearest: str
    at_least: float | None

    @property
    def verdict(self) -> str:
        """Whether every build is inside; or, where a share is asked for, whether that share is shown."""
        if self.at_least is not None:
            return "pass" if self.share.low >= self.at_least else "fail"
        words = {build.verdict for build in self.builds}
        return "fail" if words & {"error", "fail"} else "undecided" if "undecided" in words else "pass"

    def tally(self) -> dict[str, int]:
        """How many builds of each verdict, the worst first."""
        return {word: sum(build.verdict == word for build in self.builds) for word in ORDER}

    def write(self, build: Build, path: Path) -> None:
        """Write a build as a scenario file, which `drydive run` runs bit for bit alike.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        failed = [f"{each.id}: {each.why}" for each in build.trial.verdicts if each.verdict == "fail"]
        comment = "\n".join([f"Build {build.number} of {len(self.builds)} drawn: {build.verdict}.", *failed])
        bench = self.case.bench
        write_corner(bench, as_filed(bench.scenario, f"build {build.number}", build.numbers), path, comment)

    def write_csv(self, path: Path) -> None:
        """Write every build as a row: verdict, what failed, each number drawn, each margin.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        lines = [line for line in self.lines if line.known.size]
        heads = [line.id if line.unit == "1" else f"{line.id} ({line.unit})" for line in lines]
        with written_whole(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as handle:
            writer = csv.writer(handle, lineterminator="\n")
            writer.writerow(("build", "verdict", "failed", *self.bands, *heads))
            for build in self.builds:
                failed = " ".join(each.id for each in build.trial.verdicts if each.verdict == "fail")
                margins = (build.margin(line.id) for line in lines)
                writer.writerow((build.number, build.verdict, failed, *build.numbers.values(), *margins))

    def as_json(self) -> dict[str, Any]:
        """Plain data; every build is in the CSV instead."""
        filed = judged_json(self.filed)
        return {
            "verdict": self.verdict,
            "builds": self.share.as_json() | {"at_least": self.at_least, "impossible": self.impossible} | self.tally(),
            "requirements": [_line_json(line) for line in self.lines],
            "worst": {
                "build": self.worst.number,
                "verdict": self.worst.verdict,
                "crash": self.worst.trial.crash,
                "requirements": [_verdict_json(verdict) for verdict in self.worst.trial.verdicts],
                "vehicle_set": dict(self.worst.numbers),
            },
            "quantities": {key: {"low": band.low, "high": band.high} for key, band in self.bands.items()},
            **{key: filed[key] for key in ("seed", "engine", "versions", "inputs")},
        }


def builds(
    case: Case,
    count: int = COUNT,
    at_least: float | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Builds:
    """Draw builds, run each, and say which share is inside; the same bit for bit however it is run.

    Parameters
    ----------
    case : the scenario's seed seeds the draw too; all builds make the same dive, its chance included.
    count : builds, at least 1. More builds of the same seed begin with the same ones.
    at_least : the share that must be shown, see `Builds.verdict`.
    executor : any of ``concurrent.futures``' kind; a process for each core without one.
    progress : called with the builds done.

    Raises
    ------
    InputError
        No tolerances, no requirements, or tolerances that hardly ever make a vehicle; SciPy is not installed.
    ControllerError
        The controller raised with the numbers as the file has them.
    """
    stats()
    held_against(case)
    bands = toleranced(case.bench.vehicle)
    drawn, impossible = draw(case.bench, bands, count)
    scenario = case.bench.scenario
    ticks = count * (scenario.duration_us // scenario.tick_us) // usual_workers(count)
    case = on_engine(case, decided(case.bench.engine, ticks))
    filed = judge_case(case)
    corners = [as_filed(scenario, f"build {number}", numbers) for number, numbers in drawn.items()]
    trials = tried(case, corners, executor, progress)
    made = tuple(Build(*each, trial) for each, trial in zip(drawn.items(), trials, strict=True))
    columns = {key: np.array([build.numbers[key] for build in made]) for key in bands}
    ids = [each.id for each in case.requirements]
    lines = tuple(line for each in ids if (line := _line(each, filed, made, columns)) is not None)
    inside = share(sum(build.verdict == "pass" for build in made), len(made))
    return Builds(case, filed, bands, made, impossible, inside, lines, *worst(made), at_least)


def draw(bench: Bench, bands: Mapping[str, Toleranced], count: int) -> tuple[dict[int, dict[str, float]], int]:
    """Builds by their number, and how many draws were passed over.

    Every quantity is uniform from end to end of its tolerance and independent
    of the others, and has a stream of its own: a tolerance given to one more
    quantity changes none of the others' numbers.

    Raises
    ------
    InputError
        No tolerances; or more than half of the draws make no vehicle, as where two limits that must not cross overlap.
    """
    if not bands:
        expected = "numbers with a tolerance, such as '1.2 +- 10%'"
        raise InputError([Fault(str(bench.vehicle_path), "", expected, "none")])
    # Plain draws, not stratified ones: the interval of the share holds for independent builds only.
    most = 2 * count + 10
    columns = {key: uniform(bench.scenario.seed, key, band, most).tolist() for key, band in bands.items()}
    found: dict[int, dict[str, float]] = {}
    fault = ""
    for number in range(1, most + 1):
        numbers = {key: column[number - 1] for key, column in columns.items()}
        try:
            with_overrides(bench.vehicle, numbers, str(bench.path))
            physics(at(bench, as_filed(bench.scenario, "", numbers)))
        except InputError as error:
            fault = fault or f"{error.faults[0].key} {error.faults[0].got}"
            continue
        found[number] = numbers
        if len(found) == count:
            return found, number - count
    expected = "tolerances of which at least half of the combinations make a vehicle"
    raise InputError(
        [Fault(str(bench.vehicle_path), "", expected, f"{most - len(found)} of {most} that make none: {fault}")]
    )


def uniform(seed: int, key: str, band: Toleranced, count: int) -> NDArray[np.float64]:
    """Values of a quantity, shape (count,), uniform from end to end of its tolerance."""
    values = stream(seed, f"build {key}").uniform(band.low, band.high, count)
    # The last bit of a rounded sum may reach over the end.
    return np.clip(values, band.low, band.high)


def worst(made: Sequence[Build]) -> tuple[Build, str]:
    """The build nearest to failing, or the furthest beyond it, the first of equals; and by which requirement.

    Margins of different units are told by how far each spreads over the
    builds; one that does not move at all tells no build from another.
    """
    spans: dict[str, float] = {}
    for name in dict.fromkeys(verdict.id for build in made for verdict in build.trial.verdicts):
        known = [margin for build in made if (margin := build.margin(name)) is not None]
        spans[name] = float(np.ptp(known)) if known else 0.0

    def nearness(build: Build) -> tuple[int, float, str]:
        rated = [
            (verdict.margin / spans[verdict.id], verdict.id)
            for verdict in build.trial.verdicts
            if verdict.margin is not None and spans[verdict.id] > 0.0
        ]
        return ORDER.index(build.verdict), *min(rated, default=(0.0, ""))

    found = min(made, key=lambda build: nearness(build)[:2])
    return found, nearness(found)[2]


def _line(
    requirement: str, filed: Judged, made: Sequence[Build], columns: Mapping[str, NDArray[np.float64]]
) -> Line | None:
    """A requirement over all builds; none where no build was judged by it."""
    verdicts = [verdict for build in made if (verdict := build.on(requirement)) is not None]
    if not verdicts:
        return None
    margins = tuple(build.margin(requirement) for build in made)
    ranked = [(margin, build.number) for margin, build in zip(margins, made, strict=True) if margin is not None]
    crashed = sum(bool(build.trial.crash) for build in made)
    return Line(
        id=requirement,
        unit=verdicts[0].unit,
        verdict="fail" if crashed else overall(verdicts),
        share=share(sum(verdict.verdict == "pass" for verdict in verdicts), len(verdicts) + crashed),
        filed=next((verdict for verdict in filed.verdicts if verdict.id == requirement), None),
        margins=margins,
        worst=min(ranked)[1] if ranked else None,
        moves=matters(columns, margins),
        breaks=matters(columns, [_broken(build, requirement) for build in made]),
    )


def _broken(build: Build, requirement: str) -> float | None:
    """1 where a build breaks a requirement, 0 where it keeps it."""
    verdict = build.on(requirement)
    if verdict is None or verdict.verdict == "undecided":
        return None
    return 1.0 if verdict.verdict == "fail" else 0.0


def _line_json(line: Line) -> dict[str, Any]:
    known = line.known
    return {
        "id": line.id,
        "verdict": line.verdict,
        "unit": line.unit,
        **line.share.as_json(),
        "margin_filed": line.filed.margin if line.filed else None,
        "margin_least": float(known.min()) if known.size else None,
        "margin_median": float(np.median(known)) if known.size else None,
        "worst_build": line.worst,
        "moves": [each._asdict() for each in line.moves],
        "breaks": [each._asdict() for each in line.breaks],
    }


def _verdict_json(verdict: Verdict) -> dict[str, Any]:
    return {name: getattr(verdict, name) for name in ("id", "verdict", "margin", "unit", "at_s", "why")}
