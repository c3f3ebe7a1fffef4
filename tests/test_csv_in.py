"""Recordings as loggers write them: what is guessed, what is mended, what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sim.base.errors import InputError
from sim.record.csv_in import Recording, read_recording
from sim.record.meaning import CONTACTS, SIGNALS
from sim.record.table import Table, write_csv

TRACES = Path(__file__).parent.parent / "traces"


@pytest.fixture
def read(tmp_path):
    """Write a text (or bytes) as rec.csv and read it as a recording."""

    def _read(text: str | bytes, mapping: dict[str, str] | None = None) -> Recording:
        path = tmp_path / "rec.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_recording(path, mapping)

    return _read


def faults_of(read, text, mapping=None) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(text, mapping)
    # The folder differs from run to run; what follows the file's name does not.
    return [str(fault).rpartition("rec.csv:")[2] for fault in caught.value.faults]


# The three example recordings.


@pytest.mark.parametrize(
    ("name", "rows", "names"),
    [
        ("bench_dry.csv", 12_000, ("hall_counts", "deadman", "kill_cord", "bus_v")),
        ("lake_wet_button.csv", 15_000, ("hall_counts", "deadman", "mode_line_v", "kill_cord", "bus_v")),
        (
            "pool_session.csv",
            7_992,
            (
                "hall_counts",
                "deadman",
                "mode_button",
                "kill_cord",
                "bus_v",
                "pack_a",
                "left_pulse_us",
                "right_pulse_us",
            ),
        ),
    ],
)
def test_an_example_reads_with_no_hand_editing(name, rows, names):
    """Each example recording gives its rows and its standard signals."""
    table = read_recording(TRACES / name).table

    assert (len(table), table.names) == (rows, names)


def test_bench_is_tabs_and_microseconds():
    """The bench recording is tab separated with stamps in microseconds, every ms within 1 us; nothing mended."""
    recording = read_recording(TRACES / "bench_dry.csv")

    assert recording.notes == (
        "cells separated by tab, decimal point",
        "time from column timestamp_us, in us (from its name)",
    )
    assert recording.mended == ()
    assert set(np.diff(recording.table.t_us)) == {999, 1000, 1001}


def test_bench_shows_a_sensor_at_its_rail():
    """On the bench the sensor reads 4095 for 400 samples from 10.200 s on, with the dead-man held."""
    table = read_recording(TRACES / "bench_dry.csv").table
    railed = np.flatnonzero(table["hall_counts"] == 4095)

    assert (len(railed), table.t_us[railed[0]], table.t_us[railed[-1]]) == (400, 10_200_000, 10_599_000)
    assert np.all(table["deadman"][railed] == 1.0)


def test_bench_shows_one_bounce_and_the_cord_pulled():
    """On the bench the dead-man opens twice within 2 ms at 11 s, and the cord is pulled at 11.4 s."""
    table = read_recording(TRACES / "bench_dry.csv").table

    assert changes(table, "deadman") == [(500_000, 1), (11_000_000, 0), (11_001_000, 1), (11_002_000, 0)]
    assert changes(table, "kill_cord") == [(11_400_000, 0)]


def test_lake_has_a_decimal_comma():
    """The lake recording has semicolons and decimal commas, in seconds, every 2 ms."""
    recording = read_recording(TRACES / "lake_wet_button.csv")

    assert recording.notes == (
        "cells separated by semicolon, decimal comma",
        "time from column t_s, in s (from its name)",
    )
    assert set(np.diff(recording.table.t_us)) == {2000}
    assert recording.table["mode_line_v"][0] == 2.484


def test_lake_button_clicks_and_nobody_pressed():
    """Against thresholds of 0.3 and 0.7 of 3.3 V the wet button clicks 26 times, and never reads like a closed one."""
    table = read_recording(TRACES / "lake_wet_button.csv").table
    pressed, clicks = False, 0
    for line_v in table["mode_line_v"]:
        if not pressed and line_v < 0.3 * 3.3:
            pressed, clicks = True, clicks + 1
        elif pressed and line_v > 0.7 * 3.3:
            pressed = False

    assert clicks == 26
    assert table["mode_line_v"].min() == 0.446


def test_pool_is_mended_and_says_so():
    """The pool recording has a mark, two comments, milli units, other names, a gap and a repeated stamp; all said."""
    recording = read_recording(TRACES / "pool_session.csv")

    assert recording.notes == (
        "cells separated by comma, decimal point",
        "comment lines passed over: 2",
        "bus_v from column bus_mv, mV converted to V",
        "left_pulse_us from column pulse_left_us",
        "right_pulse_us from column pulse_right_us",
        "time from column time_ms, in ms (from its name)",
        "gap of 45.000 ms from 15.000100 s",
    )
    assert recording.mended == ("time: line 5196 followed by a row with the same stamp; the later row kept",)


def test_pool_units_are_converted_exactly():
    """The first pool row, 0.1 ms and 55088 mV, is 100 us and 55.088 V."""
    table = read_recording(TRACES / "pool_session.csv").table

    assert (table.t_us[0], table["bus_v"][0]) == (100, 55.088)


@pytest.mark.parametrize(
    ("name", "counts", "at_ms"),
    [
        ("bench_dry.csv", 60, [5166, 7389, 9770]),
        ("lake_wet_button.csv", 90, [1734, 15810, 20506]),
        ("pool_session.csv", 80, [970, 2560, 4765, 5060, 9635, 12840, 20904, 25380, 30590, 31170, 33150]),
    ],
)
def test_lone_wrong_samples_survive_reading(name, counts, at_ms):
    """Single sensor samples far from their eight neighbours' level come through as they were recorded."""
    table = read_recording(TRACES / name).table
    lever = table["hall_counts"]
    level = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(lever, 4, mode="edge"), 9), axis=1)
    lone = np.abs(lever - level) > counts

    assert np.rint(table.t_us[lone] / 1000).tolist() == at_ms


