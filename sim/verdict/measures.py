"""Plain figures of a recording, by name: extremes, times, settling, energy, levels, slopes, turns (row 3).

Each sample stands until the next one, so the last has no length. Extremes and
levels pass over samples that are not known (NaN); where nothing is left, where
a sum lacks a sample, and where the recording ends before the figure is known,
the value is `None` and the sentence says why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from sim.base.errors import Fault
from sim.record.table import Table
from sim.verdict.check import constant_faults, duration_faults, faults_in, require, state_faults, unit_of_term
from sim.verdict.formula import parse_call
from sim.verdict.latency import Answers, answers
from sim.verdict.place import NOWHERE, Place
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import Condition, Constant, Term, is_term
from sim.verdict.units import SECOND, Unit, alike, product, symbol_of
from sim.verdict.windows import Array, sliding_min_behind
from sim.verdict.words import clock, number, quantity, span, times


class Figure(NamedTuple):
    """A measure's value, the moment it hangs on, one sentence, and the unit."""

    value: float | None
    at_s: float | None
    why: str
    unit: str


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure as written, such as `minimum(bus_v)`."""

    name: str
    args: tuple[Term | Condition, ...]
    text: str
    place: Place

    def faults(self, signals: tuple[str, ...], limits: Mapping[str, float]) -> list[Fault]:
        """Everything wrong with its arguments' names, durations and units."""
        if faults := [fault for arg in self.args for fault in faults_in(arg, self.place, signals, limits)]:
            return faults
        roles = zip(_KINDS[self.name].signature, self.args, strict=False)
        terms = [(role, arg) for role, arg in roles if is_term(arg)]
        for role, arg in terms:
            if role in _CONSTANTS:
                check = duration_faults if role == _DURATION else constant_faults
                faults += check(Constant(arg, arg.source.text, self.place), limits)
        # A duration has a unit of its own, and so has what `x` is looked at along.
        for along in (False, True):
            group = [arg for role, arg in terms if role != _DURATION and role.startswith("along") == along]
            units = [unit_of_term(arg) for arg in group]
            if any(not alike(units[0], unit) for unit in units):
                got = " and ".join(symbol_of(unit) for unit in units)
                faults.append(self.place.fault(0, "like units", f"{got} in {self.text}"))
        return faults

    def unit(self) -> Unit | None:
        """The unit its value comes in."""
        kind = _KINDS[self.name].unit
        own = next((unit_of_term(arg) for arg in self.args if is_term(arg)), None)
        return {"own": own, "seconds": SECOND, "own seconds": product(own, SECOND), "count": None}[kind]


def parse_measure(text: str, place: Place = NOWHERE) -> Measure:
    """Read a measure.

    Raises
    ------
    InputError
        No such measure, or arguments it does not take.
    """
    name, args = parse_call(text, place, {name: kind.signature for name, kind in _KINDS.items()})
    return Measure(name=name, args=args, text=text, place=place)


def take(measure: Measure, table: Table, limits: Mapping[str, float]) -> Figure:
    """Take a checked measure of a recording."""
    return taken(measure, Evaluation(table, limits))


def taken(measure: Measure, run: Evaluation) -> Figure:
    """Take a checked measure of a recording that is being evaluated."""
    require([fault for arg in measure.args for fault in state_faults(run, arg, measure.place)])
    unit = symbol_of(measure.unit())
    with np.errstate(all="ignore"):
        return Figure(*_KINDS[measure.name].figure(run, unit, *measure.args), unit)


Found: TypeAlias = tuple[float | None, float | None, str]


def _unknown(term: Term) -> Found:
    return None, None, f"{term.source.text} has no value in the run"


def _extreme(run: Evaluation, unit: str, x: Term, word: str, sign: float) -> Found:
    """The value of `x` where `sign * x` is greatest."""
    values = run.term(x)
    if np.all(np.isnan(values)):
        return _unknown(x)
    index = int(np.nanargmax(sign * values))
    value, at_s = float(values[index]), run.time_s(index)
    return value, at_s, f"{x.source.text} was {word}, {quantity(value, unit)}, at {clock(at_s)}"


def _minimum(run: Evaluation, unit: str, x: Term) -> Found:
    return _extreme(run, unit, x, "lowest", -1.0)


def _maximum(run: Evaluation, unit: str, x: Term) -> Found:
    return _extreme(run, unit, x, "highest", 1.0)


