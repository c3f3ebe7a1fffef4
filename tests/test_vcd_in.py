"""Value change dumps: the grammar of IEEE 1364-2005, clause 18, what captures hold, and what becomes of it."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from vcd.reader import TokenKind, tokenize

from sim.base.errors import InputError
from sim.bench.control import load_controller
from sim.jobs.replay import Replay, replay, standing_requirements
from sim.record.csv_in import read_recording
from sim.record.reading import read_any
from sim.record.recording import Recording
from sim.record.resample import to_ticks
from sim.record.table import Table
from sim.record.vcd_out import write_vcd

TRACES = Path(__file__).parent.parent / "traces"

# Written by hand after the grammar: every keyword, words over several lines and several words on one, identifiers of
# more than one character, a wire seen from two scopes, and each kind of value.
GRAMMAR = """\
$date
   31 January 2026
$end
$version by hand $end
$comment keywords may end on the line they begin $end
$timescale
   10 ns
$end
$scope module top $end
$var wire 1 ! deadman $end
$var reg 12 "a hall_counts [11:0] $end
$scope task inner $end
$var wire 1 ! deadman $end
$var integer 32 #$ offset $end
$var real 64 % bus_v $end
$var event 1 & fired $end
$upscope $end
$var trireg 1 ' line [3] $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
0! b1001011000 "a
b11111111111111111111111111111110 #$
r48.25 %
z'
$end
#100 1! 1&
#204
$dumpall 1! b1001011000 "a b0 #$ r48.25 % 1' $end
bX "a
#300
$dumpoff
x! bx "a bx #$ x'
$end
#400
$dumpon 0! b111 "a b1 #$ r-1.5e-3 % 0' $end
#500
"""


@pytest.fixture
def read(tmp_path):
    """Write a text (or bytes) as rec.vcd and read it."""

    def _read(text: str | bytes, mapping: dict[str, str] | None = None) -> Recording:
        path = tmp_path / "rec.vcd"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_any(path, mapping)

    return _read


def dump(body: str, declared: str = "$var wire 1 ! deadman $end", unit: str = "1 us") -> str:
    """A dump of these variables and changes."""
    return f"$timescale {unit} $end\n{declared}\n$enddefinitions $end\n{body}\n"


# The format.


def test_every_word_of_the_grammar_is_read(read):
    """A dump written by hand after the grammar gives the values it stands for, at its times of 10 ns each."""
    table = read(GRAMMAR).table

    assert table.t_us.tolist() == [0, 1, 2, 3, 4, 5]
    assert table["deadman"].tolist() == [0, 1, 1, 1, 0, 0]
    assert table["hall_counts"].tolist() == [600, 600, 600, 600, 7, 7]
    assert table["offset"].tolist() == [-2, -2, 0, 0, 1, 1]
    assert table["bus_v"].tolist() == [48.25, 48.25, 48.25, 48.25, -0.0015, -0.0015]
    assert table["line[3]"].tolist() == [1, 1, 1, 1, 0, 0]


def test_all_that_was_done_with_it_is_said(read):
    """What is left out, not known, rounded or switched off in the same dump is told with its lines."""
    recording = read(GRAMMAR)

    assert recording.notes == (
        "value changes in steps of 10 ns, 6 moments",
        "time: rounded to whole microseconds",
        "column offset kept under its own name",
        "column line[3] kept under its own name",
        "variable top.inner.fired left out: an event has no value that lasts",
    )
    assert recording.mended == (
        "dump switched off in line 33; values held until it is on again",
        "deadman: not known: 'x' in line 34; the value before is held",
        "hall_counts: not known: 'X' in line 31, 'x' in line 34; the value before is held",
        "offset: not known: 'x' in line 34; the value before is held",
        "line[3]: not known: 'z' in line 26, 'x' in line 34; the value before is held",
        "line[3]: nothing before 0.000002 s; its value there is used from the start",
    )


def test_pyvcd_reads_the_grammar_as_it_stands():
    """INDEPENDENT of our reading: pyvcd 0.5.1 finds as many words of each kind as were written by hand."""
    kinds = [token.kind for token in tokenize(io.BytesIO(GRAMMAR.encode()))]

    assert [kinds.count(kind) for kind in (TokenKind.VAR, TokenKind.SCOPE, TokenKind.UPSCOPE)] == [7, 2, 2]
    assert kinds.count(TokenKind.CHANGE_TIME) == 6
    assert kinds.count(TokenKind.CHANGE_SCALAR) == 10
    assert kinds.count(TokenKind.CHANGE_VECTOR) == 9
    assert kinds.count(TokenKind.CHANGE_REAL) == 3


@pytest.mark.parametrize("ends", ["\r\n", "\r", " ", "\t\n\n"])
def test_blanks_are_the_formats_only_separators(read, ends):
    """Words are parted by any blanks: with other line ends, or none, the same dump gives the same table."""
    plain, other = read(GRAMMAR), read(GRAMMAR.replace("\n", ends) + "\n")

    assert other.table.t_us.tolist() == plain.table.t_us.tolist()
    assert [column.tolist() for column in other.table.columns.values()] == [
        column.tolist() for column in plain.table.columns.values()
    ]


@pytest.mark.parametrize(
    ("unit", "ticks", "t_us"),
    [
        ("1 s", 3, 3_000_000),
        ("10ms", 3, 30_000),
        ("100 us", 3, 300),
        ("1 ns", 3000, 3),
        ("10 ps", 300_000, 3),
        ("100 fs", 30_000_000, 3),
        ("1 ns", 2500, 3),
        ("1 ns", 2499, 2),
    ],
)
def test_the_time_unit(read, unit, ticks, t_us):
    """A time is so many units of 1, 10 or 100 s, ms, us, ns, ps or fs, to the nearest microsecond."""
    assert read(dump(f"#0\n0!\n#{ticks}\n1!", unit=unit)).table.t_us.tolist() == [0, t_us]


@pytest.mark.parametrize(
    ("kind", "bits", "text", "value"),
    [
        ("wire", 12, "b111111111111", 4095.0),
        ("wire", 12, "b1", 1.0),
        ("reg", 32, "b" + 32 * "1", 2.0**32 - 1),
        ("integer", 32, "b" + 32 * "1", -1.0),
        ("integer", 32, "b1" + 31 * "0", -(2.0**31)),
        ("integer", 32, "b0" + 31 * "1", 2.0**31 - 1),
        ("integer", 64, "b" + 63 * "1" + "0", -2.0),
        ("time", 64, "b1" + 40 * "0", 2.0**40),
        ("real", 64, "r1e-3", 0.001),
        ("real", 1, "R-.5", -0.5),
        ("wire", 12, "bHL1", 5.0),
    ],
)
def test_what_a_value_stands_for(read, kind, bits, text, value):
    """Vectors are filled with zeros from the left and have no sign; an integer is a two's complement of its size."""
    declared = f"$var {kind} {bits} ! x $end"

    assert read(dump(f"#0\n{text} !\n#1", declared)).table["x"].tolist() == [value, value]


