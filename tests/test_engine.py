"""Both engines: the same bits, and no old code, whatever the controller is written like."""

from __future__ import annotations

import os
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from textwrap import dedent
from types import FunctionType

import numpy as np
import pytest
from conftest import moorhen_bench

from controllers import reference
from sim.base import codestore
from sim.base.compile import callees
from sim.base.errors import InputError
from sim.base.identity import identity
from sim.bench import engine, loop
from sim.bench.loop import ControllerError
from sim.bench.run import Bench, Run, prepare, set_up, simulate
from sim.jobs.case import load_case
from sim.world import machine, senses

SUITE = sorted((Path(__file__).parent / "scenarios").glob("*.scenario.yaml"))
RIDE = {
    "duration_s": 5.0,
    "water": {"kind": "pool"},
    "rider": [{"at_s": 0.0, "deadman": "false"}, {"at_s": 3.3, "deadman": "true"}, {"at_s": 3.6, "lever_frac": 1.0}],
}


@pytest.fixture(scope="session", autouse=True)
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Machine code of these tests, away from the user's."""
    before = os.environ.get("DRYDIVE_CODE")
    folder = tmp_path_factory.getbasetemp().parent / "drydive-code"
    os.environ["DRYDIVE_CODE"] = str(folder)
    yield folder
    if before is None:
        del os.environ["DRYDIVE_CODE"]
    else:
        os.environ["DRYDIVE_CODE"] = before


def on(bench: Bench, name: str) -> Run:
    return simulate(replace(bench, engine=name))


def same(one: Run, other: Run) -> bool:
    """Every column of two runs, bit for bit."""
    return set(one.table.names) == set(other.table.names) and all(
        np.array_equal(one.table[name].view(np.int64), other.table[name].view(np.int64))
        for name in one.table.names
        if one.table[name].dtype == np.float64
    )


@pytest.mark.parametrize("path", SUITE, ids=lambda path: path.name.split(".")[0])
def test_every_scenario_gives_the_same_bits_compiled(path: Path) -> None:
    """The compiled engine's record of each scenario of the suite is the interpreted one's, bit for bit."""
    bench = load_case(path).bench
    ready = prepare(bench)
    compiled = simulate(replace(bench, engine="compiled"), prepared=ready)
    interpreted = simulate(replace(bench, engine="interpreted"), prepared=ready)
    assert compiled.engine == engine.Engine("compiled")
    assert same(compiled, interpreted)


BARE = """
from typing import NamedTuple
from controllers.board import Command, Inputs
{above}

class Params(NamedTuple):
    tick_us: int
    gain: int = 3


class State(NamedTuple):
    ticks: int


def initial(params):
    return State(ticks=0)


def step(params, state, inputs):
    ticks = state.ticks + 1
    pulse = 1000 + inputs.hall_counts // 8
    {body}
    return State(ticks=ticks), Command(
        left_pulse_us=pulse, right_pulse_us=pulse, power_step=1, display=1, mode=0, reason=0, lever_permille=0
    )
"""

LOOSE = {
    "a float": ("", "pulse = int(pulse * 1.01)"),
    "a true division": ("", "pulse = int(pulse / 2) * 2"),
    "a power": ("", "pulse = pulse + 2 ** (ticks % 3)"),
    "a shift by a variable": ("", "pulse = pulse + (1 << (ticks % 5))"),
    "a mapping": ("TABLE = {0: 1, 1: 7}", "pulse = pulse + TABLE[ticks % 2]"),
    "a list that changes": ("SEEN = []", "SEEN.append(ticks); pulse = pulse + len(SEEN) % 3"),
    "a text": ("", "pulse = pulse + len(str(ticks))"),
    "a formatted text": ("", "pulse = pulse + len(f'{ticks}')"),
    "a generator": ("", "pulse = pulse + sum(n for n in range(ticks % 4))"),
    "a closure": ("", "pulse = (lambda more: pulse + more)(ticks % 2)"),
    "a caught error": (
        "",
        """
    try:
        pulse = pulse + 10 // (ticks % 3)
    except ZeroDivisionError:
        pulse = 1000
    """.strip(),
    ),
}


def written(folder: Path, above: str = "", body: str = "pass", name: str = "own.py") -> Path:
    path = folder / name
    path.write_text(BARE.format(above=above, body=body), encoding="utf-8")
    return path


def bench_of(path: Path) -> Bench:
    return moorhen_bench(controller=str(path), **RIDE)


