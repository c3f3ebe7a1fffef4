"""What the words of a value change dump mean: its variables, and when each changes to what (row 1).

Source of the format: IEEE 1364-2005, clause 18, value change dump files.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field
from fractions import Fraction
from typing import BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray
from vcd.common import Timescale
from vcd.reader import TokenKind, VarDecl

from sim.base.errors import Fault, InputError, shown
from sim.record.tally import Tally
from sim.record.time_axis import LIMIT_US
from sim.record.vcd_words import At, Word, Words

UNITS_US = {
    "s": Fraction(1_000_000),
    "ms": Fraction(1000),
    "us": Fraction(1),
    "ns": Fraction(1, 1000),
    "ps": Fraction(1, 10**6),
    "fs": Fraction(1, 10**9),
}

_REALS = frozenset({"real", "realtime", "shortreal", "real_parameter"})
# Signed, in two's complement over their size.
_SIGNED = frozenset({"integer", "int", "longint", "shortint", "byte"})
# What has no value that lasts, or none that is a number.
_LEFT_OUT = {"event": "an event has no value that lasts", "string": "text is no number"}

# Wider ones are no numbers.
_MOST_BITS = 64
_START = At(1, 1)
_WEAK = str.maketrans("LH", "01")
_CHANGES = (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR, TokenKind.CHANGE_REAL, TokenKind.CHANGE_STRING)
_COMMANDS = (
    TokenKind.COMMENT,
    TokenKind.DUMPVARS,
    TokenKind.DUMPALL,
    TokenKind.DUMPON,
    TokenKind.END,
)


class Name(NamedTuple):
    """A variable's name, with the scopes it stands in, and where it is declared."""

    last: str
    path: str
    at: At


@dataclass(slots=True)
class Variable:
    """One signal while it is being read: the rows and values of its changes, NaN where it is x or z."""

    kind: str
    bits: int
    names: list[Name] = field(default_factory=list)
    rows: array[int] = field(default_factory=lambda: array("q"))
    values: array[float] = field(default_factory=lambda: array("d"))
    unknown: Tally = field(default_factory=Tally)
    merged: Tally = field(default_factory=Tally)

    @property
    def left_out(self) -> str:
        """Why it has no numbers that last; empty where it has."""
        if self.kind in _REALS or self.kind in _LEFT_OUT:
            return _LEFT_OUT.get(self.kind, "")
        return "" if 1 <= self.bits <= _MOST_BITS else f"{self.bits} bits are no number"

    def add(self, row: int, value: float, line: int) -> None:
        """Add a change; one in the same microsecond takes the place of the one before."""
        if self.rows and self.rows[-1] == row:
            # At the first moment that is how a dump tells what was so before it.
            if row and value != self.values[-1] and not math.isnan(value):
                self.merged.add(line)
            self.values[-1] = value
        else:
            self.rows.append(row)
            self.values.append(value)

    def column(self, size: int) -> NDArray[np.float64]:
        """The values in so many rows, NaN where none is known."""
        changes = np.zeros(size, dtype=np.int64)
        changes[np.asarray(self.rows, dtype=np.int64)] = 1
        return np.concatenate(([np.nan], np.asarray(self.values)))[np.cumsum(changes, out=changes)]


@dataclass(slots=True)
class Dump:
    """What stands in a dump.

    times : microseconds, increasing.
    end : where the declarations end.
    cut : the line in which the file ends within a word.
    """

    scale_us: Fraction | None = None
    variables: dict[str, Variable] = field(default_factory=dict)
    times: array[int] = field(default_factory=lambda: array("q"))
    end: At = _START
    rounded: bool = False
    off: Tally = field(default_factory=Tally)
    cut: int | None = None


def load_dump(path: str, handle: BinaryIO) -> Dump:
    """Read a whole dump.

    Raises
    ------
    InputError
        The first thing that is not as the format has it.
    """
    dump = Dump()
    reader = _Reader(path, dump)
    words = Words(path, handle)
    for word in words:
        reader.take(word)
    reader.end()
    dump.cut = words.cut.line if words.cut else None
    return dump


