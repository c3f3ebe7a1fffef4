"""From lines to columns of numbers, with everything that was not a number remembered by its line (row 1)."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError
from sim.record.dialect import DataLines, Dialect

# Large enough for the fast path to pay, small enough that the cells' texts stay a few megabytes.
BLOCK_ROWS = 20_000

# How many places are named before "and N more".
SHOWN = 3
# And how much of a cell's text.
SHOWN_LETTERS = 40

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_EMPTY = frozenset({"", "nan", "na", "n/a", "null", "none", "-", "--"})


@dataclass(slots=True)
class Tally:
    """How often something was met, and the first few places with what stood there."""

    count: int = 0
    first: list[tuple[int, str]] = field(default_factory=list)

    def add(self, line: int, text: str = "") -> None:
        """Count one more, and keep its place while it is among the first."""
        self.count += 1
        if len(self.first) < SHOWN:
            self.first.append((line, text[:SHOWN_LETTERS]))

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


@dataclass(slots=True)
class Column:
    """One column while it is being read.

    blocks : the numbers so far, NaN where there is none.
    empty : cells with nothing in them, or a word for nothing.
    text : cells with something that is no finite number.
    """

    words: Mapping[str, float]
    blocks: list[NDArray[np.float64]] = field(default_factory=list)
    empty: Tally = field(default_factory=Tally)
    text: Tally = field(default_factory=Tally)

    def add(self, cells: Sequence[str], lines: Sequence[int], dialect: Dialect) -> None:
        """Add cells with the lines they stand in."""
        block = _all_numbers(cells, dialect, 1)
        if block is None:
            values = (self._one(cell, line, dialect.decimal) for cell, line in zip(cells, lines, strict=True))
            block = np.fromiter(values, np.float64, len(cells))
        self.blocks.append(block.reshape(-1))

    def values(self) -> NDArray[np.float64]:
        """The column's numbers, shape (rows,), NaN where a cell held none."""
        self.blocks = [np.concatenate(self.blocks)] if self.blocks else [np.empty(0)]
        return self.blocks[0]

    def _one(self, cell: str, line: int, decimal: str) -> float:
        text = cell.strip()
        # With a decimal comma a point can only part thousands, and that is not guessed at.
        number = text if decimal == "." else text.replace(".", "?").replace(",", ".")
        if _NUMBER.fullmatch(number) and math.isfinite(value := float(number)):
            return value
        word = text.lower()
        if word in self.words:
            return self.words[word]
        (self.empty if word in _EMPTY else self.text).add(line, text)
        return np.nan


@dataclass(frozen=True, slots=True)
class Cells:
    """A whole file's columns with each row's line in the file.

    wrong_width : rows with another number of cells than the header; they are left out.
    """

    lines: NDArray[np.int64]
    columns: tuple[Column, ...]
    wrong_width: Tally


def split_line(path: str, line: str, number: int, delimiter: str) -> list[str]:
    """The cells of one line.

    Raises
    ------
    InputError
        Quotation marks that do not match within the line.
    """
    try:
        # Strict, because otherwise a mark left open would swallow the lines below.
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error as error:
        raise InputError([Fault(path, "", "cells with quotation marks in pairs", str(error), number)]) from error


def read_cells(path: str, source: DataLines, dialect: Dialect, words: Sequence[Mapping[str, float]]) -> Cells:
    """Read the rows below the header, many at a time.

    Parameters
    ----------
    path : for the fault.
    source : the data lines below the header.
    dialect : what parts the cells and how numbers are written.
    words : for each column of the file, the words it takes as numbers, in lower case.

    Raises
    ------
    InputError
        Quotation marks that do not match.
    """
    columns, wrong_width = tuple(Column(each) for each in words), Tally()
    kept: list[NDArray[np.int64]] = [np.empty(0, dtype=np.int64)]
    for lines, numbers in source.blocks(BLOCK_ROWS):
        values = _all_numbers(lines, dialect, len(columns))
        if values is not None:
            for column, block in zip(columns, values.T, strict=True):
                column.blocks.append(block)
        else:
            rows = _split(path, lines, numbers, dialect.delimiter)
            numbers = _add_rows(columns, rows, numbers, dialect, wrong_width)
        kept.append(np.array(numbers, dtype=np.int64))
    return Cells(np.concatenate(kept), columns, wrong_width)


def _split(path: str, lines: Sequence[str], numbers: Sequence[int], delimiter: str) -> list[list[str]]:
    try:
        rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error:
        rows = []
    if len(rows) == len(lines):
        return rows
    # Something spans lines or does not match: line by line the fault finds its place.
    return [split_line(path, *each, delimiter) for each in zip(lines, numbers, strict=True)]


def _all_numbers(lines: Sequence[str], dialect: Dialect, width: int) -> NDArray[np.float64] | None:
    """Lines of plain finite numbers as an array (lines, width), or None where one needs a closer look."""
    if not any(line.strip() for line in lines):
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


def _add_rows(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], numbers: Sequence[int], dialect: Dialect, wrong: Tally
) -> list[int]:
    """Add rows column by column and return the lines of those that have the right width."""
    good: list[tuple[Sequence[str], int]] = []
    for row, number in zip(rows, numbers, strict=True):
        if len(row) == len(columns):
            good.append((row, number))
        else:
            wrong.add(number, str(len(row)))
    kept = [number for _, number in good]
    for column, cells in zip(columns, zip(*(row for row, _ in good), strict=True), strict=False):
        column.add(cells, kept, dialect)
    return kept
