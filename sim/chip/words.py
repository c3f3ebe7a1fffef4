"""What the numbers of a command's field mean, as the header tells it in a comment (row 1).

    /* mode:
     *   0  stopped
     *   1  driving as the lever says
     */

A line with a number says what the number means, one without goes on with the
line before. Exported headers have it, and one by hand may.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from sim.chip.layout import remark


def words_text(field: str, words: Mapping[int, str]) -> str:
    """The comment for a field."""
    return "\n".join(remark([f"{field}:", *(f"  {number}  {word}".rstrip() for number, word in sorted(words.items()))]))


def words_of(header: str, field: str) -> dict[int, str]:
    """What a header's text says of a field; nothing where it says nothing."""
    found: dict[int, str] = {}
    comment = re.search(rf"/\*\s*{field}:[ \t]*\n(?P<lines>.*?)\*/", header, re.DOTALL)
    last: int | None = None
    for line in comment["lines"].splitlines() if comment else ():
        text = line.strip().removeprefix("*").strip()
        entry = re.fullmatch(r"(?P<number>-?\d+)(?:  +(?P<word>.*))?", text)
        if entry:
            last = int(entry["number"])
            found[last] = entry["word"] or ""
        elif text and last is not None:
            found[last] = f"{found[last]} {text}"
    return found
