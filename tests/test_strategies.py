"""The search: what its strategies draw, what they shrink to, what it finds, and what it writes."""

from __future__ import annotations

import importlib
import re
import sys
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import Phase, find, given, settings
from hypothesis import strategies as st

from sim.bench import run as bench
from sim.bench.scenario import AMOUNTS, FaultStep, RiderStep
from sim.jobs import strategies
from sim.jobs.case import CaseFile, judge_case, load_case
from sim.jobs.ride import ASKED, prepared, rules, scenario
from sim.jobs.strategies import KINDS, Judge, counterexample, dry, films, gestures, rider_scripts, scenarios, wettings
from sim.verdict.entry import RequirementEntry

ROOT = Path(__file__).parents[1]
MOORHEN = ROOT / "sim" / "moorhen"
MOMENT_S = 5.0

STEP = RequirementEntry(
    id="step-rises-at-rest",
    says="The power step never rises while a thruster is driven.",
    formula=f"never(state(power_step > previous(power_step) and previous(power_step) >= 1) and {ASKED})",
)
CORD = RequirementEntry(
    id="cord-asks-for-a-new-start",
    says="Once the kill cord was out nothing drives before the dead-man has been let go.",
    formula=f"always(implies(falling(kill_cord == 1), until(not {ASKED}, deadman == 0) or never({ASKED})))",
)
HAND = RequirementEntry(id="hand", says="No hand pulls the lever.", formula="never(state(hand_frac > 0.6))")
REST = RequirementEntry(id="rest", says="Nothing is driven.", formula=f"never({ASKED})")
NO_RESET = RequirementEntry(
    id="no-reset", says="No reset comes under way.", formula=f"never(chip != 0 and previous(chip) == 0 and {ASKED})"
)

# Short runs at a low rate, in which the first draft, which has no start sequence, can do all that is asked about.
first_draft = partial(
    scenarios, "moorhen.yaml", "first_draft", duration_s=4.0, control_hz=200.0, start_s=1.3, wetting=dry()
)
reference = partial(scenarios, "moorhen.yaml", "reference", duration_s=7.0, control_hz=200.0, start_s=2.7)

quick = settings(derandomize=True, max_examples=60)


def simplest(search: st.SearchStrategy[Any], such: Any = lambda drawn: True) -> Any:
    """What a strategy shrinks to."""
    return find(search, such, settings=settings(derandomize=True, database=None, max_examples=2000))


@quick
@given(rider_scripts(MOMENT_S) | rider_scripts(MOMENT_S, 2.5))
def test_a_rider_s_steps_are_in_order_and_in_time(steps: tuple[RiderStep, ...]) -> None:
    """Each step comes after the one before, and before the end."""
    times = [step.at_s for step in steps]
    assert times == sorted(set(times))
    assert all(0.0 <= at_s < MOMENT_S for at_s in times)


@quick
@given(scenarios("moorhen.yaml", "reference", start_s=2.5))
def test_every_scenario_can_be_set_up(case: CaseFile) -> None:
    """Whatever is drawn is a scenario that the bench takes, films, joint and temperatures included."""
    ready = bench.set_up(case, MOORHEN / "drawn.scenario.yaml")
    assert ready.scenario.duration_s <= 6.0


def test_the_simplest_scenario_is_nothing_at_all() -> None:
    """No step, nothing broken, in air, with the vehicle and the pack as they are, and over after the tail."""
    case = simplest(scenarios("moorhen.yaml", "reference", start_s=2.5))
    assert (case.rider, case.faults, case.water.kind, case.vehicle_set) == ((), (), "air", {})
    assert case.pack == type(case.pack)()
    assert case.duration_s == strategies.TAIL_S


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_fault_is_drawn(kind: str) -> None:
    """Each kind can be had, with an amount where it needs one; the simplest comes at once and stays."""
    (fault,) = simplest(strategies.faults(MOMENT_S, (kind,)), lambda found: len(found) == 1)
    assert (fault.kind, fault.at_s, fault.until_s) == (kind, 0.0, None)
    assert (fault.amount is not None) == (kind in AMOUNTS)


@quick
@given(strategies.faults(MOMENT_S))
def test_faults_begin_within_the_run(found: tuple[FaultStep, ...]) -> None:
    """Faults are in order, begin before the end, and end after they begin."""
    assert [fault.at_s for fault in found] == sorted(fault.at_s for fault in found)
    assert all(fault.at_s < MOMENT_S and (fault.until_s is None or fault.until_s > fault.at_s) for fault in found)


@pytest.mark.parametrize("kind", ["air", *strategies.WATERS, "given"])
def test_every_water_is_drawn(kind: str) -> None:
    """Each kind of water can be had, air only held still."""
    part = simplest(wettings(), lambda drawn: drawn["water"]["kind"] == kind)
    assert part["attitude"] == "held"


@pytest.mark.parametrize("contact", ["mode_button", "deadman", "kill_cord_sense"])
def test_films_reach_every_contact(contact: str) -> None:
    """Each of the three contacts can have a film of its own."""
    (key,) = simplest(films(), lambda drawn: any(name.startswith(contact) for name in drawn))
    assert key == f"{contact}.film.mean_wetted_frac"


def test_gestures_hold_the_deliberate_one_and_the_sloppy() -> None:
    """Three presses of the dead-man in rhythm are drawn, and so is a touch of a fiftieth of a second."""
    presses = simplest(gestures(), lambda moves: len(moves) == 6 and "deadman" in moves[0][1])
    assert [at_s for at_s, _ in presses] == pytest.approx([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])
    touch = simplest(gestures(), lambda moves: moves[1][0] < 0.03)
    assert touch == ((0.0, {"mode_button": True}), (0.02, {"mode_button": False}))


