"""The power sheet as it is printed and drawn (row 5)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from rich.console import Console
from rich.text import Text

from sim.face import look
from sim.face.sheet_text import BAD, HEAD_IN, head, page_head, table, warned
from sim.jobs.sheets.paper import Paper
from sim.jobs.sheets.power import Curve, Source, Step

PAGE_W_IN = 13.0
# Places of the panels, in inches from the page's left, and their size.
LEFTS_IN, PANEL_W_IN, PANEL_H_IN, ROW_IN, LABELS_IN = (0.75, 7.25), 3.9, 2.5, 3.25, 1.55
WORDS = {"held": "held still", "towed": "towed", "worn": "worn", "air": "in air"}
SHORT = {"ESCs cut": "cut", "weakest cell low": "cell", "slow trip": "trip", "guard holds back": "guard"}
# Each attitude has a colour, dashes, a marker and a hatch.
STYLES = {
    "held": (look.Style("#B0508A", "#8F4B74"), "s", ""),
    "towed": (look.Style("#0072B2", "#0072B2", "--"), "o", "///"),
    "worn": (look.Style("#009E73", "#00785A", "-."), "^", "..."),
    "air": (look.Style("#8A8A8A", look.QUIET, ":"), "D", "xxx"),
}


def about(paper: Paper) -> str:
    """The conditions."""
    given = paper.given
    aged = ""
    if given["resistance_growth_frac"] or given["capacity_loss_frac"]:
        aged = f" (resistance +{given['resistance_growth_frac']:g}, capacity -{given['capacity_loss_frac']:g})"
    return (
        f"{given['water']} at {given['water_degc']:g} degC, charge {given['charge_frac']:g}, "
        f"pack at {given['pack_degc']:g} degC{aged}, caps of {given['controller']}"
    )


def show(console: Console, paper: Paper) -> None:
    """Print the sheet."""
    head(console, paper, about(paper))
    steps: Sequence[Step] = paper.tables["steps"]
    _draws(console, steps)
    _gives(console, steps)
    _source(console, paper.tables["source"])


def _draws(console: Console, steps: Sequence[Step]) -> None:
    columns = (
        *("step", "pulse", "duty", "A", "V", "cell V", "cut V", "b-out V", "cell V", "trip A", "limit A", "of most"),
        "acts",
    )
    rows = [
        (
            _named(each),
            each.pulse_us,
            f"{each.duty_frac:.2f}",
            f"{each.bus_a:.1f}",
            f"{each.bus_v:.1f}",
            f"{each.cell_v_min:.2f}",
            warned(f"{each.cut_margin_v:.1f}", each.cut_margin_v < 0.0),
            warned(f"{each.brown_out_margin_v:.1f}", each.brown_out_margin_v < 0.0),
            warned(f"{each.cell_margin_v:.2f}", each.cell_margin_v < 0.0),
            warned(f"{each.trip_margin_a:.0f}", each.trip_margin_a < 0.0),
            warned(f"{each.limit_margin_a:.0f}", each.limit_margin_a <= 0.0),
            f"{each.most_frac:.2f}",
            Text(", ".join(SHORT.get(word, word) for word in each.acts.split(", ")), BAD),
        )
        for each in steps
    ]
    title = "what each step draws, what is left to each limit (b-out: brown-out), and what acts"
    table(console, title, columns, rows, pad=1)


def _gives(console: Console, steps: Sequence[Step]) -> None:
    columns = ("step", "thrust N", "m/s", "shaft W", "heat W", "motor", "ESC", "switch", "minutes", "until", "pack")
    rows = [
        (
            _named(each),
            f"{each.thrust_n:.0f}",
            f"{each.speed_m_s:.2f}" if each.speed_m_s else "",
            f"{each.shaft_w:.0f}",
            f"{each.heat_w:.0f}",
            f"{each.motor_degc:.0f}",
            f"{each.esc_degc:.0f}",
            f"{each.switch_degc:.0f}",
            f"{each.run_s / 60.0:.1f}",
            each.run_ends,
            f"{each.pack_end_degc:.0f}",
        )
        for each in steps
    ]
    title = "what each step gives, how warm it gets (degC), and how long it lasts from this charge"
    table(console, title, columns, rows)


def _source(console: Console, sources: Sequence[Source]) -> None:
    columns = ("source", "E V", "R ohm", "most W", "at V", "at A", "usable W", "at V", "at A", "then")
    rows = [
        (
            each.when,
            f"{each.emf_v:.1f}",
            f"{each.ohm:.4f}",
            f"{each.most_w:.0f}",
            f"{each.most_v:.1f}",
            f"{each.most_a:.0f}",
            f"{each.usable_w:.0f}",
            f"{each.usable_v:.1f}",
            f"{each.usable_a:.0f}",
            each.first,
        )
        for each in sources
    ]
    table(console, "where no more power can be drawn, and what acts before", columns, rows)


def _named(each: Step) -> str:
    return f"{each.attitude:<5} {each.step}"


def figure(paper: Paper) -> Figure:
    """Voltage, current and thrust over the drive, the source's power, speed and running time of each step."""
    top = HEAD_IN + 0.3
    with look.styled():
        page = look.blank(PAGE_W_IN, top + 3 * ROW_IN)
        title = f"Power of {paper.vehicle}"
        page_head(look.sheet_at(page, 0.0, 0.0, PAGE_W_IN, HEAD_IN), paper, title, about(paper), PAGE_W_IN)
        limits: Mapping[str, Any] = paper.given["limits"]
        guard_v = [look.Limit(limits["guard_bus_v"], "guard begins")] if limits["guard_bus_v"] else []
        guard_a = [look.Limit(limits["guard_bus_a"], "guard begins")] if limits["guard_bus_a"] else []
        source: Source = paper.tables["source"][-1]
        volts = [look.Limit(limits["esc_cut_v"], "ESCs cut"), look.Limit(source.most_v, "half of E"), *guard_v]
        _over(_place(page, top, 0), paper, "bus_v", "Bus voltage (V)", volts)
        amperes = [look.Limit(limits["trip_slow_a"], "slow trip"), *guard_a]
        _over(_place(page, top, 1), paper, "bus_a", "Pack current (A)", amperes)
        _over(_place(page, top, 2), paper, "thrust_n", "Thrust of both (N)", [])
        _parabola(_place(page, top, 3), paper)
        wet = [step for step in paper.tables["steps"] if step.attitude in ("towed", "worn")]
        _bars(_place(page, top, 4), wet or list(paper.tables["steps"]), "speed_m_s", 1.0, "Speed (m/s)", "{:.1f}")
        rows = [step for step in paper.tables["steps"] if step.attitude != "air"] or list(paper.tables["steps"])
        _bars(_place(page, top, 5), rows, "run_s", 1.0 / 60.0, "Running time (minutes)", "{:.0f}")
    return page


