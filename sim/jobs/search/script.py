"""What a rider does, read from numbers between 0 and 1 (row 4).

A script begins in one of a few ways, since a hand that only ever does things at
random hardly drives at all: with the scenario's own script up to some moment,
with a careful start, with one after some gestures, with thumb and lever held as
the power comes on, or with nothing. Some acts follow, each after a wait.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple, TypeAlias, TypeVar

from sim.bench.scenario import RiderStep

Item = TypeVar("Item")
Genes: TypeAlias = Sequence[float]

KEYS = ("lever_frac", "deadman", "mode_button", "kill_cord")
ACTS = 6
GENES_PER_ACT = 3
# How it begins, how far the lever is pulled then, how much of the own script is kept.
GENES = 3 + ACTS * GENES_PER_ACT

OWN, CAREFUL, STEPPED, AT_ONCE, NOTHING = "own", "careful", "stepped", "at once", "nothing"
# Kinds more likely than others stand more than once.
KINDS = ("lever", "lever", "hold", "slip", "deadman clicks", "button clicks", "gesture", "cord", "again", "wait")

# From the press to the lever, and from the lever's rest to a new press.
PULL_AFTER_S = 0.2
REST_S = 0.7
WAIT_S_MAX = 2.5
SLIP_S = (0.02, 0.8)
CORD_S = (0.02, 1.5)
CLICK_S = (0.08, 0.3)
CLICKS_MAX = 4
# A gesture as a person makes it: presses in rhythm, with quiet before and after. Common practice, no source.
GESTURE_CLICKS = 3
PRESSED_S, RELEASED_S = 0.18, 0.22
QUIET_S = 0.8
# This share of a number's range at either end is the end itself: what is worst often stands there.
END_FRAC = 0.1


class Change(NamedTuple):
    """One thing that a hand changes at one moment; `key` is one of `KEYS`."""

    at_s: float
    key: str
    value: float | bool


def changes_of(rider: Iterable[RiderStep]) -> list[Change]:
    """A script's steps taken apart."""
    return [
        Change(step.at_s, key, value) for step in rider for key in KEYS if (value := getattr(step, key)) is not None
    ]


def steps_of(changes: Iterable[Change]) -> tuple[RiderStep, ...]:
    """Changes put together: those of one moment are one step, of two of one key the later in the list counts."""
    steps: dict[float, dict[str, float | bool]] = {}
    for change in sorted(changes, key=lambda change: change.at_s):
        steps.setdefault(change.at_s, {})[change.key] = change.value
    return tuple(RiderStep.model_validate({"at_s": at_s, **moved}) for at_s, moved in steps.items())


def picked(gene: float, options: Sequence[Item]) -> Item:
    """One of the options, each as likely."""
    return options[min(int(gene * len(options)), len(options) - 1)]


def chosen(value: Item, options: Sequence[Item]) -> float:
    """A gene that `picked` gives this option for; the middle for what is none."""
    return (options.index(value) + 0.5) / len(options) if value in options else 0.5


def reached(gene: float, low: float, high: float, ends: float = END_FRAC) -> float:
    """A number from low to high, of three digits; either end for a gene within `ends` of its own."""
    share = min(max((gene - ends) / (1.0 - 2.0 * ends), 0.0), 1.0)
    between = float(f"{low + share * (high - low):.3g}")
    return low if share == 0.0 else high if share == 1.0 else min(max(between, low), high)


def placed(value: float, low: float, high: float, ends: float = END_FRAC) -> float:
    """A gene that `reached` gives this number for; an end's for what lies outside."""
    if value <= low or value >= high:
        return 0.0 if value <= low else 1.0
    return ends + (1.0 - 2.0 * ends) * (value - low) / (high - low)


def spread(gene: float, low: float, high: float) -> float:
    """A positive number from low to high, of three digits, as likely in each decade."""
    return min(max(float(f"{low * (high / low) ** gene:.3g}"), low), high)


def beginnings(own: Sequence[RiderStep]) -> tuple[str, ...]:
    """The ways in which a script may begin, those more likely more than once."""
    others = (CAREFUL, STEPPED, AT_ONCE)
    return (OWN, OWN, OWN, *others) if own else (CAREFUL, *others, NOTHING)


