"""From lines to columns of numbers, with everything that was not a number remembered by its line (row 1)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from sim.record.dialect import NUMBER, Dialect, is_comment, split_line, split_lines
from sim.record.lines import Lines
from sim.record.opening import Opening
from sim.record.tally import RowLines, Tally

# One odd cell sends this many lines down the careful path, and no more.
_GROUP_LINES = 250
# Columns grow by this share of themselves, so that they are seldom moved and never much too large.
_GROWTH = 8
_EMPTY = frozenset({"", "nan", "na", "n/a", "#n/a", "null", "none", "nil"})

Special: TypeAlias = Callable[[str], float | None]
"""Reads a cell that is no plain number; None where it cannot."""


class Column:
    """One column while it is being read.

    special : reads what is no plain number.
    plain : whether a plain number is read as one.
    empty : cells with nothing in them, or a word for nothing.
    text : cells with something that is no finite number.
    """

    def __init__(self, special: Special | None = None, plain: bool = True) -> None:
        self.empty = Tally()
        self.text = Tally()
        self.plain = plain
        self._special = special
        self._values = np.empty(0)
        self._size = 0

    def extend(self, block: NDArray[np.float64]) -> None:
        """Add numbers."""
        size = self._size + len(block)
        if size > len(self._values):
            # Grown in place: the system moves pages and not numbers, so that there is no second copy.
            self._values.resize(size + size // _GROWTH, refcheck=False)
        self._values[self._size : size] = block
        self._size = size

    def add(self, cells: Sequence[str], lines: Sequence[int], dialect: Dialect) -> None:
        """Add cells with the lines they stand in."""
        block = _all_numbers(cells, dialect, 1) if self.plain else None
        if block is None:
            values = (self._one(cell, line, dialect) for cell, line in zip(cells, lines, strict=True))
            block = np.fromiter(values, np.float64, len(cells))
        self.extend(block.reshape(-1))

    def take(self) -> NDArray[np.float64]:
        """Hand over the column's numbers, shape (rows,), NaN where a cell held none; the column keeps nothing."""
        values, self._values = self._values, np.empty(0)
        values.resize(self._size, refcheck=False)
        return values

    def missing(self) -> list[str]:
        """The cells that hold no number, by kind."""
        texts = [f"no number: {self.text.texts()}"] if self.text.count else []
        return texts + ([f"empty cell: {self.empty.places()}"] if self.empty.count else [])

    def _one(self, cell: str, line: int, dialect: Dialect) -> float:
        text = cell.strip()
        number = dialect.with_point(text)
        if self.plain and NUMBER.fullmatch(number) and math.isfinite(value := float(number)):
            return value
        if self._special is not None and (special := self._special(text)) is not None:
            return special
        # Loggers draw a line where they have no value.
        (self.empty if text.lower() in _EMPTY or not text.strip("-") else self.text).add(line, text)
        return np.nan


class Broken(NamedTuple):
    """Rows that cannot be read, by what is wrong with them; they are left out."""

    width: Tally
    quotes: Tally
    zeros: Tally

    @property
    def total(self) -> int:
        """How many there are."""
        return self.width.count + self.quotes.count + self.zeros.count


@dataclass(slots=True)
class Cells:
    """A whole file's columns, each row's line, and what else was met.

    comments : lines for people. repeats : lines that name the columns or their units again.
    unwritten : lines of zero bytes alone. ended : rows with a separator behind their last cell.
    cut : the last line, if it has neither an end nor all its cells: its number and what there is of it.
    """

    columns: tuple[Column, ...]
    lines: RowLines = field(default_factory=RowLines)
    broken: Broken = field(default_factory=lambda: Broken(Tally(), Tally(), Tally()))
    comments: int = 0
    repeats: Tally = field(default_factory=Tally)
    unwritten: Tally = field(default_factory=Tally)
    ended: Tally = field(default_factory=Tally)
    cut: tuple[int, str] | None = None


