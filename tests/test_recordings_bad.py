"""Recordings that cannot be read: each is one clear line with its place, exit code 2, and nothing written."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from vcd.common import VarType

from sim.face.cli import main
from sim.record.meaning import SIGNALS

NAMES = ", ".join(SIGNALS)
KINDS = ", ".join(kind.value for kind in VarType)

HEAD = "t_ms,hall_counts,deadman\n"
ROWS = "0,600,0\n1,600,0\n"
UP = "$timescale 1 us $end\n"
VARS = '$var wire 12 ! hall_counts [11:0] $end\n$var wire 1 " deadman $end\n'
DEFS = f"{UP}{VARS}$enddefinitions $end\n"
DUMP = f'{DEFS}#0\n$dumpvars\nb1001011000 !\n0"\n$end\n'

# What stands in log.csv, and the line that is said.
BAD_CSV = {
    "empty": (
        "",
        "log.csv:1:1: expected a header row and columns separated by comma, semicolon or tab; got no rows at all",
    ),
    "blank lines": (
        "\n \n\t\n",
        "log.csv:1:1: expected a header row and columns separated by comma, semicolon or tab; got no rows at all",
    ),
    "only comments": (
        "# a\n# b\n",
        "log.csv:1:1: expected a header row and columns separated by comma, semicolon or tab; got no rows at all",
    ),
    "one column": (
        "# a\nhall_counts\n5\n",
        (
            "log.csv:2:1: expected a header row and columns separated by comma, semicolon or tab; got one"
            " column ('hall_counts')"
        ),
    ),
    "spaces between cells": (
        "t_ms hall_counts deadman\n0 600 0\n",
        (
            "log.csv:1:1: expected a header row and columns separated by comma, semicolon or tab; got one"
            " column ('t_ms hall_counts deadman')"
        ),
    ),
    "no rows": (HEAD, "log.csv:1:1: expected rows of numbers below the header; got none"),
    "a first row cut short": (
        HEAD + "0,6",
        "log.csv:1:1: expected rows of numbers below the header; got none but line 2, which is cut short",
    ),
    "no header": (
        "0,5,1\n1,6,1\n",
        "log.csv:1:1: expected a header row naming the columns, or their names in a map file; got numbers (0, 5, 1)",
    ),
    "no header with decimal commas": (
        "0,5;1\n1,6;1\n",
        "log.csv:1:1: expected a header row naming the columns, or their names in a map file; got numbers (0,5, 1)",
    ),
    "no clock": (
        "hall_counts,deadman\n5,1\n",
        (
            "log.csv:1:1: expected a time column (t_s, t_ms, t_us, t_ns, time_s, timestamp_us, ...); got"
            " columns hall_counts, deadman"
        ),
    ),
    "only a clock": (
        "t_ms,\n0,\n1,\n",
        "log.csv:1:1: expected at least one column of numbers beside the time; got none",
    ),
    "no throttle": (
        "t_ms,deadman\n0,0\n1,0\n",
        "log.csv:1:1: hall_counts: expected a column of this name, or --map hall_counts=COLUMN; got columns deadman",
    ),
    "no dead-man": (
        "t_ms,hall_counts\n0,600\n1,600\n",
        "log.csv:1:1: deadman: expected a column of this name, or --map deadman=COLUMN; got columns hall_counts",
    ),
    "a name twice": (
        "t_ms,bus_v,bus_v\n0,1,2\n",
        "log.csv:1:3: bus_v: expected column names that differ; got the name of column 2 again",
    ),
    "a short row among few": (HEAD + "0,1,1\n1,2\n", "log.csv:3:1: expected 3 cells, as many as in the header; got 2"),
    "a long row among few": (
        HEAD + "0,1,1\n1,2,1,0\n",
        "log.csv:3:1: expected 3 cells, as many as in the header; got 4",
    ),
    "decimal commas between commas": (
        "t_s,bus_v\n0,001,52,1\n",
        "log.csv:2:1: expected 2 cells, as many as in the header; got 4",
    ),
    "zero bytes alone": (
        b"\0" * 600,
        "log.csv:1:1: expected text; got zero bytes alone (a file that was never written)",
    ),
    "zero bytes in the only rows": (
        HEAD.encode() + b"0,6\0\0,1\n",
        "log.csv:2:1: expected text; got zero bytes in the row",
    ),
    "a picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "log.csv:2:1: expected text; got a binary file (byte 0x1a)"),
    "a spreadsheet's archive": (
        b"PK\x03\x04\x14\0\6\0\x08\0\0\0!\0",
        "log.csv:1:3: expected text; got a binary file (byte 0x03)",
    ),
    "no line ends": (
        HEAD + "1" * 1_000_100,
        "log.csv:2:1: expected lines of text; got more than 1000000 characters without a line end",
    ),
    "an open quotation mark in the header": (
        't_ms,"hall_counts,deadman\n0,1,1\n',
        (
            "log.csv:1:1: expected a header row and columns separated by comma, semicolon or tab; got one"
            " column ('t_ms,\"hall_counts,deadman')"
        ),
    ),
    "an open quotation mark among few rows": (
        HEAD + '0,1,1\n1,"2,1\n2,3,1\n',
        "log.csv:3:1: expected cells with quotation marks in pairs; got one without its pair",
    ),
    "a signal without values": (
        HEAD + "0,,1\n1,,1\n",
        "log.csv:1:2: hall_counts: expected numbers in the column; got none in 2 rows",
    ),
    "a signal of words": (
        HEAD + "0,a,1\n1,b,1\n",
        "log.csv:1:2: hall_counts: expected numbers in the column; got none in 2 rows ('a' in line 2, 'b' in line 3)",
    ),
    "a contact halfway": (HEAD + "0,1,0.5\n1,1,1\n", "log.csv:2:3: deadman: expected 0 or 1; got 0.5"),
    "a contact in counts": (HEAD + "0,1,0\n1,1,1023\n2,1,0\n", "log.csv:3:3: deadman: expected 0 or 1; got 1023"),
    "a clock of words": (
        HEAD + "noon,1,1\nlater,2,1\n",
        (
            "log.csv:1:1: t_ms: expected stamps that are numbers, times (12:00:00.0) or dates and times"
            " (2026-01-31 12:00:00.0); got no number: 'noon' in line 2, 'later' in line 3"
        ),
    ),
    "a clock without stamps": (
        HEAD + ",1,1\n,2,1\n",
        (
            "log.csv:1:1: t_ms: expected stamps that are numbers, times (12:00:00.0) or dates and times"
            " (2026-01-31 12:00:00.0); got empty cell: lines 2, 3"
        ),
    ),
    "a clock out of range": (
        HEAD + "1e300,1,1\n",
        (
            "log.csv:1:1: t_ms: expected stamps that are numbers, times (12:00:00.0) or dates and times"
            " (2026-01-31 12:00:00.0); got numbers out of all range"
        ),
    ),
    "a clock running back": (
        HEAD + "9,1,1\n8,1,1\n7,1,1\n6,1,1\n",
        "log.csv:3:1: t_ms: expected stamps that run forward; got 3 of 4 rows earlier than one before",
    ),
    "a clock that stands": (
        HEAD + "5,1,1\n" * 4,
        "log.csv:2:1: t_ms: expected stamps that run forward; got the same stamp in all 4 rows",
    ),
    "days that are none": (
        "time,hall_counts,deadman\n2026-02-30 10:00:00,1,1\n2026-02-31 10:00:00,1,1\n",
        (
            "log.csv:1:1: time: expected stamps that are dates and times of day; got no number: '2026-02-30"
            " 10:00:00' in line 2, '2026-02-31 10:00:00' in line 3"
        ),
    ),
    "dates in another order": (
        "time,hall_counts,deadman\n30/02/2026 10:00,1,1\n30/02/2026 10:01,1,1\n",
        (
            "log.csv:1:1: time: expected stamps that are numbers, times (12:00:00.0) or dates and times"
            " (2026-01-31 12:00:00.0); got no number: '30/02/2026 10:00' in line 2, '30/02/2026 10:01' in"
            " line 3"
        ),
    ),
    "counts beyond 32 bits": (
        HEAD + "0,1e12,1\n1,600,1\n",
        "log.csv:1:1: hall_counts: expected whole numbers of 32 bits; got 1e+12 at 0.000 s",
    ),
    "volts beyond 32 bits": (
        "t_ms,hall_counts,deadman,bus_v\n0,600,0,1e30\n",
        "log.csv:1:1: bus_mv: expected whole numbers of 32 bits; got 1e+33 at 0.000 s",
    ),
    "years between two rows": (
        HEAD + ROWS + "100000000000,600,0\n",
        (
            "log.csv: expected at most 12000000 ticks of 1000 us in all; got 100000000000; the longest"
            " pause is 100000000 s, from 0.001 s"
        ),
    ),
    "years between two dates": (
        "time,hall_counts,deadman\n2000-01-01 00:00:00.0,1,1\n2000-01-01 00:00:00.1,1,1\n2026-01-01 00:00:00,1,1\n",
        (
            "log.csv: expected at most 12000000 ticks of 1000 us in all; got 820540800000; the longest"
            " pause is 820540800 s, from 0.100 s"
        ),
    ),
    "text that is no table": (
        "The quick brown fox\njumps over the lazy dog\n",
        (
            "log.csv:1:1: expected a header row and columns separated by comma, semicolon or tab; got one"
            " column ('The quick brown fox')"
        ),
    ),
    "a page of the web": (
        "<!DOCTYPE html>\n<html><body>\n<p>not found</p></body></html>\n",
        (
            "log.csv:1:1: expected a header row and columns separated by comma, semicolon or tab; got one"
            " column ('<!DOCTYPE html>')"
        ),
    ),
    "JSON": (
        '{"t_ms": [0, 1],\n "hall_counts": [600, 600]}\n',
        (
            "log.csv:1:1: expected a time column (t_s, t_ms, t_us, t_ns, time_s, timestamp_us, ...); got"
            ' columns {"t_ms": [0, 1], (no name)'
        ),
    ),
    "more rows broken than an accident breaks": (
        HEAD + ROWS * 5 + "2\n" + ROWS,
        "log.csv:12:1: expected 3 cells, as many as in the header; got 1",
    ),
}

# Options, what stands in log.csv, and the line.
BAD_OPTIONS = {
    "a mapped column that is not there": (
        ["--map", "deadman=DI1"],
        "t_ms,hall_counts,DI2\n0,600,0\n",
        "log.csv:1:1: deadman: expected a column of the file (t_ms, hall_counts, DI2) (did you mean DI2?); got 'DI1'",
    ),
    "a mapped signal that is none": (
        ["--map", "hal_counts=A0"],
        "t_ms,A0,deadman\n0,600,0\n",
        (
            f"log.csv: hal_counts: expected one of {NAMES}, t_s, t_ms, t_us, t_ns (did you mean"
            " hall_counts?); got 'hal_counts'"
        ),
    ),
    "a mapped clock that is not there": (
        ["--map", "t_ms=Zeit"],
        "Zait,hall_counts,deadman\n0,600,0\n",
        (
            "log.csv:1:1: t_ms: expected a column of the file (Zait, hall_counts, deadman) (did you mean"
            " Zait?); got 'Zeit'"
        ),
    ),
    "a mapping without a column": (
        ["--map", "deadman"],
        HEAD + ROWS,
        "drydive replay: argument --map: expected SIGNAL=COLUMN; got 'deadman'; see drydive replay --help",
    ),
    "a signal mapped twice": (
        ["--map", "deadman=a", "--map", "deadman=b"],
        HEAD + ROWS,
        "drydive replay: --map: expected each signal once; got deadman=b after deadman=a",
    ),
    "a map file that is not there": (
        ["--map-file", "no.yaml"],
        HEAD + ROWS,
        "no.yaml: expected a map of a recording (YAML); got no such file or directory",
    ),
    "a map file that is a folder": (
        ["--map-file", "."],
        HEAD + ROWS,
        ".: expected a map of a recording (YAML); got is a directory",
    ),
}

# What stands in log.map.yaml beside a good log.csv, and the line.
BAD_MAP = {
    "an empty map": ("", "log.map.yaml:1:1: expected a map of a recording (YAML); got an empty file"),
    "a map that is no YAML": (
        "delimiter: [comma\n",
        (
            "log.map.yaml:2:1: expected ',' or ']'; got the end of the file while parsing a flow sequence"
            " that starts in line 1"
        ),
    ),
    "a map that is a list": ("- comma\n", "log.map.yaml:1:1: expected a mapping of keys; got a list"),
    "an unknown key": (
        "delimeter: comma\n",
        (
            "log.map.yaml:1:1: delimeter: expected one of the keys columns, decimal, delimiter, encoding,"
            " names, time (did you mean delimiter?); got unknown key delimeter"
        ),
    ),
    "an unknown separator": (
        "delimiter: pipe\n",
        "log.map.yaml:1:12: delimiter: expected one of comma, semicolon, tab; got 'pipe'",
    ),
    "an unknown decimal sign": (
        "decimal: dot\n",
        "log.map.yaml:1:10: decimal: expected one of point, comma; got 'dot'",
    ),
    "an unknown encoding": (
        "encoding: ebcdic\n",
        (
            "log.map.yaml:1:11: encoding: expected one of utf-8, utf-16, cp1252, cp850, latin-1, shift_jis,"
            " gb18030; got 'ebcdic'"
        ),
    ),
    "an unknown unit": (
        "time: {unit: min}\n",
        "log.map.yaml:1:14: time.unit: expected one of s, ms, us, ns; got 'min'",
    ),
    "an unknown key of the clock": (
        "time: {name: t_ms}\n",
        "log.map.yaml:1:8: time.name: expected one of the keys column, unit; got unknown key name",
    ),
    "a clock that is not there": (
        "time: {column: Zeit}\n",
        "log.map.yaml:1:8: time.column: expected a column of the file (t_ms, hall_counts, deadman); got 'Zeit'",
    ),
    "a column that is not there": (
        "columns:\n  deadman: DI1\n",
        "log.map.yaml:2:3: columns.deadman: expected a column of the file (t_ms, hall_counts, deadman); got 'DI1'",
    ),
    "a signal that is none": (
        "columns:\n  dedman: deadman\n",
        (
            f"log.map.yaml:2:3: columns.dedman: expected one of {NAMES}, t_s, t_ms, t_us, t_ns (did you"
            " mean deadman?); got 'dedman'"
        ),
    ),
    "a signal without a column": (
        "columns:\n  deadman: {scale: 2}\n",
        "log.map.yaml:2:12: columns.deadman.column: expected this key, with text; got no such key",
    ),
    "a scale of nothing": (
        "columns:\n  deadman: {column: deadman, scale: 0}\n",
        "log.map.yaml:2:37: columns.deadman.scale: expected a number, other than 0; got 0",
    ),
    "a scale that is a word": (
        "columns:\n  deadman: {column: deadman, scale: half}\n",
        "log.map.yaml:2:37: columns.deadman.scale: expected a number; got 'half'",
    ),
    "an offset without bounds": (
        "columns:\n  deadman: {column: deadman, offset: .inf}\n",
        "log.map.yaml:2:38: columns.deadman.offset: expected a number; got '.inf'",
    ),
    "too few names": (
        "names: [t_ms, hall_counts]\n",
        "log.map.yaml:1:1: names: expected 3 names, as many as most rows have cells; got 2",
    ),
    "another separator than the file's": (
        "delimiter: tab\n",
        (
            "log.csv:1:1: expected a header row and columns separated by tab; got one column"
            " ('t_ms,hall_counts,deadman')"
        ),
    ),
    "a key twice": (
        "decimal: point\ndecimal: point\n",
        "log.map.yaml:2:1: decimal: expected each key once; got a second one",
    ),
    "too many names": (
        "names: [t_ms, hall_counts, deadman, bus_v]\n",
        "log.map.yaml:1:1: names: expected 3 names, as many as most rows have cells; got 4",
    ),
    "a contact moved out of its range": (
        "columns:\n  deadman: {column: deadman, scale: 5, offset: 2}\n",
        "log.csv:2:3: deadman: expected 0 or 1; got 2",
    ),
}

# What stands in log.vcd, and the line.
BAD_VCD = {
    "an empty dump": ("", "log.vcd:1:1: expected declarations up to $enddefinitions; got the end of the file"),
    "a dump that is a CSV": (
        HEAD + ROWS,
        "log.vcd:1:1: expected a value change, a time or a keyword; got 't_ms,hall_counts,deadman'",
    ),
    "no definitions' end": (
        UP + VARS,
        "log.vcd:3:1: expected declarations up to $enddefinitions; got the end of the file",
    ),
    "a time among the definitions": (
        UP + VARS + "#0\n",
        "log.vcd:4:1: expected declarations up to $enddefinitions; got a time",
    ),
    "a value among the definitions": (
        UP + VARS + "0!\n",
        "log.vcd:4:1: expected declarations up to $enddefinitions; got a value change",
    ),
    "no time unit": (
        VARS + "$enddefinitions $end\n#0\n",
        "log.vcd:3:1: $timescale: expected a time unit before $enddefinitions; got none",
    ),
    "a time unit of seven": (
        DUMP.replace("1 us", "7 us"),
        "log.vcd:1:1: $timescale: expected 1, 10 or 100, and one of s, ms, us, ns, ps, fs; got 7 us",
    ),
    "a time unit of atoms": (
        DUMP.replace("1 us", "1 as"),
        "log.vcd:1:1: $timescale: expected 1, 10 or 100, and one of s, ms, us, ns, ps, fs; got 1 as",
    ),
    "a time unit that is none": (
        DUMP.replace("1 us", "1 min"),
        "log.vcd:1:17: expected a known $timescale unit: s, ms, us, ns, ps, fs, as, zs; got 'min'",
    ),
    "a time unit with a fraction": (
        DUMP.replace("1 us", "1.5 us"),
        "log.vcd:1:13: expected a word that starts with a letter; got '.5'",
    ),
    "no variables": (
        UP + "$enddefinitions $end\n#0\n",
        "log.vcd:2:1: $var: expected variables before $enddefinitions; got none",
    ),
    "no values": (DEFS, "log.vcd:4:1: expected value changes below $enddefinitions; got none"),
    "values without a time": (DEFS + "0!\n", "log.vcd:5:1: expected value changes below $enddefinitions; got none"),
    "an unknown kind of variable": (
        DUMP.replace("wire 12", "wyre 12"),
        f"log.vcd:2:10: expected a known $var type: {KINDS}; got 'wyre'",
    ),
    "a variable without a size": (
        DUMP.replace("wire 12 !", "wire ! 12"),
        "log.vcd:2:11: expected a whole number; got '!'",
    ),
    "a variable without a name": (DUMP.replace(" deadman", ""), "log.vcd:3:15: expected a variable's name; got '$end'"),
    "a variable without its end": (
        DUMP.replace("deadman $end", "deadman"),
        "log.vcd:4:5: expected a value change, a time or a keyword; got 'definitions'",
    ),
    "one identifier for two": (
        DUMP.replace('wire 1 "', "wire 1 !"),
        "log.vcd:3:1: deadman: expected an identifier of its own (hall_counts bears it, wire 12); got '!' for wire 1",
    ),
    "an unknown kind of scope": (
        "$scope modul top $end\n" + DUMP,
        "log.vcd:1:13: expected a known $scope type; got 'modul'",
    ),
    "a scope left twice": (
        "$upscope $end\n" + DUMP,
        "log.vcd:1:1: $upscope: expected a $scope to leave; got none open",
    ),
    "a keyword that is none": (
        DUMP + "$dumpall\n$end\n$pause $end\n",
        "log.vcd:12:7: expected a keyword of the format ($var, $end, $dumpvars, ...); got '$pause'",
    ),
    "a declaration among the values": (
        DUMP + "$var wire 1 # x $end\n",
        "log.vcd:10:1: expected value changes and times below $enddefinitions; got $var",
    ),
    "a word that is none": (DUMP + "#5\n=!\n", "log.vcd:11:1: expected a value change, a time or a keyword; got '=!'"),
    "an identifier nobody declared": (
        DUMP + "#5\n1%\n",
        "log.vcd:11:1: expected an identifier that $var declares; got '%'",
    ),
    "a value without an identifier": (
        DUMP + "#5\n1\n#6\n",
        "log.vcd:11:2: expected an identifier; got the end of the line",
    ),
    "a vector without a blank": (DUMP + "#5\nb1!\n", "log.vcd:11:3: expected whitespace after vector value; got '!'"),
    "a digit that is no bit": (DUMP + "#5\nb120 !\n", "log.vcd:11:3: expected whitespace after vector value; got '20'"),
    "more bits than declared": (
        DUMP + "#5\nb1111000011110 !\n",
        "log.vcd:11:1: hall_counts: expected at most 12 bits; got 13",
    ),
    "a real for bits": (DUMP + "#5\nr1.5 !\n", "log.vcd:11:1: hall_counts: expected 12 bits; got '1.5'"),
    "bits for a real": (DUMP.replace("wire 12", "real 64"), "log.vcd:7:1: hall_counts: expected a real; got '600'"),
    "a real that is none": (
        DUMP.replace("wire 12", "real 64").replace("b1001011000", "r1,5"),
        "log.vcd:7:1: expected a real number; got '1,5'",
    ),
    "a time running back": (DUMP + "#9\n#5\n", "log.vcd:11:1: expected times that run forward; got #5 below #9"),
    "a time below zero": (DUMP + "#-5\n", "log.vcd:10:2: expected a whole number; got '-5'"),
    "a time with a fraction": (DUMP + "#5.5\n", "log.vcd:10:4: expected a time without a fraction; got '5'"),
    "a time beyond all range": (
        DUMP + "#" + "9" * 30 + "\n",
        "log.vcd:10:1: expected times under 9.0072e+15 us; got #999999999999999999999999999999",
    ),
    "a time of thousands of digits": (
        DUMP + "#" + "9" * 5000 + "\n",
        "log.vcd:10:1: expected numbers of a usual length; got thousands of digits",
    ),
    "a throttle that is never known": (
        DUMP.replace("b1001011000 !", "bx !"),
        "log.vcd:2:1: hall_counts: expected a value at some time; got none that is known",
    ),
    "a contact of two bits": (
        DUMP.replace('wire 1 "', 'wire 2 "') + '#5\nb10 "\n',
        "log.vcd:3:1: deadman: expected 0 or 1; got 2 at 0.000005 s",
    ),
    "a dump without a throttle": (
        DUMP.replace("hall_counts", "x"),
        (
            "log.vcd:2:1: hall_counts: expected a column of this name, or --map hall_counts=COLUMN; got"
            " columns x, deadman"
        ),
    ),
    "a dump of years": (
        DUMP + "#9000000000000000\n",
        (
            "log.vcd: expected at most 12000000 ticks of 1000 us in all; got 9000000000000; the longest"
            " pause is 9000000000 s, from 0.000 s"
        ),
    ),
    "two variables for one signal's name": (
        DUMP.replace('$var wire 1 "', '$var wire 1 # deadman $end\n$var wire 1 "'),
        "log.vcd:4:1: deadman: expected column names that differ; got the name of column 2 again",
    ),
}

# What stands in log.map.yaml beside a good log.vcd, and the line.
BAD_DUMP_MAP = {
    "separators for a dump": (
        "delimiter: comma\n",
        "log.map.yaml:1:1: delimiter: expected only `columns` for a value change dump; got 'delimiter'",
    ),
    "a clock for a dump": (
        "time: {unit: us}\n",
        "log.map.yaml:1:1: time: expected only `columns` for a value change dump; got 'time'",
    ),
    "a variable that is not there": (
        "columns:\n  bus_v: top.u\n",
        "log.map.yaml:2:3: columns.bus_v: expected a column of the file (hall_counts, deadman); got 'top.u'",
    ),
}


@pytest.fixture
def refused(tmp_path, monkeypatch, capsys):
    """Replays a file, sees that it is refused with nothing said or written beside, and gives what is said."""

    def _refused(name: str, content: str | bytes, options: list[str], layout: str | None = None) -> str:
        monkeypatch.chdir(tmp_path)
        Path(name).write_bytes(content if isinstance(content, bytes) else content.encode())
        if layout is not None:
            Path("log.map.yaml").write_text(layout, encoding="utf-8")
        before = sorted(os.listdir())
        try:
            code = main(["replay", name, "--out", "out", "--json", "out.json", "--vcd", "out.vcd", *options])
        except SystemExit as stop:
            code = stop.code
        printed = capsys.readouterr()
        assert (code, printed.out, sorted(os.listdir())) == (2, "", before)
        return printed.err

    return _refused


@pytest.mark.parametrize("case", BAD_CSV)
def test_a_bad_csv_is_one_clear_line(refused, case):
    """A CSV that cannot be mended is one line with its place, what was expected and what was got."""
    content, line = BAD_CSV[case]
    assert refused("log.csv", content, []) == f"{line}\n"


@pytest.mark.parametrize("case", BAD_OPTIONS)
def test_a_bad_option_is_one_clear_line(refused, case):
    """A column, signal or map file that is not there is one line that says what there is."""
    options, content, line = BAD_OPTIONS[case]
    assert refused("log.csv", content, options) == f"{line}\n"


@pytest.mark.parametrize("case", BAD_MAP)
def test_a_bad_map_file_is_one_clear_line(refused, case):
    """What is wrong in a map file is one line with the place in it; what it makes wrong, one in the recording."""
    layout, line = BAD_MAP[case]
    assert refused("log.csv", f"{HEAD}0,600,0\n", [], layout) == f"{line}\n"


@pytest.mark.parametrize("case", BAD_VCD)
def test_a_bad_dump_is_one_clear_line(refused, case):
    """A value change dump that is not as the format has it is one line with the place of the word."""
    content, line = BAD_VCD[case]
    assert refused("log.vcd", content, []) == f"{line}\n"


@pytest.mark.parametrize("case", BAD_DUMP_MAP)
def test_a_bad_map_file_of_a_dump_is_one_clear_line(refused, case):
    """A dump says itself how it is written, and names its variables."""
    layout, line = BAD_DUMP_MAP[case]
    assert refused("log.vcd", DUMP, [], layout) == f"{line}\n"


@pytest.mark.parametrize(("name", "got"), [("none.csv", "no such file or directory"), ("", "is a directory")])
def test_no_file_to_read(tmp_path, capsys, name, got):
    """A missing file and a folder are each one clear line."""
    path = tmp_path / name
    assert main(["replay", str(path)]) == 2
    assert capsys.readouterr().err == f"{path}: expected a recording (CSV or VCD); got {got}\n"


@pytest.mark.parametrize("name", ["log.csv", "log.vcd"])
def test_a_dump_is_known_by_its_first_word(tmp_path, monkeypatch, capsys, name):
    """Faults of a dump are told as a dump's whatever the file is called."""
    monkeypatch.chdir(tmp_path)
    Path(name).write_text(DEFS, encoding="ascii")
    main(["replay", name])
    assert capsys.readouterr().err == f"{name}:4:1: expected value changes below $enddefinitions; got none\n"
