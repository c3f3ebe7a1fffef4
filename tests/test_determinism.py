"""A run is a function of its files and its seed alone."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from hashlib import sha256
from typing import Any

import numpy as np
import pytest

from sim.bench.run import Bench, Run, simulate
from sim.bench.tapes import Tapes, draw
from sim.world import machine, senses

# A wet start with every kind of chance at work: noise, spikes, bounce, films, flicker and lost samples.
SCENARIO: dict[str, Any] = {
    "controller": "first_draft",
    "water": {"kind": "pool"},
    "attitude": "towed",
    "rider": [
        {"at_s": 0.4, "mode_button": True},
        {"at_s": 1.2, "deadman": True},
        {"at_s": 1.3, "lever_frac": 1.0},
    ],
    "faults": [
        {"kind": "sensor_dropped", "at_s": 1.0, "amount": 0.2},
        {"kind": "deadman_intermittent", "at_s": 1.5, "until_s": 1.8},
    ],
    "seed": 11,
    "duration_s": 2.0,
}

PROGRAM = """
import sys
sys.path.insert(0, sys.argv[1])
from conftest import moorhen_bench
from test_determinism import SCENARIO, fingerprint, simulate
print(fingerprint(simulate(moorhen_bench(**SCENARIO))))
"""


def fingerprint(run: Run) -> str:
    """A hash of every bit of the table, and of the events in words."""
    digest = sha256(run.table.t_us.tobytes())
    for name, column in run.table.columns.items():
        digest.update(name.encode())
        digest.update(column.tobytes())
    digest.update(repr(run.events).encode())
    return digest.hexdigest()


@pytest.fixture(scope="module")
def first(moorhen: Callable[..., Bench]) -> Run:
    return simulate(moorhen(**SCENARIO))


def test_the_run_is_worth_comparing(first: Run) -> None:
    """The scenario drives, and its contacts leak: chance and physics both had a say."""
    assert first.table["left_thrust_n"].max() > 50.0
    assert first.table["button_leak_siemens"].std() > 0.0


def test_same_files_and_seed_give_the_same_run(first: Run, moorhen: Callable[..., Bench]) -> None:
    """Run again, every bit of the table and every event is the same."""
    assert fingerprint(simulate(moorhen(**SCENARIO))) == fingerprint(first)


@pytest.mark.parametrize("hash_seed", ["0", "4242"])
def test_another_process_gives_the_same_run(first: Run, hash_seed: str) -> None:
    """A fresh process with its own hash seed makes the same run, bit for bit."""
    environment = os.environ | {"PYTHONHASHSEED": hash_seed}
    here = os.path.dirname(__file__)
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, here], env=environment, capture_output=True, text=True, check=True, cwd=here
    )
    assert done.stdout.strip() == fingerprint(first)


def test_another_seed_gives_another_run(first: Run, moorhen: Callable[..., Bench]) -> None:
    """Another seed changes the noise and the films, not the hand."""
    other = simulate(moorhen(**SCENARIO | {"seed": 12}))
    for name in ("hall_v", "button_leak_siemens", "bus_mv"):
        assert not np.array_equal(other.table[name], first.table[name])
    assert np.array_equal(other.table["lever_frac"], first.table["lever_frac"])


def columns(tapes: Tapes) -> dict[str, Any]:
    both = [(senses.Tape, tapes.senses), (machine.Tape, tapes.machine)]
    return {name: tape[:, index] for fields, tape in both for index, name in enumerate(fields._fields)} | tapes.rider


def drawn(bench: Bench) -> dict[str, Any]:
    return columns(draw(bench.scenario, bench.vehicle, bench.water))


# What is added, and the columns that may differ for it.
ADDED: list[tuple[dict[str, Any], set[str]]] = [
    ({"vehicle_set": {"sensor.spike_rate_hz": 40.0}}, {"hall_noise_v"}),
    ({"vehicle_set": {"readings.bus_noise_v_rms": 0.5}}, {"bus_noise_v"}),
    ({"vehicle_set": {"deadman.film.splash_rate_hz": 5.0}}, {"deadman_leak_siemens"}),
    ({"faults": [*SCENARIO["faults"], {"kind": "button_intermittent", "at_s": 1.7}]}, {"button_closed"}),
    ({"faults": [*SCENARIO["faults"], {"kind": "sensor_noise", "at_s": 1.9, "amount": 0.1}]}, {"hall_noise_v"}),
    ({"faults": SCENARIO["faults"][1:]}, {"hall_lost"}),
]


@pytest.mark.parametrize(("change", "touched"), ADDED)
def test_added_noise_leaves_the_other_streams(
    change: dict[str, Any], touched: set[str], moorhen: Callable[..., Bench]
) -> None:
    """A source of chance added, or taken away, changes its own column and no other."""
    plain, changed = drawn(moorhen(**SCENARIO)), drawn(moorhen(**SCENARIO | change))
    differing = {name for name, column in plain.items() if not np.array_equal(column, changed[name])}
    assert differing == touched