def test_pool_drives_again_with_the_lever_pulled():
    """In the pool the pulses rise within 10 ms of the dead-man pressed again, the lever being far from rest."""
    table = read_recording(TRACES / "pool_session.csv").table.between(17_000_000, 17_015_200)

    assert table["deadman"].tolist() == [0, 1, 1, 1]
    assert table["left_pulse_us"].tolist() == [1000, 1006, 1012, 1018]
    assert table["hall_counts"].min() > 1200


def test_pool_bus_sags_under_165_a():
    """In the pool the bus falls to 51.134 V at 15.945 s while the pack gives 165 A."""
    table = read_recording(TRACES / "pool_session.csv").table
    lowest = int(np.argmin(table["bus_v"]))

    assert (table.t_us[lowest], table["bus_v"][lowest], table["pack_a"][lowest]) == (15_945_000, 51.134, 165.0)


def test_pool_button_clicks_five_times():
    """In the pool the mode button reads pressed five times, twice for one sample only."""
    edges = changes(read_recording(TRACES / "pool_session.csv").table, "mode_button")
    lengths = [end[0] - start[0] for start, end in zip(edges[::2], edges[1::2], strict=True)]

    assert lengths == [35_100, 5_000, 5_000, 39_900, 24_700]


def changes(table: Table, name: str) -> list[tuple[int, int]]:
    rows = np.flatnonzero(np.diff(table[name])) + 1
    return [(int(table.t_us[row]), int(table[name][row])) for row in rows]


# Guesses.


@pytest.mark.parametrize(
    ("header", "stamps", "first_us"),
    [
        ("t_s", "0.5 0.501", 500_000),
        ("time_ms", "0.5 1.5", 500),
        ("timestamp_us", "7 1007", 7),
        ("Time [ms]", "3 4", 3000),
        ("Time (\N{MICRO SIGN}s)", "3 4", 3),
        ("seconds", "3 4", 3_000_000),
        ("time", "0.01 0.02", 10_000),
        ("time", "1 2", 1000),
        ("t", "1000 2000", 1000),
        ("timestamp", "0.1 0.3", 100_000),
    ],
)
def test_the_unit_of_time(read, header, stamps, first_us):
    """The clock's unit comes from its name, or from the interval where the name is silent."""
    rows = "".join(f"{stamp},1\n" for stamp in stamps.split())

    assert read(f"{header},hall_counts\n{rows}").table.t_us[0] == first_us


