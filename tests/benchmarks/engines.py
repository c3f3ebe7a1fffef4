"""How fast the closed loop runs, beside other ways to run the same equations: processor time, one core.

Run it alone on a quiet machine: ``python tests/benchmarks/engines.py``. It needs
a C compiler and ``pip install numba control``. The full world at 1 kHz, towed in
a pool, driving half of the time, under each controller. Every way is given the
same tapes and keeps the same columns; each figure is the best of several rounds,
in which all ways take turns. The slow ones run a shorter ride of the same shape,
and a tick's time is what is compared.

The loop in C was written by hand for this, the first draft with it; the
reference in C is what `export` makes of it, its parameters constants. "World
compiled" is the compiled engine with the controller called back in Python.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np
from general import by_python_control, by_solve_ivp
from in_c import LoopInC, compiler

from sim.bench import engine, loop
from sim.bench.control import Controller
from sim.bench.loop import RECORDED
from sim.bench.run import Prepared, prepare, set_up
from sim.bench.scenario import Scenario

MOORHEN = Path(__file__).parents[2] / "sim" / "moorhen" / "moorhen.yaml"
CONTROLLERS = ("first_draft", "reference")
# What every way can give; and, where a way can, all that the loop records.
FEW = ("bus_v", "left_rad_s")
LONG_S, SHORT_S, START_S = 60.0, 7.2, 3.6
# The largest difference from the interpreted loop, over the column's largest value: rounding; and for solve_ivp what
# one substep a tick makes of a ramp (0.4 %, and 0.04 % with four substeps).
SAME, NEAR = 1e-9, 5e-3
IN_C, COMPILED, MIXED, INTERPRETED = "loop in C, -O2", "compiled", "world compiled", "interpreted"
PYTHON_CONTROL, SOLVE_IVP = "python-control", "scipy solve_ivp"
COLD = """
import sys, time
begun = time.process_time()
sys.path.insert(0, {here!r})
from engines import bench_of
from sim.bench import engine
from sim.bench.run import prepare
controller, ready = bench_of({controller!r}, 1.0)
first = time.process_time()
engine.run(engine.choose("compiled", controller, 1000), controller, *ready, columns=("bus_v",))
print(first - begun, time.process_time() - first)
"""


def bench_of(controller: str, length_s: float, substeps: int = 1) -> tuple[Controller, Prepared]:
    """A ride that drives half of its time."""
    scenario = Scenario.model_validate(
        {
            "name": "speed",
            "vehicle": str(MOORHEN),
            "controller": controller,
            "water": {"kind": "pool"},
            "attitude": "towed",
            "rider": [
                {"at_s": 0.0, "deadman": False},
                {"at_s": START_S - 0.3, "deadman": True},
                {"at_s": START_S, "lever_frac": 1.0},
                {"at_s": START_S + 0.5 * LONG_S, "lever_frac": 0.0},
            ],
            "duration_s": length_s,
            "substeps": substeps,
        }
    )
    bench = set_up(scenario, Path("speed.scenario.yaml"))
    return bench.controller, prepare(bench)


@dataclass
class Way:
    """One way to run the loop, its ride, and the shortest time a tick of it took."""

    name: str
    run: Callable[[], np.ndarray]
    ticks: int
    best_s: float = field(default=float("inf"))

    def once(self) -> None:
        """One more round."""
        begun = time.process_time()
        self.run()
        self.best_s = min(self.best_s, (time.process_time() - begun) / self.ticks)


def ways(controller_name: str, folder: Path, columns: tuple[str, ...], all_ways: bool) -> list[Way]:
    """Every way with its ride at hand; each has shown that it runs the same loop."""
    controller, long_ride = bench_of(controller_name, LONG_S)
    _, short_ride = bench_of(controller_name, SHORT_S)
    compiled = engine.choose(engine.COMPILED, controller, len(long_ride.tapes))
    in_c = LoopInC(controller, folder)
    found = [
        way_of(IN_C, lambda: in_c.run(long_ride, columns), controller, long_ride, columns),
        way_of(
            COMPILED,
            lambda: engine.run(compiled, controller, *long_ride, columns=columns),
            controller, long_ride, columns,
        ),
        way_of(
            MIXED,
            lambda: engine.run(engine.Engine(engine.MIXED), controller, *short_ride, columns=columns),
            controller, short_ride, columns,
        ),
        way_of(
            INTERPRETED,
            lambda: loop.run(controller, *short_ride, columns=columns),
            controller, short_ride, columns,
        ),
    ]  # fmt: skip
    if all_ways:
        for name, run in ((PYTHON_CONTROL, by_python_control), (SOLVE_IVP, by_solve_ivp)):
            found.append(way_of(name, partial(run, controller, short_ride), controller, short_ride, columns))
    return found


def way_of(
    name: str, run: Callable[[], np.ndarray], controller: Controller, ride: Prepared, columns: tuple[str, ...]
) -> Way:
    """A way, after a first run that gave what the interpreted loop gives.

    Raises
    ------
    ValueError
    """
    expected = loop.run(controller, *ride, columns=columns)
    given = run()
    n = given.shape[1]
    off = np.abs(given - expected[:, :n]).max(axis=1) / np.abs(expected).max(axis=1).clip(1.0)
    if off.max() > (NEAR if name == SOLVE_IVP else SAME):
        raise ValueError(f"{name} is not the same loop: off by {off.max():g}")
    return Way(name, run, n)


def measured(contenders: list[Way], rounds: int) -> dict[str, float]:
    """Seconds a tick, by way; a fast way has more turns, and no way fewer than two."""
    for each in range(rounds):
        for way in contenders:
            if way.best_s < 10e-6 or each < max(2, rounds // 8):
                way.once()
    return {way.name: way.best_s for way in contenders}


def told(title: str, per_tick: dict[str, float], tick_s: float = 1e-3) -> None:
    """One table."""
    print(f"\n{title}\n")
    print(f"{'':<18}{'us a tick':>12}{'x real time':>13}{'/ C':>10}{'/ compiled':>12}")
    for name, seconds in per_tick.items():
        print(
            f"{name:<18}{1e6 * seconds:>12.3f}{tick_s / seconds:>13.1f}"
            f"{seconds / per_tick[IN_C]:>10.2f}{seconds / per_tick[COMPILED]:>12.1f}"
        )


def bars(per_tick: dict[str, float]) -> None:
    """What was asked of the engines, and whether it is so."""
    compiled, interpreted = per_tick[COMPILED], per_tick[INTERPRETED]
    asked = (
        ("C over compiled", per_tick[IN_C] / compiled, 1.0 / 1.5),
        ("python-control over compiled", per_tick[PYTHON_CONTROL] / compiled, 200.0),
        ("solve_ivp over compiled", per_tick[SOLVE_IVP] / compiled, 1000.0),
        ("real time over interpreted", 1e-3 / interpreted, 20.0),
    )
    print()
    for what, got, bar in asked:
        print(f"{what:<30}{got:>10.2f}, asked for {bar:.3g}: {'met' if got >= bar else 'NOT MET'}")


def by_substeps(rounds: int) -> None:
    """Both engines with the reference, as the substeps grow."""
    print(f"\n{'reference, us':<18}{COMPILED:>12}{INTERPRETED:>13}")
    for substeps in (1, 2, 4):
        controller, ready = bench_of("reference", SHORT_S, substeps)
        compiled = engine.choose(engine.COMPILED, controller, len(ready.tapes))
        n = len(ready.tapes)
        both = [
            Way(COMPILED, partial(engine.run, compiled, controller, *ready, columns=FEW), n),
            Way(INTERPRETED, partial(loop.run, controller, *ready, columns=FEW), n),
        ]
        per_tick = measured(both, rounds)
        print(f"{f'{substeps} substeps':<18}{1e6 * per_tick[COMPILED]:>12.3f}{1e6 * per_tick[INTERPRETED]:>13.1f}")


def compiling() -> None:
    """What compiling takes the first time, and loading every time after, each in a process of its own."""
    print(f"\n{'compiling, s':<18}{'imports':>12}{'first':>10}{'kept':>10}")
    with tempfile.TemporaryDirectory() as code:
        for name in CONTROLLERS:
            text = COLD.format(here=str(Path(__file__).parent), controller=name)
            spent = []
            for _ in range(2):
                environment = {**os.environ, "DRYDIVE_CODE": code}
                ran = subprocess.run(
                    [sys.executable, "-c", text], env=environment, capture_output=True, text=True, check=True
                )
                spent.append([float(word) for word in ran.stdout.split()])
            print(f"{name:<18}{spent[1][0]:>12.2f}{spent[0][1]:>10.2f}{spent[1][1]:>10.2f}")
    print("(the first line compiles the world too; the second finds it kept)")


def machine() -> str:
    """What the figures were measured on."""
    processor = platform.processor() or platform.machine()
    listed = Path("/proc/cpuinfo")
    if listed.exists():
        models = [line.partition(":")[2].strip() for line in listed.read_text().splitlines() if "model name" in line]
        processor = f"{len(models)} x {models[0]}" if models else processor
    first = subprocess.run([compiler(), "--version"], capture_output=True, text=True, check=True).stdout.splitlines()[0]
    libraries = ", ".join(f"{name} {version(name)}" for name in ("numba", "numpy", "scipy", "control"))
    return f"{processor}, {platform.system()}, Python {platform.python_version()}, {libraries}, {first}"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=40, help="rounds in which the fast ways take turns")
    rounds = parser.parse_args().rounds
    print(machine())
    with tempfile.TemporaryDirectory() as folder:
        for name in CONTROLLERS:
            per_tick = measured(ways(name, Path(folder), FEW, all_ways=True), rounds)
            told(f"{name}, {len(FEW)} columns kept", per_tick)
            bars(per_tick)
            per_tick = measured(ways(name, Path(folder), RECORDED, all_ways=False), rounds)
            told(f"{name}, all {len(RECORDED)} columns kept", per_tick)
    by_substeps(rounds)
    compiling()


if __name__ == "__main__":
    main()
