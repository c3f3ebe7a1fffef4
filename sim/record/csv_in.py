"""Read a logger's CSV: guess what it leaves unsaid, mend what can be mended, and say all of it (row 1).

A recording is read as loggers write it: comma, semicolon or tab; decimal
point or comma; a byte order mark; ``#`` comments; stamps in s, ms or us that
jitter, repeat or run backward; cells that are empty or hold a word. Nothing
is repaired silently, and what cannot be repaired is one fault for each cause.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError
from sim.record.cells import Cells, Column, Tally, read_cells, split_line
from sim.record.dialect import DataLines, Dialect, guess_dialect
from sim.record.meaning import CONTACTS, SIGNALS, ClockSource, Plan, Source, plan_columns
from sim.record.table import Table
from sim.record.time_axis import Clock, clock_mends, find_gaps, gap_texts, guess_unit, read_clock

_WHAT = "a recording (CSV)"
_SAMPLE_LINES = 1_000
_CONTACT_WORDS = {"true": 1.0, "false": 0.0}


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording as it will be used, and how it came to be.

    table : the signals under their standard names and units; other columns under their own.
    notes : what was guessed: separators, clock, which column is which signal, units, gaps.
    mended : what was repaired, with the file's line numbers and what was done.
    """

    table: Table
    notes: tuple[str, ...]
    mended: tuple[str, ...]


def read_recording(path: Path, mapping: Mapping[str, str] | None = None) -> Recording:
    """Read a recording with no hand editing.

    Parameters
    ----------
    path : Path
        Text in UTF-8; a byte order mark and undecodable bytes in comments are passed over.
    mapping : {signal: column of the file}
        Goes before every guess. Signals are those of `meaning.SIGNALS`, milli units too (`bus_mv`);
        `t_s`, `t_ms` or `t_us` name the clock and its unit.

    Returns
    -------
    Recording
        `table.t_us` is the file's own clock in microseconds; it need not start at 0.

    Raises
    ------
    InputError
        One fault for each cause. A fault's column is the cell's number within its row.

    Notes
    -----
    A missing cell holds the value of the row before, since that is what a
    board would still see. Of rows with one stamp the last is kept, since it
    is the newest. A row earlier than one before it is dropped, since nothing
    tells where it belongs. Contacts also take true and false.
    """
    try:
        with path.open(encoding="utf-8-sig", errors="surrogateescape") as handle:
            return _read(str(path), handle, mapping or {})
    except OSError as error:
        raise InputError([Fault(str(path), "", _WHAT, (error.strerror or str(error)).lower())]) from error


def _read(path: str, handle: TextIO, mapping: Mapping[str, str]) -> Recording:
    text = _text_only(path, handle)
    head = list(itertools.islice(text, _SAMPLE_LINES))
    dialect = _dialect(path, head)
    source = DataLines(itertools.chain(head, text))
    first_line = next(iter(source))
    header = [name.strip() for name in split_line(path, first_line, source.number, dialect.delimiter)]
    plan = plan_columns(path, source.number, header, mapping)
    words: list[Mapping[str, float]] = [{} for _ in header]
    for each in plan.sources:
        if each.signal in CONTACTS:
            words[each.index] = _CONTACT_WORDS
    cells = read_cells(path, source, dialect, words)
    faults = [*plan.faults, *_row_faults(path, cells)]
    if faults or plan.clock is None:
        raise InputError(faults)
    comments = [f"comment lines passed over: {source.comments}"] if source.comments else []
    read = _assemble(path, plan, plan.clock, cells)
    return Recording(read.table, (str(dialect), *comments, *plan.notes, *read.notes), read.mended)


def _text_only(path: str, lines: Iterable[str]) -> Iterator[str]:
    """The same lines, or a fault at the first that is no text."""
    for number, line in enumerate(lines, 1):
        if "\0" in line:
            got = "a zero byte (binary, UTF-16, or a block the logger never wrote)"
            raise InputError([Fault(path, "", "text", got, number)])
        if not line.isascii() and not line.lstrip().startswith("#"):
            # The decoder keeps a byte it cannot read as a lone surrogate, so that comments can hold any.
            stray = [ord(sign) - 0xDC00 for sign in line if "\udc80" <= sign <= "\udcff"]
            if stray:
                raise InputError([Fault(path, "", "text in UTF-8", f"byte 0x{stray[0]:02x}", number)])
        yield line