@pytest.mark.parametrize("text", ["x", "Z", "U", "W", "-"])
def test_what_is_not_known_holds_the_value_before(read, text):
    """x and z, and the further states of VHDL, hold the value before and are told."""
    recording = read(dump(f"#0\n1!\n#1\n{text}!\n#2"))

    assert recording.table["deadman"].tolist() == [1, 1, 1]
    assert recording.mended == (f"deadman: not known: {text!r} in line 7; the value before is held",)


def test_values_before_the_first_time_hold_from_it_on(read):
    """Initial values told above the first time are so from then on, whatever it is."""
    recording = read(dump("$dumpvars 1! $end\n#700\n#900\n0!"))

    assert (recording.table.t_us.tolist(), recording.table["deadman"].tolist()) == ([700, 900], [1, 0])
    assert recording.mended == ()


def test_letters_that_are_not_ascii_do_no_harm_in_a_comment(read):
    """A comment may hold any bytes."""
    assert read("$comment 24 MHz, 21 \N{DEGREE SIGN}C \xb5 $end\n" + dump("#0\n1!\n#1")).table["deadman"].tolist() == [
        1,
        1,
    ]


# Names.


def test_a_name_is_enough_where_it_is_the_only_one(read):
    """A variable goes by its own name, without its scopes, unless another bears it too."""
    declared = (
        "$scope module a $end\n$var wire 1 ! x $end\n$var wire 1 % deadman $end\n$upscope $end\n$var wire 1 & x $end"
    )

    assert read(dump("#0\n1!\n0%\n1&\n#1", declared)).table.names == ("a.x", "deadman", "x")


