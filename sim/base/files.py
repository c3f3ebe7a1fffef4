"""Files are read as text with clear faults, and written whole or not at all (row 0)."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sim.base.errors import Fault, InputError


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """A temporary path beside `path` that replaces it when the block ends well.

    What is no file (a device, a pipe) cannot be replaced and is written to as
    it is; a link stays a link to what it leads to.

    Raises
    ------
    InputError
        A folder, or a place that cannot be written to.
    """
    if path.is_dir():
        raise InputError([Fault(str(path), "", "a file to write", "a folder")])
    temporary: Path | None = None
    try:
        if path.exists() and not path.is_file():
            yield path
            return
        target = Path(os.path.realpath(path))
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=target.suffix)
        os.close(handle)
        temporary = Path(name)
        yield temporary
        # mkstemp makes files private; a result is for everyone the folder is for.
        temporary.chmod(0o644)
        os.replace(temporary, target)
    except OSError as error:
        raise InputError([Fault(str(path), "", "a place that can be written", _why(error))]) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8, whole or not at all."""
    with written_whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def read_text(path: Path, what: str) -> str:
    """The file's text; a missing or unreadable file is one clear fault.

    Raises
    ------
    InputError
        No such file, a folder, no permission, or not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        before = error.object[: error.start].decode("utf-8")
        got = f"the byte 0x{error.object[error.start]:02x}"
        raise InputError([Fault(str(path), "", f"{what} in UTF-8", got, *spot(before, len(before)))]) from error
    except (OSError, ValueError) as error:
        # A path with a zero character is a ValueError.
        raise InputError([Fault(str(path), "", what, _why(error))]) from error


def spot(text: str, index: int) -> tuple[int, int]:
    """Line and column, from 1, of a character of a text."""
    before = text[:index]
    return before.count("\n") + 1, index - before.rfind("\n")


def _why(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()
