"""Controllers of one's own: what is said of a file that does not load, does not fit, or answers with nonsense."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from file_cases import command, controller, faults, scenario

from controllers.board import Command, Inputs
from sim.bench.control import Controller, load_controller, shipped_controllers
from sim.bench.loop import ControllerError
from sim.bench.run import simulate
from sim.jobs.case import load_case

PINS = Inputs(600, 5000, 55_000, 0, 0, 0, 1, -1, -1)


def said(path: Path, params: str | None = None, overrides: dict[str, int] | None = None) -> list[str]:
    """What is said of a controller file."""
    return faults(lambda: load_controller(path.name, 1000, params, overrides, path.parent), path.parent)


def loaded(path: Path, overrides: dict[str, int] | None = None) -> Controller:
    """The controller of a file, with its parameters."""
    return load_controller(path.name, 1000, None, overrides, path.parent)


def test_the_good_controller_loads(tmp_path: Path) -> None:
    """The controller that the other tests change is right as it stands."""
    made = loaded(controller(tmp_path))
    assert made.step(made.params, made.initial(made.params), PINS)[1] == Command(1000, 1000, 1, 1, 0, 0, 0)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ({"step": "def step(:\n"}, "mine.py:13:10: expected valid Python; got invalid syntax"),
        (
            {"step": "def step(p):\nx\n"},
            "mine.py:14:1: expected valid Python; got expected an indented block after function definition on line 13",
        ),
        ({"step": "1 / 0\n"}, "mine.py:13: expected a controller that loads; got ZeroDivisionError: division by zero"),
        ({"step": "raise SystemExit(0)\n"}, "mine.py:13: expected a controller that loads; got SystemExit: 0"),
        (
            {"head": "import nonsuch\n"},
            "mine.py:1: expected a controller that loads; got ModuleNotFoundError: No module named 'nonsuch'",
        ),
        (
            {"step": "import json\njson.loads('x')\n"},
            "mine.py:14: expected a controller that loads; got JSONDecodeError: Expecting value: line 1 column 1",
        ),
        (
            {"step": "def turn():\n    turn()\nturn()\n"},
            "mine.py:14: expected a controller that loads; got RecursionError: maximum recursion depth exceeded",
        ),
        ({"step": None}, "mine.py: expected Params, State, initial, step in a controller; got no step"),
        (
            {"State": None, "initial": None},
            "mine.py: expected Params, State, initial, step in a controller; got no State, initial",
        ),
        ({"step": "step = 3\n"}, "mine.py: step: expected a function of parameters, state and inputs; got 3"),
        ({"initial": "initial = None\n"}, "mine.py: initial: expected a function of the parameters; got None"),
        ({"Params": "Params = dict\n"}, "mine.py: Params: expected a NamedTuple of whole numbers; got <class 'dict'>"),
        (
            {"LIMITS": "LIMITS = [1]\n"},
            "mine.py: LIMITS: expected a mapping of parameter to its lowest and highest value; got [1]",
        ),
        (
            {"LIMITS": "LIMITS = {'pulse_us': 3}\n"},
            "mine.py: LIMITS: expected a mapping of parameter to its lowest and highest value; got {'pulse_us': 3}",
        ),
        ({"MODES": "MODES = ['on']\n"}, "mine.py: MODES: expected a mapping of whole number to text; got ['on']"),
        (
            {"REASONS": "REASONS = {0: None}\n"},
            "mine.py: REASONS: expected a mapping of whole number to text; got {0: None}",
        ),
        (
            {"initial": "def initial(p):\n    return 1 / 0\n"},
            "mine.py:12: expected an initial state; got ZeroDivisionError:",
        ),
        (
            {"MODES": "def faults(p):\n    return 1 / 0\n"},
            "mine.py:10: expected a list of faults; got ZeroDivisionError: division by zero",
        ),
        (
            {"MODES": "def faults(p):\n    return ['pulse_us']\n"},
            "mine.py: expected a list of (key, expected, got) from faults; got ['pulse_us']",
        ),
        (
            {"MODES": "def faults(p):\n    return [('pulse_us', 'more than 2000', 1000)]\n"},
            "mine.py: pulse_us: expected more than 2000; got 1000",
        ),
        (
            {"Params": "class Params(NamedTuple):\n    rest: int\n"},
            "mine.py: rest: expected this key, with a whole number, ",
        ),
        (
            {"Params": "class Params(NamedTuple):\n    rest: float = 0.5\n"},
            "mine.py: rest: expected a whole number as default; got 0.5",
        ),
        (
            {"LIMITS": "LIMITS = {'tick_us': (2000, 5000)}\n"},
            "control_hz: expected a control tick of 2000 to 5000 us with this controller; got 1000 us",
        ),
    ],
)
def test_a_file_that_does_not_fit_is_one_fault(tmp_path: Path, parts: dict[str, str | None], expected: str) -> None:
    """What is wrong with a controller's file is said before any run, with its line where Python knows it."""
    (line,) = said(controller(tmp_path, **parts))
    assert line.startswith(expected)


