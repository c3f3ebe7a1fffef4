"""How often something was met in a file, and where first (row 1)."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault
from sim.record.lines import told

# How many places are named before "and N more".
SHOWN = 3
# And how much of a cell's text.
SHOWN_LETTERS = 40


@dataclass(slots=True)
class Tally:
    """How often something was met, and the first few places with what stood there."""

    count: int = 0
    first: list[tuple[int, str]] = field(default_factory=list)

    def add(self, line: int, text: str = "") -> None:
        """Count one more, and keep its place while it is among the first."""
        self.count += 1
        if len(self.first) < SHOWN:
            self.first.append((line, told(text[:SHOWN_LETTERS])))

    def places(self) -> str:
        """`line 7`, `lines 7, 9`, or `lines 7, 9, 12 and 40 more`."""
        named = ", ".join(str(line) for line, _ in self.first)
        return f"line{'s' if self.count > 1 else ''} {named}{self._more()}"

    def texts(self) -> str:
        """The same, with what stood there: `'ERR' in line 7, '?' in line 9 and 40 more`."""
        return ", ".join(f"{text!r} in line {line}" for line, text in self.first) + self._more()

    def faults(self, path: str, key: str, expected: str, column: int | None = None) -> list[Fault]:
        """One fault for each of the first places; the last of them also says how many more there are."""
        got = [(line, text) for line, text in self.first]
        if self.count > len(got):
            line, text = got.pop()
            got.append((line, f"{text}{self._more()}"))
        return [Fault(path, key, expected, text, line, column) for line, text in got]

    def _more(self) -> str:
        return f" and {self.count - len(self.first)} more" if self.count > len(self.first) else ""


def tally_of(first: NDArray[np.int64], count: int) -> Tally:
    """A tally of a count and its first lines."""
    return Tally(count, [(int(line), "") for line in first[:SHOWN]])


class RowLines:
    """Which line of the file each row stands in, kept as the few rows before which lines were passed over."""

    def __init__(self) -> None:
        self._rows = array("q")
        self._lines = array("q")
        self._size = 0
        self._next = -1

    def __len__(self) -> int:
        return self._size

    @property
    def last(self) -> int:
        """The line of the last row."""
        return self._next - 1

    def run(self, line: int, count: int) -> None:
        """So many rows follow that stand one below the other."""
        if line != self._next:
            self._rows.append(self._size)
            self._lines.append(line)
        self._size += count
        self._next = line + count

    def add(self, lines: Sequence[int]) -> None:
        """The lines of the rows that follow."""
        if not lines:
            return
        numbers = np.asarray(lines, dtype=np.int64)
        breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
        if numbers[0] != self._next:
            breaks = np.concatenate(([0], breaks))
        self._rows.extend((self._size + breaks).tolist())
        self._lines.extend(numbers[breaks].tolist())
        self._size += len(numbers)
        self._next = int(numbers[-1]) + 1

    def of(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """The lines of these rows."""
        starts, lines = np.asarray(self._rows, dtype=np.int64), np.asarray(self._lines, dtype=np.int64)
        before = np.searchsorted(starts, rows, side="right") - 1
        return lines[before] + (rows - starts[before]) if len(starts) else np.empty(0, dtype=np.int64)

    def line(self, row: int) -> int:
        """The line of one row."""
        return int(self.of(np.array([row]))[0])
