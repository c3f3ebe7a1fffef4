"""The ranges found for a program hold for every number of every run."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from chip_programs import HEAD, Machine, Maker, any_number, flat, module_of
from controller_runs import any_inputs, any_params
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controllers import reference
from controllers.board import Inputs
from sim.base.errors import InputError
from sim.bench.control import Controller, Watched, load_controller
from sim.chip.invariant import Proof, prove
from sim.chip.reading import read_program
from sim.chip.tree import Expr, Program, leaves


class Inside:
    """Fails at the first number outside the range that was found for it."""

    def __init__(self, proof: Proof) -> None:
        self.ranges = proof.findings.ranges

    def __call__(self, expr: Expr, value: int) -> None:
        within = self.ranges.get(expr)
        assert within is not None, f"{expr.place.line}: {expr.place.source.segment(expr.place.node)} never expected"
        assert within.low <= value <= within.high, (expr.place.source.segment(expr.place.node), within, value)


def proved(module: ModuleType, params: Any) -> tuple[Program, Proof] | None:
    """A program and what was proved of it; None where it was refused."""
    program = read_program(module.initial, module.step, params)
    try:
        return program, prove(program)
    except InputError:
        return None


def runs(module: ModuleType, rng: random.Random, ticks: int) -> Iterator[Any]:
    """Inputs held for a while each, the ends of 32 bits among them."""
    for _ in range(ticks):
        sample = module.Inputs(*(any_number(rng) for _ in module.Inputs._fields))
        for _ in range(rng.choice([1, 1, 5])):
            yield sample


def follow(program: Program, proof: Proof, module: ModuleType, params: Any, inputs: Iterator[Any]) -> None:
    """Run the tree and the Python side by side; every number inside its range, every answer the same."""
    machine = Machine(Inside(proof))
    state = machine.call(program.initial)
    assert state == module.initial(params)
    for sample in inputs:
        after = machine.call(program.step, state, sample)
        assert after == module.step(params, state, sample)
        state, command = after
        for value, within in zip(flat(state) + flat(command), proof.state + proof.command, strict=True):
            assert within.low <= value <= within.high


# The folder is only for source files, each under a new name.
SHARED = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])


@SHARED
@given(st.randoms(use_true_random=False))
def test_random_programs_stay_inside_their_ranges(tmp_path: Path, rng: random.Random) -> None:
    """Every number in runs of a random program lies in its range, and the tree does what Python does."""
    module = module_of(Maker(rng).source(), tmp_path)
    params = module.Params(tick_us=1000, gain=rng.randint(-20, 20), zero=0)
    found = proved(module, params)
    if found is not None:
        follow(*found, module, params, runs(module, rng, 40))


def test_most_random_programs_are_proved(tmp_path: Path) -> None:
    """Few random programs are refused, since their numbers are small: the test above has something to do."""
    rng = random.Random(5)
    modules = [module_of(Maker(rng).source(), tmp_path) for _ in range(40)]
    count = sum(proved(module, module.Params(tick_us=1000, gain=3, zero=0)) is not None for module in modules)
    assert count >= 30


CONTROLLERS = [("first_draft", None), ("reference", None), ("reference", "reference_button")]


@pytest.mark.parametrize(("name", "params"), CONTROLLERS)
def test_shipped_controllers_stay_inside_their_ranges(name: str, params: str | None) -> None:
    """Every number in runs of a shipped controller, wild inputs among them, lies in its range."""
    controller = load_controller(name, 1000, params)
    module = plain(controller)
    found = proved(module, controller.params)
    assert found is not None
    follow(*found, module, controller.params, any_inputs(random.Random(name), 200))


@pytest.mark.parametrize("seed", range(4))
def test_any_parameters_of_the_reference_are_proved(seed: int) -> None:
    """With parameters at random ends of their LIMITS, as far as they hold together, nothing leaves 32 bits either."""
    params = any_params(reference, "reference.yaml", random.Random(seed))
    assert proved(reference, params) is not None


def test_a_test_of_many_parts_takes_a_moment(tmp_path: Path) -> None:
    """Twelve pairs joined by `or`, which could turn out 2**12 ways, are no more work than a few (common practice)."""
    clauses = " or ".join(f"(inputs.a > {7 * n} and inputs.b < {-5 * n})" for n in range(12))
    body = f"x = 1 if {clauses} else 2\n    if not ({clauses}):\n        x = x + 1"
    began = time.process_time()
    assert command_range(step_of("x", body=body), tmp_path, "x") == (1, 3)
    assert time.process_time() - began < 5.0


def plain(controller: Controller) -> ModuleType:
    """A controller's two functions, without what the bench puts around them."""
    module = ModuleType(controller.name)
    assert isinstance(controller.step, Watched)
    module.step, module.initial = controller.step.bare, controller.initial  # type: ignore[attr-defined]
    return module


def command_range(source: str, folder: Path, field: str, **params: int) -> tuple[int, int]:
    """The range of a field of the command."""
    module = module_of(HEAD + source, folder)
    found = proved(module, module.Params(**{"tick_us": 1000, "gain": 3, "zero": 0, **params}))
    assert found is not None
    return tuple(found[1].command[list(leaves(found[0].command)).index(field)])  # type: ignore[return-value]


STEP = """
def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    {body}
    return State(pair=state.pair, count={count}), Command(x={x}, y=0)
"""


def step_of(x: str, count: str = "state.count", body: str = "pass") -> str:
    return STEP.format(body=body, x=x, count=count)


