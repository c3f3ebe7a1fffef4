"""What is wrong with an input, and where: one line for each fault (row 0)."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in one place of one input.

    `line` and `column` count from 1; `None` where the input has no such place
    (a missing file, a command-line option).
    """

    path: str
    key: str
    expected: str
    got: str
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.path, self.line, self.column) if part is not None)
        key = f"{self.key}: " if self.key else ""
        return f"{place}: {key}expected {self.expected}; got {self.got}"


class InputError(Exception):
    """Everything found wrong with the user's input, collected and raised once."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def did_you_mean(name: str, known: Sequence[str]) -> str:
    """` (did you mean X?)` for the nearest known name, or an empty string."""
    near = difflib.get_close_matches(name, known, n=1)
    return f" (did you mean {near[0]}?)" if near else ""