def _final(run: Evaluation, unit: str, x: Term) -> Found:
    value, at_s = float(run.term(x)[-1]), run.time_s(run.count - 1)
    if np.isnan(value):
        return None, at_s, f"{x.source.text} has no value at the end of the run"
    return value, at_s, f"{x.source.text} ended at {quantity(value, unit)}"


def _time_beyond(run: Evaluation, unit: str, x: Term, level: Term, word: str, sign: float) -> Found:
    """The time `sign * x` stands above `sign * level`."""
    beyond = sign * run.term(x)[:-1] > sign * run.term(level)[:-1]
    seconds = int(np.count_nonzero(beyond)) * run.step_us / 1e6
    at_s = run.time_s(int(np.argmax(beyond))) if beyond.any() else None
    since = "" if at_s is None else f", first at {clock(at_s)}"
    return seconds, at_s, f"{x.source.text} was {word} {level.source.text} for {span(seconds)}{since}"


def _time_above(run: Evaluation, unit: str, x: Term, level: Term) -> Found:
    return _time_beyond(run, unit, x, level, "above", 1.0)


def _time_below(run: Evaluation, unit: str, x: Term, level: Term) -> Found:
    return _time_beyond(run, unit, x, level, "below", -1.0)


def _integral(run: Evaluation, unit: str, x: Term) -> Found:
    """The trapezoidal sum over the whole run."""
    values = run.term(x)
    if np.isnan(values).any():
        at_s = run.time_s(int(np.argmax(np.isnan(values))))
        return None, at_s, f"{x.source.text} has no value at {clock(at_s)}"
    total = float(np.sum(values[1:] + values[:-1])) / 2 * run.step_us / 1e6
    length_s = (run.count - 1) * run.step_us / 1e6
    return total, None, f"{x.source.text} summed to {quantity(total, unit)} over {span(length_s)}"


def _distinct_levels(run: Evaluation, unit: str, x: Term, resolution: Term | None = None) -> Found:
    """How many different values `x` takes; with a resolution, how many multiples of it it comes nearest to."""
    values = run.term(x)
    if resolution is not None:
        values = np.rint(values / run.term(resolution))
    count = len(np.unique(values[np.isfinite(values)]))
    return float(count), None, f"{x.source.text} took {count} different levels"


def _creep(run: Evaluation, unit: str, x: Term, when_rest: Condition) -> Found:
    """The largest size of `x` while at rest."""
    size = np.where(_surely(run, when_rest), np.abs(run.term(x)), np.nan)
    if np.all(np.isnan(size)):
        return _never_while(x, when_rest)
    index = int(np.nanargmax(size))
    value, at_s = float(size[index]), run.time_s(index)
    why = f"{x.source.text} reached {quantity(value, unit)} at {clock(at_s)} with {when_rest.source.text}"
    return value, at_s, why


def _latency(run: Evaluation, unit: str, when_after: Condition, when_expect: Condition) -> Found:
    """The longest wait from an event, `after` becoming true, to `expect`."""
    found = answers(run, when_after, when_expect)
    events, surely = found.events, found.surely[found.events]
    if idle := _no_events(run, when_after, found):
        return idle
    open_ended = events[(surely == run.count) | (surely != found.perhaps[events])]
    if len(open_ended):
        at_s = run.time_s(int(open_ended[0]))
        return None, at_s, f"the run does not tell when {when_expect.source.text} came, {_event(when_after, at_s)}"
    worst = int(np.argmax(surely - events))
    seconds, at_s = int(surely[worst] - events[worst]) * run.step_us / 1e6, run.time_s(int(events[worst]))
    why = f"{when_expect.source.text} came {span(seconds)} {_event(when_after, at_s)}; tried {times(len(events))}"
    return seconds, at_s, why


def _settling(run: Evaluation, unit: str, when_after: Condition, x: Term, target: Term, band: Term) -> Found:
    """The longest time from an event until `x` stays within `band` of `target`, up to the next event or the end."""
    found = answers(run, when_after, when_after)
    if idle := _no_events(run, when_after, found):
        return idle
    outside = ~(np.abs(run.term(x) - run.term(target)) <= run.term(band))
    waits: list[tuple[int, int]] = []
    for start, stop in _stretches(run, found):
        late = np.flatnonzero(outside[start:stop])
        wait = int(late[-1]) + 1 if len(late) else 0
        if wait == stop - start:
            at_s, end = run.time_s(start), clock(run.time_s(stop - 1))
            return None, at_s, f"{x.source.text} had not settled by {end}, {_event(when_after, at_s)}"
        waits.append((wait, start))
    wait, start = max(waits, key=lambda pair: pair[0])
    seconds, at_s = wait * run.step_us / 1e6, run.time_s(start)
    where = f"within {band.source.text} of {target.source.text}"
    return seconds, at_s, f"{x.source.text} stayed {where} from {span(seconds)} {_event(when_after, at_s)}"


