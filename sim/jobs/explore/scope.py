"""The scope of an exploration: coarse times, the readings tried at every tick, and what is demanded (row 4).

A YAML file; docs/exploring.md has its keys.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from controllers.board import Inputs
from sim.base.document import Entry, load, refusal
from sim.base.errors import Fault, InputError, shown
from sim.bench.control import Controller, load_controller
from sim.jobs.explore.coarse import coarsened
from sim.jobs.explore.monitors import BY_BUTTON, BY_DEADMAN, PROPERTIES, Rule
from sim.jobs.explore.space import Space

SCOPES = Path(__file__).parent / "scopes"
ENDING = ".scope.yaml"
# Every reading of a board that nobody touches; what is not fitted reads 0 or -1.
QUIET = Inputs(
    hall_counts=0,
    sensor_supply_mv=5000,
    bus_mv=0,
    pack_ma=0,
    deadman=0,
    mode_button=0,
    kill_cord=1,
    left_rpm=-1,
    right_rpm=-1,
)
MOVES_MAX = 10_000
CONTACTS = {"deadman": BY_DEADMAN, "mode_button": BY_BUTTON}

Reading = Annotated[int, Field(ge=-1, le=400_000)]


def _some(values: tuple[Any, ...]) -> tuple[Any, ...]:
    """Refuse a list with nothing in it."""
    if not values:
        raise refusal("at least one", "an empty list")
    return values


Readings = Annotated[tuple[Reading, ...], AfterValidator(_some)]
Milliseconds = Annotated[int, Field(ge=0, le=60_000)]
Counts = Annotated[int, Field(ge=0, le=65_535)]


class Range(Entry):
    """From the lowest to the highest reading, both counted in."""

    low: Counts
    high: Counts

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.low > self.high:
            raise refusal(f"no more than high ({self.high})", self.low, "low")
        return self


class GestureEntry(Entry):
    """What changes the power step."""

    contact: Literal["deadman", "mode_button"]
    up: Annotated[int, Field(ge=1, le=9)]
    down: Annotated[int, Field(ge=1, le=9)]
    gap_ms: Milliseconds
    after_ms: Milliseconds
    press_ms: Milliseconds
    sure_press_ms: Milliseconds
    sure_gap_ms: Milliseconds

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.gap_ms > self.after_ms:
            raise refusal(f"no more than after_ms ({self.after_ms})", self.gap_ms, "gap_ms")
        return self


class Demands(Entry):
    """What is allowed, in the words of the requirement; no number of a controller's."""

    stop_us: Annotated[int, Field(ge=0, le=3000)] = 1000
    rest_counts: Range
    sound_counts: Range
    off_ms: Milliseconds
    deadman_ms: Milliseconds
    kill_ms: Milliseconds
    gesture: GestureEntry


class Round(Entry):
    """One walk for each property named, over every combination of its readings."""

    name: str
    prove: Annotated[tuple[str, ...], AfterValidator(_some)] = tuple(PROPERTIES)
    readings: Mapping[str, Readings]
    set: Mapping[str, int] = {}
    constants: Mapping[str, int] = {}

    @model_validator(mode="after")
    def _known(self) -> Self:
        for index, name in enumerate(self.prove):
            if name not in PROPERTIES:
                raise refusal(f"one of {', '.join(PROPERTIES)}", name, "prove", index)
        for name in self.readings:
            if name not in Inputs._fields:
                raise refusal(f"one of the pins {', '.join(Inputs._fields)}", name, "readings", name)
        if len(moves(self.readings)) > MOVES_MAX:
            raise refusal(f"at most {MOVES_MAX} combinations", len(moves(self.readings)), "readings")
        return self


class Scope(Entry):
    """The whole file."""

    params: str | None = None
    tick_us: Annotated[int, Field(ge=250, le=20_000)] = 10_000
    constants: Mapping[str, int] = {}
    demands: Demands
    rounds: Annotated[tuple[Round, ...], AfterValidator(_some)]


@dataclass(frozen=True, slots=True)
class Task:
    """One walk: the round's name, the property's, and where to walk.

    params_set, constants : what the round and the caller set on top of the parameter file.
    """

    tick_us: int
    round: str
    name: str
    space: Space
    params_set: dict[str, int]
    constants: dict[str, int]


def moves(readings: Mapping[str, Readings]) -> tuple[Inputs, ...]:
    """Every combination, the first reading of each pin first; pins that are not named stay quiet.

    Supply, bus, current and speeds change fastest: they matter least often, and moves that come to the same follow
    each other.
    """
    order = ("hall_counts", "deadman", "kill_cord", "mode_button")
    pins = sorted(readings, key=lambda pin: order.index(pin) if pin in order else len(order))
    return tuple(
        QUIET._replace(**dict(zip(pins, values, strict=True)))
        for values in itertools.product(*(readings[pin] for pin in pins))
    )


