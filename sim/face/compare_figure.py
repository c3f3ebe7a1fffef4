"""Two runs over one another on one time axis, and where their commands part (row 5)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.base.clock import US_PER_S
from sim.face import look
from sim.face.look import Label, Limit, Run, Style
from sim.jobs.compare import Comparison, Side
from sim.verdict.words import quantity

FIRST = Style("#0072B2", "#0072B2", "-", 2.2)
SECOND = Style("#B5488A", "#8F3A6D", (0.0, (3.0, 1.6)), 1.4)

WIDTH_IN, LABELS_IN, LEFT_IN, HEAD_IN, GAP_IN, FOOT_IN = 9.0, 1.9, 0.65, 1.08, 0.34, 0.5
LANE_IN = 0.2
# A scale that is narrower than this says nothing.
LEAST_SPAN = 1e-6


class Row(NamedTuple):
    """A panel: its name, its column on both sides, its height, the limits that belong there."""

    name: str
    column: str
    height_in: float
    steps: bool = False
    limits: tuple[tuple[str, str], ...] = ()
    extreme: str = ""  # min or max: the value worth a label


WORDS: dict[tuple[str, ...], str] = {
    ("left_pulse_us", "right_pulse_us"): "both pulses",
    ("power_step", "display"): "power step, display",
}
Lanes = Mapping[tuple[tuple[float, float], ...], list[str]]

ROWS = (
    Row("Lever as understood (permille)", "lever_permille", 0.8),
    Row("Power step", "power_step", 0.45, True),
    Row("Left pulse (us)", "left_pulse_us", 0.95, True, (("stop_us", "stop"),)),
    Row("Bus voltage (V)", "bus_v", 1.1, False, (("esc_cut_v", "ESCs cut"),), "min"),
    Row("Pack current (A)", "bus_a", 0.9, False, (("trip_slow_a", "slow trip"),), "max"),
    Row("Thrust (N)", "thrust_n", 0.9, False, (), "max"),
    Row("Speed (m/s)", "speed_m_s", 0.6, False, (), "max"),
)


def overlay(found: Comparison) -> Figure:
    """Both sides' lines over one another; the stretches in which a command differs are tinted."""
    shown = [row for row in ROWS if _tells(found, row.column)]
    lanes = _lanes(found)
    lanes_in = LANE_IN * max(len(lanes), 1)
    height_in = HEAD_IN + lanes_in + GAP_IN + sum(row.height_in + GAP_IN for row in shown) + FOOT_IN
    t_s = found.first.table.t_us / US_PER_S
    span = (float(t_s[0]), float(max(t_s[-1], t_s[0] + 1e-3)))
    with look.styled():
        figure = look.blank(LEFT_IN + WIDTH_IN + LABELS_IN, height_in)
        _head(look.sheet_at(figure, LEFT_IN, 0.0, WIDTH_IN + LABELS_IN - 0.2, HEAD_IN), found)
        top_in = HEAD_IN
        axes = look.axes_at(figure, LEFT_IN, top_in, WIDTH_IN, lanes_in)
        _draw_lanes(axes, lanes, span)
        top_in += lanes_in + GAP_IN
        for row in shown:
            axes = look.axes_at(figure, LEFT_IN, top_in, WIDTH_IN, row.height_in)
            _panel(axes, found, row, span)
            top_in += row.height_in + GAP_IN
        axes.tick_params(labelbottom=True)
        axes.set_xlabel("time (s)", size=look.SMALL_PT)
    return figure