def test_a_guessed_unit_is_said(read):
    """A unit nobody wrote is said to be a guess."""
    notes = read("time,hall_counts\n0.00,1\n0.01,2\n").notes

    assert "time from column time, in s (guessed from the median interval)" in notes


def test_a_clock_with_a_unit_goes_before_one_without(read):
    """Of two clocks the one that names its unit is used, and the other stays a column."""
    table = read("time,t_ms,hall_counts\n500,1,7\n900,2,8\n").table

    assert (table.t_us.tolist(), table.names) == ([1000, 2000], ("time", "hall_counts"))


@pytest.mark.parametrize(
    ("name", "signal", "value"),
    [
        ("hall_adc", "hall_counts", 5.0),
        ("Kill-Cord", "kill_cord", 1.0),
        ("pulse_left_us", "left_pulse_us", 5.0),
        ("rpm_right", "right_rpm", 5.0),
        ("pack_ma", "pack_a", 0.005),
        ("sensor_supply_mv", "sensor_supply_v", 0.005),
        ("button_line_mv", "mode_line_v", 0.005),
    ],
)
def test_known_names_become_signals(read, name, signal, value):
    """A known other name, or a milli unit, becomes the standard signal in its standard unit."""
    cell = "1" if signal in CONTACTS else "5"

    assert read(f"t_ms,{name}\n0,{cell}\n").table[signal].tolist() == [value]


def test_an_unknown_column_keeps_its_name(read):
    """A column of no known meaning is kept under its own name, unconverted, and said so."""
    recording = read("t_ms,hall_counts,Vbat_mv\n0,1,5\n")

    assert recording.table["Vbat_mv"].tolist() == [5.0]
    assert "column Vbat_mv kept under its own name" in recording.notes


def test_the_exact_name_goes_before_another_word_for_it(read):
    """Of two columns for one signal the one that bears its name gives it; the other keeps its own."""
    table = read("t_ms,bus_mv,bus_v\n0,5,7\n").table

    assert (table["bus_v"].tolist(), table["bus_mv"].tolist()) == ([7.0], [5.0])


def test_a_mapping_goes_before_guesses(read):
    """A mapped column gives the signal, and the column of that name is left out and said so."""
    recording = read("t_ms,hall_counts,adc3\n0,1,9\n", {"hall_counts": "adc3"})

    assert recording.table["hall_counts"].tolist() == [9.0]
    assert "hall_counts from column adc3 (as asked)" in recording.notes
    assert "column hall_counts left out: hall_counts is taken from adc3" in recording.notes


@pytest.mark.parametrize("mapping", [{"bus_mv": "u"}, {"bus_v": "u_mv"}])
def test_a_mapping_converts_milli_units(read, mapping):
    """A milli unit in the mapped signal or in the column's own name is converted, and only once."""
    name = next(iter(mapping.values()))

    assert read(f"t_ms,{name}\n0,52000\n", mapping).table["bus_v"].tolist() == [52.0]


def test_a_mapping_can_name_the_clock(read):
    """`t_ms` in the mapping names the clock and its unit."""
    assert read("Zeit,hall_counts\n3,1\n4,1\n", {"t_ms": "Zeit"}).table.t_us.tolist() == [3000, 4000]


# Dialects.


@pytest.mark.parametrize(
    "text",
    [
        "t_ms,bus_v\n0,1.5\n1,2.5\n",
        "t_ms;bus_v\n0;1,5\n1;2,5\n",
        "t_ms\tbus_v\n0\t1.5\n1\t2.5\n",
        "\N{ZERO WIDTH NO-BREAK SPACE}t_ms,bus_v\r\n0,1.5\r\n1,2.5\r\n",
        "# top\nt_ms, bus_v\n0, 1.5\n# between\n\n1, +2.5e0\n\n",
        '"t_ms","bus_v"\n"0","1,5"\n"1","2,5"\n',
        "t_ms,bus_v\r0,1.5\r1,2.5\r",
        "t_ms;bus_v\n0;1.5\n1;2.5",
        "t_ms,bus_v,\n0,1.5,\n1,2.5,\n",
        "t_ms,bus_v,note\n0,1.5,start\n1,2.5,\n",
    ],
    ids=["comma", "semicolon", "tab", "bom", "comments", "quotes", "old-mac", "semicolon-point", "trailing", "note"],
)
def test_one_table_in_ten_dialects(read, text):
    """The same two rows are read from every way of writing them."""
    table = read(text).table

    assert (table.names, table.t_us.tolist(), table["bus_v"].tolist()) == (("bus_v",), [0, 1000], [1.5, 2.5])


