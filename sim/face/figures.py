"""Figures of a run or a recording: one stacked timeline, and several runs side by side (row 5)."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.bench.events import Event
from sim.face import look
from sim.face.look import save
from sim.face.panels import TROUBLE, Drawn, Panel, bare, panels
from sim.face.picture import Picture, Verdict, stretches, trouble

__all__ = ["Entry", "Picture", "Verdict", "listed", "save", "side_by_side", "timeline"]

# What a builder has to see first, first.
IMPORTANCE = ("supply", "drive", "fault", "controller", "water", "rider")
ROUTINE = len(IMPORTANCE)
MOST_EVENTS = 14
MOST_EVENTS_BESIDE = 9
# Equal events are many from this many on.
MANY = 3
# Both thrusters do the same this close together: one event.
TOGETHER_S = 0.02
SIDE = re.compile(r"\b(left|right) ")

OUTCOMES = ("fail", "undecided", "pass")
MOST_VERDICTS = 4
# Rows of the page of several runs, in this order.
BESIDE = (TROUBLE, "Mode button", "Controller", "Pulses", "Bus voltage", "Pack current", "Thrust")

# Inches.
MARKS_IN, FOOT_IN, HEAD_IN = 0.5, 0.5, 0.62
HEAD_LINE_IN = 0.165
LINE_IN, BREATH_IN, ITEM_IN, VERDICT_IN = 0.145, 0.07, 0.98, 0.85


class Entry(NamedTuple):
    """A numbered event of the list, and when the same happened again."""

    event: Event
    again_s: tuple[float, ...] = ()


def listed(events: Sequence[Event], most: int) -> tuple[list[Entry], list[Event]]:
    """The events worth a number, in order of time, and those left out.

    Parameters
    ----------
    events : in order of time.
    most : how many entries at most.

    Notes
    -----
    Both thrusters doing the same at once is one entry; so are many equal
    events that water made and, if there are still too many, of any kind. Of
    those, the first of each kind stays, so that a cause is not lost behind
    its effects, and then the most important kinds.
    """
    entries = grouped([Entry(event) for event in sides_joined(events)], ("water",))
    if len(entries) > most:
        entries = grouped(entries, IMPORTANCE)
    ranks = [rank(entry.event) for entry in entries]
    later = [place in ranks[:index] or place == ROUTINE for index, place in enumerate(ranks)]
    kept = set(sorted(range(len(entries)), key=lambda index: (later[index], ranks[index], index))[:most])
    left_out = [entry.event for index, entry in enumerate(entries) if index not in kept]
    return [entries[index] for index in sorted(kept)], left_out


def rank(event: Event) -> int:
    """Its place in the order of importance."""
    # Supply and drive give a reason whenever something is wrong; without one they only start up.
    routine = event.kind in ("supply", "drive") and not event.why
    return ROUTINE if routine or event.kind not in IMPORTANCE else IMPORTANCE.index(event.kind)


def sides_joined(events: Sequence[Event]) -> list[Event]:
    """The events, with the same of the left and the right thruster as one."""
    joined: list[Event] = []
    for event in events:
        place = twin(joined, event)
        if place is None:
            joined.append(event)
        else:
            joined[place] = joined[place]._replace(what=of_each(event))
    return joined


def of_each(event: Event) -> str:
    """What happened, said of either side."""
    return SIDE.sub("each ", event.what, count=1)


def twin(before: Sequence[Event], event: Event) -> int | None:
    """Where among the events just before stands the same of the other side."""
    for place in reversed(range(len(before))):
        other = before[place]
        if event.t_s - other.t_s > TOGETHER_S:
            return None
        if other.what not in (event.what, of_each(event)) and of_each(other) == of_each(event):
            return place
    return None


def grouped(entries: Sequence[Entry], kinds: Sequence[str]) -> list[Entry]:
    """Equal events of these kinds as one entry at the first of them, where there are many."""
    count = Counter(entry.event.what for entry in entries)
    first: dict[str, int] = {}
    result: list[Entry] = []
    for entry in entries:
        what = entry.event.what
        if entry.event.kind not in kinds or count[what] < MANY:
            result.append(entry)
        elif what not in first:
            first[what] = len(result)
            result.append(entry)
        else:
            kept = result[first[what]]
            result[first[what]] = kept._replace(again_s=(*kept.again_s, entry.event.t_s, *entry.again_s))
    return result


class Column(NamedTuple):
    """A picture's panels from the top down; `None` where it has no columns for one."""

    picture: Picture
    rows: list[tuple[Panel, Axes, Drawn | None]]


