"""How much room is left over ramp time and cap: the map that the search went over (row 4)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.files import write_text
from sim.jobs.tune.bed import Bed, Settings
from sim.jobs.tune.binding import BROKEN, Binding, rooms
from sim.jobs.tune.values import CAP_GRID, RAMP_GRID_MS, Values

# Places along each axis besides those of the drive found.
CAPS, RAMPS = 9, 7


class Cell(NamedTuple):
    """The least room at a ramp and a cap, over the corners looked at, and whose it is; None where no limit has a room.

    room : as in `Binding`, broken without a distance is -1.
    """

    ramp_ms: int
    cap_permille: int
    room: float
    limit: str
    corner: str


class Chart(NamedTuple):
    """The map.

    cells : of each cap, from the lowest, each ramp, from the quickest.
    corners : how many were looked at: of each limit those where it is nearest.
    """

    ramps_ms: tuple[int, ...]
    caps_permille: tuple[int, ...]
    cells: tuple[tuple[Cell, ...], ...]
    corners: int

    def rooms(self) -> NDArray[np.float64]:
        """The least room, shape (caps, ramps)."""
        return np.array([[cell.room for cell in row] for row in self.cells], dtype=np.float64)

    def write(self, path: Path) -> None:
        """Write every cell as CSV.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        lines = [",".join(Cell._fields)]
        for cell in (cell for row in self.cells for cell in row):
            lines.append(f'{cell.ramp_ms},{cell.cap_permille},{cell.room:.4f},{cell.limit},"{cell.corner}"')
        write_text(path, "\n".join(lines) + "\n")


def chart(bed: Bed, values: Values, cap: int, ramp_ms: int, bears: int) -> Chart:
    """Drive every cell of the map, the supply guard open.

    Parameters
    ----------
    cap, ramp_ms, bears : of the drive found, about which the map is finest.
    """
    low, high = values.ramps(values.knobs.ramp_up)
    quick = max(low, ramp_ms // 20, RAMP_GRID_MS)
    ramps = {*np.geomspace(quick, max(high, ramp_ms), RAMPS).round().astype(int).tolist(), ramp_ms}
    ramps |= {max(ramp_ms - RAMP_GRID_MS, quick), max(values.before[values.knobs.ramp_up], low)}
    caps = {*np.linspace(values.full // 5, values.full, CAPS).round().astype(int).tolist(), cap, bears}
    caps |= {min(bears + CAP_GRID, values.full), values.top_wish}
    places = _nearest(bed, values, [values.at(cap, ramp_ms), values.at(values.full, quick), values.at(bears)])
    every = {(cap, ms): values.at(cap, ms) for cap in sorted(caps) for ms in sorted(ramps)}
    bed.drives([*every.values(), values.at(1)], places)
    cells = tuple(
        tuple(_cell(bed, values, every[cap, ms], ms, cap, places) for ms in sorted(ramps)) for cap in sorted(caps)
    )
    return Chart(tuple(sorted(ramps)), tuple(sorted(caps)), cells, len(places))


def _nearest(bed: Bed, values: Values, every: Sequence[Settings]) -> list[int]:
    """The corners where any limit is nearest with any of some settings."""
    bed.drives([*every, values.at(1)])
    found = set()
    for settings in every:
        least: dict[str, tuple[float, int]] = {}
        for place, each in _rooms(bed, values, settings, bed.active):
            least[each.limit] = min(least.get(each.limit, (float("inf"), place)), (each.room, place))
        found |= {place for _, place in least.values()}
    return sorted(found)


def _rooms(bed: Bed, values: Values, settings: Settings, places: Sequence[int]) -> Iterator[tuple[int, Binding]]:
    for place in places:
        for each in rooms(bed, settings, values.at(1), place):
            yield place, each


def _cell(bed: Bed, values: Values, settings: Settings, ramp_ms: int, cap: int, places: Sequence[int]) -> Cell:
    every = [each for _, each in _rooms(bed, values, settings, places)]
    # One with a distance tells more than one without.
    least = min(every, key=lambda each: (-1.0 if each.room == BROKEN else each.room, each.room == BROKEN), default=None)
    if least is None:
        return Cell(ramp_ms, cap, 1.0, "", "")
    return Cell(ramp_ms, cap, max(least.room, -1.0), least.limit, least.corner.name)
