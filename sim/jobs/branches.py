"""Which branches of a controller's source a suite takes, by the package coverage where it is installed (row 4).

Measuring starts before the controller is loaded, so that the check of its
parameters counts as its steps do. A branch is one way out of a line that has
several, as coverage.py counts them: between whole lines, which a conditional
expression does not leave.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple, TypeAlias, TypeVar

import controllers
import sim
from sim.bench.control import SHIPPED

Answer = TypeVar("Answer")
Arcs: TypeAlias = Mapping[str, frozenset[tuple[int, int]]]
"""Jumps from line to line, by source file."""

# The board has no branches, and whoever speaks to a controller holds its classes.
KEPT = ("controllers", "controllers.board")


class Share(NamedTuple):
    """How much of one file was gone through, and the lines that were not, or not in every direction."""

    path: str
    lines: int
    of_lines: int
    branches: int
    of_branches: int
    missing_lines: tuple[int, ...]
    missing_branches: tuple[int, ...]


def installed() -> bool:
    """Whether there is something to measure with."""
    return importlib.util.find_spec("coverage") is not None


def traced(work: Callable[[], Answer]) -> tuple[Answer, Arcs]:
    """Do the work, and tell what it executed of Python files that are neither the harness nor installed."""
    import coverage

    watch = coverage.Coverage(data_file=None, config_file=False, branch=True, omit=[f"{Path(sim.__file__).parent}/*"])
    # A controller in C has no Python to be measured.
    watch.set_option("run:disable_warnings", ["no-data-collected"])
    with unloaded():
        watch.start()
        try:
            answer = work()
        finally:
            watch.stop()
    data = watch.get_data()
    return answer, {file: frozenset(data.arcs(file) or ()) for file in data.measured_files()}


@contextmanager
def unloaded() -> Iterator[None]:
    """Inside, shipped controllers are loaded anew: of those loaded before, the first lines would be missed."""
    before = {name: module for name, module in sys.modules.items() if _shipped(name)}
    for name in before:
        del sys.modules[name]
        # Else `from controllers import ...` would find it on the package and load nothing.
        vars(controllers).pop(name.rpartition(".")[2], None)
    try:
        yield
    finally:
        for name in [name for name in sys.modules if _shipped(name)]:
            del sys.modules[name]
        sys.modules.update(before)
        for name, module in before.items():
            setattr(controllers, name.rpartition(".")[2], module)


def _shipped(name: str) -> bool:
    return name.startswith("controllers.") and name not in KEPT


def shares(traces: Iterable[Arcs]) -> list[Share]:
    """What all traces together went through, by file; shipped ones first."""
    import coverage

    joined: dict[str, set[tuple[int, int]]] = {}
    for trace in traces:
        for file, arcs in trace.items():
            joined.setdefault(file, set()).update(arcs)
    told = coverage.Coverage(data_file=None, config_file=False, branch=True)
    told.get_data().add_arcs(joined)
    found = []
    for file in sorted(joined, key=lambda file: (Path(file).parent != SHIPPED, file)):
        _, lines, _, missing, _ = told.analysis2(file)
        branches = told.branch_stats(file)
        found.append(
            Share(
                file,
                len(lines) - len(missing),
                len(lines),
                sum(taken for _, taken in branches.values()),
                sum(ways for ways, _ in branches.values()),
                tuple(missing),
                tuple(line for line, (ways, taken) in sorted(branches.items()) if taken < ways),
            )
        )
    return found
