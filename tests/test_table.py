"""The table: what it refuses, what it hands out, and how it is written."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from sim.base.errors import InputError
from sim.record.table import Table, write_csv


@pytest.fixture
def table() -> Table:
    """Three rows of a bus voltage and a lever."""
    columns = {"bus_v": np.array([52.0, 51.5, 51.25]), "hall_counts": np.array([7.0, 8.0, 9.0])}
    return Table(np.array([0, 1000, 2000]), columns)


def test_columns_are_had_by_name(table):
    """A column is found by its name, in the order given."""
    assert table.names == ("bus_v", "hall_counts")
    assert table["bus_v"].tolist() == [52.0, 51.5, 51.25]


def test_a_name_can_be_asked_for(table):
    """`in` tells whether there is such a column."""
    assert "bus_v" in table
    assert "pack_a" not in table


def test_length_is_the_number_of_rows(table):
    """A table is as long as its clock."""
    assert len(table) == 3


@pytest.mark.parametrize(
    ("t_us", "columns", "message"),
    [
        ([0, 1000], {"bus_v": [1.0]}, "does not fit"),
        ([0, 1000], {"bus_v": [[1.0, 2.0]]}, "does not fit"),
        ([0, 1000, 1000], {}, "row 2 has 1000 after 1000"),
        ([0, -1], {}, "must increase"),
        ([0.0, 1.0], {}, "integers"),
        ([[0, 1]], {}, "one-dimensional"),
        ([0, 1], {"t_us": [0.0, 1.0]}, "does not fit"),
    ],
)
def test_a_table_that_does_not_fit_together_is_refused(t_us, columns, message):
    """Lengths, the clock and the names are checked when a table is made."""
    with pytest.raises(ValueError, match=message):
        Table(np.array(t_us), {name: np.array(values) for name, values in columns.items()})


def test_values_cannot_be_changed(table):
    """A table's arrays are read-only."""
    with pytest.raises(ValueError, match="read-only"):
        table["bus_v"][0] = 0.0


def test_the_caller_keeps_an_array_to_write_in():
    """Making a table leaves the caller's own array writable."""
    own = np.zeros(2)
    Table(np.array([0, 1]), {"bus_v": own})
    own[0] = 1.0

    assert own[0] == 1.0


def test_with_columns_adds_and_replaces(table):
    """A new column goes last, one of a known name takes that one's place, and the table itself stays as it was."""
    wider = table.with_columns({"pack_a": np.zeros(3), "bus_v": np.ones(3)})

    assert wider.names == ("bus_v", "hall_counts", "pack_a")
    assert (wider["bus_v"][0], table["bus_v"][0]) == (1.0, 52.0)


@pytest.mark.parametrize(
    ("start_us", "end_us", "rows"),
    [(0, 2000, [0, 1000]), (1000, 2001, [1000, 2000]), (1, 999, []), (-5, 9999, [0, 1000, 2000]), (2000, 0, [])],
)
def test_between_takes_the_start_and_leaves_the_end(table, start_us, end_us, rows):
    """A cut has the rows from its start on and before its end, with their own times."""
    assert table.between(start_us, end_us).t_us.tolist() == rows


def test_a_table_can_be_sent_to_another_process(table):
    """A table survives pickling, which is how an executor moves it."""
    again = pickle.loads(pickle.dumps(table))

    assert (again.names, again["bus_v"].tolist()) == (table.names, table["bus_v"].tolist())


def test_the_written_text(table, tmp_path):
    """Comments come first, then the clock and the columns; whole columns are written without a point."""
    write_csv(table, tmp_path / "sub" / "run.csv", ["a run\nin two lines", ""])

    assert (tmp_path / "sub" / "run.csv").read_text() == (
        "# a run\n# in two lines\n# \nt_us,bus_v,hall_counts\n0,52.0,7\n1000,51.5,8\n2000,51.25,9\n"
    )


def test_an_unknown_value_is_an_empty_cell(tmp_path):
    """NaN is written as nothing."""
    write_csv(Table(np.array([0, 1]), {"bus_v": np.array([np.nan, 1.0])}), tmp_path / "run.csv")

    assert (tmp_path / "run.csv").read_text() == "t_us,bus_v\n0,\n1,1.0\n"


@pytest.mark.parametrize("value", [0.1, -0.0, 5e-324, 1.7976931348623157e308, 2.0**53 + 2, 1 / 3])
def test_a_written_value_is_exact(tmp_path, value):
    """The text of a value gives back its bits."""
    write_csv(Table(np.array([0]), {"x": np.array([value])}), tmp_path / "run.csv")
    text = (tmp_path / "run.csv").read_text().splitlines()[1].split(",")[1]

    assert np.float64(text).tobytes() == np.float64(value).tobytes()


def test_a_file_in_the_way_is_a_fault(table, tmp_path):
    """A folder that cannot be made is one clear fault."""
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="a place that can be written"):
        write_csv(table, tmp_path / "file" / "run.csv")
