"""A new project: a working starter that its owner makes their own (row 4)."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path, PurePath

import sim
from sim.base.errors import Fault, InputError

STARTER = Path(sim.__file__).parent / "starter"

# What makes the folder a part of the package, and what running its files leaves there.
NOT_COPIED = {"__init__.py", "__pycache__", ".pytest_cache", ".ruff_cache", ".mypy_cache", "out", "report.xml"}


def starter_files() -> list[PurePath]:
    """Every file of the starter, by its path within it, in order."""
    paths = sorted(path.relative_to(STARTER) for path in STARTER.rglob("*") if path.is_file())
    return [path for path in paths if NOT_COPIED.isdisjoint(path.parts)]


def new(folder: Path) -> list[PurePath]:
    """Write the starter into a folder that is not there yet, or empty: all of it, or nothing.

    Returns
    -------
    list of paths within the folder

    Raises
    ------
    InputError
        Something is there already, or the place cannot be written to.
    """
    files = starter_files()
    try:
        target = Path(os.path.realpath(folder))
        _require_room(folder, target)
        target.parent.mkdir(parents=True, exist_ok=True)
        # Beside the target, so that it only has to be renamed.
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".drydive-new-") as temporary:
            made = Path(temporary) / "made"
            for path in files:
                (made / path).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(STARTER / path, made / path)
            _put(made, target)
    except (OSError, ValueError) as error:
        # A path with a zero character is a ValueError.
        got = (getattr(error, "strerror", None) or str(error)).lower()
        raise InputError([Fault(str(folder), "", "a place that can be written", got)]) from error
    return files


def _require_room(folder: Path, target: Path) -> None:
    if target.is_dir():
        inside = sorted(path.name for path in target.iterdir())
        got = f"a folder that holds {_some(inside)}" if inside else ""
    else:
        got = "a file" if target.exists() else ""
    if got:
        raise InputError([Fault(str(folder), "", "a folder that is new or empty", got)])


def _some(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"


def _put(made: Path, target: Path) -> None:
    """Give a finished folder its name; one that is there and empty is filled instead, for someone may stand in it."""
    if not target.is_dir():
        made.rename(target)
        return
    moved: list[Path] = []
    try:
        for path in sorted(made.iterdir()):
            moved.append(path.rename(target / path.name))
    except OSError:
        for path in moved:
            path.rename(made / path.name)
        raise
