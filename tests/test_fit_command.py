"""``drydive fit``, as its user has it: what it prints, writes and refuses."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from fit_cases import MOORHEN

from sim.bench.vehicle import load_vehicle
from sim.face.cli import main
from sim.face.commands.fit import WHAT
from sim.face.fit_figure import figure
from sim.face.fit_text import digits
from sim.jobs.case import judge_case, load_case
from sim.jobs.fit.fit import TOPICS
from sim.jobs.fit.told import Estimate, Panel, Topic
from sim.jobs.fit.trace import OWN
from sim.record.table import Table, write_csv

TRACES = Path(__file__).parents[1] / "traces"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A recording on the bench: a lever pulled twice, with noise, its true position, and a wet mode button's line."""
    rng = np.random.default_rng(1)
    rows = 12_000
    place = np.zeros(rows)
    place[2000:4000] = place[7000:9000] = 1.0
    place = np.convolve(np.pad(place, 200, mode="edge"), np.ones(401) / 401.0, mode="valid")
    place = place.round(6)
    counts = np.rint(600.0 + 2800.0 * place + 5.0 * rng.standard_normal(rows))
    line_v = 4.6 + 0.01 * rng.standard_normal(rows)
    columns = {"hall_counts": counts, "lever_frac": place, "mode_line_v": line_v, "mode_pressed": np.zeros(rows)}
    write_csv(Table(1000 * np.arange(rows), columns), tmp_path / "bench.csv")
    return tmp_path / "bench.csv"


def test_all_it_finds_is_what_the_job_has() -> None:
    """The command offers what the job can fit, in its order."""
    assert tuple(TOPICS) == WHAT