def test_a_zero_character_is_no_python(tmp_path: Path) -> None:
    """A controller file with a zero byte is one fault, whatever Python's version calls it."""
    (line,) = said(controller(tmp_path, step="\0"))
    assert line.startswith("mine.py: expected ")
    assert line.endswith("source code string cannot contain null bytes")


def test_bytes_that_are_no_text_are_told(tmp_path: Path) -> None:
    """A controller file that is no UTF-8 is one fault with its place."""
    (tmp_path / "mine.py").write_bytes(b"x = 1\n# \xe4\n")
    assert said(tmp_path / "mine.py") == ["mine.py:2:3: expected a controller file in UTF-8; got the byte 0xe4"]


def test_a_folder_is_no_controller(tmp_path: Path) -> None:
    """A folder named like a controller is one fault."""
    (tmp_path / "mine.py").mkdir()
    assert said(tmp_path / "mine.py") == ["mine.py: expected a controller file; got is a directory"]


def test_a_controller_may_be_changed_and_loaded_again(tmp_path: Path) -> None:
    """A second load reads the file as it is then."""
    first = loaded(controller(tmp_path))
    second = loaded(controller(tmp_path, answer=command(left="1234")))
    assert second.step(second.params, second.initial(second.params), PINS)[1].left_pulse_us == 1234
    assert first.path == second.path


@pytest.mark.parametrize(
    ("answer", "cause"),
    [
        (command(left="1000.0"), "left_pulse_us must be a whole number of 32 bits; got 1000.0"),
        (command(right="True"), "right_pulse_us must be a whole number of 32 bits; got True"),
        (command(right="None"), "right_pulse_us must be a whole number of 32 bits; got None"),
        (command(left="float('nan')"), "left_pulse_us must be a whole number of 32 bits; got nan"),
        (command(left="10**400"), "left_pulse_us must be a whole number of 32 bits; got 1000"),
        (command(left="2**31"), "left_pulse_us must be a whole number of 32 bits; got 2147483648"),
        (command(lever="-2**31 - 1"), "lever_permille must be a whole number of 32 bits; got -2147483649"),
        (command(step="1.5"), "power_step must be a whole number of 32 bits; got 1.5"),
        (command(mode="'drive'"), "mode must be a whole number of 32 bits; got 'drive'"),
        (command(reason="[]"), "reason must be a whole number of 32 bits; got []"),
        ("None", "step must give back a Command beside the state; got None"),
        ("(1000, 1000)", "step must give back a Command beside the state; got (1000, 1000)"),
        ("State(1)", "step must give back a Command beside the state; got State(ticks=1)"),
    ],
)
def test_an_answer_that_is_no_command_is_refused(tmp_path: Path, answer: str, cause: str) -> None:
    """Each field of a command is a whole number as a chip holds it; anything else names the field and the value."""
    made = loaded(controller(tmp_path, answer=answer))
    with pytest.raises(TypeError) as raised:
        made.step(made.params, made.initial(made.params), PINS)
    assert str(raised.value).startswith(cause)


