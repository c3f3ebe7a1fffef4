"""A tuning in two figures: the map of ramp and cap, and one pull of the lever before and after (row 5)."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from sim.base.clock import US_PER_S
from sim.bench.run import Run
from sim.face import look
from sim.face.tune_text import no_ramp_helps, percent, reasons
from sim.jobs.tune.chart import Chart
from sim.jobs.tune.story import Story
from sim.jobs.tune.tuned import Tuned
from sim.jobs.tune.written import described
from sim.verdict.words import number

# Inches.
EDGE_IN, LEFT_IN, TITLE_IN, LINE_IN, FOOT_IN = 0.35, 0.4, 0.68, 0.17, 0.6
MAP_W_IN, MAP_H_IN, LABELS_IN = 6.6, 4.2, 2.3
PANEL_W_IN, GAP_IN = 7.4, 0.34
# Before the lever is pulled, and after the dead-man is let go.
BEFORE_S, AFTER_S = 0.5, 1.2

# The least room left, from broken to untouched; the border is at 0.
LEVELS = (-1.0, -0.2, 0.0, 0.05, 0.15, 0.3, 1.0)
COLOURS = ("#D98A6F", "#F0C3AC", "#FBF3D5", "#D8ECD9", "#A5D5B8", "#63B594")
WORDS = ("a limit far exceeded", "a limit exceeded", "under 5 % of room left", "5 to 15 %", "15 to 30 %", "over 30 %")
DECADES = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 4.0)

FILED = look.Style("#8A8A8A", "#5A5A5A", (0.0, (3.0, 1.2)), 1.4)
TUNED = look.Style("#0072B2", "#0072B2", "-", 1.9)
BARE = look.Style(look.VERMILLION, "#B34700", (0.0, (1.0, 1.0)), 1.2)


def chart(found: Tuned, cells: Chart) -> Figure:
    """Ramp time over cap, coloured by the least room left at any corner."""
    title = f"{found.ride.case.bench.vehicle.name}: how fast, and how much"
    caps = ", ".join(percent(found.settings[name]) for name in found.knobs.caps)
    told = [f"Ramp {found.settings[found.knobs.ramp_up]} ms, caps {caps}.", *reasons(found)[:2]]
    told += no_ramp_helps(found)[1:2]
    with look.styled():
        figure, top_in = _page(title, told, MAP_W_IN + LABELS_IN, MAP_H_IN + FOOT_IN)
        axes = look.axes_at(figure, EDGE_IN + LEFT_IN, top_in, MAP_W_IN, MAP_H_IN)
        _map(axes, cells)
        _points(axes, found)
        key = look.sheet_at(figure, EDGE_IN + LEFT_IN + MAP_W_IN, top_in, LABELS_IN, MAP_H_IN)
        _key(key, cells)
    return figure


def _page(title: str, told: list[str], width_in: float, height_in: float) -> tuple[Figure, float]:
    """A page with its title and sentences, and where the rest begins, in inches from the top."""
    lines = [line for text in told for line in look.wrapped(text, width_in, look.TEXT_PT)]
    head_in = TITLE_IN + LINE_IN * len(lines)
    page_w_in = width_in + LEFT_IN + 2.0 * EDGE_IN
    figure = look.blank(page_w_in, head_in + height_in)
    head = look.sheet_at(figure, EDGE_IN, 0.0, width_in + LEFT_IN, head_in)
    look.say(head, 0.0, 0.3, title, look.HEAD_PT, bold=True)
    for place, text in enumerate(lines):
        look.say(head, 0.0, 0.58 + LINE_IN * place, text, look.TEXT_PT)
    return figure, head_in


def _map(axes: Axes, cells: Chart) -> None:
    ramps_s = np.array(cells.ramps_ms, dtype=np.float64) / 1000.0
    caps = np.array(cells.caps_permille, dtype=np.float64) / 10.0
    rooms = np.clip(cells.rooms(), LEVELS[0] + 1e-6, LEVELS[-1] - 1e-6)
    colours = ListedColormap(list(COLOURS))
    axes.set(xscale="log", xlim=(ramps_s[0], ramps_s[-1]), ylim=(caps[0], caps[-1]))
    axes.contourf(ramps_s, caps, rooms, levels=LEVELS, cmap=colours, norm=BoundaryNorm(LEVELS, colours.N))
    if rooms.min() < 0.0 < rooms.max():
        axes.contour(ramps_s, caps, rooms, levels=(0.0,), colors=look.LIMIT.colour, linewidths=1.8)
    ticks = [each for each in DECADES if ramps_s[0] <= each <= ramps_s[-1]]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel("ramp (s from no drive to full)", size=look.TEXT_PT)
    axes.set_ylabel("cap (% of full drive)", size=look.TEXT_PT)
    axes.grid(visible=False)


def _points(axes: Axes, found: Tuned) -> None:
    """The drive as filed and the one recommended."""
    ramp = found.knobs.ramp_up
    top = max(found.settings[name] for name in found.knobs.caps)
    was = max(found.before[name] for name in found.knobs.caps)
    low_s, high_s = axes.get_xlim()
    halo: dict[str, Any] = {"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.8}
    for ramp_ms, cap, marker, face, words in (
        (found.before[ramp], was, "o", "white", "as filed"),
        (found.settings[ramp], top, "D", look.INK, "recommended"),
    ):
        at = (ramp_ms / 1000.0, cap / 10.0)
        axes.plot(*at, marker, markerfacecolor=face, markeredgecolor=look.INK, markersize=8.0, zorder=5, clip_on=False)
        # Away from the nearer edge, and off the border, which runs level beside the point.
        left = at[0] > (low_s * high_s) ** 0.5
        axes.annotate(
            f"{words}: {ramp_ms} ms, {percent(cap)}",
            at,
            (-10.0 if left else 10.0, 12.0 if words == "recommended" else 0.0),
            textcoords="offset points",
            size=look.SMALL_PT,
            va="center",
            ha="right" if left else "left",
            weight="bold" if words == "recommended" else "normal",
            bbox=halo,
            zorder=6,
        )


def _key(sheet: Axes, cells: Chart) -> None:
    """What the colours mean, and what breaks beyond the border."""
    x_in, y_in = 0.25, 0.12
    look.say(sheet, x_in, y_in, "Least room left", look.SMALL_PT, bold=True)
    for words, colour in reversed(list(zip(WORDS, COLOURS, strict=True))):
        y_in += 0.24
        sheet.plot(x_in + 0.1, y_in, "s", color=colour, markersize=10.0, markeredgecolor="#bbbbbb")
        look.say(sheet, x_in + 0.3, y_in, words, look.SMALL_PT)
    y_in += 0.24
    sheet.plot((x_in, x_in + 0.2), (y_in, y_in), color=look.LIMIT.colour, linewidth=1.8)
    look.say(sheet, x_in + 0.3, y_in, "beyond it a limit breaks:", look.SMALL_PT)
    for limit in dict.fromkeys(cell.limit for row in cells.cells for cell in row if -0.5 < cell.room < 0.0):
        y_in += LINE_IN
        look.say(sheet, x_in + 0.3, y_in, limit, look.SMALL_PT, look.LIMIT.ink)
    y_in += 0.3
    for text in look.wrapped(
        f"Room is the margin as a share of what it is at rest, the least at {cells.corners} corners, the supply guard "
        "not at work.",
        LABELS_IN - x_in,
        look.SMALL_PT,
    ):
        look.say(sheet, x_in, y_in, text, look.SMALL_PT, look.QUIET)
        y_in += LINE_IN


class Panel(NamedTuple):
    """A quantity of all runs, and the limits not to be crossed."""

    name: str
    height_in: float
    column: str
    limits: tuple[look.Limit, ...] = ()


def story(found: Tuned, shown: Story) -> Figure:
    """Bus, current, thrust and pulses of one pull of the lever, as filed and as tuned."""
    limits = shown.after.limits
    cut_v, trip_a = limits["esc_cut_v"], limits["trip_slow_a"]
    panels = (
        Panel("Bus voltage (V)", 1.5, "bus_v", (look.Limit(cut_v, f"ESCs cut, {number(cut_v)} V"),)),
        Panel("Pack current (A)", 1.2, "bus_a", (look.Limit(trip_a, f"slow trip, {number(trip_a)} A"),)),
        Panel("Thrust (N)", 1.2, "thrust_n"),
        Panel("Pulses to the left ESC (us)", 0.9, "left_pulse_us"),
    )
    told = [f"At {described(shown.corner)}."]
    told += [f"{words.capitalize()}: {_about(found, run)}" for words, run, _ in _runs(shown)]
    height_in = sum(panel.height_in + GAP_IN for panel in panels) + FOOT_IN
    with look.styled():
        figure, top_in = _page("The lever to full, and held", told, PANEL_W_IN + LABELS_IN, height_in)
        for panel in panels:
            top_in += GAP_IN
            axes = look.axes_at(figure, EDGE_IN + LEFT_IN, top_in, PANEL_W_IN, panel.height_in)
            _panel(axes, panel, shown, found)
            axes.tick_params(labelbottom=panel is panels[-1], length=2.5)
            top_in += panel.height_in
        axes.set_xlabel("seconds from pulling the lever", size=look.TEXT_PT)
    return figure


def _runs(shown: Story) -> list[tuple[str, Run, look.Style]]:
    runs = [("as filed", shown.before, FILED), ("as tuned", shown.after, TUNED)]
    return runs if shown.bare is None else [("without a guard", shown.bare, BARE), *runs]


def _about(found: Tuned, run: Run) -> str:
    """A run's cap and ramp, and what was cut or tripped."""
    params = run.bench.controller.params._asdict()
    cap = max(params[name] for name in found.knobs.caps)
    ramp = f", ramp {params[found.knobs.ramp_up]} ms" if found.knobs.ramp_up else ""
    bad = dict.fromkeys(event.what for event in run.events if event.kind in ("supply", "drive") and event.why)
    return f"cap {percent(cap)}{ramp}: {'; '.join(bad) or 'nothing is cut and nothing trips'}."


