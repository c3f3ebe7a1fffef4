"""A first evening's throttle controller, kept as the example of what goes wrong in water.

It was written with the vehicle dry on the bench, where it works: the lever
sets the pulses, the dead-man must be held, the button steps the power, the kill
cord stops. Nothing in it is a mistake one sees there. What was left out, each
for a plausible reason:

- The button is debounced for 5 ms and counts at any time, also while driving:
  its bounce was shorter than that. A wet contact's pulses are longer.
- The dead-man and the kill cord are read directly, and both give drive back as
  soon as they read well again: on the bench they never read wrongly.
- No start sequence: after a reset it drives as soon as the dead-man is held and
  the lever is off rest. Dry, the supply never sagged so far as to reset it.
- No check of the sensor: a wire shorted to its supply reads as full lever.
- The drive follows the lever at once, and nothing looks at the bus: propellers
  turning in air load neither motor nor pack.
- The smoothing is "three parts old, one part new" each tick, so a wild sample
  still moves the drive by a quarter of its error.
"""

from typing import NamedTuple

from controllers.board import Command, Inputs

STOPPED = 0
DRIVE = 1

MODES = {
    STOPPED: "stopped",
    DRIVE: "driving as the lever says",
}

NONE = 0
DEADMAN = 1
CORD = 2

REASONS = {
    NONE: "",
    DEADMAN: "the dead-man is released",
    CORD: "the kill cord is out",
}


class Params(NamedTuple):
    """Meaning and unit of each are in the comments of first_draft.yaml."""

    tick_us: int
    rest_counts: int
    full_counts: int
    button_ms: int
    step_count: int
    cap_1_permille: int
    cap_2_permille: int
    cap_3_permille: int
    cap_4_permille: int
    pulse_stop_us: int
    pulse_full_us: int


LIMITS = {
    "tick_us": (250, 10_000),
    "rest_counts": (0, 4095),
    "full_counts": (0, 4095),
    "button_ms": (0, 1_000),
    "step_count": (1, 4),
    "cap_1_permille": (0, 1_000),
    "cap_2_permille": (0, 1_000),
    "cap_3_permille": (0, 1_000),
    "cap_4_permille": (0, 1_000),
    "pulse_stop_us": (500, 2_500),
    "pulse_full_us": (500, 2_500),
}


class State(NamedTuple):
    """counts: smoothed lever. button: believed level. button_us: how long the line has differed from it."""

    counts: int
    button: int
    button_us: int
    power_step: int


def faults(params: Params) -> list[tuple[str, str, str]]:
    """Relations between parameters that do not hold, each as (key, expected, got)."""
    found = []
    if params.rest_counts >= params.full_counts:
        found.append(("rest_counts", f"less than full_counts ({params.full_counts})", str(params.rest_counts)))
    if params.pulse_stop_us >= params.pulse_full_us:
        found.append(("pulse_stop_us", f"less than pulse_full_us ({params.pulse_full_us})", str(params.pulse_stop_us)))
    return found


def initial(params: Params) -> State:
    """After a reset: lever at rest, button released, the gentlest step."""
    return State(counts=params.rest_counts, button=0, button_us=0, power_step=1)


def _cap_permille(params: Params, power_step: int) -> int:
    if power_step == 1:
        return params.cap_1_permille
    if power_step == 2:
        return params.cap_2_permille
    if power_step == 3:
        return params.cap_3_permille
    return params.cap_4_permille


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    """One control tick: smooth the lever, step the power on a press, drive while the dead-man is held."""
    counts = (3 * state.counts + min(max(inputs.hall_counts, 0), 4095)) // 4
    inside = min(max(counts, params.rest_counts), params.full_counts) - params.rest_counts
    lever_permille = inside * 1000 // (params.full_counts - params.rest_counts)

    button = state.button
    button_us = 0
    power_step = state.power_step
    if inputs.mode_button != state.button:
        button_us = state.button_us + params.tick_us
        if button_us >= params.button_ms * 1000:
            button = inputs.mode_button
            button_us = 0
            if button == 1:
                power_step = power_step % params.step_count + 1

    reason = NONE
    if inputs.deadman == 0:
        reason = DEADMAN
    if inputs.kill_cord == 0:
        reason = CORD
    drive_permille = lever_permille * _cap_permille(params, power_step) // 1000 if reason == NONE else 0
    pulse_us = params.pulse_stop_us + drive_permille * (params.pulse_full_us - params.pulse_stop_us) // 1000
    return (
        State(counts=counts, button=button, button_us=button_us, power_step=power_step),
        Command(
            left_pulse_us=pulse_us,
            right_pulse_us=pulse_us,
            power_step=power_step,
            display=power_step,
            mode=DRIVE if reason == NONE else STOPPED,
            reason=reason,
            lever_permille=lever_permille,
        ),
    )
