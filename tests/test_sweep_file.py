"""The sweep file: what is wrong with it is said with file, line and column, before anything is run."""

from __future__ import annotations

from pathlib import Path

import pytest
from sweep_files import own_controller, sweep_file

from sim.base.errors import InputError
from sim.face.cli import main
from sim.jobs.sweep_plan import load_sweep

DOCS = (Path(__file__).parents[1] / "docs" / "sweeping.md").read_text(encoding="utf-8")
FORMS = "expected values; or from, to and steps; or random with what it takes; got"
KINDS = "air, lake, pool, salt_pool, brackish, sea, given"


def said(path: Path) -> list[str]:
    """The faults of a sweep file, without its folder."""
    with pytest.raises(InputError) as caught:
        load_sweep(path)
    return [str(fault).removeprefix(f"{path.parent}/") for fault in caught.value.faults]


SHAPES = {
    "pack.charge_frac: {}": f"s.sweep.yaml:3:21: quantities.pack.charge_frac: {FORMS} no keys",
    "pack.charge_frac: {from: 0, to: 1}": f"s.sweep.yaml:3:21: quantities.pack.charge_frac: {FORMS} from, to",
    "pack.charge_frac: 0.5": "s.sweep.yaml:3:21: quantities.pack.charge_frac: expected a mapping of keys; got '0.5'",
    "seed: {from: 1, steps: 3}": "s.sweep.yaml:3:9: quantities.seed.to: "
    "expected this key beside steps; got no such key",
    "seed: {values: []}": "s.sweep.yaml:3:18: quantities.seed.values: expected at least one value; got an empty list",
    "seed: {values: [1, 2, 1]}": "s.sweep.yaml:3:25: quantities.seed.values[2]: expected each value once; got '1'",
    "seed: {from: 1, to: 1, steps: 2}": "s.sweep.yaml:3:23: quantities.seed.to: "
    "expected another number than from (1); got 1",
    "seed: {from: 1, to: 5, steps: 1}": "s.sweep.yaml:3:33: quantities.seed.steps: "
    "expected a whole number, at least 2; got '1'",
    "seed: {form: 1}": "s.sweep.yaml:3:10: quantities.seed.form: expected one of the keys deviation, from, mean, "
    "random, steps, to, values (did you mean from?); got unknown key form",
}


@pytest.mark.parametrize("line", SHAPES)
def test_a_quantity_of_no_form_is_told(tmp_path: Path, line: str) -> None:
    """A quantity that is no grid and no distribution is one line at its place."""
    assert said(sweep_file(tmp_path, line)) == [SHAPES[line]]


RANDOM = {
    "seed: {random: unifrom}": "s.sweep.yaml:3:18: quantities.seed.random: expected one of uniform, log_uniform, "
    "normal, whole, choice (did you mean uniform?); got 'unifrom'",
    "seed: {random: whole, from: 5, to: 1}": "s.sweep.yaml:3:38: quantities.seed.to: "
    "expected more than from (5); got 1",
    "seed: {random: whole, from: 1.5, to: 3}": "s.sweep.yaml:3:31: quantities.seed.from: "
    "expected a whole number of at most 9007199254740992 with random whole; got 1.5",
    "pack.charge_frac: {random: log_uniform, from: 0, to: 1}": "s.sweep.yaml:3:49: quantities.pack.charge_frac.from: "
    "expected more than 0 with random log_uniform; got 0",
    "pack.charge_frac: {random: normal, mean: 0.5}": "s.sweep.yaml:3:21: quantities.pack.charge_frac.deviation: "
    "expected this key beside random normal; got no such key",
    "pack.charge_frac: {random: uniform, from: 0, to: 1, mean: 0.5}": "s.sweep.yaml:3:61: "
    "quantities.pack.charge_frac.mean: expected no such key beside random uniform; got 0.5",
    "pack.charge_frac: {random: normal, mean: 0.5, deviation: 0}": "s.sweep.yaml:3:60: "
    "quantities.pack.charge_frac.deviation: expected a number, more than 0; got '0'",
}


@pytest.mark.parametrize("line", RANDOM)
def test_a_distribution_that_is_none_is_told(tmp_path: Path, line: str) -> None:
    """A distribution with a key too few, too many or out of range is one line at its place."""
    assert said(sweep_file(tmp_path, line, "draws: {count: 3}")) == [RANDOM[line]]


def test_random_quantities_need_a_count(tmp_path: Path) -> None:
    """Without it nobody knows how many draws there are to be."""
    path = sweep_file(tmp_path, "seed: {random: whole, from: 1, to: 9}")
    assert said(path) == ["s.sweep.yaml:1:1: draws: expected this key, for seed is random; got no such key"]


