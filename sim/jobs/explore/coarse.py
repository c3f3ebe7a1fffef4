"""A controller with some of its constants replaced, for times that no parameter sets (row 4)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
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
    known = sorted({name for each in reached for name in _wholes(each)})
    unknown = [name for name in constants if name not in known]
    if unknown:
        expected = f"a whole-number constant that the controller reads: {', '.join(known)}"
        raise InputError(
            Fault(where, f"constants.{name}", expected + did_you_mean(name, known), f"unknown name {name}")
            for name in unknown
        )
    made = _Made(reached, constants)
    return replace(controller, initial=made.function(controller.initial), step=Watched(made.function(bare)))


def _wholes(function: FunctionType) -> Iterator[str]:
    """Constants that a function may read, of its own module or as ``module.NAME``."""
    names = function.__code__.co_names
    scopes = [function.__globals__]
    scopes += [vars(value) for name in names if isinstance(value := scopes[0].get(name), ModuleType)]
    yield from (name for name in names if any(type(scope.get(name)) is int for scope in scopes))


class _Made:
    """Functions made anew, one set of globals for each module that they come from."""

    def __init__(self, reached: list[FunctionType], constants: Mapping[str, int]) -> None:
        self.reached = set(reached)
        self.constants = constants
        self.scopes: dict[int, dict[str, Any]] = {}
        self.functions: dict[FunctionType, FunctionType] = {}

    def function(self, old: FunctionType) -> FunctionType:
        """The new one in place of an old one."""
        scope = self._scope(old.__globals__)
        # Filling the scope may have made this very function.
        if old not in self.functions:
            made = FunctionType(old.__code__, scope, old.__name__, old.__defaults__, old.__closure__)
            made.__kwdefaults__ = old.__kwdefaults__
            made.__qualname__ = old.__qualname__
            self.functions[old] = made
        return self.functions[old]

    def _scope(self, old: dict[str, Any]) -> dict[str, Any]:
        """The globals in place of old ones; functions that name each other find them while they are being filled."""
        if id(old) not in self.scopes:
            scope = self.scopes[id(old)] = dict(old)
            for name, value in old.items():
                scope[name] = self._value(name, value)
        return self.scopes[id(old)]

    def _value(self, name: str, value: Any) -> Any:
        if name in self.constants and type(value) is int:
            return self.constants[name]
        if isinstance(value, FunctionType) and value in self.reached:
            return self.function(value)
        if isinstance(value, ModuleType) and self._touched(vars(value)):
            shadow = ModuleType(value.__name__)
            # One dictionary for the module and its functions would be neater, but a module's cannot be replaced.
            vars(shadow).update(self._scope(vars(value)))
            return shadow
        return value

    def _touched(self, scope: dict[str, Any]) -> bool:
        """Whether a module has anything that is made anew."""
        return any(each.__globals__ is scope for each in self.reached) or any(
            type(scope.get(name)) is int for name in self.constants
        )
