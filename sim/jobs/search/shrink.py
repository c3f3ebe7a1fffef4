"""What was found made as simple as it can be while it still shows the same (row 4).

A found scenario is its own scenario and some differences: what the rider
changes, what breaks, numbers of the day. Differences are left out as far as
that goes, waits and numbers are made short and round, the run is cut where
nothing more is needed; all of it again until nothing changes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple, TypeAlias, TypeVar

from pydantic import ValidationError

from sim.bench.scenario import FaultStep, Scenario
from sim.jobs.search.script import Change, changes_of, steps_of

Item = TypeVar("Item")

ROUNDS_MAX = 5
# Waits, the simplest first.
GAPS_S = (0.0, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0)
LEVERS = (1.0, 0.5)
# A run's length is found to this.
LENGTH_S = 0.1


class Given(NamedTuple):
    """One number of the day that is not the scenario's own: a key, or one of a section's."""

    place: tuple[str, ...]
    value: Any


Difference: TypeAlias = Change | FaultStep | Given
Shows: TypeAlias = Callable[[Scenario], bool]


class Simple(NamedTuple):
    """The simplest scenario come to, and how many were tried."""

    scenario: Scenario
    tries: int


class Own(NamedTuple):
    """What a found scenario came from.

    numbers : of its vehicle, by dotted key.
    rides, breaks, day : whether rider and length, faults, and all but the vehicle's numbers may be made simple; what
        may not stays as it is.
    """

    scenario: Scenario
    numbers: Mapping[str, float]
    rides: bool = True
    breaks: bool = True
    day: bool = True


def simple(own: Own, found: Scenario, shows: Shows, tries_max: int = 300) -> Simple:
    """The simplest scenario come to that still shows what was found.

    Parameters
    ----------
    own : what differences are left out towards.
    found : shows it.
    shows : whether a scenario does; asked for none twice.
    tries_max : scenarios tried before it is left as it is then.
    """
    whole = differences(own.scenario, found)
    asked = _Asked(own, tuple(part for part in whole if not _loose(part, own)), shows, tries_max)
    best = _Found(tuple(part for part in whole if _loose(part, own)), found.duration_s)
    steps = (_fewer, _sooner, _rounder, _shorter) if own.rides else (_fewer, _rounder)
    for _ in range(ROUNDS_MAX):
        before = best
        for better in steps:
            best = better(best, asked)
        if best == before:
            break
    return Simple(best.scenario(own.scenario, asked.fixed) or found, asked.tries)


def _loose(part: Difference, own: Own) -> bool:
    """Whether a difference may be changed."""
    if isinstance(part, Given):
        return own.day or part.place[0] == "vehicle_set"
    return own.rides if isinstance(part, Change) else own.breaks


def _fewer(found: _Found, asked: _Asked) -> _Found:
    """As few differences as show it."""
    return found._replace(parts=minimal(found.parts, lambda parts: asked(found._replace(parts=parts))))


def minimal(parts: tuple[Item, ...], shows: Callable[[tuple[Item, ...]], bool]) -> tuple[Item, ...]:
    """Parts of which none can be left out alone; all of them show it.

    Notes
    -----
    Source: A. Zeller and R. Hildebrandt, "Simplifying and isolating failure-inducing input", IEEE Trans. Software
    Engineering 28 (2002) 183-200, the algorithm ddmin.
    """
    if shows(()):
        return ()
    chunks = 2
    while len(parts) >= 2:
        size = -(-len(parts) // chunks)
        pieces = [parts[first : first + size] for first in range(0, len(parts), size)]
        for number, piece in enumerate(pieces):
            others = tuple(part for each in (*pieces[:number], *pieces[number + 1 :]) for part in each)
            if len(pieces) > 2 and shows(piece):
                parts, chunks = piece, 2
                break
            if shows(others):
                parts, chunks = others, max(len(pieces) - 1, 2)
                break
        else:
            if size == 1:
                break
            chunks = min(2 * chunks, len(parts))
    return parts


def differences(own: Scenario, found: Scenario) -> tuple[Difference, ...]:
    """What a scenario has besides its own: every change of a hand, every fault, every number that is another."""
    given = [
        Given((section, key), value)
        for section in ("water", "pack")
        for key, value in dict(getattr(found, section)).items()
        if value != getattr(getattr(own, section), key)
    ]
    given += [
        Given(("vehicle_set", key), value)
        for key, value in found.vehicle_set.items()
        if value != own.vehicle_set.get(key)
    ]
    given += [
        Given((key,), getattr(found, key)) for key in ("attitude", "seed") if getattr(found, key) != getattr(own, key)
    ]
    return (*given, *changes_of(found.rider), *found.faults)


class _Found(NamedTuple):
    parts: tuple[Difference, ...]
    duration_s: float

    def scenario(self, own: Scenario, fixed: tuple[Difference, ...]) -> Scenario | None:
        """The scenario of these differences and some that stay, checked; none where they make none."""
        data: dict[str, Any] = own.model_dump(exclude_unset=True)
        whole = (*fixed, *self.parts)
        for part in whole:
            if isinstance(part, Given):
                *sections, key = part.place
                within = data
                for name in sections:
                    within[name] = dict(within.get(name, {}))
                    within = within[name]
                within[key] = part.value
        data["rider"] = steps_of(part for part in whole if isinstance(part, Change))
        faults = [part for part in whole if isinstance(part, FaultStep)]
        data["faults"] = tuple(sorted(faults, key=lambda fault: fault.at_s))
        data["duration_s"] = self.duration_s
        try:
            return type(own).model_validate(data)
        except ValidationError:
            return None


class _Asked:
    """Asks whether differences show it, each once, as long as tries are left."""

    def __init__(self, own: Own, fixed: tuple[Difference, ...], shows: Shows, tries_max: int) -> None:
        self.own, self.fixed, self.shows, self.left = own, fixed, shows, tries_max
        self.tries = 0
        self._known: dict[_Found, bool] = {}

    def __call__(self, found: _Found) -> bool:
        # Differences in another order are the same scenario.
        key = _Found(tuple(sorted(found.parts, key=repr)), found.duration_s)
        if key not in self._known:
            scenario = found.scenario(self.own.scenario, self.fixed)
            if scenario is None:
                self._known[key] = False
            elif self.tries >= self.left:
                return False
            else:
                self.tries += 1
                self._known[key] = self.shows(scenario)
        return self._known[key]


def _sooner(found: _Found, asked: _Asked) -> _Found:
    """Each wait as short as shows it, all that comes later sooner by as much; else round."""
    number = 0
    while number < len(moments := _moments(found.parts)):
        before_s = moments[number - 1] if number else 0.0
        wait_s = round(moments[number] - before_s, 6)
        shorter = [gap_s for gap_s in GAPS_S if gap_s < wait_s]
        for wanted_s in dict.fromkeys((*shorter, *_rounded(wait_s, 1, 2))):
            tried = _moved(found, moments[number], round(wanted_s - wait_s, 6))
            if asked(tried):
                found = tried
                break
        # Where a wait is gone, the next moment has its place.
        number += len(_moments(found.parts)) == len(moments)
    return found


def _moments(parts: tuple[Difference, ...]) -> list[float]:
    """Every moment at which something happens, in order."""
    found = {part.at_s for part in parts if not isinstance(part, Given)}
    return sorted(found | {part.until_s for part in parts if isinstance(part, FaultStep) and part.until_s is not None})


def _moved(found: _Found, from_s: float, by_s: float) -> _Found:
    """All that happens from a moment on, and the end of the run, moved in time."""

    def at(moment_s: float) -> float:
        return round(moment_s + by_s, 6) if moment_s >= from_s else moment_s

    def part_at(part: Difference) -> Difference:
        if isinstance(part, Change):
            return part._replace(at_s=at(part.at_s))
        if isinstance(part, FaultStep):
            until_s = None if part.until_s is None else at(part.until_s)
            return part.model_copy(update={"at_s": at(part.at_s), "until_s": until_s})
        return part

    return _Found(tuple(map(part_at, found.parts)), round(found.duration_s + by_s, 6))


def _rounder(found: _Found, asked: _Asked) -> _Found:
    """Each number of a difference as round as shows it."""
    for index in range(len(found.parts)):
        for part in _simpler(found.parts[index], asked.own):
            tried = found._replace(parts=(*found.parts[:index], part, *found.parts[index + 1 :]))
            if asked(tried):
                found = tried
                break
    return found


def _simpler(part: Difference, own: Own) -> Iterator[Difference]:
    """The same with a simpler number, the simplest first."""
    if isinstance(part, Change):
        if part.key == "lever_frac" and part.value not in LEVERS:
            yield from (part._replace(value=value) for value in (*LEVERS, *_rounded(part.value, 1, 2)))
    elif isinstance(part, FaultStep):
        if part.until_s is not None:
            yield part.model_copy(update={"until_s": None})
        if part.amount is not None:
            yield from (part.model_copy(update={"amount": value}) for value in _significant(part.amount))
    elif isinstance(part.value, float):
        before = _before(part, own)
        low, high = min(before, part.value), max(before, part.value)
        # Between the scenario's own and what was found there is nothing that the search might not have tried.
        yield from (part._replace(value=value) for value in _significant(part.value) if low <= value <= high)


def _before(part: Given, own: Own) -> float:
    """The scenario's own number in the place of another."""
    section, *key = part.place
    if section == "vehicle_set":
        return float(own.scenario.vehicle_set.get(key[0], own.numbers[key[0]]))
    value = getattr(getattr(own.scenario, section), key[0])
    # A pack that nothing is said of is as warm as the water.
    return float(own.scenario.water.temperature_degc if value is None else value)


