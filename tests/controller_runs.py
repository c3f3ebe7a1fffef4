"""What the controllers' tests share: parameters, rider scripts, runs, and checked or compiled steps."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any, NamedTuple

import yaml
from numba import njit
from numba.extending import register_jitable

from controllers.board import Command, Inputs

FOLDER = Path(__file__).parent.parent / "controllers"

# A healthy board with nobody touching it; tests say what differs.
QUIET = Inputs(
    hall_counts=600,
    sensor_supply_mv=5000,
    bus_mv=55_000,
    pack_ma=0,
    deadman=0,
    mode_button=0,
    kill_cord=1,
    left_rpm=-1,
    right_rpm=-1,
)
FULL = 3450


class Tick(NamedTuple):
    inputs: Inputs
    state: Any
    command: Command


def params_of(module: ModuleType, file: str, tick_us: int = 1000, **changes: int) -> Any:
    """The parameters in `file`, at this tick, with changes; they must hold together."""
    values = yaml.safe_load((FOLDER / file).read_text(encoding="utf-8"))
    params = module.Params(**{**values, "tick_us": tick_us, **changes})
    assert module.faults(params) == []
    return params


def ticks(params: Any, *script: tuple[int, dict[str, int]]) -> Iterator[Inputs]:
    """One `Inputs` a tick from (duration in ms, what changes and stays changed) entries.

    The reading is dithered by one count, as a live sensor's is.
    """
    held = QUIET
    serial = 0
    for duration_ms, changes in script:
        held = held._replace(**changes)
        for _ in range(-(-duration_ms * 1000 // params.tick_us)):
            serial += 1
            yield held._replace(hall_counts=held.hall_counts + serial % 2)


def run(module: ModuleType, params: Any, inputs: Iterable[Inputs], state: Any = None) -> list[Tick]:
    """Every tick of the controller, from reset or from `state`."""
    state = module.initial(params) if state is None else state
    seen = []
    for sample in inputs:
        state, command = module.step(params, state, sample)
        seen.append(Tick(sample, state, command))
    return seen


def drive(tick: Tick) -> int:
    """The drive a command asks for, in us above the stop pulse."""
    return tick.command.left_pulse_us - 1000


def any_params(module: ModuleType, file: str, rng: random.Random) -> Any:
    """Parameters at random ends of their ranges, as far as they still hold together."""
    params = params_of(module, file)
    for key in rng.sample(sorted(module.LIMITS), len(module.LIMITS)):
        changed = params._replace(**{key: rng.choice([*module.LIMITS[key], getattr(params, key)])})
        if not module.faults(changed):
            params = changed
    return params


def any_inputs(rng: random.Random, count: int) -> Iterator[Inputs]:
    """Inputs held for a few ticks each, from sound values to the ends of 32 bits."""
    wild = (-(2**31), -1, 0, 2**31 - 1)
    for _ in range(count):
        sample = Inputs(
            hall_counts=rng.choice([rng.choice(wild), 600, rng.randint(0, 4095), rng.randint(550, 650)]),
            sensor_supply_mv=rng.choice([rng.choice(wild), 5000, 5000, rng.randint(4000, 6000)]),
            bus_mv=rng.choice([rng.choice(wild), 55_000, rng.randint(40_000, 60_000)]),
            pack_ma=rng.choice([rng.choice(wild), 0, rng.randint(0, 300_000)]),
            deadman=rng.choice([0, 1, 1, 7]),
            mode_button=rng.choice([0, 0, 1, -3]),
            kill_cord=rng.choice([1, 1, 1, 1, 1, 1, 0, 2]),
            left_rpm=rng.choice([rng.choice(wild), -1, -1, rng.randint(0, 3000)]),
            right_rpm=rng.choice([rng.choice(wild), -1, -1, rng.randint(0, 3000)]),
        )
        for _ in range(rng.choice([1, 1, 3, 40])):
            yield sample


class Int32(int):
    """An integer that refuses to leave 32 bits, and what C and Python would do differently."""


def _checked(name: str) -> Callable[..., Int32]:
    plain = getattr(int, name)

    def method(self: int, other: int) -> Int32:
        if "floordiv" in name or "mod" in name or "shift" in name:
            assert self >= 0, f"{name} of negative numbers: {int(self)}, {int(other)}"
            assert other >= 0, f"{name} of negative numbers: {int(self)}, {int(other)}"
        result = plain(self, other)
        assert -(2**31) <= result < 2**31, f"{name} leaves 32 bits: {int(self)}, {int(other)}"
        return Int32(result)

    return method


for _operator in ("add", "sub", "mul", "floordiv", "mod", "lshift", "rshift"):
    for _name in (f"__{_operator}__", f"__r{_operator}__"):
        setattr(Int32, _name, _checked(_name))
Int32.__neg__ = lambda self: Int32(0) - self  # type: ignore[method-assign]


def check_32_bits(monkeypatch: Any, *modules: ModuleType) -> None:
    """Make the modules' constants checked integers too, so that checking never gets lost."""
    for module in modules:
        for name, value in list(vars(module).items()):
            if type(value) is int:
                monkeypatch.setattr(module, name, Int32(value))


_marked: set[FunctionType] = set()


def _mark(function: FunctionType) -> None:
    """Let numba compile what a step calls: functions of its module, or of a module it names."""
    for name in function.__code__.co_names:
        found = function.__globals__.get(name)
        inside = vars(found) if isinstance(found, ModuleType) else {name: found}
        for helper in (inside.get(key) for key in function.__code__.co_names):
            ours = isinstance(helper, FunctionType) and helper.__module__.startswith("controllers.")
            if ours and helper not in _marked:
                _marked.add(helper)
                _mark(helper)
                register_jitable(helper)


def compiled(step: FunctionType) -> Any:
    """The step as numba compiles it."""
    _mark(step)
    return njit(step)
