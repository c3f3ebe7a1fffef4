"""Hand-made recordings that pass, fail and never try each entry of the catalogue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeAlias

import numpy as np

from sim.record.table import Table

# From when to when, and a value or a straight line from one to the other.
Spell: TypeAlias = tuple[float, float, float | tuple[float, float]]
Change: TypeAlias = float | Sequence[Spell]

STEP_S = 0.01
LENGTH_S = 16.0
LIMITS = {
    "esc_cut_v": 42.0,
    "trip_slow_a": 150.0,
    "cell_low_v": 2.7,
    "brown_out_v": 4.3,
    "input_low_frac": 0.3,
    "stop_us": 1000.0,
    "full_us": 2000.0,
}

# A chip that does not run, in a dry vehicle that nobody touches.
IDLE: dict[str, Change] = {
    **dict.fromkeys(("hand_frac", "lever_frac", "lever_permille", "lever_understood_frac"), 0.0),
    **dict.fromkeys(("deadman_pressed", "mode_pressed", "deadman", "power_step", "display", "reason"), 0.0),
    **dict.fromkeys(("left_pulse_us", "right_pulse_us", "left_esc_duty_frac", "right_esc_duty_frac"), 0.0),
    **dict.fromkeys(("left_esc_silent_s", "right_esc_silent_s", "left_rad_s", "right_rad_s"), 0.0),
    **dict.fromkeys(("thrust_n", "yaw_moment_nm", "deadman_leak_siemens", "button_leak_siemens"), 0.0),
    **dict.fromkeys(("protection_tripped", "collapsed", "bus_a"), 0.0),
    **dict.fromkeys(("cord_seated", "switch_closed"), 1.0),
    **dict.fromkeys(("chip", "left_esc_mode", "right_esc_mode"), 2.0),
    "hall_v": 0.7,
    "rail_v": 5.0,
    "mode_line_v": 5.0,
    "bus_v": 56.0,
    "cell_v_min": 4.0,
}
# A chip that runs and drives nothing, in its gentlest step.
AWAKE: dict[str, Change] = {
    **IDLE,
    "chip": 0.0,
    "left_pulse_us": 1000.0,
    "right_pulse_us": 1000.0,
    "power_step": 1.0,
    "display": 1.0,
}


def dive(changes: Mapping[str, Change], base: Mapping[str, Change] = AWAKE) -> Table:
    """A recording: the base but for the changes; `pulse_us` is both sides' pulse."""
    t_s = np.arange(round(LENGTH_S / STEP_S)) * STEP_S
    columns = {name: np.full(len(t_s), value) for name, value in base.items()}
    # The last digits of a live reading are never still.
    columns["hall_counts"] = 600.0 + np.arange(len(t_s)) % 2
    for name, change in changes.items():
        sides = ("left_pulse_us", "right_pulse_us") if name == "pulse_us" else (name,)
        for side in sides:
            columns[side] = _changed(columns[side], t_s, change)
    return Table(np.arange(len(t_s), dtype=np.int64) * round(STEP_S * 1e6), columns)


def _changed(column: np.ndarray, t_s: np.ndarray, change: Change) -> np.ndarray:
    column = column.copy()
    for start, stop, value in [(0.0, LENGTH_S, change)] if isinstance(change, float) else change:
        inside = (t_s >= start - STEP_S / 2) & (t_s < stop - STEP_S / 2)
        first, last = value if isinstance(value, tuple) else (value, value)
        column[inside] = first + (last - first) * (t_s[inside] - start) / (stop - start)
    return column


Case: TypeAlias = tuple[str, dict[str, Change]]