def _head(sheet: Axes, found: Comparison) -> None:
    """The two sides in their colours, and where they part."""
    for at_in, side, style, word in ((0.2, found.first, FIRST, "solid"), (0.42, found.second, SECOND, "dashed")):
        sheet.plot((0.0, 0.42), (at_in, at_in), color=style.colour, linestyle=style.dashes, linewidth=style.width)
        look.say(sheet, 0.55, at_in, f"{side.name} ({word})", look.TEXT_PT + 1, style.ink, bold=True)
    if found.command is None:
        told = "Every command is the same at every tick."
    else:
        told = f"Commands part at {found.command[0]:.3f} s, with {found.command[1]}."
    if found.pin is not None:
        told += f" What the pins read differs from {found.pin[0]:.3f} s, with {found.pin[1]}."
    look.say(sheet, 0.0, 0.66, told, look.TEXT_PT)


def _tells(found: Comparison, column: str) -> bool:
    """Whether both sides have a column, and it changes on one of them at least."""
    sides = (found.first.table, found.second.table)
    return all(column in table for table in sides) and any(np.ptp(table[column]) > 0.0 for table in sides)


def _lanes(found: Comparison) -> Lanes:
    """The columns of the command that differ, those with the same stretches together."""
    spans: dict[str, list[tuple[float, float]]] = {}
    for each in found.stretches:
        spans.setdefault(each.column, []).append((each.from_s, each.to_s))
    lanes: dict[tuple[tuple[float, float], ...], list[str]] = {}
    for column, own in spans.items():
        lanes.setdefault(tuple(own), []).append(column)
    return lanes


def _draw_lanes(axes: Axes, lanes: Lanes, span: tuple[float, float]) -> None:
    """A bar for each command that differs."""
    axes.set(xlim=span, ylim=(-max(len(lanes), 1), 0.0), yticks=())
    axes.tick_params(labelbottom=False, length=0)
    axes.grid(visible=False)
    axes.spines[:].set_visible(False)
    look.heading(axes, "Where commands differ", "" if lanes else "nowhere", False, False)
    labels = []
    for lane, (spans, columns) in enumerate(lanes.items(), 1):
        look.bar(axes, [Run(from_s, to_s, 1.0) for from_s, to_s in spans], 0.15 - lane, 0.7, look.INK)
        labels.append(Label(0.5 - lane, WORDS.get(tuple(columns), ", ".join(columns)), look.INK))
    look.beside(axes, labels, LABELS_IN)


def _panel(axes: Axes, found: Comparison, row: Row, span: tuple[float, float]) -> None:
    sides = ((found.first, FIRST), (found.second, SECOND))
    values = np.concatenate([side.table[row.column] for side, _ in sides])
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    room = 0.08 * max(high - low, LEAST_SPAN)
    if high - low < LEAST_SPAN:
        room = 0.5
    axes.set(xlim=span, ylim=(low - room, high + room))
    axes.tick_params(labelbottom=False)
    if row.column == "power_step":
        axes.set_yticks(range(int(low), int(high) + 1))
    differ = [Run(each.from_s, each.to_s, 1.0) for each in found.stretches if each.column.endswith("pulse_us")]
    look.shade(axes, differ)
    for side, style in sides:
        look.line(axes, side.table.t_us / US_PER_S, side.table[row.column], style, row.steps)
    labels = [*_ends(found, row), *look.limits(axes, list(_limits(found.first, row)))]
    look.heading(axes, row.name, "", False, False)
    look.beside(axes, labels, LABELS_IN)


def _ends(found: Comparison, row: Row) -> Iterator[Label]:
    """The extreme of each side that matters, beside its height."""
    pick = {"min": np.nanmin, "max": np.nanmax}.get(row.extreme)
    for side, style in ((found.first, FIRST), (found.second, SECOND)):
        if pick is not None and np.isfinite(side.table[row.column]).any():
            value = float(pick(side.table[row.column]))
            yield Label(value, f"{row.extreme} {value:.4g}", style.ink)


def _limits(side: Side, row: Row) -> Iterator[Limit]:
    for name, words in row.limits:
        if name in side.limits:
            unit = name.rpartition("_")[2]
            unit = {"v": "V", "a": "A"}.get(unit, unit)
            yield Limit(side.limits[name], f"{words} {quantity(side.limits[name], unit)}")
