"""A recording as the fits take it: columns by any of their names, stretches, and what was said of it (row 4)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import US_PER_S
from sim.base.errors import Fault, InputError, did_you_mean
from sim.bench.vehicle import Vehicle
from sim.record.meaning import CLOCK_SIGNALS, SIGNALS
from sim.record.reading import read_any
from sim.record.recording import Recording
from sim.record.table import Table
from sim.record.time_axis import GAP_INTERVALS
from sim.world.water import Water

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

OWN = {
    "lever_frac": "where the lever truly is, 0 at rest to 1 at full",
    "lever_m": "the same in metres from rest",
    "deadman_pressed": "whether the dead-man is truly pressed",
    "mode_pressed": "whether the mode button is truly pressed",
    "cord_seated": "whether the kill cord is truly in place",
    "pack_v": "voltage at the pack's own terminals",
    "pack_degc": "temperature of the pack",
    "rig_n": "what the tank rig's load cell reads",
    "thrust_n": "thrust on the vehicle, after deduction",
    "speed_m_s": "speed through the water",
}
"""Columns that fits take beside the signals of a replay, and what they are."""

# What a mapping may name: the milli units that a recording's reader converts, and the clocks, too.
MAPPED = {
    *SIGNALS,
    *CLOCK_SIGNALS,
    *(f"{signal[:-2]}_m{signal[-1]}" for signal in SIGNALS if signal[-2:] in ("_v", "_a")),
}


class Rest(NamedTuple):
    """A stretch, in seconds from the recording's first row, in which nobody touched anything."""

    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Given:
    """What is known beside the recordings.

    vehicle : the file whose numbers are to be fitted; those not fitted are held at its values.
    water : what was around; None where that is not known.
    conductivity_s_m : measured, before that of `water`.
    temperature_degc : of water, leads and magnets.
    pack_degc : of the pack, where no column tells.
    charge_frac : of the pack at the first row; None where it is not known.
    rig_ratio : thrust over what the load cell reads, as the rig's lever makes it.
    thrusters : how many pull on the rig.
    attitude : "towed" or "worn", of the speed runs.
    """

    vehicle: Vehicle
    water: Water | None = None
    conductivity_s_m: float | None = None
    temperature_degc: float = 20.0
    pack_degc: float = 20.0
    charge_frac: float | None = None
    rig_ratio: float = 1.0
    thrusters: int = 2
    attitude: str = "towed"

    @property
    def density_kg_m3(self) -> float:
        """Of the water; fresh water's round number where none is given."""
        return self.water.density_kg_m3 if self.water is not None else 1000.0

    @property
    def sigma_s_m(self) -> float | None:
        """Conductivity of the water, where it is known."""
        if self.conductivity_s_m is not None:
            return self.conductivity_s_m
        return self.water.conductivity_s_m if self.water is not None else None


@dataclass(frozen=True)
class Trace:
    """A recording with its own columns renamed as asked, at least two rows."""

    path: Path
    recording: Recording
    rest: tuple[Rest, ...] = ()

    @property
    def name(self) -> str:
        """As it is told in reports."""
        return self.path.name

    @property
    def table(self) -> Table:
        """All columns."""
        return self.recording.table

    @property
    def changes(self) -> bool:
        """Whether its rows are moments of change, so that it has no interval."""
        return self.recording.changes

    @cached_property
    def t_s(self) -> Floats:
        """Seconds from the first row, shape (rows,)."""
        t_s: Floats = (self.table.t_us - self.table.t_us[0]) / US_PER_S
        return t_s

    @cached_property
    def interval_s(self) -> float:
        """The median interval of the rows."""
        return float(np.median(np.diff(self.t_s)))

    @property
    def length_s(self) -> float:
        """From the first row to the last."""
        return float(self.t_s[-1])

    @cached_property
    def unbroken(self) -> tuple[slice, ...]:
        """Stretches of rows without a gap, in order."""
        return self.parts(GAP_INTERVALS * self.interval_s)

    def parts(self, longest_s: float) -> tuple[slice, ...]:
        """Stretches of rows without a longer pause than this."""
        cuts = (np.flatnonzero(np.diff(self.t_s) > longest_s) + 1).tolist()
        return tuple(slice(a, b) for a, b in zip([0, *cuts], [*cuts, len(self.table)], strict=True))

    @cached_property
    def at_rest(self) -> Mask:
        """Rows in a stretch in which nobody touched anything; none where no such stretch was told."""
        mask = np.zeros(len(self.table), dtype=np.bool_)
        for rest in self.rest:
            mask |= (self.t_s >= rest.from_s) & (self.t_s <= rest.to_s)
        return mask

    def get(self, *names: str) -> Floats | None:
        """The first of these columns that is there."""
        return next((self.table[name] for name in names if name in self.table), None)

    def has(self, *names: str) -> bool:
        """Whether all of these columns are there."""
        return all(name in self.table for name in names)


