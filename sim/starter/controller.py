"""A throttle controller to start from: small, whole, and yours to change (integers only, as it would be in C).

Each tick it reads the pins, decides on a mode, and moves the drive a little:

    cord out ----------------------> KILLED: no drive, at once
    back for a while --------------> ARMING: stop pulses, for the ESCs to wake
    armed -------------------------> WAITING: for lever at rest and dead-man released, both for a while
    both seen ---------------------> READY: a press of the dead-man with the lever at rest starts
    pressed -----------------------> DRIVE: as the lever says
    released, or something is wrong > STOPPING: ramps down, then WAITING again

So a reset, a fault or a stop never gives drive back under a pulled lever. In READY three presses of the mode button
raise the power step by one and two lower it; no leaking contact keeps that rhythm. A throttle that reads outside its
window, jumps or stands still to the last count stops the drive; so does a thruster that does not turn, or a bus at its
floor. A bus on the way there holds the drive down.

Left out, but shown by drydive's `controllers/reference.py`: a sensor supply apart from the converter's, pack current, a
thruster that lags. No pin shows a jammed lever or a welded dead-man: those are the hardware's and the main switch's.
"""

from typing import NamedTuple

from controllers import blocks
from controllers.board import Command, Inputs

ARMING = 0
WAITING = 1
READY = 2
DRIVE = 3
STOPPING = 4
KILLED = 5

MODES = {
    ARMING: "stop pulses while the ESCs arm",
    WAITING: "waiting for lever at rest and dead-man released",
    READY: "ready, press the dead-man with the lever at rest",
    DRIVE: "driving as the lever says",
    STOPPING: "ramping down",
    KILLED: "stopped by the kill cord",
}

NONE = 0
NOT_STARTED = 1
DEADMAN = 2
CORD = 3
# A sensor fault's reason is this plus the kind of its samples.
SENSOR = 10
SAMPLE_FROZEN = 4
THRUSTER = 20
BUS_LOW = 30
BUS_GONE = 31

REASONS = {
    NONE: "",
    NOT_STARTED: "not started since the last reset",
    DEADMAN: "the dead-man was released",
    CORD: "the kill cord was out",
    SENSOR + blocks.SAMPLE_LOW: "the throttle reads below its window, as an open wire does",
    SENSOR + blocks.SAMPLE_HIGH: "the throttle reads above its window, as a short to the supply does",
    SENSOR + blocks.SAMPLE_JUMP: "the throttle reading jumps faster than a lever can move",
    SENSOR + SAMPLE_FROZEN: "the throttle reading is frozen, not even its noise moves",
    THRUSTER: "a thruster does not turn, although it is driven",
    BUS_LOW: "drive is held down because the bus is low",
    BUS_GONE: "the bus was at its floor",
}

# Rarely changed, and so no parameters. The rhythm of a gesture: what a hand does easily and a leak does not.
CLICK_LEAD_US = 500_000
CLICK_MIN_US = 80_000
CLICK_MAX_US = 400_000
CLICK_QUIET_US = 600_000
CLICKS_UP = 3
CLICKS_DOWN = 2
SENSOR_RECOVER_US = 500_000  # good samples for so long, without a break, end a sensor's fault
# The bus: its filter, and how fast the drive's limit falls and rises again; it rises only with so much room to spare.
BUS_MAX_MV = 400_000
BUS_FILTER_US = 20_000
LIMIT_DOWN_MS = 100
LIMIT_UP_MS = 8_000
LIMIT_HOLD_PERMILLE = 250
THRUSTER_DRIVE_PERMILLE = 200  # drive from which a thruster must turn


class Params(NamedTuple):
    """Meaning and unit of each are in the comments of controller.yaml."""

    tick_us: int
    rest_counts: int
    full_counts: int
    window_low_counts: int
    window_high_counts: int
    jump_counts: int
    lever_fastest_ms: int
    sensor_fault_ms: int
    sensor_frozen_ms: int
    lever_filter_us: int
    dead_band_permille: int
    deadman_press_ms: int
    deadman_release_ms: int
    kill_out_ms: int
    kill_back_ms: int
    esc_arm_ms: int
    lever_rest_ms: int
    button_ms: int
    step_count: int
    cap_1_permille: int
    cap_2_permille: int
    cap_3_permille: int
    ramp_up_ms: int
    ramp_down_ms: int
    bus_fitted: int
    bus_foldback_mv: int
    bus_floor_mv: int
    thruster_floor_rpm: int
    thruster_lost_ms: int
    pulse_stop_us: int
    pulse_full_us: int


