"""What a plan holds, in memory and in its file (row 4).

A plan is written as JSON and read again when a stage has been done, so all of
it is plain data with checked types.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from sim.base.document import Entry

MarkKind: TypeAlias = Literal[
    "press",
    "release",
    "click",
    "button",
    "lever up",
    "lever down",
    "cord out",
    "cord back",
    "wire off",
    "wire on",
]
Take: TypeAlias = Literal["mean", "highest", "lowest", "falls", "rises"]
Count = Annotated[int, Field(ge=0)]


class Mark(Entry):
    """A moment that a recording shows by itself: windows hang on it, not on a clock that nobody keeps by hand."""

    kind: MarkKind
    at_s: float


class Levels(Entry):
    """Throttle counts with the lever at rest and fully pulled, and the converter's largest."""

    rest_counts: float
    full_counts: float
    counts_max: float


class Action(Entry):
    """One thing that the rider or the second person does, in seconds since power came on."""

    at_s: float
    says: str


class Number(Entry):
    """One figure that is expected, how it is taken, and the band that the simulated builds span.

    take : mean, highest or lowest of `of` in the window; or the time from `mark` until it falls to `level` (or to
        `level_frac` of what it was before the mark) and stays there, or rises to `level_frac` of what it comes to.
    of, over : signals, see `numbers`; with `over` the mean of one over the mean of the other.
    rest_mark : with it, `of` is taken as its fall since just before that mark.
    mark, to_mark : indexes of the stage's marks; the window goes from `from_s` after one to `to_s` after the other.
    at_most : only more than `high` is outside: what the simulation neglects makes it less.
    reads : what an instrument is taken to resolve; it is in `low` and `high` already.
    power_step : the step that has to be in force at `mark`; a rider looks at the display and repeats the gesture, a
        script does not.
    filed : with the vehicle's numbers as its file has them; None where it did not come.
    missing : in how many builds it did not come.
    """

    id: str
    says: str
    unit: str
    take: Take
    of: str
    over: str = ""
    mark: Count
    to_mark: Count
    from_s: float = 0.0
    to_s: float = 0.0
    level: float | None = None
    level_frac: float | None = None
    rest_mark: Count | None = None
    at_most: bool = False
    reads: float
    power_step: int | None = None
    filed: float | None = None
    low: float | None = None
    high: float | None = None
    missing: Count = 0


class Try(Entry):
    """A few actions that belong together, why they are done, and what to expect."""

    title: str
    why: str
    actions: tuple[Action, ...]
    numbers: tuple[Number, ...] = ()


class Stop(Entry):
    """A limit at which a stage ends at once, and why.

    side : low where less than `value` ends it.
    when : it counts always, only while a pulse asks for drive, or only once the dead-man has been free for `for_s`.
    """

    of: str
    side: Literal["low", "high"]
    value: float
    unit: str
    when: Literal["always", "driven", "unheld"] = "always"
    for_s: float = 0.0
    why: str


class Stage(Entry):
    """One stage of the plan.

    scenario, wet, logger : files in the plan's folder: the script, the same with the mode button wet, the blank log.
    builds : how many the bands come from; the plan's, less those that drive nothing here.
    widened_frac : by which share of its half width each band was widened, see `expect.bands`.
    notes : what became of builds that tell nothing here.
    failed : what the stage fails in simulation, with the vehicle's numbers as filed.
    """

    number: Annotated[int, Field(ge=1, le=5)]
    key: str
    title: str
    where: str
    day: tuple[str, ...]
    scenario: str
    wet: str = ""
    logger: str
    before: tuple[str, ...]
    cautions: tuple[str, ...]
    neglected: tuple[str, ...]
    watch: tuple[str, ...]
    after: tuple[str, ...]
    tries: tuple[Try, ...]
    marks: tuple[Mark, ...]
    levels: Levels
    stops: tuple[Stop, ...] = ()
    builds: Count = 0
    widened_frac: float = 0.0
    verdict: Literal["pass", "fail", "undecided"] = "undecided"
    notes: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()

    @property
    def fails_with(self) -> str:
        """What the stage fails: the first with its reason, of the others the ids; empty where it fails nothing."""
        ids = ", ".join(line.partition(":")[0] for line in self.failed[1:])
        return "; and ".join([*self.failed[:1], *([ids] if ids else [])])

    @property
    def numbers(self) -> Iterator[Number]:
        """All figures of all its tries, in order."""
        for each in self.tries:
            yield from each.numbers


class Plan(Entry):
    """The whole plan; what `plan.json` holds.

    calibrated : whether each build's controller is calibrated to its own throttle.
    inputs : each file that went in by role, with a short hash.
    tolerances : how many of the vehicle's numbers have one that is drawn.
    """

    vehicle: str
    note: str = ""
    controller: str
    inputs: Mapping[str, str]
    steps: Annotated[int, Field(ge=1)]
    gesture: str
    builds: Annotated[int, Field(ge=1)]
    tolerances: Count
    calibrated: bool
    seed: Count
    control_hz: float
    stop_us: float
    verdict: Literal["pass", "fail", "undecided"]
    notes: tuple[str, ...]
    stages: tuple[Stage, ...]
    engine: str
    versions: Mapping[str, str]
    caution: str
