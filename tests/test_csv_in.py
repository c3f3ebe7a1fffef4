"""Recordings as loggers write them: what is guessed, what is mended, what is refused."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sim.base.errors import InputError
from sim.record.csv_in import Recording, read_recording
from sim.record.dialect import DELIMITERS, Dialect
from sim.record.meaning import CONTACTS
from sim.record.reading import read_any
from sim.record.table import Table, write_csv
from sim.record.time_axis import read_clock

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


# Refusals; tests/test_recordings_bad.py has the rest.

HEAD = "t_ms,hall_counts,deadman\n"


def test_repeated_faults_are_capped(read):
    """Many short rows give three lines, the last of which says how many more there are."""
    faults = faults_of(read, HEAD + "0,1\n" * 10)

    assert faults == [
        "2:1: expected 3 cells, as many as in the header; got 2",
        "3:1: expected 3 cells, as many as in the header; got 2",
        "4:1: expected 3 cells, as many as in the header; got 2 and 7 more",
    ]


def test_all_faults_come_at_once(read):
    """Faults of different kinds are reported together."""
    faults = faults_of(read, "t_ms,bus_v,bus_v\n0,1\n", {"hall_counts": "x"})

    assert len(faults) == 3


# Files that are odd and still read.

ROWS = "".join(f"{row},{600 + row},0\n" for row in range(30))
HALL = list(range(600, 630))
MS = list(range(0, 30_000, 1000))


def stamped(stamps, header="t_ms,hall_counts,deadman") -> str:
    """A recording of these stamps; the throttle counts the rows."""
    return f"{header}\n" + "".join(f"{stamp},{600 + row},0\n" for row, stamp in enumerate(stamps))


BACK = (
    "the logger started again or its clock was set; what follows is put one median interval behind, how long it"
    " paused is not known"
)
# What stands in the file; its stamps from the first on, in us; its throttle; and what is said of it.
ODD = {
    "UTF-16 with its mark": (
        (HEAD + ROWS).encode("utf-16"),
        MS,
        HALL,
        ["text in UTF-16 (from its byte order mark)"],
    ),
    "UTF-16 without a mark": (
        (HEAD + ROWS).encode("utf-16-be"),
        MS,
        HALL,
        ["text in UTF-16-BE (guessed from its zero bytes)"],
    ),
    "UTF-32": ((HEAD + ROWS).encode("utf-32"), MS, HALL, ["text in UTF-32 (from its byte order mark)"]),
    "Windows letters in a name": (
        (HEAD[:-1] + ",w\xe4rme\n" + ROWS.replace(",0\n", ",0,9\n")).encode("cp1252"),
        MS,
        HALL,
        ["text in Windows-1252 (guessed, as it is not UTF-8)", "column w\xe4rme kept under its own name"],
    ),
    "a byte lost its way": (
        (HEAD + ROWS).encode().replace(b"605", b"6\xff5").replace(b"609,0", b"609,0\n# \xc2\xb0C"),
        MS,
        [*HALL[:5], 604, *HALL[6:]],
        ["hall_counts: no number: '6\\\\xff5' in line 7; the value before is held", "comment lines passed over: 1"],
    ),
    "a cut last row": (
        HEAD + ROWS + "30,63",
        MS,
        HALL,
        ["rows: line 32, the last, is cut short and has no line end; dropped"],
    ),
    "a last row without its end": (
        HEAD + ROWS[:-1],
        MS,
        HALL,
        ["line 31, the last, has no line end; taken as whole"],
    ),
    "a block that was never written": (
        HEAD + ROWS + "\0" * 5000,
        MS,
        HALL,
        ["rows: line 32: zero bytes alone, never written; passed over"],
    ),
    "a lost block within": (
        HEAD + ROWS + "30,6\0\0\0\0\0\0,0\n31,631,0\n",
        [*MS, 31_000],
        [*HALL, 631],
        ["rows: line 32: zero bytes in the row; dropped"],
    ),
    "a row with a cell too few": (
        HEAD + ROWS + "30,0\n31,631,0\n",
        [*MS, 31_000],
        [*HALL, 631],
        ["rows: line 32: not 3 cells as in the header; dropped"],
    ),
    "a lone quotation mark": (
        HEAD + ROWS + '30,"630,0\n31,631,0\n',
        [*MS, 31_000],
        [*HALL, 631],
        ["rows: line 32: quotation marks without their pair; dropped"],
    ),
    "a separator behind each row": (
        HEAD + ROWS.replace(",0\n", ",0,\n"),
        MS,
        HALL,
        ["a separator behind the last cell: lines 2, 3, 4 and 27 more"],
    ),
    "words for nothing": (
        HEAD + "0,600,0\n1,NaN,0\n2,---,0\n3,OVF,0\n4,604,0\n",
        MS[:5],
        [600, 600, 600, 600, 604],
        [
            "hall_counts: no number: 'OVF' in line 5; the value before is held",
            "hall_counts: empty cell: lines 3, 4; the value before is held",
        ],
    ),
    "thousands parted by points": (
        "t_ms;hall_counts;bus_v\n0;600;50,5\n1;1.601;50,5\n2;602;50,5\n",
        MS[:3],
        [600, 600, 602],
        ["hall_counts: no number: '1.601' in line 3; the value before is held"],
    ),
    "lines above the names": (
        f"Logger 7\nSerial,12\n\n{HEAD}{ROWS}",
        MS,
        HALL,
        ["above the columns' names: lines 1, 2 passed over"],
    ),
    "a spreadsheet's first line": (
        f"sep=;\n{HEAD}{ROWS}".replace(",", ";"),
        MS,
        HALL,
        ["separator as line 1 says", "cells separated by semicolon, decimal point"],
    ),
    "names in a comment": (
        f"# {HEAD}{ROWS}",
        MS,
        HALL,
        ["columns named by the comment in line 1"],
    ),
    "other comment signs": (
        f"% a\n// b\n{HEAD}{ROWS}",
        MS,
        HALL,
        ["comment lines passed over: 2"],
    ),
    "a line of units": (
        f"time,hall,deadman\n[ms],[counts],\n{ROWS}",
        MS,
        HALL,
        ["units from line 2", "time from column time, in ms (from the line of units)"],
    ),
    "nanoseconds": (
        stamped([1_000_000 * row for row in range(30)], "time_ns,hall,deadman"),
        MS,
        HALL,
        ["time from column time_ns, in ns (from its name)"],
    ),
    "dates and times": (
        stamped([f"2026-01-31 23:59:59.{row:03d}" for row in range(30)], "time,hall,deadman"),
        MS,
        HALL,
        ["time from column time, as dates and times of day", "t = 0 is 2026-01-31 23:59:59 (UTC, or as written"],
    ),
    "dates with a comma and a zone": (
        "time;hall;deadman\n" + "".join(f"20260131T235959,{row:03d}+0100;{600 + row};0\n" for row in range(30)),
        MS,
        HALL,
        ["t = 0 is 2026-01-31 22:59:59 (UTC, or as written"],
    ),
    "midnight": (
        stamped(["23:59:59.998", "23:59:59.999", "00:00:00.000", "00:00:00.001"], "time,hall,deadman"),
        MS[:4],
        HALL[:4],
        ["time from column time, as times of day", "time: line 4 passes midnight; a day is added"],
    ),
    "milliseconds that wrap": (
        stamped([(2**32 - 15 + row) % 2**32 for row in range(30)]),
        MS,
        HALL,
        ["time: line 17 wraps as a counter of 32 bits in ms does; 4294967296000 us are added"],
    ),
    "microseconds that wrap": (
        stamped([(2**32 - 15_000 + 1000 * row) % 2**32 for row in range(30)], "t_us,hall,deadman"),
        MS,
        HALL,
        ["time: line 17 wraps as a counter of 32 bits in us does; 4294967296 us are added"],
    ),
    "signed microseconds that wrap": (
        stamped([(2**31 - 15_000 + 1000 * row + 2**31) % 2**32 - 2**31 for row in range(30)], "t_us,hall,deadman"),
        MS,
        HALL,
        ["time: line 17 wraps as a counter of 32 bits in us does; 4294967296 us are added"],
    ),
    "a timer of 16 bits": (
        stamped([1000 * row % 2**16 for row in range(100)], "t_us,hall,deadman"),
        [1000 * row for row in range(100)],
        list(range(600, 700)),
        ["time: line 68 wraps as a counter of 16 bits in us does; 65536 us are added"],
    ),
    "a logger that started again": (
        stamped([*range(500, 515), *range(3, 18)]),
        MS,
        HALL,
        [f"time: line 17 falls back by 0.511000 s: {BACK}"],
    ),
    "a logger that started again with its header": (
        HEAD + ROWS + HEAD + ROWS,
        list(range(0, 60_000, 1000)),
        HALL * 2,
        [
            "rows: line 32: the columns' names again; passed over",
            f"time: line 33 falls back by 0.029000 s: {BACK}",
        ],
    ),
    "a clock set back by an hour": (
        stamped(
            [f"2026-10-25T{hour}.{row:03d}" for hour in ("02:59:59", "02:00:00") for row in range(15)],
            "time,hall,deadman",
        ),
        MS,
        HALL,
        [f"time: line 17 falls back by 3599.014000 s: {BACK}", "t = 0 is 2026-10-25 02:59:59 (UTC, or as written"],
    ),
    "rows that came late": (
        stamped([*range(10), 5, 6, *range(10, 28)]),
        MS[:28],
        [*HALL[:10], *HALL[12:]],
        ["time: lines 12, 13 earlier than a row before; dropped"],
    ),
    "a stamp far ahead": (
        stamped([*range(10), 77_777, *range(10, 29)]),
        MS[:29],
        [*HALL[:10], *HALL[11:]],
        ["time: line 12 far ahead of the rows that follow; dropped"],
    ),
    "a stamp twice": (
        stamped([*range(10), 9, *range(10, 29)]),
        MS[:29],
        [*HALL[:9], *HALL[10:]],
        ["time: line 11 followed by a row with the same stamp; the later row kept"],
    ),
    "stamps coarser than the rows": (
        stamped([row // 10 for row in range(30)], "t_s,hall,deadman"),
        list(range(0, 3_000_000, 100_000)),
        HALL,
        [
            "time: lines 3, 4, 5 and 24 more with the stamp of the row before: stamps are coarser than rows;"
            " spread to the next stamp"
        ],
    ),
    "a stamp that is none": (
        stamped([*range(5), "?", *range(6, 30)]),
        [*MS[:5], *MS[6:]],
        [*HALL[:5], *HALL[6:]],
        ["time: line 7 without a usable stamp; dropped"],
    ),
    "a dropout": (
        stamped([*range(10), *range(60, 80)]),
        [*MS[:10], *range(60_000, 80_000, 1000)],
        HALL,
        ["gap of 51.000 ms from 0.009000 s"],
    ),
}


@pytest.mark.parametrize("case", ODD)
def test_an_odd_file_is_read_and_said(read, case):
    """An odd file gives its rows, and what was guessed, found or mended is said with its lines."""
    content, t_us, hall, said = ODD[case]
    recording = read(content)
    told = [*recording.notes, *recording.mended]

    assert (recording.table.t_us - recording.table.t_us[0]).tolist() == t_us
    assert recording.table["hall_counts"].tolist() == hall
    assert [text for text in said if not any(text in line for line in told)] == []


# What a logger's clean file gives no cause to say.
USUAL = ("cells separated", "time from column", "hall_counts from column")


@pytest.mark.parametrize("case", ODD)
def test_nothing_else_is_said_of_an_odd_file(read, case):
    """Beside what is expected, at most the usual is said: nothing is found that is not there."""
    content, _, _, said = ODD[case]
    recording = read(content)
    told = [line for line in (*recording.notes, *recording.mended) if not line.startswith(USUAL)]

    assert [line for line in told if not any(text in line for text in said)] == []


# Map files.


def laid_out(tmp_path, text: str, layout: str) -> Recording:
    """A recording read with a map file beside it."""
    (tmp_path / "rec.csv").write_text(text, encoding="utf-8")
    (tmp_path / "rec.map.yaml").write_text(layout, encoding="utf-8")
    return read_any(tmp_path / "rec.csv")


def test_a_map_file_beside_the_recording_is_used_and_said(tmp_path):
    """`rec.map.yaml` beside `rec.csv` names the columns of a file without names, and is named among the notes."""
    recording = laid_out(tmp_path, "0,600,1\n1,601,0\n", "names: [t_ms, hall_counts, deadman]\n")

    assert recording.table["hall_counts"].tolist() == [600, 601]
    assert recording.notes[0] == "read as rec.map.yaml says"
    assert recording.map_file == tmp_path / "rec.map.yaml"


def test_a_column_is_scaled_and_moved(tmp_path):
    """A column times its scale plus its offset is the signal: 0.5 V + 2.5 mV per count; a contact is turned round."""
    layout = (
        "columns:\n  bus_v: {column: u, scale: 0.0025, offset: 0.5}\n  deadman: {column: up, scale: -1, offset: 1}\n"
    )
    recording = laid_out(tmp_path, "t_ms,u,up\n0,1000,1\n1,2000,0\n", layout)

    assert recording.table["bus_v"].tolist() == [3.0, 5.5]
    assert recording.table["deadman"].tolist() == [0.0, 1.0]
    assert "bus_v from column u, times 0.0025, plus 0.5 (as asked)" in recording.notes


def test_a_scale_comes_after_milli_units(tmp_path):
    """Millivolts become volts first, as the column's own name says; then they are scaled."""
    recording = laid_out(tmp_path, "t_ms,u_mv\n0,1000\n", "columns: {bus_v: {column: u_mv, scale: 11}}\n")

    assert recording.table["bus_v"].tolist() == [11.0]