def test_a_count_needs_random_quantities(tmp_path: Path) -> None:
    """Draws of nothing would repeat each case."""
    path = sweep_file(tmp_path, "seed: {values: [1]}", "draws: {count: 3}")
    assert said(path) == ["s.sweep.yaml:4:8: draws: expected no such key where no quantity is random; got draws"]


def test_a_sweep_has_an_end(tmp_path: Path) -> None:
    """A product of grids that nobody would live to see is refused."""
    path = sweep_file(tmp_path, "seed: {from: 1, to: 100000, steps: 100000}\nsubsteps: {from: 1, to: 101, steps: 101}")
    assert said(path) == ["s.sweep.yaml:3:3: quantities: expected at most 10000000 cases; got 10100000"]


KEYS = {
    "pack.charge: {values: [1]}": "quantities.pack.charge: expected one of the keys capacity_loss_frac, charge_frac, "
    "resistance_growth_frac, temperature_degc (did you mean charge_frac?); got unknown key charge",
    "vehicle_set.esc.cut: {values: [1]}": "quantities.vehicle_set.esc.cut: "
    "expected a number of the vehicle (did you mean esc.cut_v?); got unknown key esc.cut",
    "vehicle_set: {values: [1]}": "quantities.vehicle_set: "
    "expected a number of the vehicle; got unknown key vehicle_set",
    "params_set.button_s: {values: [1]}": "quantities.params_set.button_s: "
    "expected a parameter of the controller (did you mean button_ms?); got unknown key button_s",
    "params_set.tick_us: {values: [1]}": "quantities.params_set.tick_us: "
    "expected a parameter of the controller; got unknown key tick_us",
    "rider[7].at_s: {values: [1]}": "quantities.rider[7].at_s: "
    "expected an index of the scenario's list (0 to 3); got unknown key rider[7].at_s",
    "name: {values: [a]}": "quantities.name: expected a key of the scenario that changes the run; got unknown key name",
    "requirements[0].id: {values: [a]}": "quantities.requirements[0].id: "
    "expected a key of the scenario that changes the run; got unknown key requirements[0].id",
    '"pack charge": {values: [1]}': "quantities.pack charge: expected a key of the scenario file, such as "
    "pack.charge_frac or rider[2].at_s; got unknown key pack charge",
    "standard.limits.nothing_s: {values: [1]}": "quantities.standard.limits.nothing_s: "
    "expected a limit of the catalogue (did you mean limits.hunting_s?); got unknown key limits.nothing_s",
}


@pytest.mark.parametrize("line", KEYS)
def test_a_key_that_is_none_of_the_scenario_is_told_where_it_stands(tmp_path: Path, line: str) -> None:
    """The fault stands at the key, with the nearest one that there is."""
    assert said(sweep_file(tmp_path, line)) == [f"s.sweep.yaml:3:3: {KEYS[line]}"]


VALUES = {
    "water.kind: {values: [lake, pol]}": "3:31: quantities.water.kind.values[1]: "
    f"expected one of {KINDS} (did you mean pool?); got 'pol'",
    "pack.charge_frac: {from: 0, to: 1.5, steps: 3}": "3:35: quantities.pack.charge_frac.to: "
    "expected a fraction of 1, at most 1; got '1.5'",
    "seed: {from: 1, to: 2, steps: 3}": "3:33: quantities.seed.steps: expected a whole number; got '1.5'",
    "pack.charge_frac: {values: [0.5, high]}": "3:36: quantities.pack.charge_frac.values[1]: "
    "expected a fraction of 1; got 'high'",
    "vehicle_set.esc.cut_v: {values: [40, -2]}": "3:40: quantities.vehicle_set.esc.cut_v.values[1]: "
    "expected a number in volts, more than 0; got -2",
    "params_set.button_ms: {values: [5, 5000]}": "3:38: quantities.params_set.button_ms.values[1]: "
    "expected a whole number, 0 to 1000; got '5000'",
    "controller: {values: [first_draft, second_draft]}": "3:38: quantities.controller.values[1]: "
    "expected a file or one of first_draft, reference (did you mean first_draft?); got 'second_draft'",
    "vehicle: {values: [sled.yaml]}": "3:22: quantities.vehicle.values[0]: expected a file; got 'sled.yaml'",
    "pack: {values: [full]}": "3:19: quantities.pack.values[0]: expected a mapping of keys; got 'full'",
}


