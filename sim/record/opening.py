"""How a logger's text file begins: what stands above the columns' names, the names, their units (row 1)."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sim.base.errors import Fault, InputError
from sim.record.dialect import COMMENTS, DELIMITERS, Dialect, Split, guess_dialect, is_comment, split_line
from sim.record.tally import Tally

# Spreadsheets write so, and read it, on top.
_SEPARATOR_LINE = re.compile(r'"?sep=(.)"?\s*')

# Words that stand alone in a line of units; in brackets or not.
_UNITS = re.compile(
    r"s|sec|seconds|[mun]s|h|min|m?[vaw]|[wa]h|ohm|hz|rpm|1/min|counts|adc|lsb|bool|bit|0/1|%|°c|degc|c|k"
    r"|n|nm|m|m/s|kg|m?bar|pa|rad|rad/s|deg"
)
# Two characters look like this one.
_MICRO = str.maketrans({"\N{MICRO SIGN}": "u", "\N{GREEK SMALL LETTER MU}": "u"})


@dataclass(frozen=True, slots=True)
class Opening:
    """What the first lines say.

    width : how many cells most of them have.
    header : the columns' names, without blanks around them.
    units : each column's unit, empty where none is told.
    line : where the header stands.
    first : the number of the first line below header and units.
    repeats : what these lines look like when they come again.
    notes : what was guessed.
    sample : the cells of the first rows.
    """

    dialect: Dialect
    width: int
    header: tuple[str, ...]
    units: tuple[str, ...]
    line: int
    first: int
    repeats: frozenset[str]
    notes: tuple[str, ...]
    sample: list[list[str]]


def read_opening(
    path: str,
    head: Sequence[str],
    is_clock: Callable[[str], bool],
    delimiter: str | None = None,
    decimal: str | None = None,
    names: Sequence[str] = (),
) -> Opening:
    """What the first lines of a file say of those below.

    Parameters
    ----------
    head : the first lines, from line 1 on.
    is_clock : whether a column of this name gives the time; that tells the header from what stands above it.
    delimiter, decimal : what is known already.
    names : the columns' names, where the file has none.

    Raises
    ------
    InputError
        No line has two cells, or a header's quotation marks do not match.
    """
    marked = _SEPARATOR_LINE.fullmatch(head[0]) if head else None
    if marked and marked[1] in DELIMITERS:
        delimiter = delimiter or marked[1]
    numbers = [
        number
        for number, line in enumerate(head, 1)
        if line.strip("\0 \t\r") and not is_comment(line) and not (marked and number == 1)
    ]
    split = guess_dialect([head[number - 1] for number in numbers], delimiter, decimal)
    if split is None:
        raise InputError([_no_columns(path, head, numbers, delimiter)])
    dialect = split.dialect
    if names:
        first = numbers[0]
        none = ("",) * len(names)
        return Opening(dialect, split.width, tuple(names), none, first, first, frozenset(), (), split.rows)
    at = _header_at(split, is_clock)
    line, cells, below = numbers[at], split.rows[at], at + 1
    if not cells:
        raise InputError([Fault(path, "", "cells with quotation marks in pairs", "one without its pair", line, 1)])
    if all(map(dialect.is_number, cells)) and (commented := _commented(head, line, split, is_clock)):
        (line, cells), below = commented, at
    header = tuple(name.strip() for name in cells)
    repeats, notes = [line], _notes(numbers[:at], line if below == at else None)
    if marked:
        notes.insert(0, "separator as line 1 says")
    units = _units(split, below)
    if units:
        repeats.append(numbers[below])
        notes.append(f"units from line {numbers[below]}")
        below += 1
    return Opening(
        dialect=dialect,
        width=split.width,
        header=header,
        units=(units + ("",) * len(header))[: len(header)],
        line=line,
        first=numbers[below] if below < len(numbers) else numbers[-1] + 1,
        repeats=frozenset(head[number - 1].strip() for number in repeats),
        notes=tuple(notes),
        sample=split.rows[below:],
    )


def _notes(above: Sequence[int], commented: int | None) -> list[str]:
    notes = []
    if above:
        passed = Tally()
        for number in above:
            passed.add(number)
        notes.append(f"above the columns' names: {passed.places()} passed over")
    if commented:
        notes.append(f"columns named by the comment in line {commented}")
    return notes


def _no_columns(path: str, head: Sequence[str], numbers: Sequence[int], delimiter: str | None) -> Fault:
    asked = DELIMITERS.get(delimiter or "", "comma, semicolon or tab")
    expected = f"a header row and columns separated by {asked}"
    if not numbers:
        return Fault(path, "", expected, "no rows at all", 1, 1)
    return Fault(path, "", expected, f"one column ({head[numbers[0] - 1].strip()[:60]!r})", numbers[0], 1)


def _header_at(split: Split, is_clock: Callable[[str], bool]) -> int:
    """The first line that names a clock, above the first row of numbers; otherwise the first line."""
    for index, row in enumerate(split.rows):
        if len(row) == split.width and any(is_clock(name.strip()) for name in row):
            return index
        if 2 * sum(map(split.dialect.is_number, row)) > len(row):
            break
    return 0


def _commented(
    head: Sequence[str], line: int, split: Split, is_clock: Callable[[str], bool]
) -> tuple[int, list[str]] | None:
    """The columns' names out of the comments above the first row, and their line."""
    for number in range(line - 1, 0, -1):
        text = head[number - 1].lstrip()
        sign = next((sign for sign in COMMENTS if text.startswith(sign)), "")
        cells = split_line(text.removeprefix(sign), split.dialect.delimiter) if sign else None
        if cells and len(cells) == split.width and any(is_clock(name.strip()) for name in cells):
            return number, cells
    return None


def _units(split: Split, below: int) -> tuple[str, ...]:
    """The cells of a row of units, without brackets, or nothing where the row is none."""
    row = [cell.strip() for cell in split.rows[below]] if below < len(split.rows) else []
    if len(row) != split.width or any(map(split.dialect.is_number, row)):
        return ()
    units = tuple(cell.strip("[]() ") for cell in row)
    plain = (unit.lower().translate(_MICRO) for unit in units)
    return units if any(map(_UNITS.fullmatch, plain)) else ()