def test_the_clocks_unit_is_the_map_files(tmp_path):
    """A clock whose name says milliseconds counts seconds if the map file says so."""
    recording = laid_out(tmp_path, "t_ms,hall\n0,1\n1,2\n", "time: {column: t_ms, unit: s}\n")

    assert recording.table.t_us.tolist() == [0, 1_000_000]


def test_separators_and_encoding_are_the_map_files(tmp_path):
    """What the map file says of the text goes before every guess."""
    layout = "encoding: cp850\ndelimiter: comma\ndecimal: comma\n"
    (tmp_path / "rec.csv").write_bytes(b't_ms,w\x84rme\n0,"1,5"\n1,"2"\n')
    (tmp_path / "rec.map.yaml").write_text(layout, encoding="utf-8")

    assert read_any(tmp_path / "rec.csv").table["w\xe4rme"].tolist() == [1.5, 2.0]


def test_the_command_line_goes_before_the_map_file(tmp_path):
    """A signal mapped on the command line is not taken from the map file's column."""
    laid_out(tmp_path, "t_ms,a,b\n0,1,2\n", "columns: {hall_counts: a}\n")

    assert read_any(tmp_path / "rec.csv", {"hall_counts": "b"}).table["hall_counts"].tolist() == [2]


def test_another_map_file_can_be_named(tmp_path):
    """A map file named by the caller is used instead of the one beside."""
    laid_out(tmp_path, "t_ms,a,b\n0,1,2\n", "columns: {hall_counts: a}\n")
    (tmp_path / "other.yaml").write_text("columns: {hall_counts: b}\n", encoding="utf-8")

    assert read_any(tmp_path / "rec.csv", None, tmp_path / "other.yaml").table["hall_counts"].tolist() == [2]