@pytest.mark.parametrize("what", LOOSE)
def test_a_controller_out_of_style_is_called_back(tmp_path: Path, what: str) -> None:
    """What the compiler might take otherwise than Python runs interpreted in the compiled world, with the reason."""
    bench = bench_of(written(tmp_path, *LOOSE[what]))
    mixed = on(bench, "compiled")
    assert mixed.engine.name in (engine.MIXED, "compiled")
    assert (mixed.engine.why != "") == (mixed.engine.name == engine.MIXED)
    assert same(mixed, on(bench_of(written(tmp_path, *LOOSE[what])), "interpreted"))


def test_the_reason_names_the_place(tmp_path: Path) -> None:
    """A builder can find what keeps the controller from compiling."""
    mixed = on(bench_of(written(tmp_path, body="pulse = int(pulse * 1.01)")), "compiled")
    assert "own.py" in mixed.engine.why
    assert "floating point" in mixed.engine.why


@pytest.mark.parametrize(
    "body",
    [
        "pulse = 7 // (1000 - ticks)",
        "pulse = pulse * 10_000_000 if ticks > 800 else pulse",
        "pulse = -pulse * 10_000_000 if ticks > 900 else pulse",
    ],
    ids=["divides by zero", "leaves 32 bits upwards", "leaves 32 bits downwards"],
)
def test_a_step_that_fails_fails_alike(tmp_path: Path, body: str) -> None:
    """Place, moment and reason of a controller's error are the same on both engines."""
    bench = bench_of(written(tmp_path, body=body))
    told = []
    for name in ("compiled", "interpreted"):
        with pytest.raises(ControllerError) as caught:
            on(bench, name)
        told.append(str(caught.value))
    assert told[0] == told[1]


def test_a_state_beyond_32_bits_is_as_python_has_it(tmp_path: Path) -> None:
    """Numbers that outgrow the machine word go on in Python, which never wraps."""
    body = "ticks = ticks * 1_000_003 if ticks > 1 else ticks\n    pulse = 1000 + ticks % 997"
    bench = bench_of(written(tmp_path, body=body))
    assert same(on(bench, "compiled"), on(bench, "interpreted"))


def test_a_tuple_that_is_no_command_is_refused_alike(tmp_path: Path) -> None:
    """The compiled engine takes no other tuple of seven numbers for a command."""
    path = written(tmp_path, above="class Other(NamedTuple):\n    " + "\n    ".join(f"f{n}: int" for n in range(7)))
    path.write_text(path.read_text().replace("Command(", "Other(*(").replace("left_pulse_us=", "").replace(
        "right_pulse_us=", "").replace("power_step=", "").replace("display=", "").replace("mode=", "").replace(
        "reason=", "").replace("lever_permille=0", "0)"), encoding="utf-8")  # fmt: skip
    with pytest.raises(ControllerError, match="must give back a Command"):
        on(bench_of(path), "compiled")


def test_a_controller_edited_in_place_runs_as_edited(tmp_path: Path) -> None:
    """The second of two versions of one file, saved within the same second, is what runs."""
    before = on(bench_of(written(tmp_path)), "compiled")
    after = on(bench_of(written(tmp_path, body="pulse = pulse + 1")), "compiled")
    assert before.engine.name == after.engine.name == "compiled"
    moved = before.table["left_pulse_us"] > 0
    assert np.array_equal(after.table["left_pulse_us"][moved], before.table["left_pulse_us"][moved] + 1.0)


KEPT = """
    import sys, numba
    from types import FunctionType
    from sim.base import codestore
    from sim.base.compile import compiled
    from sim.base.identity import identity
    sys.path.insert(0, sys.argv[1])
    import upper
    key = identity(upper.top)
    before = codestore.kept(key)
    with codestore.storing(key) as keeping:
        print(before, compiled(upper.top, cache=keeping)(1))
"""


def test_a_changed_callee_deep_down_never_runs_old_code(tmp_path: Path) -> None:
    """Machine code is found again when nothing changed, and not when a constant two modules away did."""
    (tmp_path / "upper.py").write_text("import lower\n\ndef top(x):\n    return lower.middle(x) + 1\n")
    told = []
    for constant in (10, 10, 20):
        (tmp_path / "lower.py").write_text(
            f"AMOUNT = {constant}\n\ndef deep(x):\n    return x + AMOUNT\n\ndef middle(x):\n    return deep(x)\n"
        )
        told.append(
            subprocess.run(
                [sys.executable, "-B", "-c", dedent(KEPT), str(tmp_path)],
                capture_output=True, text=True, check=True, env={**os.environ, "DRYDIVE_CODE": str(tmp_path / "code")},
            ).stdout.strip()
        )  # fmt: skip
    assert told == ["False 12", "True 12", "False 22"]


