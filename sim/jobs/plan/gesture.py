"""How a controller's power step is raised, found by trying it (row 4)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal, NamedTuple

import numpy as np

from sim.bench import engine
from sim.bench import run as bench
from sim.bench.scenario import RiderStep
from sim.jobs.search.script import PRESSED_S, QUIET_S, RELEASED_S

# The likelier first; common practice, no source.
TRIED: tuple[tuple[Literal["deadman", "mode_button"], int], ...] = (
    ("deadman", 3),
    ("mode_button", 1),
    ("mode_button", 3),
    ("mode_button", 2),
    ("deadman", 2),
    ("deadman", 4),
)
STEPS_MAX = 9
NAMES = {"deadman": "dead-man", "mode_button": "mode button"}
TIMES = {1: "once", 2: "twice"}


class Gesture(NamedTuple):
    """Short presses in rhythm that raise the power step by one.

    lead_s, quiet_s : nothing is touched for so long before and after.
    """

    contact: Literal["deadman", "mode_button"]
    presses: int
    pressed_s: float
    released_s: float
    lead_s: float
    quiet_s: float

    @property
    def says(self) -> str:
        """The gesture in words."""
        times = TIMES.get(self.presses, f"{self.presses} times")
        rhythm = f", {self.pressed_s:.2f} s down and {self.released_s:.2f} s up" if self.presses > 1 else ""
        return f"press the {NAMES[self.contact]} {times} shortly{rhythm}, then leave it for {self.quiet_s:.1f} s"

    @property
    def lasts_s(self) -> float:
        """From its beginning, quiet before included, to its end."""
        return self.lead_s + self.presses * (self.pressed_s + self.released_s) + self.quiet_s

    def edges(self, at_s: float) -> list[tuple[float, bool]]:
        """When the contact is pressed and let go, for a gesture whose quiet begins at a moment."""
        first = at_s + self.lead_s
        period = self.pressed_s + self.released_s
        return [
            (round(first + press * period + held, 3), not held)
            for press in range(self.presses)
            for held in (0.0, self.pressed_s)
        ]


def rhythm(params: Any) -> dict[str, float]:
    """The middle of the rhythm that a controller's parameters state under the usual names, else a common one."""

    def stated_s(*names: str) -> float | None:
        if not all(hasattr(params, name) for name in names):
            return None
        return sum(int(getattr(params, name)) for name in names) / len(names) / 1000.0

    pressed_s = stated_s("click_press_min_ms", "click_press_max_ms") or PRESSED_S
    released_s = stated_s("click_gap_min_ms", "click_gap_max_ms") or RELEASED_S
    lead_s = (stated_s("click_lead_ms") or QUIET_S) + 0.3
    quiet_s = (stated_s("click_quiet_ms") or QUIET_S) + 0.3
    return {
        "pressed_s": round(pressed_s, 2),
        "released_s": round(released_s, 2),
        "lead_s": round(lead_s, 1),
        "quiet_s": round(quiet_s, 1),
    }


def found(ready: bench.Bench, start_s: float) -> tuple[Gesture | None, int]:
    """The gesture that raises the power step by exactly one from the gentlest, and how many steps there are.

    Parameters
    ----------
    ready : in whatever water; it is tried in the bench's own.
    start_s : from when on the controller may be started.

    Raises
    ------
    ControllerError
    """
    known = rhythm(ready.controller.params)
    for contact, presses in TRIED:
        gesture = Gesture(contact, presses, **known)
        if _steps(ready, gesture, start_s, 1) == [1, 2]:
            steps = _steps(ready, gesture, start_s, STEPS_MAX)
            rising = next((at for at in range(1, len(steps)) if steps[at] != steps[at - 1] + 1), len(steps))
            return gesture, rising
    return None, 1


def _steps(ready: bench.Bench, gesture: Gesture, start_s: float, times: int) -> list[int]:
    """The power step before, and after each of some gestures."""
    edges = [edge for each in range(times) for edge in gesture.edges(start_s + each * gesture.lasts_s)]
    rider = tuple(RiderStep.model_validate({"at_s": at_s, gesture.contact: down}) for at_s, down in edges)
    looked_s = start_s + np.arange(times + 1) * gesture.lasts_s
    scenario = ready.scenario.model_copy(
        update={"rider": rider, "faults": (), "duration_s": round(float(looked_s[-1]) + 0.1, 3)}
    )
    ready = replace(ready, scenario=scenario)
    prepared = bench.prepare(ready)
    chosen = engine.choose(ready.engine, ready.controller, len(prepared.tapes))
    table = bench.record(ready, prepared, chosen, wanted=("power_step",))
    at = np.minimum(np.searchsorted(table.t_us, looked_s * 1e6), len(table) - 1)
    return [int(step) for step in table["power_step"][at]]


def note(gesture: Gesture | None, steps: int) -> str:
    """What to know where there is no gesture, or one that does nothing."""
    if gesture is None:
        tried = ", ".join(f"{presses} of the {NAMES[contact]}" for contact, presses in TRIED)
        return f"No gesture was found that raises the power step (short presses tried: {tried}): one step is planned."
    return "" if steps > 1 else "The controller has one power step."
