"""Small pure pieces shared by the controllers (integers only, as they would be in C).

Every piece takes its state and inputs and gives back the next state, or just a
number. Nothing here keeps time: each call is one control tick of ``tick_us``
microseconds, from 250 to 10 000. Intermediates stay inside 32 bits for the
ranges the docstrings give, and every shift, division and remainder is taken of
a non-negative number, so that Python, C and the compiled bench agree. Nothing
raises: the parameters' ranges are checked before the first step.
"""

from typing import NamedTuple

# What is wrong with one sample of a sensor; a controller may add its own above these.
SAMPLE_GOOD = 0
SAMPLE_LOW = 1
SAMPLE_HIGH = 2
SAMPLE_JUMP = 3

FULL_PERMILLE = 1000

# No timer here needs to tell apart anything longer; it saturates well inside 32 bits.
TIMER_MAX_US = 100_000_000

# The low-pass keeps 12 bits below the point: 400 000 units still fit in 32 bits.
_LOW_PASS_BITS = 12
_LOW_PASS_ONE = 4096

# The gate's reach grows no further; by then it covers the whole travel.
_GATE_AGE_MAX_US = 100_000

# A gesture is being refused until its line has been quiet.
CLICKS_BLOCKED = -1
_CLICKS_MAX = 9


def clamp(value: int, lowest: int, highest: int) -> int:
    """`value`, or the end of the range it lies beyond."""
    if value < lowest:
        return lowest
    return highest if value > highest else value


def held_us(timer_us: int, holds: int, tick_us: int) -> int:
    """How long (us) a condition has held without a break, this tick counted; saturates."""
    return min(timer_us + tick_us, TIMER_MAX_US) if holds == 1 else 0


def median3(a: int, b: int, c: int) -> int:
    """The middle one of three readings: one wild sample never gets through."""
    return clamp(c, min(a, b), max(a, b))


def low_pass_start(value: int) -> int:
    """The accumulator of a low-pass that has settled on `value` (0 to 400 000)."""
    return value << _LOW_PASS_BITS


def low_pass(acc: int, value: int, tau_us: int, tick_us: int) -> int:
    """One tick of a first-order low-pass, in fixed point.

    Parameters
    ----------
    acc : the accumulator, the output times 4096.
    value : the new reading, 0 to 400 000 of any unit.
    tau_us : time constant, 0 (no filter) to 500 000.
    tick_us : control tick.

    Returns
    -------
    The next accumulator; `low_pass_value` reads it.

    Notes
    -----
    Backward Euler of tau dy/dt = x - y: y += (x - y) dt / (tau + dt), common
    practice. The error is taken against the output's whole part, so the output
    reaches a steady input exactly from below or above and never passes it.
    """
    weight = tick_us * _LOW_PASS_ONE // (tau_us + tick_us)
    return acc + weight * (value - (acc >> _LOW_PASS_BITS))


def low_pass_value(acc: int) -> int:
    """The low-pass output, whole units, from its accumulator."""
    return acc >> _LOW_PASS_BITS


class Gate(NamedTuple):
    """believed_counts: last sample believed. age_us: time since then. sample: SAMPLE_* of the newest."""

    believed_counts: int
    age_us: int
    sample: int


def gate(
    state: Gate,
    counts: int,
    low_counts: int,
    high_counts: int,
    jump_counts: int,
    travel_counts: int,
    fastest_us: int,
    tick_us: int,
) -> Gate:
    """Believe a sample only inside the window and within reach of the last one believed.

    Reach is the noise allowance plus what the fastest lever covers in the time
    since the last believed sample. A single wild sample is dropped; a lever that
    really was faster is believed as soon as the fastest could have got there.

    Parameters
    ----------
    counts : the sample, 0 to 4095.
    low_counts, high_counts : the window; an open or shorted line reads outside it.
    jump_counts : change that noise alone may make between two samples.
    travel_counts : the lever's whole travel.
    fastest_us : the shortest time in which a hand or spring moves it all the way, at least 1.
    """
    age_us = min(state.age_us + tick_us, _GATE_AGE_MAX_US)
    change = counts - state.believed_counts
    if counts < low_counts:
        sample = SAMPLE_LOW
    elif counts > high_counts:
        sample = SAMPLE_HIGH
    elif max(change, -change) > jump_counts + travel_counts * age_us // fastest_us:
        sample = SAMPLE_JUMP
    else:
        return Gate(counts, 0, SAMPLE_GOOD)
    return Gate(state.believed_counts, age_us, sample)


class Recent(NamedTuple):
    """older_counts, old_counts, new_counts: the last three samples that were believed."""

    older_counts: int
    old_counts: int
    new_counts: int