def test_it_says_what_was_found_and_what_was_not(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without further options everything is tried: numbers with intervals, and a line for each thing not told."""
    assert main(["fit", str(MOORHEN), str(bench)]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "FITTED" in printed
    assert "sensor.noise_v_rms" in printed
    assert "not told: pack: needs a recording with pack_a and bus_v or pack_v; got none" in printed
    assert "replaces no hardware interlock" in printed


def test_it_writes_the_copy_figures_and_series(bench: Path, tmp_path: Path) -> None:
    """With --out: the copy of the vehicle file, which loads, figures, and noise and leak for a scenario."""
    out = tmp_path / "out"
    assert main(["fit", str(MOORHEN), str(bench), "--what", "noise,contacts", "--out", str(out), "--quiet"]) == 0
    names = {path.name for path in out.iterdir()}
    assert {"moorhen.fitted.yaml", "fit_noise.svg", "fit_noise.png", "hall_noise.csv", "button_leak.csv"} <= names
    assert float(load_vehicle(out / "moorhen.fitted.yaml").sensor.noise_v_rms) == pytest.approx(
        5.0 * 5.0 / 4095.0, rel=0.03
    )


def test_the_vehicle_file_itself_is_let_be(bench: Path, tmp_path: Path) -> None:
    """The file that was started from is the same, byte for byte."""
    before = MOORHEN.read_bytes()
    main(["fit", str(MOORHEN), str(bench), "--what", "noise", "--out", str(tmp_path / "out"), "--quiet"])
    assert MOORHEN.read_bytes() == before


def test_what_it_writes_runs_as_recorded(bench: Path, tmp_path: Path) -> None:
    """A scenario with the copy and the recorded noise and leak runs, and its throttle reading has that noise."""
    out = tmp_path / "out"
    main(["fit", str(MOORHEN), str(bench), "--what", "noise,contacts", "--out", str(out), "--quiet"])
    scenario = tmp_path / "then.scenario.yaml"
    scenario.write_text(
        "name: then\nvehicle: out/moorhen.fitted.yaml\ncontroller: reference\nwater: {kind: pool}\nattitude: held\n"
        "as_recorded: {hall_noise_v: out/hall_noise.csv, button_leak_siemens: out/button_leak.csv}\n"
        "rider: []\nduration_s: 2.0\n"
    )
    judged = judge_case(load_case(scenario))
    hall_v, line_v = judged.run.table["hall_v"], judged.run.table["mode_line_v"]
    assert np.std(hall_v[100:]) == pytest.approx(5.0 * 5.0 / 4095.0, rel=0.1)
    assert np.mean(line_v) == pytest.approx(4.6, abs=0.01)
    assert "hall_noise_v hall_noise.csv" in judged.inputs()


def test_the_json_holds_everything(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--json - prints the estimates with value, interval, unit, how and rows, the untold, the notes and the inputs."""
    assert main(["fit", str(MOORHEN), str(bench), "--what", "lever,pack", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    lever, pack = document["topics"]
    rest = next(each for each in lever["estimates"] if each["key"] == "lever_rest_counts")
    assert rest["low"] < rest["value"] < rest["high"]
    assert (rest["unit"], rest["files"], rest["of_vehicle"]) == ("counts", ["bench.csv"], False)
    assert document["confidence"] == 0.95
    assert pack["untold"][0]["what"] == "pack"
    assert set(document["inputs"]) == {"vehicle moorhen.yaml", "recording bench.csv"}
    assert document["recordings"][0]["notes"]


def test_nothing_to_fit_is_bad_input(bench: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Where nothing at all can be fitted: exit code 2, one line each, and nothing is written."""
    out = tmp_path / "out"
    assert main(["fit", str(MOORHEN), str(bench), "--what", "pack,drag", "--out", str(out)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.splitlines() == [
        "drydive fit: pack: expected a recording with pack_a and bus_v or pack_v; got none",
        "drydive fit: drag: expected a recording, not of changes alone, with speed_m_s; got none",
    ]
    assert not out.exists()


@pytest.mark.parametrize(
    ("options", "fault"),
    [
        (["--what", "levr"], "expected all or some of lever, noise, contacts, pack, thrust, drag; got 'levr'"),
        (["--rest", "5"], "expected FROM..TO in seconds, from 0 on; got '5'"),
        (["--rest", "5..2"], "expected FROM..TO in seconds, from 0 on; got '5..2'"),
        (["--rest", "nan..2"], "expected FROM..TO in seconds, from 0 on; got 'nan..2'"),
        (["--thrusters", "2.5"], "expected a whole number from 1 to 16; got '2.5'"),
        (["--charge", "1.2"], "expected a share from 0 to 1; got '1.2'"),
    ],
)
def test_odd_options_are_refused(
    bench: Path, options: list[str], fault: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each is one clear line and exit code 2."""
    with pytest.raises(SystemExit) as left:
        main(["fit", str(MOORHEN), str(bench), *options])
    assert left.value.code == 2
    assert fault in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "fault"),
    [
        (["--rest", "90..99"], "drydive fit: --rest: expected a stretch that begins within a recording, of 11.999 s"),
        (["--map", "lever=x"], "drydive fit: --map: expected one of hall_counts, "),
        (["--map", "lever_frac=nowhere"], "lever_frac: expected a column of the file; got 'nowhere'"),
        (
            ["--water", "sea", "--temperature", "40"],
            "drydive fit: --temperature: expected sea temperature_degc, -2 to 35",
        ),
    ],
)
def test_what_does_not_fit_the_recording_is_refused(
    bench: Path, options: list[str], fault: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stretch outside, a signal or a column that does not exist and water out of range are one line each."""
    assert main(["fit", str(MOORHEN), str(bench), *options]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert fault in line


def test_files_that_cannot_be_read_are_all_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of two recordings, one missing and one of a single row, both are told at once."""
    (tmp_path / "one.csv").write_text("t_us,hall_counts\n0,500\n")
    assert main(["fit", str(MOORHEN), str(tmp_path / "none.csv"), str(tmp_path / "one.csv")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert "none.csv" in lines[0]
    assert lines[1].endswith("one.csv:1:1: expected at least two rows; got 1")


def test_columns_go_by_any_name(bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--map names signals of a replay and the fits' own columns alike."""
    text = bench.read_text().replace("hall_counts,lever_frac", "A3,caliper", 1)
    (tmp_path / "other.csv").write_text(text)
    options = ["--map", "hall_counts=A3", "--map", "lever_frac=caliper", "--what", "lever"]
    assert main(["fit", str(MOORHEN), str(tmp_path / "other.csv"), *options]) == 0
    assert "lever_full_counts" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["bench_dry.csv", "lake_wet_button.csv", "pool_session.csv"])
def test_recordings_as_loggers_write_them_are_fitted(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each of the example recordings, jitter, gaps, repeated stamps and lone wrong samples and all, tells the noise
    that its description says it has: 4, 14 and 9 counts rms (traces/README.md)."""
    assert main(["fit", str(MOORHEN), str(TRACES / name), "--what", "noise", "--json", "-"]) == 0
    (noise,) = json.loads(capsys.readouterr().out)["topics"]
    rms = next(each for each in noise["estimates"] if each["key"] == "sensor.noise_v_rms")["value"]
    counts = {"bench_dry.csv": 4.0, "lake_wet_button.csv": 14.0, "pool_session.csv": 9.0}[name]
    assert rms * 4095.0 / 5.0 == pytest.approx(counts, rel=0.06)


def test_lone_wrong_samples_are_counted_as_spikes(capsys: pytest.CaptureFixture[str]) -> None:
    """Of the eleven lone wrong samples of the pool's recording (traces/README.md) those on a standing lever count."""
    main(["fit", str(MOORHEN), str(TRACES / "pool_session.csv"), "--what", "noise", "--json", "-"])
    (noise,) = json.loads(capsys.readouterr().out)["topics"]
    assert any(each.startswith("11 spikes in 35 s") for each in noise["findings"])


def estimate(value: float, low: float, high: float) -> Estimate:
    return Estimate("x", value, low, high, "", "", 1, (), False)


@pytest.mark.parametrize(
    ("value", "half", "printed"),
    [(1.23456, 0.01, "1.235"), (0.0000123456, 1e-7, "1.235e-5"), (1234.5678, 20.0, "1235"), (5.0, 0.0, "5")],
)
def test_numbers_are_printed_to_two_digits_of_their_interval(value: float, half: float, printed: str) -> None:
    """A number has as many digits as its interval gives it."""
    assert digits(value, estimate(value, value - half, value + half)) == printed


def texts(topic: Topic) -> list[str]:
    """Every word of a figure."""
    page = figure(topic, "Moorhen")
    words = [text.get_text() for axes in page.axes for text in axes.texts]
    return words + [axes.get_xlabel() for axes in page.axes] + [axes.get_ylabel() for axes in page.axes]


def test_a_figure_has_data_fit_and_what_is_left() -> None:
    """A panel with all three draws two axes: data with fit, and what is left with its unit, under one x axis."""
    x = np.linspace(0.0, 1.0, 50)
    panel = Panel("Curve", "a note", "time (s)", "V", (x, x), (x, x), (x, 0.0 * x))
    words = texts(Topic("pack", findings=("A finding.",), panels=(panel,)))
    assert {"Pack, fitted for Moorhen", "A finding.", "Curve", "a note", "time (s)", "V", "left (V)"} <= set(words)


def test_points_beyond_the_scale_are_counted() -> None:
    """Two wild points of a thousand do not flatten the others; the figure says how many it leaves out."""
    x = np.linspace(0.0, 1.0, 1000)
    left = np.sin(50.0 * x)
    left[[100, 500]] = 1e3
    panel = Panel("Curve", "", "x", "V", (x, x), (x, x), (x, left), dots=True)
    assert "2 points beyond the scale" in texts(Topic("lever", panels=(panel,)))


def test_a_spectrum_names_its_tones() -> None:
    """A panel with marks writes them at their points, on logarithmic scales with plain numbers."""
    x = np.linspace(1.0, 500.0, 300)
    panel = Panel("Noise", "", "Hz", "V", (x, 1.0 / x), (x, 1.0 / x), logarithmic=True, marks=((50.0, 0.02, "50 Hz"),))
    page = figure(Topic("noise", panels=(panel,)), "Moorhen")
    page.canvas.draw()
    axes = page.axes[-1]
    assert "50 Hz" in [text.get_text() for text in axes.texts]
    assert axes.get_xscale() == "log"
    assert not any("$" in label.get_text() for label in axes.get_xticklabels())


FITTING = (Path(__file__).parents[1] / "docs" / "fitting.md").read_text(encoding="utf-8")


def test_quoted_output_of_a_fit_is_what_it_prints(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each line that docs/fitting.md quotes of a command's output is in its output."""
    ((command, lines),) = re.findall(r"```text\n\$ drydive (.+)\n((?:.+\n)+?)```", FITTING)
    monkeypatch.chdir(Path(__file__).parents[1])
    main(shlex.split(command))
    printed = " ".join(capsys.readouterr().out.split())
    assert [line for line in lines.splitlines() if " ".join(line.split()) not in printed] == []


@pytest.mark.parametrize("name", [*TOPICS, *OWN])
def test_everything_a_fit_takes_is_told(name: str) -> None:
    """docs/fitting.md names each thing that can be fitted, and each column beside a replay's."""
    assert f"`{name}`" in FITTING


def test_the_report_holds_every_number_and_the_recordings_words(bench: Path, tmp_path: Path) -> None:
    """One page with each estimate, each thing not told, how the file was read, and figures inside."""
    page = tmp_path / "fit.html"
    assert main(["fit", str(MOORHEN), str(bench), "--report", str(page), "--quiet"]) == 0
    text = page.read_text(encoding="utf-8")
    for words in ("sensor.noise_v_rms", "lever_drift_counts_h", "a spike beyond six standard deviations", "<svg"):
        assert words in text
    assert "cells separated by comma" in text
    assert f"drydive fit {MOORHEN} {bench}" in text
