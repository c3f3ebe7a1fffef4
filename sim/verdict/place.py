"""Where a formula stands in its file, so that a fault in it can say so (row 3)."""

from __future__ import annotations

from dataclasses import dataclass

from sim.base.errors import Fault


@dataclass(frozen=True, slots=True)
class Place:
    """The file, key and line of a formula, and the column its first character stands in (from 1)."""

    path: str
    key: str = ""
    line: int | None = None
    column: int = 1

    def fault(self, offset: int, expected: str, got: str) -> Fault:
        """A fault `offset` characters into the formula."""
        column = self.column + offset
        if self.line is None:
            # A column without its line would read as a line; so it goes with the key.
            return Fault(self.path, f"{self.key}, column {column}".lstrip(", "), expected, got)
        return Fault(self.path, self.key, expected, got, self.line, column)


NOWHERE = Place("formula")