# Against another reader.


def test_the_standard_library_reads_the_same_numbers():
    """INDEPENDENT: csv.DictReader and float, of Python 3.11, give the pool's columns but for the dropped row."""
    with (TRACES / "pool_session.csv").open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(line for line in handle if not line.startswith("#")))
    # Line 5196 of the file bears the stamp of the line below; two comments and the names stand above.
    del rows[5196 - 4]
    table = read_recording(TRACES / "pool_session.csv").table

    assert table["hall_counts"].tolist() == [float(row["hall_counts"]) for row in rows]
    assert table["bus_v"].tolist() == [float(row["bus_mv"]) / 1000.0 for row in rows]
    assert table.t_us.tolist() == [round(1000.0 * float(row["time_ms"])) for row in rows]


# Properties.

FINITE = st.floats(allow_nan=False, allow_infinity=False, width=64)
# With this in front no name is a clock's or a signal's.
NAMES = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp", "Zs")), max_size=8).map("own_{}".format)
DIALECTS = [Dialect(delimiter, decimal) for delimiter in DELIMITERS for decimal in ".,"]
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-32")


@st.composite
def tables(draw):
    rows = draw(st.integers(1, 20))
    start = draw(st.integers(-(10**12), 10**12))
    steps = draw(st.lists(st.integers(1, 10**6), min_size=rows - 1, max_size=rows - 1))
    names = draw(st.lists(NAMES | st.sampled_from(("hall_counts", "pack_a", 'odd "name", x')), unique=True, min_size=1))
    t_us = start + np.concatenate([[0], np.cumsum(np.array(steps, dtype=np.int64))]).astype(np.int64)
    return Table(t_us, {name: draw(arrays(np.float64, rows, elements=FINITE)) for name in names})


