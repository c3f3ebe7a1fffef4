"""The panels of a figure: one for each kind of quantity, drawn where its columns were recorded (row 5)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes

from sim.face import look
from sim.face.look import Floats, Label, Limit
from sim.face.picture import Mask, Picture, has, lengthened, stretches, trouble
from sim.record.table import Table
from sim.verdict.words import number, times
from sim.world import protection, supply

# Full scale of a converter of 12 bits, the usual one; raw counts are drawn as a part of it.
FULL_COUNTS = 4095.0
# A limit this many times further than the data is named but not drawn, as it would flatten the data.
FAR = 1.5
LANE_IN = 0.19
TROUBLE = "Out of order"


class Drawn(NamedTuple):
    """What a panel leaves for the page to write once all scales are known; a note that warns stands out."""

    labels: Sequence[Label] = ()
    limits: Sequence[Limit] = ()
    note: str = ""
    warns: bool = False


class Panel(NamedTuple):
    """A panel: its name, its height, and what draws it on axes that already have their time axis."""

    name: str
    height_in: float
    draw: Callable[[Axes, Picture], Drawn]


class Contact(NamedTuple):
    """A contact: its columns, the reading that means it is worked, and words."""

    name: str
    line: str
    reads: str
    truth: str
    worked: float
    did: str
    read: str
    height_in: float


CONTACTS = (
    Contact("Dead-man", "deadman_line_v", "deadman", "deadman_pressed", 1.0, "rider presses", "reads pressed", 0.85),
    Contact("Mode button", "mode_line_v", "mode_button", "mode_pressed", 1.0, "rider presses", "reads pressed", 0.85),
    Contact("Kill cord", "cord_line_v", "kill_cord", "cord_seated", 0.0, "rider pulls", "reads pulled", 0.62),
)
UNDERSTOOD = ("lever_understood_frac", "lever_permille")
PULSES = ("left_pulse_us", "right_pulse_us", "recorded_left_pulse_us", "recorded_right_pulse_us")


def panels(picture: Picture, weakest_cell: bool = False) -> list[Panel]:
    """The panels a picture's columns allow, from the rider's hand to the water.

    Parameters
    ----------
    weakest_cell : add the weakest cell's voltage.
    """
    table = picture.table
    wrong = len(trouble(picture))
    lanes = sum(name in table for name in ("power_step", "mode"))
    offered = (
        (wrong > 0, Panel(TROUBLE, LANE_IN * wrong, draw_trouble)),
        (has(table, "lever_frac", "hall_counts", *UNDERSTOOD), Panel("Lever (1 is full)", 1.0, draw_lever)),
        *((has(table, each.line, each.reads), contact_panel(each, table)) for each in CONTACTS),
        (lanes > 0, Panel("Controller", 0.3 * lanes, draw_controller)),
        (has(table, *PULSES), Panel("Pulses to the ESCs (us)", 0.85, draw_pulses)),
        ("bus_v" in table, Panel("Bus voltage (V)", 1.25, draw_bus)),
        (weakest_cell and "cell_v_min" in table, Panel("Weakest cell (V)", 0.9, draw_cell)),
        (rail_left(picture), Panel("Rail of the logic (V)", 0.8, draw_rail)),
        (has(table, "bus_a", "pack_a"), Panel("Pack current (A)", 1.0, draw_current)),
        (has(table, "left_thrust_n", "right_thrust_n", "thrust_n"), Panel("Thrust (N)", 0.85, draw_thrust)),
        ("speed_m_s" in table, Panel("Speed (m/s)", 0.6, draw_speed)),
    )
    return [panel for present, panel in offered if present]


def draw_trouble(axes: Axes, picture: Picture) -> Drawn:
    """One bar for each thing that is wrong."""
    found = trouble(picture)
    bare(axes, (-len(found), 0.0))
    labels = []
    for lane, (words, mask) in enumerate(found, 1):
        look.bar(axes, stretches(picture, mask), 0.15 - lane, 0.7, look.VERMILLION)
        labels.append(Label(0.5 - lane, words, look.VERMILLION))
    return Drawn(labels)


def draw_lever(axes: Axes, picture: Picture) -> Drawn:
    """The lever, the raw sensor, and what the controller makes of it."""
    table = picture.table
    axes.set(ylim=(-0.06, 1.06), yticks=(0.0, 0.5, 1.0))
    columns = []
    if "hall_counts" in table:
        full = max((FULL_COUNTS, *finite_bounds(table["hall_counts"])))
        columns.append((table["hall_counts"] / full, look.RAW, f"raw, {full:.0f} is 1"))
    if "lever_frac" in table:
        columns.append((table["lever_frac"], look.TRUE, "lever itself"))
    if "lever_understood_frac" in table:
        columns.append((table["lever_understood_frac"], look.UNDERSTOOD, "as understood"))
    elif "lever_permille" in table:
        columns.append((table["lever_permille"] / 1000.0, look.UNDERSTOOD, "as understood"))
    return Drawn([labelled(axes, picture, *column) for column in columns])


def contact_panel(contact: Contact, table: Table) -> Panel:
    """The panel of a contact; lower where only its readings are known."""
    with_line = contact.line in table
    name = f"{contact.name}: line (V)" if with_line else contact.name
    height_in = contact.height_in if with_line else 0.3
    return Panel(name, height_in, lambda axes, picture: draw_contact(axes, picture, contact))


def draw_contact(axes: Axes, picture: Picture, contact: Contact) -> Drawn:
    """A contact's line voltage against the input's thresholds, what it reads, and what the rider did."""
    table = picture.table
    labels: list[Label] = []
    top_v = 1.0
    if contact.line in table:
        top_v = rail_top(picture, contact)
        labels += thresholds(axes, picture, contact)
        look.line(axes, picture.t_s, table[contact.line], look.LINE_VOLTAGE)
    low_v = (-0.5 if has(table, contact.reads, contact.truth) else -0.08) * top_v
    if contact.line in table:
        bare(axes, (low_v, 1.08 * top_v), (0.0, top_v))
    else:
        bare(axes, (low_v, 0.0))
    did = table[contact.truth] == contact.worked if contact.truth in table else None
    if did is not None:
        look.bar(axes, stretches(picture, did), -0.22 * top_v, 0.12 * top_v, look.GREEN)
        labels.append(Label(-0.16 * top_v, contact.did, look.TRUE.ink))
    if contact.reads not in table:
        return Drawn(labels)
    read = table[contact.reads] == contact.worked
    if "chip" in table:
        # A chip that does not run reads nothing.
        read &= table["chip"] == supply.RUNNING
    look.bar(axes, stretches(picture, read), -0.44 * top_v, 0.12 * top_v, look.INK)
    labels.append(Label(-0.38 * top_v, contact.read, look.INK))
    if did is None:
        return Drawn(labels)
    wrong = stretches(picture, read & ~lengthened(picture, did))
    look.bar(axes, wrong, -0.44 * top_v, 0.12 * top_v, look.VERMILLION)
    note = f"{contact.read} {times(len(wrong))} with no hand on it" if wrong else ""
    return Drawn(labels, note=note, warns=bool(wrong))


def rail(picture: Picture) -> Floats | None:
    """What the contacts' pull-ups hang on, row by row, where anything tells."""
    table = picture.table
    for name in ("rail_v", "sensor_supply_v"):
        if name in table:
            return table[name]
    if "rail_nominal_v" in picture.limits:
        return np.full(len(table), picture.limits["rail_nominal_v"])
    return None


