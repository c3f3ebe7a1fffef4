"""The report of ``drydive tune`` (row 5)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from sim.face.report.page import Fact, Report, Section, inline, inputs
from sim.face.tune_figure import chart, story
from sim.face.tune_text import no_ramp_helps, percent, reasons
from sim.jobs.tune.drive import Figures
from sim.jobs.tune.story import told
from sim.jobs.tune.tuned import Tuned
from sim.verdict.words import quantity

STEPS = ("step", "as filed", "cap", "nearest limit", "margin", "of that at rest", "corner", "why")
WORTH = ("step", "day", "thrust", "speed", "to 90 % of thrust", "lowest bus", "most current")


def of_tune(found: Tuned, envelope: Path | None) -> Report:
    """What to set and why, the map, before and after, and every corner that was kept."""
    bench = found.ride.case.bench
    controller = bench.controller
    files = [
        ("vehicle", bench.vehicle_path),
        ("controller", controller.path),
        ("parameters", controller.params_path),
        ("envelope", envelope),
        *(("limits", path) for path in found.ride.case.sources),
    ]
    return Report(
        title=f"The drive of {bench.vehicle.name}, tuned",
        verdict=found.verdict,
        says=f"How fast {controller.name} may ramp, and how much each step may use, over every condition tried.",
        facts=(
            Fact("conditions", str(found.days)),
            Fact("corners", str(len(found.corners))),
            Fact("runs", str(found.runs)),
        ),
        lines=(*reasons(found), *no_ramp_helps(found), *found.notes),
        sections=tuple(_sections(found)),
        inputs=inputs(files),
        seed=bench.scenario.seed,
        engine=found.engine.name,
    )


def _sections(found: Tuned) -> Iterator[Section]:
    changed = [
        (name, str(found.before[name]), str(value), "changed" if value != found.before[name] else "")
        for name, value in found.settings.items()
    ]
    yield Section("What to set", columns=("parameter", "as filed", "recommended", ""), rows=changed)
    if found.chart is not None and not found.refused:
        yield Section("Ramp against cap", figure=inline(chart(found, found.chart)))
    shown = told(found)
    if shown is not None:
        yield Section("Before and after, at the nearest corner", figure=inline(story(found, shown)))
    yield Section("Power steps", columns=STEPS, rows=list(_steps(found)))
    yield Section("What each step is worth", columns=WORTH, rows=list(_worth(found)))
    tries = [(remedy.says, "would do" if remedy.works else "would not do alone") for remedy in found.remedies]
    yield Section("What else was tried", columns=("change", "and"), rows=tries)
    rows = [
        (corner.name, ", ".join(f"{key} {value:.4g}" for key, value in corner.vehicle_set.items()))
        for corner in found.corners
    ]
    yield Section("Corners", columns=("condition", "numbers of the vehicle that are not as filed"), rows=rows)


def _steps(found: Tuned) -> Iterator[tuple[str, ...]]:
    for step in found.steps:
        caps = str(step.number), percent(step.wished_permille), percent(step.cap_permille)
        near = step.binding
        if near is None:
            yield (*caps, "none", "", "", "", "")
        else:
            margin = "" if near.margin is None else quantity(near.margin, near.unit)
            yield (*caps, near.limit, margin, f"{100.0 * near.room:.0f} %", near.corner.name, near.why)


def _worth(found: Tuned) -> Iterator[tuple[str, ...]]:
    for step in found.steps:
        for day, figures in zip(found.usual_days, step.usual, strict=True):
            yield str(step.number), day.name, *_figures(figures)
    for day, figures in zip(found.usual_days, found.steps[-1].unlimited if found.steps else (), strict=False):
        yield "unlimited", day.name, *_figures(figures)


def _figures(figures: Figures | None) -> tuple[str, ...]:
    if figures is None:
        return ("the controller crashed", "", "", "", "")
    rise = "" if figures.rise_s is None else f"{figures.rise_s:.2f} s"
    worth = f"{figures.thrust_n:.0f} N", f"{figures.speed_m_s:.2f} m/s", rise
    return (*worth, f"{figures.bus_v_min:.1f} V", f"{figures.bus_a_max:.0f} A")