def test_a_second_name_for_a_wire_is_a_second_column(read):
    """One identifier under two names gives both."""
    declared = "$var wire 1 ! deadman $end\n$var wire 1 ! handle $end"
    table = read(dump("#0\n1!\n#1", declared)).table

    assert (table["deadman"].tolist(), table["handle"].tolist()) == ([1, 1], [1, 1])


@pytest.mark.parametrize("name", ["D3", "logic.D3"])
def test_a_variable_is_mapped_by_its_name_or_its_path(read, name):
    """`--map deadman=D3` and `--map deadman=logic.D3` mean the same variable."""
    declared = "$scope module logic $end\n$var wire 1 ! D3 $end\n$upscope $end"

    assert read(dump("#0\n1!\n#1", declared), {"deadman": name}).table["deadman"].tolist() == [1, 1]


def test_what_is_no_number_is_left_out_and_said(read):
    """A bus too wide for a number, a text, and a variable that is never known are left out, each with its reason."""
    declared = (
        "$var wire 1 ! deadman $end\n$var wire 128 % bus $end\n$var string 1 & state $end\n$var wire 1 ' quiet $end"
    )
    recording = read(dump("#0\n1!\nb1 %\nsgo &\nx'\n#1", declared))

    assert recording.table.names == ("deadman",)
    assert "variable bus left out: 128 bits are no number" in recording.notes
    assert "variable state left out: text is no number" in recording.notes
    assert "variable quiet left out: none that is known" in recording.notes


# Captures that end badly.


def test_a_last_word_cut_short_is_left_and_said(read):
    """A dump that ends within a word is read up to there."""
    recording = read(dump("#0\n1!\n#5\n0!") + "#1")

    assert recording.table.t_us.tolist() == [0, 5]
    assert recording.mended == ("line 8, the last, is cut short and has no line end; read up to there",)


def test_every_beginning_of_a_dump_is_read_or_refused(tmp_path):
    """Wherever a capture is cut off, it gives rows that the whole one has too, or faults."""
    path = tmp_path / "cut.vcd"
    for end in range(len(GRAMMAR)):
        path.write_text(GRAMMAR[:end], encoding="ascii")
        times, lines = [], []
        try:
            times = read_any(path).table.t_us.tolist()
        except InputError as error:
            lines = str(error).splitlines()

        assert times == [0, 1, 2, 3, 4, 5][: len(times)]
        assert bool(lines) != bool(times)


@settings(max_examples=200)
@given(data=st.data())
def test_corrupted_bytes_are_a_recording_or_faults(tmp_path_factory, data):
    """Bytes changed, lost and put in at random leave a recording, or faults of one line each; never another error."""
    whole = bytearray(GRAMMAR.encode())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(whole)))
        whole[at : at + data.draw(st.integers(0, 6))] = data.draw(st.binary(max_size=6))
    path = tmp_path_factory.mktemp("bytes") / "rec.vcd"
    path.write_bytes(whole)
    columns, lines = [], []
    try:
        columns = list(read_any(path).table.columns.values())
    except InputError as error:
        lines = [str(fault) for fault in error.faults]

    assert lines or columns
    assert all(np.isfinite(column).all() for column in columns)
    assert [line for line in lines if "\n" in line] == []


# Onto ticks.


def test_edges_are_held_until_the_next(read):
    """A tick shows the newest value at or before it: a dump has no intervals, no gaps, and nothing to join by lines."""
    recording = read(dump("#0\n0!\n#1001\n1!\n#900000\n0!\n#1000000"))
    ticks, notes = to_ticks(recording.table, 1000, changes=recording.changes)

    assert ticks["deadman"][[0, 1, 2, 899, 900, 1000]].tolist() == [0, 0, 1, 1, 0, 0]
    assert notes == ()