def _dialect(path: str, head: list[str]) -> Dialect:
    dialect = guess_dialect(head)
    if dialect is None:
        data = DataLines(head)
        first = next(iter(data), None)
        got = "no rows at all" if first is None else f"one column ({first.strip()[:60]!r})"
        expected = "a header row and columns separated by comma, semicolon or tab"
        raise InputError([Fault(path, "", expected, got, None if first is None else data.number)])
    return dialect


def _row_faults(path: str, cells: Cells) -> list[Fault]:
    width = len(cells.columns)
    faults = cells.wrong_width.faults(path, "", f"{width} cells, as many as in the header")
    if not faults and not cells.lines.size:
        faults.append(Fault(path, "", "rows of numbers below the header", "none"))
    return faults


def _assemble(path: str, plan: Plan, clock_source: ClockSource, cells: Cells) -> Recording:
    """Put the columns on the clock, once the header and every row's width are known to be right."""
    stamps = cells.columns[clock_source.index]
    unit = clock_source.unit or guess_unit(stamps.values())
    notes = [f"time from column {clock_source.name}, in {unit} ({clock_source.why})"]
    clock, rounded = read_clock(stamps.values(), unit)
    if rounded:
        notes.append("time: stamps rounded to whole microseconds")
    _refuse_broken_clock(path, plan.line, clock_source, clock, cells)
    faults: list[Fault] = []
    mended = clock_mends(clock, cells.lines)
    columns = {}
    for source in plan.sources:
        column = cells.columns[source.index]
        values = column.values()[clock.forward]
        if not np.isfinite(values).any():
            if source.signal in SIGNALS:
                faults.append(_no_numbers(path, plan.line, source, column, len(values)))
            else:
                notes.append(f"column {source.name} left out: no numbers in it")
            continue
        faults += _contact_faults(path, source, column.values(), cells.lines)
        mended += _held_texts(source.name, column, values, cells.lines[clock.forward])
        columns[source.signal] = _held(values)[clock.last[clock.forward]] / source.divisor
    if not columns and not faults:
        faults.append(Fault(path, "", "at least one column of numbers beside the time", "none"))
    if faults:
        raise InputError(faults)
    table = Table(clock.t_us[clock.last], columns)
    gaps = find_gaps(table.t_us, None)
    return Recording(table, (*notes, *gap_texts(table.t_us, gaps)), tuple(mended))


def _refuse_broken_clock(path: str, line: int, source: ClockSource, clock: Clock, cells: Cells) -> None:
    """Raise where the stamps leave no clock to put anything on."""
    present, forward = int(clock.present.sum()), int(clock.forward.sum())
    if not present:
        why = _missing(cells.columns[source.index]) or ["numbers out of all range"]
        fault = Fault(path, source.name, "stamps that are numbers", why[0], line, source.index + 1)
        raise InputError([fault])
    if forward < present / 2:
        first = int(cells.lines[np.flatnonzero(clock.present & ~clock.forward)[0]])
        got = f"{present - forward} of {present} rows earlier than one before"
        raise InputError([Fault(path, source.name, "stamps that run forward", got, first, source.index + 1)])


def _no_numbers(path: str, line: int, source: Source, column: Column, rows: int) -> Fault:
    found = f" ({column.text.texts()})" if column.text.count else ""
    return Fault(path, source.name, "numbers in the column", f"none in {rows} rows{found}", line, source.index + 1)


def _contact_faults(path: str, source: Source, values: NDArray[np.float64], lines: NDArray[np.int64]) -> list[Fault]:
    """A contact is open or closed; anything between is another signal under its name."""
    if source.signal not in CONTACTS:
        return []
    wrong = Tally()
    for row in np.flatnonzero(np.isfinite(values) & (values != 0.0) & (values != 1.0)):
        wrong.add(int(lines[row]), f"{values[row]:g}")
    return wrong.faults(path, source.name, "0 or 1", source.index + 1)


def _missing(column: Column) -> list[str]:
    """The cells of a column that hold no number, by kind."""
    texts = []
    if column.text.count:
        texts.append(f"no number: {column.text.texts()}")
    if column.empty.count:
        texts.append(f"empty cell: {column.empty.places()}")
    return texts


def _held_texts(name: str, column: Column, values: NDArray[np.float64], lines: NDArray[np.int64]) -> list[str]:
    texts = [f"{name}: {text}; the value before is held" for text in _missing(column)]
    first = int(np.flatnonzero(np.isfinite(values))[0])
    if first:
        texts.append(f"{name}: nothing before line {lines[first]}; its value there is used from the start")
    return texts


def _held(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Missing values take the one before; those before the first known value take that one."""
    known = np.isfinite(values)
    first = int(np.flatnonzero(known)[0])
    return values[np.maximum.accumulate(np.where(known, np.arange(len(values)), first))]