def _place(page: Figure, top_in: float, number: int) -> Axes:
    row, column = divmod(number, 2)
    return look.axes_at(page, LEFTS_IN[column], top_in + ROW_IN * row, PANEL_W_IN, PANEL_H_IN)


def _over(axes: Axes, paper: Paper, column: str, name: str, limits: Sequence[look.Limit]) -> None:
    """A quantity over the drive, a line an attitude, the steps numbered on it."""
    curves: Sequence[Curve] = paper.tables["curves"]
    values = [getattr(each, column) for each in curves]
    shown = [limit.at for limit in limits if limit.at < 2.0 * max(values)]
    low, high = min(*values, *shown), max(*values, *shown)
    floor = low - 0.06 * (high - low) if column == "bus_v" else 0.0
    axes.set(xlim=(0.0, 1000.0), ylim=(floor, high + 0.06 * (high - floor)))
    labels = look.limits(axes, limits)
    for attitude, group in groupby(curves, key=lambda each: each.attitude):
        own = list(group)
        style, marker, _ = STYLES[attitude]
        look.line(axes, np.array([each.cap_permille for each in own], float), _of(own, column), style)
        labels.append(look.Label(float(getattr(own[-1], column)), WORDS[attitude], style.ink))
        for step in (step for step in paper.tables["steps"] if step.attitude == attitude and step.step.isdigit()):
            at = float(np.interp(step.cap_permille, [each.cap_permille for each in own], _of(own, column)))
            axes.plot(step.cap_permille, at, marker, color=style.colour, markersize=4.5, markeredgewidth=0.0)
    for step in {step.step: step for step in paper.tables["steps"] if step.step.isdigit()}.values():
        axes.axvline(step.cap_permille, color="#d0d0d0", linewidth=0.8, zorder=0.5)
        place = (step.cap_permille, 0.985)
        axes.text(
            *place, step.step, transform=axes.get_xaxis_transform(), size=7.5, color=look.QUIET, va="top", ha="right"
        )
    look.heading(axes, name, "numbers: power steps", False, False)
    axes.set_xlabel("drive, permille of the full pulse", size=look.SMALL_PT)
    look.beside(axes, labels, LABELS_IN)


