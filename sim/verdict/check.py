"""Checks a formula against the signals and limits there are, before anything is evaluated (row 3)."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping

import numpy as np

from sim.base.errors import Fault, InputError, did_you_mean
from sim.record.table import Table
from sim.verdict.place import Place
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import (
    Compare,
    Condition,
    Constant,
    Implies,
    Name,
    Number,
    Operation,
    Side,
    Term,
    Until,
    Window,
    is_term,
    names_in,
    nodes_in,
    parts,
    walk,
)
from sim.verdict.units import SECOND, Unit, alike, merged, product, symbol_of, unit_of
from sim.verdict.words import quantity


def faults_in(
    root: Term | Condition, place: Place, signals: Collection[str], limits: Mapping[str, float]
) -> list[Fault]:
    """Everything wrong with a formula's or measure argument's names, units and durations."""
    faults = list(_name_faults(root, place, signals, limits))
    # Units and durations mean something only once every name does.
    faults = faults or [*_unit_faults(root, place), *_duration_faults(root, place, limits), *_bare_faults(root, place)]
    return list(dict.fromkeys(faults))


def constant_faults(constant: Constant, limits: Mapping[str, float]) -> list[Fault]:
    """Everything wrong with a duration or bound: it may name limits only, and must be a finite number."""
    root, place = constant.root, constant.place
    faults = [*_name_faults(root, place, (), limits)] or [*_unit_faults(root, place)]
    if not faults and not math.isfinite(value := constant_value(constant, limits)):
        faults.append(place.fault(root.source.offset, "a finite number", f"{root.source.text} = {value:g}"))
    return faults


def constant_value(constant: Constant, limits: Mapping[str, float]) -> float:
    """The value of a duration or bound whose names are all limits."""
    moment = Table(t_us=np.zeros(1, dtype=np.int64), columns={})
    return Evaluation(moment, limits).constant(constant.root)


def require(faults: list[Fault]) -> None:
    """Raise the faults, if there are any.

    Raises
    ------
    InputError
        With all of them.
    """
    if faults:
        raise InputError(faults)


def unit_of_term(term: Term) -> Unit | None:
    """The unit a term comes out in; like units are taken for granted."""
    match term:
        case Number():
            return None
        case Name(name=name):
            return unit_of(name)
        case Operation(op="*", args=(left, right)):
            return product(unit_of_term(left), unit_of_term(right))
        case Operation(op="/", args=(left, right)):
            return product(unit_of_term(left), unit_of_term(right), power=-1)
        case Operation(op="rate", args=(arg,)):
            return product(unit_of_term(arg), SECOND, power=-1)
        case Operation(args=args):
            unit = unit_of_term(args[0])
            for arg in args[1:]:
                unit = merged(unit, unit_of_term(arg))
            return unit


def unit_of_atom(atom: Compare) -> Unit | None:
    """The unit of a comparison's margin."""
    return merged(unit_of_term(atom.left), unit_of_term(atom.right))


def _name_faults(
    root: Term | Condition, place: Place, signals: Collection[str], limits: Mapping[str, float]
) -> Iterator[Fault]:
    known = sorted({*signals, *limits})
    what = "a signal or a named limit" if signals else "a named limit"
    for name in dict.fromkeys(names_in(root)):
        offset = name.source.offset
        if name.name not in known:
            yield place.fault(offset, what, repr(name.name) + did_you_mean(name.name, known))
        elif name.name in limits and name.name in signals:
            yield place.fault(offset, "a limit called unlike every signal", repr(name.name))
        elif name.name in limits and not math.isfinite(limits[name.name]):
            yield place.fault(offset, "a finite limit", f"{name.name} = {limits[name.name]:g}")


def _unit_faults(root: Term | Condition, place: Place) -> Iterator[Fault]:
    for node in walk(root):
        summed = isinstance(node, Operation) and node.op in ("+", "-", "min", "max")
        if not summed and not isinstance(node, Compare):
            continue
        unit: Unit | None = None
        for other in (unit_of_term(part) for part in parts(node) if is_term(part)):
            if not alike(unit, other):
                got = f"{symbol_of(unit)} and {symbol_of(other)} in {node.source.text}"
                yield place.fault(node.source.offset, "like units", got)
                break
            unit = merged(unit, other)


def _duration_faults(root: Term | Condition, place: Place, limits: Mapping[str, float]) -> Iterator[Fault]:
    for node in walk(root):
        if isinstance(node, Window | Until) and node.length is not None:
            yield from duration_faults(Constant(node.length, node.length.source.text, place), limits)


def duration_faults(constant: Constant, limits: Mapping[str, float]) -> list[Fault]:
    """Everything wrong with a duration in seconds: besides a constant's faults, its sign and its unit."""
    if faults := constant_faults(constant, limits):
        return faults
    source, unit, value = constant.root.source, unit_of_term(constant.root), constant_value(constant, limits)
    if alike(unit, SECOND) and value >= 0:
        return []
    got = f"{source.text} = {quantity(value, symbol_of(unit or SECOND))}"
    return [constant.place.fault(source.offset, "a duration in seconds, not negative", got)]


def _bare_faults(root: Term | Condition, place: Place) -> Iterator[Fault]:
    """A bare name is a state; a quantity with a unit needs a comparison."""
    for node in walk(root):
        if isinstance(node, Compare) and is_bare(node) and (unit := unit_of_term(node.left)):
            expected = f"a comparison, such as {node.source.text} > 0"
            yield place.fault(node.source.offset, expected, f"{node.source.text}, a quantity in {unit.symbol}")


def is_bare(atom: Compare) -> bool:
    """Whether the atom was written as a bare name, so that it has no threshold to speak of."""
    return isinstance(atom.left, Name) and atom.left.source == atom.right.source


def state_faults(run: Evaluation, root: Term | Condition, place: Place) -> list[Fault]:
    """Values compared by == or != that are not whole numbers in this recording, so that a tie would be chance."""
    faults = []
    for node in nodes_in(root):
        if not isinstance(node, Compare) or node.op not in ("==", "!="):
            continue
        for side in (node.left, node.right):
            broken = run.no_state(side)
            if broken is not None:
                expected = f"whole numbers around {node.op} (or abs(a - b) <= tolerance)"
                faults.append(place.fault(side.source.offset, expected, f"{side.source.text} = {broken:g}"))
    return faults


def scope_faults(root: Condition, place: Place) -> list[Fault]:
    """Comparisons that no word spreads over the run, so that they would be tried at the first sample only."""
    return [
        place.fault(
            atom.source.offset,
            "always(...), never(...), eventually(...) or a window around it",
            f"{atom.source.text}, which alone says something of the first sample only (if meant: held(0, ...))",
        )
        for atom in _unspread(root)
    ]


def _unspread(node: Term | Condition) -> Iterator[Compare]:
    if isinstance(node, Compare):
        yield node
    elif not isinstance(node, Until) and not (isinstance(node, Window) and node.side is Side.AHEAD):
        for part in parts(node):
            yield from _unspread(part)


def implications(root: Condition) -> tuple[Implies, ...]:
    """Every implication in a formula."""
    return tuple(node for node in nodes_in(root) if isinstance(node, Implies))
