"""The tries that stages are made of: hands and figures, each with why it is done (row 4)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sim.jobs.plan.hand import Hand
from sim.jobs.plan.model import Number, Take
from sim.jobs.plan.numbers import READS_S, STILL_RPM, reads_of

# From the press to the lever, as a person does it.
PULL_AFTER_S = 0.4
# A thumb that slips and finds its place again; common practice, no source.
SLIP_S = 0.2
# A window ends so long before the movement it hangs on, for hands that move before the contact shows it.
CLEAR_S = 0.1
STEADY_S = 1.0
# For so long a rotor is given to come to rest; one that still turns then is told as such.
COAST_S = 4.0
WIRE_FRAC = 0.45
UNITS = {
    "pulse_us": "us",
    "rpm": "rpm",
    "left_rpm": "rpm",
    "right_rpm": "rpm",
    "bus_v": "V",
    "pack_a": "A",
    "hall_counts": "counts",
    "thrust_n": "N",
    "speed_m_s": "m/s",
}


@dataclass(frozen=True, slots=True)
class Place:
    """What a stage's surroundings let a figure be.

    bare : no propellers: carried inertia is less than the file's, so that coasting and surges are at most as simulated.
    wet : thrusters push.
    towed : the vehicle moves.
    """

    stop_us: float
    steps: Mapping[str, float]
    bare: bool = False
    wet: bool = False
    towed: bool = False

    @property
    def light(self) -> bool:
        """Whether the rotors carry less than the vehicle file's inertia, which holds the water's."""
        return not self.wet

    def ask(
        self, name: str, says: str, take: Take, of: str, mark: int, to_mark: int | None = None, **more: Any
    ) -> Number:
        """A figure of a signal."""
        unit, reads = UNITS.get(of, ""), reads_of(of, self.steps)
        if take in ("falls", "rises"):
            unit, reads = "s", READS_S
        given: dict[str, Any] = {"unit": unit, "reads": reads} | more
        to_mark = mark if to_mark is None else to_mark
        return Number(id=name, says=says, take=take, of=of, mark=mark, to_mark=to_mark, **given)

    def quiet(self, mark: int, to_mark: int, what: str, from_s: float = 0.0) -> tuple[Number, ...]:
        """Nothing is asked for, and nothing turns."""
        until: dict[str, Any] = {"from_s": from_s, "to_s": -CLEAR_S}
        return (
            self.ask("pulse", f"highest pulse, {what}", "highest", "pulse_us", mark, to_mark, **until),
            self.ask("turning", f"fastest shaft, {what}", "highest", "rpm", mark, to_mark, **until),
        )

    def stops(self, mark: int, what: str, to_s: float, still: bool = True) -> tuple[Number, ...]:
        """Pulses come to stop, and shafts come to rest."""
        level = self.stop_us + reads_of("pulse_us", self.steps)
        asked = [self.ask("stop", f"{what} to pulses at stop", "falls", "pulse_us", mark, to_s=to_s, level=level)]
        if still and not self.towed:
            says = f"{what} to shafts at rest"
            more: dict[str, Any] = {"to_s": to_s, "level": STILL_RPM, "at_most": self.light}
            asked.append(self.ask("still", says, "falls", "rpm", mark, **more))
        return tuple(asked)

    def driven(self, pressed: int, up: int, off: int, extremes: bool = True) -> tuple[Number, ...]:
        """Full lever: what it comes to just before the hand moves on."""
        last: dict[str, Any] = {"from_s": -STEADY_S, "to_s": -CLEAR_S}
        asked = [
            self.ask("pulse", "pulse, full lever", "mean", "pulse_us", off, **last),
            self.ask("left", "left shaft", "mean", "left_rpm", off, **last),
            self.ask("right", "right shaft", "mean", "right_rpm", off, **last),
            self.ask("bus", "bus", "mean", "bus_v", off, **last),
            self.ask("current", "pack current", "mean", "pack_a", off, **last),
        ]
        if extremes:
            most: dict[str, Any] = {"at_most": self.light}
            asked.append(self.ask("peak", "pack current, highest", "highest", "pack_a", up, off, **most))
        if extremes and self.wet:
            asked.append(self.ask("low", "bus, lowest", "lowest", "bus_v", up, off))
            asked.append(self.ask("rise", "pull to half its pulse", "rises", "pulse_us", up, off, level_frac=0.5))
        if self.wet and not self.towed:
            asked.append(self.ask("thrust", "pull on the tether", "mean", "thrust_n", off, **last))
        if self.towed:
            asked.append(self.ask("speed", "speed", "mean", "speed_m_s", off, **last))
        if self.wet:
            ohms: dict[str, Any] = {"unit": "ohm", "over": "pack_a", **last}
            leads = "leads, joints and switch"
            asked.append(self.ask("leads", leads, "mean", "pack_v - bus_v", off, **ohms))
            sag: dict[str, Any] = {**ohms, "rest_mark": pressed}
            asked.append(self.ask("sag", "bus lost per ampere", "mean", "bus_v", off, **sag))
        return tuple(asked)


def power_on(hand: Hand, place: Place) -> None:
    """Rest: what the logger shows before anything moves; then the lever without the dead-man."""
    hand.say("Lever at rest, dead-man free, kill cord in place. Start the logger, then switch on. Touch nothing.")
    hand.wait(hand.ready_s)
    up = hand.pull("Pull the lever fully, without the dead-man.")
    hand.wait(1.5)
    down = hand.let_back()
    before: dict[str, Any] = {"from_s": -0.8, "to_s": -CLEAR_S}
    hand.expect(
        place.ask("rest", "throttle reading at rest", "mean", "hall_counts", up, **before),
        place.ask("bus", "bus at rest", "mean", "bus_v", up, **before),
        *place.quiet(up, down, "lever alone"),
    )
    hand.done("Power on; the lever alone moves nothing", "Start interlock: a lever without the dead-man is no start.")


def lever_first(hand: Hand, place: Place) -> None:
    """The lever pulled before the press."""
    hand.pull("Pull the lever fully.")
    hand.wait(0.7)
    pressed = hand.press("Press the dead-man, the lever still pulled.")
    hand.wait(2.0)
    off = hand.release()
    hand.wait(0.3)
    hand.let_back()
    hand.expect(*place.quiet(pressed, off, "lever first"))
    hand.done("Lever first, dead-man second", "Start interlock: a press under a pulled lever is no start.")


def sweep(hand: Hand, place: Place) -> None:
    """The lever in quarters, up and held, then back."""
    pressed = hand.press()
    hand.wait(0.8)
    hand.move("Lever to a quarter; wait. Then half, three quarters, full: a second and a half each.", lever_frac=0.25)
    hand.wait(1.5)
    hand.move(lever_frac=0.5)
    hand.wait(1.5)
    hand.move(lever_frac=0.75)
    up = hand.mark("lever up")
    hand.wait(1.5)
    hand.move(lever_frac=1.0)
    hand.wait(2.5)
    down = hand.let_back("Let the lever back slowly to rest, the dead-man still pressed.")
    hand.wait(1.5)
    off = hand.release()
    last: dict[str, Any] = {"from_s": -STEADY_S, "to_s": -CLEAR_S}
    hand.expect(
        place.ask("full", "throttle reading, full lever", "mean", "hall_counts", down, **last),
        *place.driven(pressed, up, down, extremes=False),
        place.ask("creep", "highest pulse, lever back", "highest", "pulse_us", down, off, from_s=1.0),
    )
    hand.done("Lever sweep, first power step", "Each quarter must be felt as more, and rest must be rest.")


def ride(hand: Hand, place: Place, held_s: float, coast_s: float, why: str = "") -> None:
    """Full lever in the power step in force, and the dead-man let go under it."""
    pressed = hand.press()
    hand.wait(PULL_AFTER_S)
    up = hand.pull(f"Pull the lever fully; hold it for {held_s:g} s.")
    hand.wait(held_s)
    off = hand.release("Let go of the dead-man, the lever still pulled.")
    hand.wait(coast_s)
    hand.let_back()
    hand.wait(0.5)
    hand.expect(*place.driven(pressed, up, off), *place.stops(off, "letting go", coast_s - CLEAR_S), stepped=True)
    if place.towed:
        says = "letting go to half the speed"
        more: dict[str, Any] = {"to_s": coast_s - CLEAR_S, "level_frac": 0.5}
        hand.expect(place.ask("half", says, "falls", "speed_m_s", off, **more), stepped=True)
    hand.done(f"Power step {hand.power_step}, full lever, and let go", why or "What the step gives, and that it stops.")


def slip(hand: Hand, place: Place) -> None:
    """The thumb slips off and finds its place again."""
    hand.press()
    hand.wait(PULL_AFTER_S)
    hand.pull()
    hand.wait(2.5)
    hand.release("Let the thumb slip off the dead-man and press again at once, the lever still pulled.")
    hand.wait(SLIP_S)
    again = hand.press("")
    hand.wait(2.5)
    down = hand.let_back()
    hand.wait(0.5)
    hand.release()
    hand.expect(*place.quiet(again, down, "1.5 s after", from_s=1.5))
    hand.done("A slip of the thumb", "What is expected is what this controller does: see the figures.")


def wire_off(hand: Hand, place: Place) -> None:
    """The throttle's signal wire comes off at low power."""
    hand.press()
    hand.wait(PULL_AFTER_S)
    hand.move("Pull the lever a little, so that the shafts just turn well (not half).", lever_frac=WIRE_FRAC)
    hand.wait(2.0)
    off = hand.wire(True, "Second person: pull the throttle's signal wire off its plug.")
    hand.wait(2.0)
    hand.move("Let the lever back to rest, then let go of the dead-man.", lever_frac=0.0)
    hand.wait(0.5)
    hand.release("")
    hand.wait(0.5)
    on = hand.wire(False, "Second person: put the wire back. Nothing may move.")
    hand.wait(1.5)
    hand.expect(
        *place.stops(off, "wire off", 1.9),
        *place.quiet(off, on, "1.5 s after", from_s=1.5)[:1],
    )
    hand.done("Throttle wire pulled off at low power", "A broken wire must end the drive, and never give more of it.")


def cord(hand: Hand, place: Place, held_s: float) -> None:
    """The kill cord under full lever, and put back under it."""
    hand.press()
    hand.wait(PULL_AFTER_S)
    hand.pull()
    hand.wait(held_s)
    hand.move("Pull the kill cord, lever and dead-man still held.", kill_cord=False)
    out = hand.mark("cord out")
    hand.wait(COAST_S)
    hand.move("Put the cord back, lever and dead-man still held. Nothing may move.", kill_cord=True)
    back = hand.mark("cord back")
    hand.wait(3.0)
    down = hand.let_back()
    hand.wait(0.5)
    hand.release()
    hand.expect(*place.stops(out, "cord out", COAST_S - CLEAR_S), stepped=True)
    hand.power_step = 1
    hand.expect(
        *place.quiet(back, down, "cord put back"),
    )
    hand.done("Kill cord under full lever", "The cord takes all power at once, and putting it back starts nothing.")
