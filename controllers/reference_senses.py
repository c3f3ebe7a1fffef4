"""What the reference controller knows of the world: throttle, contacts, supply, thrusters.

Kept beside `reference.py`, which decides what to do about it.
"""

from typing import NamedTuple

from controllers import blocks
from controllers.board import Inputs
from controllers.reference_params import Params

# Kinds of bad throttle sample beside those of the gate.
SAMPLE_FROZEN = 4
SAMPLE_SUPPLY = 5

# Why the supply guard holds drive down; 0 while it never has.
BUS_LOW = 30
PACK_HIGH = 31

# Readings beyond these are clamped, which keeps what follows inside 32 bits.
COUNTS_MAX = 4095
RPM_MAX = 100_000
SENSE_MAX = 400_000

# The bus and pack low-passes before their first reading.
UNSEEN = -1


class Throttle(NamedTuple):
    """The lever's chain, its samples corrected for the supply.

    sample : kind of the newest, 0 good. lever_permille : the chain's result, after the dead band.
    """

    gate: blocks.Gate
    still: blocks.Still
    latch: blocks.Latch
    recent: blocks.Recent
    smooth_acc: int
    sample: int
    lever_permille: int


class Contacts(NamedTuple):
    """The three contacts, debounced; the cord's level is 1 while it is in place."""

    deadman: blocks.Debounced
    button: blocks.Debounced
    cord: blocks.Debounced


class Guard(NamedTuple):
    """The supply guard: low-passes of bus and pack, the limit, and the reason that last lowered it."""

    bus_acc: int
    pack_acc: int
    limit: blocks.Ramp
    reason: int


def throttle_at_rest(params: Params) -> Throttle:
    """After a reset the lever counts as at rest, which the filter corrects long before anything relies on it."""
    rest = params.rest_counts
    return Throttle(
        gate=blocks.Gate(believed_counts=rest, age_us=0, sample=blocks.SAMPLE_GOOD),
        still=blocks.Still(counts=rest, still_us=0),
        latch=blocks.Latch(fault=0, timer_us=0),
        recent=blocks.Recent(older_counts=rest, old_counts=rest, new_counts=rest),
        smooth_acc=blocks.low_pass_start(rest),
        sample=blocks.SAMPLE_GOOD,
        lever_permille=0,
    )


def contacts_unseen() -> Contacts:
    """After a reset dead-man and button count as held until they are seen released."""
    return Contacts(
        deadman=blocks.Debounced(level=1, timer_us=0),
        button=blocks.Debounced(level=1, timer_us=0),
        cord=blocks.Debounced(level=1, timer_us=0),
    )


def open_guard() -> Guard:
    """A guard that has seen nothing and holds nothing back."""
    return Guard(
        bus_acc=UNSEEN,
        pack_acc=UNSEEN,
        limit=blocks.Ramp(permille=blocks.FULL_PERMILLE, carry_us=0),
        reason=0,
    )


def read_throttle(params: Params, state: Throttle, inputs: Inputs) -> Throttle:
    """Raw sample to lever position, with its faults."""
    tick_us = params.tick_us
    rest_counts = params.rest_counts
    full_counts = params.full_counts
    counts = blocks.clamp(inputs.hall_counts, 0, COUNTS_MAX)
    gate = blocks.gate(
        state.gate,
        counts,
        params.window_low_counts,
        params.window_high_counts,
        params.jump_counts,
        full_counts - rest_counts,
        params.lever_fastest_ms * 1000,
        tick_us,
    )
    still = blocks.stillness(state.still, counts, tick_us)
    kind = gate.sample
    # At rest a frozen reading is harmless: it cannot ask for drive.
    if kind == blocks.SAMPLE_GOOD and state.lever_permille > 0 and params.sensor_frozen_ms > 0:
        kind = SAMPLE_FROZEN if still.still_us >= params.sensor_frozen_ms * 1000 else kind
    true_counts = counts
    if params.adc_follows_supply == 0:
        supply_mv = inputs.sensor_supply_mv
        if params.supply_low_mv <= supply_mv <= params.supply_high_mv:
            true_counts = blocks.ratiometric(counts, supply_mv, params.supply_nominal_mv)
        else:
            # Uncorrected it would move the lever, and with the drive's current the supply: to and fro for ever.
            kind = SAMPLE_SUPPLY
    latch = blocks.fault_latch(
        state.latch, kind, params.sensor_fault_ms * 1000, params.sensor_recover_ms * 1000, tick_us
    )
    recent = blocks.remember(state.recent, true_counts, kind)
    middle = blocks.median3(recent.older_counts, recent.old_counts, recent.new_counts)
    smooth_acc = blocks.low_pass(state.smooth_acc, middle, params.lever_filter_us, tick_us)
    permille = blocks.travel(blocks.low_pass_value(smooth_acc), rest_counts, full_counts)
    lever_permille = blocks.dead_band(permille, params.dead_band_permille)
    return Throttle(gate, still, latch, recent, smooth_acc, kind, lever_permille)