@pytest.mark.parametrize("step", ["return None", "return State(1)", "return State(1), 2, 3", "pass"])
def test_a_step_gives_back_two_things(tmp_path: Path, step: str) -> None:
    """A step that gives back anything but state and command is refused."""
    made = loaded(controller(tmp_path, step=f"def step(p, s, i):\n    {step}\n"))
    with pytest.raises(TypeError, match=r"^step must give back "):
        made.step(made.params, made.initial(made.params), PINS)


def test_a_command_in_another_order_is_refused(tmp_path: Path) -> None:
    """A tuple of one's own with the same fields in another order is not taken for a command."""
    own = "\n    ".join(["class Own(NamedTuple):", *(f"{name}: int" for name in reversed(Command._fields))]) + "\n"
    made = loaded(controller(tmp_path, answer="Own(1, 1, 1, 1, 1, 1, 1)", MODES=own))
    with pytest.raises(TypeError, match="beside the state; got Own"):
        made.step(made.params, made.initial(made.params), PINS)


@pytest.mark.parametrize("edge", ["-2**31", "2**31 - 1", "0"])
def test_every_whole_number_of_32_bits_is_taken(tmp_path: Path, edge: str) -> None:
    """The ends of the range are inside it."""
    made = loaded(controller(tmp_path, answer=command(left=f"({edge})")))
    assert made.step(made.params, made.initial(made.params), PINS)[1].left_pulse_us == eval(edge)


def fails(tmp_path: Path, step: str) -> str:
    """What a run says of a step that fails at some tick."""
    controller(tmp_path, step=f"def step(p, s, i):\n{step}    return State(s.ticks + 1), {{command}}\n")
    case = load_case(scenario(tmp_path, controller="mine.py", duration_s="1.5"))
    with pytest.raises(ControllerError) as raised:
        simulate(case.bench)
    return str(raised.value).replace(f"{tmp_path}/", "")


def test_a_controller_that_raises_names_the_moment(tmp_path: Path) -> None:
    """An error at the controller's tick 1234, after the chip has booted, names file, time and error."""
    step = "    if s.ticks == 1234:\n        raise ValueError('no such gear')\n"
    # The chip runs from its 150th tick on.
    assert fails(tmp_path, step) == "mine.py:15: at 1.384 s: ValueError: no such gear"


def test_a_controller_cannot_end_the_program(tmp_path: Path) -> None:
    """A controller that asks to exit, with any code, is an error and no run that passed."""
    step = "    if s.ticks == 10:\n        raise SystemExit(0)\n"
    assert fails(tmp_path, step) == "mine.py: at 0.160 s: RuntimeError: the controller asks to exit"


def test_a_controllers_step_is_still_the_bare_function_underneath(tmp_path: Path) -> None:
    """What watches the answers leaves the function itself within reach."""
    made = loaded(controller(tmp_path))
    assert made.step.bare.__code__.co_filename == str(tmp_path / "mine.py")


def test_a_shipped_controller_can_be_sent_to_another_process() -> None:
    """A loaded controller survives pickling, as sweeps over processes need it to."""
    made = load_controller("reference", 1000)
    assert pickle.loads(pickle.dumps(made)) == made


def test_parameters_come_from_the_file_beside_the_controller(tmp_path: Path) -> None:
    """The set of the controller's own name is taken unless another is named."""
    path = controller(tmp_path)
    path.with_suffix(".yaml").write_text("pulse_us: 1100\n", encoding="utf-8")
    assert loaded(path).params == (1000, 1100)


def test_single_parameters_go_before_the_file(tmp_path: Path) -> None:
    """An override replaces the file's value, and the tick is the scenario's."""
    path = controller(tmp_path)
    path.with_suffix(".yaml").write_text("pulse_us: 1100\n", encoding="utf-8")
    assert loaded(path, {"pulse_us": 1200}).params == (1000, 1200)