def _of(rows: Sequence[Any], column: str) -> look.Floats:
    return np.array([getattr(each, column) for each in rows], dtype=np.float64)


def _parabola(axes: Axes, paper: Paper) -> None:
    """The power that the source gives over its current, up to where no more can be drawn, with the steps on it."""
    first, settled = paper.tables["source"]
    axes.set(xlim=(0.0, 1.15 * settled.most_a), ylim=(0.0, 1.3 * settled.most_w))
    labels = []
    for source, style in ((first, look.SINGLE._replace(dashes=":")), (settled, look.SINGLE)):
        amperes = np.linspace(0.0, min(source.emf_v / source.ohm, 1.15 * settled.most_a), 200)
        watts = amperes * (source.emf_v - source.ohm * amperes)
        look.line(axes, amperes, np.where(watts <= 1.3 * settled.most_w, watts, np.nan), style)
        labels.append(look.Label(float(min(watts[-1], 1.3 * settled.most_w)), source.when, look.INK))
    look.point(axes, settled.most_a, settled.most_w)
    words = f"no more than {settled.most_w:.0f} W,\nat {settled.most_v:.1f} V"
    how: dict[str, Any] = {"textcoords": "offset points", "size": 7.5}
    axes.annotate(words, (settled.most_a, settled.most_w), (0.0, -7.0), ha="center", va="top", **how)
    axes.axvline(settled.usable_a, color=look.LIMIT.colour, linestyle=look.LIMIT.dashes, linewidth=look.LIMIT.width)
    place = (settled.usable_a, 0.0)
    axes.annotate(settled.first, place, (-3.0, 5.0), color=look.LIMIT.ink, rotation=90.0, ha="right", **how)
    for step in paper.tables["steps"]:
        style, marker, _ = STYLES[step.attitude]
        axes.plot(step.bus_a, step.bus_w, marker, color=style.colour, markersize=4.5, markeredgewidth=0.0, zorder=3)
    look.heading(axes, "Power from the source (W)", "over its current (A)", False, False)
    look.beside(axes, labels, LABELS_IN)


def _bars(axes: Axes, steps: Sequence[Step], column: str, scale: float, name: str, form: str) -> None:
    """One group of bars a step, one bar an attitude."""
    names = list(dict.fromkeys(step.step for step in steps))
    attitudes = list(dict.fromkeys(step.attitude for step in steps))
    width = 0.8 / len(attitudes)
    for step in steps:
        at = names.index(step.step) + (attitudes.index(step.attitude) - 0.5 * (len(attitudes) - 1)) * width
        value = scale * getattr(step, column)
        style, _, hatch = STYLES[step.attitude]
        # What cannot be kept is drawn empty.
        face, edge = ("white", style.colour) if step.acts else (style.colour, "white")
        axes.bar(at, value, 0.92 * width, facecolor=face, edgecolor=edge, linewidth=1.0, hatch=hatch)
        words = form.format(value)
        axes.annotate(words, (at, value), (0.0, 2.0), textcoords="offset points", size=7.0, ha="center")
    axes.set(xticks=range(len(names)), xlim=(-0.6, len(names) - 0.4))
    axes.set_xticklabels([f"step {each}" if each.isdigit() else f"{each} pulse" for each in names])
    axes.grid(visible=False, axis="x")
    axes.margins(y=0.12)
    # Where nothing moves there is no bar to scale by.
    axes.set_ylim(0.0, axes.get_ylim()[1] if any(getattr(step, column) > 0.0 for step in steps) else 1.0)
    look.heading(axes, name, "empty: cannot be kept", False, False)
    low, high = axes.get_ylim()
    labels = [
        look.Label(high - (0.06 + 0.08 * number) * (high - low), WORDS[attitude], STYLES[attitude][0].ink)
        for number, attitude in enumerate(attitudes)
    ]
    look.beside(axes, labels, LABELS_IN)
