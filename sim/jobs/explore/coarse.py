"""A controller with some of its constants replaced, for times that no parameter sets (row 4)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import FunctionType, ModuleType
from typing import Any

from sim.base.compile import callees
from sim.base.errors import Fault, InputError, did_you_mean
from sim.bench.control import Controller, Watched


def coarsened(controller: Controller, constants: Mapping[str, int], where: str) -> Controller:
    """The same controller, its whole-number constants of these names replaced wherever its step sees them.

    The functions are made anew from their own byte code over other globals; the
    modules themselves stay as they are.

    Parameters
    ----------
    where : the file that names the constants, for faults.

    Raises
    ------
    InputError
        A name that no function of the controller reads, or a step that is no plain function.
    """
    if not constants:
        return controller
    bare = controller.step.bare if isinstance(controller.step, Watched) else controller.step
    if not isinstance(bare, FunctionType) or not isinstance(controller.initial, FunctionType):
        raise InputError([Fault(where, "constants", "a controller whose step is a plain function", repr(bare))])
    roots = (bare, controller.initial)
    reached = list(dict.fromkeys(each for root in roots for each in (*callees(root), root)))
    known = sorted({name for each in reached for name in each.__code__.co_names if _whole(each, name)})
    unknown = [name for name in constants if name not in known]
    if unknown:
        expected = f"a whole-number constant that the controller reads: {', '.join(known)}"
        raise InputError(
            Fault(where, f"constants.{name}", expected + did_you_mean(name, known), f"unknown name {name}")
            for name in unknown
        )
    made = _Made(reached, constants)
    return replace(controller, initial=made.function(controller.initial), step=Watched(made.function(bare)))


def _whole(function: FunctionType, name: str) -> bool:
    return type(function.__globals__.get(name)) is int


class _Made:
    """Functions made anew, one set of globals for each module that they come from."""

    def __init__(self, reached: list[FunctionType], constants: Mapping[str, int]) -> None:
        self.reached = set(reached)
        self.constants = constants
        self.scopes: dict[int, dict[str, Any]] = {}
        self.functions: dict[FunctionType, FunctionType] = {}

    def function(self, old: FunctionType) -> FunctionType:
        """The new one in place of an old one."""
        if old not in self.functions:
            scope = self._scope(old.__globals__)
            made = FunctionType(old.__code__, scope, old.__name__, old.__defaults__, old.__closure__)
            made.__kwdefaults__ = old.__kwdefaults__
            made.__qualname__ = old.__qualname__
            self.functions[old] = made
            # The globals name each other's functions, so they are filled once all that they need can be looked up.
            self._fill(scope, old.__globals__)
        return self.functions[old]

    def _scope(self, old: dict[str, Any]) -> dict[str, Any]:
        return self.scopes.setdefault(id(old), {})

    def _fill(self, scope: dict[str, Any], old: dict[str, Any]) -> None:
        if scope:
            return
        scope.update(old)
        for name, value in old.items():
            scope[name] = self._value(name, value)

    def _value(self, name: str, value: Any) -> Any:
        if name in self.constants and type(value) is int:
            return self.constants[name]
        if isinstance(value, FunctionType) and value in self.reached:
            return self.function(value)
        if isinstance(value, ModuleType) and any(each.__globals__ is value.__dict__ for each in self.reached):
            shadow = ModuleType(value.__name__)
            scope = self._scope(value.__dict__)
            self._fill(scope, value.__dict__)
            shadow.__dict__.update(scope)
            return shadow
        return value