def rail_top(picture: Picture, contact: Contact) -> float:
    """The top of a contact's scale."""
    rail_v = rail(picture)
    return max((0.1, *finite_bounds(picture.table[contact.line] if rail_v is None else rail_v)))


def thresholds(axes: Axes, picture: Picture, contact: Contact) -> list[Label]:
    """The band between an input's two thresholds, in which it keeps its last reading."""
    rail_v = rail(picture)
    if rail_v is None or not {"input_low_frac", "input_high_frac"} <= set(picture.limits):
        return []
    low_frac, high_frac = picture.limits["input_low_frac"], picture.limits["input_high_frac"]
    t_s, rail_v = look.envelope(picture.t_s, rail_v)
    axes.fill_between(t_s, low_frac * rail_v, high_frac * rail_v, color=look.BETWEEN, linewidth=0.0, zorder=0.5)
    for frac in (low_frac, high_frac):
        look.line(axes, t_s, frac * rail_v, look.THRESHOLD)
    low_v, high_v = low_frac * rail_top(picture, contact), high_frac * rail_top(picture, contact)
    # The cord's contact may close when pulled or when in place; the others close when pressed.
    low, high = ("pressed", "open") if contact.worked else ("low", "high")
    return [
        Label(low_v, f"{low} to {number(round(low_v, 2))} V", look.THRESHOLD.ink),
        Label(high_v, f"{high} from {number(round(high_v, 2))} V", look.THRESHOLD.ink),
    ]