def test_defaults_need_no_file(tmp_path: Path) -> None:
    """A controller with a default for each parameter runs without a parameter file."""
    assert loaded(controller(tmp_path)).params == (1000, 1000)


def test_a_relation_that_overrides_break_names_them(tmp_path: Path) -> None:
    """A relation broken between the file and an override says which keys were set on top."""
    relation = (
        "def faults(params):\n    return [('rest', 'less than full', str(params.rest))]"
        " if params.rest >= params.full else []\n"
    )
    path = controller(
        tmp_path, Params="class Params(NamedTuple):\n    rest: int = 1\n    full: int = 9\n", LIMITS=relation
    )
    path.with_suffix(".yaml").write_text("rest: 3\n", encoding="utf-8")
    assert said(path, None, {"full": 2}) == [
        "mine.yaml:1:7: rest: expected less than full; got 3 (with params_set full)"
    ]
    assert said(path, None, {"rest": 9}) == ["params_set.rest: expected less than full; got 9"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "1:1: expected a parameter file; got an empty file"),
        ("- a\n", "1:1: expected a mapping of keys; got a list"),
        ("hello\n", "1:1: expected a mapping of keys; got 'hello'"),
        ("pulse_us: 3000\n", "1:11: pulse_us: expected a whole number, 800 to 2200; got '3000'"),
        ("pulse_us: nan\n", "1:11: pulse_us: expected a whole number, 800 to 2200; got 'nan'"),
        ("pulse_us: 1e3\n", "1:11: pulse_us: expected a whole number, 800 to 2200; got '1e3'"),
        ("pulse_us: 1000.0\n", "1:11: pulse_us: expected a whole number, 800 to 2200; got '1000.0'"),
        ("pulse_us: on\n", "1:11: pulse_us: expected a whole number, 800 to 2200; got 'on'"),
        ("pulse_us:\n", "1:10: pulse_us: expected a whole number, 800 to 2200; got nothing"),
        ("pulse_us: {a: 1}\n", "1:11: pulse_us: expected a whole number, 800 to 2200; got a mapping"),
        ("tick_us: 1000\n", "1:1: tick_us: expected one of the keys pulse_us; got unknown key tick_us"),
        (
            "puls_us: 1000\n",
            "1:1: puls_us: expected one of the keys pulse_us (did you mean pulse_us?); got unknown key",
        ),
    ],
)
def test_a_parameter_file_is_read_strictly(tmp_path: Path, text: str, expected: str) -> None:
    """Anything but a known key with a whole number in its range is a fault at its place."""
    path = controller(tmp_path)
    path.with_suffix(".yaml").write_text(text, encoding="utf-8")
    (line,) = said(path)
    assert line.startswith(f"mine.yaml:{expected}")


@pytest.mark.parametrize("text", ["pulse_us: '1000'\n", "pulse_us: 0800\n", "pulse_us: +900\n", "# default\n{}\n"])
def test_whole_numbers_may_be_written_plainly(tmp_path: Path, text: str) -> None:
    """Quotes, a sign and leading zeros are still a whole number; an empty mapping leaves the defaults."""
    path = controller(tmp_path)
    path.with_suffix(".yaml").write_text(text, encoding="utf-8")
    assert 800 <= loaded(path).params.pulse_us <= 1000


@pytest.mark.parametrize("name", shipped_controllers())
@pytest.mark.parametrize("hz", [100, 1000, 4000])
def test_the_shipped_controllers_hold_at_any_rate(name: str, hz: int) -> None:
    """Each controller of the package loads with its own set from 100 Hz to 4000 Hz."""
    assert load_controller(name, 1_000_000 // hz).params.tick_us == 1_000_000 // hz


def test_only_controllers_are_offered() -> None:
    """The list of shipped controllers holds those with a step, and no helper of theirs."""
    assert shipped_controllers() == ["first_draft", "reference"]
