"""Keeps machine code between runs, each piece under the identity of all that went into it (row 0).

A piece that differs in anything its code can see has another identity, hence
another folder: changed code never meets what was compiled before the change.
The compiler, the interpreter and the processor are told apart by numba itself,
which also writes each file whole or not at all.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# Old versions of controllers pile up as they are edited; a piece takes about a megabyte.
KEPT = 40


def folder() -> Path:
    """Where machine code is kept: ``DRYDIVE_CODE``, else below the user's cache folder (XDG base directories)."""
    named = os.environ.get("DRYDIVE_CODE")
    if named:
        return Path(named)
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "drydive" / "code"


def kept(identity: str | None) -> bool:
    """Whether a piece of this identity has been compiled before."""
    return identity is not None and any((folder() / identity).rglob("*.nbi"))


@contextmanager
def storing(identity: str | None) -> Iterator[bool]:
    """Inside, numba keeps what it is told to cache in this identity's folder.

    Yields
    ------
    bool
        Whether there is such a folder; without an identity, or where none can be written, there is none.
    """
    import numba

    place = None if identity is None else folder() / identity
    try:
        if place is not None:
            place.mkdir(parents=True, exist_ok=True)
            os.utime(place)
            _forget_oldest(place.parent)
    except OSError:
        place = None
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(place or "")
    try:
        yield place is not None
    finally:
        numba.config.CACHE_DIR = before


def _forget_oldest(root: Path) -> None:
    """Keep the pieces used last."""
    ages = sorted(((each.stat().st_mtime, each) for each in root.iterdir()), reverse=True)
    for _, each in ages[KEPT:]:
        shutil.rmtree(each, ignore_errors=True)
