"""The reference throttle controller: one to trust with a prone operator (integers, as it would be in C).

The chain: window and reach of the raw sample -> supply correction -> median ->
low-pass -> travel, dead band, curve -> cap of the power step -> supply guard ->
ramp -> pulses. Around it runs a start sequence, repeated after every stop:

    stop pulses while the ESCs arm -> lever seen at rest for a time -> dead-man
    seen released -> dead-man pressed, lever still seen at rest -> drive.

Stops, in the words of IEC 60204-1: releasing the dead-man, a sensor fault and a
lost thruster are controlled (the drive ramps down); the kill cord takes all
drive at once. Software cannot take the power away: what completes a
category 1 stop, or makes a category 0 one, is the hardware's main switch. A
safe state sends stop pulses and never none, because some ESCs hold the last
pulse they saw when pulses end.

The power step changes only by a deliberate rhythm of short presses (of the
dead-man, or of a mode button), only at zero drive with the lever at rest, one
step at a time and not round from one end to the other. It starts at 1 after a
reset and after the kill cord was out.

Stated latencies, from the first sample that shows the cause, are the functions
`deadman_latency_ms`, `kill_latency_ms`, `sensor_latency_ms`,
`frozen_latency_ms` and `thruster_latency_ms`; `start_delay_ms` is the least
time from reset to drive. Each is a sum of parameters in whole ticks: dead-man
release to zero drive, for one, takes no longer than `deadman_release_ms` plus
`ramp_down_ms`.

Not covered, because no input shows it: a lever jammed by sand (the dead-man is
for that), a dead-man welded or flooded while it is held, a kill cord switch
that no longer opens. The numbers in the YAML beside this file are invented.
"""

from typing import NamedTuple

from controllers import blocks
from controllers import reference_senses as senses
from controllers.board import Command, Inputs
from controllers.reference_params import LIMITS as LIMITS
from controllers.reference_params import Params as Params
from controllers.reference_params import deadman_latency_ms as deadman_latency_ms
from controllers.reference_params import faults as faults
from controllers.reference_params import frozen_latency_ms as frozen_latency_ms
from controllers.reference_params import kill_latency_ms as kill_latency_ms
from controllers.reference_params import sensor_latency_ms as sensor_latency_ms
from controllers.reference_params import start_delay_ms as start_delay_ms
from controllers.reference_params import thruster_latency_ms as thruster_latency_ms

START = 0
REST = 1
RELEASE = 2
READY = 3
DRIVE = 4
STOPPING = 5
FAULT = 6
KILLED = 7

MODES = {
    START: "stop pulses while the ESCs arm",
    REST: "waiting for the lever at rest",
    RELEASE: "waiting for the dead-man to be released",
    READY: "ready, press the dead-man with the lever at rest",
    DRIVE: "driving as the lever says",
    STOPPING: "controlled stop, dead-man released",
    FAULT: "controlled stop, fault",
    KILLED: "stopped by the kill cord",
}

NONE = 0
NOT_STARTED = 1
DEADMAN = 2
CORD = 3
# A sensor fault's reason is this plus the kind of its samples.
SENSOR = 10
LEFT_LOST = 20
RIGHT_LOST = 21

REASONS = {
    NONE: "",
    NOT_STARTED: "the start sequence has not been done since the last reset",
    DEADMAN: "the dead-man was released",
    CORD: "the kill cord was out",
    SENSOR + blocks.SAMPLE_LOW: "the throttle reads below its window, as an open wire does",
    SENSOR + blocks.SAMPLE_HIGH: "the throttle reads above its window, as a short to the supply does",
    SENSOR + blocks.SAMPLE_JUMP: "the throttle reading jumps faster than a lever can move",
    SENSOR + senses.SAMPLE_FROZEN: "the throttle reading is frozen, not even its noise moves",
    SENSOR + senses.SAMPLE_SUPPLY: "the throttle sensor's supply is out of range",
    LEFT_LOST: "the left thruster does not turn, or lags the other, although it is driven",
    RIGHT_LOST: "the right thruster does not turn, or lags the other, although it is driven",
    senses.BUS_LOW: "drive is held down because the bus is low",
    senses.PACK_HIGH: "drive is held down because the pack current is high",
}

