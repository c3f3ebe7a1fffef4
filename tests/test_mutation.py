"""The judge of mutation testing, on three short scenarios: what it must notice, and what it must not."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from mutation import judge as judging
from mutation.judge import Fate, Judge

from controllers import blocks

ROOT = Path(__file__).parents[1]
BLOCKS = ROOT / "controllers" / "blocks.py"
SCENARIOS = ("07_a_start_in_order", "10_letting_go_at_part_lever", "13_a_slip_of_the_thumb")


@pytest.fixture(scope="module")
def judge(tmp_path_factory: pytest.TempPathFactory) -> Judge:
    """A judge over three scenarios: a start, a release, and a slip that is none."""
    folder = tmp_path_factory.mktemp("suite")
    for name in SCENARIOS:
        (path,) = (ROOT / "tests" / "scenarios").glob(f"{name}*.scenario.yaml")
        text = path.read_text(encoding="utf-8").replace("../../sim", str(ROOT / "sim"))
        (folder / path.name).write_text(text, encoding="utf-8")
    return Judge(folder)


def changed(was: str, becomes: str) -> str:
    """The source of the blocks with one place changed."""
    source = BLOCKS.read_text(encoding="utf-8")
    assert source.count(was) == 1
    return source.replace(was, becomes)


INVERTED = ("    if line == state.level:", "    if line != state.level:")


def test_an_inverted_debounce_is_killed(judge: Judge) -> None:
    """A contact that is believed at once makes a stop of a slip."""
    fate = judge.fate("controllers.blocks", "debounce", changed(*INVERTED))
    assert (fate.killed, fate.kind) == (True, judging.REQUIREMENT)
    assert fate.scenario.startswith(SCENARIOS)


def test_the_source_as_it_is_passes(judge: Judge) -> None:
    """Unchanged, every call is answered alike; and where calls are not looked at, every run is alike."""
    source = BLOCKS.read_text(encoding="utf-8")
    assert judge.fate("controllers.blocks", "debounce", source) == Fate(judging.CALLS_ALIKE)
    assert judge.fate("controllers.blocks", None, source).kind == judging.RUN_ALIKE


@pytest.mark.parametrize(
    ("function", "was", "becomes", "killed"),
    [
        pytest.param("debounce", *INVERTED, True, id="inverted debounce"),
        pytest.param("ramp", "budget_us % up_ms)", "0)", True, id="a ramp that forgets its carry"),
        pytest.param(
            "held_us",
            "return min(timer_us + tick_us, TIMER",
            "return min(timer_us + tick_us, 1 + TIMER",
            False,
            id="a saturation never reached",
        ),
        pytest.param("fold_back", "clamp(room, 0, span)", "clamp(room, 0, 0)", True, id="no drive is allowed"),
    ],
)
def test_a_function_alone_says_what_whole_runs_say(
    judge: Judge, function: str, was: str, becomes: str, killed: bool
) -> None:
    """Whether the calls are compared first, or every scenario is run, the verdict is the same."""
    source = changed(was, becomes)
    assert judge.fate("controllers.blocks", function, source).killed is killed
    assert judge.fate("controllers.blocks", None, source).killed is killed


def test_what_only_the_baseline_tells_apart_is_no_kill(judge: Judge) -> None:
    """A change too small for any requirement is said to be seen by the baseline, and survives."""
    fate = judge.fate(
        "controllers.blocks", "curve", changed("+ blend_permille * square)", "+ blend_permille * square + 999)")
    )
    assert (fate.killed, fate.kind) == (False, judging.BASELINE_ALONE)
    assert fate.why


def test_a_change_that_raises_is_killed(judge: Judge) -> None:
    """A step that raises is a crash of its scenario, one that does not even load is a crash at once."""
    raising = changed("    if value < lowest:", "    if value < lowest // 0:")
    assert judge.fate("controllers.blocks", "clamp", raising).kind == judging.CRASH
    assert (
        judge.fate("controllers.blocks", None, changed("_CLICKS_MAX = 9", "_CLICKS_MAX = 9 // 0")).kind == judging.CRASH
    )


@pytest.mark.parametrize("function", ["debounce", None])
def test_a_change_that_hangs_is_timed_out(judge: Judge, function: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """A loop that never ends is stopped, alone and within a run, and counts as killed."""
    monkeypatch.setattr(judging, "PATIENCE_S", 1.0)
    hanging = changed(INVERTED[0], "    while line == state.level:\n        pass\n    if line == state.level:")
    fate = judge.fate("controllers.blocks", function, hanging)
    assert (fate.killed, fate.kind) == (True, judging.TIMEOUT)


def test_the_sound_controller_is_left_in_place(judge: Judge) -> None:
    """After a mutant the modules and the files are those from before."""
    before = BLOCKS.read_bytes(), blocks.debounce
    judge.fate("controllers.blocks", "debounce", changed(*INVERTED))
    assert (BLOCKS.read_bytes(), sys.modules["controllers.blocks"].debounce) == before


def test_a_suite_that_fails_already_is_refused(tmp_path: Path) -> None:
    """Nothing is judged by a scenario that the sound controller fails."""
    text = (ROOT / "tests" / "scenarios").glob("10_*.scenario.yaml").__next__().read_text(encoding="utf-8")
    path = tmp_path / "failing.scenario.yaml"
    path.write_text(
        text.replace("../../sim", str(ROOT / "sim")).replace("within_s: 0.12", "within_s: 0.01"), encoding="utf-8"
    )
    with pytest.raises(ValueError, match="fails with the sound controller"):
        Judge(tmp_path)