DRIVEN: dict[str, Change] = {"pulse_us": [(3, 9, 1400)]}
HELD: dict[str, Change] = {"deadman_pressed": [(2, 6, 1)]}
UNDER_LEVER: dict[str, Change] = {"lever_frac": [(1, 6, 1), (8, 12, 0.5)], "deadman_pressed": [(3, 14, 1)]}
STOPPED_UNDER_LEVER: dict[str, Change] = {"lever_frac": [(1, 8, 1), (10, 14, 1)], "deadman_pressed": 1.0}
RESET: dict[str, Change] = {"chip": [(5, 5.2, 1), (5.2, 5.4, 2)], "deadman_pressed": [(2, 9, 1), (10, 14, 1)]}
PULLED: dict[str, Change] = {"cord_seated": [(6, 9, 0)], "deadman_pressed": [(2, 10, 1), (11, 14, 1)]}
STUCK: dict[str, Change] = {"lever_frac": [(3, 16, 0.8)], "hand_frac": [(3, 5, 0.8)], "deadman_pressed": [(2, 7, 1)]}
CLICKS: list[Spell] = [(2, 2.2, 1), (2.4, 2.6, 1), (2.8, 3, 1)]
STEPS: dict[str, Change] = {"lever_frac": [(3, 5, 0.3), (5, 7, 0.4), (7, 9, 0.5)], "pulse_us": [(3, 9, 1400)]}
TURNING: dict[str, Change] = {"left_rad_s": [(3, 16, 60)], "right_rad_s": [(3, 16, 60)]}
FOLDED: dict[str, Change] = {"lever_frac": [(2, 15, 1)], "deadman_pressed": 1.0, "reason": [(6, 15, 30)]}
SAGGED: dict[str, Change] = {"pulse_us": [(1, 16, 1400)], "bus_v": [(2, 4, 43)]}

PASSES: list[Case] = [
    ("start-needs-lever-at-rest", {**UNDER_LEVER, "pulse_us": [(9, 12, 1200)]}),
    ("no-restart-with-lever-pulled", {**STOPPED_UNDER_LEVER, "pulse_us": [(1, 3, 1400), (10.2, 14, 1400)]}),
    ("no-drive-without-deadman", {**HELD, "pulse_us": [(3, 6.5, 1400)]}),
    ("reset-does-not-restart", {**RESET, "pulse_us": [(3, 5, 1400), (5, 5.4, 0), (11, 13, 1400)]}),
    ("starts-at-gentlest-step", {"power_step": [(0, 1, 0)]}),
    ("deadman-stops-pulses", {**HELD, "pulse_us": [(3, 6.4, 1400)]}),
    ("deadman-stops-motors", {**HELD, "left_esc_duty_frac": [(3, 6.5, 0.4)]}),
    ("kill-cord-stops-pulses", {**PULLED, "pulse_us": [(3, 6.03, 1400)]}),
    ("kill-cord-opens-switch", {**PULLED, "switch_closed": [(6.02, 9, 0)]}),
    ("kill-cord-latches", {**PULLED, "pulse_us": [(3, 6, 1400), (12, 14, 1400)]}),
    ("sensor-low-stops-drive", {"hall_v": [(6, 10, 0)], "pulse_us": [(3, 6.4, 1400)]}),
    # A controller that stops with the first bad sample was tried too.
    ("sensor-low-stops-drive", {"hall_v": [(6, 10, 0)], "pulse_us": [(3, 6, 1400)]}),
    # Nor need one stop that waited for the sensor to come back, when it did.
    ("sensor-low-stops-drive", {"hall_v": [(6, 6.3, 0)], "pulse_us": [(3, 9, 1400)]}),
    ("sensor-high-stops-drive", {"hall_v": [(6, 10, 5)], "pulse_us": [(3, 6.4, 1400)]}),
    ("sensor-frozen-stops-drive", {"hall_counts": [(4, 16, 2000)], "pulse_us": [(3, 7.4, 1400)]}),
    ("stuck-lever-yields-to-deadman", {**STUCK, "pulse_us": [(3, 7.4, 1400)]}),
    (
        "lever-is-not-overread",
        {**DRIVEN, "lever_frac": [(3, 9, 0.5)], "lever_understood_frac": [(3, 5, 0.55), (5, 5.5, 0.9), (5.5, 9, 0.6)]},
    ),
    ("step-only-by-gesture", {"deadman_pressed": CLICKS, "power_step": [(4, 16, 2)]}),
    ("step-only-by-gesture", {"mode_pressed": CLICKS, "power_step": [(4, 16, 2)]}),
    # Back to the gentlest at a stop needs no gesture.
    ("step-only-by-gesture", {"deadman_pressed": CLICKS, "power_step": [(4, 12, 2)]}),
    ("step-rises-only-at-rest", {**DRIVEN, "power_step": [(2, 16, 2)]}),
    ("button-leak-changes-no-step", {"button_leak_siemens": 0.0006}),
    (
        "button-leak-changes-no-step",
        {"button_leak_siemens": 0.0006, "mode_pressed": CLICKS, "power_step": [(4, 16, 2)]},
    ),
    ("button-line-keeps-room", {"button_leak_siemens": 0.00012, "mode_line_v": 2.3}),
    ("deadman-leak-is-no-press", {"deadman_leak_siemens": 0.0003}),
    ("bus-above-esc-cut", {**DRIVEN, "bus_v": [(3, 9, 43)]}),
    # A bus that the main switch has taken away did not sag.
    ("bus-above-esc-cut", {**DRIVEN, "bus_v": [(8, 9, 0)], "switch_closed": [(8, 9, 0)]}),
    ("rail-above-brown-out", {**DRIVEN, "rail_v": [(3, 9, 4.7)]}),
    ("weakest-cell-above-trip", {**DRIVEN, "cell_v_min": [(3, 9, 2.9)]}),
    ("pack-current-below-trip", {**DRIVEN, "bus_a": [(3, 9, 140)]}),
    ("drive-is-not-cut", {**DRIVEN}),
    ("ramp-is-limited", {"pulse_us": [(3, 4, (1000, 1400)), (4, 9, 1400)]}),
    ("thrust-comes-gently", {**DRIVEN, "thrust_n": [(3, 4, (0, 600)), (4, 9, 600)]}),
    ("no-creep", {"deadman_pressed": [(2, 9, 1)], "pulse_us": [(4, 9, 1003)]}),
    ("response-is-monotonic", {"lever_frac": [(3, 12, 0.8)], "pulse_us": [(3, 7, 1400), (7, 8, 1395), (8, 12, 1400)]}),
    # A drive that is held down for a reason may fall.
    (
        "response-is-monotonic",
        {"lever_frac": [(3, 12, 0.8)], "pulse_us": [(3, 7, 1400), (7, 12, 1300)], "reason": [(7, 12, 30)]},
    ),
    ("lever-is-resolved", {**STEPS, "lever_permille": [(3, 5, 300), (5, 7, 400), (7, 9, 500)]}),
    ("thrusters-asked-alike", {**DRIVEN, "right_pulse_us": [(3, 9, 1404)]}),
    ("yaw-is-brief", {**DRIVEN, "yaw_moment_nm": [(4, 5, 40)]}),
    ("lost-thruster-stops-both", {**TURNING, "left_rad_s": [(3, 5, 60)], "pulse_us": [(3, 6, 1400)]}),
    ("lost-thruster-stops-both", {**TURNING, **DRIVEN, "left_rad_s": [(3, 5, 60), (6, 16, 60)]}),
    ("pulses-never-cease", {}),
    ("lost-signal-stops-motor", {"left_esc_silent_s": [(4, 12, (0, 8))], "left_esc_duty_frac": [(3, 7, 0.4)]}),
    ("display-shows-step", {"power_step": [(4, 9, 3)], "display": [(4, 9, 3)]}),
    # A blank display during a stop, which has a reason, shows no wrong step.
    ("display-shows-step", {**DRIVEN, "reason": [(8, 9, 12)], "display": [(8, 9, 0)]}),
    ("foldback-does-not-hunt", {**FOLDED, "pulse_us": [(3, 6, 1900), (6, 9, 1600), (9, 15, 1700)]}),
    ("foldback-recovers", {**SAGGED, "reason": [(2, 9, 30)]}),
]
"""Each with one thing at least that comes close to what it forbids, where that makes sense."""

