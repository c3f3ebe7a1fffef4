"""The hands of a stage: what is done when, told in words and kept as a scenario's steps (row 4)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sim.jobs.plan.gesture import Gesture
from sim.jobs.plan.model import Action, Mark, MarkKind, Number, Try


class Hand:
    """Grows a script action by action; moments are rounded to the millisecond.

    ready_s : nothing is touched for so long after power comes on.
    """

    def __init__(self, ready_s: float, gesture: Gesture | None) -> None:
        self.ready_s, self.gesture = ready_s, gesture
        self.at_s = 0.0
        self.rider: list[dict[str, Any]] = []
        self.faults: list[dict[str, Any]] = []
        self.marks: list[Mark] = []
        self.tries: list[Try] = []
        self.actions: list[Action] = []
        self.numbers: list[Number] = []
        self.power_step = 1

    def say(self, text: str) -> None:
        """An action that is no movement of the rider's hands."""
        self.actions.append(Action(at_s=self.at_s, says=text))

    def wait(self, seconds: float) -> None:
        """Time goes by."""
        self.at_s = round(self.at_s + seconds, 3)

    def move(self, text: str = "", **moves: float | bool) -> None:
        """What the hands do now; without words it belongs to the action before."""
        self.rider.append({"at_s": self.at_s, **moves})
        if text:
            self.say(text)

    def mark(self, kind: MarkKind) -> int:
        """A moment that a recording will show; its index."""
        self.marks.append(Mark(kind=kind, at_s=self.at_s))
        return len(self.marks) - 1

    def press(self, text: str = "Press and hold the dead-man.") -> int:
        """The dead-man, for a ride."""
        self.move(text, deadman=True)
        return self.mark("press")

    def release(self, text: str = "Let go of the dead-man.") -> int:
        """And let go."""
        self.move(text, deadman=False)
        return self.mark("release")

    def pull(self, text: str = "Pull the lever fully at once.") -> int:
        """The lever to its stop."""
        self.move(text, lever_frac=1.0)
        return self.mark("lever up")

    def let_back(self, text: str = "Let the lever back to rest.") -> int:
        """The lever to rest, from where it counts as pulled."""
        self.move(text, lever_frac=0.0)
        return self.mark("lever down")

    def step_up(self) -> None:
        """The gesture that raises the power step by one, made at rest."""
        assert self.gesture is not None
        self.power_step += 1
        says = self.gesture.says
        self.say(f"Nothing touched: {says}. The display must show {self.power_step}, and nothing may move.")
        kind: MarkKind = "click" if self.gesture.contact == "deadman" else "button"
        begun_s = self.at_s
        for at_s, down in self.gesture.edges(begun_s):
            self.rider.append({"at_s": at_s, self.gesture.contact: down})
            if down:
                self.marks.append(Mark(kind=kind, at_s=at_s))
        self.at_s = round(begun_s + self.gesture.lasts_s, 3)

    def wire(self, off: bool, text: str) -> int:
        """The throttle's signal wire, taken off or put back."""
        if off:
            self.faults.append({"kind": "sensor_open", "at_s": self.at_s})
        else:
            self.faults[-1]["until_s"] = self.at_s
        self.say(text)
        return self.mark("wire off" if off else "wire on")

    def expect(self, *numbers: Number, stepped: bool = False) -> None:
        """Figures of the try at hand; with `stepped` they are those of the power step in force."""
        changed = {"power_step": self.power_step} if stepped else {}
        self.numbers += (number.model_copy(update=changed) for number in numbers)

    def done(self, title: str, why: str) -> None:
        """The try at hand is over."""
        self.tries.append(Try(title=title, why=why, actions=tuple(self.actions), numbers=tuple(self.numbers)))
        self.actions, self.numbers = [], []
        self.wait(1.0)


def ids_once(tries: Sequence[Try]) -> tuple[Try, ...]:
    """The tries with their figures' ids led by the try's number, so that each stands once."""
    return tuple(
        each.model_copy(
            update={
                "numbers": tuple(number.model_copy(update={"id": f"{place}.{number.id}"}) for number in each.numbers)
            }
        )
        for place, each in enumerate(tries, 1)
    )
