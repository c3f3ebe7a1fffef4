"""What ``drydive plan`` prints, and a stage's recording held against its plan (row 5)."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.face import text
from sim.jobs.plan.filled import Filled, Measured, worst_first
from sim.jobs.plan.model import Number, Plan, Stage, Stop
from sim.verdict.words import quantity

WORDS = {"within": "green", "outside": "bold red", "not measured": "dim"}
NAMES = {
    "pulse_us": "pulse",
    "rpm": "a shaft",
    "pack_a": "pack current",
    "bus_v": "bus",
    "rail_v": "logic's rail",
    "cell_v_min": "weakest cell",
    "pack_degc": "pack",
}
WHEN = {"always": "", "driven": " while driven", "unheld": ", dead-man free for {:g} s"}
# The figures that a line of the summary has room for, by the end of their ids.
SHOWN = ("current", "bus", "thrust", "speed", "stop")


def figure(value: float | None, number: Number) -> str:
    """A value to the digit that an instrument is taken to resolve."""
    if value is None:
        return "does not come"
    # Times are shown to the millisecond, for a kill cord's are no more; resistances to a tenth of one.
    known = {"s": 3, "ohm": 4}.get(number.unit)
    digits = max(0, -math.floor(math.log10(number.reads) + 1e-9)) if known is None else known
    return f"{value:.{digits}f}"


def band(number: Number) -> str:
    """From what to what, or up to what."""
    if number.at_most:
        return f"at most {figure(number.high, number)}"
    return f"{figure(number.low, number)} to {figure(number.high, number)}"


def limit(stop: Stop) -> str:
    """When a stage ends, in a few words."""
    side = "under" if stop.side == "low" else "over"
    name = NAMES.get(stop.of, stop.of)
    return f"{name} {side} {quantity(round(stop.value, 3), stop.unit)}{WHEN[stop.when].format(stop.for_s)}"


def covered(plan: Plan) -> str:
    """What the bands are, in a sentence."""
    tolerances = f"{plan.tolerances} numbers of the vehicle within their tolerances, " if plan.tolerances else ""
    calibrated = "each with its controller calibrated to its own throttle, " if plan.calibrated else ""
    return (
        f"Bands: {plan.builds} simulated builds ({tolerances}pack and water of the day, hands, chance), {calibrated}"
        f"widened so that a further such build lies inside all of a stage's bands with a chance of {plan.builds} in "
        f"{plan.builds + 1}."
    )


def of_plan(console: Console, plan: Plan) -> None:
    """Each stage on a few lines."""
    console.print(Text(f"{plan.controller}: {_steps(plan)}"))
    console.print(Text(covered(plan), "dim"))
    grid = Grid(box=None, pad_edge=False, show_header=True, header_style="dim")
    for name in ("stage", "simulated", "tries", "figures", "stop at once if"):
        grid.add_column(name)
    for stage in plan.stages:
        stops = "; ".join(limit(stop) for stop in stage.stops if stop.of in ("bus_v", "pack_a"))
        count = sum(1 for _ in stage.numbers)
        word = Text(stage.verdict, text.STYLES[stage.verdict])
        grid.add_row(Text(f"{stage.number} {stage.title}"), word, str(len(stage.tries)), str(count), Text(stops))
    console.print(grid)
    for stage in plan.stages:
        if stage.failed:
            console.print(Text(f"stage {stage.number} fails in simulation: {stage.fails_with}", "red"))
    console.print(Text("full lever in the highest step", "dim"))
    grid = Grid(box=None, pad_edge=False, show_header=True, header_style="dim")
    for name in ("stage", "figure", "expected", "band"):
        grid.add_column(name)
    for stage in plan.stages:
        for number in _highest(stage):
            expected = f"{figure(number.filed, number)} {number.unit}"
            grid.add_row(str(stage.number), Text(number.says), expected, f"{band(number)} {number.unit}")
    console.print(grid)
    staged = [f"stage {stage.number}: {note}" for stage in plan.stages for note in stage.notes]
    text.lines(console, "notes", [*plan.notes, *staged])


def _steps(plan: Plan) -> str:
    if not plan.gesture:
        return "one power step"
    return f"{plan.steps} power steps; one more: {plan.gesture}"


def _highest(stage: Stage) -> Iterator[Number]:
    """The figures of the last ride of a stage that the summary shows."""
    rides = [each for each in stage.tries if any(number.id.endswith(".current") for number in each.numbers)]
    for number in rides[-1].numbers if rides else ():
        if number.id.rpartition(".")[2] in SHOWN:
            yield number


def of_filled(console: Console, done: Filled) -> None:
    """The verdict, what lies outside, and which limits were crossed."""
    stage = done.stage
    counted = ", ".join(f"{done.count(word)} {word}" for word in ("within", "outside", "not measured"))
    text.head(console, done.verdict, f"stage {stage.number}, {stage.title.lower()}", counted)
    offset = "" if done.offset_s is None else f", the recording's clock {done.offset_s:+.2f} s of the script's"
    console.print(Text(f"{done.found} of the script's {len(stage.marks)} moments found{offset}", "dim"))
    if done.changed:
        console.print(Text(changed(done), "bold yellow"))
    grid = Grid(box=None, pad_edge=False, show_header=True, header_style="dim")
    for name in ("", "figure", "try", "measured", "band", "why"):
        grid.add_column(name)
    outside = worst_first(done.figures)
    for each in outside:
        number = each.number
        measured = f"{figure(each.taken.value, number)} {number.unit}" if each.taken.value is not None else ""
        word = Text(each.word, WORDS[each.word])
        place = number.id.partition(".")[0]
        grid.add_row(word, Text(number.says), place, measured, f"{band(number)} {number.unit}", Text(off(each)))
    if outside:
        console.print(grid)
    for held in done.limits:
        if held.word == "crossed":
            console.print(Text(f"crossed at {held.at_s:.3f} s: {limit(held.stop)}; {held.worst:.4g}", "bold red"))
    missing = sorted({each.why for each in done.figures if each.word == "not measured"})
    missing += sorted({held.why for held in done.limits if held.word == "not measured"} - set(missing))
    text.lines(console, "not measured", missing)


def changed(done: Filled) -> str:
    """What is another than when the plan was made."""
    return f"not as when the plan was made: {', '.join(done.changed)}; make the plan anew"


def off(each: Measured) -> str:
    """Why a figure is outside: by how much, or that it did not come."""
    if each.word != "outside":
        return ""
    if each.off is None:
        return each.why
    return f"outside by {figure(each.off, each.number)} {each.number.unit}"
