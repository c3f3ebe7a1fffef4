"""What ``search`` prints (row 5)."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.bench.scenario import FaultStep, RiderStep, Scenario
from sim.face.text import STYLES, lines
from sim.jobs.search.found import Line, Search
from sim.jobs.search.shrink import Given, differences
from sim.verdict.words import number, quantity

# What one reads of a requirement that nothing came near; more would not fit beside it.
MOST_WHY = 64
MOVES = {
    "deadman": ("dead-man let go", "dead-man pressed"),
    "mode_button": ("mode button let go", "mode button pressed"),
    "kill_cord": ("kill cord pulled", "kill cord put back"),
}


def summary(found: Search) -> str:
    """What was looked for, and how far, in one sentence."""
    count = len(found.lines)
    which = f"{len(found.broken)} of {count} requirements broken" if found.broken else "nothing broken"
    never = sum(line.word == "undecided" for line in found.lines)
    untried = f", {never} of {count} never tried" if never else ""
    errors = ", the controller raised an error" if found.crash else ""
    return f"{which}{errors}{untried}; {found.runs} runs over {', '.join(found.varied)}, seed {found.seed}"


def of_search(console: Console, found: Search) -> None:
    """What was found, each with the script that shows it; then how near all others came, the nearest first."""
    own = found.case.bench.scenario
    for line in found.broken:
        console.print(Text.assemble(("fail", STYLES["fail"]), "  ", (line.id, "bold"), "  ", _margin(line)))
        assert line.verdict is not None
        _told(console, own, line.scenario, [line.requirement.says, line.verdict.why, _which(line.run, line.tries)])
    if found.crash is not None:
        console.print(Text.assemble(("error", STYLES["fail"]), "  ", ("the controller raises an error", "bold")))
        _told(console, own, found.crash.scenario, [found.crash.why, _which(found.crash.run, found.crash.tries)])
    others = [line for line in found.lines if not line.broken]
    if others:
        console.print(_grid(others))
    if (closest := found.closest) is not None:
        console.print(Text.assemble("closest of all  ", (closest.id, "bold"), "  ", _margin(closest)))
        _told(console, own, closest.scenario, [_which(closest.run, closest.tries)])


def _told(console: Console, own: Scenario, scenario: Scenario, said: list[str]) -> None:
    for sentence in said:
        console.print(Text(f"  {sentence}", "dim"))
    lines(console, "  what happens in it", [f"  {line}" for line in story(own, scenario)])


def _which(run: int, tries: int) -> str:
    first = "as filed" if run == 0 else f"run {run}"
    return f"{first}, made simple in {tries} more" if tries else first


def _margin(line: Line) -> str:
    verdict = line.verdict
    if verdict is None or verdict.margin is None:
        return ""
    share = "" if line.share is None else f", {percent(line.share)} of its room at rest"
    return f"margin {quantity(verdict.margin, verdict.unit)}{share}"


def percent(share: float) -> str:
    """A share of the room that a requirement has."""
    return f"{100.0 * share:.3g} %"


def _grid(others: list[Line]) -> Grid:
    """Requirements that nothing broke, those with the least room first, those never tried last."""
    grid = Grid(box=None, pad_edge=False, header_style="dim")
    for name in ("", "not broken", "margin", "of its room", "tried in", "run", "why"):
        justify = "right" if name in ("margin", "of its room", "tried in", "run") else "left"
        grid.add_column(name, justify=justify)  # type: ignore[arg-type]
    order = {"pass": 0, "undecided": 1}
    for line in sorted(others, key=lambda line: (order[line.word], line.share is None, line.share or 0.0)):
        verdict = line.verdict
        margin = "" if verdict is None or verdict.margin is None else quantity(verdict.margin, verdict.unit)
        why = "" if verdict is None else verdict.why
        grid.add_row(
            Text(line.word, STYLES[line.word]),
            Text(line.id),
            margin,
            "" if line.share is None else percent(line.share),
            f"{line.tried} of {line.runs}",
            "filed" if line.run == 0 else str(line.run),
            Text(why if len(why) <= MOST_WHY else f"{why[:MOST_WHY]}...", "dim"),
        )
    return grid


def story(own: Scenario, scenario: Scenario) -> Iterator[str]:
    """A scenario in words: how its day differs from its own, what breaks, what the rider does."""
    given = [part for part in differences(own, scenario) if isinstance(part, Given)]
    if given:
        yield "day: " + ", ".join(f"{_key(part)} {_value(part.value)}" for part in given)
    moments = [(step.at_s, _step(step)) for step in scenario.rider]
    moments += [(fault.at_s, _fault(fault)) for fault in scenario.faults]
    for at_s, said in sorted(moments, key=lambda moment: moment[0]):
        yield f"{number(at_s)} s  {said}"
    yield f"{number(scenario.duration_s)} s  the run ends"


def _key(part: Given) -> str:
    """As it stands in a file, the vehicle's numbers as its own."""
    return ".".join(part.place[part.place[0] == "vehicle_set" :])


def _value(value: object) -> str:
    return number(value) if isinstance(value, float | int) else str(value)


def _step(step: RiderStep) -> str:
    """What a rider's step changes."""
    said = [words[getattr(step, key)] for key, words in MOVES.items() if getattr(step, key) is not None]
    if step.lever_frac is not None:
        said.append(f"lever to {number(step.lever_frac)}")
    return ", ".join(said)


def _fault(fault: FaultStep) -> str:
    """A fault, how much of it, and until when."""
    amount = "" if fault.amount is None else f" {number(fault.amount)}"
    until = "" if fault.until_s is None else f", until {number(fault.until_s)} s"
    return f"{fault.kind}{amount}{until}"
