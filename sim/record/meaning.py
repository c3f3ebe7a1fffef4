"""Which column of a recording is which signal, in which unit (row 1)."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sim.base.errors import Fault, did_you_mean
from sim.record.layout import Layout, Wish
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

_TIME_STEMS = ("t", "time", "timestamp", "stamp", "elapsed", "elapsed_time", "uptime", "datetime", "date_time", "clock")
_UNIT_WORDS = {
    **dict.fromkeys(("s", "sec", "seconds"), "s"),
    **dict.fromkeys(("ms", "millis"), "ms"),
    **dict.fromkeys(("us", "micros"), "us"),
    **dict.fromkeys(("ns", "nanos"), "ns"),
}

# Every name that is a clock by itself: the unit is None where the name does not tell it.
CLOCKS: dict[str, str | None] = {
    **dict.fromkeys((*_TIME_STEMS, "utc", "time_utc", "utc_time", "local_time"), None),
    **{f"{stem}_{word}": unit for stem in _TIME_STEMS for word, unit in _UNIT_WORDS.items()},
    **{word: unit for word, unit in _UNIT_WORDS.items() if word not in ("sec", "nanos")},
}
# The names a mapping may give a clock: they tell the unit.
CLOCK_SIGNALS = {"t_s": "s", "t_ms": "ms", TIME_NAME: "us", "t_ns": "ns"}

# How many names of a header a fault lists before "and N more".
_LISTED = 20
# And how many columns without a meaning here are told one by one.
_TOLD_ONE_BY_ONE = 3

_MILLI = {"_mv": "_v", "_ma": "_a"}


@dataclass(frozen=True, slots=True)
class Source:
    """Where a signal comes from: the column's index and name, and how its numbers become the signal's.

    They are divided by `divisor`, then times `scale`, plus `offset`. `asked` tells that it is no guess.
    """

    index: int
    name: str
    signal: str
    divisor: float = 1.0
    scale: float = 1.0
    offset: float = 0.0
    asked: bool = False


@dataclass(frozen=True, slots=True)
class ClockSource:
    """Where the clock comes from: the column's index, name and line, its unit (None: unsaid), and why this unit."""

    index: int
    name: str
    line: int
    unit: str | None
    why: str


@dataclass(frozen=True, slots=True)
class Header:
    """The columns' names, their units where told (else empty), and where each name stands: line and column."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    places: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """What each column of the file is.

    clock : None where none was found, or none is needed.
    sources : the columns to keep, in the order of the file.
    notes : what was guessed or left out.
    faults : what is wrong with the header or the mapping.
    """

    clock: ClockSource | None
    sources: tuple[Source, ...]
    notes: tuple[str, ...]
    faults: tuple[Fault, ...]


def plan_columns(path: str, header: Header, layout: Layout, needs_clock: bool = True) -> Plan:
    """Give each column its meaning.

    Parameters
    ----------
    path : for the faults.
    layout : what goes before any guess; `t_s`, `t_ms`, `t_us` and `t_ns` name the clock.
    needs_clock : whether one of the columns has to be the time; a dump has its own.

    Returns
    -------
    Plan
        With every fault found; it is of use only where there are none.
    """
    faults = _header_faults(path, header)
    clock: ClockSource | None = None
    mapped: list[Source] = []
    known = (*SIGNALS, *(CLOCK_SIGNALS if needs_clock else ()))
    for wish in layout.wishes:
        plain, divisor = _canonical(wish.signal)
        index = _find(wish.column, header.names)
        if plain not in known:
            expected = f"one of {', '.join(known)}{did_you_mean(wish.signal, known)}"
            faults.append(wish.fault(path, None, expected, repr(wish.signal)))
        elif index is None:
            faults.append(_no_column(path, header, wish))
        elif plain in CLOCK_SIGNALS:
            clock = clock or ClockSource(
                index, header.names[index], header.places[index][0], CLOCK_SIGNALS[plain], "as asked"
            )
        else:
            divisor = max(divisor, _unit_divisor(plain, header.names[index], header.units[index]))
            mapped.append(Source(index, header.names[index], plain, divisor, wish.scale, wish.offset, asked=True))
    if needs_clock and clock is None:
        clock, found = _clock(path, header, layout)
        # A header that is wrong already may be wrong about the clock too.
        if layout.clock is not None or not faults:
            faults += found
    guessed, left_out = _guess(header, mapped, clock)
    sources = tuple(sorted((*mapped, *guessed), key=lambda source: source.index))
    notes = [note for source in sources if (note := _note(source))]
    own = [source.name for source in sources if source.signal not in SIGNALS]
    if len(own) > _TOLD_ONE_BY_ONE:
        more = len(own) - _TOLD_ONE_BY_ONE
        notes.append(f"columns {', '.join(own[:_TOLD_ONE_BY_ONE])} and {more} more kept under their own names")
    else:
        notes += [f"column {name} kept under its own name" for name in own]
    return Plan(clock, sources, (*notes, *left_out), tuple(faults))


def is_clock_name(layout: Layout) -> Callable[[str], bool]:
    """Tells whether a column of a name gives the time, by guess or as asked."""
    asked = {wish.column for wish in layout.wishes if wish.signal in CLOCK_SIGNALS}
    asked |= {layout.clock.column} if layout.clock else set()
    plain = {_plain(name) for name in asked}
    return lambda name: name in asked or (_plain(name) or name) in CLOCKS.keys() | plain


def _plain(name: str) -> str:
    """`Time [ms]` and `time-ms` as `time_ms`; the micro sign as `u`."""
    text = name.lower().replace("\N{MICRO SIGN}", "u").replace("\N{GREEK SMALL LETTER MU}", "u")
    return re.sub(r"[\W_]+", "_", text).strip("_")


def _canonical(name: str, unit: str = "") -> tuple[str, float]:
    """The signal's canonical name, or the plain name of no signal, and what its numbers are divided by."""
    plain, divisor = _plain(name), 1.0
    if unit and ALIASES.get(plain, plain) not in SIGNALS:
        # `bus` over `mV` is `bus_mv`, if that is a name at all.
        signal, divisor = _canonical(f"{name} {unit}")
        return (signal, divisor) if signal in SIGNALS else (plain, 1.0)
    for milli, whole in _MILLI.items():
        base = plain.removesuffix(milli) + whole
        if plain.endswith(milli) and ALIASES.get(base, base) in SIGNALS:
            plain, divisor = base, 1000.0
    signal = ALIASES.get(plain, plain)
    return signal, max(divisor, _unit_divisor(signal, name, unit))