def _overshoot(run: Evaluation, unit: str, when_after: Condition, x: Term, target: Term) -> Found:
    """How far `x` passes `target`, seen from where it stood at the event; 0 where it never does."""
    found = answers(run, when_after, when_after)
    if idle := _no_events(run, when_after, found):
        return idle
    above = run.term(x) - run.term(target)
    passed = np.full(run.count, np.nan)
    for start, stop in _stretches(run, found):
        # From below, past the target is above it; from on or above it, below.
        passed[start:stop] = above[start:stop] if above[start] < 0 else -above[start:stop]
    if np.all(np.isnan(passed)):
        return _unknown(x)
    index = int(np.nanargmax(passed))
    over, at_s = float(passed[index]), run.time_s(index)
    if over <= 0:
        return 0.0, None, f"{x.source.text} did not pass {target.source.text}"
    return over, at_s, f"{x.source.text} passed {target.source.text} by {quantity(over, unit)} at {clock(at_s)}"


def _rise(run: Evaluation, unit: str, x: Term, length: Term, when: Condition) -> Found:
    """The most that `x` rises within the length, up to a sample where `when` is true."""
    values = run.term(x)
    lowest = sliding_min_behind(np.where(np.isnan(values), np.inf, values), run.reach(length))
    risen = np.where(_surely(run, when), values - lowest, np.nan)
    if np.all(np.isnan(risen)):
        return _never_while(x, when)
    index = int(np.nanargmax(risen))
    value, at_s, within = float(risen[index]), run.time_s(index), span(run.duration_us(length) / 1e6)
    return value, at_s, f"{x.source.text} rose by {quantity(value, unit)} within {within}, up to {clock(at_s)}"


def _drop(run: Evaluation, unit: str, x: Term, when: Condition) -> Found:
    """The furthest `x` falls below where it was before, in any one stretch where `when` is true."""
    values = run.term(x)
    fallen = np.full(run.count, np.nan)
    for start, stop in _spells(_surely(run, when)):
        fallen[start:stop] = np.fmax.accumulate(values[start:stop]) - values[start:stop]
    if np.all(np.isnan(fallen)):
        return _never_while(x, when)
    index = int(np.nanargmax(fallen))
    value, at_s = float(fallen[index]), run.time_s(index)
    if value == 0.0:
        return 0.0, None, f"{x.source.text} did not fall with {when.source.text}"
    return value, at_s, f"{x.source.text} had fallen by {quantity(value, unit)} at {clock(at_s)}"


def _turns(run: Evaluation, unit: str, x: Term, swing: Term, length: Term, when: Condition) -> Found:
    """The most turns of `x` within the length, in any one stretch where `when` is true."""
    values, known = run.term(x), ~np.isnan(run.term(x))
    spells = _spells(_surely(run, when) & known)
    if not spells:
        return _never_while(x, when)
    reach, most, first = run.reach(length), 0, None
    for start, stop in spells:
        turns = start + np.asarray(_turned(values[start:stop], run.constant(swing)), dtype=np.int64)
        counts = np.searchsorted(turns, turns + reach, side="right") - np.arange(len(turns))
        if len(turns) and counts.max() > most:
            most, first = int(counts.max()), run.time_s(int(turns[np.argmax(counts)]))
    within = span(run.duration_us(length) / 1e6)
    since = "" if first is None else f", from {clock(first)} on"
    return float(most), first, f"{x.source.text} turned {times(most)} within {within}{since}"


def _turned(values: Array, swing: float) -> list[int]:
    """The samples where values had gone one way by more than `swing` and then came back by more than that."""
    turns: list[int] = []
    way, low, high, low_at, high_at = 0, np.inf, -np.inf, 0, 0
    for index, value in enumerate(values.tolist()):
        if value > high:
            high, high_at = value, index
        if value < low:
            low, low_at = value, index
        if way >= 0 and high - value > swing:
            turns += [high_at] if way > 0 else []
            way, low, low_at = -1, value, index
        elif way <= 0 and value - low > swing:
            turns += [low_at] if way < 0 else []
            way, high, high_at = 1, value, index
    return turns


