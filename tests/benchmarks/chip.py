"""The exported C against the Python at length: every scenario of the suite and millions of random ticks; its time.

Run it by hand: ``python tests/benchmarks/chip.py``, with ``--ticks`` for another number than ten million for each
controller. It ends with 1 if a single command, or the last state, differs. What pytest tries of it is in
``test_chip_suite.py`` and ``test_chip_back_to_back.py``. Needs C compilers, those of the three cores among them, numba
and unicorn.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from chip_cores import STATE, Core
from chip_programs import write_c
from chip_suite import differences, groups
from test_chip_back_to_back import COMPILERS, Made, python_answers, random_ticks

from controllers.board import Command, Inputs
from sim.bench.control import Watched, load_controller
from sim.chip.isolated import Isolated
from sim.chip.shared import Shared
from sim.chip.size import TARGETS, size_on

SETS = (("first_draft", None), ("reference", None), ("reference", "reference_button"))
MILLION = 1_000_000
STEPS = 20_000


def made(name: str, params: str | None, folder: Path) -> Made:
    """A shipped controller and its C."""
    controller = load_controller(name, 1000, params)
    assert isinstance(controller.step, Watched)
    step = controller.step.bare
    return Made(controller, step, write_c(controller.initial, step, controller.params, folder))


def by_million(one: Made, millions: int) -> Iterator[str]:
    """Differences over so many million ticks, each million from a reset on, by every compiler."""
    chips = [Shared(one.source, Inputs, Command, compiler=compiler) for compiler in COMPILERS]
    for seed in range(1000, 1000 + millions):
        rows = random_ticks.__wrapped__(MILLION, seed)
        state, answers = python_answers(one, rows)
        for chip, compiler in zip(chips, COMPILERS, strict=True):
            after, said = chip.steps(chip.initial(), rows.tobytes())
            wrong = np.flatnonzero((np.frombuffer(said, dtype=np.int32).reshape(answers.shape) != answers).any(axis=1))
            if wrong.size or np.frombuffer(after, dtype=np.int32).tolist() != state:
                yield f"{compiler}, seed {seed}: first at tick {wrong[0] if wrong.size else 'none, but the last state'}"


def on_cores(one: Made, folder: Path) -> Iterator[str]:
    """What emulated cores come by, beside what is told of them: one tick in twenty is counted."""
    rows = random_ticks(24_000, 3)[4_000:16_000].tolist()
    for target in TARGETS:
        told = size_on(target, one.source)
        quick, counting = (Core(target, one.source, folder, counting=each) for each in (False, True))
        quick.call("throttle_initial", STATE)
        most = deepest = 0
        for tick, row in enumerate(rows):
            if tick % 20 == 0:
                counting.machine.mem_write(STATE, quick.state(told.state))
                counting.step(row, len(Command._fields))
                most, deepest = max(most, counting.instructions), max(deepest, counting.stack)
            quick.step(row, len(Command._fields))
        met = f"{most} instructions met, {told.longest} told; {deepest} bytes of stack met, {told.stack} told"
        yield f"  {target.name}: flash {told.flash}, state {told.state}, static {told.static}; {met}; {told.compiler}"


def step_us(one: Made) -> dict[str, float]:
    """Microseconds of one step on the bench, each way; the best of five rounds."""
    rows = [Inputs(*row) for row in random_ticks(MILLION, 20)[:STEPS].tolist()]
    controller = one.controller
    found = {"Python": best(controller.initial, one.step, controller.params, rows)}
    shared = Shared(one.source, Inputs, Command)
    found["C in this process"] = best(shared.initial, shared.step, None, rows)
    with Isolated(one.source, Inputs, Command) as chip:
        found["C in a process of its own"] = best(chip.initial, chip.step, None, rows)
    return found


def best(initial: object, step: object, params: object, rows: list[Inputs]) -> float:
    """Wall clock of one step in microseconds: the other process works meanwhile."""
    times = []
    for _ in range(5):
        state = initial(params)  # type: ignore[operator]
        began = time.perf_counter()
        for row in rows:
            state, _ = step(params, state, row)  # type: ignore[operator]
        times.append((time.perf_counter() - began) / len(rows) * 1e6)
    return min(times)


def main() -> int:
    """Print what was tried and what differs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ticks", type=int, default=10 * MILLION, help="of each controller; whole millions")
    millions = max(parser.parse_args().ticks // MILLION, 1)
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        scenarios = ticks = 0
        for paths in groups().values():
            done, found = differences(paths, Path(folder))
            scenarios, ticks, wrong = scenarios + len(paths), ticks + done, wrong + len(found)
            print(*found, sep="\n", end="\n" if found else "")
        print(f"suite: {scenarios} scenarios, {len(groups())} controllers with their parameters, {ticks} ticks")
        for name, params in SETS:
            one = made(name, params, Path(folder))
            found = list(by_million(one, millions))
            wrong += len(found)
            print(*found, sep="\n", end="\n" if found else "")
            print(f"{name}, {params or 'its own set'}: {millions} million ticks by each of {len(COMPILERS)} compilers")
            print(*on_cores(one, Path(folder)), sep="\n")
            print("  a step: " + ", ".join(f"{way} {took:.1f} us" for way, took in step_us(one).items()))
    print("no difference" if not wrong else f"{wrong} DIFFER")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
