"""What of a recording cannot well be: a unit mistaken, a contact the wrong way round, no drive at all (row 4)."""

from __future__ import annotations

from collections.abc import Iterator

from sim.bench.run import asks_for_drive
from sim.jobs.replay import Replay

# Common practice, no source: a logger of a drive takes many samples a second; a bus is of some tens of volts, and stays
# within this factor of what the ESCs need; the converter has 12 bits, and an idle sensor reads tens of counts.
EVERY_S = 1.0
BUS_V = (1.0, 1000.0)
CUT_FACTOR = 4.0
COUNTS = (16.0, 4095.0)


def doubts(done: Replay) -> Iterator[str]:
    """A sentence for each; nothing is refused for it, and nothing mended."""
    table = done.table
    if done.every_s > EVERY_S:
        yield f"a sample comes every {done.every_s:g} s: is the clock in the unit it was taken for?"
    lowest, highest = COUNTS
    most = float(table["hall_counts"].max())
    if not lowest <= most <= highest:
        usual = f"those of a 12-bit converter reach from {lowest:g} to {highest:g}"
        yield f"hall_counts reach {most:g} at the most: {usual}"
    bus_v = 1e-3 * float(table["bus_mv"].max())
    cut_v = done.limits.get("esc_cut_v", 0.0)
    low, high = (cut_v / CUT_FACTOR, cut_v * CUT_FACTOR) if cut_v else BUS_V
    if bus_v and not low <= bus_v <= high:
        needed = f", where the ESCs need {cut_v:g} V" if cut_v else ""
        yield f"the bus reaches {bus_v:g} V at the most{needed}: is it in the unit it was taken for?"
    if table["deadman"][0] == 1:
        yield "the dead-man is pressed as the recording begins, and nothing starts before it is let go: is it inverted?"
    if not asks_for_drive(table, done.limits):
        yield "no pulse asks for drive: what is to stop or bound it has not been tried"