def test_a_search_finds_the_simplest_and_finds_it_again() -> None:
    """What breaks a requirement is shrunk to the one step that does, at every call alike."""
    search = scenarios("moorhen.yaml", "first_draft", requirements=[HAND], duration_s=2.0, control_hz=200.0)
    found = counterexample(search, MOORHEN)
    assert found is not None
    assert [step.model_dump(exclude_none=True) for step in found.rider] == [{"at_s": 0.0, "lever_frac": 1.0}]
    assert found == counterexample(search, MOORHEN)


@pytest.mark.parametrize(("rule", "most_steps"), [(STEP, 5), (CORD, 3)], ids=["step", "cord"])
def test_the_first_draft_is_found_out(rule: RequirementEntry, most_steps: int, tmp_path: Path) -> None:
    """A ride that breaks the requirement is found, is short, dry and sound, is written, and fails when it is loaded."""
    path = tmp_path / "found.scenario.yaml"
    found = counterexample(first_draft(requirements=[rule]), MOORHEN, path=path)
    assert found is not None
    assert len(found.rider) <= most_steps
    assert (found.faults, found.water.kind, found.pack) == ((), "air", type(found.pack)())
    (verdict,) = judge_case(load_case(path)).verdicts
    assert (verdict.id, verdict.verdict) == (rule.id, "fail")
    assert verdict.why in path.read_text(encoding="utf-8")


def promises() -> list[RequirementEntry]:
    """What the reference states: dead-man, cord, and the start sequence after a reset."""
    said = prepared(MOORHEN / "moorhen.yaml", "reference", control_hz=200.0).stated
    wanted = ("deadman-ends-drive", "cord-ends-drive", "no-start-after-reset")
    # The chip's state is that of a tick's end, the command that of its beginning.
    delay = RequirementEntry(
        id="start-takes-its-time",
        says="Nothing is driven before the start delay after a reset is over.",
        formula=f"never(once({said.start_delay:g}, previous(chip) != 0) and {ASKED})",
    )
    return [*(entry for entry in rules(said) if entry.id in wanted), delay]


def test_the_reference_keeps_its_promises() -> None:
    """A hundred rides with resets and a flooded cord sense find no drive against dead-man, cord or start sequence.

    A quarter of them at least drives, and some are reset while they do: they could have found something.
    """
    judge = Judge(MOORHEN)
    broken: list[set[str]] = []

    @settings(derandomize=True, database=None, deadline=None, max_examples=100, phases=[Phase.generate])
    @given(reference(requirements=[*promises(), REST, NO_RESET], kinds=("chip_reset", "cord_sense_flooded")))
    def rides(case: CaseFile) -> None:
        broken.append({verdict.id for verdict in judge.broken(case)})

    rides()
    assert set().union(*broken) == {REST.id, NO_RESET.id}
    assert sum(REST.id in ids for ids in broken) >= 25


def test_a_judge_reads_files_once_and_judges_like_a_run() -> None:
    """A judge's verdicts on two vehicles in turn are those of setting each up anew."""
    judge = Judge(Path.cwd())
    rides = {name: prepared(MOORHEN / "moorhen.yaml", name, control_hz=200.0) for name in ("reference", "first_draft")}
    cases = {name: scenario(ride, "chip_reset", "full", "lake") for name, ride in rides.items()}
    own = {name: [verdict.id for verdict in judge.broken(case)] for name, case in cases.items()}
    assert own["reference"] == []
    assert own["first_draft"] == ["no-start-after-reset", "no-start-by-itself"]
    wet = cases["first_draft"].model_copy(update={"vehicle_set": {"supply.boot_s": 20.0}})
    # A chip that never starts breaks nothing: the vehicle's own numbers are not kept from the case before.
    assert judge.broken(wet) == ()
    assert [verdict.id for verdict in judge.broken(cases["first_draft"])] == own["first_draft"]


def test_without_hypothesis_it_says_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where Hypothesis is not installed, importing the strategies names it and the extra it comes with."""
    monkeypatch.setitem(sys.modules, "hypothesis", None)
    monkeypatch.delitem(sys.modules, "sim.jobs.strategies")
    with pytest.raises(ImportError, match=r"needs Hypothesis; install drydive\[test\]"):
        importlib.import_module("sim.jobs.strategies")


def test_nothing_else_needs_it() -> None:
    """No other module imports Hypothesis or the strategies."""
    others = [path for path in (ROOT / "sim").rglob("*.py") if path.name != "strategies.py"]
    needs = re.compile(r"^\s*(from|import) (hypothesis|sim\.jobs\.strategies)|jobs import .*strategies", re.MULTILINE)
    assert [path.name for path in others if needs.search(path.read_text(encoding="utf-8"))] == []


def test_the_page_s_example_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The search in docs/finding-faults.md asks, as it stands, for scenarios that can be drawn and judged."""
    asked: list[tuple[Any, ...]] = []
    monkeypatch.setattr(strategies, "counterexample", lambda *given, **named: asked.append((*given, named["path"])))
    page = (ROOT / "docs" / "finding-faults.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(from pathlib import Path\nfrom sim\.jobs\.strategies.*?)```", page, re.DOTALL)
    exec(compile(code, "docs/finding-faults.md", "exec"), {})
    ((search, beside, path),) = asked
    assert (ROOT / beside, path.suffixes) == (MOORHEN, [".scenario", ".yaml"])
    assert Judge(MOORHEN).broken(simplest(search)) == ()
