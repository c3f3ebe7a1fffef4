"""What no run of a controller may do, each as a small automaton over the pins and the command (row 4).

Each knows the requirement alone: it counts ticks of what the pins read and looks
at the command's pulses and power step. Nothing here is taken from a controller,
neither its debounce nor its modes. What a requirement allows is in `Rule`.

In the style of the kernels, so that the same lines run interpreted and compiled.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from controllers.board import Command, Inputs

BY_DEADMAN = 0
BY_BUTTON = 1

# What a monitor has found: 0 is nothing, the others say what.
HOLDS = 0
DRIVES_RELEASED = 1
DRIVES_UNSTARTED = 2
STEP_UNASKED = 3
STEP_MISCOUNTED = 4
STEP_UNDER_DRIVE = 5
STEP_OFF_REST = 6
STEP_JUMPS = 7

FOUND = {
    DRIVES_RELEASED: "drive, although the dead-man has read released for longer than is allowed",
    DRIVES_UNSTARTED: "drive, although no start sequence has been seen since",
    STEP_UNASKED: "the power step changes after too few presses, or too long after the last",
    STEP_MISCOUNTED: "the power step changes after more presses than ask for that",
    STEP_UNDER_DRIVE: "the power step changes under drive",
    STEP_OFF_REST: "the power step changes with the lever off rest",
    STEP_JUMPS: "the power step changes by more than one",
}


class Rule(NamedTuple):
    """What is allowed, in whole ticks; see docs/exploring.md.

    stop_us : pulses up to this are no drive.
    rest_low_counts, rest_high_counts : readings of a lever at rest.
    sound_low_counts, sound_high_counts : readings that tell where the lever is; those outside tell nothing.
    deadman_ticks, kill_ticks : drive may go on for so many ticks that read released, or out.
    contact : BY_DEADMAN or BY_BUTTON, whose presses are the gesture.
    up, down : presses that raise, that lower the step.
    gap_ticks : a press after a longer pause begins anew.
    after_ticks : so long a pause forgets the presses.
    press_ticks : so does a press that is longer.
    sure_press_ticks, sure_gap_ticks : a press so long, after a pause so long, is one beyond doubt.
    off_ticks : so many sound readings off rest, with none at rest between, may be glitches.
    """

    stop_us: int
    rest_low_counts: int
    rest_high_counts: int
    sound_low_counts: int
    sound_high_counts: int
    deadman_ticks: int
    kill_ticks: int
    contact: int
    up: int
    down: int
    gap_ticks: int
    after_ticks: int
    press_ticks: int
    sure_press_ticks: int
    sure_gap_ticks: int
    off_ticks: int


class Released(NamedTuple):
    """ticks: how long the dead-man has read released, up to one more than is allowed."""

    ticks: int


def released_at_first(rule: Rule) -> Released:
    """Nobody has held it yet."""
    return Released(rule.deadman_ticks + 1)


def deadman(rule: Rule, state: Released, pins: Inputs, command: Command) -> tuple[Released, int]:
    """Never drive without the dead-man: unbroken release for longer than is allowed, and yet drive."""
    ticks = 0 if pins.deadman == 1 else min(state.ticks + 1, rule.deadman_ticks + 1)
    return Released(ticks), DRIVES_RELEASED if ticks > rule.deadman_ticks and driven(rule, command) == 1 else HOLDS


def driven(rule: Rule, command: Command) -> int:
    """1 while either pulse asks for drive."""
    return 1 if command.left_pulse_us > rule.stop_us or command.right_pulse_us > rule.stop_us else 0


def at_rest(rule: Rule, pins: Inputs) -> int:
    """1 if this reading shows the lever at rest."""
    return 1 if rule.rest_low_counts <= pins.hall_counts <= rule.rest_high_counts else 0


def off_rest(rule: Rule, ticks: int, pins: Inputs) -> int:
    """How many readings off rest there have been since one at rest, up to one more than may be glitches."""
    if pins.hall_counts < rule.sound_low_counts or pins.hall_counts > rule.sound_high_counts:
        return ticks
    return 0 if at_rest(rule, pins) == 1 else min(ticks + 1, rule.off_ticks + 1)


# How far a start sequence has come.
STARTED = 0
LOCKED = 1
SEEN_RELEASED = 2


class Sequence(NamedTuple):
    """progress: of the start sequence. out_ticks, off_ticks: how long cord, lever have read out, off rest, up to one
    more than matters.
    """

    progress: int
    out_ticks: int
    off_ticks: int


def cord_in_place(rule: Rule) -> Sequence:
    """Nothing is asked before the cord has been out."""
    return Sequence(STARTED, 0, 0)


def just_reset(rule: Rule) -> Sequence:
    """After a reset, too, a start sequence must come first."""
    return Sequence(LOCKED, 0, 0)


def sequence(rule: Rule, state: Sequence, pins: Inputs, command: Command) -> tuple[Sequence, int]:
    """Once locked, never drive before the cord reads in place and, at rest, the dead-man released and then pressed.

    A reading that tells nothing does not show the lever at rest: pressed behind it, the dead-man opens nothing yet.
    """
    out_ticks = 0 if pins.kill_cord == 1 else min(state.out_ticks + 1, rule.kill_ticks + 1)
    off_ticks = 0
    progress = state.progress
    if out_ticks > rule.kill_ticks:
        progress = LOCKED
    elif progress != STARTED:
        off_ticks = off_rest(rule, state.off_ticks, pins)
        if off_ticks > rule.off_ticks:
            progress = LOCKED
        elif pins.kill_cord == 1:
            if pins.deadman != 1:
                progress = SEEN_RELEASED
            elif progress == SEEN_RELEASED and at_rest(rule, pins) == 1:
                progress = STARTED
    unstarted = 1 if progress != STARTED and driven(rule, command) == 1 else 0
    return Sequence(progress, out_ticks, off_ticks), DRIVES_UNSTARTED if unstarted == 1 else HOLDS


class Gesture(NamedTuple):
    """Presses of one contact, counted twice.

    power_step : the last in force, 0 before the first.
    driven : of the tick before.
    level, ticks : the contact's raw level and for how long, up to what matters.
    sure : 1 while the pause before the press under way is beyond doubt.
    most : presses that there may have been, every pulse counted.
    least : presses beyond doubt.
    off_ticks : readings off rest in a row.
    """

    power_step: int
    driven: int
    level: int
    ticks: int
    sure: int
    most: int
    least: int
    off_ticks: int


def no_gesture(rule: Rule) -> Gesture:
    """Nothing pressed, no step in force yet."""
    return Gesture(
        power_step=0, driven=0, level=0, ticks=rule.after_ticks + 1, sure=0, most=0, least=0, off_ticks=0
    )  # fmt: skip


def steps(rule: Rule, state: Gesture, pins: Inputs, command: Command) -> tuple[Gesture, int]:
    """The power step changes by one at a time, at rest, without drive, and after its number of presses only.

    Back to 1 while the cord reads out is always right. A contact may chatter, so
    presses are counted as the most and the least that there can have been; what
    a controller makes of the line must lie between.
    """
    pressed = pins.deadman if rule.contact == BY_DEADMAN else pins.mode_button
    level = 1 if pressed == 1 else 0
    ticks = state.ticks
    sure = state.sure
    most = state.most
    least = state.least
    if level == state.level:
        ticks = min(ticks + 1, max(rule.after_ticks, rule.press_ticks, rule.gap_ticks) + 1)
        if ticks > (rule.press_ticks if level == 1 else rule.after_ticks):
            most = 0
            least = 0
            # Nothing longer needs to be told apart, and whether the pause was sure no longer matters.
            ticks = max(rule.after_ticks, rule.press_ticks, rule.gap_ticks) + 1
            sure = 0
    elif level == 1:
        if ticks > rule.gap_ticks:
            most = 0
            least = 0
        sure = 1 if ticks >= rule.sure_gap_ticks else 0
        most = min(most + 1, max(rule.up, rule.down) + 1)
        ticks = 1
    else:
        if sure == 1 and ticks >= rule.sure_press_ticks and ticks <= rule.press_ticks:
            least = min(least + 1, max(rule.up, rule.down) + 1)
        sure = 0
        ticks = 1
    off_ticks = off_rest(rule, state.off_ticks, pins)
    drives = driven(rule, command)
    found = HOLDS
    change = command.power_step - state.power_step if state.power_step != 0 else 0
    if change != 0 and not (command.power_step == 1 and pins.kill_cord != 1):
        wanted = rule.up if change > 0 else rule.down
        if drives == 1 or state.driven == 1:
            found = STEP_UNDER_DRIVE
        elif off_ticks > rule.off_ticks:
            found = STEP_OFF_REST
        elif change > 1 or change < -1:
            found = STEP_JUMPS
        elif most < wanted:
            found = STEP_UNASKED
        elif least > wanted:
            found = STEP_MISCOUNTED
    if change != 0 or drives == 1:
        # A gesture is used up by what it did, and presses that drive are none.
        most = 0
        least = 0
    return Gesture(command.power_step, drives, level, ticks, sure, most, least, off_ticks), found


class Property(NamedTuple):
    """One thing to prove: what it says, and its monitor."""

    says: str
    initial: Any
    step: Any


PROPERTIES = {
    "deadman": Property("never drive without the dead-man", released_at_first, deadman),
    "start": Property("after a reset never drive before the start sequence", just_reset, sequence),
    "kill": Property("after the kill cord never drive before the start sequence", cord_in_place, sequence),
    "step": Property("the power step changes by its gesture alone", no_gesture, steps),
}
"""What is proved or refuted, by name."""
