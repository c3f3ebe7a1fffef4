"""The suite's scenarios through a controller in Python and, on the same pins, through its C."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import yaml
from chip_programs import write_c
from numpy.typing import NDArray

from controllers.board import Command, Inputs
from sim.bench import engine, run
from sim.bench.control import Watched
from sim.bench.loop import NO_MODE
from sim.chip.shared import Shared
from sim.jobs.case import load_case
from sim.record.table import Table

SUITE = Path(__file__).parent / "scenarios"
# What makes one controller with its parameters another.
KEYS = ("controller", "params", "params_set", "control_hz")


def groups() -> dict[str, list[Path]]:
    """The suite's scenarios whose controller, as they write it, is one and the same; the largest group first."""
    found: dict[str, list[Path]] = {}
    for path in sorted(SUITE.glob("*.scenario.yaml")):
        told = yaml.load(path.read_text(encoding="utf-8"), Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
        found.setdefault(repr([told.get(key) for key in KEYS]), []).append(path)
    return dict(sorted(found.items(), key=lambda item: -len(item[1])))


def differences(paths: Sequence[Path], folder: Path) -> tuple[int, list[str]]:
    """How many ticks the chip ran in these scenarios of one controller, and where its C asks for something else."""
    cases = [load_case(path) for path in paths]
    controller = cases[0].bench.controller
    assert all(case.bench.controller.params == controller.params for case in cases)
    assert isinstance(controller.step, Watched)
    chip = Shared(write_c(controller.initial, controller.step.bare, controller.params, folder), Inputs, Command)
    prepared = [run.prepare(case.bench) for case in cases]
    chosen = engine.choose(engine.AUTO, controller, sum(len(each.tapes) for each in prepared))
    ticks, found = 0, []
    for path, case, ready in zip(paths, cases, prepared, strict=True):
        table = run.record(case.bench, ready, chosen, wanted={*Inputs._fields, *Command._fields})
        for start, stop in spans(table):
            pins, commands = (whole(table, fields)[start:stop] for fields in (Inputs._fields, Command._fields))
            _, said = chip.steps(chip.initial(), pins.tobytes())
            answers = np.frombuffer(said, dtype=np.int32).reshape(commands.shape)
            wrong = np.flatnonzero((answers != commands).any(axis=1))
            if wrong.size:
                found.append(f"{path.name}: tick {start + wrong[0]}: {answers[wrong[0]]} for {commands[wrong[0]]}")
            ticks += stop - start
    return ticks, found


def spans(table: Table) -> Iterator[tuple[int, int]]:
    """From each start of the chip to the end or the next reset."""
    running = np.concatenate(([False], table["mode"] != NO_MODE, [False]))
    edges = np.flatnonzero(np.diff(running.astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def whole(table: Mapping[str, NDArray[np.float64]] | Table, fields: Sequence[str]) -> NDArray[np.int32]:
    """Columns as rows of whole numbers."""
    return np.ascontiguousarray(np.stack([table[field] for field in fields], axis=1).astype(np.int32))
