"""Read a logger's CSV: guess what it leaves unsaid, mend what can be mended, and say all of it (row 1).

A recording is read as loggers write it; docs/replaying.md lists what is
guessed, mended and refused. Nothing is repaired silently, and what cannot be
repaired is one fault for each cause.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError, in_file_order
from sim.record.cells import Cells, Column, read_cells
from sim.record.dialect import is_comment
from sim.record.layout import Layout
from sim.record.lines import Lines, opened, told
from sim.record.meaning import CONTACTS, SIGNALS, ClockSource, Header, Plan, Source, is_clock_name, listed, plan_columns
from sim.record.opening import Opening, read_opening
from sim.record.recording import Recording, converted, held, not_contacts
from sim.record.stamps import ClockText, clock_text, date_of
from sim.record.table import Table
from sim.record.tally import SHOWN, Tally
from sim.record.time_axis import Clock, clock_mends, find_gaps, gap_texts, guess_unit, read_clock

_WHAT = "a recording (CSV)"
_SAMPLE_LINES = 1_000
# The unit of the stamps is guessed from so many.
_SAMPLE_STAMPS = 100_000
# So many rows of one stamp are a clock that stands.
_STUCK_ROWS = 3
_STAMPS = "stamps that are numbers, times (12:00:00.0) or dates and times (2026-01-31 12:00:00.0)"
_CONTACT_WORDS = {"true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0}
# More broken rows than this share are no accident of the logger but another kind of file; common practice, no source.
_BROKEN_FRAC = 0.05


def read_recording(path: Path, mapping: Mapping[str, str] | None = None, layout: Layout | None = None) -> Recording:
    """Read a recording with no hand editing.

    Parameters
    ----------
    path : Path
        Text in UTF-8, UTF-16 or Windows-1252, or as the layout says.
    mapping : {signal: column of the file}
        Goes before every guess. Signals are those of `meaning.SIGNALS`, milli units too (`bus_mv`);
        `t_s`, `t_ms`, `t_us` or `t_ns` name the clock and its unit.
    layout : what else is known of the file.

    Returns
    -------
    Recording
        `table.t_us` is the file's own clock in microseconds; it need not start at 0. Dated stamps count from the first.

    Raises
    ------
    InputError
        One fault for each cause. A fault's column is the cell's number within its row.

    Notes
    -----
    A missing cell holds the value of the row before, since that is what a
    board would still see. Of rows with one stamp the last is kept, since it
    is the newest. A row earlier than one before it is dropped, since nothing
    tells where it belongs. Contacts also take true and false, on and off.
    Memory is the table's own and a few columns more, whatever the file holds.
    """
    with opened(path, _WHAT) as handle:
        return _read(str(path), handle, (layout or Layout()).with_mapping(mapping or {}))


def _read(path: str, handle: BinaryIO, layout: Layout) -> Recording:
    source = Lines(path, handle, layout.encoding)
    head = source.head(_SAMPLE_LINES)
    opening = read_opening(path, head, is_clock_name(layout), layout.delimiter, layout.decimal, layout.names)
    if layout.names and len(layout.names) != opening.width:
        expected = f"{opening.width} names, as many as most rows have cells"
        raise InputError([Fault(str(layout.path), "names", expected, str(len(layout.names)), *layout.places["names"])])
    names = tuple(told(name) for name in opening.header)
    if all(map(opening.dialect.is_number, names)):
        expected = "a header row naming the columns, or their names in a map file"
        raise InputError([Fault(path, "", expected, f"numbers ({listed(names)})", opening.line, 1)])
    places = tuple((opening.line, index + 1) for index in range(len(names)))
    plan = plan_columns(path, Header(names, opening.units, places), layout)
    clock = plan.clock
    if clock is None:
        # What was taken for the columns' names may be none, and then nothing below says anything.
        raise InputError(plan.faults)
    texts = clock_text([row[clock.index] for row in opening.sample if clock.index < len(row)])
    columns = [Column() for _ in names]
    for each in plan.sources:
        if each.signal in CONTACTS:
            columns[each.index] = Column(_contact_word)
    if texts is not None:
        columns[clock.index] = Column(texts, plain=False)
    source.pass_over(opening.first - 1)
    cells = read_cells(source, opening, columns)
    above = enumerate(head[: opening.first - 1], 1)
    cells.comments += sum(is_comment(line) for number, line in above if number != opening.line)
    faults = [*plan.faults, *_row_faults(path, cells, opening.line)]
    if faults:
        raise InputError(faults)
    read = _assemble(path, plan, clock, texts, cells)
    told_first = [source.note] if source.note else []
    notes = (*told_first, str(opening.dialect), *_passed_over(cells, opening, source), *plan.notes, *read.notes)
    return Recording(read.table, notes, (*_row_mends(cells), *read.mended), (opening.line, 1))


def _contact_word(text: str) -> float | None:
    return _CONTACT_WORDS.get(text.lower())


def _row_faults(path: str, cells: Cells, line: int) -> list[Fault]:
    """Too many rows that cannot be read, or none at all."""
    width, broken = len(cells.columns), cells.broken
    if broken.total > _BROKEN_FRAC * (len(cells.lines) + broken.total):
        return in_file_order(
            [
                *broken.width.faults(path, "", f"{width} cells, as many as in the header", 1),
                *broken.quotes.faults(path, "", "cells with quotation marks in pairs", 1),
                *broken.zeros.faults(path, "", "text", 1),
            ]
        )
    if not len(cells.lines):
        got = f"none but line {cells.cut[0]}, which is cut short" if cells.cut else "none"
        return [Fault(path, "", "rows of numbers below the header", got, line, 1)]
    return []


def _row_mends(cells: Cells) -> list[str]:
    """What was done about rows that are none."""
    width, broken = len(cells.columns), cells.broken
    cases = (
        (cells.unwritten, "zero bytes alone, never written; passed over"),
        (broken.zeros, "zero bytes in the row; dropped"),
        (broken.width, f"not {width} cells as in the header; dropped"),
        (broken.quotes, "quotation marks without their pair; dropped"),
        (cells.repeats, "the columns' names again; passed over"),
    )
    mends = [f"rows: {tally.places()}: {what}" for tally, what in cases if tally.count]
    if cells.cut:
        mends.append(f"rows: line {cells.cut[0]}, the last, is cut short and has no line end; dropped")
    return mends


def _passed_over(cells: Cells, opening: Opening, source: Lines) -> list[str]:
    """What was read differently from how it stands, without a loss."""
    notes = [f"comment lines passed over: {cells.comments}"] if cells.comments else []
    notes += opening.notes
    if cells.ended.count:
        notes.append(f"a separator behind the last cell: {cells.ended.places()}")
    if source.rest and not cells.cut and cells.lines.last == source.rest[0]:
        notes.append(f"line {source.rest[0]}, the last, has no line end; taken as whole")
    return notes


def _assemble(path: str, plan: Plan, source: ClockSource, texts: ClockText | None, cells: Cells) -> Recording:
    """Put the columns on the clock, once the header and the rows are known to be right."""
    clock, notes = _read_clock(path, source, texts, cells)
    faults: list[Fault] = []
    mended = clock_mends(clock, cells.lines)
    columns = {}
    for each in plan.sources:
        column = cells.columns[each.index]
        # Copied only where rows are left out, so that a clean file is held once.
        values = column.take()
        values = values if clock.forward.all() else values[clock.forward]
        if not np.isfinite(values).any():
            if each.signal in SIGNALS:
                faults.append(_no_numbers(path, source.line, each, column, len(values)))
            else:
                notes.append(f"column {each.name} left out: no numbers in it")
            continue
        values = converted(values, each)
        faults += _contact_faults(path, each, values, clock, cells)
        values, first = held(values)
        mended += _held_texts(each.name, column, first, clock, cells)
        columns[each.signal] = values if clock.last.all() else values[clock.last[clock.forward]]
    if not columns and not faults:
        faults.append(Fault(path, "", "at least one column of numbers beside the time", "none", source.line, 1))
    if faults:
        raise InputError(faults)
    t_us = clock.t_us if clock.last.all() else clock.t_us[clock.last]
    if texts is not None and not texts.daily:
        notes.append(f"t = 0 is {date_of(int(t_us[0]))} (UTC, or as written where no zone is told)")
        t_us = t_us - t_us[0]
    table = Table(t_us, columns)
    gaps = find_gaps(table.t_us, None)
    return Recording(table, (*notes, *gap_texts(table.t_us, gaps)), tuple(mended), (source.line, 1))


def _read_clock(path: str, source: ClockSource, texts: ClockText | None, cells: Cells) -> tuple[Clock, list[str]]:
    """The clock, and what was guessed of it.

    Raises
    ------
    InputError
        Stamps that leave no clock to put anything on.
    """
    column = cells.columns[source.index]
    stamps = column.take()
    unit = "us" if texts else source.unit or guess_unit(stamps[:_SAMPLE_STAMPS])
    notes = [f"time from column {source.name}, " + (f"as {texts}" if texts else f"in {unit} ({source.why})")]
    clock, rounded = read_clock(stamps, unit, texts is not None and texts.daily)
    if rounded or (texts is not None and texts.finer):
        notes.append("time: stamps rounded to whole microseconds")
    present, forward = int(clock.present.sum()), int(clock.forward.sum())
    if not present:
        why = column.missing() or ["numbers out of all range"]
        expected = f"stamps that are {texts}" if texts else _STAMPS
        raise InputError([Fault(path, source.name, expected, why[0], source.line, source.index + 1)])
    if forward < present / 2:
        first = cells.lines.line(int(np.argmax(clock.present & ~clock.forward)))
        got = f"{present - forward} of {present} rows earlier than one before"
        raise InputError([Fault(path, source.name, "stamps that run forward", got, first, source.index + 1)])
    if present >= _STUCK_ROWS and clock.last.sum() == 1:
        line = cells.lines.line(int(np.argmax(clock.present)))
        got = f"the same stamp in all {present} rows"
        raise InputError([Fault(path, source.name, "stamps that run forward", got, line, source.index + 1)])
    return clock, notes


def _no_numbers(path: str, line: int, source: Source, column: Column, rows: int) -> Fault:
    found = f" ({column.text.texts()})" if column.text.count else ""
    return Fault(path, source.name, "numbers in the column", f"none in {rows} rows{found}", line, source.index + 1)


def _contact_faults(path: str, source: Source, values: NDArray[np.float64], clock: Clock, cells: Cells) -> list[Fault]:
    """A contact is open or closed; anything between is another signal under its name."""
    if source.signal not in CONTACTS:
        return []
    rows = not_contacts(values)
    lines = cells.lines.of(_rows_of(rows[:SHOWN], clock))
    wrong = Tally(len(rows), [(int(line), f"{values[row]:g}") for line, row in zip(lines, rows, strict=False)])
    return wrong.faults(path, source.name, "0 or 1", source.index + 1)


def _rows_of(rows: NDArray[np.intp], clock: Clock) -> NDArray[np.intp]:
    """The file's rows of rows among those that run forward."""
    return rows if clock.forward.all() else np.flatnonzero(clock.forward)[rows]


def _held_texts(name: str, column: Column, first: int, clock: Clock, cells: Cells) -> list[str]:
    texts = [f"{name}: {text}; the value before is held" for text in column.missing()]
    if first:
        line = int(cells.lines.of(_rows_of(np.array([first]), clock))[0])
        texts.append(f"{name}: nothing before line {line}; its value there is used from the start")
    return texts