def draw_controller(axes: Axes, picture: Picture) -> Drawn:
    """Power step and mode as bands with words."""
    table, t_s = picture.table, picture.t_s
    lanes = [name for name in ("mode", "power_step") if name in table]
    bare(axes, (0.0, float(len(lanes))))
    labels = []
    for lane, name in enumerate(lanes):
        found = look.runs(t_s, table[name])
        for value in sorted({int(run.value) for run in found if np.isfinite(run.value)}):
            same = [run for run in found if run.value == value]
            if name == "mode":
                look.bands(axes, same, lane + 0.06, 0.88, *mode_band(picture, value))
            elif value > 0:
                colour = look.STEP_COLOURS[min(value, len(look.STEP_COLOURS)) - 1]
                look.bands(axes, same, lane + 0.06, 0.88, colour, f"step {value}", look.INK)
        labels.append(Label(lane + 0.5, name.replace("_", " "), look.INK))
    return Drawn(labels)


def mode_band(picture: Picture, mode: int) -> tuple[str, str, str]:
    """Colour of a mode's band, its words, and their colour."""
    if mode < 0:
        return look.QUIET, "chip not running", "white"
    return look.MODE_COLOURS[mode % len(look.MODE_COLOURS)], picture.modes.get(mode, f"mode {mode}"), look.INK


def draw_pulses(axes: Axes, picture: Picture) -> Drawn:
    """Pulse widths to both ESCs, and the recorded ones where there are any."""
    table = picture.table
    styles = {
        "recorded_left_pulse_us": (look.LEFT_RECORDED, "left, recorded"),
        "recorded_right_pulse_us": (look.RIGHT_RECORDED, "right, recorded"),
        "left_pulse_us": (look.LEFT, "left"),
        "right_pulse_us": (look.RIGHT, "right"),
    }
    # A width of 0 is no pulse at all, and would flatten the others.
    sent = {name: np.where(table[name] > 0.0, table[name], np.nan) for name in styles if name in table}
    lines = [labelled(axes, picture, sent[name], *styles[name], True) for name in sent]
    ends = values_of(picture, "stop_us", "full_us")
    fit(axes, *sent.values(), include=ends)
    if len(ends) == 2:
        axes.set_yticks([ends[0], (ends[0] + ends[1]) / 2.0, ends[1]])
    gaps = any(np.isnan(values).any() for values in sent.values())
    return Drawn(lines, note="gaps: no pulses sent" if gaps else "")


def draw_bus(axes: Axes, picture: Picture) -> Drawn:
    """Bus voltage over the ESCs' cut-off."""
    table = picture.table
    # A bus that is switched off is not low.
    fed = np.ones(len(table), dtype=np.bool_)
    if "switch_closed" in table:
        fed &= table["switch_closed"] > 0.5
    if "protection_tripped" in table:
        fed &= table["protection_tripped"] == protection.CLOSED
    return draw_voltage(axes, picture, table["bus_v"], "esc_cut_v", "ESC cut-off", 1, fed)


def draw_cell(axes: Axes, picture: Picture) -> Drawn:
    """The weakest cell over the protection's limit."""
    return draw_voltage(axes, picture, picture.table["cell_v_min"], "cell_low_v", "cell limit", 2)


def draw_rail(axes: Axes, picture: Picture) -> Drawn:
    """The logic's rail over its brown-out."""
    return draw_voltage(axes, picture, picture.table["rail_v"], "brown_out_v", "brown-out", 2)


def draw_voltage(
    axes: Axes, picture: Picture, values: Floats, key: str, words: str, digits: int, among: Mask | None = None
) -> Drawn:
    """A voltage over its limit; the lowest point, among some rows if given, is marked, and how near in words."""
    look.line(axes, picture.t_s, values, look.SINGLE)
    fit(axes, values, include=values_of(picture, key))
    limit = named(picture, "V", **{key: words})
    counted = np.flatnonzero(np.isfinite(values) if among is None else np.isfinite(values) & among)
    if not len(counted):
        return Drawn(limits=limit)
    lowest = int(counted[values[counted].argmin()])
    look.point(axes, picture.t_s[lowest], values[lowest])
    note, under = f"lowest {values[lowest]:.{digits}f} V", False
    for limit_v in values_of(picture, key):
        under = bool(values[lowest] < limit_v)
        note += f", {abs(values[lowest] - limit_v):.{digits}f} V {'under' if under else 'over'} the {words}"
    return Drawn((), limit, note, under)


