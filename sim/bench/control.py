"""Controllers and their parameters, found, loaded and checked (row 2)."""

from __future__ import annotations

import importlib
import sys
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any, TypeAlias, TypeVar

import controllers
from controllers.board import Command, Inputs
from sim.base.compile import callees
from sim.base.document import Place, composed, other_kind, unknown_key
from sim.base.document import written as dotted
from sim.base.errors import Fault, InputError, did_you_mean, in_file_order, shown
from sim.base.files import read_text
from sim.base.wording import given
from sim.bench.in_c import ENDING, TICK, fingerprint_in_c, module_in_c

SHIPPED = Path(controllers.__file__).parent
# What a controller's file may be written in.
SOURCES = (".py", ENDING)
NEEDED = ("Params", "State", "initial", "step")
# What a chip's plain integer holds.
WHOLE = (-(2**31), 2**31 - 1)
LOWEST, HIGHEST = WHOLE
# What a controller may state of its own times: functions of its parameters of these names, ending in _ms.
STATED = ("deadman_latency", "kill_latency", "sensor_latency", "frozen_latency", "thruster_latency", "start_delay")
NO_MARK: tuple[int | None, int | None] = (None, None)

Answer = TypeVar("Answer")
Step: TypeAlias = Callable[[Any, Any, Inputs], tuple[Any, Command]]


@dataclass(frozen=True, slots=True)
class Controller:
    """A controller with checked parameters, ready for the loop.

    `params`, and the state that `initial` makes, are the controller's own
    NamedTuples of ints.
    """

    name: str
    path: Path
    params_path: Path | None
    params: Any
    initial: Callable[[Any], Any]
    step: Step
    modes: Mapping[int, str]
    reasons: Mapping[int, str]

    @property
    def in_c(self) -> bool:
        """Whether it is C, which has no source to compile and no parameters to set."""
        return self.path.suffix == ENDING

    def in_words(self, said: str, mode: float) -> str:
        """A reason with the mode it is given in, which may tell what the controller waits for."""
        words = self.modes.get(int(mode))
        return f"{said} ({words})" if words else said

    def stated_s(self) -> dict[str, float]:
        """The times that the controller's file states, in seconds, by their names as limits (``deadman_latency_s``).

        Raises
        ------
        InputError
            It raised instead, or gave no number.
        """
        module = sys.modules[self.initial.__module__]
        return {
            f"{name}_s": _asked(self.path, f"milliseconds from {name}_ms", partial(_seconds, module, name, self.params))
            for name in STATED
            if hasattr(module, f"{name}_ms")
        }

    def fingerprint(self) -> str:
        """A hash of the source of everything the controller's step reaches, and of its parameter values."""
        if self.in_c:
            return fingerprint_in_c(self.path)
        bare = self.step.bare if isinstance(self.step, Watched) else self.step
        reached = [bare, *callees(bare)] if isinstance(bare, FunctionType) else []
        sources = sorted({self.path.resolve(), *(Path(each.__code__.co_filename).resolve() for each in reached)})
        text = "".join(source.read_text(encoding="utf-8") for source in sources) + repr(tuple(self.params))
        return sha256(text.encode()).hexdigest()[:12]


def shipped_controllers() -> list[str]:
    """Names of the controllers that come with the package."""
    return sorted(path.stem for path in SHIPPED.glob("*.py") if "\ndef step(" in path.read_text(encoding="utf-8"))


def load_controller(
    spec: str,
    tick_us: int,
    params: str | None = None,
    overrides: Mapping[str, int] | None = None,
    beside: Path = Path(),
) -> Controller:
    """A controller by name or file, with its parameter set.

    Parameters
    ----------
    spec : a shipped controller's name, or a path ending in ``.py`` or ``.c``.
    tick_us : the control tick; fills the parameter of that name where there is one.
    params : a shipped set's name or a YAML path; the set beside the controller if left out.
    overrides : single parameters set on top.
    beside : folder that relative paths start from.

    Raises
    ------
    InputError
        No such controller or set, a file that does not load, or parameters out of range; of C, any parameters or
        another control tick than its own.
    """
    path = _controller_path(spec, beside)
    in_c = path.suffix == ENDING
    module = _module_in_c(path, tick_us, params, overrides or {}) if in_c else _module(path)
    faults = _shape_faults(path, module)
    if faults:
        raise InputError(faults)
    params_path = None if in_c else _params_path(params, path, beside)
    values = _values(path, module, params_path, tick_us, overrides or {})
    # A function of the parameters alone: if it works here it works in every run.
    _asked(path, "an initial state", lambda: module.initial(values))
    return Controller(
        name=path.stem,
        path=path,
        params_path=params_path,
        params=values,
        initial=module.initial,
        step=Watched(module.step),
        modes=getattr(module, "MODES", {}),
        reasons=getattr(module, "REASONS", {}),
    )