def having(traces: Sequence[Trace], *names: str) -> list[Trace]:
    """The recordings with all of these columns."""
    return [trace for trace in traces if trace.has(*names)]


def names_of(traces: Sequence[Trace]) -> tuple[str, ...]:
    """Their files' names, each once."""
    return tuple(dict.fromkeys(trace.name for trace in traces))


def read_traces(
    paths: Sequence[Path], rest: Sequence[Rest], mapping: Mapping[str, str], map_file: Path | None
) -> list[Trace]:
    """The recordings, read and mended as a replay does it, with the fits' own columns under their names.

    Parameters
    ----------
    mapping : {signal: column} for all of them; signals of a replay, or of `OWN`.
    map_file : as in `read_any`.

    Raises
    ------
    InputError
        A recording that cannot be read or has a single row; a signal or a column that is not there; a rest stretch
        outside every recording.
    """
    own = {signal: column for signal, column in mapping.items() if signal in OWN}
    theirs = {signal: column for signal, column in mapping.items() if signal not in OWN}
    if wrong := [signal for signal in theirs if signal not in MAPPED]:
        known = (*SIGNALS, *OWN)
        expected = f"one of {', '.join(known)}{did_you_mean(wrong[0], known)}"
        raise InputError([Fault("", "map", expected, repr(wrong[0]))])
    faults: list[Fault] = []
    found = []
    for path in paths:
        try:
            recording = read_any(path, theirs, map_file)
        except InputError as error:
            faults += error.faults
            continue
        if len(recording.table) < 2:
            faults.append(Fault(str(path), "", "at least two rows", str(len(recording.table)), *recording.place))
            continue
        faults += [
            Fault(str(path), signal, f"a column of the file{did_you_mean(column, recording.table.names)}", repr(column))
            for signal, column in own.items()
            if column not in recording.table
        ]
        found.append(Trace(path, replace(recording, table=_renamed(recording.table, own)), tuple(rest)))
    faults += [fault for fault in _rest_faults(rest, found) if not faults]
    if faults:
        raise InputError(dict.fromkeys(faults))
    return found


def _renamed(table: Table, own: Mapping[str, str]) -> Table:
    """Columns that were asked for by name, under the names the fits know."""
    wanted = {column: signal for signal, column in own.items()}
    kept = {name: values for name, values in table.columns.items() if name in wanted or name not in own}
    return Table(table.t_us, {wanted.get(name, name): values for name, values in kept.items()})


def _rest_faults(rest: Sequence[Rest], traces: Sequence[Trace]) -> list[Fault]:
    """A stretch that lies in none of the recordings was mistyped."""
    longest = max((trace.length_s for trace in traces), default=0.0)
    return [
        Fault("", "rest", f"a stretch that begins within a recording, of {longest:g} s at most", f"{each.from_s:g}")
        for each in rest
        if each.from_s >= longest
    ]
