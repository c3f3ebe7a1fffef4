"""A controller's `step` and `initial`, read into the tree that is translated (row 1).

Names mean what they mean to Python: they are looked up in the globals of the
function as it was loaded, so that what is translated is what ran.
"""

from __future__ import annotations

import ast
import inspect
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any, get_args, get_origin, get_type_hints

from sim.base.compile import callees
from sim.base.errors import Fault, InputError, in_file_order
from sim.chip.refusals import RefusedError, refused
from sim.chip.source import Place, Source, definition, read_source
from sim.chip.statements import Body
from sim.chip.tree import Constant, Function, Kind, Parameters, Program, fields


def read_program(initial: Callable[..., Any], step: Callable[..., Any], params: Any) -> Program:
    """Everything that `step` and `initial` reach, ready for translation.

    Parameters
    ----------
    initial, step : a controller's two functions.
    params : its parameters, a NamedTuple of ints; their values become constants.

    Raises
    ------
    InputError
        Every part that the accepted style leaves out, with file, line and reason.
    """
    for function in (initial, step):
        if not isinstance(function, FunctionType):
            raise InputError([Fault("", "controller", "plain functions initial and step", repr(function))])
    assert isinstance(initial, FunctionType)
    assert isinstance(step, FunctionType)
    reader = Reader(params, {initial, step, *callees(step), *callees(initial)}, step)
    first = reader.function(initial)
    last = reader.function(step)
    if first is not None and last is not None:
        reader.faults += _border(first, last, params)
    if reader.faults or first is None or last is None:
        raise InputError(in_file_order(reader.faults))
    return Program(
        functions=tuple(reader.done),
        initial=first,
        step=last,
        parameters=reader.parameters,
        inputs=last.arguments[1][1],
        state=last.arguments[0][1],
        command=last.answers[1],
    )


def _border(initial: Function, step: Function, params: Any) -> list[Fault]:
    """What is wrong with the two functions' arguments and answers."""
    name = type(params).__name__
    faults = []
    if [kind for _, kind in initial.signature] != [Parameters] or initial.answers != step.answers[:1]:
        expected = f"initial({name}) -> the state that step takes"
        faults.append(initial.place.fault(expected, "other arguments or another answer", "initial"))
    kinds = [kind for _, kind in step.signature]
    if len(kinds) != 3 or int in kinds or kinds[0] is not Parameters or kinds[1] is not step.answers[0]:
        expected = f"step({name}, state, inputs) -> tuple of state and command"
        faults.append(step.place.fault(expected, "other arguments or another answer", "step"))
    return faults


