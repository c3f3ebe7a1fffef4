"""A recording as it will be used, and how it came to be (row 1)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.record.meaning import Source
from sim.record.table import Table


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording as it will be used, and how it came to be.

    table : the signals under their standard names and units; other columns under their own.
    notes : what was guessed: separators, clock, which column is which signal, units, gaps.
    mended : what was repaired, with the file's line numbers and what was done.
    place : line and column at which the file names its columns.
    map_file : what was said of the file, where anything was.
    changes : whether the rows are the moments something changed, so that no pause between them is a gap.
    """

    table: Table
    notes: tuple[str, ...]
    mended: tuple[str, ...]
    place: tuple[int, int]
    changes: bool = False
    map_file: Path | None = None


def held(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], int]:
    """Missing values take the one before; those before the first known value take that one.

    Parameters
    ----------
    values : shape (rows,), NaN where missing, at least one known.

    Returns
    -------
    values : the same array where nothing was missing.
    first : the row of the first known value.
    """
    known = np.isfinite(values)
    first = int(np.argmax(known))
    if known.all():
        return values, first
    rows = np.where(known, np.arange(len(values)), first)
    return values[np.maximum.accumulate(rows, out=rows)], first


def converted(values: NDArray[np.float64], source: Source) -> NDArray[np.float64]:
    """A column's numbers as the signal's."""
    if source.divisor != 1.0:
        values = values / source.divisor
    if source.scale != 1.0:
        values = values * source.scale
    return values + source.offset if source.offset else values


def not_contacts(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """The rows in which a contact is neither open nor closed."""
    return np.flatnonzero(np.isfinite(values) & (values != 0.0) & (values != 1.0))
