"""The C equals the Python, number for number, compiled with every check that the compilers have."""

from __future__ import annotations

import random
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numba
import numpy as np
import pytest
from chip_programs import Maker, any_number, flat, module_of, write_c
from controller_runs import any_inputs
from numpy.typing import NDArray

import sim
from controllers.board import Command, Inputs
from sim.base.compile import compiled
from sim.bench.control import Controller, Watched, load_controller
from sim.bench.loop import ControllerError
from sim.bench.run import Bench, simulate
from sim.chip.building import compilers
from sim.chip.isolated import Isolated
from sim.chip.shared import Shared
from sim.jobs.case import load_case

STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror", "-O2")
CHECKED = ("-g", "-fsanitize=undefined,address", "-fno-sanitize-recover=all")
COMPILERS = sorted({Path(found).resolve(): found for found in compilers()}.values())

Rows = NDArray[np.int32]


@dataclass(frozen=True)
class Made:
    """A shipped controller and its C."""

    controller: Controller
    step: Any
    source: Path


@pytest.fixture(scope="module", params=[("first_draft", None), ("reference", None), ("reference", "reference_button")])
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Each shipped controller and set, written as C."""
    controller = load_controller(request.param[0], 1000, request.param[1])
    assert isinstance(controller.step, Watched)
    step = controller.step.bare
    folder = tmp_path_factory.mktemp("chip")
    return Made(controller, step, write_c(controller.initial, step, controller.params, folder))


def test_there_is_a_compiler() -> None:
    """One C compiler at least is there: what follows tries all that are."""
    assert COMPILERS


@pytest.mark.parametrize("compiler", COMPILERS)
def test_it_compiles_without_a_warning(made: Made, compiler: str) -> None:
    """With every warning asked for, as an error, no compiler has anything to say."""
    done = subprocess.run(
        [compiler, *STRICT, "-c", str(made.source), "-o", str(made.source.with_suffix(".o"))],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


REST = Inputs(600, 5000, 52_000, 0, 0, 0, 1, 0, 0)
PRESSED = REST._replace(deadman=1)
DRIVING = PRESSED._replace(hall_counts=3450, pack_ma=90_000, left_rpm=1500, right_rpm=1500)
# What happens in a ride, and for how many ticks at most.
SCENES = (
    (REST, 2700),
    (REST, 700),
    (PRESSED, 150),
    (PRESSED, 250),
    (REST._replace(mode_button=1), 250),
    (DRIVING, 1500),
    (DRIVING._replace(hall_counts=1500), 500),
    (DRIVING._replace(bus_mv=44_000), 300),
    (DRIVING._replace(pack_ma=140_000), 300),
    (DRIVING._replace(left_rpm=0), 1300),
    (DRIVING._replace(right_rpm=0), 1300),
    (DRIVING._replace(left_rpm=-1, right_rpm=-1), 400),
    (DRIVING._replace(hall_counts=0), 200),
    (DRIVING._replace(hall_counts=4095), 200),
    (DRIVING._replace(sensor_supply_mv=4000), 200),
    (REST._replace(kill_cord=0), 100),
)
# A start, three presses, and a ride: by chance alone few runs would come so far.
RIDE = ((REST, 2700), *(((PRESSED, 150), (REST, 150)) * 3), (REST, 800), (PRESSED, 200), (DRIVING, 1000))


def rides(rng: np.random.Generator, ticks: int) -> Iterator[Rows]:
    """Rides through everything that can happen, with noise on the lever and a wild sample now and then."""
    done = 0
    while done < ticks:
        scenes = []
        for scene, most in RIDE if rng.random() < 0.3 else [SCENES[rng.integers(len(SCENES))]]:
            # Mostly as long as it takes, at times cut short.
            scenes += [scene] * (most if rng.random() < 0.8 else int(rng.integers(1, most + 1)))
        rows = np.array(scenes, dtype=np.int32)
        rows[:, 0] += rng.integers(-3, 4, len(rows), dtype=np.int32)
        wild = rng.random(len(rows)) < 0.001
        rows[wild, 0] = rng.choice([0, 4095, 2**31 - 1, -(2**31)], int(wild.sum()))
        yield rows
        done += len(rows)


@cache
def random_ticks(count: int, seed: int) -> Rows:
    """Half rides, half numbers up to the ends of 32 bits, held for one to forty ticks."""
    ridden = np.concatenate(list(rides(np.random.default_rng(seed), count // 2)))
    held = any_inputs(random.Random(seed), count)
    wild = np.array([next(held) for _ in range(count - len(ridden))], dtype=np.int64).astype(np.int32)
    return np.concatenate([ridden, wild])[:count]


def python_answers(made: Made, rows: Rows) -> tuple[list[int], Rows]:
    """The Python's last state and every command, compiled with numba."""
    step = compiled(made.step)

    @numba.njit  # type: ignore[untyped-decorator]
    def driven(params: Any, state: Any, rows: Any, answers: Any) -> Any:
        for tick in range(len(rows)):
            row = rows[tick]
            inputs = Inputs(row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8])
            state, command = step(params, state, inputs)
            for field in range(len(command)):
                answers[tick, field] = command[field]
        return state

    answers = np.zeros((len(rows), len(Command._fields)), dtype=np.int64)
    params = made.controller.params
    state = driven(params, made.controller.initial(params), rows.astype(np.int64), answers)
    return flat(state), answers


@dataclass(frozen=True)
class Answered:
    """A million ticks, and what the Python makes of them."""

    rows: Rows
    state: list[int]
    answers: Rows


