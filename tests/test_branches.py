"""What of a controller's source a suite goes through, and that this folder's suite goes through all of it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from sim.face.cli import main
from sim.jobs.branches import shares
from sim.jobs.check import run_one

SUITE = Path(__file__).parent / "scenarios"

# Its lines are counted by hand below: ten statements, one of which has two ways out.
TWO_WAYS = """from typing import NamedTuple
from controllers.board import Command, Inputs
class Params(NamedTuple):
    tick_us: int
class State(NamedTuple):
    count: int
def initial(params: Params) -> State:
    return State(count=0)
def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    if inputs.deadman == 1:
        return state, Command(1200, 1200, 1, 1, 1, 0, 0)
    return state, Command(1000, 1000, 1, 1, 0, 0, 0)
"""


def scenario(folder: Path, name: str, pressed: str) -> Path:
    """Half a second of a controller that looks at nothing but the dead-man."""
    (folder / "two_ways.py").write_text(TWO_WAYS, encoding="utf-8")
    vehicle = Path(__file__).parents[1] / "sim" / "moorhen" / "moorhen.yaml"
    path = folder / f"{name}.scenario.yaml"
    path.write_text(
        f"name: {name}\nvehicle: {vehicle}\ncontroller: two_ways.py\nwater: {{kind: lake}}\nattitude: held\n"
        f"rider: [{{at_s: 0.3, deadman: {pressed}}}]\nduration_s: 0.5\n"
        "requirements: [{id: fine, says: It runs., formula: always(bus_v > 0)}]\n",
        encoding="utf-8",
    )
    return path


def test_the_way_not_taken_is_told(tmp_path: Path) -> None:
    """With the dead-man never pressed the return below the `if` is missing, and one of its two ways."""
    outcome = run_one(str(scenario(tmp_path, "never", "false")), branches=True)
    assert outcome.arcs is not None
    (share,) = shares([outcome.arcs])
    assert (share.lines, share.of_lines, share.missing_lines) == (11, 12, (11,))
    assert (share.branches, share.of_branches, share.missing_branches) == (1, 2, (10,))


def test_runs_add_up(tmp_path: Path) -> None:
    """A scenario that presses it takes both ways, and what two runs went through is told as one."""
    paths = [scenario(tmp_path, name, pressed) for name, pressed in (("never", "false"), ("once", "true"))]
    outcomes = [run_one(str(path), branches=True) for path in paths]
    (share,) = shares([outcome.arcs for outcome in outcomes if outcome.arcs is not None])
    assert (share.missing_lines, share.missing_branches) == ((), ())


def test_the_command_tells_what_was_never_taken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--coverage names the file, how much of it was taken, and the lines that were not."""
    path = scenario(tmp_path, "never", "false")
    assert main(["check", str(path), "--coverage", "--workers", "1"]) == 0
    printed = capsys.readouterr().out
    assert "11 of 12 lines, 1 of 2 branches" in " ".join(printed.split())
    assert "never: lines 11" in printed


def test_without_the_package_the_command_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where coverage is not installed modes and reasons are told as ever, and that no branch was measured."""
    there = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "coverage" else there(name))
    assert main(["check", str(scenario(tmp_path, "never", "false")), "--coverage", "--workers", "1"]) == 0
    assert "were not measured" in capsys.readouterr().out
