"""What the user says of a recording: which column is which, and how its text is to be read (row 1).

It comes from ``--map`` and from a small YAML file that may stand beside the
recording: ``log.map.yaml`` beside ``log.csv``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from sim.base.document import Entry, Marks, checked, composed, number_refusal, written
from sim.base.errors import Fault

SUFFIX = ".map.yaml"
_WHAT = "a map of a recording (YAML)"

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t"}
DECIMALS = {"point": ".", "comma": ","}

Name = Annotated[str, Field(min_length=1)]


def _not_zero(value: float) -> float:
    if value == 0.0:
        raise number_refusal("other than 0", f"{value:g}")
    return value


def _spelled_out(value: object) -> object:
    return {"column": value} if isinstance(value, str) else value


class ColumnEntry(Entry):
    """One signal: which column it comes from, and how its numbers become the signal's: times scale, plus offset.

    The column's name alone will do.
    """

    column: Name
    scale: Annotated[float, AfterValidator(_not_zero)] = 1.0
    offset: float = 0.0


class TimeEntry(Entry):
    """The clock: its column and its unit, each guessed where it is not said."""

    column: Name | None = None
    unit: Literal["s", "ms", "us", "ns"] | None = None


class MapFile(Entry):
    """What a map of a recording may say; everything else is guessed."""

    encoding: Literal["utf-8", "utf-16", "cp1252", "cp850", "latin-1", "shift_jis", "gb18030"] | None = None
    delimiter: Literal["comma", "semicolon", "tab"] | None = None
    decimal: Literal["point", "comma"] | None = None
    names: tuple[Name, ...] = ()
    time: TimeEntry = TimeEntry()
    columns: Mapping[str, Annotated[ColumnEntry, BeforeValidator(_spelled_out)]] = {}


@dataclass(frozen=True, slots=True)
class Wish:
    """A signal that is to come from a named column, as column times scale plus offset.

    path, key, line, place : where it was said; the path is empty for the command line.
    """

    signal: str
    column: str
    scale: float = 1.0
    offset: float = 0.0
    path: str = ""
    key: str = ""
    line: int | None = None
    place: int | None = None

    def fault(self, path: str, line: int | None, expected: str, got: str) -> Fault:
        """A fault of this wish: where it was said, or in the recording at `path` for one of the command line."""
        if self.path:
            return Fault(self.path, self.key, expected, got, self.line, self.place)
        return Fault(path, self.signal, expected, got, line, None if line is None else 1)


@dataclass(frozen=True, slots=True)
class Layout:
    """Everything that is said of a recording.

    encoding, delimiter, decimal, unit : None where it is to be guessed.
    clock : the column that gives the time.
    names : the columns' names, where the file has none.
    path : the file that says it, and `places`: line and column of its keys.
    """

    wishes: tuple[Wish, ...] = ()
    clock: Wish | None = None
    unit: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    names: tuple[str, ...] = ()
    path: Path | None = None
    places: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    def with_mapping(self, mapping: Mapping[str, str]) -> Layout:
        """The same, with `{signal: column}` of the command line before what the file says."""
        asked = tuple(Wish(signal, column) for signal, column in mapping.items())
        return replace(self, wishes=(*asked, *(wish for wish in self.wishes if wish.signal not in mapping)))


def beside(recording: Path) -> Path | None:
    """The map that stands beside a recording, if one does."""
    path = recording.with_name(recording.stem + SUFFIX)
    return path if path.is_file() else None


def load_layout(path: Path) -> Layout:
    """Read a map of a recording.

    Raises
    ------
    InputError
        Everything wrong with the file, in the order of its lines.
    """
    data, marks, faults = composed(path, _WHAT)
    read = checked(path, data, marks, MapFile, faults)
    wishes = []
    for signal, entry in read.columns.items():
        wish = Wish(signal, entry.column, entry.scale, entry.offset)
        wishes.append(_placed(wish, path, marks, "columns", signal))
    clock = None
    if read.time.column is not None:
        clock = _placed(Wish("time", read.time.column), path, marks, "time", "column")
    return Layout(
        wishes=tuple(wishes),
        clock=clock,
        unit=read.time.unit,
        encoding=read.encoding,
        delimiter=SEPARATORS[read.delimiter] if read.delimiter else None,
        decimal=DECIMALS[read.decimal] if read.decimal else None,
        names=read.names,
        path=path,
        places={key: marks[(key, "key")] for key in data},
    )


def _placed(wish: Wish, path: Path, marks: Marks, *place: str) -> Wish:
    """The wish with where it stands."""
    line, column = marks[(*place, "key")]
    return replace(wish, path=str(path), key=written(place), line=line, place=column)