@pytest.fixture(scope="module")
def answered(made: Made) -> Answered:
    """Rides with faults and random numbers, extremes among them, through the Python."""
    rows = random_ticks(1_000_000, seed=20)
    return Answered(rows, *python_answers(made, rows))


def test_a_million_ticks_go_everywhere(made: Made, answered: Answered) -> None:
    """The ticks are no test of what they never come by: they come to every mode, and to most reasons."""
    seen = set(answered.answers[:, Command._fields.index("mode")].tolist())
    assert seen == set(made.controller.modes)
    reasons = set(answered.answers[:, Command._fields.index("reason")].tolist())
    assert len(reasons) >= 0.7 * len(made.controller.reasons)


def same(chip: Shared | Isolated, answered: Answered) -> None:
    """Every command and the last state are those of the Python; whole numbers of 32 bits in the Python's order."""
    after, said = chip.steps(chip.initial(), answered.rows.tobytes())
    found = np.frombuffer(said, dtype=np.int32).reshape(answered.answers.shape)
    different = np.flatnonzero((found != answered.answers).any(axis=1))
    assert different.size == 0, f"at tick {different[0]}: {found[different[0]]} for {answered.answers[different[0]]}"
    assert np.frombuffer(after, dtype=np.int32).tolist() == answered.state


@pytest.mark.parametrize("compiler", COMPILERS)
def test_a_million_ticks_are_the_same(made: Made, answered: Answered, compiler: str) -> None:
    """Over a million ticks every command, and the last state as it lies in memory, is that of the Python."""
    same(Shared(made.source, Inputs, Command, compiler=compiler), answered)


@pytest.mark.parametrize("compiler", COMPILERS)
def test_no_tick_is_undefined_behaviour(made: Made, answered: Answered, compiler: str) -> None:
    """Under the sanitizers for undefined behaviour and memory the same ticks run through, with the same answers."""
    with Isolated(made.source, Inputs, Command, limit_s=60.0, flags=CHECKED, compiler=compiler) as checked:
        same(checked, answered)


def runs(module: ModuleType, rng: random.Random, ticks: int) -> list[Any]:
    """Inputs held for a few ticks each, from small ones to the ends of 32 bits."""
    found = []
    while len(found) < ticks:
        sample = module.Inputs(*(any_number(rng) for _ in module.Inputs._fields))
        found += [sample] * rng.choice([1, 1, 5])
    return found


@pytest.mark.parametrize("seed", range(10))
def test_random_programs_are_the_same(seed: int, tmp_path: Path) -> None:
    """So do random programs with operators of numbers of both signs, under the sanitizers, and without a warning."""
    rng = random.Random(seed)
    module = module_of(Maker(rng).source(), tmp_path)
    params = module.Params(tick_us=1000, gain=rng.randint(-20, 20), zero=0)
    source = write_c(module.initial, module.step, params, tmp_path)
    state = module.initial(params)
    rows = np.array(runs(module, rng, 3000), dtype=np.int64)
    answers = []
    for row in rows.tolist():
        state, command = module.step(params, state, module.Inputs(*row))
        answers.append(command)
    # By chance a number is compared with itself, which compilers like no better than readers.
    flags = (*CHECKED, *(flag for flag in STRICT if flag.startswith("-W")), "-Wno-tautological-compare")
    with Isolated(source, module.Inputs, module.Command, limit_s=60.0, flags=flags) as chip:
        after, said = chip.steps(chip.initial(), rows.astype(np.int32).tobytes())
    assert np.frombuffer(said, dtype=np.int32).reshape(-1, 2).tolist() == [list(command) for command in answers]
    assert np.frombuffer(after, dtype=np.int32).tolist() == flat(state)


@pytest.fixture(scope="module")
def dive() -> Bench:
    """Moorhen's first draft in a pool, eight seconds of it, interpreted."""
    (path,) = (Path(sim.__file__).parent / "moorhen").glob("2_*.scenario.yaml")
    bench = load_case(path).bench
    return replace(bench, scenario=bench.scenario.model_copy(update={"duration_s": 8.0}), engine="interpreted")


def on_the_chip(bench: Bench, chip: Isolated, source: Path) -> Bench:
    """The same bench with the controller in C."""
    named = replace(bench.controller, path=source, params=(), initial=chip.initial, step=Watched(chip.step))
    return replace(bench, controller=named)


def in_c(bench: Bench, folder: Path) -> Path:
    assert isinstance(bench.controller.step, Watched)
    return write_c(bench.controller.initial, bench.controller.step.bare, bench.controller.params, folder)


def test_a_dive_with_the_c_is_the_same_dive(dive: Bench, tmp_path: Path) -> None:
    """In the closed loop, step by step in a process of its own, the C leaves every column as the Python does."""
    source = in_c(dive, tmp_path)
    plain = simulate(dive).table
    with Isolated(source, Inputs, Command) as chip:
        table = simulate(on_the_chip(dive, chip, source)).table
    assert [name for name in plain.columns if not np.array_equal(plain[name], table[name])] == []


def test_a_hang_of_the_c_is_the_failure_of_its_run(dive: Bench, tmp_path: Path) -> None:
    """The bench says which file failed, when in the dive, and how."""
    source = in_c(dive, tmp_path)
    text = source.read_text(encoding="utf-8")
    begins = text.index("{", text.index("void throttle_step(")) + 1
    source.write_text(text[:begins] + "while (inputs->deadman == 1) { }" + text[begins:], encoding="utf-8")
    with (
        Isolated(source, Inputs, Command, limit_s=0.5) as chip,
        pytest.raises(ControllerError, match=r"throttle\.c: at 3\.2\d\d s: ChipError: .* gave no answer within 0\.5 s"),
    ):
        simulate(on_the_chip(dive, chip, source))
