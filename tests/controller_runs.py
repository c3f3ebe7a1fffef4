"""What the controllers' tests share: parameters, rider scripts, runs, what no run may show, and checked integers."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import yaml
from hypothesis import strategies as st

from controllers.board import Command, Inputs

FOLDER = Path(__file__).parent.parent / "controllers"

# A healthy board with nobody touching it; tests say what differs.
QUIET = Inputs(
    hall_counts=515,
    sensor_supply_mv=5000,
    bus_mv=55_000,
    pack_ma=0,
    deadman=0,
    mode_button=0,
    kill_cord=1,
    left_rpm=-1,
    right_rpm=-1,
)
FULL = 3520


Script = list[tuple[int, dict[str, int]]]
PULL = {"hall_counts": FULL}
LET_GO = {"hall_counts": 515}
HOLD = {"deadman": 1}
RELEASE = {"deadman": 0}
CORD_OUT = {"kill_cord": 0}
CORD_IN = {"kill_cord": 1}


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
            hall_counts=rng.choice([rng.choice(wild), 515, rng.randint(0, 4095), rng.randint(465, 565)]),
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


# Random scripts. Beside single changes they hold entries that mean something together: a start sequence, a ride,
# lever and dead-man held without one, and one to four presses.
_SIGNALS = {
    "hall_counts": [515, 515, 700, 1500, 2500, FULL, 0, 4095],
    "deadman": [0, 1],
    "mode_button": [0, 1],
    "kill_cord": [0, 1],
    "bus_mv": [0, 42_000, 45_000, 55_000],
    "pack_ma": [0, 100_000, 140_000],
    "left_rpm": [-1, 0, 500],
    "sensor_supply_mv": [5000, 5000, 4000],
}
_START: Script = [(150, {**LET_GO, **RELEASE, **CORD_IN}), (60, HOLD)]
RIDE: Script = [*_START, (150, PULL)]


def _presses(contact: str, count: int) -> Script:
    return [(150, {**LET_GO, **RELEASE, contact: 0}), *[(60, {contact: 1}), (30, {contact: 0})] * count, (100, {})]


def _change(signal: str) -> st.SearchStrategy[Script]:
    return st.tuples(st.integers(1, 150), st.sampled_from(_SIGNALS[signal])).map(lambda at: [(at[0], {signal: at[1]})])


scripts: st.SearchStrategy[Script] = st.lists(
    st.one_of(
        st.sampled_from(sorted(_SIGNALS)).flatmap(_change),
        st.just(_START),
        st.just(RIDE),
        st.just([(50, {**PULL, **HOLD})]),
        st.builds(_presses, st.sampled_from(["deadman", "mode_button"]), st.sampled_from([1, 2, 3, 3, 4])),
    ),
    min_size=1,
    max_size=12,
).map(lambda parts: [entry for part in parts for entry in part])


# What no run may show: each finds the ticks that break one claim.


def driven_while(seen: list[Tick], ticks_allowed: int, condition: Callable[[Inputs], bool]) -> list[Tick]:
    """Ticks with drive although the condition has held for more than the ticks allowed."""
    broken = []
    held = 0
    for tick in seen:
        held = held + 1 if condition(tick.inputs) else 0
        if held > ticks_allowed and drive(tick) > 0:
            broken.append(tick)
    return broken


def driven_unstarted(seen: list[Tick], ticks_least: int, ticks_out: int) -> list[Tick]:
    """Ticks with drive although since the reset, or the cord was out, there was no start sequence.

    That is: the least time, then the lever near rest, there the dead-man
    released, and there the dead-man pressed.
    """
    broken = []
    since = out = progress = 0
    for tick in seen:
        since += 1
        out = out + 1 if tick.inputs.kill_cord == 0 else 0
        if out >= ticks_out:
            since = progress = 0
        if near_rest(tick):
            progress = max(progress, 1)
            progress = 2 if progress == 1 and tick.inputs.deadman == 0 else progress
            progress = 3 if progress == 2 and tick.inputs.deadman == 1 else progress
        if drive(tick) > 0 and (progress < 3 or since <= ticks_least):
            broken.append(tick)
    return broken


def stepped_under_drive(seen: list[Tick]) -> list[Tick]:
    """Ticks at which the power step rose while there was drive, or with the lever off rest."""
    return [
        after
        for before, after in itertools.pairwise(seen)
        if after.command.power_step > before.command.power_step
        and (drive(before) > 0 or drive(after) > 0 or not near_rest(after))
    ]


def near_rest(tick: Tick) -> bool:
    """The lever's reading is inside the reference's dead band, with room for noise."""
    return tick.inputs.hall_counts < 515 + 0.09 * (FULL - 515)
