"""Which column of a recording is which signal, in which unit (row 1)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sim.base.errors import Fault, did_you_mean
from sim.record.table import TIME_NAME

CONTACTS = ("deadman", "mode_button", "kill_cord")

# The names a replay looks for, in their canonical units.
SIGNALS = (
    "hall_counts",
    *CONTACTS,
    "bus_v",
    "sensor_supply_v",
    "pack_a",
    "left_pulse_us",
    "right_pulse_us",
    "left_rpm",
    "right_rpm",
    "deadman_line_v",
    "mode_line_v",
    "cord_line_v",
)

# Other words for the same thing, already in the plain form of `_plain`.
ALIASES = {
    "hall": "hall_counts",
    "hall_adc": "hall_counts",
    "hall_raw": "hall_counts",
    "throttle_counts": "hall_counts",
    "dead_man": "deadman",
    "button": "mode_button",
    "killcord": "kill_cord",
    "kill": "kill_cord",
    "cord": "kill_cord",
    "sensor_v": "sensor_supply_v",
    "pack_current_a": "pack_a",
    "pulse_left_us": "left_pulse_us",
    "pulse_right_us": "right_pulse_us",
    "rpm_left": "left_rpm",
    "rpm_right": "right_rpm",
    "dead_man_line_v": "deadman_line_v",
    "button_line_v": "mode_line_v",
    "mode_button_line_v": "mode_line_v",
    "kill_cord_line_v": "cord_line_v",
}

_TIME_STEMS = ("t", "time", "timestamp", "stamp", "elapsed", "elapsed_time", "uptime")
_UNIT_WORDS = {"s": "s", "sec": "s", "seconds": "s", "ms": "ms", "millis": "ms", "us": "us", "micros": "us"}

# Every name that is a clock by itself: the unit is None where the name does not tell it.
CLOCKS: dict[str, str | None] = {
    **dict.fromkeys(_TIME_STEMS, None),
    **{f"{stem}_{word}": unit for stem in _TIME_STEMS for word, unit in _UNIT_WORDS.items()},
    **{word: _UNIT_WORDS[word] for word in ("s", "seconds", "ms", "millis", "us", "micros")},
}
# The names a mapping may give a clock: they tell the unit.
CLOCK_SIGNALS = {"t_s": "s", "t_ms": "ms", TIME_NAME: "us"}

_NUMBER = re.compile(r"[+-]?\d*[.,]?\d+([eE][+-]?\d+)?")
# How many names of a header a fault lists before "and N more".
_LISTED = 20

_MILLI = {"_mv": "_v", "_ma": "_a"}


@dataclass(frozen=True, slots=True)
class Source:
    """Where a signal comes from: the column's index, its name in the file, and what its numbers are divided by."""

    index: int
    name: str
    signal: str
    divisor: float = 1.0


@dataclass(frozen=True, slots=True)
class ClockSource:
    """Where the clock comes from: the column's index and name, its unit (None: unsaid), and why this unit."""

    index: int
    name: str
    unit: str | None
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """What each column of the file is.

    line : where the header stands.
    clock : None where none was found.
    sources : the columns to keep, in the order of the file.
    notes : what was guessed or left out.
    faults : what is wrong with the header or the mapping.
    """

    line: int
    clock: ClockSource | None
    sources: tuple[Source, ...]
    notes: tuple[str, ...]
    faults: tuple[Fault, ...]


def plan_columns(path: str, line: int, header: Sequence[str], mapping: Mapping[str, str]) -> Plan:
    """Give each column its meaning.

    Parameters
    ----------
    path, line : where the header stands, for the faults.
    header : the columns' names, without blanks around them.
    mapping : {signal: column}; before any guess. `t_s`, `t_ms` and `t_us` name the clock.

    Returns
    -------
    Plan
        With every fault found; it is of use only where there are none.
    """
    faults = _header_faults(path, line, header)
    clocks: dict[str, int] = {}
    mapped: list[Source] = []
    for signal, name in mapping.items():
        index = _find(name, header)
        plain, divisor = _canonical(signal)
        if plain not in (*SIGNALS, *CLOCK_SIGNALS):
            known = (*SIGNALS, *CLOCK_SIGNALS)
            faults.append(Fault(path, signal, f"one of {', '.join(known)}{did_you_mean(signal, known)}", repr(signal)))
        elif index is None:
            near = did_you_mean(name, header)
            faults.append(Fault(path, signal, f"a column of the file ({_listed(header)}){near}", repr(name), line))
        elif plain in CLOCK_SIGNALS:
            clocks[plain] = index
        else:
            mapped.append(Source(index, header[index], plain, max(divisor, _unit_divisor(plain, header[index]))))
    clock = _clock(header, clocks)
    if clock is None and not faults:
        faults.append(_no_clock(path, line, header))
    guessed, left_out = _guess(header, mapped, clock)
    sources = tuple(sorted((*mapped, *guessed), key=lambda source: source.index))
    notes = [note for source in sources if (note := _note(source, source in mapped))]
    return Plan(line, clock, sources, (*notes, *left_out), tuple(faults))