def test_presses_shorter_than_a_tick_are_told(read):
    """A press and a release that come and go between two ticks are not seen, and are told with the first of them."""
    recording = read(dump("#0\n0!\n#1500\n1!\n#1700\n0!\n#5000\n1!\n#7300\n0!\n#7400\n1!\n#9000\n0!\n#10000"))
    ticks, notes = to_ticks(recording.table, 1000, changes=recording.changes)

    assert ticks["deadman"].tolist() == [0, 0, 0, 0, 0, 1, 1, 1, 1, 0, 0]
    assert notes == (
        "2 moments of change fell between ticks of 1000 us and are not seen",
        "deadman: 1 times at 1 and 1 times at 0 for less than a tick of 1000 us, not seen; the first at 0.001500 s for"
        " 200 us",
    )


def test_changes_within_a_microsecond_are_told(read):
    """Of changes within one microsecond the last is kept, and that is told."""
    recording = read(dump("#0\n0!\n#5000100\n1!\n#5000200\n0!\n#6000000", unit="1 ps"))

    assert recording.table["deadman"].tolist() == [0, 0, 0]
    assert recording.mended == ("deadman: line 9 changes again within a microsecond; the last value kept",)


def through(path: Path) -> Replay:
    """A recording through the reference controller."""
    return replay(path, load_controller("reference", 1000), standing_requirements(), 1000)


def test_a_dump_replays_just_as_its_csv(tmp_path):
    """The dry bench's table written as a dump drives the controller to the same commands, tick by tick."""
    table = read_recording(TRACES / "bench_dry.csv").table
    write_vcd(table, tmp_path / "bench.vcd")
    one, other = through(TRACES / "bench_dry.csv"), through(tmp_path / "bench.vcd")

    assert [event[:3] for event in other.events] == [event[:3] for event in one.events]
    for name in ("left_pulse_us", "right_pulse_us", "mode", "reason"):
        assert np.array_equal(other.table[name], one.table[name])


# Round trip.


def whole_numbers(low: float, high: float):
    return st.integers(int(low), int(high)).map(float)


@st.composite
def tables(draw):
    """Tables of bits, counts, large and negative whole numbers, reals of 15 digits, and cells without a value."""
    rows = draw(st.integers(1, 12))
    steps = draw(st.lists(st.integers(1, 10**7), min_size=rows - 1, max_size=rows - 1))
    t_us = draw(st.integers(0, 10**9)) + np.concatenate([[0], np.cumsum(np.array(steps, dtype=np.int64))])
    kinds = {
        "bit": st.sampled_from([0.0, 1.0]),
        "count": whole_numbers(0, 4095),
        "wide": whole_numbers(-(2**52), 2**52),
        "real": st.floats(-1e9, 1e9).map(lambda value: float(f"{value:.15g}")),
    }
    return Table(t_us.astype(np.int64), {name: draw(arrays(np.float64, rows, elements=kinds[name])) for name in kinds})


@settings(max_examples=100)
@given(table=tables())
def test_a_written_dump_reads_back_equal(tmp_path_factory, table):
    """Any table written as a dump reads back with each value at each of its times that anything changed at."""
    path = tmp_path_factory.mktemp("round") / "run.vcd"
    write_vcd(table, path)
    read = read_any(path).table
    rows = np.searchsorted(read.t_us, table.t_us, side="right") - 1

    assert (read.t_us[0], read.t_us[-1]) == (table.t_us[0], table.t_us[-1])
    assert {name: read[name][rows].tolist() for name in table.names} == {
        name: table[name].tolist() for name in table.names
    }


def test_an_unknown_value_comes_back_as_one(tmp_path):
    """A cell without a value is written as x, or as nan for a real, and read as not known."""
    columns = {"bit": [1.0, np.nan, 0.0], "count": [7.0, np.nan, 9.0], "real": [0.5, np.nan, 1.5]}
    table = Table(np.array([0, 5, 9]), {name: np.array(values) for name, values in columns.items()})
    write_vcd(table, tmp_path / "run.vcd")
    recording = read_any(tmp_path / "run.vcd")

    assert [recording.table[name].tolist() for name in columns] == [[1, 1, 0], [7, 7, 9], [0.5, 0.5, 1.5]]
    assert len(recording.mended) == 3