class Reader:
    """Functions, kinds and constants as they are met; collects every fault."""

    def __init__(self, params: Any, reachable: Iterable[FunctionType], step: FunctionType) -> None:
        self.params_kind: Kind = type(params)
        self.parameters: Mapping[str, Constant] = {
            name: Constant(name, value) for name, value in zip(params._fields, params, strict=True)
        }
        self.faults: list[Fault] = []
        self.done: list[Function] = []
        self._reachable = set(reachable)
        self._step = step
        self._known: dict[FunctionType, Function | None] = {}
        self._open: list[FunctionType] = []
        self._sources: dict[Path, Source] = {}
        self._constants: dict[tuple[Path | None, str], Constant] = {}

    def function(self, loaded: FunctionType) -> Function | None:
        """The function with its body; None where it was refused, which is told once."""
        if loaded in self._known:
            return self._known[loaded]
        self._known[loaded] = None
        self._open.append(loaded)
        try:
            source = self.source(loaded.__code__.co_filename)
            read = self._signature(loaded, source)
            body = Body(self, loaded, read, source)
            read.body = body.whole()
            self.faults += body.faults
            if not body.gave_up and not body.faults:
                self._known[loaded] = read
                self.done.append(read)
        except InputError as error:
            self.faults += error.faults
        except RefusedError as refusal:
            self.faults += [refusal.fault] if refusal.fault else []
        finally:
            self._open.pop()
        return self._known[loaded]

    def callee(self, loaded: FunctionType, source: Source, node: ast.AST) -> Function:
        """A function where it is called.

        Raises
        ------
        RefusedError
            Calls in a circle, a function reached in a way that the bench does not see, or one refused itself.
        """
        if loaded in self._open or loaded is self._step:
            raise refused(source, node, "functions that do not call themselves", f"{loaded.__name__} in a circle")
        if loaded not in self._reachable:
            raise refused(source, node, "a function by its own name or as module.name", "another way to reach it")
        read = self.function(loaded)
        if read is None:
            raise RefusedError
        return read

    def is_tuple(self, kind: Any) -> bool:
        """Whether this is a NamedTuple that a step may build."""
        return kind is not self.params_kind and is_plain_tuple(kind)

    def source(self, path: str) -> Source:
        """A Python file, read once."""
        where = Path(path)
        if where not in self._sources:
            self._sources[where] = read_source(where)
        return self._sources[where]

    def _signature(self, loaded: FunctionType, source: Source) -> Function:
        node = definition(loaded, source)
        place = Place(source, node)
        arguments = node.args
        for named, name in (
            (node, node.name),
            *((each, each.arg) for each in ast.walk(arguments) if isinstance(each, ast.arg)),
        ):
            if not name.isascii():
                raise refused(source, named, "a name in ASCII letters", name, key=name)
        if node.decorator_list:
            raise refused(source, node.decorator_list[0], "a function without decorators", "a decorator")
        if arguments.defaults or any(arguments.kw_defaults):
            first = next(default for default in (*arguments.defaults, *arguments.kw_defaults) if default)
            raise refused(source, first, "arguments without defaults", "a default")
        if arguments.vararg or arguments.kwarg or arguments.kwonlyargs:
            raise refused(source, node, "plain arguments", "* or ** in the arguments", key=node.name)
        try:
            hints = get_type_hints(loaded)
        except Exception as error:
            raise RefusedError(place.fault("annotations that can be read", str(error), node.name)) from error
        kinds = []
        for argument in (*arguments.posonlyargs, *arguments.args):
            kinds.append((argument.arg, self._kind(hints.get(argument.arg), Place(source, argument))))
        answers = self._answers(hints.get("return"), place, loaded is self._step)
        docstring = inspect.cleandoc(ast.get_docstring(node, clean=False) or "")
        module = Path(loaded.__code__.co_filename).stem
        return Function(node.name, module, tuple(kinds), answers, docstring, place)

    def _answers(self, hint: Any, place: Place, is_step: bool) -> tuple[Kind, ...]:
        if not is_step:
            return (self._kind(hint, place, "the answer"),)
        pair = get_args(hint) if get_origin(hint) is tuple else ()
        if len(pair) != 2 or int in pair:
            raise RefusedError(place.fault("-> tuple[State, Command] on step", str(hint), place_name(place)))
        return (self._kind(pair[0], place, "the answer"), self._kind(pair[1], place, "the answer"))

    def _kind(self, hint: Any, place: Place, what: str | None = None) -> Kind:
        if hint is int:
            return int
        if hint is self.params_kind and what is None:
            return Parameters
        if is_plain_tuple(hint) and self.params_kind not in _inside(hint):
            return hint  # type: ignore[no-any-return]
        got = "no annotation" if hint is None else getattr(hint, "__name__", str(hint))
        raise RefusedError(place.fault("an annotation: int, or a NamedTuple of ints", got, what))

    def constant(self, module: Mapping[str, Any], name: str, value: int) -> Constant:
        """A module's whole number, told apart by the file and name it is defined under."""
        home, name, node = self._home(module, name)
        key = (home.path if home else None, name)
        if key not in self._constants:
            owner = home.path.stem if home else str(module.get("__name__", "")).rpartition(".")[2]
            place = Place(home, node) if home and node else None
            self._constants[key] = Constant(name, value, owner, place)
        return self._constants[key]

    def _home(self, module: Mapping[str, Any], name: str) -> tuple[Source | None, str, ast.stmt | None]:
        """Where a name is defined, imports followed: the file, the name there, its assignment."""
        file = module.get("__file__")
        if not isinstance(file, str):
            return None, name, None
        source = self.source(file)
        for node in source.tree.body:
            if isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    other = sys.modules.get(node.module or "")
                    if (alias.asname or alias.name) == name and isinstance(other, ModuleType):
                        return self._home(vars(other), alias.name)
        for inner in ast.walk(source.tree):
            if isinstance(inner, ast.Global) and name in inner.names:
                raise refused(source, inner, "globals as constants", f"{name}, which a function sets", key=name)
        for node in source.tree.body:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            if any(isinstance(target, ast.Name) and target.id == name for target in targets):
                return source, name, node
        return source, name, None


def place_name(place: Place) -> str:
    """The name of the function defined at a place."""
    return str(getattr(place.node, "name", ""))


def is_plain_tuple(kind: Any) -> bool:
    """Whether this is a NamedTuple of ints, or of such NamedTuples, and nothing else."""
    if not isinstance(kind, type) or kind.__bases__ != (tuple,) or not getattr(kind, "_fields", ()):
        return False
    try:
        inner = fields(kind)
    except Exception:
        return False
    spelled = all(name.isascii() for name in (kind.__name__, *inner))
    return spelled and all(each is int or is_plain_tuple(each) for each in inner.values())


def _inside(kind: Kind) -> set[Kind]:
    found = {kind}
    for inner in fields(kind).values():
        if inner is not int:
            found |= _inside(inner)
    return found
