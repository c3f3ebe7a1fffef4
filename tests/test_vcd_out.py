"""The value change dump: the published layout, and the kinds columns get by themselves."""

from __future__ import annotations

import io

import numpy as np
import pytest
from vcd.reader import TokenKind, tokenize

from sim.record.table import Table
from sim.record.vcd_out import BIT, INTEGER, LONG_INTEGER, REAL, Kind, kind_of, write_vcd

# INDEPENDENT: the layout of IEEE 1364-2005 value change dumps, as pyvcd 0.5.1 writes these three signals.
GOLDEN = """\
$date today $end
$timescale 1 us $end
$scope module top $end
$var wire 1 ! kill $end
$var integer 16 " pulse_us $end
$var real 64 # vbat $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
1!
b1111101000 "
r24 #
$end
#20000
b10111011100 "
r22.677 #
#40000
0!
b1111101000 "
"""


@pytest.fixture
def three() -> Table:
    """The three signals of the golden text."""
    return Table(
        np.array([0, 20_000, 40_000]),
        {
            "kill": np.array([1.0, 1.0, 0.0]),
            "pulse_us": np.array([1000.0, 1500.0, 1000.0]),
            "vbat": np.array([24.0, 22.677, 22.677]),
        },
    )


def test_the_golden_file(three, tmp_path):
    """Three signals with one size given come out as the golden text, byte for byte."""
    write_vcd(three, tmp_path / "run.vcd", date="today", kinds={"pulse_us": Kind("integer", 16)})

    assert (tmp_path / "run.vcd").read_text() == GOLDEN


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ([0.0, 1.0], BIT),
        ([1.0, 1.0], BIT),
        ([0.0, 2.0], INTEGER),
        ([-1.0, 2147483647.0], INTEGER),
        ([2147483648.0], LONG_INTEGER),
        ([-(2.0**40)], LONG_INTEGER),
        ([0.5, 1.0], REAL),
        ([2.0**60], REAL),
        ([0.0, np.nan, 1.0], BIT),
        ([np.nan, 4095.0], INTEGER),
        ([np.nan], BIT),
    ],
)
def test_the_kind_follows_from_the_values(values, kind):
    """0 and 1 are a bit, whole numbers an integer that holds them, everything else a real."""
    assert kind_of(np.array(values)) == kind


def test_the_dump_reads_back(three, tmp_path):
    """A reader of the format finds the changes of a 0/1 column where the table has them."""
    write_vcd(three, tmp_path / "run.vcd")
    now, changes = 0, []
    for token in tokenize(io.BytesIO((tmp_path / "run.vcd").read_bytes())):
        if token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            changes.append((now, token.scalar_change.value))

    assert changes == [(0, "1"), (40_000, "0")]


def test_no_change_is_not_written(tmp_path):
    """A column that stays gives its first value, and the file still shows the whole length."""
    write_vcd(Table(np.array([5, 6, 7]), {"x": np.ones(3)}), tmp_path / "run.vcd")

    assert (tmp_path / "run.vcd").read_text().partition("$enddefinitions $end\n")[2] == "#5\n$dumpvars\n1!\n$end\n#7\n"


def test_what_is_not_known_is_x(tmp_path):
    """A cell without a value is x in the dump, once for as long as it lasts; the format has nan for reals."""
    columns = {"bit": [1.0, np.nan, np.nan], "count": [7.0, np.nan, 9.0], "real": [0.5, np.nan, 1.5]}
    write_vcd(
        Table(np.array([0, 5, 9]), {name: np.array(values) for name, values in columns.items()}), tmp_path / "x.vcd"
    )

    changes = (tmp_path / "x.vcd").read_text().partition("$end\n#5\n")[2]
    assert changes == 'x!\nbx "\nrnan #\n#9\nb1001 "\nr1.5 #\n'


def test_equal_tables_give_equal_files(three, tmp_path):
    """Without a date nothing in the file depends on when it was written."""
    write_vcd(three, tmp_path / "a.vcd")
    write_vcd(three, tmp_path / "b.vcd")

    assert (tmp_path / "a.vcd").read_bytes() == (tmp_path / "b.vcd").read_bytes()
    assert "$date" not in (tmp_path / "a.vcd").read_text()


def test_blanks_in_a_name_become_underscores(tmp_path):
    """The format has no blanks in names."""
    write_vcd(Table(np.array([0]), {"pack current": np.array([0.5])}), tmp_path / "run.vcd")

    assert "$var real 64 ! pack_current $end" in (tmp_path / "run.vcd").read_text()


@pytest.mark.parametrize(
    ("t_us", "values", "kinds", "message"),
    [
        ([], [], {}, "at least one row"),
        ([-1], [1.0], {}, "from 0 on"),
        ([0], [np.inf], {}, "not finite"),
        ([0], [0.5], {"x": BIT}, "not whole"),
        ([0], [2.0], {"x": BIT}, "within 1 bits"),
        ([0], [-1.0], {"x": BIT}, "within 1 bits"),
        ([0], [32768.0], {"x": Kind("integer", 16)}, "within 16 bits"),
    ],
)
def test_what_a_dump_cannot_hold_is_refused(tmp_path, t_us, values, kinds, message):
    """A value without a sign in the format is refused, and no file is left."""
    table = Table(np.array(t_us, dtype=np.int64), {"x": np.array(values)})
    with pytest.raises(ValueError, match=message):
        write_vcd(table, tmp_path / "run.vcd", kinds=kinds)

    assert list(tmp_path.iterdir()) == []
