"""The words of a value change dump, each with its place in the file (row 1).

The pyvcd library reads them. Around it stands what a file from outside needs:
bytes that are not ASCII, a file that ends within a word, and faults in words.
"""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Iterator
from functools import cache
from typing import Any, BinaryIO, NamedTuple

from vcd.reader import Location, TokenKind, VCDParseError, tokenize

from sim.base.errors import Fault, InputError, shown

_BUFFER_BYTES = 1 << 16
# What is read behind the end of the file: whatever word reaches into it was cut short.
_BEHIND = b"\n$comment end $end\n"
_ASCII = bytes(byte if byte < 0x80 else ord("?") for byte in range(256))


class At(NamedTuple):
    """A place in a file, from 1."""

    line: int
    column: int


class Word(NamedTuple):
    """A declaration, command or change: its kind and what pyvcd makes of it."""

    kind: TokenKind
    data: Any
    at: At


class Words:
    """Every word of a dump.

    cut : where the word begins within which the file ends, known once all are through; None where it ends well.
    """

    def __init__(self, path: str, handle: BinaryIO) -> None:
        self._path = path
        self._source = _Source(handle)
        self.cut: At | None = None

    def __iter__(self) -> Iterator[Word]:
        """The words in order.

        Raises
        ------
        InputError
            Something that is no word of the format.
        """
        at = behind = At(1, 1)
        try:
            for token in tokenize(self._source, _BUFFER_BYTES):
                at, behind = _at(token.span.start), _at(token.span.end)
                if self._source.reaches_behind(token.span.end):
                    self.cut = at if at.line <= self._source.last_line else None
                    return
                yield Word(token.kind, token.data, at)
        except VCDParseError as error:
            if self._source.reaches_behind(error.loc):
                self.cut = At(self._source.last_line, 1)
                return
            place, here = self._source.text(error.loc)
            expected, got = _said(str(error).partition(": ")[2], here)
            raise InputError([Fault(self._path, "", expected, got, *place)]) from error
        except ValueError as error:
            # Python reads no number of thousands of digits.
            raise InputError(
                [Fault(self._path, "", "numbers of a usual length", "thousands of digits", *behind)]
            ) from error


class _Source(io.RawIOBase):
    """A file's bytes with what is read behind its end; bytes that are not ASCII read as question marks."""

    def __init__(self, handle: BinaryIO) -> None:
        self._handle = handle
        self._ended = False
        self.last_line = 1

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer, as `io.RawIOBase` has it."""
        data = self._handle.read(len(buffer)).translate(_ASCII)
        self.last_line += data.count(b"\n")
        if not data and not self._ended:
            self._ended, data = True, _BEHIND
        buffer[: len(data)] = data
        return len(data)

    def reaches_behind(self, end: Location) -> bool:
        """Whether a word that ends here took in what stands behind the end of the file."""
        return self._ended and end.line > self.last_line

    def text(self, location: Location) -> tuple[At, str]:
        """A place, and what stands there up to the next blank."""
        # A line's end is counted to the line below it, in front of its first column.
        at_end = location.line > 1 and location.column < _first_column()
        line, at = location.line - at_end, _at(location)
        self._handle.seek(0)
        whole = (
            next(itertools.islice(self._handle, line - 1, None), b"").translate(_ASCII).decode("ascii").rstrip("\r\n")
        )
        if at_end:
            return At(line, len(whole) + 1), "the end of the line"
        rest = whole[at.column - 1 :].split()
        return at, rest[0] if rest else "the end of the line"


@cache
def _first_column() -> int:
    """How pyvcd counts the first column of a line below the first one; that differs from how it counts in the first."""
    return next(tokenize(io.BytesIO(b"\n#0\n"))).span.start.column


def _at(location: Location) -> At:
    behind = _first_column() - 1 if location.line > 1 else 0
    return At(location.line, max(location.column - behind, 1))


# What pyvcd's words mean to somebody who has only the file.
_PLAIN = {
    "id code": "an identifier",
    "decimal value": "a whole number",
    "real value": "a real number",
    "vector value": "bits",
    "variable reference": "a variable's name",
    "zero fraction in time change": "a time without a fraction",
    "Simple identifier must start with a-zA-Z_": "a word that starts with a letter",
    "Escaped identifier can only contain printable ASCII characters": "a name of printable characters",
}


def _said(message: str, here: str) -> tuple[str, str]:
    """What pyvcd says is wrong, as what was expected and what was got."""
    found = here if here.startswith("the end") else f"'{shown(here)}'"
    if match := re.fullmatch(r"(?i)invalid \$(\w+) (\w+): (\S+?)\.?(?: must be one of: (.+?)\.?)?", message):
        choices = f": {match[4]}" if match[4] else ""
        return f"a known ${match[1]} {match[2]}{choices}", f"'{shown(match[3])}'"
    if match := re.fullmatch(r"invalid keyword (.+)", message):
        return "a keyword of the format ($var, $end, $dumpvars, ...)", f"'{shown(match[1])}'"
    if message.startswith("confused"):
        return "a value change, a time or a keyword", found
    expected, _, got = message.removeprefix("Expected ").partition(", got: ")
    return _PLAIN.get(expected, expected), f"'{shown(got)}'" if got else found
