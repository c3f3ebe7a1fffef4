"""The rows of a sweep under way, each safe on disk as soon as it is known (row 4).

A text file: on the first line what the sweep was begun with, then a row a
line. A process that is killed leaves at most its last line torn; that line is
cut off when the sweep goes on.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import BinaryIO

import numpy as np

from sim.base.errors import Fault, InputError, shown
from sim.base.files import write_text
from sim.jobs.sweep_case import Row, changed

AFRESH = "(--afresh throws them away)"


class Journal:
    """Rows by the number of their case; of each, memory holds only where it stands.

    Parameters
    ----------
    path : made anew where there is none.
    inputs : what the sweep is begun with, by role, as short hashes.
    cases : how many there are.

    Raises
    ------
    InputError
        A file that is no journal, one of other inputs, one that another process
        writes to, or a place that cannot be written to.
    """

    def __init__(self, path: Path, inputs: Mapping[str, str], cases: int) -> None:
        self.path = path
        head = json.dumps({"sweep": dict(sorted(inputs.items())), "cases": cases})
        if not path.exists():
            write_text(path, head + "\n")
        try:
            self._file: BinaryIO = path.open("r+b")
        except OSError as error:
            got = (error.strerror or str(error)).lower()
            raise InputError([Fault(str(path), "", "a journal that can be written", got)]) from error
        try:
            _alone(self._file, path)
            _same(self._file.readline(), json.loads(head), path)
            self._starts = np.full(cases, -1, dtype=np.int64)
            self._read()
        except BaseException:
            self._file.close()
            raise

    def _read(self) -> None:
        """Find the rows there are, and cut off what was not written to its end."""
        good = self._file.tell()
        for line in self._file:
            row = _row(line)
            if row is None or row.case >= len(self._starts):
                break
            self._starts[row.case] = good
            good += len(line)
        self._file.seek(good)
        self._file.truncate()

    def __len__(self) -> int:
        """How many cases have their row."""
        return int(np.count_nonzero(self._starts >= 0))

    def __contains__(self, case: int) -> bool:
        return bool(self._starts[case] >= 0)

    def add(self, rows: Sequence[Row]) -> None:
        """Write rows; when this returns they are on the disk."""
        at = self._file.seek(0, os.SEEK_END)
        for row in rows:
            line = json.dumps(row).encode() + b"\n"
            self._file.write(line)
            self._starts[row.case] = at
            at += len(line)
        self._file.flush()
        os.fsync(self._file.fileno())

    def rows(self) -> Iterator[Row]:
        """Every row there is, in the order of the cases."""
        for start in self._starts:
            if start >= 0:
                self._file.seek(int(start))
                row = _row(self._file.readline())
                assert row is not None
                yield row

    def close(self) -> None:
        """Leave the file as it is."""
        self._file.close()

    def remove(self) -> None:
        """Throw the file away."""
        self._file.close()
        self.path.unlink(missing_ok=True)


def _alone(file: BinaryIO, path: Path) -> None:
    """Lock the file for this process, as long as it lives.

    Raises
    ------
    InputError
        Another process has it.
    """
    try:
        import fcntl
    except ImportError:
        # Not every system has such locks.
        return
    try:
        # Of this kind no forked worker inherits one, so that none outlives the sweep.
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        fault = Fault(str(path), "", "a sweep that no other process is running", "one that is")
        raise InputError([fault]) from error


def _same(line: bytes, wanted: Mapping[str, object], path: Path) -> None:
    """Refuse rows that came from other inputs.

    Raises
    ------
    InputError
        One line that names them.
    """
    try:
        before = json.loads(line)
        inputs, now = dict(before["sweep"]), wanted["sweep"]
    except (ValueError, KeyError, TypeError) as error:
        got = shown(line.decode(errors="replace").strip()) or "an empty file"
        raise InputError([Fault(str(path), "", "the journal of a sweep", got)]) from error
    if before == wanted:
        return
    assert isinstance(now, dict)
    told = changed(inputs, now) or "the number of cases"
    raise InputError([Fault(str(path), "", f"the inputs that its rows were made with {AFRESH}", f"a change of {told}")])


def _row(line: bytes) -> Row | None:
    """A row as it was written; none where the line is torn."""
    if not line.endswith(b"\n"):
        return None
    try:
        case, verdict, reason, *lists = json.loads(line)
        margins, units, verdicts, measures = map(tuple, lists)
    except (ValueError, TypeError):
        return None
    return Row(case, verdict, reason, margins, units, verdicts, measures)
