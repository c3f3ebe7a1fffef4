"""Scenario and controller files for tests: a good one, with lines changed, and what is said of a bad one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sim.base.errors import InputError

ROOT = Path(__file__).parents[1]
MOORHEN = ROOT / "sim" / "moorhen"
TRACES = ROOT / "traces"

# Each key with its text; one line each, so that a key's line is its place in this list.
LINES = {
    "name": "test",
    "vehicle": str(MOORHEN / "moorhen.yaml"),
    "controller": "reference",
    "water": "{kind: air, temperature_degc: 12}",
    "attitude": "held",
    "duration_s": "0.5",
    "rider": "[]",
}

CONTROLLER = {
    "head": "from typing import NamedTuple\nfrom controllers.board import Command\n",
    "Params": "class Params(NamedTuple):\n    tick_us: int\n    pulse_us: int = 1000\n",
    "State": "class State(NamedTuple):\n    ticks: int\n",
    "LIMITS": 'LIMITS = {"pulse_us": (800, 2200)}\n',
    "MODES": 'MODES = {0: "running"}\n',
    "REASONS": 'REASONS = {0: ""}\n',
    "initial": "def initial(params):\n    return State(0)\n",
    "step": "def step(params, state, inputs):\n    return State(state.ticks + 1), {command}\n",
}
COMMAND = "Command({left}, {right}, {step}, 1, {mode}, {reason}, {lever})"


def scenario(folder: Path, **lines: str | None) -> Path:
    """A scenario file: the good one with keys changed, added at the end, or (None) left out."""
    texts = {key: text for key, text in (LINES | lines).items() if text is not None}
    path = folder / "s.yaml"
    path.write_text("".join(f"{key}: {text}\n" for key, text in texts.items()), encoding="utf-8")
    return path


def command(**fields: str) -> str:
    """The source of a command that stops, with fields changed."""
    stop = {"left": "1000", "right": "1000", "step": "1", "mode": "0", "reason": "0", "lever": "0"}
    return COMMAND.format(**stop | fields)


def controller(folder: Path, answer: str = "", **parts: str | None) -> Path:
    """A controller file: one that always stops, with parts of its source changed or (None) left out."""
    texts = {name: text for name, text in (CONTROLLER | parts).items() if text is not None}
    path = folder / "mine.py"
    source = "".join(texts.values()).replace("{command}", answer or command())
    path.write_text(source, encoding="utf-8")
    return path


def faults(ask: Callable[[], Any], folder: Path) -> list[str]:
    """The lines of the faults that asking raises, without the folder."""
    with pytest.raises(InputError) as raised:
        ask()
    return [str(fault).replace(f"{folder}/", "") for fault in raised.value.faults]
