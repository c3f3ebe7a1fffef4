"""pytest collects ``*.scenario.yaml`` as tests, and gives Python tests a dive (row 5).

Installed with the package. Nothing of the harness is imported before a
scenario runs, so that other projects' test runs stay as quick as they were.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from sim.jobs.case import Judged

SUFFIX = ".scenario.yaml"


class ScenarioFailedError(Exception):
    """A requirement failed; carries the lines to show."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))


class ScenarioItem(pytest.Item):
    """One scenario as one test."""

    def runtest(self) -> None:
        """Run and judge it; what nothing decided is skipped, for it proves nothing."""
        from sim.face.junit import story
        from sim.jobs.check import run_one

        outcome = run_one(str(self.path))
        if outcome.verdict in ("fail", "error"):
            raise ScenarioFailedError(story(outcome))
        if outcome.verdict == "undecided":
            assert outcome.result is not None
            decided = [entry for entry in outcome.result["requirements"] if entry["verdict"] == "pass"]
            if not decided:
                pytest.skip("nothing was decided: " + "; ".join(story(outcome)))
            self.add_report_section("call", "undecided", "\n".join(story(outcome)))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """The sentences alone: a traceback through the harness would tell nothing."""
        if isinstance(excinfo.value, ScenarioFailedError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where it stands."""
        return self.path, None, f"scenario {self.name}"


class ScenarioFile(pytest.File):
    """A scenario file."""

    def collect(self) -> Iterable[ScenarioItem]:
        """Its one item, named as the file is."""
        yield ScenarioItem.from_parent(self, name=self.path.name.removesuffix(SUFFIX))


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> ScenarioFile | None:
    """Take scenario files, leave everything else."""
    if file_path.name.endswith(SUFFIX):
        made: ScenarioFile = ScenarioFile.from_parent(parent, path=file_path)
        return made
    return None


@pytest.fixture
def dive(request: pytest.FixtureRequest) -> Callable[..., Judged]:
    """A function that runs a scenario file, its path from the test's own folder, and returns the judged run.

    ``dive("my.scenario.yaml", seed=3)`` gives ``.run.table``, ``.run.events``, ``.verdicts``.
    """

    def run(path: str | Path, seed: int | None = None) -> Judged:
        from sim.jobs.case import judge_case, load_case, reseeded

        case = load_case(request.path.parent / path)
        return judge_case(case if seed is None else reseeded(case, seed))

    return run
