"""What all design sheets share: findings, and tables as plain data and as CSV (row 4)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import sim
from sim.base.files import write_text
from sim.bench.run import fingerprint

Rows = Sequence[Any]
"""Rows of one table: NamedTuples of one kind, whose fields are the columns and say their units."""


class Finding(NamedTuple):
    """A sentence that a sheet says first; a bad one is something to change before building."""

    bad: bool
    text: str


@dataclass(frozen=True, slots=True)
class Paper:
    """A design sheet as data.

    name : "lever", "contacts" or "power".
    vehicle : the vehicle's own name.
    given : the conditions it was worked out for, by name with unit.
    tables : each table by its name, the main one first.
    inputs : name and short hash of each file that went in.
    """

    name: str
    vehicle: str
    given: Mapping[str, Any]
    findings: tuple[Finding, ...]
    tables: Mapping[str, Rows]
    inputs: Mapping[str, str]

    def as_json(self) -> dict[str, Any]:
        """The whole sheet as plain data; a number that does not exist is null."""
        return {
            "sheet": self.name,
            "vehicle": self.vehicle,
            "given": dict(self.given),
            "findings": [finding._asdict() for finding in self.findings],
            **{name: [row._asdict() for row in rows] for name, rows in self.tables.items()},
            "versions": {"drydive": sim.__version__},
            "inputs": dict(self.inputs),
        }

    def write(self, folder: Path) -> list[Path]:
        """Write each table as CSV, ``sheet_NAME.csv`` and ``sheet_NAME.TABLE.csv``; the paths.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        paths = []
        for number, (name, rows) in enumerate(self.tables.items()):
            if rows:
                paths.append(folder / (f"sheet_{self.name}.csv" if number == 0 else f"sheet_{self.name}.{name}.csv"))
                write_text(paths[-1], csv_text(rows))
        return paths


def csv_text(rows: Rows) -> str:
    """Rows as CSV with their fields on top; what does not exist is an empty cell."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(rows[0]._fields)
    writer.writerows(rows)
    return out.getvalue()


def hashes(files: Iterable[tuple[str, Path]]) -> dict[str, str]:
    """Each file by its role and name, with a short hash of its contents."""
    return {f"{role} {path.name}": fingerprint(path) for role, path in files}
