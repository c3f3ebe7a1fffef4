"""How a logger's text file separates and writes its numbers (row 1)."""

from __future__ import annotations

import contextlib
import csv
import itertools
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

# In the order of preference when two fit equally well; a decimal comma makes the plain comma the weakest sign.
DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma"}

_COMMA_NUMBER = re.compile(r"\s*[+-]?\d*,\d+\s*")
_POINT_NUMBER = re.compile(r"\s*[+-]?\d*\.\d+\s*")


@dataclass(frozen=True, slots=True)
class Dialect:
    """What stands between two cells, and what between a number's whole and broken part."""

    delimiter: str
    decimal: str

    def __str__(self) -> str:
        sign = "comma" if self.decimal == "," else "point"
        return f"cells separated by {DELIMITERS[self.delimiter]}, decimal {sign}"


class DataLines:
    """The lines of a file that hold data; blank lines and ``#`` comments are passed over.

    `number` is the file's line number, from 1, of the line handed out last, and
    `comments` the count of comment lines passed over so far.
    """

    def __init__(self, source: Iterable[str]) -> None:
        self._source = source
        self.number = 0
        self.comments = 0

    def __iter__(self) -> Iterator[str]:
        for line in self._source:
            self.number += 1
            text = line.lstrip()
            if text.startswith("#"):
                self.comments += 1
            elif text:
                yield line

    def blocks(self, size: int) -> Iterator[tuple[list[str], list[int]]]:
        """The lines not yet handed out, up to `size` at a time, with their numbers."""
        while block := [(line, self.number) for line in itertools.islice(self, size)]:
            yield [line for line, _ in block], [number for _, number in block]


def guess_dialect(lines: Iterable[str]) -> Dialect | None:
    """The delimiter and decimal sign that fit the first lines of a file best.

    Parameters
    ----------
    lines : the first lines, the header among them; comments may be.

    Returns
    -------
    Dialect, or None where no delimiter parts the header into two cells.

    Notes
    -----
    The delimiter is the one that gives most rows as many cells as the header
    has, and among equals the one that makes most columns. The decimal sign is
    the one seen in more cells.
    """
    sample = list(DataLines(lines))
    best: tuple[tuple[int, int], str, list[list[str]]] | None = None
    for delimiter in DELIMITERS:
        rows = _split(sample, delimiter)
        width = len(rows[0]) if rows else 0
        score = (sum(len(row) == width for row in rows), width)
        if width > 1 and (best is None or score > best[0]):
            best = (score, delimiter, rows)
    if best is None:
        return None
    _, delimiter, rows = best
    cells = [cell for row in rows[1:] for cell in row]
    commas = sum(_COMMA_NUMBER.fullmatch(cell) is not None for cell in cells)
    points = sum(_POINT_NUMBER.fullmatch(cell) is not None for cell in cells)
    return Dialect(delimiter, "," if commas > points else ".")


def _split(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    rows: list[list[str]] = []
    # What is read up to an error is enough for a guess; the reader proper reports the line.
    with contextlib.suppress(csv.Error):
        rows.extend(csv.reader(lines, delimiter=delimiter, skipinitialspace=True))
    return rows
