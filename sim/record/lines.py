"""From a file's bytes to its numbered lines, a block at a time (row 1)."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from sim.base.errors import Fault, InputError

# As much as is read at once: a block of lines is about this long.
_CHUNK_BYTES = 1 << 19
# As much as the encoding is guessed from.
_HEAD_BYTES = 1 << 16
# No row of numbers is longer; a file without line ends would otherwise be held whole.
LONGEST_LINE = 1_000_000

# The longer marks first: that of UTF-16 begins that of UTF-32.
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_ZEROS = re.compile("\0+")
# What no text holds; blanks of every kind and zero bytes, which a lost block leaves, are not among them.
_CONTROLS = bytes([*range(1, 8), *range(14, 32)])
_BINARY_FRAC = 0.02


def opened(path: Path, what: str) -> BinaryIO:
    """The file to read its bytes.

    Raises
    ------
    InputError
        No such file, a folder, no permission.
    """
    try:
        return path.open("rb")
    except (OSError, ValueError) as error:
        # A path with a zero character is a ValueError.
        got = (getattr(error, "strerror", None) or str(error)).lower()
        raise InputError([Fault(str(path), "", what, got)]) from error


class Lines:
    """The lines of a file without their ends, whether these are LF, CRLF or CR.

    note : what was guessed of the encoding; empty where it is plain UTF-8.
    rest : a last line without an end, with its number; it is in no block, and known once all of these are through.

    A run of zero bytes is handed out as one, so that a block that was never
    written takes no room. A byte that cannot be read stays as a lone surrogate,
    see `told`.
    """

    def __init__(self, path: str, handle: BinaryIO, encoding: str | None = None) -> None:
        self._path = path
        self._handle = handle
        self._first = handle.read(_HEAD_BYTES)
        self.encoding, mark, self.note = _encoding(path, self._first, encoding)
        self._first = self._first[mark:]
        self.rest: tuple[int, str] | None = None
        self._unended = False
        self._lists = self._read()
        self._waiting: list[str] = []
        self._number = 1

    def head(self, most: int) -> list[str]:
        """The first lines not yet handed out, which stay."""
        while len(self._waiting) < most and (more := next(self._lists, None)):
            self._waiting += more
        return self._waiting[:most]

    def pass_over(self, count: int) -> None:
        """Pass over so many lines of the head."""
        del self._waiting[:count]
        self._number += count

    def blocks(self) -> Iterator[tuple[int, list[str]]]:
        """All lines not yet handed out: the number of the first line of a block, from 1, and the block."""
        self.head(1)
        while self._waiting:
            number, block = self._number, self._waiting
            self._number, self._waiting = number + len(block), next(self._lists, [])
            if self._unended and not self._waiting:
                self.rest = (self._number - 1, block.pop())
            if block:
                yield number, block

    def _texts(self) -> Iterator[str]:
        decoder = io.IncrementalNewlineDecoder(_decoder(self.encoding), translate=True)
        data = self._first
        while data:
            yield decoder.decode(data)
            data = self._handle.read(_CHUNK_BYTES)
        yield decoder.decode(b"", final=True)

    def _read(self) -> Iterator[list[str]]:
        rest, number = "", 1
        for text in self._texts():
            lines = (rest + (_ZEROS.sub("\0", text) if "\0" in text else text)).split("\n")
            rest = lines.pop()
            number += len(lines)
            if len(rest) > LONGEST_LINE:
                got = f"more than {LONGEST_LINE} characters without a line end"
                raise InputError([Fault(self._path, "", "lines of text", got, number, 1)])
            if lines:
                yield lines
        if rest:
            self._unended = True
            yield [rest]


def told(text: str) -> str:
    r"""Text that can be shown: a byte that could not be read as ``\xff``."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _decoder(encoding: str) -> codecs.IncrementalDecoder:
    # Where a character has two bytes a lone one cannot stay; it becomes the sign for what cannot be read.
    return codecs.getincrementaldecoder(encoding)(
        "replace" if encoding.startswith("utf-") and encoding != "utf-8" else "surrogateescape"
    )


def _encoding(path: str, head: bytes, asked: str | None) -> tuple[str, int, str]:
    """The encoding, the length of the mark in front of the text, and what is said of a guess."""
    for mark, name in _MARKS:
        if head.startswith(mark) and (asked is None or asked.startswith(name[:6])):
            note = "" if name == "utf-8" else f"text in {name[:6].upper()} (from its byte order mark)"
            return name, len(mark), note
    if asked is not None:
        return ("utf-16-le" if asked == "utf-16" else asked), 0, f"text in {asked} (as asked)"
    if wide := _wide(head):
        return wide, 0, f"text in {wide.upper()} (guessed from its zero bytes)"
    controls = len(head) - len(head.translate(None, _CONTROLS))
    if controls > _BINARY_FRAC * len(head):
        index = next(index for index, byte in enumerate(head) if byte in _CONTROLS)
        line, start = head.count(b"\n", 0, index) + 1, head.rfind(b"\n", 0, index)
        got = f"a binary file (byte 0x{head[index]:02x})"
        raise InputError([Fault(path, "", "text", got, line, index - start)])
    if not head.strip(b"\0 \t\r\n") and b"\0" in head:
        raise InputError([Fault(path, "", "text", "zero bytes alone (a file that was never written)", 1, 1)])
    if _is_utf_8(head):
        return "utf-8", 0, ""
    return "cp1252", 0, "text in Windows-1252 (guessed, as it is not UTF-8)"


def _wide(head: bytes) -> str:
    """UTF-16 without a mark shows as a zero in nearly every second byte, and in no other."""
    even, odd = head[0:2000:2], head[1:2000:2]
    zeros = [half.count(0) / max(len(half), 1) for half in (even, odd)]
    if max(zeros) < 0.8 or min(zeros) > 0.1:
        return ""
    return "utf-16-le" if zeros[1] > zeros[0] else "utf-16-be"


def _is_utf_8(head: bytes) -> bool:
    """Whether the lines that are more than ASCII are rather UTF-8 than not; the last may be cut."""
    lines = [line for line in head.split(b"\n") if not line.isascii()]
    readable = sum(_decodes(line) for line in lines)
    return 2 * readable >= len(lines)


def _decodes(line: bytes) -> bool:
    try:
        codecs.getincrementaldecoder("utf-8")().decode(line)
    except UnicodeDecodeError:
        return False
    return True