def seen_at_rest(params: Params, throttle: Throttle) -> int:
    """1 if the newest sample itself is good and shows the lever at rest, whatever the filters still say."""
    if throttle.sample != blocks.SAMPLE_GOOD:
        return 0
    permille = blocks.travel(throttle.recent.new_counts, params.rest_counts, params.full_counts)
    return 1 if blocks.dead_band(permille, params.dead_band_permille) == 0 else 0


def read_contacts(params: Params, state: Contacts, deadman_line: int, button_line: int, cord_line: int) -> Contacts:
    """Debounce; a reading other than 1 is the safe one, released or out."""
    tick_us = params.tick_us
    line = 1 if deadman_line == 1 else 0
    press_us = params.deadman_press_ms * 1000
    deadman = blocks.debounce(state.deadman, line, press_us, params.deadman_release_ms * 1000, tick_us)
    line = 1 if button_line == 1 else 0
    press_us = params.button_press_ms * 1000
    button = blocks.debounce(state.button, line, press_us, params.button_release_ms * 1000, tick_us)
    line = 1 if cord_line == 1 else 0
    cord = blocks.debounce(state.cord, line, params.kill_back_ms * 1000, params.kill_out_ms * 1000, tick_us)
    return Contacts(deadman, button, cord)


def _sense(acc: int, reading: int, tau_us: int, tick_us: int) -> int:
    """Low-pass of a reading whose 0 means "not fitted" until it has once been more."""
    value = blocks.clamp(reading, 0, SENSE_MAX)
    if acc == UNSEEN:
        return blocks.low_pass_start(value) if value > 0 else UNSEEN
    return blocks.low_pass(acc, value, tau_us, tick_us)


def guard_supply(params: Params, state: Guard, inputs: Inputs) -> Guard:
    """Lower the limit before the bus or the pack current reaches what trips."""
    bus_acc = _sense(state.bus_acc, inputs.bus_mv, params.guard_filter_us, params.tick_us)
    pack_acc = _sense(state.pack_acc, inputs.pack_ma, params.guard_filter_us, params.tick_us)
    by_bus = blocks.FULL_PERMILLE
    by_pack = blocks.FULL_PERMILLE
    if bus_acc != UNSEEN:
        room_mv = blocks.low_pass_value(bus_acc) - params.bus_floor_mv
        by_bus = blocks.fold_back(room_mv, params.bus_foldback_mv - params.bus_floor_mv)
    if pack_acc != UNSEEN:
        room_ma = params.pack_ceiling_ma - blocks.low_pass_value(pack_acc)
        by_pack = blocks.fold_back(room_ma, params.pack_ceiling_ma - params.pack_foldback_ma)
    allowed = min(by_bus, by_pack)
    limit = blocks.guard(
        state.limit, allowed, params.guard_hold_permille, params.guard_up_ms, params.guard_down_ms, params.tick_us
    )
    reason = state.reason
    if allowed < state.limit.permille:
        reason = BUS_LOW if by_bus <= by_pack else PACK_HIGH
    return Guard(bus_acc, pack_acc, limit, reason)


def not_turning_us(params: Params, timer_us: int, drive_permille: int, rpm: int, other_rpm: int) -> int:
    """How long a driven thruster has been below its floor; 0 where its speed is not fitted.

    The floor rises with the other thruster's speed: an ESC that lost its signal
    and holds an old pulse still turns, but not with its fellow.
    """
    if rpm < 0 or drive_permille < params.thruster_check_permille:
        return 0
    fellow_rpm = blocks.clamp(other_rpm, 0, RPM_MAX) * params.thruster_share_permille // blocks.FULL_PERMILLE
    lost = 1 if rpm < max(params.thruster_floor_rpm, fellow_rpm) else 0
    return blocks.held_us(timer_us, lost, params.tick_us)