REACHED = [machine.step, senses.step, reference.step]


@pytest.mark.parametrize(
    ("top", "part"),
    [
        (top, part)
        for top in REACHED
        if isinstance(top, FunctionType)
        for part in callees(top)
        if any(type(constant) in (int, float) for constant in part.__code__.co_consts)
    ],
    ids=lambda each: f"{each.__module__}.{each.__name__}",
)
def test_every_part_counts_in_the_identity(
    monkeypatch: pytest.MonkeyPatch, top: FunctionType, part: FunctionType
) -> None:
    """One constant changed anywhere below a step makes another identity, hence other machine code."""
    before = identity(top)
    constants = part.__code__.co_consts
    index = next(index for index, each in enumerate(constants) if type(each) in (int, float))
    changed = (*constants[:index], constants[index] + 1, *constants[index + 1 :])
    monkeypatch.setattr(part, "__code__", part.__code__.replace(co_consts=changed))
    assert before is not None
    assert identity(top) != before


def test_a_store_that_cannot_be_written_is_no_fault(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without a folder to keep code in, it is compiled for this run alone."""
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("DRYDIVE_CODE", str(tmp_path / "file" / "code"))
    with codestore.storing("0123") as keeping:
        assert not keeping


def test_the_store_keeps_what_was_used_last(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Old versions go, the newest stay."""
    monkeypatch.setenv("DRYDIVE_CODE", str(tmp_path))
    for number in range(codestore.KEPT + 5):
        (tmp_path / f"{number:03}").mkdir()
        os.utime(tmp_path / f"{number:03}", (1000 + number, 1000 + number))
    with codestore.storing("new") as keeping:
        assert keeping
    left = {each.name for each in tmp_path.iterdir()}
    assert len(left) == codestore.KEPT
    assert "new" in left
    assert "000" not in left


def test_an_unknown_engine_is_one_line() -> None:
    """The words are listed, and the nearest is offered."""
    bench = moorhen_bench(controller="first_draft", **RIDE)
    with pytest.raises(InputError, match="engine: expected one of auto, interpreted, compiled"):
        on(bench, "compilde")


def test_a_short_run_is_not_worth_a_compiler() -> None:
    """A minute is compiled if anything is kept, a blink is not: asked of a process that has loaded nothing."""
    code = (
        "from sim.bench import engine; from sim.bench.control import load_controller;"
        "print(engine.choose('auto', load_controller('reference', 1000), 100).name)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.strip() == "interpreted"


@pytest.mark.parametrize(("name", "seconds"), [("compiled", 60.0), ("interpreted", 6.0)])
def test_a_minute_stays_under_a_hundred_megabytes(name: str, seconds: float) -> None:
    """The peak of all memory that Python and numpy hold; interpreted, where tracing is slow, for 6 s.

    What does not grow with the run is some 5 MB.
    """
    if name == "compiled":
        on(moorhen_bench(**RIDE | {"controller": "first_draft"}), name)
    bench = moorhen_bench(**RIDE | {"duration_s": seconds, "controller": "first_draft"})
    tracemalloc.start()
    try:
        on(bench, name)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 5e6 + 95e6 * seconds / 60.0


def test_few_columns_are_the_same_columns() -> None:
    """A run that keeps only some columns keeps the same numbers."""
    bench = moorhen_bench(**RIDE | {"controller": "first_draft"})
    ready = prepare(bench)
    names = ("left_thrust_n", "bus_v", "mode")
    for chosen in (engine.Engine("compiled"), engine.Engine("interpreted"), engine.Engine(engine.MIXED)):
        few = engine.run(chosen, bench.controller, *ready, columns=names)
        whole = engine.run(engine.Engine("interpreted"), bench.controller, *ready)
        assert np.array_equal(few, whole[[loop.RECORDED.index(name) for name in names]])


def test_set_up_takes_the_engine_for_granted() -> None:
    """A bench is on `auto` unless told otherwise."""
    bench = moorhen_bench(controller="first_draft", **RIDE)
    assert set_up(bench.scenario, bench.path).engine == "auto"
