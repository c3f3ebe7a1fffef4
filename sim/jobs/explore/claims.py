"""What a monitor demands, as a requirement of the scenario that breaks it (row 4).

The monitors count ticks, the requirements' language measures times. Of deadman,
start and kill the formula fails on every run in which the monitor finds
something; of step on nearly all: it forgets no press for a later one that is too
long, or under drive, and does not see one that stands from the first tick.
"""

from __future__ import annotations

from sim.jobs.explore import monitors
from sim.jobs.explore.monitors import BY_DEADMAN, PROPERTIES, Rule

CHANGE = (
    "power_step != previous(power_step) and power_step != 0 and previous(power_step) != 0"
    " and not (power_step == 1 and kill_cord == 0)"
)


def claim(name: str, found: int, rule: Rule, tick_s: float) -> dict[str, str]:
    """An entry for the list of requirements.

    Parameters
    ----------
    name : of the property.
    found : by its monitor, 0 where the controller itself went wrong.
    """
    formulas = {
        "deadman": _deadman,
        "start": _start,
        "kill": _kill,
        "step": _step,
    }
    says = PROPERTIES[name].says
    return {
        "id": f"{name}-holds",
        "says": f"{says[0].upper()}{says[1:]}.",
        "formula": formulas[name](found, rule, tick_s),
    }


def _driven(rule: Rule) -> str:
    return f"left_pulse_us > {rule.stop_us} or right_pulse_us > {rule.stop_us}"


def _stopped(rule: Rule) -> str:
    # Without a margin, or the verdict would name the moment of the most drive and not the first.
    return f"state(left_pulse_us <= {rule.stop_us} and right_pulse_us <= {rule.stop_us})"


def _deadman(found: int, rule: Rule, tick_s: float) -> str:
    released = f"state(throughout({rule.deadman_ticks * tick_s:g}, deadman != 1))"
    return f"always(implies({released}, {_stopped(rule)}))"


def _at_rest(rule: Rule) -> str:
    # Nor a margin of counts, which would name a reading in place of the first drive.
    return f"state(hall_counts >= {rule.rest_low_counts} and hall_counts <= {rule.rest_high_counts})"


def _rest(rule: Rule, tick_s: float) -> str:
    return f"once({rule.off_ticks * tick_s:g}, {_at_rest(rule)})"


def _sequence(rule: Rule, tick_s: float) -> str:
    """Stopped until the start sequence has been seen, or for good."""
    stopped = _stopped(rule)
    rest = _rest(rule, tick_s)
    released = f"kill_cord == 1 and deadman != 1 and power_step != 0 and {rest}"
    pressed = f"kill_cord == 1 and deadman == 1 and {_at_rest(rule)}"
    return f"(always({stopped}) or until({stopped}, {released} and until({stopped} and {rest}, {pressed})))"


def _start(found: int, rule: Rule, tick_s: float) -> str:
    # The start sequence is asked for again whenever the cord has been out.
    return f"{_sequence(rule, tick_s)} and {_kill(found, rule, tick_s)}"


def _kill(found: int, rule: Rule, tick_s: float) -> str:
    out = f"throughout({rule.kill_ticks * tick_s:g}, kill_cord == 0)"
    return f"always(implies({out}, {_sequence(rule, tick_s)}))"


def _step(found: int, rule: Rule, tick_s: float) -> str:
    driven = _driven(rule)
    before = driven.replace("left_pulse_us", "previous(left_pulse_us)")
    before = before.replace("right_pulse_us", "previous(right_pulse_us)")
    rises, falls = f"{CHANGE} and power_step > previous(power_step)", f"{CHANGE} and power_step < previous(power_step)"
    formulas = {
        monitors.STEP_UNDER_DRIVE: f"never(state({CHANGE}) and state({driven} or {before}))",
        monitors.STEP_OFF_REST: f"never(state({CHANGE}) and not {_rest(rule, tick_s)})",
        monitors.STEP_JUMPS: f"never(state({CHANGE} and abs(power_step - previous(power_step)) > 1))",
        monitors.STEP_UNASKED: (
            f"never(state({rises}) and not {_presses(rule, rule.up, tick_s)})"
            f" and never(state({falls}) and not {_presses(rule, rule.down, tick_s)})"
        ),
        monitors.STEP_MISCOUNTED: (
            f"never(state({rises}) and {_sure(rule, rule.up + 1, tick_s)})"
            f" and never(state({falls}) and {_sure(rule, rule.down + 1, tick_s)})"
        ),
    }
    return formulas.get(found, formulas[monitors.STEP_UNASKED])


def _line(rule: Rule) -> str:
    return "deadman == 1" if rule.contact == BY_DEADMAN else "mode_button == 1"


def _presses(rule: Rule, count: int, tick_s: float) -> str:
    """So many presses one after another, each and each pause as short as allowed, and no step changed meanwhile."""
    press, gap, after = (ticks * tick_s for ticks in (rule.press_ticks, rule.gap_ticks, rule.after_ticks))
    line = _line(rule)
    inner = f"rising({line})"
    for number in range(count):
        wait = after if number == count - 1 else gap
        inner = f"once({wait:g}, falling({line}) and once({press:g}, {inner}))"
        if number < count - 1:
            inner = f"rising({line}) and {inner}"
    whole = after + count * press + (count - 1) * gap
    unchanged = (
        f"throughout({whole:g}, state(previous(power_step) == previous(previous(power_step))"
        " or previous(previous(power_step)) == 0))"
    )
    return f"({inner} and {unchanged})"


def _sure(rule: Rule, count: int, tick_s: float) -> str:
    """So many presses beyond doubt, whatever lies between them."""
    line = _line(rule)
    still = max(rule.sure_press_ticks - 1, 0) * tick_s
    before = max(rule.sure_gap_ticks - 1, 0) * tick_s
    rise = f"rising({line}) and once({tick_s:g}, throughout({before:g}, not {line}))"
    whole = (rule.after_ticks + (rule.press_ticks + rule.gap_ticks) * (count + 1)) * tick_s
    inner = rise
    for number in range(count):
        fall = f"falling({line}) and once({tick_s:g}, throughout({still:g}, {line}))"
        inner = f"once({whole:g}, {fall} and once({rule.press_ticks * tick_s:g}, {inner}))"
        if number < count - 1:
            inner = f"{rise} and {inner}"
    return inner
