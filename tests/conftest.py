"""What several test files share: the demo vehicle on a bench, its machine, and how to repeat a failure."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Generator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from sim.bench.run import Bench, physics, set_up
from sim.bench.scenario import Scenario
from sim.face.cli import main
from sim.world import machine

ROOT = Path(__file__).parents[1]
# How long one example takes says more of the machine's other work than of the code.
settings.register_profile("drydive", deadline=None)
settings.load_profile("drydive")

MOORHEN = ROOT / "sim" / "moorhen" / "moorhen.yaml"
Call = Callable[..., tuple[int, str, str]]


def moorhen_bench(**changes: Any) -> Bench:
    """The demo vehicle, held still in a lake under the reference, but for the changes to the scenario."""
    entry = {
        "name": "test",
        "vehicle": MOORHEN.name,
        "controller": "reference",
        "water": {"kind": "lake"},
        "attitude": "held",
        "rider": [],
        "duration_s": 1.0,
    }
    return set_up(Scenario.model_validate(entry | changes), MOORHEN.parent / "test.scenario.yaml")


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Calls the command: its exit code and what it printed to either stream."""

    def called(*arguments: object) -> tuple[int, str, str]:
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as ended:
            code = int(ended.code or 0)
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return called


@pytest.fixture(scope="session")
def moorhen() -> Callable[..., Bench]:
    """Makes a bench with the demo vehicle, see `moorhen_bench`."""
    return moorhen_bench


@pytest.fixture(scope="session")
def switched_on() -> Callable[..., tuple[machine.Params, machine.State]]:
    """Makes the demo vehicle's machine, just switched on, for the same changes."""
    return lambda **changes: physics(moorhen_bench(**changes))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A failure says how to repeat it: the commit and the command."""
    report = yield
    if report.failed:
        head = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=False)
        commit = head.stdout.strip() or "not in a repository"
        report.sections.append(("repeat with", f"commit {commit}\npython -m pytest '{item.nodeid}'"))
    return report
