"""Electronic speed controller of one thruster: pulses in, duty out (row 1)."""

from typing import NamedTuple

# What the ESC is doing.
UNPOWERED = 0
ARMING = 1
READY = 2
CUT = 3  # undervoltage, latched until a stop pulse
SIGNAL_LOST = 4

# What it does when the pulses stop: both kinds are on sale.
STOPS = 0
HOLDS = 1


class Params(NamedTuple):
    frame_us: int  # pulse frame: a new width is taken once a frame
    stop_us: float  # pulses up to here are zero
    full_us: float
    valid_us_min: float  # outside this band a pulse is noise and ignored
    valid_us_max: float
    arm_s: float  # stop pulses needed after power-up
    rise_frac_s: float  # its own limit on duty growth
    fall_frac_s: float
    on_v: float  # bus needed to work at all
    cut_v: float
    cut_delay_s: float
    lost_after_s: float  # no pulse for this long counts as lost
    on_lost: int  # STOPS or HOLDS
    hold_s: float  # how long it holds, if it holds
    current_a_max: float  # motor current limit
    on_ohm: float  # its MOSFETs, in series with the motor
    idle_w: float
    dt_s: float


class State(NamedTuple):
    mode: int
    armed_s: float
    silent_s: float  # since the last pulse it heeded
    low_s: float  # bus under the cut-off
    target_frac: float
    duty_frac: float


class Inputs(NamedTuple):
    pulse_us: float  # width on the wire at this frame; 0 is none
    frame: int  # 1 on the tick a frame ends
    bus_v: float


def initial(params: Params) -> State:
    """Just powered: it waits for stop pulses, and has not seen any."""
    return State(mode=ARMING, armed_s=0.0, silent_s=params.lost_after_s, low_s=0.0, target_frac=0.0, duty_frac=0.0)


def throttle_of(params: Params, pulse_us: float) -> float:
    """Throttle 0 to 1 for a pulse width."""
    return min(max((pulse_us - params.stop_us) / (params.full_us - params.stop_us), 0.0), 1.0)


def slewed(params: Params, duty_frac: float, target_frac: float) -> float:
    """Duty one tick nearer to its target, within the ESC's own rates."""
    if target_frac == duty_frac:
        # Where it nearly always is.
        return target_frac
    rise = params.rise_frac_s * params.dt_s
    fall = params.fall_frac_s * params.dt_s
    return min(max(target_frac, duty_frac - fall), duty_frac + rise)


def step(params: Params, state: State, inputs: Inputs) -> State:
    """The ESC one tick later; its motor sees `duty_frac` of the bus.

    Parameters
    ----------
    inputs : pulse_us is looked at only on the tick where `frame` is 1.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Source: servo pulse of 1000 to 2000 us (common practice, no source);
    arming on stop pulses, undervoltage cut with delay and latch, and both
    answers to a lost signal are common practice, no source (a hold of almost
    3 s stands in a public fault report). Differs from a real one in: duty is
    linear in the pulse; commutation, timing advance and start-up are not modelled.
    """
    mode, armed_s, silent_s, low_s, target, duty = state
    pulse_us, frame, bus_v = inputs
    dt_s = params.dt_s
    pulse_seen = frame == 1 and params.valid_us_min <= pulse_us <= params.valid_us_max
    throttle = throttle_of(params, pulse_us) if pulse_seen else 0.0
    stop_seen = pulse_seen and throttle <= 0.0
    holding = params.on_lost == HOLDS and silent_s < params.lost_after_s + params.hold_s
    # Once it has given up holding, only a stop pulse counts as hearing again.
    heard = stop_seen or (pulse_seen and (mode != SIGNAL_LOST or holding))
    silent_s = 0.0 if heard else silent_s + dt_s
    low_s = low_s + dt_s if bus_v < params.cut_v else 0.0
    # A delay of 0 still needs one low sample.
    cuts = low_s > 0.0 and low_s >= params.cut_delay_s

    if bus_v < params.on_v:
        mode = UNPOWERED
    elif mode == UNPOWERED:
        mode = ARMING
        armed_s = 0.0
    elif mode == ARMING:
        # Anything but an unbroken row of stop pulses starts the wait anew.
        unbroken = silent_s < params.lost_after_s and throttle <= 0.0
        armed_s = armed_s + dt_s if unbroken else 0.0
        if armed_s >= params.arm_s:
            mode = READY
    elif mode == READY:
        if cuts:
            mode = CUT
        elif silent_s >= params.lost_after_s:
            mode = SIGNAL_LOST
        elif pulse_seen:
            target = throttle
    elif mode == CUT:
        if stop_seen and low_s <= 0.0:
            mode = READY
    elif heard:
        mode = READY
        target = throttle
    elif cuts:
        mode = CUT

    if mode != READY and not (mode == SIGNAL_LOST and holding):
        target = 0.0
    duty = 0.0 if mode != READY and mode != SIGNAL_LOST else slewed(params, duty, target)
    return State(mode, armed_s, silent_s, low_s, target, duty)
