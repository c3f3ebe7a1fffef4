"""Requirements judged together: the same verdicts as one by one, whatever they have in common."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from conftest import moorhen_bench

from sim.base.errors import InputError
from sim.bench import engine
from sim.bench.run import prepare, record, simulate
from sim.jobs.case import SIGNALS, load_case, on_engine
from sim.record.table import Table
from sim.verdict import demands as module
from sim.verdict.catalogue import load_catalogue
from sim.verdict.demands import Demands
from sim.verdict.entry import RequirementEntry
from sim.verdict.formula import parse
from sim.verdict.requirement import Requirement, judge, margin_units, names_of

ROOT = Path(__file__).parents[1]
DIVES = [
    ROOT / "sim" / "moorhen" / f"{name}.scenario.yaml" for name in ("2_first_draft_in_pool", "4_reference_tired_pack")
]
RIDE = {
    "duration_s": 2.0,
    "vehicle_set": {"esc.arm_s": 0.1},
    "rider": [{"at_s": 0.0, "deadman": "false"}, {"at_s": 0.9, "deadman": "true"}, {"at_s": 1.2, "lever_frac": 1.0}],
}


def requirement(name: str, **claim: object) -> Requirement:
    return RequirementEntry.model_validate({"id": name, "says": "So.", **claim}).requirement("")


@pytest.mark.parametrize("path", DIVES, ids=lambda path: path.name[:1])
def test_judged_together_is_judged_one_by_one(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Margins, moments and sentences of the catalogue and Moorhen's own are those of each judged alone."""
    case = on_engine(load_case(path), "interpreted")
    standard, limits = load_catalogue().requirements(SIGNALS, case.limits)
    both = (*case.requirements, *standard)
    table = simulate(case.bench).table
    alone = tuple(judge(each, table, limits) for each in both)
    assert {"pass", "undecided"} <= {verdict.verdict for verdict in alone}
    for shared in (10**9, 0):
        monkeypatch.setattr(module, "SHARED_SAMPLES", shared)
        assert Demands(both, SIGNALS, limits).judge(table, limits) == alone


def test_only_the_columns_that_are_named_are_needed() -> None:
    """A record of nothing else gives the same verdicts, and its columns are those of the whole record bit for bit."""
    bench = moorhen_bench(**RIDE | {"controller": "first_draft"})
    demands = Demands(
        [
            requirement("pull", measure="maximum(thrust_n)", at_least=1),
            requirement("bus", formula="always(bus_v >= 3 or drag_n < 0 or deadman_leak_siemens > 1)"),
        ],
        SIGNALS,
        bench.vehicle.limits(),
    )
    ready, plain = prepare(bench), engine.Engine(engine.INTERPRETED)
    whole, few = record(bench, ready, plain), record(bench, ready, plain, wanted=demands.names)
    assert set(few.names) == {"thrust_n", "bus_v", "drag_n", "deadman_leak_siemens"}
    assert all(np.array_equal(few[name], whole[name]) for name in few.names)
    limits = bench.vehicle.limits()
    assert demands.judge(few, limits) == demands.judge(whole, limits)


def test_a_requirement_that_is_wrong_is_refused_at_once() -> None:
    """Names are checked before any run is judged."""
    with pytest.raises(InputError, match="expected a signal or a named limit; got 'bus_w'"):
        Demands([requirement("bus", formula="always(bus_w > 1)")], ("bus_v",), {})


def test_a_limit_that_spoils_a_duration_is_refused_with_its_run() -> None:
    """A limit of another run that makes a duration negative is the fault that `judge` finds."""
    late = requirement("late", formula="always(within(most_s - 1, bus_v > 1))")
    table = Table(np.arange(5, dtype=np.int64) * 1000, {"bus_v": np.full(5, 2.0)})
    demands = Demands([late], ("bus_v",), {"most_s": 1.002})
    assert demands.judge(table, {"most_s": 1.001}) == (judge(late, table, {"most_s": 1.001}),)
    told = []
    for ask in (lambda: demands.judge(table, {"most_s": 0.5}), lambda: judge(late, table, {"most_s": 0.5})):
        with pytest.raises(InputError, match="not negative") as caught:
            ask()
        told.append(str(caught.value))
    assert told[0] == told[1]


@pytest.mark.parametrize(
    ("claim", "units"),
    [
        ({"formula": "always(bus_v > 1)"}, {"V"}),
        ({"formula": "always(bus_v > 1 and bus_a < 5)"}, {"V", "A"}),
        ({"formula": "never(state(bus_v > 1) and mode == 3)"}, set()),
        ({"formula": "always(state(bus_v > 1) or lever_frac < 0.5)"}, {"1"}),
        ({"after": "mode == 1", "expect": "bus_v > 1", "within_s": 1}, {"s"}),
        ({"measure": "integral(bus_a)", "at_most": 5}, {"A s"}),
    ],
)
def test_the_units_of_margins_are_known_beforehand(claim: dict[str, object], units: set[str]) -> None:
    """A margin comes in the unit of a comparison, of time, or of the measure; states have no distance."""
    assert margin_units(requirement("x", **claim).claim) == units


def test_every_name_of_a_claim_is_told() -> None:
    """Those in durations and bounds too, each once, in the order written."""
    claim = requirement("x", after="mode == 1", expect="bus_v > low_v", within_s="most_s + mode * 0", hold_s="least_s")
    assert names_of(claim.claim) == ("mode", "bus_v", "low_v", "most_s", "least_s")


HASHED = """
import pickle, sys
root = pickle.loads(bytes.fromhex(sys.argv[1]))
from sim.verdict.formula import parse
print(root == parse(sys.argv[2]).root, hash(root) == hash(parse(sys.argv[2]).root), {parse(sys.argv[2]).root: 1}[root])
"""


def test_a_formula_is_found_by_its_meaning_in_another_process() -> None:
    """Sent to a process in which text hashes otherwise, it still is equal to itself there, by hash too."""
    text = "always(implies(bus_v > 3, within(0.2, mode == 1 or lever_frac < 0.5)))"
    root = parse(text).root
    hash(root)
    arguments = [sys.executable, "-c", HASHED, pickle.dumps(root).hex(), text]
    for seed in ("1", "2"):
        environment = os.environ | {"PYTHONHASHSEED": seed}
        done = subprocess.run(arguments, capture_output=True, text=True, check=True, env=environment)
        assert done.stdout.split() == ["True", "True", "1"]


def test_formulas_written_otherwise_but_alike_are_one() -> None:
    """Equality and hash are of the meaning; where a formula was written does not count."""
    one, other = parse("always( bus_v>3 )").root, parse("always(bus_v > 3)").root
    assert one == other
    assert hash(one) == hash(other)
    assert hash(one) != hash(parse("always(bus_v > 4)").root)
