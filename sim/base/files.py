"""Files are written whole or not at all (row 0)."""

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

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=path.suffix)
    except OSError as error:
        raise InputError([Fault(str(path), "", "a place that can be written", error.strerror or str(error))]) from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        # mkstemp makes files private; a result is for everyone the folder is for.
        temporary.chmod(0o644)
        os.replace(temporary, path)
    finally:
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
    except OSError as error:
        raise InputError([Fault(str(path), "", what, (error.strerror or str(error)).lower())]) from error
    except UnicodeDecodeError as error:
        raise InputError([Fault(str(path), "", f"{what} in UTF-8", f"byte {error.start} that is not")]) from error
