"""What happened in a run or a recording, in words, and why (row 2)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import to_s
from sim.bench.scenario import FaultStep
from sim.record.table import Table
from sim.world import esc, protection, supply

# A press that starts this soon after the rider's is the rider's: contact, filter and debounce take time.
RIDERS_OWN_S = 0.05

# A gesture of several presses is over within this.
STEP_MEMORY_S = 3.0
# An ESC that cuts does so after the bus has been low; it recovers in the same tick.
CUT_MEMORY_S = 0.1

ESC_WORDS = {
    esc.UNPOWERED: "loses power",
    esc.ARMING: "waits for stop pulses",
    esc.READY: "is ready",
    esc.CUT: "cuts",
    esc.SIGNAL_LOST: "has lost its signal",
}
# Why, and the figures in it.
PROTECTION_CAUSES: Mapping[int, tuple[str, tuple[str, ...]]] = {
    protection.CLOSED: ("someone released it", ()),
    protection.CELL_LOW: ("weakest cell at {:.2f} V, under {:.2f} V", ("cell_v_min", "cell_low_v")),
    protection.CURRENT_HIGH: ("pack current stayed over {:.0f} A", ("trip_slow_a",)),
    protection.CURRENT_SHORT: ("pack current over {:.0f} A", ("trip_fast_a",)),
    protection.TOO_WARM: ("pack at {:.0f} degC", ("pack_degc",)),
}


class Event(NamedTuple):
    """One thing that happened.

    t_s : when. what : in words. why : the reason, from the controller's codes or the physics.
    kind : "controller", "rider", "water", "supply", "drive" or "fault", for sorting and colour.
    """

    t_s: float
    what: str
    why: str
    kind: str


def changes(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Indexes at which a column differs from the row before."""
    return np.flatnonzero(np.diff(values)) + 1


def events_of(
    table: Table,
    limits: Mapping[str, float],
    modes: Mapping[int, str],
    reasons: Mapping[int, str],
    faults: Iterable[FaultStep] = (),
) -> tuple[Event, ...]:
    """All events of a table, in order of time; a column that is not there tells nothing."""
    found = [
        *_faults(faults, table),
        *_rider(table),
        *_water(table, limits),
        *_controller(table, modes, reasons),
        *_drive(table, limits),
        *_supply(table, limits),
    ]
    return tuple(sorted(found, key=lambda event: event.t_s))


def _at(table: Table, index: int) -> float:
    return to_s(int(table.t_us[index]))


def _figures(form: str, names: Iterable[str], table: Table, index: int, limits: Mapping[str, float]) -> str:
    """A sentence with figures of one row, or limits; nothing where one of them is not known."""
    found = []
    for name in names:
        if name not in table and name not in limits:
            return ""
        found.append(table[name][index] if name in table else limits[name])
    return form.format(*found)


def _before(table: Table, index: int, span_s: float) -> slice:
    """The rows of the time up to and with a row that is not the first."""
    return slice(max(index - max(round(span_s / to_s(int(table.t_us[1] - table.t_us[0]))), 1), 0), index + 1)


def _faults(faults: Iterable[FaultStep], table: Table) -> Iterator[Event]:
    end_s = _at(table, -1) if len(table) else 0.0
    for step in faults:
        amount = "" if step.amount is None else f" of {step.amount:g}"
        if step.at_s <= end_s:
            yield Event(step.at_s, f"{step.kind.replace('_', ' ')}{amount}", "as the scenario has it", "fault")
        if step.until_s is not None and step.until_s <= end_s:
            yield Event(step.until_s, f"{step.kind.replace('_', ' ')} ends", "as the scenario has it", "fault")


def _rider(table: Table) -> Iterator[Event]:
    words = {
        "deadman_pressed": ("releases the dead-man", "presses the dead-man"),
        "mode_pressed": ("lets the mode button go", "presses the mode button"),
        "cord_seated": ("pulls the kill cord", "puts the kill cord back"),
    }
    for name, phrases in words.items():
        if name in table:
            for index in changes(table[name]):
                yield Event(_at(table, index), f"rider {phrases[int(table[name][index] > 0.5)]}", "", "rider")


def _water(table: Table, limits: Mapping[str, float]) -> Iterator[Event]:
    """Readings that no hand made: water across the contact, or a broken one."""
    contacts = (
        ("mode button", "pressed", 1, "mode_button", "mode_pressed", "mode_line_v", "button_leak_siemens"),
        ("dead-man", "pressed", 1, "deadman", "deadman_pressed", "deadman_line_v", "deadman_leak_siemens"),
        ("kill cord", "pulled", 0, "kill_cord", "cord_seated", "cord_line_v", "cord_leak_siemens"),
    )
    for name, done, acted, reads, truth, line, leak in contacts:
        if reads not in table or truth not in table:
            continue
        read = (table[reads] > 0.5) == acted
        own = (table[truth] > 0.5) == acted
        for index in changes(read.astype(float)):
            if read[index] and not own[_before(table, index, RIDERS_OWN_S)].any():
                why = _figures("its line is at {:.2f} V", [line], table, index, limits)
                if leak in table:
                    why += f", water across it conducts {table[leak][index] * 1e6:.0f} uS"
                yield Event(_at(table, index), f"{name} reads {done}, nobody {done} it", why, "water")


