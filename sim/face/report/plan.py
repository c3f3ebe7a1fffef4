"""The page of a test plan, to print and fill in, and that of a stage that has been done (row 5)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sim.base.files import write_text
from sim.face.plan_text import band, changed, covered, figure, limit, off
from sim.face.report.page import Input, inputs, rendered, repeated
from sim.jobs.plan.filled import Filled, Held, Measured, worst_first
from sim.jobs.plan.model import Plan, Stage, Try
from sim.jobs.plan.plan import Made
from sim.verdict.words import quantity


@dataclass(frozen=True, slots=True)
class Row:
    """A figure as the page has it; `measured`, `word` and `why` are empty until a stage is filled in."""

    says: str
    expected: str
    band: str
    unit: str
    measured: str = ""
    word: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """One action: when, since its try began, and what."""

    after: str
    says: str


@dataclass(frozen=True, slots=True)
class Box:
    """A try."""

    number: str
    title: str
    why: str
    actions: Sequence[Done]
    rows: Sequence[Row]


@dataclass(frozen=True, slots=True)
class Ended:
    """A limit: when the stage ends, why, and whether the recording kept it."""

    limit: str
    why: str
    word: str = ""
    said: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """A stage as the page has it."""

    stage: Stage
    boxes: Sequence[Box]
    limits: Sequence[Ended]


@dataclass(frozen=True, slots=True)
class Page:
    """Everything of the page.

    blank : whether it is to be filled in by hand.
    head : sentences under the title. findings : what lies outside, was crossed or was not measured, each in words.
    """

    title: str
    plan: Plan
    parts: Sequence[Part]
    blank: bool
    verdict: str
    head: Sequence[str]
    facts: Sequence[tuple[str, str]]
    command: str
    files: Sequence[Input] = ()
    findings: Sequence[str] = ()


def of_plan(made: Made, asked: Sequence[str]) -> Page:
    """The whole plan, blank."""
    plan = made.plan
    controller = made.ready.controller
    files: list[tuple[str, Path | None]] = [
        ("vehicle", made.ready.vehicle_path),
        ("controller", controller.path),
        ("parameters", controller.params_path),
        *(("requirements", path) for path in made.sources),
    ]
    facts = [
        ("vehicle", plan.vehicle),
        ("controller", plan.controller),
        *((name, hashed) for name, hashed in plan.inputs.items()),
        ("control", f"{plan.control_hz:g} Hz"),
        ("power steps", str(plan.steps)),
        ("builds simulated", str(plan.builds)),
        ("seed", str(plan.seed)),
        *plan.versions.items(),
    ]
    return Page(
        title=f"Test plan for {plan.vehicle}",
        plan=plan,
        parts=[part(stage) for stage in plan.stages],
        blank=True,
        verdict=plan.verdict,
        head=(plan.note,) if plan.note else (),
        facts=facts,
        command=repeated(asked),
        files=inputs(files),
    )


def of_filled(done: Filled, asked: Sequence[str]) -> Page:
    """One stage with what its recording showed."""
    plan, stage = done.plan, done.stage
    by_id = {each.number.id: each for each in done.figures}
    offset = "" if done.offset_s is None else f"; its clock is {done.offset_s:+.2f} s of the script's"
    head = [
        f"Recording {done.recording}, every {1000.0 * done.every_s:.3g} ms: {done.found} of the script's"
        f" {len(stage.marks)} moments found{offset}. Times are known no better than that interval.",
        f"{done.count('within')} figures within, {done.count('outside')} outside,"
        f" {done.count('not measured')} not measured.",
    ]
    head += [f"{changed(done).capitalize()}."] if done.changed else []
    facts = [
        ("vehicle", plan.vehicle),
        ("controller", plan.controller),
        *((name, hashed) for name, hashed in plan.inputs.items()),
        ("builds simulated", str(plan.builds)),
        *plan.versions.items(),
    ]
    return Page(
        title=f"{plan.vehicle}, stage {stage.number} as it went",
        plan=plan,
        parts=[part(stage, by_id, done.limits)],
        blank=False,
        verdict=done.verdict,
        head=head,
        facts=facts,
        command=repeated(asked),
        findings=findings(done),
    )


def findings(done: Filled) -> list[str]:
    """What lies outside, the worst first; limits that were crossed; why something was not measured."""
    found = []
    for each in worst_first(done.figures):
        place = f"{done.stage.number}.{each.number.id.partition('.')[0]}"
        found.append(f"Outside: {each.number.says}, try {place}, {off(each).removeprefix('outside ')}.")
    found += [f"Crossed: {limit(each.stop)}, {crossed(each)}." for each in done.limits if each.word == "crossed"]
    missing = dict.fromkeys(each.why for each in done.figures if each.word == "not measured")
    missing |= dict.fromkeys(each.why for each in done.limits if each.word == "not measured")
    return found + ([f"Not measured: {'; '.join(missing)}."] if missing else [])


def part(stage: Stage, by_id: Mapping[str, Measured] | None = None, limits: Sequence[Held] = ()) -> Part:
    """A stage, blank or with what was measured."""
    boxes = [box(stage, place, each, by_id or {}) for place, each in enumerate(stage.tries, 1)]
    ended = (
        [Ended(limit(each.stop), each.stop.why, each.word, crossed(each)) for each in limits]
        if limits
        else [Ended(limit(stop), stop.why) for stop in stage.stops]
    )
    return Part(stage, boxes, ended)


def crossed(held: Held) -> str:
    """When a limit was crossed and how far, or why nobody knows."""
    if held.word != "crossed" or held.worst is None:
        return held.why
    return f"at {held.at_s:.2f} s of the recording; furthest {quantity(held.worst, held.stop.unit)}"


def box(stage: Stage, place: int, each: Try, by_id: Mapping[str, Measured]) -> Box:
    """A try, its actions by the time since it began."""
    began_s = each.actions[0].at_s if each.actions else 0.0
    rows = []
    for number in each.numbers:
        measured = by_id.get(number.id)
        value = measured.taken.value if measured else None
        rows.append(
            Row(
                says=number.says,
                expected=figure(number.filed, number),
                band=band(number),
                unit=number.unit,
                measured="" if value is None else figure(value, number),
                word=measured.word if measured else "",
                why="" if measured is None else (off(measured) or measured.why),
            )
        )
    return Box(
        number=f"{stage.number}.{place}",
        title=each.title,
        why=each.why,
        actions=[Done(f"{action.at_s - began_s:.1f} s", action.says) for action in each.actions],
        rows=rows,
    )


def html(page: Page) -> str:
    """The page as one text."""
    return rendered("plan.html", ("page.css", "plan.css"), page=page, covered=covered(page.plan))


def write(page: Page, path: Path) -> None:
    """Write the page, whole or not at all.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    write_text(path, html(page))
