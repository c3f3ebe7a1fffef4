"""The data of the timeline that page.js draws: panels of thinned signals, limits and events (row 5)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from sim.base.clock import US_PER_S
from sim.bench.events import Event
from sim.face import look
from sim.record.table import Table
from sim.verdict.words import quantity

# Enough that ten times as much zoom still shows a line.
COLUMNS = 2000
DIGITS = 5
# In spans of the data.
FAR = 1.5


class Panel(NamedTuple):
    """A panel: its name, the signals that belong in it with their words, its height and the limits drawn."""

    name: str
    signals: tuple[tuple[str, str], ...]
    height: int = 90
    limits: tuple[tuple[str, str], ...] = ()
    steps: bool = False
    colour: int = 0


PANELS = (
    Panel("Lever (permille)", (("lever_true_permille", "lever itself"), ("lever_permille", "as understood")), 80),
    Panel("Throttle sensor (counts)", (("hall_counts", "counts"),), 70, colour=5),
    Panel(
        "Contacts",
        (("deadman", "dead-man reads"), ("mode_button", "mode button reads"), ("kill_cord", "kill cord reads")),
        60,
        steps=True,
    ),
    Panel(
        "Lines (V)",
        (("deadman_line_v", "dead-man"), ("mode_line_v", "mode button"), ("cord_line_v", "kill cord")),
        80,
    ),
    Panel("Power step", (("power_step", "in force"),), 55, steps=True, colour=4),
    Panel(
        "Pulses (us)",
        (
            ("left_pulse_us", "left"),
            ("right_pulse_us", "right"),
            ("recorded_left_pulse_us", "left, recorded"),
            ("recorded_right_pulse_us", "right, recorded"),
        ),
        90,
        steps=True,
    ),
    Panel("Bus voltage (V)", (("bus_v", "bus"),), 100, (("esc_cut_v", "ESCs cut"),)),
    Panel("Weakest cell (V)", (("cell_v_min", "weakest cell"),), 70, (("cell_low_v", "pack opens"),), colour=2),
    Panel("Rail of the logic (V)", (("rail_v", "rail"),), 60, (("brown_out_v", "brown-out"),), colour=3),
    Panel("Pack current (A)", (("bus_a", "pack"), ("pack_a", "pack, recorded")), 90, (("trip_slow_a", "slow trip"),)),
    Panel("Thrust (N)", (("left_thrust_n", "left"), ("right_thrust_n", "right")), 80),
    Panel("Speed (m/s)", (("speed_m_s", "speed"),), 60, colour=2),
)


def timeline(table: Table, events: Iterable[Event], limits: Mapping[str, float]) -> dict[str, Any]:
    """What page.js draws; a panel for which the table has no column is left out."""
    t_s = table.t_us / US_PER_S
    columns = dict(table.columns)
    if "lever_frac" in columns:
        columns["lever_true_permille"] = columns["lever_frac"] * 1000.0
    shown = [panel for panel in PANELS if any(name in columns for name, _ in panel.signals)]
    return {
        "span": [float(t_s[0]), float(max(t_s[-1], t_s[0] + 1e-3))],
        "panels": [_panel(panel, t_s, columns, limits) for panel in shown],
        "events": [{"t": round(event.t_s, 6), "what": event.what, "why": event.why} for event in events],
    }


def _panel(
    panel: Panel, t_s: look.Floats, columns: Mapping[str, look.Floats], limits: Mapping[str, float]
) -> dict[str, Any]:
    there = [(name, words) for name, words in panel.signals if name in columns]
    known = np.concatenate([columns[name][np.isfinite(columns[name])] for name, _ in there])
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    drawn = []
    for name, words in panel.limits:
        # A limit far beyond the data would flatten it.
        reach = FAR * (high - low)
        if name in limits and low - reach <= limits[name] <= high + reach:
            unit = "V" if name.endswith("_v") else "A"
            drawn.append({"at": limits[name], "words": f"{words} {quantity(limits[name], unit)}"})
            low, high = min(low, limits[name]), max(high, limits[name])
    return {
        "name": panel.name,
        "height": panel.height,
        "colour": panel.colour,
        "range": [low, high],
        "limits": drawn,
        "signals": [_signal(words, panel.steps, t_s, columns[name]) for name, words in there],
    }


def _signal(words: str, steps: bool, t_s: look.Floats, values: look.Floats) -> dict[str, Any]:
    at, thinned = look.envelope(t_s, values, COLUMNS)
    return {
        "name": words,
        "steps": steps,
        "t": [round(value, 6) for value in at.tolist()],
        "v": [_short(value) for value in thinned.tolist()],
    }


def _short(value: float) -> float | None:
    """A value with as many digits as can be seen; what is not known is a gap."""
    return float(f"{value:.{DIGITS}g}") if np.isfinite(value) else None