def _controller_path(spec: str, beside: Path) -> Path:
    known = shipped_controllers()
    if spec in known:
        return SHIPPED / f"{spec}.py"
    if not spec.endswith(SOURCES):
        expected = f"a path ending in .py or .c, or one of {', '.join(known)}{did_you_mean(spec, known)}"
        raise InputError([Fault("", "controller", expected, given(spec))])
    return beside / spec


def _params_path(params: str | None, controller: Path, beside: Path) -> Path | None:
    if params is None:
        path = controller.with_suffix(".yaml")
        return path if path.is_file() else None
    known = sorted(path.stem for path in SHIPPED.glob("*.yaml"))
    if params in known:
        return SHIPPED / f"{params}.yaml"
    if not params.endswith((".yaml", ".yml")):
        expected = f"a path ending in .yaml or one of {', '.join(known)}{did_you_mean(params, known)}"
        raise InputError([Fault("", "params", expected, given(params))])
    return beside / params


def _module(path: Path) -> ModuleType:
    if path.parent == SHIPPED:
        return importlib.import_module(f"controllers.{path.stem}")
    source = read_text(path, "a controller file")
    whole = str(path.resolve())
    module = ModuleType(f"drydive_controller_{sha256(whole.encode()).hexdigest()[:12]}")
    module.__file__ = whole
    # A NamedTuple looks its module up by name.
    sys.modules[module.__name__] = module
    # Not through the import system: its byte code cache takes a file saved twice in a second for unchanged.
    _asked(path, "a controller that loads", lambda: exec(_compiled(source, whole), module.__dict__))
    return module


def _module_in_c(path: Path, tick_us: int, params: str | None, overrides: Mapping[str, int]) -> ModuleType:
    expected = f"none with {path.name}, whose parameters are constants of the C"
    faults = [Fault("", "params", expected, given(params))] if params is not None else []
    faults += [Fault("", f"params_set.{key}", expected, str(value)) for key, value in overrides.items()]
    if faults:
        raise InputError(faults)
    module = _asked(path, "a controller that runs", lambda: module_in_c(path, STATED))
    if module.TICK_US not in (0, tick_us):
        expected = f"{TICK} of {path.name}, a control tick of {module.TICK_US} us"
        raise InputError([Fault("", "control_hz", expected, f"{tick_us} us")])
    return module


def _compiled(source: str, path: str) -> CodeType:
    return compile(source, path, "exec", dont_inherit=True)


def _asked(path: Path, what: str, ask: Callable[[], Answer]) -> Answer:
    """What the controller's file answers; whatever goes wrong in it is a fault of the file."""
    try:
        return ask()
    except InputError:
        raise
    except SyntaxError as error:
        if error.filename not in (None, str(path.resolve())):
            raise InputError([Fault(str(path), "", what, f"{error.msg} in {error.filename}")]) from error
        raise InputError([Fault(str(path), "", "valid Python", error.msg, error.lineno, error.offset)]) from error
    except (Exception, SystemExit) as error:
        got = f"{type(error).__name__}: {error}"
        raise InputError([Fault(str(path), "", what, got, line_in(path, error))]) from error


def _seconds(module: ModuleType, name: str, params: Any) -> float:
    return float(getattr(module, f"{name}_ms")(params)) / 1000.0


def line_in(path: Path, error: BaseException) -> int | None:
    """The deepest line of `path` in an error's traceback."""
    frames = traceback.extract_tb(error.__traceback__)
    return next((frame.lineno for frame in reversed(frames) if frame.filename == str(path.resolve())), None)


def _shape_faults(path: Path, module: ModuleType) -> list[Fault]:
    """What a controller's file lacks, or has in another form than it must."""
    missing = [name for name in NEEDED if not hasattr(module, name)]
    if missing:
        return [Fault(str(path), "", f"{', '.join(NEEDED)} in a controller", f"no {', '.join(missing)}")]
    shapes = {
        "Params": ("a NamedTuple of whole numbers", _is_named_tuple),
        "initial": ("a function of the parameters", callable),
        "step": ("a function of parameters, state and inputs", callable),
        "faults": ("a function of the parameters", callable),
        "LIMITS": ("a mapping of parameter to its lowest and highest value", _is_limits),
        "MODES": ("a mapping of whole number to text", _is_words),
        "REASONS": ("a mapping of whole number to text", _is_words),
    }
    return [
        Fault(str(path), name, expected, shown(getattr(module, name)))
        for name, (expected, fits) in shapes.items()
        if hasattr(module, name) and not fits(getattr(module, name))
    ]


def _is_named_tuple(value: object) -> bool:
    return isinstance(value, type) and issubclass(value, tuple) and hasattr(value, "_fields")


def _is_limits(value: object) -> bool:
    return isinstance(value, Mapping) and all(
        isinstance(pair, tuple) and len(pair) == 2 and all(type(end) is int for end in pair) for pair in value.values()
    )


def _is_words(value: object) -> bool:
    return isinstance(value, Mapping) and all(type(key) is int and type(text) is str for key, text in value.items())