def test_a_timer_that_saturates_has_its_end(tmp_path: Path) -> None:
    """min(t + tick, LIMIT) from 1 on runs from 1 to LIMIT."""
    assert command_range(step_of("state.count", "min(state.count + params.tick_us, LIMIT)"), tmp_path, "x") == (1, 500)


def test_a_counter_compared_before_it_grows_has_its_end(tmp_path: Path) -> None:
    """Grown by 7 only below LIMIT, a count from 1 on goes no further than LIMIT + 6."""
    count = "state.count + 7 if state.count < LIMIT else state.count"
    low, high = command_range(step_of("state.count", count), tmp_path, "x")
    assert low == 1
    assert 500 <= high <= 506


def test_a_slow_average_stays_inside_its_input(tmp_path: Path) -> None:
    """count + (a - count) // 16 of an input from 0 to LIMIT never leaves that range, by hand."""
    body = "a = min(max(inputs.a, 0), LIMIT)"
    low, high = command_range(step_of("state.count", "state.count + (a - state.count) // 16", body), tmp_path, "x")
    assert (low, high) == (0, 500)


def test_a_parameter_counts_with_its_value(tmp_path: Path) -> None:
    """A product with a parameter has the range of that parameter's value."""
    source = step_of("params.gain * min(max(inputs.a, 0), 10)")
    assert command_range(source, tmp_path, "x", gain=7) == (0, 70)
    assert command_range(source, tmp_path, "x", gain=-2) == (-20, 0)


def refusal(source: str, folder: Path, **params: int) -> list[str]:
    module = module_of(HEAD + source, folder)
    program = read_program(module.initial, module.step, module.Params(**{"tick_us": 1, "gain": 3, "zero": 0, **params}))
    with pytest.raises(InputError) as caught:
        prove(program)
    return [str(fault).split(".py:", 1)[1] for fault in caught.value.faults]


# Line of the body in the file that these sources make.
BODY = (HEAD + STEP).splitlines().index("    {body}") + 1


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("x = inputs.a + 1", "9: inputs.a + 1: expected {fits}; got range -2147483647..2147483648"),
        ("x = inputs.a * 2 - 1", "9: inputs.a * 2: expected {fits}; got range -4294967296..4294967294"),
        ("x = -inputs.a", "9: -inputs.a: expected {fits}; got range -2147483647..2147483648"),
        ("x = abs(inputs.a)", "9: abs(inputs.a): expected {fits}; got range 0..2147483648"),
        ("x = inputs.a // -1", "9: inputs.a // -1: expected {fits}; got range -2147483647..2147483648"),
        ("x = 1 << 31", "9: 1 << 31: expected {fits}; got range 2147483648..2147483648"),
        ("x = 3_000_000_000 - inputs.a // 2", "9: 3_000_000_000: expected {fits}; got range 3000000000..3000000000"),
        (
            "x = 5 // inputs.a",
            "9: 5 // inputs.a: expected a divisor that is never 0; got range -2147483648..2147483647",
        ),
        ("x = 5 % params.zero", "9: 5 % params.zero: expected a divisor that is never 0; got range 0..0"),
        ("x = 1 >> 32", "9: 1 >> 32: expected a shift by 0 to 31; got range 32..32"),
        ("x = 1 << inputs.a", "9: 1 << inputs.a: expected a shift by 0 to 31; got range -2147483648..2147483647"),
        (
            "for x in range(inputs.a): pass",
            "20: inputs.a: expected a fixed number of turns, at most 1000; got range -2147483648..2147483647",
        ),
        (
            "for x in range(1001): pass",
            "20: 1001: expected a fixed number of turns, at most 1000; got range 1001..1001",
        ),
    ],
)
def test_what_could_leave_32_bits_is_refused(body: str, said: str, tmp_path: Path) -> None:
    """The fault names the line, the column, the expression and the range that it could have."""
    fits = "a value inside 32 bits (-2147483648..2147483647)"
    said = said.format_map({"fits": fits, "any": "-2147483648..2147483647"})
    assert f"{BODY}:{said}" in refusal(step_of("0", body=body), tmp_path)


def test_a_state_that_grows_for_ever_is_refused_where_it_grows(tmp_path: Path) -> None:
    """A count with nothing to stop it is refused at its sum."""
    (said,) = refusal(step_of("0", "state.count + 1"), tmp_path)
    assert "state.count + 1: expected a value inside 32 bits" in said
    assert said.endswith("..2147483648")


def test_a_sum_of_any_input_is_refused_and_of_a_clamped_one_is_not(tmp_path: Path) -> None:
    """Inputs may be any number of 32 bits, until the code clamps them."""
    assert refusal(
        step_of("inputs.hall_counts if False else inputs.a * 10".replace("inputs.hall_counts if False else ", "")),
        tmp_path,
    )
    assert command_range(step_of("min(max(inputs.a, -5), 5) * 10"), tmp_path, "x") == (-50, 50)


def test_an_example_of_the_documents_is_proved(tmp_path: Path) -> None:
    """The controller that docs/writing-a-controller.md shows is one that can be exported."""
    text = (Path(__file__).parent.parent / "docs" / "writing-a-controller.md").read_text(encoding="utf-8")
    module = module_of(text.split("```python\n", 1)[1].split("```", 1)[0], tmp_path)
    params = module.Params(tick_us=1000, deadman_ms=30, ramp_ms=800)
    found = proved(module, params)
    assert found is not None
    assert issubclass(found[0].inputs, Inputs)