def _least_rise(run: Evaluation, unit: str, x: Term, along: Term, along_step: Term, when: Condition) -> Found:
    """The least by which `x` is higher where `along` is higher by a step or more, over samples where `when` is true."""
    values, places = run.term(x), run.term(along)
    samples = np.flatnonzero(_surely(run, when) & ~np.isnan(values) & ~np.isnan(places))
    samples = samples[np.argsort(places[samples], kind="stable")]
    # Places that were meant to be a whole step apart are so but for their last digits.
    least_apart = run.constant(along_step) * (1.0 - 1e-9)
    below = np.searchsorted(places[samples], places[samples] - least_apart, side="right")
    upper = np.flatnonzero(below > 0)
    if not len(upper):
        name, what = along.source.text, along_step.source.text
        return None, None, f"never tried: {name} did not move by {what} with {when.source.text}"
    rises = values[samples[upper]] - np.maximum.accumulate(values[samples])[below[upper] - 1]
    worst = upper[int(np.argmin(rises))]
    lower = samples[int(np.argmax(values[samples[: below[worst]]]))]
    value, at_s = float(rises.min()), run.time_s(int(samples[worst]))
    way = f"from {along.source.text} {number(places[lower])} to {number(places[samples[worst]])}"
    return value, at_s, f"{x.source.text} rose by {quantity(value, unit)} {way}, at {clock(at_s)}"


def _surely(run: Evaluation, when: Condition) -> npt.NDArray[np.bool_]:
    return run.bounds(when).lower > 0


def _spells(true: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """The stretches of true samples, each as its first and one past its last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], true, [False]))))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def _never_while(x: Term, when: Condition) -> Found:
    return None, None, f"never tried: no sample of {x.source.text} with {when.source.text}"


def _stretches(run: Evaluation, found: Answers) -> list[tuple[int, int]]:
    """Each event's samples: from the event up to the next one or the end."""
    return list(pairwise([*found.events.tolist(), run.count]))


def _event(when_after: Condition, at_s: float) -> str:
    return f"after {when_after.source.text} at {clock(at_s)}"


def _no_events(run: Evaluation, when_after: Condition, found: Answers) -> Found | None:
    """Why there is no figure: no event, or a sample missing where one may have been."""
    unsure = np.setdiff1d(found.doubtful, found.events)
    if len(unsure):
        at_s = run.time_s(int(unsure[0]))
        return None, at_s, f"it cannot be told whether {when_after.source.text} became true at {clock(at_s)}"
    if not len(found.events):
        return None, None, f"never tried: {when_after.source.text} did not become true"
    return None


class _Kind(NamedTuple):
    """What a measure takes and gives.

    In a signature `when...` is a condition and others are numbers; `T_s` is a duration; `swing` and `along_step`
    name no signal; `along...` has another unit than the rest; `?` may be left out.
    """

    signature: tuple[str, ...]
    unit: Literal["own", "seconds", "own seconds", "count"]
    figure: Callable[..., Found]


_DURATION = "T_s"
_CONSTANTS = (_DURATION, "swing", "along_step")
_KINDS: dict[str, _Kind] = {
    "minimum": _Kind(("x",), "own", _minimum),
    "maximum": _Kind(("x",), "own", _maximum),
    "final": _Kind(("x",), "own", _final),
    "time_above": _Kind(("x", "level"), "seconds", _time_above),
    "time_below": _Kind(("x", "level"), "seconds", _time_below),
    "integral": _Kind(("x",), "own seconds", _integral),
    "distinct_levels": _Kind(("x", "resolution?"), "count", _distinct_levels),
    "creep": _Kind(("x", "when_rest"), "own", _creep),
    "latency": _Kind(("when_after", "when_expect"), "seconds", _latency),
    "settling": _Kind(("when_after", "x", "target", "band"), "seconds", _settling),
    "overshoot": _Kind(("when_after", "x", "target"), "own", _overshoot),
    "rise": _Kind(("x", _DURATION, "when"), "own", _rise),
    "drop": _Kind(("x", "when"), "own", _drop),
    "turns": _Kind(("x", "swing", _DURATION, "when"), "count", _turns),
    "least_rise": _Kind(("x", "along", "along_step", "when"), "own", _least_rise),
}
MEASURES = tuple(_KINDS)