class Frame(NamedTuple):
    """Where a column of panels stands on the page, in inches."""

    left: float
    top: float
    width: float
    gap: float
    labels: float
    # Notes stand under the panels' names where a column is too narrow for both in a line.
    stacked: bool


def timeline(picture: Picture, weakest_cell: bool = False) -> Figure:
    """One run or recording on one page, all panels over one time axis.

    Parameters
    ----------
    weakest_cell : add a panel with the weakest cell's voltage.
    """
    list_in = 4.0
    shown = panels(picture, weakest_cell)
    entries, left_out = listed(picture.events, MOST_EVENTS)
    left_in, width_in, labels_in = 0.65, 8.3, 1.6
    head_w_in = width_in + labels_in + list_in
    head_in = head_height(picture, head_w_in)
    frame = Frame(left_in, head_in, width_in, 0.27, labels_in, stacked=False)
    page_in = left_in + head_w_in
    list_height_in = list_height(entries, left_out, list_in)
    with look.styled():
        figure = look.blank(page_in, head_in + max(stack_height(shown, frame), list_height_in))
        write_head(look.sheet_at(figure, left_in, 0.0, head_w_in, head_in), picture)
        column = stack(figure, picture, shown, frame, picture.span_s)
        finish(figure, column, entries, frame)
        write_list(look.sheet_at(figure, page_in - list_in, head_in, list_in, list_height_in), entries, left_out)
    return figure


def side_by_side(pictures: Sequence[Picture]) -> Figure:
    """Two to four runs as columns, with the same rows and scales.

    Raises
    ------
    ValueError
        Another number of pictures.
    """
    if not 2 <= len(pictures) <= 4:
        raise ValueError(f"two to four pictures fit side by side; got {len(pictures)}")
    width_in = {2: 4.6, 3: 3.5, 4: 2.9}[len(pictures)]
    labels_in = 1.35
    pitch_in = width_in + labels_in + 0.4
    shown = rows_of(pictures)
    span_s = (min(each.span_s[0] for each in pictures), max(each.span_s[1] for each in pictures))
    told = [listed(each.events, MOST_EVENTS_BESIDE) for each in pictures]
    head_in = max(head_height(each, pitch_in - 0.2) for each in pictures)
    list_in = max(list_height(*each, pitch_in - 0.25) for each in told)
    lefts_in = [0.6 + pitch_in * index for index in range(len(pictures))]
    frames = [Frame(left_in, head_in, width_in, 0.44, labels_in, stacked=True) for left_in in lefts_in]
    stack_in = stack_height(shown, frames[0])
    with look.styled():
        figure = look.blank(0.5 + pitch_in * len(pictures), head_in + stack_in + list_in)
        columns = [stack(figure, each, shown, frame, span_s) for each, frame in zip(pictures, frames, strict=True)]
        for row in zip(*(column.rows for column in columns), strict=True):
            same_scale([axes for _, axes, drawn in row if drawn])
        for column, frame, (entries, left_out) in zip(columns, frames, told, strict=True):
            write_head(look.sheet_at(figure, frame.left, 0.0, pitch_in - 0.2, head_in), column.picture)
            finish(figure, column, entries, frame)
            sheet = look.sheet_at(figure, frame.left, head_in + stack_in, pitch_in - 0.25, list_in)
            write_list(sheet, entries, left_out)
    return figure


def rows_of(pictures: Sequence[Picture]) -> list[Panel]:
    """The rows that several pictures share: each as high as the highest needs."""
    rows: dict[str, Panel] = {}
    for picture in pictures:
        for panel in panels(picture):
            if panel.name.startswith(BESIDE):
                known = rows.get(panel.name, panel)
                rows[panel.name] = max(known, panel, key=lambda each: each.height_in)
    return sorted(rows.values(), key=lambda panel: next(k for k, n in enumerate(BESIDE) if panel.name.startswith(n)))


