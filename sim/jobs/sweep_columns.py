"""The rows of a sweep as columns, in CSV and NPZ (row 4)."""

from __future__ import annotations

import csv
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TypeAlias

import numpy as np

from sim.base.files import written_whole
from sim.jobs.sweep_case import Row
from sim.jobs.sweep_plan import Sweep
from sim.jobs.sweep_values import Draw, Line, Quantity, Value
from sim.verdict.requirement import margin_units

Cases: TypeAlias = Iterable[tuple[Sequence[Value], Row]]
"""What the quantities of each case are, and its row."""

# Rows turned into arrays at a time, so that memory stays flat.
CHUNK = 64
WHOLE, NUMBER, TEXT = "<i8", "<f8", "<U"
# Whole numbers of this size and more are kept as text.
WORD = 2**63
# Files made at any time have the same bytes.
ZIP_DATE = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the result.

    kind : the type of its array; of text without its width.
    of : its value from a case's quantities and its row; `None` is a value that is not known.
    """

    head: str
    kind: str
    of: Callable[[Sequence[Value], Row], Value]


def columns_of(sweep: Sweep) -> list[Column]:
    """The columns of a sweep in their order."""
    requirements = {each.id: each for each in sweep.base.requirements}
    found = [Column("case", WHOLE, lambda values, row: row.case + 1)]
    for index, quantity in enumerate(sweep.cases.quantities):
        found.append(Column(quantity.key, _kind(quantity), lambda values, row, at=index: values[at]))  # type: ignore[misc]
    found.append(Column("verdict", TEXT, lambda values, row: row.verdict))
    for index, name in enumerate(sweep.margins):
        found += _margin(index, name, sorted(margin_units(requirements[name].claim)))
    for index, name in enumerate(sweep.verdicts):
        found.append(Column(f"verdict {name}", TEXT, lambda values, row, at=index: _at(row.verdicts, at)))  # type: ignore[misc]
    for index, name in enumerate(sweep.measures):
        found.append(Column(name, NUMBER, lambda values, row, at=index: _at(row.measures, at)))  # type: ignore[misc]
    return [*found, Column("reason", TEXT, lambda values, row: row.reason)]


def _margin(index: int, name: str, units: Sequence[str]) -> Iterator[Column]:
    """A margin's column; its unit is in the head, or in a column of its own where it may differ."""
    unit = units[0] if len(units) == 1 else "1"
    head = f"margin {name}" if unit == "1" else f"margin {name} ({unit})"
    yield Column(head, NUMBER, lambda values, row: _at(row.margins, index))
    if len(units) > 1:
        yield Column(f"unit {name}", TEXT, lambda values, row: _at(row.units, index))


def _at(values: Sequence[Value], index: int) -> Value:
    """A value of a row; a case that could not be run has none."""
    return values[index] if values else None


def _kind(quantity: Quantity) -> str:
    values = quantity.values
    if isinstance(values, Draw) and values.kind != "choice":
        return WHOLE if values.kind == "whole" else NUMBER
    known = (values[0], values[len(values) - 1]) if isinstance(values, Line) else values.values
    types = {type(value) for value in known}
    if str in types or any(isinstance(value, int) and abs(value) >= WORD for value in known):
        return TEXT
    return WHOLE if types == {int} else NUMBER


def write_csv(columns: Sequence[Column], rows: Cases, path: Path) -> list[int]:
    """Write rows as CSV that reads back bit for bit, whole or not at all.

    Returns
    -------
    The length of the longest text in each column.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    widths = [1] * len(columns)
    with written_whole(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow([column.head for column in columns])
        for values, row in rows:
            cells = [column.of(values, row) for column in columns]
            writer.writerow(["" if cell is None else cell for cell in cells])
            widths = [max(width, len(str(cell))) for width, cell in zip(widths, cells, strict=True)]
    return widths


def write_npz(columns: Sequence[Column], rows: Cases, count: int, widths: Sequence[int], path: Path) -> None:
    """Write rows as one array a column, for ``numpy.load``, whole or not at all.

    Parameters
    ----------
    count : how many rows there are.
    widths : of text, from `write_csv`.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    kinds = [
        f"{column.kind}{width}" if column.kind == TEXT else column.kind
        for column, width in zip(columns, widths, strict=True)
    ]
    with written_whole(path) as temporary, tempfile.TemporaryDirectory(dir=temporary.parent) as folder:
        parts_at = [Path(folder) / str(index) for index in range(len(columns))]
        with ExitStack() as stack:
            files = [stack.enter_context(part.open("wb")) for part in parts_at]
            for file, kind in zip(files, kinds, strict=True):
                np.lib.format.write_array_header_1_0(file, {"descr": kind, "fortran_order": False, "shape": (count,)})
            waiting = iter(rows)
            while chunk := list(islice(waiting, CHUNK)):
                for column, kind, file in zip(columns, kinds, files, strict=True):
                    file.write(np.array([_cell(column, kind, *each) for each in chunk], dtype=kind).tobytes())
        with zipfile.ZipFile(temporary, "w") as archive:
            for column, part in zip(columns, parts_at, strict=True):
                told = zipfile.ZipInfo(f"{column.head}.npy", ZIP_DATE)
                told.compress_type = zipfile.ZIP_DEFLATED
                with archive.open(told, "w", force_zip64=True) as inside, part.open("rb") as written:
                    shutil.copyfileobj(written, inside)


def _cell(column: Column, kind: str, values: Sequence[Value], row: Row) -> Value:
    value = column.of(values, row)
    if value is None:
        return "" if column.kind == TEXT else float("nan")
    return str(value) if column.kind == TEXT else value
