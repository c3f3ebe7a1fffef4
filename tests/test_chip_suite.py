"""Over the scenario suite the C asks for what the Python asks for, tick by tick.

Parameters are constants of the C, and each set of them costs seconds to prove: here are the sets that several scenarios
share. `tests/benchmarks/chip.py` takes them all.
"""

from __future__ import annotations

from ast import literal_eval
from pathlib import Path

import pytest
from chip_suite import SUITE, differences, groups

GROUPS = groups()
SHARED = {name: paths for name, paths in GROUPS.items() if len(paths) >= 3}


def test_most_of_the_suite_is_among_them() -> None:
    """Two thirds of the suite's scenarios are tried here, of both controllers; no scenario is in no group."""
    assert sum(map(len, GROUPS.values())) == len(list(SUITE.glob("*.scenario.yaml")))
    assert 3 * sum(map(len, SHARED.values())) >= 2 * sum(map(len, GROUPS.values()))
    assert {literal_eval(name)[0] for name in SHARED} == {"reference", "first_draft"}


@pytest.mark.parametrize("name", SHARED)
def test_every_tick_of_its_scenarios_is_the_same(name: str, tmp_path: Path) -> None:
    """From each start of the chip to its next reset, on the same pins, the C gives the command that the Python gave."""
    ticks, found = differences(SHARED[name], tmp_path)
    assert found == []
    assert ticks > 1000 * len(SHARED[name])
