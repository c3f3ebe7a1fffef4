"""What the exhaustive look costs: every walk of the reference's scope, one at a time, and what one transition takes.

Run it alone on a quiet machine: ``python tests/benchmarks/explore.py``; the time of
compiling is not counted. Seconds are of the processor, which other work on the
machine slows less than the clock's; memory is that of the walk's own arrays.
The last line is the plain Python walk over a small round.
"""

import os
import time
from collections.abc import Callable

from sim.jobs.explore import plain, walker
from sim.jobs.explore.explore import STATES_MAX
from sim.jobs.explore.scope import Task, load_scope, scope_path, tasks
from sim.jobs.explore.space import Space, Walk

FEW_READINGS = {"hall_counts": (516, 1800), "deadman": (0, 1), "kill_cord": (1, 0)}


Walked = Callable[[Space, int], Walk]


def measured(task: Task, walked: Walked) -> float:
    """Walk a task and print its line; the seconds it took."""
    begun = time.process_time()
    walk = walked(task.space, STATES_MAX)
    took_s = time.process_time() - begun
    counts = f"{walk.states:>11,}{walk.transitions:>14,}{walk.depth:>7}"
    costs = f"{took_s:>9.2f}{1e9 * took_s / walk.transitions:>9.0f}{walk.memory_bytes / 1e6:>8.0f}"
    print(f"{f'{task.name}, {task.round}':<40}{counts}{costs}  {walk.ended}", flush=True)
    return took_s


def main() -> None:
    """Print the table."""
    path = scope_path("reference", "reference")
    scope = load_scope(path)
    print(f"load {os.getloadavg()[0]:.1f} at the start\n")
    heads = f"{'states':>11}{'transitions':>14}{'depth':>7}{'s':>9}{'ns each':>9}{'MB':>8}"
    print(f"{'property, readings of':<40}{heads}")
    planned = tasks(scope, path, "reference")
    for task in planned:
        walker.ready(task.space)
    total_s = sum(measured(task, walker.walked) for task in planned)
    print(f"{'all of them':<72}{total_s:>9.2f}\n")
    few = scope.rounds[0].model_copy(
        update={"name": "hands, plain Python", "prove": ("kill",), "readings": FEW_READINGS}
    )
    (task,) = tasks(scope.model_copy(update={"rounds": (few,)}), path, "reference")
    measured(task, plain.walked)


if __name__ == "__main__":
    main()