def remember(state: Recent, counts: int, kind: int) -> Recent:
    """Take in a good sample, kind 0; a bad one passes by and leaves the three as they were.

    Each sample so counts once in a median. Were the last good one repeated in
    the place of a bad one, a spike just small enough to be believed would make
    up two of three as soon as its return, a little larger, is not believed.
    """
    if kind != SAMPLE_GOOD:
        return Recent(state.older_counts, state.old_counts, state.new_counts)
    return Recent(state.old_counts, state.new_counts, counts)


class Still(NamedTuple):
    """counts: the newest reading. still_us: how long it has not moved by a single count."""

    counts: int
    still_us: int


def stillness(state: Still, counts: int, tick_us: int) -> Still:
    """Time a reading that has not moved at all.

    A live analogue line is never still: its noise moves the last digits. An
    exact standstill of seconds is a frozen converter or a signal that no longer
    comes from the sensor. It cannot tell a jammed lever, whose reading is as
    noisy as ever, nor a sensor whose noise is below about a tenth of a count.
    """
    same = 1 if counts == state.counts else 0
    return Still(counts, held_us(state.still_us, same, tick_us))


class Latch(NamedTuple):
    """fault: kind of fault in force, 0 none. timer_us: bad time so far, or good time since a fault."""

    fault: int
    timer_us: int