BY_DEADMAN = 0
BY_BUTTON = 1


class Phase(NamedTuple):
    """The mode, the time it has counted, and the reason of the last stop (none while driving)."""

    mode: int
    mode_us: int
    cause: int


class State(NamedTuple):
    """All the controller remembers; left_us, right_us: how long a driven thruster has not turned."""

    phase: Phase
    throttle: senses.Throttle
    contacts: senses.Contacts
    guard: senses.Guard
    drive: blocks.Ramp
    left_us: int
    right_us: int
    clicks: blocks.Clicks
    power_step: int


def initial(params: Params) -> State:
    """After a reset: nothing is trusted, the dead-man counts as held until it is seen released."""
    return State(
        phase=Phase(mode=START, mode_us=0, cause=NOT_STARTED),
        throttle=senses.throttle_at_rest(params),
        contacts=senses.contacts_unseen(),
        guard=senses.open_guard(),
        drive=blocks.Ramp(permille=0, carry_us=0),
        left_us=0,
        right_us=0,
        clicks=blocks.no_clicks(1),
        power_step=1,
    )


def _fault(params: Params, sensor: int, left_us: int, right_us: int) -> int:
    """The reason of the fault in force, the sensor's before a thruster's; none without one."""
    if sensor != 0:
        return SENSOR + sensor
    if left_us >= params.thruster_lost_ms * 1000:
        return LEFT_LOST
    if right_us >= params.thruster_lost_ms * 1000:
        return RIGHT_LOST
    return NONE


def _next_phase(
    params: Params, phase: Phase, throttle: senses.Throttle, stopped: int, deadman: int, cord: int, fault: int
) -> Phase:
    """The next mode; the order of the branches is the order of importance.

    stopped : 1 while there is no drive; deadman, cord : debounced.
    """
    rest = 1 if throttle.lever_permille == 0 else 0
    mode = phase.mode
    mode_us = 0
    cause = phase.cause
    if cord == 0:
        mode = KILLED
        cause = CORD
    elif mode == KILLED:
        mode = START
    elif mode == START:
        # Faults wait: there is no drive to stop, and the ESCs need their stop pulses unbroken.
        mode_us = blocks.held_us(phase.mode_us, 1, params.tick_us)
        if mode_us >= params.esc_arm_ms * 1000:
            mode = REST
    elif fault != NONE:
        mode = FAULT
        cause = fault
    elif mode == FAULT:
        mode = REST if stopped == 1 else FAULT
    elif mode == STOPPING:
        mode = REST if stopped == 1 else STOPPING
    elif mode == DRIVE:
        if deadman == 0:
            # With the lever at rest nothing moves, and the next press may follow at once.
            mode = READY if stopped == 1 and rest == 1 else STOPPING
            cause = DEADMAN
    elif rest == 0:
        mode = REST
    elif mode == REST:
        mode_us = blocks.held_us(phase.mode_us, 1, params.tick_us)
        if mode_us >= params.lever_rest_ms * 1000:
            mode = RELEASE
    elif mode == RELEASE:
        mode = READY if deadman == 0 else RELEASE
    elif deadman == 1 and senses.seen_at_rest(params, throttle) == 1:
        # Bad samples hide a lever that is pulled together with the dead-man; only a good one lets it start.
        mode = DRIVE
        cause = NONE
    if mode != phase.mode:
        mode_us = 0
    return Phase(mode, mode_us, cause)


def _cap_permille(params: Params, power_step: int) -> int:
    if power_step <= 1:
        return params.cap_1_permille
    if power_step == 2:
        return params.cap_2_permille
    if power_step == 3:
        return params.cap_3_permille
    return params.cap_4_permille