LIMITS = {
    "tick_us": (250, 10_000),
    **dict.fromkeys(("rest_counts", "full_counts", "window_low_counts", "window_high_counts"), (1, 4094)),
    "jump_counts": (0, 4095),
    **dict.fromkeys(("lever_filter_us", "thruster_floor_rpm"), (0, 100_000)),
    "dead_band_permille": (1, 500),
    **dict.fromkeys(("lever_fastest_ms", "kill_out_ms"), (1, 100)),
    **dict.fromkeys(("sensor_fault_ms", "deadman_press_ms", "deadman_release_ms", "button_ms"), (1, 500)),
    **dict.fromkeys(("sensor_frozen_ms", "kill_back_ms", "lever_rest_ms"), (1, 20_000)),
    **dict.fromkeys(("ramp_up_ms", "ramp_down_ms", "thruster_lost_ms"), (1, 20_000)),
    "esc_arm_ms": (0, 20_000),
    **dict.fromkeys(("cap_1_permille", "cap_2_permille", "cap_3_permille"), (1, 1_000)),
    "step_count": (1, 3),
    "bus_fitted": (0, 1),
    **dict.fromkeys(("bus_foldback_mv", "bus_floor_mv"), (1, BUS_MAX_MV)),
    **dict.fromkeys(("pulse_stop_us", "pulse_full_us"), (500, 2_500)),
}


