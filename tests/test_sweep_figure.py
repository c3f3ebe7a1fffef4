"""The figure of a sweep shows the rows as they are."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from sweep_files import sweep_file

from sim.face import sweep_figure
from sim.face.cli import main
from sim.jobs.sweep import Swept, load_sweep, run_sweep
from sim.jobs.sweep_crew import threads

QUANTITIES = """
    pack.charge_frac: {from: 0.1, to: 0.9, steps: 4}
    vehicle_set.esc.cut_v: {values: [40, 48]}
    water.kind: {values: [lake, sea]}
    substeps: {values: [1]}
"""


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Swept:
    """A small sweep, in part below the limit."""
    folder = tmp_path_factory.mktemp("figure")
    with threads(2) as crew:
        return run_sweep(load_sweep(sweep_file(folder, QUANTITIES)), folder / "out", crew, engine="interpreted")


def panels(swept: Swept) -> list[list[tuple[float, float]]]:
    """The points of each panel, in order."""
    figure = sweep_figure.sweep(swept)
    assert figure is not None
    found = []
    for axes in figure.axes:
        offsets = [tuple(map(float, point)) for drawn in axes.collections for point in drawn.get_offsets()]
        if offsets:
            found.append(sorted(offsets))
    return found


def test_every_case_is_a_point_in_every_panel(swept: Swept) -> None:
    """Margin over quantity as the CSV has them; what does not change has no panel, the failed margin comes first."""
    rows = list(csv.DictReader(swept.csv.read_text().splitlines()))
    bus = [float(row["margin bus (V)"]) for row in rows]
    columns = [
        [float(row["pack.charge_frac"]) for row in rows],
        [float(row["vehicle_set.esc.cut_v"]) for row in rows],
        [float(["lake", "sea"].index(row["water.kind"])) for row in rows],
    ]
    expected = [sorted(zip(column, bus, strict=True)) for column in columns]
    assert min(bus) < 0.0 < max(bus)
    assert panels(swept)[:3] == expected


def test_the_line_is_the_lowest_at_each_value(swept: Swept) -> None:
    """For each charge the lowest bus margin of all cases that have it."""
    rows = list(csv.DictReader(swept.csv.read_text().splitlines()))
    lowest: dict[float, float] = {}
    for row in rows:
        charge, margin = float(row["pack.charge_frac"]), float(row["margin bus (V)"])
        lowest[charge] = min(lowest.get(charge, np.inf), margin)
    figure = sweep_figure.sweep(swept)
    assert figure is not None
    first = next(axes for axes in figure.axes if axes.collections)
    line = first.lines[0]
    assert dict(zip(line.get_xdata(), line.get_ydata(), strict=True)) == lowest


def test_failed_cases_differ_by_more_than_colour(swept: Swept) -> None:
    """They are crosses, and the others dots."""
    figure = sweep_figure.sweep(swept)
    assert figure is not None
    first = next(axes for axes in figure.axes if axes.collections)
    held, failed = first.collections
    assert len(held.get_paths()[0].vertices) != len(failed.get_paths()[0].vertices)
    assert all(y >= 0.0 for _, y in held.get_offsets())
    assert all(y < 0.0 for _, y in failed.get_offsets())


def test_where_nothing_moves_there_is_no_figure(tmp_path: Path) -> None:
    """A single case has no over and no under."""
    path = sweep_file(tmp_path, "substeps: {values: [1]}")
    with threads(1) as crew:
        assert sweep_figure.sweep(run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted")) is None


def test_the_command_writes_it_where_a_folder_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """SVG and PNG beside the table, and their names among what was written."""
    path = sweep_file(tmp_path, "pack.charge_frac: {values: [0.2, 0.8]}")
    main(["sweep", str(path), "--out", str(tmp_path / "out"), "--engine", "interpreted", "--threads"])
    printed = capsys.readouterr().out
    for name in ("s.csv", "s.npz", "s.png", "s.svg"):
        assert (tmp_path / "out" / name).stat().st_size > 100
        assert name in printed
