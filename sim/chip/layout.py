"""Text that breaks into lines where it is too long, and comments in C (row 1)."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

WIDTH = 100
INDENT = "    "


@dataclass(frozen=True, slots=True)
class Group:
    """Something in brackets, on one line or each item on its own.

    comments : lines above each item, by its index.
    """

    opening: str
    items: tuple[Doc, ...]
    closing: str
    comments: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Chain:
    """Parts with a sign before each but the first, on one line or each further part on its own."""

    parts: tuple[Doc, ...]
    signs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """Parts right after one another."""

    parts: tuple[Doc, ...]


Doc: TypeAlias = str | Group | Chain | Row


def row(*parts: Doc) -> Doc:
    """Parts right after one another, as plain text where all are."""
    if all(isinstance(part, str) for part in parts):
        return "".join(str(part) for part in parts)
    return Row(parts)


def flat(doc: Doc) -> str:
    """All of it on one line."""
    match doc:
        case Group():
            return doc.opening + ", ".join(flat(item) for item in doc.items) + doc.closing
        case Chain():
            first, *rest = map(flat, doc.parts)
            return first + "".join(f" {sign} {part}" for sign, part in zip(doc.signs, rest, strict=True))
        case Row():
            return "".join(flat(part) for part in doc.parts)
    return doc


def _has_comments(doc: Doc) -> bool:
    match doc:
        case Group():
            return any(doc.comments) or any(_has_comments(item) for item in doc.items)
        case Chain() | Row():
            return any(_has_comments(part) for part in doc.parts)
    return False


def lines(doc: Doc, depth: int) -> list[str]:
    """The lines of a statement, indented to a depth."""
    margin = INDENT * depth
    if _fits(margin, doc):
        return [margin + flat(doc)]
    return _broken(doc, depth)


def _fits(before: str, doc: Doc) -> bool:
    return len(before) + len(flat(doc)) <= WIDTH and not _has_comments(doc)


def _broken(doc: Doc, depth: int) -> list[str]:
    """The lines of what is too long for one."""
    match doc:
        case Group():
            return _opened(doc, depth)
        case Chain():
            found = lines(doc.parts[0], depth)
            for sign, part in zip(doc.signs, doc.parts[1:], strict=True):
                found += _joined([f"{INDENT * (depth + 1)}{sign} "], lines(part, depth + 1))
            return found
        case Row():
            found = [INDENT * depth]
            for part in doc.parts:
                # A short group stays whole; the next long one opens.
                if isinstance(part, str) or _fits(found[-1], part):
                    found[-1] += flat(part)
                else:
                    found = _joined(found, _broken(part, depth))
            return found
    return [INDENT * depth + flat(doc)]


def _opened(group: Group, depth: int) -> list[str]:
    found = [INDENT * depth + group.opening]
    for index, item in enumerate(group.items):
        above = group.comments[index] if group.comments else ()
        found += remark(above, depth + 1) if above else []
        found += lines(item, depth + 1)
        if index < len(group.items) - 1 or group.opening.endswith("{"):
            found[-1] += ","
    return [*found, INDENT * depth + group.closing]


def _joined(above: Sequence[str], below: Sequence[str]) -> list[str]:
    """The second lines behind the first ones, the line in the middle shared."""
    return [*above[:-1], above[-1] + below[0].lstrip(), *below[1:]]


def harmless(text: str) -> str:
    """Text that ends no comment and begins none, with no trigraph in it."""
    for sign, apart in (("*/", "* /"), ("/*", "/ *"), ("??", "? ?")):
        while sign in text:
            text = text.replace(sign, apart)
    # A line's end after a backslash is no end.
    return "".join(letter if letter.isprintable() else " " for letter in text.expandtabs(4)).rstrip(" \\")


def remark(said: Iterable[str], depth: int = 0) -> list[str]:
    """A comment; each line wrapped where it is too long."""
    margin = INDENT * depth
    room = WIDTH - len(margin) - 6
    wrapped = []
    for line in said:
        text = harmless(line)
        inset = text[: len(text) - len(text.lstrip())]
        wrapped += textwrap.wrap(text, room, subsequent_indent=inset, break_long_words=False) or [""]
    if not wrapped:
        return []
    if len(wrapped) == 1:
        return [f"{margin}/* {wrapped[0]} */"]
    middle = [f"{margin} * {line}".rstrip() for line in wrapped[1:]]
    return [f"{margin}/* {wrapped[0]}", *middle, f"{margin} */"]