@settings(max_examples=150)
@given(
    table=tables(),
    comments=st.lists(st.text(st.characters(exclude_categories=("Cc", "Cs"))), max_size=2),
    dialect=st.sampled_from(DIALECTS),
    encoding=st.sampled_from(ENCODINGS),
)
def test_a_written_table_reads_back_bit_for_bit(tmp_path_factory, table, comments, dialect, encoding):
    """Any table of finite values, in any dialect and encoding, has the same clock, names and bits, nothing mended."""
    path = tmp_path_factory.mktemp("round") / "table.csv"
    write_csv(table, path, comments, dialect, encoding)
    recording = read_recording(path)

    assert recording.mended == ()
    assert recording.table.t_us.tolist() == table.t_us.tolist()
    assert {name: recording.table[name].tobytes() for name in recording.table.names} == {
        name: table[name].tobytes() for name in table.names
    }


@settings(max_examples=150)
@given(text=st.text(st.sampled_from("t_ms,;\t\n\"'#01.5-eE \r\0x:"), max_size=60))
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


WHOLE_FILES = [
    (HEAD + ROWS).encode(),
    (HEAD + ROWS).encode("utf-16"),
    "\n".join((TRACES / "lake_wet_button.csv").read_text(encoding="utf-8").splitlines()[:40]).encode(),
    *(content.encode() for name in ("midnight", "dates with a comma and a zone") for content in (ODD[name][0],)),
]


