"""The story of Moorhen, an invented sled: one script, one water, two controllers (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import sim
from sim.jobs.case import Case, Judged, judge_case, load_case, overall

FOLDER = Path(sim.__file__).parent / "moorhen"

EXPECTED = {
    "1_first_draft_in_air": "pass",
    "2_first_draft_in_pool": "fail",
    "3_first_draft_tired_pack": "fail",
    "4_reference_tired_pack": "pass",
}
"""What each chapter is there to show. The run decides; the demo fails when it decides otherwise."""


@dataclass(frozen=True, slots=True)
class Chapter:
    """One dive of the story."""

    case: Case

    @property
    def title(self) -> str:
        """The scenario's name."""
        return self.case.bench.scenario.name

    @property
    def ticks(self) -> int:
        """Length in control ticks."""
        return self.case.bench.scenario.duration_us // self.case.bench.scenario.tick_us

    def tell(self, progress: Callable[[int], None] | None = None) -> Judged:
        """Run and judge it."""
        return judge_case(self.case, progress)


def chapters() -> Iterator[Chapter]:
    """The four dives in order."""
    for name in EXPECTED:
        yield Chapter(load_case(FOLDER / f"{name}.scenario.yaml"))


def told_as_expected(told: Sequence[Judged]) -> bool:
    """Whether every chapter ended as the story has it."""
    return [overall(judged.verdicts) for judged in told] == list(EXPECTED.values())
