"""What is wrong with an input, and where: one line for each fault (row 0)."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in one place of one input.

    `line` and `column` count from 1; `None` where the input has no such place
    (a missing file, a command-line option). `path` is empty where only the one
    who asked knows what file or option the fault is in.
    """

    path: str
    key: str
    expected: str
    got: str
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.path, self.line, self.column) if part is not None)
        where = "".join(f"{part}: " for part in (place, self.key) if part)
        return one_line(f"{where}expected {self.expected}; got {self.got}")


def in_file_order(faults: Iterable[Fault]) -> list[Fault]:
    """Each fault once, by line and column; those without a place first."""
    return sorted(dict.fromkeys(faults), key=lambda fault: (fault.line or 0, fault.column or 0))


class InputError(Exception):
    """Everything found wrong with the user's input, collected and raised once."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def one_line(text: str) -> str:
    """Text that stays on its line: what does not print is written as its escape."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def shown(value: object, most: int = 60) -> str:
    """A value from a file, cut to a length that still shows what it is."""
    text = str(value)
    return text if len(text) <= most else f"{text[:most]}... ({len(text)} characters)"


def did_you_mean(name: str, known: Sequence[str]) -> str:
    """` (did you mean X?)` for the nearest known name, or an empty string."""
    near = difflib.get_close_matches(name, known, n=1)
    return f" (did you mean {near[0]}?)" if near else ""
