"""The report of each command (row 5)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from sim.bench.control import Controller
from sim.bench.events import Event
from sim.face.compare_figure import overlay
from sim.face.margins import margins
from sim.face.report.page import Fact, Report, Section, inline, inputs
from sim.face.report.timeline import timeline
from sim.jobs.case import Judged, overall
from sim.jobs.check import Outcome
from sim.jobs.compare import Comparison
from sim.jobs.replay import Replay
from sim.jobs.result import closest, measures
from sim.verdict.requirement import Requirement, Verdict
from sim.verdict.words import quantity

Files = Sequence[tuple[str, Path | None]]
REQUIREMENTS = ("id", "verdict", "margin", "says", "why")
EVENTS = ("at", "what happened", "why")
MEASURES = ("measure", "value")


def of_run(judged: Judged) -> Report:
    """Of ``drydive run``."""
    run = judged.run
    bench, scenario = run.bench, run.bench.scenario
    files: Files = [
        ("scenario", bench.path),
        ("vehicle", bench.vehicle_path),
        *of_controller(bench.controller),
        *(("requirements", path) for path in judged.sources),
    ]
    return Report(
        title=scenario.name,
        verdict=overall(judged.verdicts),
        says=scenario.says,
        facts=(
            Fact("vehicle", bench.vehicle.name),
            Fact("controller", bench.controller.name),
            Fact("water", f"{scenario.water.kind} at {bench.water.temperature_degc:g} degC"),
            Fact("attitude", scenario.attitude),
            Fact("pack", f"{100 * scenario.pack.charge_frac:.0f} % charged"),
            Fact("length", f"{scenario.duration_s:g} s"),
        ),
        lines=_closest(closest(judged.requirements, judged.verdicts, run.table)),
        timeline=timeline(run.table, run.events, run.limits),
        sections=(
            requirements(judged.requirements, judged.verdicts),
            events(run.events),
            measured(measures(run.table)),
        ),
        inputs=inputs(files),
        seed=scenario.seed,
        engine=run.engine.name,
    )


def of_replay(done: Replay) -> Report:
    """Of ``drydive replay``."""
    files: Files = [
        ("recording", done.path),
        *of_controller(done.controller),
        *(("input", path) for path in done.sources),
    ]
    sections = [requirements(done.requirements, done.verdicts), events(done.events)]
    if done.differences is not None:
        rows = [
            (f"{d.from_s:.3f} s", f"{d.to_s:.3f} s", f"{d.recorded_us:.0f} us", f"{d.computed_us:.0f} us", d.why)
            for d in done.differences
        ]
        columns = ("from", "to", "recorded", "computed", "this controller then")
        says = f"Against the recorded command, which lags {done.lag_s:+.3f} s."
        sections.append(Section("Where the command differs from the recorded one", says, None, columns, rows))
    sections.append(Section("Taken as", columns=("what was guessed or filled in",), rows=[(n,) for n in done.notes]))
    sections.append(Section("Mended", columns=("what was found and done",), rows=[(line,) for line in done.mended]))
    return Report(
        title=done.path.name,
        verdict=done.verdict,
        says=f"A recording through {done.controller.name}.",
        facts=(Fact("controller", done.controller.name), Fact("rows", str(len(done.table)))),
        lines=_closest(closest(done.requirements, done.verdicts, done.table)),
        timeline=timeline(done.table, done.events, done.limits),
        sections=(*sections, measured(measures(done.table))),
        inputs=inputs(files),
    )


def of_check(outcomes: Sequence[Outcome], changes: Sequence[str] | None) -> Report:
    """Of ``drydive check``."""
    verdicts = [outcome.verdict for outcome in outcomes]
    worst = next((word for word in ("error", "fail", "undecided") if word in verdicts), "pass")
    counted = [Fact(word, str(verdicts.count(word))) for word in ("pass", "fail", "undecided", "error")]
    rows = [(Path(outcome.path).name, outcome.verdict, _first_line(outcome)) for outcome in outcomes]
    order = {"error": 0, "fail": 1, "undecided": 2, "pass": 3}
    sections = [
        Section("Margins at a glance", figure=inline(margins(outcomes))),
        Section("Scenarios", columns=("scenario", "verdict", "why"), rows=sorted(rows, key=lambda row: order[row[1]])),
        Section("Requirements", columns=("scenario", *REQUIREMENTS[:3], "why"), rows=list(_each(outcomes))),
    ]
    if changes is not None:
        says = "Behaviour against the baseline, even where all still passes."
        sections.insert(1, Section("What changed", says, None, ("change",), [(line,) for line in changes]))
    return Report(
        title=f"{len(outcomes)} scenarios",
        verdict="fail" if worst == "error" else worst,
        facts=[Fact("scenarios", str(len(outcomes))), *(fact for fact in counted if fact.value != "0")],
        sections=sections,
        inputs=inputs([("scenario", Path(outcome.path)) for outcome in outcomes]),
    )


def of_compare(found: Comparison, files: Files) -> Report:
    """Of ``drydive compare``."""
    told = "Every command is the same at every tick."
    if found.command is not None:
        told = f"Commands part at {found.command[0]:.3f} s, with {found.command[1]}."
    rows = [
        (f"{e.from_s:.3f} s", f"{e.to_s:.3f} s", e.column, f"{e.first:g}", f"{e.second:g}", e.why_first, e.why_second)
        for e in found.stretches
    ]
    moved = [
        (*("" if t is None else f"{t:.3f} s" for t in (each.first_s, each.second_s)), each.what, each.why)
        for each in found.events
    ]
    columns = ("from", "to", "command", "first", "second", "why first", "why second")
    return Report(
        title=f"{found.first.name} against {found.second.name}",
        says=told,
        facts=(Fact("first", found.first.name), Fact("second", found.second.name)),
        lines=() if found.pin is None else (f"What the pins read differs from {found.pin[0]:.3f} s, {found.pin[1]}.",),
        sections=(
            Section("Both over one another", figure=inline(overlay(found))),
            Section("Where commands differ", columns=columns, rows=rows),
            Section("Events of one side, or at another time", columns=("first", "second", *EVENTS[1:]), rows=moved),
        ),
        inputs=inputs(files),
    )


def of_controller(controller: Controller) -> Files:
    """The files a controller consists of."""
    return [("controller", controller.path), ("parameters", controller.params_path)]


def requirements(asked: Sequence[Requirement], verdicts: Sequence[Verdict]) -> Section:
    """Every requirement, the failed ones first."""
    says = {requirement.id: requirement.says for requirement in asked}
    order = {"fail": 0, "undecided": 1, "pass": 2}
    rows = [
        (each.id, each.verdict, _margin(each.margin, each.unit), says.get(each.id, ""), each.why)
        for each in sorted(verdicts, key=lambda verdict: order[verdict.verdict])
    ]
    return Section("Requirements", columns=REQUIREMENTS, rows=rows)


def events(happened: Iterable[Event]) -> Section:
    """What happened, in order."""
    return Section("Events", columns=EVENTS, rows=[(f"{each.t_s:.3f} s", each.what, each.why) for each in happened])


def measured(found: Mapping[str, Mapping[str, object]]) -> Section:
    """The headline figures."""
    rows = [(name, quantity(float(str(each["value"])), str(each["unit"]))) for name, each in found.items()]
    return Section("Measures", columns=MEASURES, rows=rows)


def _margin(margin: float | None, unit: str) -> str:
    return "" if margin is None else quantity(margin, unit)


def _closest(words: str) -> Sequence[str]:
    return (f"Closest: {words}.",) if words else ()


def _first_line(outcome: Outcome) -> str:
    """Why a scenario is not a pass; its closest requirement where it is one."""
    if outcome.result is None:
        return outcome.crash or "; ".join(outcome.faults)
    open_ones = [each["why"] for each in outcome.result["requirements"] if each["verdict"] != "pass"]
    return "; ".join(open_ones)


def _each(outcomes: Sequence[Outcome]) -> Iterable[tuple[str, ...]]:
    for outcome in outcomes:
        for each in outcome.result["requirements"] if outcome.result else ():
            margin = _margin(each["margin"], each["unit"])
            yield Path(outcome.path).name.split(".")[0], each["id"], each["verdict"], margin, each["why"]
