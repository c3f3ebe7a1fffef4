"""An exploration as plain data (row 4)."""

from __future__ import annotations

import platform
from typing import Any

import numpy as np

import sim
from sim.bench.run import fingerprint
from sim.jobs.explore.explore import Exploration, Proof


def exploration_json(found: Exploration) -> dict[str, Any]:
    """Every walk in order, what was reached, and what went in."""
    controller = found.controller
    inputs = {f"controller {controller.name}": controller.fingerprint()}
    if controller.params_path is not None:
        inputs[f"params {controller.params_path.name}"] = fingerprint(controller.params_path)
    return {
        "verdict": found.verdict,
        "walks": [_walk(proof) for proof in found.proofs],
        "modes": sorted(found.modes()),
        "modes_never": sorted(set(controller.modes) - found.modes()),
        "mode_changes": sorted(map(list, found.changes())),
        "reasons": sorted(found.reasons()),
        "reasons_never": sorted(set(controller.reasons) - found.reasons()),
        "versions": {"drydive": sim.__version__, "python": platform.python_version(), "numpy": np.__version__},
        "inputs": inputs,
    }


def _walk(proof: Proof) -> dict[str, Any]:
    walk, task = proof.walk, proof.task
    moves = task.space.moves
    return {
        "property": task.name,
        "says": task.space.proof.says,
        "round": task.round,
        "verdict": proof.verdict,
        "why": proof.why,
        "states": walk.states,
        "transitions": walk.transitions,
        "depth": walk.depth,
        "seconds": walk.seconds,
        "memory_bytes": walk.memory_bytes,
        "engine": walk.engine,
        "combinations": len(moves),
        "driven": walk.reached.driven,
        "power_steps": list(walk.reached.power_steps),
        "tick_us": task.tick_us,
        "params_set": dict(task.params_set),
        "constants": dict(task.constants),
        "sequence": [moves[move]._asdict() for move in walk.path],
        "growing": [field.name for field in walk.growing],
    }
