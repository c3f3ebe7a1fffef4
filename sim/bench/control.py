"""Controllers and their parameters, found, loaded and checked (row 2)."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import ModuleType
from typing import Any

import controllers
from controllers.board import Command, Inputs
from sim.base.document import composed, written
from sim.base.errors import Fault, InputError, did_you_mean
from sim.base.files import read_text

SHIPPED = Path(controllers.__file__).parent
NEEDED = ("Params", "State", "initial", "step")


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
    step: Callable[[Any, Any, Inputs], tuple[Any, Command]]
    modes: Mapping[int, str]
    reasons: Mapping[int, str]

    def fingerprint(self) -> str:
        """A hash of the controller's source and its parameter values."""
        text = self.path.read_text(encoding="utf-8") + repr(tuple(self.params))
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
    spec : a shipped controller's name, or a path ending in ``.py``.
    tick_us : the control tick; fills the parameter of that name where there is one.
    params : a shipped set's name or a YAML path; the set beside the controller if left out.
    overrides : single parameters set on top.
    beside : folder that relative paths start from.

    Raises
    ------
    InputError
        No such controller or set, a file that does not load, or parameters out of range.
    """
    path = _controller_path(spec, beside)
    module = _module(path)
    missing = [name for name in NEEDED if not hasattr(module, name)]
    if missing:
        raise InputError(
            [Fault(str(path), "", f"{', '.join(NEEDED)} in a controller", f"none of {', '.join(missing)}")]
        )
    params_path = _params_path(params, path, beside)
    values = _values(module, params_path, tick_us, overrides or {})
    return Controller(
        name=path.stem,
        path=path,
        params_path=params_path,
        params=values,
        initial=module.initial,
        step=module.step,
        modes=getattr(module, "MODES", {}),
        reasons=getattr(module, "REASONS", {}),
    )


def _controller_path(spec: str, beside: Path) -> Path:
    if spec.endswith(".py"):
        path = beside / spec
        if not path.is_file():
            raise InputError([Fault(str(path), "controller", "a controller file", "no such file")])
        return path
    known = shipped_controllers()
    if spec not in known:
        hint = did_you_mean(spec, known)
        raise InputError([Fault(spec, "controller", f"a path ending in .py or one of {', '.join(known)}{hint}", spec)])
    return SHIPPED / f"{spec}.py"


def _module(path: Path) -> ModuleType:
    if path.parent == SHIPPED:
        return importlib.import_module(f"controllers.{path.stem}")
    read_text(path, "a controller file")
    name = f"drydive_controller_{sha256(str(path.resolve()).encode()).hexdigest()[:12]}"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # A NamedTuple looks its module up by name.
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except SyntaxError as error:
        raise InputError([Fault(str(path), "", "valid Python", error.msg, error.lineno, error.offset)]) from error
    except Exception as error:
        line = _line_in(path, error)
        raise InputError(
            [Fault(str(path), "", "a controller that loads", f"{type(error).__name__}: {error}", line)]
        ) from error
    return module


def _line_in(path: Path, error: BaseException) -> int | None:
    """The deepest line of `path` in an error's traceback."""
    line = None
    trace = error.__traceback__
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == str(path):
            line = trace.tb_lineno
        trace = trace.tb_next
    return line


def _params_path(params: str | None, controller: Path, beside: Path) -> Path | None:
    if params is None:
        path = controller.with_suffix(".yaml")
        return path if path.is_file() else None
    if params.endswith((".yaml", ".yml")):
        return beside / params
    known = sorted(path.stem for path in SHIPPED.glob("*.yaml"))
    if params not in known:
        hint = did_you_mean(params, known)
        raise InputError(
            [Fault(params, "params", f"a path ending in .yaml or one of {', '.join(known)}{hint}", params)]
        )
    return SHIPPED / f"{params}.yaml"


def _values(module: ModuleType, path: Path | None, tick_us: int, overrides: Mapping[str, int]) -> Any:
    """The parameters as the controller's own NamedTuple, every fault collected."""
    fields = [field for field in module.Params._fields if field != "tick_us"]
    defaults: Mapping[str, int] = module.Params._field_defaults
    limits: Mapping[str, tuple[int, int]] = getattr(module, "LIMITS", {})
    where = str(path) if path else module.__name__
    given, marks, faults = composed(path, "a parameter file") if path else ({}, {}, [])
    if not isinstance(given, dict):
        raise InputError([Fault(where, "", "a mapping of parameters", "something else", 1, 1)])
    values: dict[str, int] = {}
    for key, text in [*given.items(), *overrides.items()]:
        source = where if key in given and text is given.get(key) else "params_set"
        line, column = marks.get((key, "key"), (None, None)) if source == where else (None, None)
        if key not in fields:
            expected = f"a parameter of {module.__name__.rpartition('.')[2]}{did_you_mean(key, fields)}"
            faults.append(Fault(source, written((key,)), expected, f"unknown key {key}", line, column))
            continue
        line, column = marks.get((key,), (None, None)) if source == where else (None, None)
        value = _whole(text)
        low, high = limits.get(key, (-(2**31), 2**31 - 1))
        if value is None:
            faults.append(Fault(source, key, "a whole number", f"'{text}'", line, column))
        elif not low <= value <= high:
            faults.append(Fault(source, key, f"{low} to {high}", str(value), line, column))
        else:
            values[key] = value
    known = {*given, *overrides, *defaults}
    faults += [Fault(where, key, "this parameter", "no such key") for key in fields if key not in known]
    if faults:
        raise InputError(faults)
    if "tick_us" in module.Params._fields:
        values["tick_us"] = tick_us
    made = module.Params(**values)
    cross_check: Callable[[Any], list[tuple[str, str, str]]] | None = getattr(module, "faults", None)
    if cross_check is not None and (crossed := cross_check(made)):
        raise InputError(
            [Fault(where, key, expected, got, *marks.get((key,), (None, None))) for key, expected, got in crossed]
        )
    return made


def _whole(text: object) -> int | None:
    try:
        return int(str(text))
    except ValueError:
        return None