@settings(max_examples=200)
@given(data=st.data())
def test_corrupted_bytes_are_a_recording_or_faults(tmp_path_factory, data):
    """Bytes changed, lost and put in at random leave a recording, or faults of one line each; never another error."""
    whole = bytearray(data.draw(st.sampled_from(WHOLE_FILES)))
    for _ in range(data.draw(st.integers(1, 8))):
        at = data.draw(st.integers(0, len(whole)))
        whole[at : at + data.draw(st.integers(0, 6))] = data.draw(st.binary(max_size=6))
    path = tmp_path_factory.mktemp("bytes") / "rec.csv"
    path.write_bytes(whole)
    lines, columns = [], []
    try:
        columns = list(read_recording(path).table.columns.values())
    except InputError as error:
        lines = [str(fault) for fault in error.faults]

    assert lines or columns
    assert all(np.isfinite(column).all() for column in columns)
    assert [line for line in lines if "\n" in line] == []


@settings(max_examples=200)
@given(
    stamps=st.lists(st.integers(-5, 90_000_000_000) | st.integers(0, 40) | st.just(2**32 - 1), min_size=1, max_size=40),
    daily=st.booleans(),
)
def test_any_stamps_become_a_clock_that_runs_forward(stamps, daily):
    """Whatever the stamps, the rows that are kept increase, and at least one is kept."""
    clock, _ = read_clock(np.array(stamps, dtype=float), "us", daily)
    kept = clock.t_us[clock.last]

    assert len(kept) > 0
    assert np.all(np.diff(kept) > 0)
