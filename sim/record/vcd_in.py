"""Read a value change dump, as logic analysers and simulators write them (row 1).

Source of the format: IEEE 1364-2005, clause 18, value change dump files.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.base.errors import Fault, InputError
from sim.record.layout import Layout
from sim.record.lines import opened
from sim.record.meaning import CONTACTS, SIGNALS, Header, Source, plan_columns
from sim.record.recording import Recording, converted, held, not_contacts
from sim.record.table import Table
from sim.record.vcd_dump import UNITS_US, Dump, Name, Variable, load_dump

_WHAT = "a value change dump (VCD)"


def read_dump(path: Path, mapping: Mapping[str, str] | None = None, layout: Layout | None = None) -> Recording:
    """Read a value change dump.

    Parameters
    ----------
    path : Path
    mapping : {signal: variable}, by its name or by its whole path (`top.button`); before every guess.
    layout : what else is known; the clock, the encoding and the separators are the format's own.

    Returns
    -------
    Recording
        One row for each moment at which anything changes, to the microsecond, and for the last one told.

    Raises
    ------
    InputError
        One fault for the first thing that is not as the format has it, or one for each signal that cannot be used.

    Notes
    -----
    Bits are 0 and 1, vectors whole numbers (of the type integer signed),
    reals themselves. x and z hold the value before, as does the time between
    `$dumpoff` and `$dumpon`. A dump whose last words are cut short is read up to there.
    """
    layout = (layout or Layout()).with_mapping(mapping or {})
    _refuse_text_keys(layout)
    with opened(path, _WHAT) as handle:
        dump = load_dump(str(path), handle)
    return _assemble(str(path), dump, layout)


def _refuse_text_keys(layout: Layout) -> None:
    """A dump says itself how it is written."""
    given: dict[str, object] = {"encoding": layout.encoding, "delimiter": layout.delimiter, "decimal": layout.decimal}
    given |= {"names": layout.names, "time": layout.clock or layout.unit}
    expected = "only `columns` for a value change dump"
    keys = [key for key, value in given.items() if value]
    if keys:
        raise InputError(Fault(str(layout.path), key, expected, f"'{key}'", *layout.places[key]) for key in keys)


def _assemble(path: str, dump: Dump, layout: Layout) -> Recording:
    """The table of all variables, once the dump is read."""
    variables, notes = _columns(dump)
    if not variables:
        raise InputError([Fault(path, "$var", "variables that have numbers", f"none ({notes[0]})", *dump.end)])
    names = tuple(name for name, _, _ in variables)
    places = tuple((name.at.line, name.at.column) for _, name, _ in variables)
    layout = _by_path(layout, variables)
    plan = plan_columns(path, Header(names, ("",) * len(names), places), layout, needs_clock=False)
    if plan.faults:
        raise InputError(plan.faults)
    t_us = np.array(dump.times, dtype=np.int64)
    faults: list[Fault] = []
    mended = _dump_mends(dump)
    columns = {}
    for source in plan.sources:
        _, declared, variable = variables[source.index]
        values = converted(variable.column(len(t_us)), source)
        fault = _unusable(source, values, t_us)
        if fault is None:
            columns[source.signal], first = held(values)
            mended += _mends(source, variable, int(t_us[first]) if first else None)
        elif source.signal in SIGNALS:
            expected, got = fault
            faults.append(Fault(path, declared.path, expected, got, declared.at.line, declared.at.column))
        else:
            notes.append(f"variable {source.name} left out: {fault[1]}")
    if not columns and not faults:
        faults.append(Fault(path, "", "at least one variable with values", "none", *dump.end))
    if faults:
        raise InputError(faults)
    about = f"value changes in steps of {_step(dump.scale_us)}, {len(t_us)} moments"
    said = [about, *(["time: rounded to whole microseconds"] if dump.rounded else []), *plan.notes, *notes]
    return Recording(Table(t_us, columns), tuple(said), tuple(mended), places[0], changes=True)


def _columns(dump: Dump) -> tuple[list[tuple[str, Name, Variable]], list[str]]:
    """Each variable that has numbers, under each of its names: the last part of the name where that is enough."""
    kept: dict[tuple[str, int], tuple[Name, Variable]] = {}
    notes = []
    for variable in dump.variables.values():
        if variable.left_out:
            notes.append(f"variable {variable.names[0].path} left out: {variable.left_out}")
            continue
        for name in variable.names:
            # The same wire, seen from another scope under the same name, is no second column.
            kept.setdefault((name.last, id(variable)), (name, variable))
    often = Counter(last for last, _ in kept)
    columns = [(name.last if often[name.last] == 1 else name.path, name, variable) for name, variable in kept.values()]
    return columns, notes


def _by_path(layout: Layout, variables: Sequence[tuple[str, Name, Variable]]) -> Layout:
    """The layout, with wishes for a variable's whole path turned to the name it goes by here."""
    shown_as = {name.path: called for called, name, _ in variables}
    wishes = tuple(replace(wish, column=shown_as.get(wish.column, wish.column)) for wish in layout.wishes)
    return replace(layout, wishes=wishes)


def _unusable(source: Source, values: NDArray[np.float64], t_us: NDArray[np.int64]) -> tuple[str, str] | None:
    """What was expected of a signal's values and what there is, or None where they will do."""
    if not np.isfinite(values).any():
        return "a value at some time", "none that is known"
    wrong = not_contacts(values)
    if source.signal in CONTACTS and wrong.size:
        more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        return "0 or 1", f"{values[wrong[0]]:g} at {t_us[wrong[0]] / 1e6:.6f} s{more}"
    return None


def _dump_mends(dump: Dump) -> list[str]:
    mends = []
    if dump.off.count:
        mends.append(f"dump switched off in {dump.off.places()}; values held until it is on again")
    if dump.cut is not None:
        mends.append(f"line {dump.cut}, the last, is cut short and has no line end; read up to there")
    return mends


def _mends(source: Source, variable: Variable, first_us: int | None) -> list[str]:
    mends = []
    if variable.unknown.count:
        mends.append(f"{source.name}: not known: {variable.unknown.texts()}; the value before is held")
    if first_us is not None:
        mends.append(f"{source.name}: nothing before {first_us / 1e6:.6f} s; its value there is used from the start")
    if variable.merged.count:
        what = "changes again within a microsecond; the last value kept"
        mends.append(f"{source.name}: {variable.merged.places()} {what}")
    return mends


def _step(scale_us: Fraction | None) -> str:
    """A time unit as it is written: 10 ns."""
    scale = scale_us or Fraction(1)
    unit = next(name for name, one_us in UNITS_US.items() if scale >= one_us)
    return f"{scale / UNITS_US[unit]} {unit}"
