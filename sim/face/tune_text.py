"""A tuning as it is printed: what to set, why no more, what it costs, and what else would help (row 5)."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from sim.face.sheet_text import table
from sim.face.text import head
from sim.jobs.tune.binding import Binding
from sim.jobs.tune.drive import Figures
from sim.jobs.tune.tuned import Tuned
from sim.jobs.tune.written import described
from sim.verdict.words import quantity

WIDTH = 110


def tuned(console: Console, found: Tuned) -> None:
    """All of it."""
    bench = found.ride.case.bench
    tried = f"{found.days} conditions, {len(found.corners)} corners, {found.runs} runs"
    head(console, found.verdict, f"{bench.vehicle.name}, {bench.controller.name}", tried)
    if found.settings:
        _settings(console, found)
        _steps(console, found)
        _worth(console, found)
        _say(console, "")
    for sentence in (*reasons(found), *no_ramp_helps(found)):
        _say(console, sentence)
    for note in found.notes:
        _say(console, note, "yellow")


def _say(console: Console, sentence: str, style: str = "") -> None:
    console.print(Text(sentence, style), width=WIDTH)


def percent(permille: int | None) -> str:
    """A drive in percent of full."""
    return "none" if permille is None else f"{permille / 10.0:g} %"


def reasons(found: Tuned) -> list[str]:
    """Why it is this drive and no more, a sentence each."""
    if found.refused:
        return [f"No drive was found: {found.refused}."]
    top = max(found.settings[name] for name in found.knobs.caps)
    bears = f"{slowly(found)}, the supply bears a drive of {percent(found.bears_permille)}"
    told = [f"{bears}: above that {failing(found.beyond)}." if found.beyond else f"{bears}, all there is."]
    if found.quicker is not None:
        told.append(f"A quicker ramp breaks a limit: {failing(found.quicker)}.")
    if found.traded is not None:
        won, lost = (f"{100.0 * share:.0f} %" for share in found.traded)
        told.append(f"{percent(top)} is recommended: {lost} less thrust, but there {won} sooner.")
    if found.as_filed is not None:
        told.append(f"As filed {failing(found.as_filed)}.")
    else:
        guard = ", its supply guard at work," if found.knobs.bus_floor or found.knobs.pack_ceiling else ""
        told.append(f"As filed{guard} every limit is kept at these corners.")
    return told + searched(found)


def searched(found: Tuned) -> list[str]:
    """What the searches for a harder day and build came to."""
    if not found.searches:
        return []
    told = [
        f"{hard.requirement or 'The controller'} fails at {described(hard.corner)}, and even the gentlest drive breaks "
        f"it there: no ramp and no cap cures that. {hard.crash or (hard.verdict.why if hard.verdict else '')}".rstrip()
        for hard in found.incurable
    ]
    last = found.searches[-1]
    many = "once" if len(found.searches) == 1 else f"{len(found.searches)} times"
    runs = sum(hard.runs for hard in found.searches)
    joined = sum(hard.broken for hard in found.searches) - len(found.incurable)
    ends = ["" if joined == 0 else f"{joined} of what was found joined the corners"]
    if last.broken:
        ends.append("the last still broke a limit" if last not in found.incurable else "")
    elif last.verdict is not None and last.margin is not None:
        near = f"{last.requirement} keeps {quantity(last.margin, last.verdict.unit)} at {described(last.corner)}"
        ends.append(f"in the end nothing{' else' if told else ''} was broken, and {near}")
    ending = "; ".join(end for end in ends if end)
    return [*told, f"A harder day and build was looked for {many}, in {runs} runs{': ' if ending else ''}{ending}."]


def slowly(found: Tuned) -> str:
    """How the drive rises where time is no matter, as a sentence begins."""
    if found.slowest_ms is None:
        return "Without a ramp"
    return (
        f"With the ramp fixed at {seconds(found)}" if found.knobs.ramp_up in found.fixed else "However slowly it rises"
    )


def seconds(found: Tuned) -> str:
    """The slowest ramp."""
    return f"{(found.slowest_ms or 0) / 1000.0:g} s"


def failing(binding: Binding | None) -> str:
    """A limit that fails, where and how."""
    return "" if binding is None else f"{binding.limit} fails at {binding.corner.name}: {binding.why}"


def no_ramp_helps(found: Tuned) -> list[str]:
    """Where steady current alone breaks a limit: that no ramp helps, and what does; a sentence each."""
    if found.held_back is None:
        return []
    wish, bears = percent(found.wish_permille), found.bears_permille
    told = [f"{slowly(found)}, {wish} drive breaks a limit: {failing(found.held_back)}."]
    if found.slowest_ms is not None and found.knobs.ramp_up not in found.fixed:
        told[0] = (
            f"No ramp helps: {wish} drive, with a ramp of {seconds(found)}, breaks a limit. {failing(found.held_back)}."
        )
    works = [remedy.says for remedy in found.remedies if remedy.works]
    works = works if bears is None else [f"a cap of {percent(bears)}", *works]
    if works:
        told.append(f"What would do, each alone: {'; '.join(works)}.")
    more = [each for each in found.remedies if not each.works and each.bears_permille is not None]
    if more:
        less = "; ".join(f"{each.says} ({percent(each.bears_permille)})" for each in more)
        told.append(f"What alone would let it bear more, though not {wish}: {less}.")
    useless = [each.says for each in found.remedies if not each.works and each.bears_permille is None]
    if useless:
        told.append(f"What would not help: {'; '.join(useless)}.")
    return told


def _settings(console: Console, found: Tuned) -> None:
    """What to set."""
    rows = []
    for name in found.knobs.names:
        if name in found.settings:
            value, before = found.settings[name], found.before[name]
            mark = "fixed" if name in found.fixed else "" if value == before else "changed"
            rows.append((name, before, value, mark))
    table(console, "Parameters", ("", "as filed", "recommended", ""), rows)


def _steps(console: Console, found: Tuned) -> None:
    """Each step, and where it comes nearest to a limit."""
    rows = []
    shown: list[Binding] = []
    for step in found.steps:
        caps = (percent(step.wished_permille), percent(step.cap_permille))
        near = step.binding
        if near is None:
            rows.append((str(step.number), "nothing bounds it", "", *caps, "", ""))
            continue
        if near.corner not in [each.corner for each in shown]:
            shown.append(near)
        place = "ABCDEFGH"[[each.corner for each in shown].index(near.corner)]
        margin = "broken" if near.margin is None else quantity(near.margin, near.unit)
        rows.append((str(step.number), near.limit, place, *caps, margin, f"{100.0 * near.room:.0f} %"))
    columns = ("step", "nearest limit", "at", "as filed", "cap", "margin", "of that at rest")
    table(console, "Power steps", columns, rows, words=3)
    for letter, near in zip("ABCDEFGH", shown, strict=False):
        _say(console, f"{letter}: {described(near.corner)}", "dim")


def _worth(console: Console, found: Tuned) -> None:
    """What each step gives on an ordinary day, and how much less that is than the drive could."""
    rows: list[Sequence[str]] = []
    for place, day in enumerate(found.usual_days):
        name = day.name.rpartition(", ")[2]
        most = found.steps[0].unlimited[place]
        rows += [(f"{step.number}, {name}", *_figures(step.usual[place], most)) for step in found.steps]
        rows.append((f"unlimited, {name}", *_figures(most, None)))
    columns = ("step", "thrust", "lost", "speed", "lost", "to 90 % of thrust", "lowest bus", "most current")
    table(console, "On an ordinary day (half charge, 20 degC, the numbers as filed)", columns, rows)


def _figures(figures: Figures | None, most: Figures | None) -> Sequence[str]:
    """What a drive is worth, and what share of thrust and speed is lost against the most there is."""
    if figures is None:
        return ("raises",)
    rise = "never" if figures.rise_s is None else f"{figures.rise_s:.2f} s"
    speed = f"{figures.speed_m_s:.2f} m/s" if figures.speed_m_s > 0.0 else ""
    lost = ["", ""]
    if most is not None:
        pairs = ((figures.thrust_n, most.thrust_n), (figures.speed_m_s, most.speed_m_s))
        lost = [f"{100.0 * (1.0 - own / whole):.0f} %" if whole > 0.0 else "" for own, whole in pairs]
    bus = (f"{figures.bus_v_min:.1f} V", f"{figures.bus_a_max:.0f} A")
    return (f"{figures.thrust_n:.0f} N", lost[0], speed, lost[1], rise, *bus)