def scope_path(scope: str | None, controller: str) -> Path:
    """A scope's file: a path, a shipped scope's name, or without either the controller's own or the common one.

    Raises
    ------
    InputError
        A name that no shipped scope has.
    """
    known = sorted(path.name.removesuffix(ENDING) for path in SCOPES.glob(f"*{ENDING}"))
    if scope is not None and scope not in known:
        return Path(scope)
    if scope is None and controller.endswith(".py"):
        own = Path(controller.removesuffix(".py") + ENDING)
        if own.is_file():
            return own
    name = scope or (controller if controller in known else "common")
    return SCOPES / f"{name}{ENDING}"


def load_scope(path: Path) -> Scope:
    """A scope read and checked.

    Raises
    ------
    InputError
    """
    return load(path, Scope, "a scope of an exploration (YAML)")


def rule_of(scope: Scope) -> Rule:
    """The demands in whole ticks; a time between two counts as the longer."""
    demands, gesture = scope.demands, scope.demands.gesture

    def ticks(milliseconds: int) -> int:
        return -(-milliseconds * 1000 // scope.tick_us)

    return Rule(
        stop_us=demands.stop_us,
        rest_low_counts=demands.rest_counts.low,
        rest_high_counts=demands.rest_counts.high,
        sound_low_counts=demands.sound_counts.low,
        sound_high_counts=demands.sound_counts.high,
        deadman_ticks=ticks(demands.deadman_ms),
        kill_ticks=ticks(demands.kill_ms),
        contact=CONTACTS[gesture.contact],
        up=gesture.up,
        down=gesture.down,
        gap_ticks=ticks(gesture.gap_ms),
        after_ticks=ticks(gesture.after_ms),
        press_ticks=ticks(gesture.press_ms),
        sure_press_ticks=ticks(gesture.sure_press_ms),
        sure_gap_ticks=ticks(gesture.sure_gap_ms),
        off_ticks=ticks(demands.off_ms),
    )


def tasks(
    scope: Scope,
    path: Path,
    controller: str,
    params: str | None = None,
    overrides: Mapping[str, int] | None = None,
    wanted: tuple[str, ...] = (),
) -> tuple[Task, ...]:
    """Every walk of a scope.

    Parameters
    ----------
    path : the scope's file; the parameter file that it names starts from its folder.
    controller, params, overrides : as in `load_controller`; `params` in place of the scope's.
    wanted : properties; all that the scope proves if left out.

    Raises
    ------
    InputError
        The controller or its parameters do not load, or a constant that it has not.
    """
    proved = [name for name in PROPERTIES if any(name in entry.prove for entry in scope.rounds)]
    strange = [name for name in wanted if name not in proved]
    if strange:
        expected = f"one of {', '.join(proved)}, which the scope proves"
        raise InputError(Fault("", "prove", expected, shown(name)) for name in strange)
    rule = rule_of(scope)
    made = []
    known: dict[tuple[object, ...], Controller] = {}
    for index, entry in enumerate(scope.rounds):
        params_set = {**entry.set, **(overrides or {})}
        constants = {**scope.constants, **entry.constants}
        # One controller for the rounds that share its numbers: it is compiled once.
        key = (*sorted(params_set.items()), None, *sorted(constants.items()))
        if key not in known:
            loaded = _loaded(scope, path, controller, params, params_set, index, overrides or {})
            known[key] = coarsened(loaded, constants, str(path))
        ready = known[key]
        for name in entry.prove:
            if not wanted or name in wanted:
                space = Space(ready, PROPERTIES[name], rule, moves(entry.readings))
                made.append(Task(scope.tick_us, entry.name, name, space, params_set, constants))
    return tuple(made)


def _loaded(
    scope: Scope,
    path: Path,
    controller: str,
    params: str | None,
    params_set: Mapping[str, int],
    index: int,
    overrides: Mapping[str, int],
) -> Controller:
    named = params
    if named is None and scope.params is not None:
        named = str(path.parent / scope.params)
    try:
        return load_controller(controller, scope.tick_us, named, params_set)
    except InputError as error:
        raise InputError(_here(fault, path, index, overrides) for fault in error.faults) from None


def _here(fault: Fault, path: Path, index: int, overrides: Mapping[str, int]) -> Fault:
    """A fault of what the scope sets, told as the scope's."""
    key = fault.key.removeprefix("params_set.")
    if fault.path or key in overrides:
        return fault
    if fault.key == "control_hz":
        return replace(fault, path=str(path), key="tick_us")
    return replace(fault, path=str(path), key=f"rounds[{index}].set.{key}") if key != fault.key else fault
