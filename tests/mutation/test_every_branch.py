"""The suite's reach, measured: minutes of traced Python, so it is run by name, ``pytest tests/mutation``."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from sim.base.errors import InputError
from sim.bench.control import SHIPPED, load_controller
from sim.jobs.branches import shares, traced
from sim.jobs.check import check, find

SUITE = Path(__file__).parents[1] / "scenarios"


def test_the_suite_takes_every_branch_of_the_controllers() -> None:
    """The scenarios and the refused parameters together leave no line and no branch of controllers/ out."""
    spec = importlib.util.spec_from_file_location("refused", SUITE / "test_refused_parameters.py")
    assert spec is not None
    assert spec.loader is not None
    refused = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(refused)

    def refuse() -> None:
        for case in refused.REFUSED:
            controller, changes, _ = case.values
            with pytest.raises(InputError):
                load_controller(controller, 1000, overrides=changes)

    traces = [outcome.arcs for outcome in check(find([SUITE]), branches=True) if outcome.arcs is not None]
    found = [share for share in shares([*traces, traced(refuse)[1]]) if Path(share.path).parent == SHIPPED]
    assert {Path(share.path).name for share in found} == {
        path.name for path in SHIPPED.glob("*.py") if path.name not in ("__init__.py", "board.py")
    }
    assert [share for share in found if share.missing_lines or share.missing_branches] == []