def test_a_comment_may_hold_any_bytes(read):
    """A byte that is not UTF-8 does no harm in a comment."""
    assert read(b"# 21 \xb0C\nt_ms,bus_v\n0,1\n").table["bus_v"].tolist() == [1.0]


# Mending.


def mended_of(read, text: str) -> tuple[list[float], tuple[str, ...]]:
    recording = read(text)
    return recording.table["bus_v"].tolist(), recording.mended


@pytest.mark.parametrize(
    ("text", "values", "mended"),
    [
        ("0,1\n1,\n2,3\n", [1, 1, 3], "bus_v: empty cell: line 3; the value before is held"),
        ("0,1\n1,ERR\n2,3\n", [1, 1, 3], "bus_v: no number: 'ERR' in line 3; the value before is held"),
        ("0,1\n1,1_000\n2,3\n", [1, 1, 3], "bus_v: no number: '1_000' in line 3; the value before is held"),
        ("0,1\n1,inf\n2,3\n", [1, 1, 3], "bus_v: no number: 'inf' in line 3; the value before is held"),
        ("0,1\n1,2\n1,3\n2,4\n", [1, 3, 4], "time: line 3 followed by a row with the same stamp; the later row kept"),
        ("0,1\n9,2\n5,3\n10,4\n", [1, 2, 4], "time: line 4 earlier than a row before; dropped"),
        ("0,1\n,2\n2,4\n", [1, 4], "time: line 3 without a usable stamp; dropped"),
        ("0,1\n1e300,2\n2,4\n", [1, 4], "time: line 3 without a usable stamp; dropped"),
        ("0,1\n# why\n1,NaN\n2,-\n", [1, 1, 1], "bus_v: empty cell: lines 4, 5; the value before is held"),
        (
            "0,1\n" + "".join(f"{row},\n" for row in range(1, 6)),
            [1] * 6,
            "bus_v: empty cell: lines 3, 4, 5 and 2 more; the value before is held",
        ),
    ],
)
def test_what_is_mended_is_said_with_its_lines(read, text, values, mended):
    """A fault that can be mended is mended in the stated way and reported with the file's lines."""
    assert mended_of(read, f"t_ms,bus_v\n{text}") == (values, (mended,))


def test_nothing_before_the_first_value(read):
    """Cells missing from the start take the first value there is, and that is said."""
    values, mended = mended_of(read, "t_ms,bus_v\n0,\n1,\n2,3\n")

    assert values == [3, 3, 3]
    assert mended == (
        "bus_v: empty cell: lines 2, 3; the value before is held",
        "bus_v: nothing before line 4; its value there is used from the start",
    )


def test_a_dropped_row_gives_no_value(read):
    """A missing cell is not filled from a row that was dropped for running backward."""
    values, _ = mended_of(read, "t_ms,bus_v\n0,1\n5,2\n3,9\n6,\n")

    assert values == [1, 2, 2]


def test_contacts_take_true_and_false(read):
    """A contact written as true and false is 1 and 0."""
    assert read("t_ms,deadman\n0,True\n1,FALSE\n2,1\n").table["deadman"].tolist() == [1, 0, 1]


def test_a_text_column_is_left_out_and_said(read):
    """A column of words that no signal needs is left out, and that is said."""
    assert "column state left out: no numbers in it" in read("t_ms,hall_counts,state\n0,1,go\n1,2,go\n").notes


def test_rounded_stamps_are_said(read):
    """Stamps finer than a microsecond are rounded, and that is said."""
    recording = read("t_us,hall_counts\n0.25,1\n1000.5,2\n")

    assert recording.table.t_us.tolist() == [0, 1000]
    assert "time: stamps rounded to whole microseconds" in recording.notes