FAILS: list[Case] = [
    ("start-needs-lever-at-rest", {**UNDER_LEVER, "pulse_us": [(3.1, 6, 1400)]}),
    # It drove with the very sample of the press.
    ("start-needs-lever-at-rest", {**UNDER_LEVER, "pulse_us": [(3, 6, 1400)]}),
    ("no-restart-with-lever-pulled", {**STOPPED_UNDER_LEVER, "pulse_us": [(1, 3, 1400), (5, 8, 1400)]}),
    ("no-drive-without-deadman", {"right_pulse_us": [(3, 4, 1100)]}),
    ("reset-does-not-restart", {**RESET, "pulse_us": [(3, 5, 1400), (5, 5.4, 0), (5.5, 8, 1400)]}),
    ("starts-at-gentlest-step", {"power_step": [(0, 1, 0), (1, 16, 3)]}),
    ("deadman-stops-pulses", {**HELD, "pulse_us": [(3, 7, 1400)]}),
    ("deadman-stops-motors", {**HELD, "right_esc_duty_frac": [(3, 9, 0.4)]}),
    ("kill-cord-stops-pulses", {**PULLED, "pulse_us": [(3, 6.5, 1400)]}),
    ("kill-cord-opens-switch", PULLED),
    ("kill-cord-latches", {**PULLED, "pulse_us": [(3, 6, 1400), (9.1, 10, 1400)]}),
    ("sensor-low-stops-drive", {"hall_v": [(6, 10, 0)], "pulse_us": [(3, 9, 1400)]}),
    ("sensor-high-stops-drive", {"hall_v": [(6, 10, 5)], "pulse_us": [(3, 9, 1400)]}),
    ("sensor-frozen-stops-drive", {"hall_counts": [(4, 16, 2000)], "pulse_us": [(3, 12, 1400)]}),
    ("stuck-lever-yields-to-deadman", {**STUCK, "pulse_us": [(3, 9, 1400)]}),
    ("lever-is-not-overread", {**DRIVEN, "lever_frac": [(3, 9, 0.5)], "lever_understood_frac": [(3, 9, 0.7)]}),
    ("step-only-by-gesture", {"deadman_pressed": CLICKS, "power_step": [(9, 16, 2)]}),
    # A single press is no gesture.
    ("step-only-by-gesture", {"mode_pressed": [(2, 2.2, 1)], "power_step": [(2.1, 16, 2)]}),
    ("step-rises-only-at-rest", {**DRIVEN, "power_step": [(4, 16, 2)]}),
    ("button-leak-changes-no-step", {"button_leak_siemens": 0.0006, "power_step": [(9, 16, 2)]}),
    ("button-line-keeps-room", {"button_leak_siemens": 0.00012, "mode_line_v": 1.6}),
    ("deadman-leak-is-no-press", {"deadman_leak_siemens": 0.0003, "deadman": [(5, 6, 1)]}),
    ("deadman-leak-is-no-press", {"deadman_leak_siemens": 0.0003, "pulse_us": [(5, 6, 1100)]}),
    ("bus-above-esc-cut", {**DRIVEN, "bus_v": [(3, 9, 42.2)]}),
    ("rail-above-brown-out", {**DRIVEN, "rail_v": [(3, 9, 4.5)]}),
    ("weakest-cell-above-trip", {**DRIVEN, "cell_v_min": [(3, 9, 2.75)]}),
    ("pack-current-below-trip", {**DRIVEN, "bus_a": [(3, 9, 147)]}),
    ("drive-is-not-cut", {**DRIVEN, "right_esc_mode": [(5, 6, 3)]}),
    ("drive-is-not-cut", {**DRIVEN, "protection_tripped": [(5, 6, 2)]}),
    ("drive-is-not-cut", {**DRIVEN, "collapsed": [(5, 6, 1)]}),
    ("ramp-is-limited", DRIVEN),
    ("thrust-comes-gently", {**DRIVEN, "thrust_n": [(3, 9, 300)]}),
    ("no-creep", {"deadman_pressed": [(2, 9, 1)], "right_pulse_us": [(4, 9, 1040)]}),
    ("response-is-monotonic", {"lever_frac": [(3, 12, 0.8)], "pulse_us": [(3, 7, 1400), (7, 12, 1350)]}),
    ("lever-is-resolved", {**STEPS, "lever_permille": [(3, 7, 300), (7, 9, 500)]}),
    ("thrusters-asked-alike", {**DRIVEN, "right_pulse_us": [(3, 9, 1350)]}),
    ("yaw-is-brief", {**DRIVEN, "yaw_moment_nm": [(4, 8, -40)]}),
    ("lost-thruster-stops-both", {**TURNING, "right_rad_s": [(3, 5, 60)], "pulse_us": [(3, 12, 1400)]}),
    ("pulses-never-cease", {"pulse_us": [(5, 6, 0)]}),
    ("pulses-never-cease", {"left_pulse_us": [(5, 6, 2200)]}),
    ("lost-signal-stops-motor", {"right_esc_silent_s": [(4, 12, (0, 8))], "right_esc_duty_frac": [(3, 12, 0.4)]}),
    ("display-shows-step", {"display": [(5, 9, 2)]}),
    ("display-shows-step", {**DRIVEN, "display": 0.0}),
    (
        "foldback-does-not-hunt",
        {**FOLDED, "pulse_us": [(t, t + 0.5, 1900 if t % 1 else 1600) for t in np.arange(3, 15, 0.5)]},
    ),
    ("foldback-recovers", {**SAGGED, "reason": [(2, 16, 30)]}),
]

UNTRIED: dict[str, dict[str, Change]] = {
    # Nobody touches an idle vehicle; only this one is tried by that.
    "no-drive-without-deadman": {"deadman_pressed": 1.0},
}
"""Changes to the idle vehicle for the entries that it would try."""
