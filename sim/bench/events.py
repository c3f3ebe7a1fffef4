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
PROTECTION_WORDS = {
    protection.CLOSED: "the pack closes again",
    protection.CELL_LOW: "the pack opens",
    protection.CURRENT_HIGH: "the pack opens",
    protection.CURRENT_SHORT: "the pack opens",
    protection.TOO_WARM: "the pack opens",
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
        *_water(table),
        *_controller(table, modes, reasons),
        *_drive(table, limits),
        *_supply(table, limits),
    ]
    return tuple(sorted(found, key=lambda event: event.t_s))


def _at(table: Table, index: int) -> float:
    return to_s(int(table.t_us[index]))


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


def _water(table: Table) -> Iterator[Event]:
    """Readings that water made: pressed with no finger on it."""
    contacts = (
        ("mode button", "mode_button", "mode_pressed", "mode_line_v", "button_leak_s"),
        ("dead-man", "deadman", "deadman_pressed", "deadman_line_v", "deadman_leak_s"),
    )
    for words, reads, truth, line, leak in contacts:
        if reads not in table or truth not in table:
            continue
        settle = max(int(RIDERS_OWN_S / to_s(int(table.t_us[1] - table.t_us[0]))), 1) if len(table) > 1 else 1
        for index in changes(table[reads]):
            own = table[truth][max(index - settle, 0) : index + 1].max() > 0.5
            if table[reads][index] > 0.5 and not own:
                why = f"its line is at {table[line][index]:.2f} V"
                if leak in table:
                    why += f", water across it conducts {table[leak][index] * 1e6:.0f} uS"
                yield Event(_at(table, index), f"{words} reads pressed, nobody pressed it", why, "water")


def _controller(table: Table, modes: Mapping[int, str], reasons: Mapping[int, str]) -> Iterator[Event]:
    if "mode" not in table:
        return
    mode, reason, step = table["mode"], table["reason"], table["power_step"]
    for index in changes(mode):
        if mode[index] >= 0.0 and modes:
            now = int(mode[index])
            why = reasons.get(int(reason[index]), "")
            yield Event(_at(table, index), f"controller: {modes.get(now, f'mode {now}')}", why, "controller")
    for index in changes(reason):
        # A change of mode already tells its reason.
        if mode[index] == mode[index - 1] and reason[index] > 0.0:
            why = reasons.get(int(reason[index]), f"reason {int(reason[index])}")
            yield Event(_at(table, index), "controller: holds drive", why, "controller")
    for index in changes(step):
        before, after = int(step[index - 1]), int(step[index])
        if mode[index] >= 0.0 and mode[index - 1] >= 0.0:
            yield Event(_at(table, index), f"power step {before} -> {after}", _step_cause(table, index), "controller")


def _step_cause(table: Table, index: int) -> str:
    """Whether a finger was on the contact that the step came from, where that is known."""
    if "mode_pressed" not in table or "deadman_pressed" not in table:
        return ""
    tick_s = to_s(int(table.t_us[1] - table.t_us[0]))
    lately = slice(max(index - round(STEP_MEMORY_S / tick_s), 0), index + 1)
    just_now = slice(max(index - round(RIDERS_OWN_S / tick_s), 0), index + 1)
    if table["mode_pressed"][lately].max() > 0.5:
        return "the rider pressed the mode button"
    if np.diff(table["mode_button"][just_now]).max(initial=0.0) > 0.5:
        return "the mode button reads pressed, nobody pressed it"
    # Two presses at least make a rhythm.
    if len(changes(table["deadman_pressed"][lately])) >= 4:
        return "the rider pressed the dead-man in rhythm"
    return ""


def _drive(table: Table, limits: Mapping[str, float]) -> Iterator[Event]:
    for side in ("left", "right"):
        name = f"{side}_esc_mode"
        if name not in table:
            continue
        for index in changes(table[name]):
            now = int(table[name][index])
            why = ""
            if now == esc.CUT:
                before = slice(max(index - round(CUT_MEMORY_S / to_s(int(table.t_us[1] - table.t_us[0]))), 0), index)
                lowest = table["bus_v"][before].min()
                why = f"the bus stayed under its cut-off of {limits['esc_cut_v']:.1f} V, down to {lowest:.1f} V"
            elif now == esc.SIGNAL_LOST:
                why = "no pulse reached it"
            yield Event(_at(table, index), f"{side} ESC {ESC_WORDS[now]}", why, "drive")
    if "switch_closed" in table:
        for index in changes(table["switch_closed"]):
            opened = table["switch_closed"][index] < 0.5
            what = "main switch opens" if opened else "main switch closes"
            yield Event(_at(table, index), what, "the kill cord's magnet is " + ("away" if opened else "back"), "drive")


def _supply(table: Table, limits: Mapping[str, float]) -> Iterator[Event]:
    if "collapsed" in table:
        for index in changes(table["collapsed"]):
            if table["collapsed"][index] > 0.5:
                why = f"the power asked for has no operating point; the bus falls to {table['bus_v'][index]:.1f} V"
                yield Event(_at(table, index), "the bus collapses", why, "supply")
    if "bus_v" in table and "esc_cut_v" in limits:
        low = (table["bus_v"] < limits["esc_cut_v"]).astype(float)
        for index in changes(low):
            # A bus that is switched off is told by the switch or the pack.
            if low[index] > 0.5 and table["bus_v"][index] > 0.5 * limits["esc_cut_v"]:
                why = f"{table['bus_v'][index]:.1f} V at {table['bus_a'][index]:.0f} A"
                yield Event(
                    _at(table, index), f"bus under the ESCs' cut-off of {limits['esc_cut_v']:.1f} V", why, "supply"
                )
    if "protection_tripped" in table:
        yield from _protection(table, limits)
    if "chip" in table:
        for index in changes(table["chip"]):
            now = int(table["chip"][index])
            if now == supply.HELD:
                yield Event(
                    _at(table, index), "chip held in reset", f"rail at {table['rail_v'][index]:.2f} V", "supply"
                )
            elif now == supply.RUNNING:
                yield Event(_at(table, index), "chip starts its program", "", "supply")


def _protection(table: Table, limits: Mapping[str, float]) -> Iterator[Event]:
    for index in changes(table["protection_tripped"]):
        now = int(table["protection_tripped"][index])
        why = {
            protection.CLOSED: "someone released it",
            protection.CELL_LOW: f"weakest cell at {table['cell_v_min'][index]:.2f} V, under {limits['cell_low_v']:.2f} V",
            protection.CURRENT_HIGH: f"pack current stayed over {limits['trip_slow_a']:.0f} A",
            protection.CURRENT_SHORT: f"pack current over {limits['trip_fast_a']:.0f} A",
            protection.TOO_WARM: f"pack at {table['pack_degc'][index]:.0f} degC",
        }[now]
        yield Event(_at(table, index), PROTECTION_WORDS[now], why, "supply")