def script(genes: Genes, own: Sequence[RiderStep], start_s: float, end_s: float) -> tuple[RiderStep, ...]:
    """What a rider does.

    Parameters
    ----------
    genes : `GENES` numbers from 0 to 1.
    own : the scenario's script.
    start_s : from when on the controller may be started.
    end_s : nothing is done later.
    """
    begun, pull, kept = genes[:3]
    hand = _Hand()
    match picked(begun, beginnings(own)):
        case "own":
            last_s = own[-1].at_s if kept > 0.5 else 2.0 * kept * own[-1].at_s
            for change in changes_of(step for step in own if step.at_s <= last_s):
                hand.wait(change.at_s - hand.at_s)
                hand.do(change.key, change.value)
        case "careful":
            hand.wait(start_s)
            hand.start(reached(pull, 0.0, 1.0))
        case "stepped":
            hand.wait(start_s)
            for _ in range(picked(pull, (1, 2, 3))):
                hand.clicks("deadman", GESTURE_CLICKS, PRESSED_S, RELEASED_S)
                hand.wait(QUIET_S)
            hand.start(1.0)
        case "at once":
            hand.do("deadman", True)
            hand.do("lever_frac", reached(pull, 0.0, 1.0))
    for number in range(ACTS):
        kind, wait, size = genes[3 + number * GENES_PER_ACT :][:GENES_PER_ACT]
        hand.wait(WAIT_S_MAX * wait * wait)
        hand.act(picked(kind, KINDS), size)
    return steps_of(change for change in hand.done if change.at_s <= end_s)


class _Hand:
    """Both hands, and the time."""

    def __init__(self) -> None:
        self.at_s = 0.0
        self.done: list[Change] = []
        self.now: dict[str, float | bool] = {
            "lever_frac": 0.0,
            "deadman": False,
            "mode_button": False,
            "kill_cord": True,
        }

    def wait(self, seconds: float) -> None:
        self.at_s = round(self.at_s + max(seconds, 0.0), 3)

    def do(self, key: str, value: float | bool) -> None:
        if self.now[key] != value:
            self.done.append(Change(self.at_s, key, value))
            self.now[key] = value

    def start(self, pull_frac: float) -> None:
        """Press the dead-man, then pull."""
        self.do("deadman", True)
        self.wait(PULL_AFTER_S)
        self.do("lever_frac", pull_frac)

    def rest(self) -> None:
        """Let go of all, for as long as a controller may want to see it."""
        self.do("lever_frac", 0.0)
        self.do("deadman", False)
        self.wait(REST_S)

    def clicks(self, key: str, count: int, pressed_s: float, released_s: float) -> None:
        """Press a contact several times."""
        for _ in range(count):
            self.do(key, True)
            self.wait(pressed_s)
            self.do(key, False)
            self.wait(released_s)

    def touch(self, key: str, value: bool, seconds: float) -> None:
        """Change a contact for a while."""
        before = self.now[key]
        self.do(key, value)
        self.wait(seconds)
        self.do(key, before)

    def act(self, kind: str, size: float) -> None:
        """Do one thing; its size goes from 0 to 1."""
        match kind:
            case "lever":
                self.do("lever_frac", reached(size, 0.0, 1.0))
            case "hold":
                self.do("deadman", not self.now["deadman"])
            case "slip":
                self.touch("deadman", not self.now["deadman"], spread(size, *SLIP_S))
            case "deadman clicks" | "button clicks":
                key = "deadman" if kind == "deadman clicks" else "mode_button"
                long_s = reached(size * CLICKS_MAX % 1.0, *CLICK_S)
                self.clicks(key, picked(size, range(1, CLICKS_MAX + 1)), long_s, long_s)
            case "gesture":
                self.rest()
                self.clicks(picked(size, ("deadman", "mode_button")), GESTURE_CLICKS, PRESSED_S, RELEASED_S)
                self.wait(QUIET_S)
            case "cord":
                self.touch("kill_cord", False, spread(size, *CORD_S))
            case "again":
                self.rest()
                self.start(reached(size, 0.0, 1.0))