def _listen(params: Params, state: blocks.Clicks, line: int, pressed: int, mode: int, at_rest: int) -> blocks.Clicks:
    """Listen for the gesture on the contact that `step_select` names, while the lever rests and nothing drives."""
    # A press of the dead-man passes through DRIVE; the button counts only with the dead-man released.
    pressing = 1 if mode == DRIVE and params.step_select == BY_DEADMAN else 0
    if at_rest == 0 or (mode != READY and pressing == 0):
        return blocks.no_clicks(pressed)
    rules = blocks.ClickRules(
        lead_us=params.click_lead_ms * 1000,
        press_min_us=params.click_press_min_ms * 1000,
        press_max_us=params.click_press_max_ms * 1000,
        gap_min_us=params.click_gap_min_ms * 1000,
        gap_max_us=params.click_gap_max_ms * 1000,
        quiet_us=params.click_quiet_ms * 1000,
    )
    return blocks.count_clicks(state, 1 if line == 1 else 0, pressed, rules, params.tick_us)


def _next_power_step(params: Params, power_step: int, mode: int, clicks: int) -> int:
    """One step up or down for a finished gesture, never past an end; the gentlest after the kill cord."""
    if mode == KILLED:
        return 1
    if clicks == params.clicks_up:
        return min(power_step + 1, params.step_count)
    if clicks == params.clicks_down:
        return max(power_step - 1, 1)
    return power_step


def _reason(mode: int, cause: int, limit_permille: int, limited_by: int, wish_permille: int) -> int:
    """Why there is no drive, or less than the lever asks for."""
    if mode == DRIVE and limit_permille < wish_permille:
        return limited_by
    return cause


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    """One control tick: read, decide the mode, guard, move the drive, listen for the gesture."""
    contacts = senses.read_contacts(params, state.contacts, inputs.deadman, inputs.mode_button, inputs.kill_cord)
    throttle = senses.read_throttle(params, state.throttle, inputs)
    lever_permille = throttle.lever_permille
    left_us = senses.not_turning_us(params, state.left_us, state.drive.permille, inputs.left_rpm, inputs.right_rpm)
    right_us = senses.not_turning_us(params, state.right_us, state.drive.permille, inputs.right_rpm, inputs.left_rpm)
    fault = _fault(params, throttle.latch.fault, left_us, right_us)
    stopped = 1 if state.drive.permille == 0 else 0
    phase = _next_phase(params, state.phase, throttle, stopped, contacts.deadman.level, contacts.cord.level, fault)
    mode = phase.mode

    if mode != KILLED and mode != START:
        guard = senses.guard_supply(params, state.guard, inputs)
    else:
        # The bus comes and goes with the main switch; once the ESCs are armed the guard begins anew.
        guard = senses.open_guard()
    shaped = blocks.curve(lever_permille, params.curve_permille)
    wish_permille = shaped * _cap_permille(params, state.power_step) // blocks.FULL_PERMILLE
    target_permille = min(wish_permille, guard.limit.permille) if mode == DRIVE else 0
    if mode != KILLED:
        drive = blocks.ramp(state.drive, target_permille, params.ramp_up_ms, params.ramp_down_ms, params.tick_us)
    else:
        drive = blocks.Ramp(permille=0, carry_us=0)

    at_rest = 1 if lever_permille == 0 and drive.permille == 0 else 0
    if params.step_select == BY_BUTTON:
        clicks = _listen(params, state.clicks, inputs.mode_button, contacts.button.level, mode, at_rest)
    else:
        clicks = _listen(params, state.clicks, inputs.deadman, contacts.deadman.level, mode, at_rest)
    power_step = _next_power_step(params, state.power_step, mode, clicks.done)
    pulse_us = blocks.pulse_us(drive.permille, params.pulse_stop_us, params.pulse_full_us)
    # A blank display tells the rider that a stop is latched.
    display = power_step if mode != KILLED and mode != FAULT else 0
    reason = _reason(mode, phase.cause, guard.limit.permille, guard.reason, wish_permille)
    return (
        State(phase, throttle, contacts, guard, drive, left_us, right_us, clicks, power_step),
        Command(pulse_us, pulse_us, power_step, display, mode, reason, lever_permille),
    )