def read_cells(source: Lines, opening: Opening, columns: Sequence[Column]) -> Cells:
    """Read the rows below the header, many at a time.

    Parameters
    ----------
    source : the lines below the header.
    opening : what the file's first lines say.
    columns : one for each column of the file.
    """
    cells = Cells(tuple(columns))
    plain = all(column.plain for column in columns)
    for number, lines in _groups(source, len(columns), opening.dialect, cells if plain else None):
        _add_lines(cells, lines, number, opening)
    if source.rest is not None:
        _add_rest(cells, *source.rest, opening)
    return cells


def _add_rest(cells: Cells, number: int, line: str, opening: Opening) -> None:
    """The last line, which has no end: where it is no whole row, the logger lost its power there."""
    row = split_line(line, opening.dialect.delimiter)
    if "\0" not in line and not is_comment(line) and (row is None or len(row) < len(cells.columns)):
        cells.cut = (number, line)
    else:
        _add_lines(cells, [line], number, opening)


def _groups(source: Lines, width: int, dialect: Dialect, into: Cells | None) -> Iterator[tuple[int, list[str]]]:
    """Put plain numbers into the columns at once; hand out a few lines about each place that needs a closer look."""
    for number, block in source.blocks():
        if into is not None and _put(into, number, block, width, dialect):
            continue
        for start in range(0, len(block), _GROUP_LINES):
            group = block[start : start + _GROUP_LINES]
            if into is None or not _put(into, number + start, group, width, dialect):
                yield number + start, group


def _put(cells: Cells, number: int, lines: Sequence[str], width: int, dialect: Dialect) -> bool:
    values = _all_numbers(lines, dialect, width)
    if values is None:
        return False
    for column, block in zip(cells.columns, values.T, strict=True):
        column.extend(block)
    cells.lines.run(number, len(lines))
    return True


def _all_numbers(lines: Sequence[str], dialect: Dialect, width: int) -> NDArray[np.float64] | None:
    """Lines of plain finite numbers as an array (lines, width), or None where one needs a closer look."""
    if not lines[0].strip():
        return None
    if dialect.decimal == ",":
        if dialect.delimiter == "," or any("." in line for line in lines):
            return None
        lines = [line.replace(",", ".") for line in lines]
    try:
        values = np.loadtxt(lines, delimiter=dialect.delimiter, comments=None, ndmin=2)
    except ValueError:
        return None
    return values if values.shape == (len(lines), width) and bool(np.isfinite(values).all()) else None


def _add_lines(cells: Cells, lines: Sequence[str], first: int, opening: Opening) -> None:
    """Add the rows among these lines to the columns, and count the others."""
    kept: list[str] = []
    numbers: list[int] = []
    for number, line in enumerate(lines, first):
        if "\0" in line:
            rest = line.replace("\0", "").strip()
            (cells.broken.zeros if rest else cells.unwritten).add(number, "zero bytes in the row")
        elif is_comment(line):
            cells.comments += 1
        elif line.strip() in opening.repeats:
            cells.repeats.add(number)
        elif line.strip(" \r\f\v"):
            kept.append(line)
            numbers.append(number)
    _add_rows(cells, split_lines(kept, opening.dialect.delimiter), numbers, opening.dialect)


def _add_rows(cells: Cells, rows: Sequence[list[str]], numbers: Sequence[int], dialect: Dialect) -> None:
    """Add rows column by column; those of another width are counted."""
    good: list[list[str]] = []
    kept: list[int] = []
    width = len(cells.columns)
    for row, number in zip(rows, numbers, strict=True):
        if len(row) == width + 1 and not row[-1].strip():
            cells.ended.add(number)
            row.pop()
        if len(row) == width:
            good.append(row)
            kept.append(number)
        elif row:
            cells.broken.width.add(number, str(len(row)))
        else:
            cells.broken.quotes.add(number, "one without its pair")
    for column, texts in zip(cells.columns, zip(*good, strict=True), strict=False):
        column.add(texts, kept, dialect)
    cells.lines.add(kept)
