"""The table of named columns every recording and every run is kept in (row 1)."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sim.base.files import written_whole
from sim.record.dialect import Dialect

TIME_NAME = "t_us"

# Up to here every whole float is its own integer, so writing it without ".0" loses nothing.
_WHOLE_LIMIT = 2.0**53

Item = TypeVar("Item", bound=np.generic)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Named columns over one strictly increasing clock.

    Parameters
    ----------
    t_us : int64, shape (n,)
        Strictly increasing.
    columns : mapping of name to float64, shape (n,)
        Units are in the names; NaN is a value that is not known. The order is kept.

    Raises
    ------
    ValueError
        Lengths differ, times do not increase, times are not integers, or a column is called like the clock.

    Notes
    -----
    The arrays are handed out read-only and are not copied when they already have the right type.
    """

    t_us: NDArray[np.int64]
    columns: Mapping[str, NDArray[np.float64]]

    def __post_init__(self) -> None:
        clock = np.asarray(self.t_us)
        if clock.ndim != 1 or (clock.size and clock.dtype.kind not in "iu"):
            raise ValueError(f"{TIME_NAME} must be one-dimensional integers; got {clock.dtype} of shape {clock.shape}")
        clock = _read_only(clock.astype(np.int64, copy=False))
        if np.any(clock[1:] <= clock[:-1]):
            row = int(np.flatnonzero(clock[1:] <= clock[:-1])[0]) + 1
            raise ValueError(f"{TIME_NAME} must increase; row {row} has {clock[row]} after {clock[row - 1]}")
        checked = {}
        for name, values in self.columns.items():
            column = np.asarray(values, dtype=np.float64)
            if name == TIME_NAME or column.shape != clock.shape:
                raise ValueError(f"column {name!r} of shape {column.shape} does not fit {TIME_NAME} of {clock.shape}")
            checked[name] = _read_only(column)
        object.__setattr__(self, "t_us", clock)
        # A plain dict, because a read-only proxy could not be sent to another process.
        object.__setattr__(self, "columns", checked)

    def __len__(self) -> int:
        return len(self.t_us)

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self.columns[name]

    def __contains__(self, name: object) -> bool:
        return name in self.columns

    @property
    def names(self) -> tuple[str, ...]:
        """The columns' names in their order, without the clock."""
        return tuple(self.columns)

    def with_columns(self, columns: Mapping[str, NDArray[np.float64]]) -> Table:
        """A table with these columns added; one of the same name is replaced in its place."""
        return Table(self.t_us, {**self.columns, **columns})

    def between(self, start_us: int, end_us: int) -> Table:
        """The rows with start_us <= t_us < end_us, their times unchanged."""
        first, stop = np.searchsorted(self.t_us, [start_us, max(start_us, end_us)])
        return Table(self.t_us[first:stop], {name: column[first:stop] for name, column in self.columns.items()})


PLAIN = Dialect(",", ".")


def write_csv(
    table: Table, path: Path, comments: Iterable[str] = (), dialect: Dialect = PLAIN, encoding: str = "utf-8"
) -> None:
    """Write the table as CSV that reads back bit for bit, whole or not at all.

    Parameters
    ----------
    table : Table
        An unknown value (NaN) becomes an empty cell.
    path : Path
        Replaced if it exists.
    comments : lines put on top, each behind a ``#``.
    dialect : what parts cells, and the decimal sign.
    encoding : one of Unicode's; ``utf-8-sig`` and ``utf-16`` put a byte order mark on top.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    with written_whole(path) as temporary, temporary.open("w", encoding=encoding, newline="") as handle:
        for comment in comments:
            handle.writelines(f"# {line}\n" for line in comment.splitlines() or [""])
        writer = csv.writer(handle, delimiter=dialect.delimiter, lineterminator="\n")
        writer.writerow((TIME_NAME, *table.names))
        cells = (_cells(table[name], dialect.decimal) for name in table.names)
        writer.writerows(zip(table.t_us.tolist(), *cells, strict=True))


def _cells(column: NDArray[np.float64], decimal: str) -> Sequence[float | str]:
    """Values the csv writer prints exactly: it prints a float by its repr, the shortest text that reads back."""
    negative_zero = (column == 0.0) & np.signbit(column)
    if np.all((np.abs(column) < _WHOLE_LIMIT) & (column == np.rint(column)) & ~negative_zero):
        whole: list[int] = column.astype(np.int64).tolist()
        return whole
    values: list[float] = column.tolist()
    if decimal != ".":
        return ["" if value != value else repr(value).replace(".", decimal) for value in values]
    if not np.isnan(column).any():
        return values
    return ["" if value != value else value for value in values]


def _read_only(values: NDArray[Item]) -> NDArray[Item]:
    view = values.view()
    view.flags.writeable = False
    return view