def rail_left(picture: Picture) -> bool:
    """Whether the logic's rail came more than half-way down to its brown-out."""
    limits, table = picture.limits, picture.table
    if "rail_v" not in table or not {"brown_out_v", "rail_nominal_v"} <= set(limits):
        return False
    return bool(table["rail_v"].min() < (limits["brown_out_v"] + limits["rail_nominal_v"]) / 2.0)


def draw_current(axes: Axes, picture: Picture) -> Drawn:
    """Pack current under the protection's trip levels."""
    table = picture.table
    drawn_a = table["bus_a"] if "bus_a" in table else table["pack_a"]
    look.line(axes, picture.t_s, drawn_a, look.SINGLE)
    highest_a = max(finite_bounds(drawn_a), default=0.0)
    for highest in np.flatnonzero(drawn_a == highest_a)[:1]:
        look.point(axes, picture.t_s[highest], highest_a)
    near = [trip_a for trip_a in values_of(picture, "trip_fast_a") if trip_a < FAR * highest_a]
    fit(axes, drawn_a, include=(0.0, *values_of(picture, "trip_slow_a"), *near))
    limits = named(picture, "A", trip_slow_a="slow trip", trip_fast_a="fast trip")
    note, over = f"highest {highest_a:.0f} A", False
    for trip_a in values_of(picture, "trip_slow_a"):
        over = highest_a > trip_a
        note += f", {abs(trip_a - highest_a):.0f} A {'over' if over else 'under'} the slow trip"
    return Drawn((), limits, note, over)


def draw_thrust(axes: Axes, picture: Picture) -> Drawn:
    """Thrust of each propeller, or of both where only that is known."""
    table = picture.table
    styles = {"left_thrust_n": (look.LEFT, "left"), "right_thrust_n": (look.RIGHT, "right")}
    sides = {name: style for name, style in styles.items() if name in table}
    shown = sides or {"thrust_n": (look.SINGLE, "both")}
    labels = [labelled(axes, picture, table[name], *style) for name, style in shown.items()]
    fit(axes, *(table[name] for name in shown), include=(0.0, 10.0))
    return Drawn(labels)


def draw_speed(axes: Axes, picture: Picture) -> Drawn:
    """Speed through the water."""
    speed_m_s = picture.table["speed_m_s"]
    look.line(axes, picture.t_s, speed_m_s, look.SINGLE)
    fit(axes, speed_m_s, include=(0.0, 0.5))
    highest_m_s = max(finite_bounds(speed_m_s), default=0.0)
    return Drawn(note=f"highest {highest_m_s:.1f} m/s" if highest_m_s > 0.0 else "held still")


def labelled(axes: Axes, picture: Picture, values: Floats, style: look.Style, words: str, steps: bool = False) -> Label:
    """Draw a line; its label stands where the line ends."""
    look.line(axes, picture.t_s, values, style, steps)
    known = values[np.isfinite(values)]
    dashed = ", dashed" if style.dashes == "--" else ""
    return Label(float(known[-1]) if len(known) else 0.0, words + dashed, style.ink)


def values_of(picture: Picture, *keys: str) -> list[float]:
    """Those of the limits that the picture has."""
    return [picture.limits[key] for key in keys if key in picture.limits]


def named(picture: Picture, unit: str, **words: str) -> list[Limit]:
    """The limits of the picture that it has, in words with their value."""
    known = picture.limits
    return [Limit(known[key], f"{text} {number(known[key])} {unit}") for key, text in words.items() if key in known]


def fit(axes: Axes, *columns: Floats, include: Sequence[float] = ()) -> None:
    """Scale the panel to its data and the values it has to include, with a little air."""
    known = [*include, *(bound for column in columns for bound in finite_bounds(column))] or [0.0]
    low, high = min(known), max(known)
    air = 0.07 * (high - low) or max(0.1 * abs(high), 0.1)
    axes.set_ylim(low - air, high + air)
    axes.locator_params(axis="y", nbins=4)


def finite_bounds(values: Floats) -> tuple[float, ...]:
    """Lowest and highest known value, if any is known."""
    known = values[np.isfinite(values)]
    return (float(known.min()), float(known.max())) if len(known) else ()


def bare(axes: Axes, ylim: tuple[float, float], yticks: Sequence[float] = ()) -> None:
    """A panel with no axis line and no lines across."""
    axes.set(ylim=ylim, yticks=yticks)
    axes.tick_params(left=False)
    axes.spines["left"].set_visible(False)
    axes.grid(False, axis="y")
