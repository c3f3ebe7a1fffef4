"""What one run of a sweep costs, and how that changes with the number of runs: the whole command, from start to end.

Run it alone on a quiet machine: ``python tests/benchmarks/sweep.py``. Each run
is ten seconds of Moorhen in a pool with eight requirements, its seed, charge
and winding drawn anew, so that nothing is drawn or solved once for several.
Processor time is that of the command and all its processes; the time on the
clock depends on whatever else the machine does. The first line, not counted,
lets the engine be compiled, which is kept. With ``--plot FILE.svg`` the table is drawn too.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from sim.face import look

MOORHEN = Path(__file__).parents[2] / "sim" / "moorhen"
COUNTS = (10, 100, 1000, 10_000)
SCENARIO = f"""
name: ten seconds
vehicle: {MOORHEN / "moorhen.yaml"}
controller: reference
water: {{kind: pool, temperature_degc: 12}}
attitude: towed
duration_s: 10
rider:
  - {{at_s: 0.0, deadman: false}}
  - {{at_s: 3.2, deadman: true}}
  - {{at_s: 3.6, lever_frac: 1.0}}
  - {{at_s: 8.5, deadman: false}}
requirements_from: {MOORHEN / "requirements.yaml"}
"""
SEEDS = "  seed: {random: whole, from: 1, to: 1000000}\n"
SWEEP = f"""
scenario: ten.scenario.yaml
quantities:
{SEEDS}\
  pack.charge_frac: {{random: uniform, from: 0.3, to: 1}}
  vehicle_set.motor.winding_ohm: {{random: uniform, from: 0.05, to: 0.06}}
"""


class Cost(NamedTuple):
    """What a sweep of so many runs took, in all."""

    runs: int
    clock_s: float
    processor_s: float
    largest_mb: float


def measured(runs: int, workers: int, *options: str, sweep: str = SWEEP) -> Cost:
    """Run the command once."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "ten.scenario.yaml").write_text(SCENARIO)
        path = Path(folder) / "cost.sweep.yaml"
        path.write_text(f"{sweep}draws: {{count: {runs}}}\n")
        command = [sys.executable, "-m", "sim.face.cli", "sweep", str(path), "--out", folder, "--quiet"]
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run([*command, "--workers", str(workers), *options], check=False)
        clock_s, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):
        raise SystemExit(f"the sweep of {runs} runs ended with exit code {done.returncode}")
    processor_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(runs, clock_s, processor_s, after.ru_maxrss / 1024.0)


def plotted(costs: list[Cost], path: Path) -> None:
    """Cost of one run against the number of runs, both axes by factors."""
    with look.styled():
        figure = look.blank(5.2, 2.9)
        axes = look.axes_at(figure, 0.7, 0.65, 4.2, 1.7)
        runs = [cost.runs for cost in costs]
        per_run_ms = [1e3 * cost.processor_s / cost.runs for cost in costs]
        axes.loglog(runs, per_run_ms, color=look.LEFT.colour, marker="o", markersize=5.0)
        for count, figure_ms in zip(runs, per_run_ms, strict=True):
            where = {"xytext": (4.0, 6.0), "textcoords": "offset points", "size": look.SMALL_PT}
            axes.annotate(f"{figure_ms:.3g} ms", (count, figure_ms), **where)
        axes.set_xlim(6.0, 4e4)
        axes.set_ylim(5.0, 3.0 * max(per_run_ms))
        ticks_ms = [tick for tick in (10, 30, 100, 300, 1000) if tick < 3.0 * max(per_run_ms)]
        axes.set_xticks(runs, [f"{count:,}".replace(",", " ") for count in runs])
        axes.set_yticks(ticks_ms, [str(tick) for tick in ticks_ms])
        axes.minorticks_off()
        axes.set_xlabel("runs in the sweep", size=look.SMALL_PT)
        axes.set_ylabel("ms a run", size=look.SMALL_PT)
        sheet = look.sheet_at(figure, 0.3, 0.0, 4.7, 0.6)
        look.say(sheet, 0.0, 0.22, "What a run of a sweep costs", look.TEXT_PT + 2.0, bold=True)
        told = "processor time from start to end, by the run; ten simulated seconds each"
        look.say(sheet, 0.0, 0.45, told, look.SMALL_PT, look.QUIET)
    look.save(figure, path.with_suffix(""))


def main() -> None:
    """Print the table, and draw it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plot", type=Path, metavar="FILE.svg")
    parser.add_argument("--counts", type=int, nargs="+", default=COUNTS)
    parser.add_argument("--same-noise", action="store_true", help="one seed for all runs, whose tapes are then shared")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    measured(10, options.workers, "--engine", "compiled")
    print(f"ten simulated seconds a run, {options.workers} processes, load {os.getloadavg()[0]:.1f} at the start\n")
    print(f"{'runs':>7}{'clock s':>10}{'processor s':>13}{'processor ms a run':>20}{'largest process MB':>20}")
    costs = []
    for count in options.counts:
        cost = measured(count, options.workers, sweep=SWEEP.replace(SEEDS, "") if options.same_noise else SWEEP)
        costs.append(cost)
        per_run_ms = 1e3 * cost.processor_s / count
        row = f"{count:>7}{cost.clock_s:>10.1f}{cost.processor_s:>13.1f}{per_run_ms:>20.1f}{cost.largest_mb:>20.0f}"
        print(row, flush=True)
    if options.plot:
        plotted(costs, options.plot)


if __name__ == "__main__":
    main()