def faults(params: Params) -> list[tuple[str, str, str]]:
    """Relations between parameters that do not hold, each as (key, expected, got)."""
    values = params._asdict()
    # Of each pair the first must be less.
    rising = (
        ("window_low_counts", "rest_counts"),
        ("rest_counts", "full_counts"),
        ("full_counts", "window_high_counts"),
        ("bus_floor_mv", "bus_foldback_mv"),
        ("pulse_stop_us", "pulse_full_us"),
    )
    least_ms = {
        # A lever pulled in the same movement must be seen off rest before the press counts; the median takes a tick.
        "deadman_press_ms": params.lever_fastest_ms + (2 * params.lever_filter_us + 2 * params.tick_us + 999) // 1000,
        # After a reset the lever counts as at rest until its filter has settled.
        "lever_rest_ms": params.lever_fastest_ms + params.lever_filter_us * 5 // 1000 + 1,
        # A live reading stands still for a few samples by chance, and at a slow tick a short time is but a few.
        "sensor_frozen_ms": -(-30 * params.tick_us // 1000),
    }
    wrong = [(low, f"less than {high} ({values[high]})") for low, high in rising if values[low] >= values[high]]
    wrong += [(key, f"no less than {least} here") for key, least in least_ms.items() if values[key] < least]
    return [(key, expected, str(values[key])) for key, expected in wrong]


class Phase(NamedTuple):
    """The mode, how long what it waits for has lasted, and why the last drive ended."""

    mode: int
    mode_us: int
    cause: int


class Throttle(NamedTuple):
    """The sensor's checks and filter, whether its newest sample shows rest, and the lever after it all, 0 at rest."""

    gate: blocks.Gate
    still: blocks.Still
    latch: blocks.Latch
    recent: blocks.Recent
    acc: int
    seen_at_rest: int
    lever_permille: int


class Bus(NamedTuple):
    """The filtered bus, and how much drive it allows."""

    acc: int
    limit: blocks.Ramp


class State(NamedTuple):
    """All that is remembered; cord: 1 in place. lost_us: for how long a driven thruster has stood still."""

    phase: Phase
    throttle: Throttle
    bus: Bus
    deadman: blocks.Debounced
    cord: blocks.Debounced
    button: blocks.Debounced
    clicks: blocks.Clicks
    power_step: int
    drive: blocks.Ramp
    lost_us: int


def initial(params: Params) -> State:
    """After a reset nothing is trusted: dead-man and button count as held until they are seen released."""
    rest = params.rest_counts
    recent, settled = blocks.Recent(rest, rest, rest), blocks.low_pass_start(rest)
    return State(
        phase=Phase(ARMING, 0, NOT_STARTED),
        throttle=Throttle(blocks.Gate(rest, 0, 0), blocks.Still(rest, 0), blocks.Latch(0, 0), recent, settled, 0, 0),
        bus=Bus(blocks.low_pass_start(0), blocks.Ramp(0, 0)),
        deadman=blocks.Debounced(1, 0),
        cord=blocks.Debounced(1, 0),
        button=blocks.Debounced(1, 0),
        clicks=blocks.no_clicks(1),
        power_step=1,
        drive=blocks.Ramp(0, 0),
        lost_us=0,
    )


def read_throttle(params: Params, state: Throttle, hall_counts: int) -> Throttle:
    """The sample's window and reach, faults that persist, median, filter, travel, dead band."""
    counts = blocks.clamp(hall_counts, 0, 4095)
    low, high = params.window_low_counts, params.window_high_counts
    rest, full = params.rest_counts, params.full_counts
    gate = blocks.gate(
        state.gate, counts, low, high, params.jump_counts, full - rest, params.lever_fastest_ms * 1000, params.tick_us
    )
    still = blocks.stillness(state.still, counts, params.tick_us)
    sample = gate.sample
    # At rest a frozen reading is harmless: it cannot ask for drive.
    if sample == blocks.SAMPLE_GOOD and state.lever_permille > 0 and still.still_us >= params.sensor_frozen_ms * 1000:
        sample = SAMPLE_FROZEN
    latch = blocks.fault_latch(state.latch, sample, params.sensor_fault_ms * 1000, SENSOR_RECOVER_US, params.tick_us)
    # Of three good samples the middle one: a single spike that is believed never reaches the lever.
    recent = blocks.remember(state.recent, counts, sample)
    middle = blocks.median3(recent.older_counts, recent.old_counts, recent.new_counts)
    acc = blocks.low_pass(state.acc, middle, params.lever_filter_us, params.tick_us)
    band = params.dead_band_permille
    lever_permille = blocks.dead_band(blocks.travel(blocks.low_pass_value(acc), rest, full), band)
    newest_permille = blocks.dead_band(blocks.travel(recent.new_counts, rest, full), band)
    seen_at_rest = 1 if sample == blocks.SAMPLE_GOOD and newest_permille == 0 else 0
    return Throttle(gate, still, latch, recent, acc, seen_at_rest, lever_permille)


def read_bus(params: Params, state: Bus, bus_mv: int, driving: int) -> Bus:
    """Less drive is allowed on the way to the bus's floor; while driving the limit falls fast and rises slowly."""
    mv = blocks.clamp(bus_mv, 0, BUS_MAX_MV)
    acc = blocks.low_pass(state.acc, mv, BUS_FILTER_US, params.tick_us)
    allowed = blocks.FULL_PERMILLE
    if params.bus_fitted == 1:
        room_mv = blocks.low_pass_value(acc) - params.bus_floor_mv
        allowed = blocks.fold_back(room_mv, params.bus_foldback_mv - params.bus_floor_mv)
    limit = blocks.Ramp(allowed, 0)
    if driving == 1:
        limit = blocks.guard(state.limit, allowed, LIMIT_HOLD_PERMILLE, LIMIT_UP_MS, LIMIT_DOWN_MS, params.tick_us)
    return Bus(acc, limit)


def read_contact(state: blocks.Debounced, pin: int, press_ms: int, release_ms: int, tick_us: int) -> blocks.Debounced:
    """A contact, debounced; a reading other than 1 is the safe one, released or out."""
    return blocks.debounce(state, 1 if pin == 1 else 0, press_ms * 1000, release_ms * 1000, tick_us)


def lost_for_us(params: Params, timer_us: int, drive_permille: int, left_rpm: int, right_rpm: int) -> int:
    """For how long either thruster has been driven without turning; a speed that is not fitted reads -1."""
    stands = 1 if 0 <= left_rpm < params.thruster_floor_rpm or 0 <= right_rpm < params.thruster_floor_rpm else 0
    return blocks.held_us(timer_us, stands if drive_permille >= THRUSTER_DRIVE_PERMILLE else 0, params.tick_us)


def next_mode(params: Params, phase: Phase, lever: Throttle, stopped: int, deadman: int, cord: int, fault: int) -> int:
    """The next mode; the order of the branches is the order of importance.

    stopped: 1 without drive. deadman, cord: debounced. fault: a reason, or none.
    """
    mode = phase.mode
    if cord == 0:
        return KILLED
    if mode == KILLED:
        return ARMING
    if mode == ARMING:
        return WAITING if phase.mode_us >= params.esc_arm_ms * 1000 else ARMING
    if fault != NONE:
        return STOPPING
    if mode == STOPPING:
        return WAITING if stopped == 1 else STOPPING
    if mode == DRIVE:
        return DRIVE if deadman == 1 else STOPPING
    if lever.lever_permille > 0:
        return WAITING
    if mode == WAITING:
        return READY if phase.mode_us >= params.lever_rest_ms * 1000 else WAITING
    # Bad samples hide a lever that is pulled together with the dead-man; only a good one lets it start.
    return DRIVE if deadman == 1 and lever.seen_at_rest == 1 else READY


def next_cause(phase: Phase, mode: int, fault: int) -> int:
    """Why the last drive ended; none while driving."""
    if mode == KILLED:
        return CORD
    if mode == DRIVE:
        return NONE
    if mode == STOPPING and fault != NONE:
        return fault
    return DEADMAN if mode == STOPPING and phase.mode == DRIVE else phase.cause


def next_power_step(params: Params, power_step: int, clicks: int) -> int:
    """One step up or down for a finished gesture, never past an end."""
    if clicks == CLICKS_UP:
        return min(power_step + 1, params.step_count)
    return max(power_step - 1, 1) if clicks == CLICKS_DOWN else power_step


def cap_permille(params: Params, power_step: int) -> int:
    """The drive of a power step with the lever full."""
    if power_step <= 1:
        return params.cap_1_permille
    return params.cap_2_permille if power_step == 2 else params.cap_3_permille


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    """One control tick: read, decide the mode, listen for the gesture, move the drive."""
    tick_us = params.tick_us
    mode_before = state.phase.mode
    deadman = read_contact(state.deadman, inputs.deadman, params.deadman_press_ms, params.deadman_release_ms, tick_us)
    cord = read_contact(state.cord, inputs.kill_cord, params.kill_back_ms, params.kill_out_ms, tick_us)
    button = read_contact(state.button, inputs.mode_button, params.button_ms, params.button_ms, tick_us)
    throttle = read_throttle(params, state.throttle, inputs.hall_counts)
    bus = read_bus(params, state.bus, inputs.bus_mv, 1 if mode_before == DRIVE else 0)
    lost_us = lost_for_us(params, state.lost_us, state.drive.permille, inputs.left_rpm, inputs.right_rpm)
    fault = NONE
    if throttle.latch.fault != 0:
        fault = SENSOR + throttle.latch.fault
    elif lost_us >= params.thruster_lost_ms * 1000:
        fault = THRUSTER
    elif bus.limit.permille == 0:
        fault = BUS_GONE

    stopped = 1 if state.drive.permille == 0 else 0
    mode = next_mode(params, state.phase, throttle, stopped, deadman.level, cord.level, fault)
    counts = 1 if mode == ARMING or (mode == WAITING and throttle.lever_permille == 0 and deadman.level == 0) else 0
    mode_us = blocks.held_us(state.phase.mode_us if mode == mode_before else 0, counts, tick_us)
    phase = Phase(mode, mode_us, next_cause(state.phase, mode, fault))

    # The button is listened to in READY alone; after the cord the step is the gentlest again.
    clicks = blocks.no_clicks(button.level)
    if mode == READY:
        line = 1 if inputs.mode_button == 1 else 0
        rules = blocks.ClickRules(CLICK_LEAD_US, CLICK_MIN_US, CLICK_MAX_US, CLICK_MIN_US, CLICK_MAX_US, CLICK_QUIET_US)
        clicks = blocks.count_clicks(state.clicks, line, button.level, rules, tick_us)
    power_step = 1 if mode == KILLED else next_power_step(params, state.power_step, clicks.done)

    wish_permille = throttle.lever_permille * cap_permille(params, power_step) // blocks.FULL_PERMILLE
    target_permille = min(wish_permille, bus.limit.permille) if mode == DRIVE else 0
    drive = blocks.ramp(state.drive, target_permille, params.ramp_up_ms, params.ramp_down_ms, tick_us)
    if mode == KILLED:
        drive = blocks.Ramp(0, 0)
    pulse_us = blocks.pulse_us(drive.permille, params.pulse_stop_us, params.pulse_full_us)
    command = Command(
        left_pulse_us=pulse_us,
        right_pulse_us=pulse_us,
        power_step=power_step,
        # A dark display tells the rider that it was not the hand that stopped the drive.
        display=0 if mode == KILLED or (mode == STOPPING and phase.cause != DEADMAN) else power_step,
        mode=mode,
        reason=BUS_LOW if mode == DRIVE and bus.limit.permille < wish_permille else phase.cause,
        lever_permille=throttle.lever_permille,
    )
    return State(phase, throttle, bus, deadman, cord, button, clicks, power_step, drive, lost_us), command


# Below, what this file promises; scenarios hold it to that by name, in seconds (`within_s: deadman_latency_s`).
def in_ticks_ms(params: Params, *waits_ms: int) -> int:
    """The sum of some waits, each rounded up to whole ticks."""
    ticks = sum(-(-wait_ms * 1000 // params.tick_us) for wait_ms in waits_ms)
    return -(-ticks * params.tick_us // 1000)


def deadman_latency_ms(params: Params) -> int:
    """Dead-man reads released -> no drive: its debounce, then the ramp from full."""
    return in_ticks_ms(params, params.deadman_release_ms, params.ramp_down_ms)


def kill_latency_ms(params: Params) -> int:
    """Kill cord reads out -> no drive: its debounce alone."""
    return in_ticks_ms(params, params.kill_out_ms)


def sensor_latency_ms(params: Params) -> int:
    """Every throttle sample bad -> no drive: persistence, then the ramp from full."""
    return in_ticks_ms(params, params.sensor_fault_ms, params.ramp_down_ms)


def start_delay_ms(params: Params) -> int:
    """The least time from reset to any drive."""
    return in_ticks_ms(params, params.esc_arm_ms, params.lever_rest_ms)