def same_scale(row: Sequence[Axes]) -> None:
    """Give all panels of a row the scale that holds them all."""
    lows, highs = zip(*(axes.get_ylim() for axes in row), strict=True)
    for axes in row:
        axes.set_ylim(min(lows), max(highs))


def stack_height(shown: Sequence[Panel], frame: Frame) -> float:
    """Height of a column in inches, its strip of marks and its time axis with it."""
    return MARKS_IN + sum(panel.height_in + frame.gap for panel in shown) + FOOT_IN


def stack(
    figure: Figure, picture: Picture, shown: Sequence[Panel], frame: Frame, span_s: tuple[float, float]
) -> Column:
    """Draw panels under one another, below a strip that is kept for the events' marks."""
    own = {panel.name: panel for panel in panels(picture, weakest_cell=True)}
    rows: list[tuple[Panel, Axes, Drawn | None]] = []
    y_in = frame.top + MARKS_IN
    for panel in shown:
        y_in += frame.gap
        axes = look.axes_at(figure, frame.left, y_in, frame.width, panel.height_in)
        axes.set_xlim(span_s)
        axes.tick_params(labelbottom=panel is shown[-1], length=2.5)
        drawn = own[panel.name].draw(axes, picture) if panel.name in own else None
        rows.append((panel, axes, drawn))
        y_in += panel.height_in
    if rows:
        rows[-1][1].set_xlabel("time (s)", size=look.TEXT_PT)
    return Column(picture, rows)


def finish(figure: Figure, column: Column, entries: Sequence[Entry], frame: Frame) -> None:
    """What needs the final scales: limits, labels, headings, shading and the events' marks."""
    wrong = [mask for _, mask in trouble(column.picture)]
    shaded = stretches(column.picture, np.logical_or.reduce(wrong)) if wrong else []
    for panel, axes, drawn in column.rows:
        if drawn is None:
            bare(axes, (0.0, 1.0))
            drawn = Drawn(note="nothing" if panel.name == TROUBLE else "not recorded")
        labels = [*drawn.labels, *look.limits(axes, drawn.limits)]
        look.beside(axes, labels, frame.labels)
        look.heading(axes, panel.name, drawn.note, drawn.warns, frame.stacked)
        if panel.name != TROUBLE:
            look.shade(axes, shaded)
        for entry in entries:
            look.moment(axes, entry.event.t_s, colour_of(entry.event))
    if column.rows:
        sheet = look.sheet_at(figure, frame.left, frame.top, frame.width, MARKS_IN)
        write_marks(sheet, column.rows[0][1].get_xlim(), entries)


def write_marks(sheet: Axes, span_s: tuple[float, float], entries: Sequence[Entry]) -> None:
    """Numbers over the panels, each tied to its moment; a short tick for each time it happened again."""
    first_s, last_s = span_s
    (left_in, right_in), (bottom_in, _) = sheet.get_xlim(), sheet.get_ylim()

    def across_in(t_s: float) -> float:
        return left_in + (t_s - first_s) / (last_s - first_s) * (right_in - left_in)

    moments = [across_in(entry.event.t_s) for entry in entries]
    places = look.spread(moments, 0.26, 0.0, right_in)
    for number, (entry, moment_in, place_in) in enumerate(zip(entries, moments, places, strict=True), 1):
        colour = colour_of(entry.event)
        sheet.plot(
            (place_in, moment_in, moment_in), (0.13, bottom_in - 0.08, bottom_in), color=colour, linewidth=0.9, zorder=1
        )
        look.disc(sheet, place_in, 0.13, number, colour)
        again = [across_in(t_s) for t_s in entry.again_s]
        sheet.vlines(again, bottom_in - 0.07, bottom_in, color=colour, linewidth=0.9)


def item_lines(entry: Entry, width_in: float) -> tuple[list[str], list[str]]:
    """What an entry says and why, in lines that fit beside its number and time."""
    room_in = width_in - ITEM_IN - 0.1
    what, why = entry.event.what, entry.event.why
    if entry.again_s:
        what += f" \N{MULTIPLICATION SIGN}{len(entry.again_s) + 1}, last at {entry.again_s[-1]:.3f} s"
        why = f"first: {why}" if why else ""
    return look.wrapped(what, room_in, look.SMALL_PT), look.wrapped(why, room_in, look.SMALL_PT)


