"""What ``builds`` and ``corners`` print (row 5)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.face.text import STYLES, lines
from sim.jobs.builds import Build, Builds, Line
from sim.jobs.corners import Effect, Survey, Worst
from sim.jobs.shares import CONFIDENCE, Matter, Share
from sim.verdict.words import number, quantity

# Quantities named for a requirement.
NAMED = 3
ERROR_STYLE = "bold magenta"


def percent(share: Share) -> str:
    """A share with its interval; rounded outwards, so that neither claims more than was found."""
    low, high = math.floor(1000.0 * share.low) / 10.0, math.ceil(1000.0 * share.high) / 10.0
    # Only what is all says so.
    found = min(round(100.0 * share.frac, 1), 100.0 if share.inside == share.of else 99.9)
    return f"{found:g} % ({low:g} to {high:g} %)"


def summary(found: Builds) -> str:
    """How many builds are inside, in one sentence."""
    share = found.share
    words = f"{share.inside} of {share.of} builds inside: {percent(share)} with {100.0 * CONFIDENCE:g} % confidence"
    if found.at_least is not None:
        shown = "shown" if found.verdict == "pass" else "not shown"
        words += f"; at least {100.0 * found.at_least:g} % asked for: {shown}"
    return words


def drawn(found: Builds) -> list[str]:
    """How the builds came about."""
    told = [
        f"{len(found.bands)} numbers, each uniform within its tolerance, seed {found.filed.run.bench.scenario.seed}"
    ]
    if found.impossible:
        told.append(f"{found.impossible} draws passed over whose numbers contradict each other")
    others = [f"{count} {word}" for word, count in found.tally().items() if count and word in ("error", "undecided")]
    return told + ([f"not inside, though no requirement failed: {', '.join(others)}"] if others else [])


def standing_out(matters: Sequence[Matter]) -> list[Matter]:
    """The strongest of what ranks with a margin beyond chance."""
    return [each for each in matters if each.stands_out][:NAMED]


def of_builds(console: Console, found: Builds) -> None:
    """Every requirement over all builds, the one most often broken first, and then the worst build."""
    grid = Grid(box=None, pad_edge=False, header_style="dim")
    for name in ("", "requirement", "inside", "as filed", "middle", "least", "in build", ""):
        grid.add_column(name, justify="left" if name in ("", "requirement") else "right")
    for line in sorted(found.lines, key=lambda line: line.share.frac):
        grid.add_row(*_row(line))
    console.print(grid)
    lines(console, "drawn", drawn(found))
    build = found.worst
    lines(console, f"worst is build {build.number}, {build.verdict}", list(_story(found, build)))


def _row(line: Line) -> Iterator[str | Text]:
    yield Text(line.verdict, STYLES[line.verdict])
    yield Text(line.id)
    yield percent(line.share)
    if line.known.size:
        yield quantity(line.filed.margin, line.unit) if line.filed and line.filed.margin is not None else ""
        yield quantity(float(np.median(line.known)), line.unit)
        yield quantity(float(line.known.min()), line.unit)
        yield str(line.worst)
    else:
        yield from ("", "", "", "")
    parts = [
        f"{word} with " + ", ".join(f"{each.key} {each.correlation:+.2f}" for each in named)
        for word, named in (("moves", standing_out(line.moves)), ("breaks", standing_out(line.breaks)))
        if named
    ]
    yield Text("\n".join(parts))


def _story(found: Builds, build: Build) -> Iterator[str]:
    if build.trial.crash:
        yield build.trial.crash
    bad = [verdict for verdict in build.trial.verdicts if verdict.verdict != "pass"]
    near = [verdict for verdict in build.trial.verdicts if verdict.id == found.nearest]
    for verdict in bad or near:
        margin = "" if verdict.margin is None else f", margin {quantity(verdict.margin, verdict.unit)}"
        yield f"{verdict.id}: {verdict.why}{margin}"
    shown = [line for line in found.lines if line.id in {verdict.id for verdict in bad or near}]
    keys = dict.fromkeys(each.key for line in shown for each in (*standing_out(line.moves), *standing_out(line.breaks)))
    for key in keys:
        band = found.bands[key]
        yield f"{key} {number(build.numbers[key])}, of {number(band.low)} to {number(band.high)}"


def of_corners(console: Console, found: Survey) -> None:
    """The worst corner of each limit, and what makes it so."""
    for each in found.worst:
        word = each.verdict.verdict if each.verdict else "error"
        console.print(
            Text.assemble((word, STYLES.get(word, ERROR_STYLE)), "  ", (each.limit, "bold"), "  ", _margins(each))
        )
        console.print(Text(f"  {each.corner.name}"))
        console.print(Text(f"  {each.verdict.why if each.verdict else each.crash}", "dim"))
        for effect in each.effects[:NAMED]:
            console.print(Text(f"  {_effect(each, effect)}", "dim"))
    if found.unbounded:
        lines(console, "fail nowhere, and have no distance", [", ".join(found.unbounded)])


def _margins(each: Worst) -> str:
    if each.verdict is None or each.verdict.margin is None:
        return ""
    filed = "" if each.margin_filed is None else f", {quantity(each.margin_filed, each.verdict.unit)} as filed"
    return f"{quantity(each.verdict.margin, each.verdict.unit)}{filed}"


def _effect(each: Worst, effect: Effect) -> str:
    unit = each.verdict.unit if each.verdict else "1"
    ends = f"{quantity(effect.margin_low, unit)} at its low end, {quantity(effect.margin_high, unit)} at its high end"
    taken = each.corner.vehicle_set.get(effect.key)
    return f"{effect.key}: {ends}; taken {'as filed' if taken is None else number(taken)}"