class _Reader:
    """Takes the words of a dump one by one."""

    def __init__(self, path: str, dump: Dump) -> None:
        self._path = path
        self._dump = dump
        self._scopes: list[str] = []
        self._defined = False
        self._ticks = -1
        self._at = At(1, 1)

    def take(self, word: Word) -> None:
        """Take the next word.

        Raises
        ------
        InputError
            It is not as the format has it.
        """
        self._at = word.at
        if self._defined:
            self._change(word)
        else:
            self._define(word)

    def end(self) -> None:
        """The file is through."""
        if not self._defined:
            raise self._fault("", "declarations up to $enddefinitions", "the end of the file")
        if not self._dump.times:
            raise self._fault("", "value changes below $enddefinitions", "none")

    def _fault(self, key: str, expected: str, got: str) -> InputError:
        return InputError([Fault(self._path, key, expected, got, *self._at)])

    def _define(self, word: Word) -> None:
        kind, data, dump = word.kind, word.data, self._dump
        if kind is TokenKind.TIMESCALE:
            dump.scale_us = self._scale_us(data)
        elif kind is TokenKind.SCOPE:
            self._scopes.append(data.ident)
        elif kind is TokenKind.UPSCOPE:
            if not self._scopes:
                raise self._fault("$upscope", "a $scope to leave", "none open")
            self._scopes.pop()
        elif kind is TokenKind.VAR:
            self._declare(data)
        elif kind is TokenKind.ENDDEFINITIONS:
            self._defined = True
            dump.end = self._at
            if dump.scale_us is None:
                raise self._fault("$timescale", "a time unit before $enddefinitions", "none")
            if not dump.variables:
                raise self._fault("$var", "variables before $enddefinitions", "none")
        elif kind not in (TokenKind.COMMENT, TokenKind.DATE, TokenKind.VERSION, TokenKind.ATTRBEGIN, TokenKind.ATTREND):
            raise self._fault("", "declarations up to $enddefinitions", _called(kind))

    def _scale_us(self, timescale: Timescale) -> Fraction:
        unit_us = UNITS_US.get(timescale.unit.value)
        if timescale.magnitude not in (1, 10, 100) or unit_us is None:
            expected = f"1, 10 or 100, and one of {', '.join(UNITS_US)}"
            raise self._fault("$timescale", expected, f"{timescale.magnitude} {timescale.unit.value}")
        return timescale.magnitude * unit_us

    def _declare(self, var: VarDecl) -> None:
        kind, index = str(var.type_), var.bit_index
        name = f"{var.reference}[{index}]" if isinstance(index, int) else var.reference
        path = ".".join((*filter(None, self._scopes), name))
        known = self._dump.variables.get(var.id_code)
        if known is None:
            self._dump.variables[var.id_code] = known = Variable(kind, var.size)
        elif (known.kind, known.bits) != (kind, var.size):
            expected = f"an identifier of its own ({known.names[0].path} bears it, {known.kind} {known.bits})"
            raise self._fault(path, expected, f"'{var.id_code}' for {kind} {var.size}")
        known.names.append(Name(name, path, self._at))

    def _change(self, word: Word) -> None:
        kind, data = word.kind, word.data
        if kind is TokenKind.CHANGE_TIME:
            self._time(data)
        elif kind in _CHANGES:
            variable = self._dump.variables.get(data.id_code)
            if variable is None:
                raise self._fault("", "an identifier that $var declares", f"'{shown(data.id_code)}'")
            if variable.left_out:
                return
            value = self._value(variable, kind, data.value)
            if math.isnan(value):
                variable.unknown.add(word.at.line, str(data.value))
            # What is told before the first time is so from then on.
            variable.add(max(len(self._dump.times) - 1, 0), value, word.at.line)
        elif kind is TokenKind.DUMPOFF:
            self._dump.off.add(word.at.line)
        elif kind not in _COMMANDS:
            raise self._fault("", "value changes and times below $enddefinitions", _called(kind))

    def _time(self, ticks: int) -> None:
        if ticks < self._ticks:
            raise self._fault("", "times that run forward", f"#{ticks} below #{self._ticks}")
        self._ticks = ticks
        scale_us = self._dump.scale_us or Fraction(1)
        whole, rest = divmod(ticks * scale_us.numerator, scale_us.denominator)
        t_us = whole + (2 * rest >= scale_us.denominator)
        if t_us >= LIMIT_US:
            raise self._fault("", f"times under {LIMIT_US:g} us", f"#{shown(ticks)}")
        self._dump.rounded |= rest != 0
        times = self._dump.times
        if not times or t_us > times[-1]:
            times.append(t_us)

    def _value(self, variable: Variable, kind: TokenKind, value: float | int | str) -> float:
        """A change's value as a number, NaN where it is x or z."""
        real = variable.kind in _REALS
        if real != (kind is TokenKind.CHANGE_REAL):
            expected = "a real" if real else f"{variable.bits} bits"
            raise self._fault(variable.names[0].path, expected, f"'{shown(value)}'")
        if isinstance(value, float):
            return value if math.isfinite(value) else math.nan
        if isinstance(value, str):
            # Weak low and weak high read as low and high; of a vector all bits have to be known.
            levels = value.upper().translate(_WEAK)
            if not set(levels) <= {"0", "1"}:
                return math.nan
            value = int(levels, 2)
        if value >> variable.bits:
            raise self._fault(variable.names[0].path, f"at most {variable.bits} bits", f"{value.bit_length()}")
        signed = variable.kind in _SIGNED and value >> (variable.bits - 1)
        return float(value - (1 << variable.bits) if signed else value)


def _called(kind: TokenKind) -> str:
    return {TokenKind.CHANGE_TIME: "a time"}.get(kind) or (
        "a value change" if kind in _CHANGES else f"${kind.name.lower()}"
    )
