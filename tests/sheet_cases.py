"""Vehicle files for the design sheets' tests: Moorhen with keys changed, and the sheet command as it is called."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml

from sim.face.cli import main

MOORHEN = Path(__file__).parents[1] / "sim" / "moorhen" / "moorhen.yaml"


def vehicle(folder: Path, changes: dict[str, Any]) -> Path:
    """Moorhen's file with the values of dotted keys changed, or removed where the value is None."""
    data = yaml.safe_load(MOORHEN.read_text(encoding="utf-8"))
    for key, value in changes.items():
        *parts, last = key.split(".")
        entry = data
        for part in parts:
            entry = entry.setdefault(part, {})
        if value is None:
            del entry[last]
        else:
            entry[last] = value
    path = folder / "vehicle.yaml"
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    return path


def called(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """The exit code of ``drydive sheet`` and what it printed to either stream."""
    try:
        code = main(["sheet", *map(str, arguments)])
    except SystemExit as ended:
        code = int(ended.code or 0)
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def result(capsys: pytest.CaptureFixture[str], *arguments: object) -> dict[str, Any]:
    """The JSON of a sheet."""
    code, out, err = called(capsys, *arguments, "--json", "-")
    assert (code, err) == (0, "")
    loaded: dict[str, Any] = json.loads(out)
    return loaded


def tables_of(printed: str) -> list[str]:
    """The printed lines of the tables: all behind the first empty one, up to the caution."""
    lines = printed.splitlines()
    first = next(index for index, line in enumerate(lines) if not line.strip())
    return [line.rstrip() for line in lines[first:] if line.strip() and not line.startswith(("Simulation", "come"))]
