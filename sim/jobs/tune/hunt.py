"""The order in which a drive's numbers are found (row 4).

1. The worst day and build for every limit, at the drive as wished and with the supply guard open.
2. The highest cap that the slowest ramp allows: what the supply bears in the end, however gently it is reached.
3. The quickest ramp at that cap; a lower cap is taken only where it wins more than its thrust is worth.
4. The ramp down as it is, if it stops in time; else the gentlest that does.
5. The supply guard: silent where the drive is sound, and in time where something else is wrong.
6. The worst builds anew, and every power step on every day; what fails joins the corners, and all is done again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from sim.base.errors import Fault, InputError
from sim.jobs.corners import worst_of
from sim.jobs.envelope import ATTITUDES, Envelope, conditions
from sim.jobs.ride import Attitude
from sim.jobs.trials import Corner, Trial, case_at
from sim.jobs.tune.bed import Bed, Driven, Settings
from sim.jobs.tune.drive import THRUST_FRAC, Figures
from sim.jobs.tune.guard import guarded
from sim.jobs.tune.knobs import HERE
from sim.jobs.tune.search import Found, largest, on_grid, smallest
from sim.jobs.tune.values import CAP_GRID, CAP_MIN, RAMP_GRID_MS, Values

# Times around the whole, each with the corners that the last one missed.
ROUNDS_MAX = 5
# A share of thrust given up must win this many times that share of the time to get there.
WORTH = 2.0

Said = Callable[[str], None]


class Ended(NamedTuple):
    """What a hunt came to.

    settings : all that are looked for, each driven on every corner; empty where it was refused.
    cap, ramp_ms : of the strongest step; `ramp_ms` is None where there is no ramp.
    refused : why nothing was found; empty where something was.
    """

    settings: Settings
    cap: int
    ramp_ms: int | None
    refused: str


class Hunt:
    """One hunt.

    bears : the last search for the highest cap.
    thresholds : of the supply guard, as found last.
    traded : see `Tuned`.
    notes : what else the reader must know, a sentence each.
    """

    def __init__(self, bed: Bed, values: Values, envelope: Envelope, say: Said) -> None:
        self.bed, self.values, self.say = bed, values, say
        self.knobs = values.knobs
        self.days = conditions(envelope)
        self.usual_days = _usual_days(bed, envelope)
        self.bears = Found(None, {})
        self.thresholds: Settings = {}
        self.traded: tuple[float, float] | None = None
        self.notes: list[str] = []
        self._ceiling = values.full
        self._guard_stays = values.relied

    def ended(self) -> Ended:
        """The whole of it.

        Raises
        ------
        InputError
            Knobs that do not turn anything, or a corner that is no possible vehicle.
        """
        wished = self.values.at(self.values.top_wish, self.values.before.get(self.knobs.ramp_up))
        refused = self._never_drives(wished, self.usual_days[:1])
        if not refused:
            self._require_knobs_that_turn()
            self._ramp_down(self.values.top_wish, self.values.slowest_ms, [self._usual()])
            self._survey(wished)
            # A limit without a distance that is kept at the wish has no worst day; some day there must be.
            self.bed.add(() if self.bed.active else self.days[:1])
            refused = self._never_drives(wished, self.days)
        for _ in range(ROUNDS_MAX):
            self.notes = []
            refused = refused or self._highest_cap()
            if refused:
                return Ended({}, 0, None, refused)
            cap, ramp_ms = self._quickest()
            self._ramp_down(cap, ramp_ms)
            settings = self._whole(cap, ramp_ms)
            try:
                self.values.require(settings)
            except InputError as error:
                return Ended({}, 0, None, f"the controller refuses what was found: {error}")
            if not self._missed(cap, ramp_ms, settings):
                return Ended(settings, cap, ramp_ms, "")
        return Ended({}, 0, None, f"no drive kept every corner within {ROUNDS_MAX} rounds of adding those that fail")

    def limits(self) -> list[Mapping[str, float]]:
        """The limits at each active corner."""
        return [case_at(self.bed.ride.case, self.bed.corners[place]).limits for place in self.bed.active]

    def _never_drives(self, settings: Settings, days: Sequence[Corner]) -> str:
        """Why nothing is driven on any of some days, in a sentence; empty where something is, or where it raises."""
        every = [one.figures for one in self.bed.drive(settings, self.bed.add(days, active=False))]
        if any(figures is None or figures.drives for figures in every) or every[0] is None:
            return ""
        others = ", nor on any other day" if len(days) > 1 else ""
        return f"nothing is driven on {days[0].name}{others}: {self._reason(every[0])}"

    def _require_knobs_that_turn(self) -> None:
        """Refuse caps or a ramp with which nothing changes on an ordinary day: other parameters are in force.

        Raises
        ------
        InputError
        """
        values, wish, slowest_ms = self.values, self.values.top_wish, self.values.slowest_ms
        turned = {"caps": ((", ".join(self.knobs.caps)), wish > CAP_MIN, values.at(CAP_MIN))}
        if slowest_ms is not None:
            quickest_ms = values.ramps(self.knobs.ramp_up)[0]
            free = self.knobs.ramp_up not in values.fixed
            turned["ramp_up"] = (self.knobs.ramp_up, free and quickest_ms < slowest_ms, values.at(wish, quickest_ms))
        day = self._usual()
        as_wished = self._figures(values.at(wish), day)
        faults = [
            Fault(HERE, f"--name {knob}", "what changes the drive of the step in force after power-up", names)
            for knob, (names, tried, settings) in turned.items()
            if tried and self._figures(settings, day) == as_wished
        ]
        if faults:
            raise InputError(faults)

    def _reason(self, figures: Figures) -> str:
        controller = self.values.bench.controller
        said = controller.reasons.get(figures.reason) or "the controller gives no reason"
        return controller.in_words(said, figures.mode)

    def _survey(self, settings: Settings) -> None:
        """The worst day and build for each limit with some settings join the corners."""
        self.say("the worst days and builds")

        def run(corners: Sequence[Corner]) -> list[Trial]:
            driven = self.bed.drive(settings, self.bed.add(corners, active=False))
            return [Trial(each.verdicts, each.crash) for each in driven]

        worst, _ = worst_of(self.bed.ride.case, self.days, run)
        self.bed.add([each.corner for each in worst])

    def _highest_cap(self) -> str:
        """Find what the supply bears with the slowest ramp; a sentence where that is nothing, or less than is fixed."""
        self.say("the highest cap")
        if self.values.relied:
            self.values.guard = self.values.standing(self.limits(), True)

        def passes(cap: int) -> bool:
            return self.bed.passes(self.values.at(cap))

        self.bears = on_grid(largest, passes, CAP_MIN, self._ceiling, CAP_GRID)
        wish, more = self.values.top_wish, self.bears.value
        if more is not None and more > wish and not passes(wish):
            # Not monotone between the values tried: what counts is what passes from the wish down.
            self.bears = on_grid(largest, passes, CAP_MIN, wish, CAP_GRID)._replace(gap=(more, wish))
        self._note_gap("cap", self.bears)
        if self.bears.value is None:
            return "no drive at all keeps every limit"
        # A wish between two multiples may pass too.
        between = [cap for cap in map(self.values.wish, self.knobs.caps) if 0 < cap - self.bears.value < CAP_GRID]
        for cap in sorted(between):
            if passes(cap):
                self.bears = self.bears._replace(value=cap)
        self._ceiling = max(self.bears.value or 0, CAP_MIN)
        over = {name: cap for name, cap in self.values.fixed_caps.items() if cap > (self.bears.value or 0)}
        return "; ".join(
            f"{name} is fixed at {cap}, and the supply bears {self.bears.value}" for name, cap in over.items()
        )

    def _ramp(self, cap: int, slowest_ms: int | None = None) -> Found:
        """The quickest ramp at a cap, of those up to one that is expected to pass."""
        low, high = self.values.ramps(self.knobs.ramp_up)

        def passes(ms: int) -> bool:
            return self.bed.passes(self.values.at(cap, ms))

        found = on_grid(smallest, passes, low, slowest_ms or high, RAMP_GRID_MS)
        return found if found.value is not None or slowest_ms is None else self._ramp(cap)

    def _quickest(self) -> tuple[int, int | None]:
        """The cap and the ramp; None where there is no ramp."""
        self.traded = None
        bears = self.bears.value or CAP_MIN
        top, slowest_ms = min(self.values.top_wish, bears), self.values.slowest_ms
        if slowest_ms is None or self.knobs.ramp_up in self.values.fixed:
            return top, slowest_ms
        self.say("the quickest ramp")
        found = self._ramp(top)
        self._note_gap("ramp", found)
        # The slowest passes: the cap was found with it.
        quickest_ms = slowest_ms if found.value is None else found.value
        return self._worth_more(top, quickest_ms)

    def _worth_more(self, top: int, top_ms: int) -> tuple[int, int]:
        """A lower cap whose quicker ramp wins more than its thrust is worth, the best one; else the one given.

        The time is that to nine tenths of the thrust at the higher cap, on an ordinary day.
        """
        day = self._usual()
        whole = self._figures(self.values.at(top, top_ms), day)
        if whole is None or whole.rise_s is None:
            return top, top_ms
        best, slower_ms = (0.0, top, top_ms), top_ms
        wanted_n = THRUST_FRAC * whole.thrust_n
        # No step goes below one that is fixed.
        lowest = max(self.values.fixed_caps.values(), default=CAP_MIN)
        for cap in range(top - CAP_GRID, lowest - 1, -CAP_GRID):
            # What passes at a higher cap is expected to pass at a lower one.
            ramp_ms = self._ramp(cap, slower_ms).value
            figures = None if ramp_ms is None else self._figures(self.values.at(cap, ramp_ms), day, wanted_n)
            if ramp_ms is None or figures is None or figures.rise_s is None:
                # What it comes to is less than nine tenths; so is all below it.
                break
            slower_ms = ramp_ms
            won = 1.0 - figures.rise_s / whole.rise_s
            lost = 1.0 - figures.thrust_n / whole.thrust_n
            if won - WORTH * lost > best[0]:
                self.traded, best = (won, lost), (won - WORTH * lost, cap, ramp_ms)
        return best[1:]

    def _whole(self, cap: int, ramp_ms: int | None) -> dict[str, int]:
        """Every parameter that is recommended: caps, ramps and guard."""
        self.say("the supply guard")
        if self._guard_stays:
            self.thresholds = self.values.guard
        else:
            driven = self.bed.drive(self.values.at(cap, ramp_ms))
            sound = [one.figures for one in driven if one.figures is not None]
            controller, fixed = self.values.bench.controller, self.values.fixed
            self.thresholds, notes = guarded(self.knobs, controller, self.limits(), sound, fixed)
            self.notes += notes
        return {**self.values.whole(cap, ramp_ms), **self.thresholds}

    def _ramp_down(self, cap: int, ramp_ms: int | None, places: Sequence[int] | None = None) -> None:
        """As it is, if that stops in time; else the gentlest that does."""
        name = self.knobs.ramp_down
        if not name or name in self.values.fixed:
            return

        def passes(ms: int) -> bool:
            return self.bed.passes(self.values.at(cap, ramp_ms, **{name: ms}), places)

        now = self.values.ramp_down[name]
        low, high = self.values.ramps(name)
        if passes(now) or not passes(low):
            # Where even the quickest fails, something else does.
            return
        self.say("the ramp down")
        found = on_grid(largest, passes, low, min(high, now), RAMP_GRID_MS)
        self._note_gap("ramp down", found)
        self.values.ramp_down = {name: found.value or low}

    def _note_gap(self, what: str, found: Found) -> None:
        if found.gap is not None:
            passing, failing = found.gap
            self.notes.append(
                f"A {what} of {passing} passes although {failing} does not: taken from the safe side of every failure."
            )

    def _missed(self, cap: int, ramp_ms: int | None, settings: Settings) -> bool:
        """Look for the worst builds anew, and drive every step on every day and on them; what fails joins the corners.

        The worst builds must keep every limit without the guard's help too, unless that is relied on.
        """
        before = set(self.bed.active)
        bare = self.values.at(cap, ramp_ms)
        self._survey(bare)
        if not self.bed.passes(bare):
            return True
        caps = sorted({settings[name] for name in self.knobs.caps})
        self.say("every step on every day")
        places = sorted({*self.bed.active, *self.bed.add(self.days, active=False)})
        most = self.values.at(self.bears.value or CAP_MIN)
        every = self.bed.drives([most, *({**settings, **self.values.capped(cap)} for cap in caps)], places)
        broken = [{place for place, one in zip(places, driven, strict=True) if not one.passes} for driven in every]
        failing = set().union(*broken)
        self._note_idle(places, every[-1])
        self.bed.add([self.bed.corners[place] for place in failing])
        if failing and failing <= before:
            # They passed with the guard open: from now on the drive is looked for with the guard as it is.
            self.values.guard = self.thresholds
            self._guard_stays = True
        return bool(failing)

    def _note_idle(self, places: Sequence[int], driven: Sequence[Driven]) -> None:
        """Where nothing is driven every limit is kept, and nothing is known."""
        idle = [(place, one.figures) for place, one in zip(places, driven, strict=True) if one.figures]
        idle = [(place, figures) for place, figures in idle if not figures.drives]
        if idle:
            place, figures = idle[0]
            where = f"{self.bed.corners[place].name}: {self._reason(figures)}"
            self.notes.append(f"Nothing is driven at {len(idle)} of {len(places)} corners, first at {where}.")

    def _usual(self) -> int:
        """The place of the ordinary day held still."""
        return self.bed.add(self.usual_days[:1], active=False)[0]

    def _figures(self, settings: Settings, place: int, wanted_n: float | None = None) -> Figures | None:
        return self.bed.drive(settings, [place], wanted_n)[0].figures


def _usual_days(bed: Bed, envelope: Envelope) -> list[Corner]:
    """Ordinary days: half charge at room temperature, the numbers as filed; held still first, then under way."""
    own = bed.ride.case.bench.scenario
    pack = own.pack.model_copy(update={"charge_frac": 0.5, "temperature_degc": 20.0})
    under_way = [each for each in ("towed", "worn") if each in envelope.attitudes][:1]
    attitudes: list[Attitude] = ["held", *under_way]
    return [Corner(f"an ordinary day, {ATTITUDES[each]}", own.water, pack, each, {}) for each in attitudes]