def list_height(entries: Sequence[Entry], left_out: Sequence[Event], width_in: float) -> float:
    """Height of the list in inches."""
    lines = sum(len(part) for entry in entries for part in item_lines(entry, width_in))
    return 0.45 + lines * LINE_IN + len(entries) * BREATH_IN + (LINE_IN if left_out else 0.0)


def write_list(sheet: Axes, entries: Sequence[Entry], left_out: Sequence[Event]) -> None:
    """The numbered events: when, what, why."""
    width_in = sheet.get_xlim()[1]
    y_in = 0.14
    look.say(sheet, 0.0, y_in, "What happened" if entries else "No events", look.TEXT_PT, bold=True)
    y_in += 0.24
    for number, entry in enumerate(entries, 1):
        what, why = item_lines(entry, width_in)
        look.disc(sheet, 0.12, y_in, number, colour_of(entry.event))
        look.say(sheet, 0.3, y_in, f"{entry.event.t_s:.3f} s", look.SMALL_PT, bold=True)
        for text, colour in [(text, look.INK) for text in what] + [(text, look.QUIET) for text in why]:
            look.say(sheet, ITEM_IN, y_in, text, look.SMALL_PT, colour)
            y_in += LINE_IN
        y_in += BREATH_IN
    if left_out:
        look.say(sheet, 0.3, y_in, f"and {len(left_out)} more, of less weight", look.SMALL_PT, look.QUIET)


class HeadLine(NamedTuple):
    """A line under the title; the first of a verdict has its outcome before it."""

    text: str
    colour: str
    outcome: str = ""
    indent: float = 0.0


def head_lines(picture: Picture, width_in: float) -> list[HeadLine]:
    """What stands under the title: the worst verdicts first."""
    lines = [HeadLine(text, look.QUIET) for text in look.wrapped(picture.subtitle, width_in, look.TEXT_PT)]
    if picture.closest:
        closest = look.wrapped(f"Closest: {picture.closest}", width_in, look.TEXT_PT)
        lines += [HeadLine(text, look.INK) for text in closest]
    worst_first = sorted(picture.verdicts, key=lambda verdict: OUTCOMES.index(verdict.outcome))
    for outcome, text in worst_first[:MOST_VERDICTS]:
        first, *rest = look.wrapped(text, width_in - VERDICT_IN, look.TEXT_PT) or [""]
        lines.append(HeadLine(first, look.INK, outcome, VERDICT_IN))
        lines += [HeadLine(part, look.INK, indent=VERDICT_IN) for part in rest]
    more = Counter(verdict.outcome for verdict in worst_first[MOST_VERDICTS:])
    if more:
        text = "and " + ", ".join(f"{count} {outcome}" for outcome, count in more.items())
        lines.append(HeadLine(text, look.QUIET, indent=VERDICT_IN))
    return lines


def head_height(picture: Picture, width_in: float) -> float:
    """Height of the head in inches."""
    return HEAD_IN + HEAD_LINE_IN * len(head_lines(picture, width_in))


def write_head(sheet: Axes, picture: Picture) -> None:
    """Title, overall verdict, and what it rests on."""
    width_in = sheet.get_xlim()[1]
    title_in = 0.0
    if picture.verdicts:
        worst = min((verdict.outcome for verdict in picture.verdicts), key=OUTCOMES.index)
        title_in = 0.18 + 0.115 * len(worst)
        look.plate(sheet, title_in / 2.0 - 0.05, 0.3, worst.upper(), look.VERDICT_COLOURS[worst])
    title = "".join(look.wrapped(picture.title, width_in - title_in, look.HEAD_PT, 1, look.BOLD_EM))
    look.say(sheet, title_in, 0.3, title, look.HEAD_PT, bold=True)
    for number, line in enumerate(head_lines(picture, width_in)):
        y_in = HEAD_IN - 0.04 + HEAD_LINE_IN * number
        look.say(sheet, line.indent, y_in, line.text, look.TEXT_PT, line.colour)
        if line.outcome:
            look.say(sheet, 0.0, y_in, line.outcome, look.TEXT_PT, look.VERDICT_COLOURS[line.outcome], bold=True)


def colour_of(event: Event) -> str:
    """An event's colour, by its kind."""
    return look.EVENT_COLOURS.get(event.kind, look.QUIET)
