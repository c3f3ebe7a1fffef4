"""A recorded trace through a controller, tick by tick, and how its answer differs from the recorded one (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

import sim.verdict
from controllers.board import Command, Inputs
from sim.base.clock import US_PER_S, to_s, to_us
from sim.base.errors import Fault, InputError
from sim.bench.control import WHOLE, Controller
from sim.bench.events import Event, events_of
from sim.bench.loop import stepped
from sim.bench.run import fingerprint
from sim.bench.vehicle import LIMITS as VEHICLE_LIMITS
from sim.bench.vehicle import Vehicle
from sim.jobs.case import SIGNALS as RUN_SIGNALS
from sim.jobs.case import load_requirements, overall
from sim.record.meaning import SIGNALS, listed
from sim.record.reading import read_any
from sim.record.recording import Recording
from sim.record.resample import lag_us, to_ticks
from sim.record.table import Table
from sim.verdict.requirement import Requirement, Verdict, faults_of, judge
from sim.verdict.windows import sliding_max, sliding_max_behind, sliding_min, sliding_min_behind

# Voltages and currents move slowly against a tick and may be joined by lines; counts and contacts may not.
JOINED = ("bus_v", "pack_a", "sensor_supply_v")
LINES = {"deadman_line_v": "deadman", "mode_line_v": "mode_button", "cord_line_v": "kill_cord"}
PULSES = ("left_pulse_us", "right_pulse_us")
# What a pin reads that the recording does not have; no sensor fitted, or nothing pressed and the cord in place.
ABSENT = {"mode_button": 0, "kill_cord": 1, "bus_mv": 0, "pack_ma": 0, "left_rpm": -1, "right_rpm": -1}
# Rails that input lines hang on, for a recording that does not say which.
RAILS_V = (3.3, 5.0)
LIMITS = {"stop_us": 1000.0, "full_us": 2000.0, "input_low_frac": 0.3, "input_high_frac": 0.7}
# A command differs when it is further off than this, for longer than that.
DIFFERS_US = 10.0
DIFFERS_FOR_S = 0.02
LAG_LONGEST_S = 0.5
# Samples that are enough to find a delay to within their spacing.
COARSE = 8000
# A clock that jumps would otherwise ask for hours of work and more memory than there is.
MOST_TICKS = 12_000_000
# Rows turned into Python numbers at a time: few, so that memory stays flat.
CHUNK = 4096

STANDING = Path(sim.verdict.__file__).parent / "standing.yaml"
"""The requirements that every replay is held against."""


class Difference(NamedTuple):
    """A stretch in which the controller commands something else than was recorded.

    recorded_us, computed_us : means over the stretch, of the left pulse (of the right one where it alone was recorded).
    """

    from_s: float
    to_s: float
    recorded_us: float
    computed_us: float
    why: str


@dataclass(frozen=True, slots=True)
class Replay:
    """What a recording did to a controller.

    notes : what was guessed or filled in. mended : what was repaired in the recording.
    differences : against the recorded command, `None` where none was recorded.
    recorded : names of the signals and columns that the recording truly has, contacts read from lines among them.
    every_s : its own interval, the median one.
    """

    path: Path
    controller: Controller
    table: Table
    events: tuple[Event, ...]
    limits: Mapping[str, float]
    verdicts: tuple[Verdict, ...]
    requirements: tuple[Requirement, ...]
    notes: tuple[str, ...]
    mended: tuple[str, ...]
    differences: tuple[Difference, ...] | None
    lag_s: float
    sources: tuple[Path, ...] = ()
    recorded: tuple[str, ...] = ()
    every_s: float = 0.0

    def inputs(self) -> dict[str, str]:
        """Each input by role, with a short hash of its contents."""
        return {
            f"trace {self.path.name}": fingerprint(self.path),
            f"controller {self.controller.name}": self.controller.fingerprint(),
            **{path.name: fingerprint(path) for path in self.sources},
        }

    @property
    def verdict(self) -> str:
        """One word for all verdicts."""
        return overall(self.verdicts)


def replay(
    path: Path,
    controller: Controller,
    requirements: Sequence[Requirement],
    tick_us: int,
    vehicle: Vehicle | None = None,
    mapping: Mapping[str, str] | None = None,
    before_s: float = 4.0,
    progress: Callable[[int, int], None] | None = None,
    sources: Sequence[Path] = (),
    map_file: Path | None = None,
) -> Replay:
    """Feed a recording to a controller.

    Parameters
    ----------
    vehicle : gives the limits and the inputs' thresholds; common ones without it.
    mapping : signal to column of the file, before every guess.
    before_s : how long the chip has been running, with the first sample held,
        when the recording begins; a logger seldom starts with the power.
    progress : called now and then with the ticks done and the ticks in all.
    sources : the files that vehicle and requirements came from, for the record.
    map_file : what is known of the recording; None takes the one that stands beside it, if one does.

    Raises
    ------
    InputError
        A recording that cannot be read, is too long, or has no throttle or no
        dead-man; a requirement on a name that no recording or run has.
    ControllerError
        The controller raised, or gave back something that is not a command.
    """
    recording = read_any(path, mapping, map_file)
    _bounded(path, recording.table, tick_us)
    # Between two changes a dump says that a value stays.
    joined = [name for name in JOINED if name in recording.table and not recording.changes]
    names = recording.table.names
    has = (*names, *(contact for line, contact in LINES.items() if line in names and contact not in names))
    every_us = float(np.median(np.diff(recording.table.t_us))) if len(recording.table) > 1 else 0.0
    table, ticks_said = to_ticks(recording.table, tick_us, linear=joined, changes=recording.changes)
    # The table as it was recorded is as large again, and nobody asks for it from here on.
    recording = replace(recording, table=table)
    limits = {**LIMITS, **(vehicle.limits() if vehicle else {})}
    pins, said = pins_of(path, recording, controller, limits, vehicle)
    recorded = {f"recorded_{name}": table[name] for name in PULSES if name in table}
    before = round(before_s / to_s(tick_us))
    commands = commanded(controller, pins, before, tick_us, progress)
    kept = {name: column for name, column in table.columns.items() if name not in PULSES}
    read = {name: np.asarray(column, dtype=np.float64) for name, column in pins.items() if name not in kept}
    whole = Table(table.t_us, {**kept, **read, **recorded, **commands})
    lag, differences = compared(whole, controller, tick_us)
    judged, left_out = judgeable(requirements, whole, limits)
    said += left_out
    if before:
        said.append(
            f"the chip has been running for {before_s:g} s, with the first sample held, when the recording begins"
        )
    return Replay(
        path=path,
        controller=controller,
        table=whole,
        events=events_of(whole, limits, controller.modes, controller.reasons),
        limits=limits,
        verdicts=tuple(judge(requirement, whole, limits) for requirement in judged),
        requirements=tuple(judged),
        notes=(*recording.notes, *ticks_said, *said),
        mended=recording.mended,
        differences=differences,
        lag_s=to_s(lag),
        sources=(*sources, *([recording.map_file] if recording.map_file else [])),
        recorded=has,
        every_s=every_us / US_PER_S,
    )


def _bounded(path: Path, table: Table, tick_us: int) -> None:
    """Refuse a recording of too many ticks, and say where its longest pause is."""
    ticks = int(table.t_us[-1] - table.t_us[0]) // tick_us
    if ticks <= MOST_TICKS:
        return
    pauses = np.diff(table.t_us)
    at = int(np.argmax(pauses))
    got = f"{ticks}; the longest pause is {to_s(int(pauses[at])):.0f} s, from {to_s(int(table.t_us[at])):.3f} s"
    raise InputError([Fault(str(path), "", f"at most {MOST_TICKS} ticks of {tick_us} us in all", got)])


def judgeable(
    requirements: Sequence[Requirement], table: Table, limits: Mapping[str, float]
) -> tuple[list[Requirement], list[str]]:
    """The requirements that this recording has the signals for, and what is said of the others.

    Raises
    ------
    InputError
        A requirement that no recording could be judged by.
    """
    judged: list[Requirement] = []
    left_out: list[str] = []
    faults: list[Fault] = []
    # Requirements are written for runs too, and for vehicles; a mistyped name is in none of them.
    somewhere = tuple({*table.names, *SIGNALS, *Inputs._fields, *RUN_SIGNALS} - {*limits, *VEHICLE_LIMITS})
    any_limits = {**dict.fromkeys(VEHICLE_LIMITS, 1.0), **limits}
    for requirement in requirements:
        here = faults_of(requirement, table.names, limits)
        wrong = faults_of(requirement, somewhere, any_limits) if here else []
        faults += wrong
        if not here:
            judged.append(requirement)
        elif not wrong:
            names = dict.fromkeys(fault.got.partition(" (did you mean")[0].strip("'") for fault in here)
            left_out.append(f"requirement {requirement.id} is not judged: no {', '.join(names)} here")
    if faults:
        raise InputError(faults)
    return judged, left_out


def pins_of(
    path: Path, recording: Recording, controller: Controller, limits: Mapping[str, float], vehicle: Vehicle | None
) -> tuple[dict[str, NDArray[np.int32]], list[str]]:
    """The recording as the integers that the board would hand over, and what was filled in.

    Raises
    ------
    InputError
        No throttle reading, or no dead-man.
    """
    table = recording.table
    found = dict(table.columns)
    said: list[str] = []
    for line, contact in LINES.items():
        if line in found and contact not in found:
            rail_v = limits.get("rail_nominal_v") or rail_guess(found[line])
            low_frac, high_frac = thresholds(contact, limits, vehicle)
            low, high = low_frac * rail_v, high_frac * rail_v
            found[contact] = read_line(found[line], low, high, low_reads(contact, vehicle))
            guessed = "" if vehicle else ", the rail guessed from its highest voltage"
            said.append(f"{contact} is read from {line}: low under {low:.2f} V, high over {high:.2f} V{guessed}")
    missing = [name for name in ("hall_counts", "deadman") if name not in found]
    if missing:
        got = f"columns {listed(table.names)}"
        raise InputError(
            [
                Fault(str(path), name, f"a column of this name, or --map {name}=COLUMN", got, *recording.place)
                for name in missing
            ]
        )
    milli = {"bus_mv": "bus_v", "pack_ma": "pack_a", "sensor_supply_mv": "sensor_supply_v"}
    for pin, column in milli.items():
        if column in found:
            found[pin] = 1000.0 * found[column]
    filled = {**ABSENT, "sensor_supply_mv": int(getattr(controller.params, "supply_nominal_mv", 5000))}
    pins = {}
    faults = []
    for name in Inputs._fields:
        if name not in found:
            pins[name] = np.full(len(table), filled[name], dtype=np.int32)
            said.append(f"{name} was not recorded: {filled[name]} throughout")
            continue
        values = np.rint(found[name])
        outside = np.flatnonzero((values < WHOLE[0]) | (values > WHOLE[1]))
        if outside.size:
            got = f"{values[outside[0]]:g} at {to_s(int(table.t_us[outside[0]])):.3f} s"
            faults.append(Fault(str(path), name, "whole numbers of 32 bits", got, *recording.place))
            continue
        pins[name] = values.astype(np.int32)
    if faults:
        raise InputError(faults)
    return pins, said


def rail_guess(line_v: NDArray[np.float64]) -> float:
    """The lowest usual rail that the line never exceeds by more than a tenth."""
    return next((rail_v for rail_v in RAILS_V if line_v.max() <= 1.1 * rail_v), RAILS_V[-1])


def thresholds(contact: str, limits: Mapping[str, float], vehicle: Vehicle | None) -> tuple[float, float]:
    """An input's low and high threshold as fractions of the rail: the vehicle's own, or common ones."""
    if vehicle is None:
        return limits["input_low_frac"], limits["input_high_frac"]
    entry = vehicle.kill_cord_sense if contact == "kill_cord" else getattr(vehicle, contact)
    return float(entry.low_frac), float(entry.high_frac)


def low_reads(contact: str, vehicle: Vehicle | None) -> float:
    """What an input reads while its line is low: pressed or in place, but for a sense contact that pulling closes."""
    pulling_closes = vehicle is not None and vehicle.kill_cord_sense.closed_when == "pulled"
    return 0.0 if contact == "kill_cord" and pulling_closes else 1.0


def read_line(line_v: NDArray[np.float64], low_v: float, high_v: float, low_reads: float) -> NDArray[np.float64]:
    """What an input with hysteresis reads from its line, as 0 or 1.

    Between the thresholds the last reading stays; before any, the line counts as high.
    """
    low, high = line_v <= low_v, line_v >= high_v
    decided = np.where(low | high, np.arange(len(line_v)), -1)
    last = np.maximum.accumulate(decided)
    is_low = np.where(last >= 0, low[np.maximum(last, 0)], False)
    return np.where(is_low, low_reads, 1.0 - low_reads)


def commanded(
    controller: Controller,
    pins: Mapping[str, NDArray[np.int32]],
    before: int,
    tick_us: int,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, NDArray[np.float64]]:
    """The controller's command at every tick, after `before` ticks of the first sample.

    Raises
    ------
    ControllerError
    """
    given_pins = [pins[name] for name in Inputs._fields]
    n = len(given_pins[0])
    columns = np.empty((n, len(Command._fields)))
    state: Any = controller.initial(controller.params)
    first = Inputs(*(int(pin[0]) for pin in given_pins))
    for tick in range(-before, 0):
        state, _ = stepped(controller, state, first, tick * tick_us)
    for start in range(0, n, CHUNK):
        given = []
        rows = zip(*(pin[start : start + CHUNK].tolist() for pin in given_pins), strict=True)
        for tick, row in enumerate(rows, start):
            state, command = stepped(controller, state, Inputs(*row), tick * tick_us)
            given.append(command)
        columns[start : start + CHUNK] = given
        if progress is not None:
            progress(start, n)
    named = {name: columns[:, index] for index, name in enumerate(Command._fields)}
    return {**named, "lever_understood_frac": named["lever_permille"] / 1000.0}


def compared(table: Table, controller: Controller, tick_us: int) -> tuple[int, tuple[Difference, ...] | None]:
    """How late the computed command is, and the stretches in which it differs beyond that."""
    pulse = next((name for name in PULSES if f"recorded_{name}" in table), None)
    if pulse is None:
        return 0, None
    recorded, computed = table[f"recorded_{pulse}"], table[pulse]
    lag = delay_us(recorded, computed, tick_us)
    # Each is compared with all that the other shows within the lag, so that a delay alone is no difference.
    reach = abs(lag) // tick_us
    low, high = _envelope(computed, reach)
    off = (recorded < low - DIFFERS_US) | (recorded > high + DIFFERS_US)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], off, [False])).astype(np.int8)))
    found = []
    for start, stop in edges.reshape(-1, 2).tolist():
        if to_s((stop - start) * tick_us) < DIFFERS_FOR_S:
            continue
        middle = (start + stop) // 2
        mode, reason = int(table["mode"][middle]), int(table["reason"][middle])
        why = controller.reasons.get(reason, "") or controller.modes.get(mode, f"mode {mode}")
        found.append(
            Difference(
                to_s(int(table.t_us[start])),
                to_s(int(table.t_us[stop - 1]) + tick_us),
                float(recorded[start:stop].mean()),
                float(computed[start:stop].mean()),
                why,
            )
        )
    return lag, tuple(found)


def delay_us(recorded: NDArray[np.float64], computed: NDArray[np.float64], tick_us: int) -> int:
    """How late the computed command is: found on every so many ticks first, then to the tick about there.

    0 where the best match lies outside what a delay could be: the two do not line up at all.
    """
    longest_us = to_us(LAG_LONGEST_S)
    stride = max(len(recorded) // COARSE, 1)
    coarse = lag_us(recorded[::stride], computed[::stride], stride * tick_us, longest_us)
    if abs(coarse) > longest_us - stride * tick_us:
        return 0
    late = coarse // tick_us
    size = len(recorded) - abs(late)
    early, later = recorded[max(-late, 0) :][:size], computed[max(late, 0) :][:size]
    return coarse + (lag_us(early, later, tick_us, stride * tick_us) if stride > 1 else 0)


def _envelope(values: NDArray[np.float64], reach: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest of the values within `reach` ticks on either side."""
    low = np.minimum(sliding_min(values, reach, np.inf), sliding_min_behind(values, reach))
    high = np.maximum(sliding_max(values, reach, -np.inf), sliding_max_behind(values, reach))
    return low, high


def standing_requirements() -> tuple[Requirement, ...]:
    """What every replay is held against unless told otherwise."""
    return load_requirements(STANDING)
