"""How fast the interpreted closed loop runs: simulated seconds for each second of processor time, one core.

Run it alone: ``python tests/benchmarks/speed.py``. Each line is the best of
five runs of the same ten seconds; the ratio in the last column is against the
first line, and means more than the figure, which is the machine's.
"""

import time
from pathlib import Path

from sim.bench import build, loop
from sim.bench.run import physics, set_up
from sim.bench.scenario import Scenario
from sim.bench.tapes import draw

MOORHEN = Path(__file__).parents[2] / "sim" / "moorhen" / "moorhen.yaml"
RIDER = [
    {"at_s": 0.0, "deadman": "false"},
    {"at_s": 3.5, "deadman": "true"},
    {"at_s": 4.0, "lever_frac": 1.0},
    {"at_s": 9.0, "lever_frac": 0.0},
]
RUNS = 5
LENGTH_S = 10.0


def simulated_per_second(controller: str, substeps: int) -> float:
    """Simulated over processor seconds of the loop alone, best of several."""
    scenario = Scenario.model_validate(
        {
            "name": "speed",
            "vehicle": str(MOORHEN),
            "controller": controller,
            "water": {"kind": "pool"},
            "attitude": "towed",
            "rider": RIDER,
            "duration_s": LENGTH_S,
            "substeps": substeps,
        }
    )
    bench = set_up(scenario, Path("speed.scenario.yaml"))
    params, start = physics(bench)
    tapes = draw(scenario, bench.vehicle, bench.water)
    senses_params = build.senses_params(bench.vehicle, scenario.tick_us)
    best = 0.0
    for _ in range(RUNS):
        begun = time.process_time()
        loop.run(bench.controller, senses_params, params, start, tapes)
        best = max(best, LENGTH_S / (time.process_time() - begun))
    return best


def main() -> None:
    """Print the table."""
    first = 0.0
    print("full world at 1 kHz, pool, towed, driving half of the time; interpreted, one core\n")
    print(f"{'controller':<14}{'substeps':>9}{'simulated s per s':>20}{'ratio':>8}")
    for controller, substeps in (("first_draft", 1), ("reference", 1), ("reference", 2), ("reference", 4)):
        speed = simulated_per_second(controller, substeps)
        first = first or speed
        print(f"{controller:<14}{substeps:>9}{speed:>20.1f}{speed / first:>8.2f}")


if __name__ == "__main__":
    main()