def fault_latch(state: Latch, kind: int, fault_us: int, recover_us: int, tick_us: int) -> Latch:
    """A fault once bad samples persist; none again after an unbroken good time.

    Good samples take off half of what bad ones add, so a single glitch is
    forgotten, while a line bad for more than a third of the time becomes a fault
    (after fault_us when it is bad all the time). `kind` is the sample's, 0 good;
    both times at least 1.
    """
    if state.fault != 0:
        good_us = held_us(state.timer_us, 1 if kind == 0 else 0, tick_us)
        if good_us >= recover_us:
            return Latch(0, 0)
        return Latch(state.fault, good_us)
    if kind == 0:
        return Latch(0, max(state.timer_us - tick_us // 2, 0))
    bad_us = state.timer_us + tick_us
    if bad_us >= fault_us:
        return Latch(kind, 0)
    return Latch(0, bad_us)


def ratiometric(counts: int, supply_mv: int, nominal_mv: int) -> int:
    """The counts a ratiometric sensor would give at its nominal supply.

    Only for an ADC whose reference does not follow the sensor's supply; where it
    does, the ratio is right already. counts 0 to 4095; supply_mv at least 1;
    nominal_mv up to 100 000.
    """
    return counts * nominal_mv // supply_mv


def travel(counts: int, rest_counts: int, full_counts: int) -> int:
    """Lever travel in permille, 0 at rest and below, 1000 at full and above; rest < full."""
    inside = clamp(counts, rest_counts, full_counts) - rest_counts
    return inside * FULL_PERMILLE // (full_counts - rest_counts)


def dead_band(permille: int, band_permille: int) -> int:
    """Nothing inside the band, then rising from 0 so that full stays full; band below 1000."""
    return max(permille - band_permille, 0) * FULL_PERMILLE // (FULL_PERMILLE - band_permille)


def curve(permille: int, blend_permille: int) -> int:
    """A straight line (blend 0) to a square (blend 1000): finer at the slow end, the same ends."""
    square = permille * permille // FULL_PERMILLE
    return ((FULL_PERMILLE - blend_permille) * permille + blend_permille * square) // FULL_PERMILLE


class Debounced(NamedTuple):
    """level: what is believed, 0 or 1. timer_us: how far the line has argued against it."""

    level: int
    timer_us: int


def debounce(state: Debounced, line: int, press_us: int, release_us: int, tick_us: int) -> Debounced:
    """Believe a change once the line's time against the level outweighs the rest by press or release time.

    An integrating counter: time on the other level counts up, time on the
    believed one counts back down, so short pulses delay a change but neither
    make nor forbid it. A line that stays changes the level no later than the
    given time, rounded up to whole ticks, after its first sample.
    """
    if line == state.level:
        return Debounced(line, max(state.timer_us - tick_us, 0))
    timer_us = state.timer_us + tick_us
    if timer_us >= (press_us if line == 1 else release_us):
        return Debounced(line, 0)
    return Debounced(state.level, timer_us)


class Clicks(NamedTuple):
    """A gesture under way.

    number : presses so far, or CLICKS_BLOCKED.
    timer_us : age of the last edge, or of the quiet while blocked.
    pressed : the level of the tick before.
    done : presses of a gesture finished in this very tick, else 0.
    """

    number: int
    timer_us: int
    pressed: int
    done: int


class ClickRules(NamedTuple):
    """The rhythm of a deliberate gesture.

    lead_us : the line must have been quiet so long before the first press.
    press_min_us, press_max_us : each press lasts from one to the other.
    gap_min_us, gap_max_us : so does each pause between two presses.
    quiet_us : the release after the last press lasts so long; longer than a gap.
    """

    lead_us: int
    press_min_us: int
    press_max_us: int
    gap_min_us: int
    gap_max_us: int
    quiet_us: int


def no_clicks(pressed: int) -> Clicks:
    """Nothing counted, and the next gesture blocked until the line has been quiet for the lead time."""
    return Clicks(CLICKS_BLOCKED, 0, pressed, 0)


def count_clicks(state: Clicks, line: int, pressed: int, rules: ClickRules, tick_us: int) -> Clicks:
    """Count short presses in rhythm; the tick that completes a gesture has their number in `done`.

    Anything out of rhythm (a press too long or too short, a pause too short, a
    late pulse) throws the whole gesture away and blocks the next until the line
    has been quiet for the lead time. A leaking contact, which pulses at random
    lengths and intervals, therefore keeps blocking itself.

    Parameters
    ----------
    line : the raw input: even a pulse too short for the debounce is no quiet.
    pressed : the same input, debounced.
    """
    timer_us = min(state.timer_us + tick_us, TIMER_MAX_US)
    number = state.number
    done = 0
    broken = 0
    if number == CLICKS_BLOCKED:
        if line == 1 or pressed == 1:
            timer_us = 0
        elif timer_us >= rules.lead_us:
            number = 0
    elif pressed == 1 and state.pressed == 0:
        # The first press has no pause before it; the lead time was its own.
        broken = 1 if number > 0 and (timer_us < rules.gap_min_us or timer_us > rules.gap_max_us) else 0
        timer_us = 0
    elif pressed == 0 and state.pressed == 1:
        broken = 1 if timer_us < rules.press_min_us or timer_us > rules.press_max_us else 0
        number = min(number + 1, _CLICKS_MAX)
        timer_us = 0
    elif pressed == 0 and number > 0 and timer_us > rules.gap_max_us:
        # Too late for another press: only quiet can complete the gesture now.
        broken = line
        if line == 0 and timer_us >= rules.quiet_us:
            done = number
            broken = 1
    if broken == 1:
        number = CLICKS_BLOCKED
        timer_us = 0
    return Clicks(number, timer_us, pressed, done)


class Ramp(NamedTuple):
    """permille: the ramp's output. carry_us: time not yet turned into a permille, negative on the way down."""

    permille: int
    carry_us: int


def ramp(state: Ramp, target_permille: int, up_ms: int, down_ms: int, tick_us: int) -> Ramp:
    """Follow the target no faster than 0 to 1000 permille in `up_ms`, 1000 to 0 in `down_ms`.

    One permille then takes exactly up_ms (or down_ms) microseconds. What a tick
    leaves over is carried, so the ramp lasts the same at every tick. Times at
    least 1 ms; the target 0 to 1000.
    """
    # One permille takes as many microseconds as the whole way takes milliseconds.
    # Time carried in the other direction is dropped: it was measured at the other rate.
    if target_permille > state.permille:
        budget_us = max(state.carry_us, 0) + tick_us
        up_permille = state.permille + budget_us // up_ms
        return Ramp(up_permille, budget_us % up_ms) if up_permille < target_permille else Ramp(target_permille, 0)
    budget_us = max(-state.carry_us, 0) + tick_us
    down_permille = state.permille - budget_us // down_ms
    return Ramp(down_permille, -(budget_us % down_ms)) if down_permille > target_permille else Ramp(target_permille, 0)


def fold_back(room: int, span: int) -> int:
    """Drive allowed in permille: 0 with no room left before a limit, all of it from `span` on.

    room, span : how far a quantity is from its limit, and where fold-back starts,
    both in its unit (mV, mA); span from 1 to 400 000.
    """
    return clamp(room, 0, span) * FULL_PERMILLE // span


def guard(state: Ramp, allowed_permille: int, hold_permille: int, up_ms: int, down_ms: int, tick_us: int) -> Ramp:
    """The drive limit: down quickly to what is allowed, up slowly and only with room to spare.

    Less drive lifts the bus, which allows more drive: followed both ways alike,
    that loop hunts. So the limit holds while no more than `hold_permille` above
    it is allowed, and recovers, slowly, only beyond that or when all is allowed.
    """
    if state.permille <= allowed_permille < FULL_PERMILLE and allowed_permille - state.permille <= hold_permille:
        return Ramp(state.permille, 0)
    return ramp(state, allowed_permille, up_ms, down_ms, tick_us)


def pulse_us(permille: int, stop_us: int, full_us: int) -> int:
    """Servo pulse for a drive of 0 to 1000 permille; never outside stop to full."""
    return stop_us + clamp(permille, 0, FULL_PERMILLE) * (full_us - stop_us) // FULL_PERMILLE