@dataclass(frozen=True, slots=True)
class Watched:
    """A step that refuses answers that are no command: whole numbers of 32 bits, as on a chip."""

    bare: Step

    def __call__(self, params: Any, state: Any, inputs: Inputs) -> tuple[Any, Command]:
        """One step of the controller.

        Raises
        ------
        TypeError
            An answer that is no state and command; anything else that the controller raises, as it is.
        """
        try:
            answer = self.bare(params, state, inputs)
        except SystemExit as error:
            # Else a controller could end the whole program, and look like a run that passed.
            raise RuntimeError("the controller asks to exit") from error
        if not isinstance(answer, tuple) or len(answer) != 2:
            raise TypeError(f"step must give back (State, Command); got {shown(repr(answer))}")
        command = answer[1]
        # Every tick comes by here: the quicker question first, and a name looked for only where something is wrong.
        if type(command) is not Command and getattr(command, "_fields", None) != Command._fields:
            raise TypeError(f"step must give back a Command beside the state; got {shown(repr(command))}")
        for number in command:
            if type(number) is not int or number < LOWEST or number > HIGHEST:
                name = next(name for name in Command._fields if getattr(command, name) is number)
                raise TypeError(f"{name} must be a whole number of 32 bits; got {shown(repr(number))}")
        return answer


def _values(path: Path, module: ModuleType, params: Path | None, tick_us: int, overrides: Mapping[str, int]) -> Any:
    """The parameters as the controller's own NamedTuple, every fault collected."""
    where = str(params or path)
    table, marks, faults = composed(params, "a parameter file") if params else ({}, {}, [])
    if not isinstance(table, dict):
        raise InputError([Fault(where, "", "a mapping of keys", given(table), 1, 1)])
    fields = [field for field in module.Params._fields if field != "tick_us"]
    needed = [field for field in fields if field not in module.Params._field_defaults]
    if other := other_kind(where, table, fields, needed, "a parameter file"):
        raise InputError([*faults, other])
    limits: Mapping[str, tuple[int, int]] = getattr(module, "LIMITS", {})
    values: dict[str, int] = dict(module.Params._field_defaults)
    # In a scenario the file's key is `params_set`; whoever asked knows the file.
    written: list[tuple[str, Place, object]] = [(where, (key,), value) for key, value in table.items()]
    written += [("", ("params_set", key), value) for key, value in overrides.items()]
    for source, place, value in written:
        key = str(place[-1])
        if key not in fields:
            faults.append(unknown_key(source, place, fields, marks.get((*place, "key"), NO_MARK)))
            continue
        values[key], found = _value(source, place, value, limits.get(key, WHOLE), marks.get(place, NO_MARK))
        faults += found
    for key in fields:
        if key not in values:
            low, high = limits.get(key, WHOLE)
            expected = f"this key, with a whole number, {low} to {high}"
            faults.append(Fault(where, key, expected, "no such key", *marks.get((), NO_MARK)))
        elif type(values[key]) is not int:
            faults.append(Fault(str(path), key, "a whole number as default", shown(repr(values[key]))))
    if "tick_us" in module.Params._fields:
        values["tick_us"] = tick_us
        low, high = limits.get("tick_us", WHOLE)
        if not low <= tick_us <= high:
            expected = f"a control tick of {low} to {high} us with this controller"
            faults.append(Fault("", "control_hz", expected, f"{tick_us} us"))
    if faults:
        raise InputError(in_file_order(faults))
    made = module.Params(**values)
    for key, expected, got in _crossed(path, module, made):
        if key in overrides:
            faults.append(Fault("", f"params_set.{key}", expected, got))
        else:
            got += f" (with params_set {', '.join(overrides)})" if overrides else ""
            faults.append(Fault(where, key, expected, got, *marks.get((key,), NO_MARK)))
    if faults:
        raise InputError(faults)
    return made


def _value(
    source: str, place: Place, value: object, limits: tuple[int, int], at: tuple[int | None, int | None]
) -> tuple[int, list[Fault]]:
    """One parameter as a whole number, and what is wrong with it."""
    low, high = limits
    try:
        number = int(str(value))
    except ValueError:
        number = low - 1
    if low <= number <= high:
        return number, []
    return low, [Fault(source, dotted(place), f"a whole number, {low} to {high}", given(value), *at)]


def _crossed(path: Path, module: ModuleType, params: Any) -> list[tuple[str, str, str]]:
    """The relations between parameters that do not hold, as the controller itself says."""
    if not hasattr(module, "faults"):
        return []
    said = _asked(path, "a list of faults", lambda: module.faults(params))
    if not isinstance(said, list) or not all(isinstance(each, tuple) and len(each) == 3 for each in said):
        expected = "a list of (key, expected, got) from faults"
        raise InputError([Fault(str(path), "", expected, shown(repr(said)))])
    return [(str(key), str(expected), str(got)) for key, expected, got in said]
