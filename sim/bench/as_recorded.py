"""Tapes taken from recordings, again and again, in the place of drawn ones (row 2)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError
from sim.bench.scenario import AsRecorded, Scenario
from sim.record.reading import read_any

Floats = NDArray[np.float64]

# Recordings that a process keeps of those it has met.
KEPT = 8


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recorded quantity; two are equal where their rows are.

    t_us : shape (rows,), from 0. values : shape (rows,). period_us : after so long it begins anew.
    """

    digest: str
    t_us: NDArray[np.int64] = field(compare=False)
    values: Floats = field(compare=False)
    period_us: int = field(compare=False)


def located(scenario: Scenario, folder: Path) -> Scenario:
    """The scenario with the recordings that it names found and read once; their paths no longer hang on a folder.

    Raises
    ------
    InputError
        A recording that cannot be used, at its key.
    """
    given = files_of(scenario)
    if not given:
        return scenario
    found = {key: str((folder / name).absolute()) for key, name in given.items()}
    for key, name in found.items():
        _read(key, Path(name))
    return scenario.model_copy(update={"as_recorded": AsRecorded(**found)})


def files_of(scenario: Scenario) -> dict[str, str]:
    """The recordings that a scenario names, by their keys."""
    return scenario.as_recorded.model_dump(exclude_none=True)


def recordings(scenario: Scenario) -> Mapping[str, Recorded]:
    """The recordings of a scenario that was `located`, by their keys."""
    return {key: _read(key, Path(name)) for key, name in files_of(scenario).items()}


def _read(key: str, path: Path) -> Recorded:
    try:
        state = path.stat()
    except OSError:
        # The reader says what is wrong with it.
        return _loaded(key, path, 0, 0)
    return _loaded(key, path, state.st_mtime_ns, state.st_size)


@lru_cache(KEPT)
def _loaded(key: str, path: Path, changed_ns: int, size: int) -> Recorded:
    recording = read_any(path)
    table = recording.table

    def refused(expected: str, got: str) -> InputError:
        return InputError([Fault(str(path), key, expected, got, *recording.place)])

    if key not in table:
        raise refused("a column of this name", f"columns {', '.join(table.names)}")
    if recording.mended:
        raise refused("a recording in which nothing has to be mended", recording.mended[0])
    values = table[key]
    if len(values) < 2:
        raise refused("two rows or more", f"{len(values)}")
    if key.endswith("_siemens") and float(values.min()) < 0.0:
        raise refused("conductances of 0 or more", f"{values.min():g}")
    t_us = table.t_us - table.t_us[0]
    # The last row lasts as long as rows usually do.
    period_us = int(t_us[-1]) + max(int(np.median(np.diff(t_us))), 1)
    digest = sha256(t_us.tobytes() + values.tobytes()).hexdigest()
    return Recorded(digest, t_us, values, period_us)


def looped(recorded: Recorded, rng: np.random.Generator, ticks: int, tick_us: int) -> Floats:
    """The recording at each tick, the newest row held, from a moment that chance takes; behind its end it begins anew.

    Parameters
    ----------
    rng : another moment for another seed, so that seeds still make a difference.
    """
    start_us = int(rng.integers(recorded.period_us))
    at_us = (start_us + tick_us * np.arange(ticks, dtype=np.int64)) % recorded.period_us
    return recorded.values[np.searchsorted(recorded.t_us, at_us, side="right") - 1]