def test_fast_and_careful_reading_agree(read):
    """A word in one column sends every cell down the careful path, which reads the same bits."""
    numbers = ["1.1", "-0.3e-7", "5.", ".25", "+7", "123456789.123456789"]
    rows = [f"{row},{number}" for row, number in enumerate(numbers)]
    plain = read("t_ms,bus_v\n" + "\n".join(rows)).table["bus_v"]
    careful = read("t_ms,bus_v,note\n" + "\n".join(f'{row},"x"' for row in rows)).table["bus_v"]

    assert plain.tobytes() == careful.tobytes()


# Refusals.

HEAD = "t_ms,hall_counts,deadman\n"
BAD = {
    "empty": (
        "",
        "expected a header row and columns separated by comma, semicolon or tab; got no rows at all",
    ),
    "only comments": (
        "# a\n# b\n",
        "expected a header row and columns separated by comma, semicolon or tab; got no rows at all",
    ),
    "one column": (
        "# a\nhall_counts\n5\n",
        "2: expected a header row and columns separated by comma, semicolon or tab; got one column ('hall_counts')",
    ),
    "no rows": (HEAD, "expected rows of numbers below the header; got none"),
    "no header": ("0,5,1\n1,6,1\n", "1: expected a header row naming the columns; got numbers (0, 5, 1)"),
    "no clock": (
        "hall_counts,deadman\n5,1\n",
        "1: expected a time column (t_s, t_ms, t_us, time_s, timestamp_us, ...); got columns hall_counts, deadman",
    ),
    "only a clock": ("t_ms,\n0,\n1,\n", "expected at least one column of numbers beside the time; got none"),
    "duplicate name": (
        "t_ms,bus_v,bus_v\n0,1,2\n",
        "1:3: bus_v: expected column names that differ; got the name of column 2 again",
    ),
    "short row": (HEAD + "0,1,1\n1,2\n", "3: expected 3 cells, as many as in the header; got 2"),
    "long row": (HEAD + "0,1,1\n1,2,1,0\n", "3: expected 3 cells, as many as in the header; got 4"),
    "unquoted decimal comma": (
        "t_s,bus_v\n0,001,52,1\n",
        "2: expected 2 cells, as many as in the header; got 4",
    ),
    "zero bytes": (
        HEAD.encode() + b"0,1,1\n\0\0\0\0\n",
        "3: expected text; got a zero byte (binary, UTF-16, or a block the logger never wrote)",
    ),
    "UTF-16": (
        HEAD.encode("utf-16-le"),
        "1: expected text; got a zero byte (binary, UTF-16, or a block the logger never wrote)",
    ),
    "binary": (b"\x89PNG\r\n\x1a\n", "1: expected text in UTF-8; got byte 0x89"),
    "not UTF-8": (b"t_ms,spannung_\xfc\n0,1\n", "1: expected text in UTF-8; got byte 0xfc"),
    "open quote": (
        HEAD + '0,1,1\n1,"2,1\n2,3,1\n',
        "3: expected cells with quotation marks in pairs; got unexpected end of data",
    ),
    "all missing": (
        HEAD + "0,,1\n1,,1\n",
        "1:2: hall_counts: expected numbers in the column; got none in 2 rows",
    ),
    "all words": (
        HEAD + "0,a,1\n1,b,1\n",
        "1:2: hall_counts: expected numbers in the column; got none in 2 rows ('a' in line 2, 'b' in line 3)",
    ),
    "half a contact": (HEAD + "0,1,0.5\n1,1,1\n", "2:3: deadman: expected 0 or 1; got 0.5"),
    "clock of words": (
        HEAD + "noon,1,1\nlater,2,1\n",
        "1:1: t_ms: expected stamps that are numbers; got no number: 'noon' in line 2, 'later' in line 3",
    ),
    "clock out of range": (
        HEAD + "1e300,1,1\n",
        "1:1: t_ms: expected stamps that are numbers; got numbers out of all range",
    ),
    "clock running back": (
        HEAD + "9,1,1\n8,1,1\n7,1,1\n6,1,1\n",
        "3:1: t_ms: expected stamps that run forward; got 3 of 4 rows earlier than one before",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_file_is_one_clear_line(read, case):
    """A file that cannot be mended gives one line with its place, what was expected and what was got."""
    text, line = BAD[case]

    assert [fault.strip() for fault in faults_of(read, text)] == [line]


def test_repeated_faults_are_capped(read):
    """Many short rows give three lines, the last of which says how many more there are."""
    faults = faults_of(read, HEAD + "0,1\n" * 10)

    assert faults == [
        "2: expected 3 cells, as many as in the header; got 2",
        "3: expected 3 cells, as many as in the header; got 2",
        "4: expected 3 cells, as many as in the header; got 2 and 7 more",
    ]


def test_all_faults_come_at_once(read):
    """Faults of different kinds are reported together."""
    faults = faults_of(read, "t_ms,bus_v,bus_v\n0,1\n", {"hall_counts": "x"})

    assert len(faults) == 3


@pytest.mark.parametrize(
    ("mapping", "line"),
    [
        (
            {"deadman": "dedman"},
            "1: deadman: expected a column of the file (t_ms, deadman_in) (did you mean deadman_in?); got 'dedman'",
        ),
        (
            {"hal_counts": "deadman_in"},
            "hal_counts: expected one of "
            + ", ".join((*SIGNALS, "t_s", "t_ms", "t_us"))
            + " (did you mean hall_counts?); got 'hal_counts'",
        ),
    ],
)
def test_a_wrong_mapping_names_the_nearest(read, mapping, line):
    """A mapping to an unknown column or signal is one fault that proposes the nearest name."""
    assert [fault.strip() for fault in faults_of(read, "t_ms,deadman_in\n0,1\n", mapping)] == [line]


@pytest.mark.parametrize(("name", "got"), [("none.csv", "no such file or directory"), ("", "is a directory")])
def test_no_file_to_read(tmp_path, name, got):
    """A missing file and a folder are each one clear line."""
    path = tmp_path / name
    with pytest.raises(InputError) as caught:
        read_recording(path)

    assert str(caught.value) == f"{path}: expected a recording (CSV); got {got}"


# Properties.

FINITE = st.floats(allow_nan=False, allow_infinity=False, width=64)


@st.composite
def tables(draw):
    rows = draw(st.integers(1, 20))
    start = draw(st.integers(-(10**12), 10**12))
    steps = draw(st.lists(st.integers(1, 10**6), min_size=rows - 1, max_size=rows - 1))
    known = ("hall_counts", "pack_a", "depth_m", 'odd "name", x')
    names = draw(st.lists(st.sampled_from(known), unique=True, min_size=1))
    t_us = start + np.concatenate([[0], np.cumsum(np.array(steps, dtype=np.int64))]).astype(np.int64)
    return Table(t_us, {name: draw(arrays(np.float64, rows, elements=FINITE)) for name in names})


@settings(max_examples=100, deadline=None)
@given(table=tables(), comments=st.lists(st.text(st.characters(exclude_categories=("Cc", "Cs"))), max_size=2))
def test_a_written_table_reads_back_bit_for_bit(tmp_path_factory, table, comments):
    """Any table of finite values, written and read, has the same clock, names and bits, and nothing to mend."""
    path = tmp_path_factory.mktemp("round") / "table.csv"
    write_csv(table, path, comments)
    recording = read_recording(path)

    assert recording.mended == ()
    assert recording.table.t_us.tolist() == table.t_us.tolist()
    assert {name: recording.table[name].tobytes() for name in recording.table.names} == {
        name: table[name].tobytes() for name in table.names
    }


@settings(max_examples=200, deadline=None)
@given(text=st.text(st.sampled_from("t_ms,;\t\n\"'#01.5-eE \r\0x"), max_size=60))
def test_any_text_is_a_recording_or_a_fault(tmp_path_factory, text):
    """Whatever a file holds, it is read or it is faults; never another error."""
    path = tmp_path_factory.mktemp("any") / "rec.csv"
    path.write_bytes(("t_ms,bus_v\n0,1\n" + text).encode())
    try:
        values = read_recording(path).table["bus_v"]
    except InputError as error:
        values = np.zeros(len(error.faults))

    assert len(values) > 0
    assert np.isfinite(values).all()