@pytest.mark.parametrize("line", VALUES)
def test_a_value_that_never_fits_is_told_where_it_stands(tmp_path: Path, line: str) -> None:
    """A value that the scenario takes in no case is found before the first is run."""
    assert said(sweep_file(tmp_path, line)) == [f"s.sweep.yaml:{VALUES[line]}"]


def test_a_value_that_may_fit_is_no_fault(tmp_path: Path) -> None:
    """Air goes with a held vehicle: with another quantity's value, not with the scenario as it stands."""
    base = sweep_file(tmp_path, "water.kind: {values: [air, lake]}\nattitude: {values: [held, towed]}")
    towed = (tmp_path / "dive.scenario.yaml").read_text().replace("attitude: held", "attitude: towed")
    (tmp_path / "dive.scenario.yaml").write_text(towed)
    assert len(load_sweep(base).cases) == 4


REPORTS = {
    "report: {margins: [bas]}": "4:20: report.margins[0]: expected a requirement of the scenario that has a margin "
    "(did you mean bus?); got 'bas'",
    "report: {margins: [quiet]}": "4:20: report.margins[0]: "
    "expected a requirement of the scenario that has a margin; got 'quiet'",
    "report: {verdicts: [bas]}": "4:21: report.verdicts[0]: "
    "expected a requirement of the scenario (did you mean bus?); got 'bas'",
    "report: {margins: some}": "4:19: report.margins: expected all, or a list of ids; got 'some'",
    "report: {measures: {low: minimum(bus_w)}}": "4:34: report.measures.low: "
    "expected a signal or a named limit; got 'bus_w' (did you mean bus_v?)",
    "report: {measures: {a b: minimum(bus_v)}}": "4:26: report.measures.a b: "
    "expected a name of letters, digits and _; got 'a b'",
    "report: {measures: {verdict: minimum(bus_v)}}": "4:30: report.measures.verdict: "
    "expected another name than case, verdict, reason, seed; got verdict",
    "report: {measures: {seed: minimum(bus_v)}}": "4:27: report.measures.seed: "
    "expected another name than case, verdict, reason, seed; got seed",
}


@pytest.mark.parametrize("rest", REPORTS)
def test_what_cannot_be_reported_is_told(tmp_path: Path, rest: str) -> None:
    """An id, a measure or a name that is none is one line at its place."""
    assert said(sweep_file(tmp_path, "seed: {values: [1]}", rest)) == [f"s.sweep.yaml:{REPORTS[rest]}"]


def test_a_missing_scenario_is_told_at_its_key(tmp_path: Path) -> None:
    """The line is that of the sweep file, which names it."""
    path = sweep_file(tmp_path, "seed: {values: [1]}")
    (tmp_path / "dive.scenario.yaml").unlink()
    (line,) = said(path)
    assert line.startswith("s.sweep.yaml:1:11: scenario: expected a scenario file; got no such file: ")


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    """One reading is enough, in the order of the file."""
    path = sweep_file(tmp_path, "seed: {values: [x]}\npack.charge_frac: {values: [2]}", "report: {verdicts: [no]}")
    assert [line.split(":")[1] for line in said(path)] == ["3", "4", "5"]


def test_a_fault_ends_the_command_before_anything_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, the line on standard error, and no folder made."""
    path = sweep_file(tmp_path, "seed: {values: [x]}")
    assert main(["sweep", str(path), "--out", str(tmp_path / "out")]) == 2
    assert capsys.readouterr().err == f"{path}:3:19: quantities.seed.values[0]: expected a whole number; got 'x'\n"
    assert not (tmp_path / "out").exists()


def test_a_limit_of_a_controller_of_ones_own_counts(tmp_path: Path) -> None:
    """The range that an own controller's LIMITS state is known beforehand."""
    path = sweep_file(tmp_path, "params_set.pulse_us: {values: [900, 3000]}", base=own_controller(tmp_path))
    assert said(path) == [
        "s.sweep.yaml:3:39: quantities.params_set.pulse_us.values[1]: expected a whole number, 800 to 2200; got '3000'"
    ]


@pytest.mark.parametrize(
    "key",
    [
        *("scenario", "says", "quantities", "draws", "report", "count", "seed", "margins", "verdicts", "measures"),
        *("values", "from", "to", "steps", "random", "mean", "deviation"),
        *("uniform", "log_uniform", "normal", "whole", "choice"),
    ],
)
def test_every_key_of_a_sweep_file_is_documented(key: str) -> None:
    """docs/sweeping.md names it."""
    assert f"`{key}`" in DOCS