def _controller(table: Table, modes: Mapping[int, str], reasons: Mapping[int, str]) -> Iterator[Event]:
    if any(name not in table for name in ("mode", "reason", "power_step")):
        return
    mode, reason, step = table["mode"], table["reason"], table["power_step"]
    for index in changes(mode):
        if mode[index] >= 0.0 and modes:
            now = int(mode[index])
            why = _reason(int(reason[index]), reasons)
            yield Event(_at(table, index), f"controller: {modes.get(now, f'mode {now}')}", why, "controller")
    for index in changes(reason):
        # A change of mode already tells its reason.
        if mode[index] == mode[index - 1] and reason[index] > 0.0:
            why = _reason(int(reason[index]), reasons)
            yield Event(_at(table, index), "controller: holds drive", why, "controller")
    for index in changes(step):
        before, after = int(step[index - 1]), int(step[index])
        if mode[index] >= 0.0 and mode[index - 1] >= 0.0:
            yield Event(_at(table, index), f"power step {before} -> {after}", _step_cause(table, index), "controller")


def _reason(code: int, reasons: Mapping[int, str]) -> str:
    return reasons.get(code, f"reason {code}" if code else "")


def _step_cause(table: Table, index: int) -> str:
    """Which contact the step came from, and whether a finger was on it where that is known."""
    if "mode_button" not in table or "deadman" not in table:
        return ""
    known = "mode_pressed" in table and "deadman_pressed" in table
    lately = _before(table, index, STEP_MEMORY_S)
    if known and table["mode_pressed"][lately].max() > 0.5:
        return "the rider pressed the mode button"
    just_now = _before(table, index, RIDERS_OWN_S)
    # A button that was down when the chip started is a press to the controller.
    started = table["mode"][just_now].min() < 0.0 and table["mode_button"][index] > 0.5
    if started or np.diff(table["mode_button"][just_now]).max() > 0.5:
        return "the mode button reads pressed" + (", nobody pressed it" if known else "")
    # Two presses at least make a rhythm.
    if len(changes(table["deadman_pressed" if known else "deadman"][lately])) >= 4:
        return "the rider pressed the dead-man in rhythm" if known else "the dead-man was pressed in rhythm"
    return ""


def _drive(table: Table, limits: Mapping[str, float]) -> Iterator[Event]:
    for side in ("left", "right"):
        name = f"{side}_esc_mode"
        if name not in table:
            continue
        for index in changes(table[name]):
            now = int(table[name][index])
            why = "no pulse reached it" if now == esc.SIGNAL_LOST else ""
            if now == esc.CUT:
                why = _figures("the bus stayed under its cut-off of {:.1f} V", ["esc_cut_v"], table, index, limits)
                if why and "bus_v" in table:
                    why += f", down to {table['bus_v'][_before(table, index, CUT_MEMORY_S)].min():.1f} V"
            yield Event(_at(table, index), f"{side} ESC {ESC_WORDS.get(now, f'is in mode {now}')}", why, "drive")
    if "switch_closed" in table:
        for index in changes(table["switch_closed"]):
            opened = table["switch_closed"][index] < 0.5
            what = "main switch opens" if opened else "main switch closes"
            yield Event(_at(table, index), what, "the kill cord's magnet is " + ("away" if opened else "back"), "drive")


def _supply(table: Table, limits: Mapping[str, float]) -> Iterator[Event]:
    if "collapsed" in table:
        for index in changes(table["collapsed"]):
            if table["collapsed"][index] > 0.5:
                fall = _figures("; the bus falls to {:.1f} V", ["bus_v"], table, index, limits)
                why = f"the power asked for has no operating point{fall}"
                yield Event(_at(table, index), "the bus collapses", why, "supply")
    if "bus_v" in table and "esc_cut_v" in limits:
        low = (table["bus_v"] < limits["esc_cut_v"]).astype(float)
        for index in changes(low):
            # A bus that is switched off is told by the switch or the pack.
            if low[index] > 0.5 and table["bus_v"][index] > 0.5 * limits["esc_cut_v"]:
                current = "bus_a" if "bus_a" in table else "pack_a"
                why = _figures("{:.1f} V at {:.0f} A", ["bus_v", current], table, index, limits)
                what = f"bus under the ESCs' cut-off of {limits['esc_cut_v']:.1f} V"
                yield Event(_at(table, index), what, why or f"{table['bus_v'][index]:.1f} V", "supply")
    if "protection_tripped" in table:
        for index in changes(table["protection_tripped"]):
            now = int(table["protection_tripped"][index])
            what = "the pack closes again" if now == protection.CLOSED else "the pack opens"
            why = _figures(*PROTECTION_CAUSES.get(now, ("", ())), table, index, limits)
            yield Event(_at(table, index), what, why, "supply")
    if "chip" in table:
        for index in changes(table["chip"]):
            now = int(table["chip"][index])
            if now == supply.HELD:
                why = _figures("rail at {:.2f} V", ["rail_v"], table, index, limits)
                if why and table["rail_v"][index] >= limits.get("brown_out_v", np.inf):
                    why = "its reset input"
                yield Event(_at(table, index), "chip held in reset", why, "supply")
            elif now == supply.RUNNING:
                yield Event(_at(table, index), "chip starts its program", "", "supply")