def _unit_divisor(signal: str, column: str, unit: str) -> float:
    """1000 where a signal in V or A is to come from a column in mV or mA, by its name or the line of units."""
    plain, told = _plain(column), f"_{_plain(unit)}"
    return (
        1000.0
        if any((plain.endswith(milli) or told == milli) and signal.endswith(_MILLI[milli]) for milli in _MILLI)
        else 1.0
    )


def _find(name: str, header: Sequence[str]) -> int | None:
    """The column of that name, or else the first whose plain name is the same."""
    if name in header:
        return header.index(name)
    plain = [_plain(each) for each in header]
    return plain.index(_plain(name)) if _plain(name) in plain else None


def _no_column(path: str, header: Header, wish: Wish) -> Fault:
    expected = f"a column of the file ({listed(header.names)}){did_you_mean(wish.column, header.names)}"
    return wish.fault(path, header.places[0][0], expected, repr(wish.column))


def _header_faults(path: str, header: Header) -> list[Fault]:
    faults = []
    for index, name in enumerate(header.names):
        first = header.names.index(name)
        if name and first < index:
            got = f"the name of column {first + 1} again"
            faults.append(Fault(path, name, "column names that differ", got, *header.places[index]))
    return faults


def _clock(path: str, header: Header, layout: Layout) -> tuple[ClockSource | None, list[Fault]]:
    """The clock's column: the one asked for, else the first whose name tells the unit, else the first called time."""
    if layout.clock is not None:
        index = _find(layout.clock.column, header.names)
        if index is None:
            return None, [_no_column(path, header, layout.clock)]
        named = [index]
    else:
        clocks = [index for index, name in enumerate(header.names) if _plain(name) in CLOCKS]
        named = sorted(clocks, key=lambda index: (_clock_unit(header, index) is None, index))
    if not named:
        expected = f"a time column ({', '.join(CLOCK_SIGNALS)}, time_s, timestamp_us, ...)"
        return None, [Fault(path, "", expected, f"columns {listed(header.names)}", header.places[0][0], 1)]
    index, unit = named[0], _clock_unit(header, named[0])
    name, line = header.names[index], header.places[index][0]
    if layout.unit:
        return ClockSource(index, name, line, layout.unit, "as asked"), []
    why = "guessed from the median interval"
    if unit:
        why = "from its name" if CLOCKS.get(_plain(name)) else "from the line of units"
    return ClockSource(index, name, line, unit, why), []


def _clock_unit(header: Header, index: int) -> str | None:
    return CLOCKS.get(_plain(header.names[index])) or _UNIT_WORDS.get(_plain(header.units[index]))


def _guess(header: Header, mapped: Sequence[Source], clock: ClockSource | None) -> tuple[list[Source], list[str]]:
    """The columns nobody asked for: known signals first under their exact names, then under other words."""
    used = {source.index for source in mapped}
    if clock is not None:
        used.add(clock.index)
    taken = {source.signal: source.name for source in mapped}
    sources: list[Source] = []
    left_out = []
    meant = [_canonical(name, unit) for name, unit in zip(header.names, header.units, strict=True)]
    rest = [(name != meant[index][0], index, name) for index, name in enumerate(header.names) if index not in used]
    for _, index, name in sorted(rest):
        signal, divisor = meant[index]
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


def _note(source: Source) -> str:
    """What became of a column, or nothing where its name and unit simply stayed."""
    letter = source.signal[-1].upper()
    done = f", m{letter} converted to {letter}" if source.divisor != 1.0 else ""
    done += f", times {source.scale:g}" if source.scale != 1.0 else ""
    done += f", plus {source.offset:g}" if source.offset > 0.0 else ""
    done += f", minus {-source.offset:g}" if source.offset < 0.0 else ""
    if source.asked:
        return f"{source.signal} from column {source.name}{done} (as asked)"
    known = source.signal in SIGNALS and (source.signal != source.name or done)
    return f"{source.signal} from column {source.name}{done}" if known else ""


def listed(names: Sequence[str]) -> str:
    """The names of columns for a fault, not too many of them."""
    shown = ", ".join(name[:40] or "(no name)" for name in names[:_LISTED])
    return shown + (f" and {len(names) - _LISTED} more" if len(names) > _LISTED else "")