def _rounded(value: float, *digits: int) -> list[float]:
    """A number with so many digits behind the point; as often as it thereby changes."""
    return [near for count in digits if (near := round(value, count)) != value]


def _significant(value: float) -> list[float]:
    """The numbers of one digit on either side, and those of two, as far as that is fewer than it has."""
    found: list[float] = []
    for count in (1, 2):
        near = float(f"{value:.{count}g}")
        if near == value:
            break
        step = 10.0 ** (math.floor(math.log10(abs(value))) - count + 1)
        found += [float(f"{each:.{count}g}") for each in (near, near + step, near - step)]
    return list(dict.fromkeys(found))


def _shorter(found: _Found, asked: _Asked) -> _Found:
    """The run cut where nothing more is needed, to `LENGTH_S`; halving, so that a longer run may fail to show it."""
    last_s = max([0.0, *_moments((*asked.fixed, *found.parts))])
    bad, good = int(last_s / LENGTH_S), math.ceil(round(found.duration_s / LENGTH_S, 6))
    longer = found._replace(duration_s=round(good * LENGTH_S, 6))
    if asked(longer):
        found = longer
    while good - bad > 1:
        middle = (good + bad) // 2
        tried = found._replace(duration_s=round(middle * LENGTH_S, 6))
        if asked(tried):
            good, found = middle, tried
        else:
            bad = middle
    return found
