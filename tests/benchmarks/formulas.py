"""How long the windows of the temporal logic take on a minute at 1 kHz, one core.

Run it alone: ``python tests/benchmarks/formulas.py``. Each line is the best of
many evaluations in one process; the ratio in the last column is against
numpy's own maximum over the same samples, and means more than the times, which
are the machine's. A window's time must not grow with its length.
"""

import time
from collections.abc import Callable

import numpy as np

from sim.record.table import Table
from sim.verdict.formula import parse
from sim.verdict.robustness import Evaluation

SAMPLES = 60_000
TICK_US = 1000
RUNS = 30
WINDOWS_S = (0.1, 0.3, 1.0, 3.0, 10.0)
NESTED = (
    "always(within({t}, held({t}, x_v >= 0.5)))",
    "always(implies(rising(x_v >= 0.5), within({t}, held({t}, y_v <= 0.5))))",
    "never(throughout({t}, once({t}, held({t}, x_v >= 0.5))))",
)
ALONE = (
    "held({t}, x_v >= 0.5)",
    "within({t}, x_v >= 0.5)",
    "throughout({t}, x_v >= 0.5)",
    "once({t}, x_v >= 0.5)",
    "until(x_v >= 0.1, y_v >= 0.9, {t})",
)


def best_s(work: Callable[[], object]) -> float:
    """The shortest of several times that the work takes."""
    shortest = float("inf")
    for _ in range(RUNS):
        begun = time.perf_counter()
        work()
        shortest = min(shortest, time.perf_counter() - begun)
    return shortest


def formulas() -> list[str]:
    """Every formula timed: each word at each length, then the nested ones at the shortest and the longest."""
    alone = [text.format(t=length) for text in ALONE for length in WINDOWS_S]
    nested = [text.format(t=length) for text in NESTED for length in (WINDOWS_S[0], WINDOWS_S[-1])]
    return ["always(x_v >= 0.5)", *alone, *nested]


def main() -> None:
    """Print the table."""
    random = np.random.default_rng(1)
    columns = {name: random.random(SAMPLES) for name in ("x_v", "y_v")}
    table = Table(TICK_US * np.arange(SAMPLES, dtype=np.int64), columns)
    yardstick_s = best_s(lambda: columns["x_v"].max())
    print(f"{SAMPLES} samples of {TICK_US / 1000:g} ms; best of {RUNS}, one core\n")
    print(f"{'formula':<78}{'ms':>8}{'ratio':>8}")
    print(f"{'numpy: maximum over the samples':<78}{1e3 * yardstick_s:>8.3f}{1.0:>8.1f}")
    for text in formulas():
        root = parse(text).root
        # A new evaluation each time, since one keeps what it has evaluated.
        took_s = best_s(lambda root=root: Evaluation(table, {}).bounds(root))
        print(f"{text:<78}{1e3 * took_s:>8.3f}{took_s / yardstick_s:>8.1f}")


if __name__ == "__main__":
    main()