def _plain(name: str) -> str:
    """`Time [ms]` and `time-ms` as `time_ms`; the micro sign as `u`."""
    text = name.lower().replace("\N{MICRO SIGN}", "u").replace("\N{GREEK SMALL LETTER MU}", "u")
    return re.sub(r"[\W_]+", "_", text).strip("_")


def _canonical(name: str) -> tuple[str, float]:
    """The signal's canonical name, or the plain name of no signal, and what its numbers are divided by."""
    plain, divisor = _plain(name), 1.0
    for milli, whole in _MILLI.items():
        base = plain.removesuffix(milli) + whole
        if plain.endswith(milli) and ALIASES.get(base, base) in SIGNALS:
            plain, divisor = base, 1000.0
    return ALIASES.get(plain, plain), divisor


def _unit_divisor(signal: str, column: str) -> float:
    """1000 where a signal in V or A is to come from a column whose name ends in mV or mA."""
    return 1000.0 if any(_plain(column).endswith(milli) and signal.endswith(_MILLI[milli]) for milli in _MILLI) else 1.0


def _find(name: str, header: Sequence[str]) -> int | None:
    """The column of that name, or else the first whose plain name is the same."""
    if name in header:
        return header.index(name)
    plain = [_plain(each) for each in header]
    return plain.index(_plain(name)) if _plain(name) in plain else None


def _header_faults(path: str, line: int, header: Sequence[str]) -> list[Fault]:
    if all(_NUMBER.fullmatch(name) for name in header):
        return [Fault(path, "", "a header row naming the columns", f"numbers ({_listed(header)})", line)]
    faults = []
    for index, name in enumerate(header):
        first = header.index(name)
        if name and first < index:
            got = f"the name of column {first + 1} again"
            faults.append(Fault(path, name, "column names that differ", got, line, index + 1))
    return faults


def _clock(header: Sequence[str], mapped: Mapping[str, int]) -> ClockSource | None:
    """The clock's column: a mapped one, else the first whose name tells the unit, else the first called time."""
    for signal, index in mapped.items():
        return ClockSource(index, header[index], CLOCK_SIGNALS[signal], "as asked")
    clocks = [(index, CLOCKS[_plain(name)]) for index, name in enumerate(header) if _plain(name) in CLOCKS]
    for index, unit in sorted(clocks, key=lambda each: (each[1] is None, each[0])):
        return ClockSource(index, header[index], unit, "from its name" if unit else "guessed from the median interval")
    return None


def _no_clock(path: str, line: int, header: Sequence[str]) -> Fault:
    expected = f"a time column ({', '.join(CLOCK_SIGNALS)}, time_s, timestamp_us, ...)"
    return Fault(path, "", expected, f"columns {_listed(header)}", line)


def _guess(
    header: Sequence[str], mapped: Sequence[Source], clock: ClockSource | None
) -> tuple[list[Source], list[str]]:
    """The columns nobody asked for: known signals first under their exact names, then under other words."""
    used = {source.index for source in mapped}
    if clock is not None:
        used.add(clock.index)
    taken = {source.signal: source.name for source in mapped}
    sources: list[Source] = []
    left_out = []
    rest = [(name != _canonical(name)[0], index, name) for index, name in enumerate(header) if index not in used]
    for _, index, name in sorted(rest):
        signal, divisor = _canonical(name)
        if signal not in SIGNALS or signal in taken:
            signal, divisor = name, 1.0
        if not name:
            left_out.append(f"column {index + 1} has no name: left out")
        elif signal in taken or signal == TIME_NAME:
            left_out.append(f"column {name} left out: {signal} is taken from {taken.get(signal, 'another column')}")
        else:
            taken[signal] = name
            sources.append(Source(index, name, signal, divisor))
    return sources, left_out


def _note(source: Source, asked: bool) -> str:
    """What became of a column, or nothing where its name and unit simply stayed."""
    letter = source.signal[-1].upper()
    unit = f", m{letter} converted to {letter}" if source.divisor != 1.0 else ""
    if asked:
        return f"{source.signal} from column {source.name}{unit} (as asked)"
    if source.signal in SIGNALS and source.signal != source.name:
        return f"{source.signal} from column {source.name}{unit}"
    return "" if source.signal in SIGNALS else f"column {source.name} kept under its own name"


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(name[:40] or "(no name)" for name in names[:_LISTED])
    return shown + (f" and {len(names) - _LISTED} more" if len(names) > _LISTED else "")
