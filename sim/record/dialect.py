"""How a logger's text file separates and writes its numbers (row 1)."""

from __future__ import annotations

import contextlib
import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

# In the order of preference when two fit equally well; a decimal comma makes the plain comma the weakest sign.
DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma"}

# What a line begins with that is no row; the second is what a spreadsheet makes of the first.
COMMENTS = ("#", '"#', "//", "%")

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_COMMA_NUMBER = re.compile(r"\s*[+-]?\d*,\d+([eE][+-]?\d+)?\s*", re.ASCII)
_POINT_NUMBER = re.compile(r"\s*[+-]?\d*\.\d+([eE][+-]?\d+)?\s*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Dialect:
    """What stands between two cells, and what between a number's whole and broken part."""

    delimiter: str
    decimal: str

    def __str__(self) -> str:
        sign = "comma" if self.decimal == "," else "point"
        return f"cells separated by {DELIMITERS[self.delimiter]}, decimal {sign}"

    def is_number(self, cell: str) -> bool:
        """Whether a cell is a number in this dialect."""
        return NUMBER.fullmatch(self.with_point(cell.strip())) is not None

    def with_point(self, text: str) -> str:
        """A number's text with a decimal point; with a decimal comma a point can only part thousands and is none."""
        return text if self.decimal == "." else text.replace(".", "?").replace(",", ".")


@dataclass(frozen=True, slots=True)
class Split:
    """The first lines as cells: `rows`, and how many cells most of them have."""

    dialect: Dialect
    width: int
    rows: list[list[str]]


def is_comment(line: str) -> bool:
    """Whether a line is for people alone."""
    return line.lstrip().startswith(COMMENTS)


def split_lines(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    """The cells of each line; a line whose quotation marks do not match is no cells at all."""
    rows: list[list[str]] = []
    with contextlib.suppress(csv.Error):
        rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True))
    # A mark left open swallows the lines below it, so that the count tells.
    return rows if len(rows) == len(lines) else [split_line(line, delimiter) or [] for line in lines]


def split_line(line: str, delimiter: str) -> list[str] | None:
    """The cells of one line, or None where its quotation marks do not match."""
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True, strict=True), [])
    except csv.Error:
        return None


def guess_dialect(lines: Sequence[str], delimiter: str | None = None, decimal: str | None = None) -> Split | None:
    """The delimiter and decimal sign that fit the first lines of a file best.

    Parameters
    ----------
    lines : the first lines that are no comments and not blank.
    delimiter, decimal : what is known already.

    Returns
    -------
    Split, or None where no delimiter parts the lines into two cells.

    Notes
    -----
    The delimiter is the one that gives most lines one number of cells; among
    equals the one with which more of the cells are numbers, then the one that
    makes more columns. The decimal sign is the one seen in more cells.
    """
    best: tuple[tuple[int, float, int], Split] | None = None
    for each in DELIMITERS if delimiter is None else (delimiter,):
        rows = split_lines(lines, each)
        width, count = Counter(len(row) for row in rows).most_common(1)[0] if rows else (0, 0)
        if width > 1:
            cells = [cell for row in rows for cell in row]
            dialect = Dialect(each, decimal or _decimal(cells))
            score = (count, sum(map(dialect.is_number, cells)) / len(cells), width)
            if best is None or score > best[0]:
                best = (score, Split(dialect, width, rows))
    return best[1] if best else None


def _decimal(cells: Sequence[str]) -> str:
    commas = sum(_COMMA_NUMBER.fullmatch(cell) is not None for cell in cells)
    points = sum(_POINT_NUMBER.fullmatch(cell) is not None for cell in cells)
    return "," if commas > points else "."
