"""A table as a value change dump for a waveform viewer (row 1).

Source of the format: IEEE 1364-2005, value change dump files; written with the pyvcd library.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from vcd import VCDWriter

from sim.base.files import written_whole
from sim.record.table import Table


class Kind(NamedTuple):
    """A variable's type word in the dump, and its size in bits."""

    word: str
    bits: int


BIT = Kind("wire", 1)
INTEGER = Kind("integer", 32)
LONG_INTEGER = Kind("integer", 64)
REAL = Kind("real", 64)


def write_vcd(
    table: Table, path: Path, date: str = "", scope: str = "top", kinds: Mapping[str, Kind] | None = None
) -> None:
    """Write every column of a table as one variable, changes only, whole or not at all.

    Parameters
    ----------
    table : Table
        At least one row; t_us >= 0; every value finite or unknown (NaN), which is written as x.
    path : Path
        Replaced if it exists.
    date : str
        Written as it is; left out where empty, so that equal tables give equal files.
    scope : name of the module the variables stand in.
    kinds : the kind of some columns; of the others it follows from their values, see `kind_of`.

    Raises
    ------
    ValueError
        No rows, a time before 0, an infinite value, or one that does not fit its kind.
    InputError
        The folder cannot be written to.

    Notes
    -----
    One unit of time is 1 us. Reals carry 16 significant digits, which is what
    pyvcd writes: enough to look at, one short of exact. The format has no x for
    reals: an unknown one is written as `nan`, as printf does. A name's blanks
    become underscores, as the format has no blanks in names.
    """
    if not len(table) or table.t_us[0] < 0:
        raise ValueError("a dump needs at least one row, and times from 0 on")
    chosen = {name: (kinds or {}).get(name) or kind_of(table[name]) for name in table.names}
    values = {name: _values(name, table[name], chosen[name]) for name in table.names}
    with (
        written_whole(path) as temporary,
        temporary.open("w", encoding="utf-8") as handle,
        VCDWriter(handle, timescale="1 us", date=date, init_timestamp=int(table.t_us[0])) as writer,
    ):
        variables = [
            writer.register_var(scope, "_".join(name.split()), kind.word, kind.bits, init=values[name][0])
            for name, kind in chosen.items()
        ]
        for row, which in _changes([table[name] for name in table.names]):
            writer.change(variables[which], int(table.t_us[row]), values[table.names[which]][row])
        # The last time is written even if nothing changes there, so that the viewer shows the whole length.
        writer.close(int(table.t_us[-1]))


def kind_of(column: NDArray[np.float64]) -> Kind:
    """A bit for 0 and 1, the smallest of two integers for whole numbers, otherwise a real; NaN fits each."""
    known = column[~np.isnan(column)]
    if np.all((known == 0.0) | (known == 1.0)):
        return BIT
    if np.all(known == np.rint(known)) and np.all(np.abs(known) < 2.0**53):
        return INTEGER if known.min() >= -(2.0**31) and known.max() < 2.0**31 else LONG_INTEGER
    return REAL


def _values(name: str, column: NDArray[np.float64], kind: Kind) -> list[float] | list[int | str]:
    """What pyvcd is to write in each row."""
    if np.isinf(column).any():
        raise ValueError(f"column {name!r} has values that are not finite; a dump has no sign for them")
    if kind.word == REAL.word:
        values: list[float] = column.tolist()
        return values
    # An integer is signed in this format, a wire is not.
    low, high = (-(2.0 ** (kind.bits - 1)), 2.0 ** (kind.bits - 1)) if kind.word == "integer" else (0.0, 2.0**kind.bits)
    unknown = np.isnan(column)
    known = np.where(unknown, low, column)
    if np.any((known != np.rint(known)) | (known < low) | (known >= high)):
        raise ValueError(f"column {name!r} has values that are not whole or not within {kind.bits} bits")
    whole: list[int | str] = known.astype(np.int64).tolist()
    for row in np.flatnonzero(unknown).tolist():
        whole[row] = "x"
    return whole


def _changes(columns: list[NDArray[np.float64]]) -> list[tuple[int, int]]:
    """(row, column) of every value that differs from the row above, in the order of time."""
    changed = []
    for which, column in enumerate(columns):
        # An unknown value below an unknown one is no change.
        differs = (column[1:] != column[:-1]) & ~(np.isnan(column[1:]) & np.isnan(column[:-1]))
        changed += [(row, which) for row in (np.flatnonzero(differs) + 1).tolist()]
    return sorted(changed)
