"""A recording from whatever kind of file it is in (row 1)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from sim.record.csv_in import read_recording
from sim.record.layout import Layout, beside, load_layout
from sim.record.lines import opened
from sim.record.recording import Recording
from sim.record.vcd_in import read_dump

# A dump begins with one of these; nothing else does.
_DUMP = re.compile(rb"\s*\$(date|version|comment|timescale|scope|var|attrbegin)\s")
_LOOKED_AT_BYTES = 4096


def read_any(path: Path, mapping: Mapping[str, str] | None = None, map_file: Path | None = None) -> Recording:
    """Read a recording: a value change dump where the file is one, otherwise CSV.

    Parameters
    ----------
    mapping : {signal: column}, before every guess and before the map file.
    map_file : what is known of the file, see `layout`; None takes the one that stands beside it, if one does.

    Returns
    -------
    Recording
        Its `map_file` is the one that was used.

    Raises
    ------
    InputError
        A file that cannot be read, or that is neither; everything wrong with the map file.
    """
    map_file = map_file or beside(path)
    layout = load_layout(map_file) if map_file else Layout()
    recording = (read_dump if is_dump(path) else read_recording)(path, mapping, layout)
    if map_file is None:
        return recording
    return replace(recording, notes=(f"read as {map_file.name} says", *recording.notes), map_file=map_file)


def is_dump(path: Path) -> bool:
    """Whether a file is a value change dump, by its name or its first word.

    Raises
    ------
    InputError
        It cannot be read.
    """
    if path.suffix.lower() == ".vcd":
        return True
    with opened(path, "a recording (CSV or VCD)") as handle:
        return _DUMP.match(handle.read(_LOOKED_AT_BYTES)) is not None