def _panel(axes: Axes, panel: Panel, shown: Story, found: Tuned) -> None:
    labels = []
    known = []
    for words, run, style in _runs(shown):
        t_s = run.table.t_us / US_PER_S - found.ride.pull_s
        seen = (t_s >= -BEFORE_S) & (t_s <= found.ride.hold_s + AFTER_S)
        values = run.table[panel.column][seen]
        if panel.column == "left_pulse_us":
            values = np.where(values > 0.0, values, np.nan)
        look.line(axes, t_s[seen], values, style)
        at = float(values[np.searchsorted(t_s[seen], found.ride.hold_s) - 1])
        known += [float(np.nanmin(values)), float(np.nanmax(values))]
        labels.append(look.Label(known[-2] if np.isnan(at) else at, words, style.ink))
    known += [limit.at for limit in panel.limits if limit.at < 1.6 * max(known)]
    low, high = min(known), max(known)
    air = 0.06 * (high - low) or 1.0
    axes.set(xlim=(-BEFORE_S, found.ride.hold_s + AFTER_S), ylim=(low - air, high + air))
    axes.locator_params(axis="y", nbins=5)
    labels += look.limits(axes, panel.limits)
    look.beside(axes, labels, LABELS_IN)
    look.heading(axes, panel.name, "", False, False)
