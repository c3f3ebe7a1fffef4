"""A controller as C: the header with its interface, its parameters, and the source (row 1)."""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sim.base.errors import InputError
from sim.chip.blocks import FunctionWriter
from sim.chip.intervals import Range, hull
from sim.chip.invariant import Proof, prove
from sim.chip.layout import remark
from sim.chip.names import PREFIX, Names
from sim.chip.phrases import HELPERS
from sim.chip.prune import Pruner
from sim.chip.reading import read_program
from sim.chip.source import Source, read_source
from sim.chip.tree import (
    LOWEST,
    Assign,
    Build,
    Call,
    Constant,
    Function,
    Kind,
    Named,
    Program,
    Stmt,
    fields,
    kind_of,
    leaves,
    within,
)
from sim.chip.words import words_text

HEADER, SOURCE, PARAMS = f"{PREFIX}.h", f"{PREFIX}.c", f"{PREFIX}_params.h"
Bodies = dict[Function, tuple[Stmt, ...]]


@dataclass(frozen=True, slots=True)
class Translation:
    """A controller in C.

    Parameters
    ----------
    proof : the ranges of its state, its command and every expression.
    macros : the C name of each parameter.
    """

    program: Program
    proof: Proof
    names: Names
    bodies: Bodies

    @property
    def macros(self) -> Mapping[str, str]:
        """The C name of each parameter."""
        return {name: self.names.constants[parameter] for name, parameter in self.program.parameters.items()}


def translate(initial: Callable[..., Any], step: Callable[..., Any], params: Any) -> Translation:
    """Read a controller and prove that it stays inside 32 bits.

    Parameters
    ----------
    initial, step : the controller's functions, as they were loaded.
    params : its parameters; their values become constants.

    Raises
    ------
    InputError
        What the accepted style leaves out, or what could leave 32 bits, with file, line and reason.
    """
    program = read_program(initial, step, params)
    proof = prove(program)
    pruner = Pruner(proof.findings)
    bodies = {function: pruner.body(function) for function in program.functions}
    written = [function for function in program.functions if function in _reached(program, bodies)]
    bodies = {function: bodies[function] for function in written}
    parts = [part for body in bodies.values() for stmt in body for part in within(stmt)]
    constants = dict.fromkeys(part.constant for part in parts if isinstance(part, Named))
    kinds: dict[Kind, None] = {}
    for kind in (program.inputs, program.command, program.state, *_own_kinds(bodies)):
        kinds |= dict.fromkeys(_nested(kind))
    names = Names(written, sorted(constants, key=_order), kinds, program.parameters)
    return Translation(program, proof, names, bodies)


def _reached(program: Program, bodies: Bodies) -> set[Function]:
    found: set[Function] = set()
    waiting = [program.initial, program.step]
    while waiting:
        function = waiting.pop()
        if function not in found:
            found.add(function)
            parts = (part for stmt in bodies[function] for part in within(stmt))
            waiting += [part.function for part in parts if isinstance(part, Call)]
    return found


def _own_kinds(bodies: Bodies) -> Iterator[Kind]:
    """The tuples that functions take, give back or keep."""
    for function, body in bodies.items():
        yield from (kind for _, kind in function.arguments if kind is not int)
        yield from (kind for kind in function.answers if kind is not int)
        for part in (part for stmt in body for part in within(stmt)):
            if isinstance(part, Assign) and kind_of(part.value) is not int:
                yield kind_of(part.value)
            if isinstance(part, Build):
                yield part.kind


def _nested(kind: Kind) -> Iterator[Kind]:
    """A tuple's inner tuples, each before what it stands in, and itself."""
    for inner in fields(kind).values():
        if inner is not int:
            yield from _nested(inner)
    yield kind


def _order(constant: Constant) -> tuple[str, int]:
    return (constant.owner, constant.place.line if constant.place else 0)


def header_text(
    translation: Translation,
    banner: Sequence[str],
    words: Mapping[str, Mapping[int, str]],
    stated: Mapping[str, int] | None = None,
) -> str:
    """throttle.h: the tuples at the border, and the two functions.

    Parameters
    ----------
    banner : the comment on top.
    words : what the numbers of a field of the command mean, such as its modes.
    stated : further whole numbers to define, by names in lower case without ``throttle_``.
    """
    program, names = translation.program, translation.names
    ranges = _field_ranges(translation)
    kinds = dict.fromkeys([*_nested(program.inputs), *_nested(program.command), *_nested(program.state)])
    typedefs = [_typedef(kind, names, ranges) for kind in kinds]
    meanings = [words_text(field, table) for field, table in words.items() if table]
    state, inputs, command = (names.kinds[kind] for kind in (program.state, program.inputs, program.command))
    guard = f"{PREFIX}_H".upper()
    return "\n\n".join(
        [
            "\n".join(remark(banner)),
            f"#ifndef {guard}\n#define {guard}",
            f'#include <stdint.h>\n\n#include "{PARAMS}"',
            '#ifdef __cplusplus\nextern "C" {\n#endif',
            *typedefs,
            *meanings,
            *_stated(stated or {}, names),
            f"/* The state after a reset. */\nvoid {PREFIX}_initial({state} *state);",
            "/* One control tick: `state` becomes the next state, `command` what is asked for now. */\n"
            f"void {PREFIX}_step({state} *state, const {inputs} *inputs, {command} *command);",
            f"#ifdef __cplusplus\n}}\n#endif\n\n#endif /* {guard} */\n",
        ]
    )


def _stated(stated: Mapping[str, int], names: Names) -> Iterator[str]:
    """The times that the controller states of itself."""
    macros = {f"{PREFIX}_{name}".upper(): value for name, value in stated.items()}
    # A parameter that goes by such a name says it itself.
    lines = [f"#define {macro} {c_number(value)}" for macro, value in macros.items() if macro not in names.macros]
    if lines:
        said = remark(["Times that the controller states of itself, which a bench can hold it to."])
        yield "\n".join([*said, *lines])


def params_text(translation: Translation, banner: Sequence[str], remarks: Mapping[str, Sequence[str]]) -> str:
    """throttle_params.h: every parameter as a constant.

    Parameters
    ----------
    remarks : comment lines above each parameter, by its Python name.
    """
    lines = []
    for name, macro in translation.macros.items():
        above = remark(remarks.get(name, ()))
        lines += ["", *above] if above else []
        lines.append(f"#define {macro} {c_number(translation.program.parameters[name].value)}")
    guard = f"{PREFIX}_PARAMS_H".upper()
    top = "\n".join(remark(banner))
    body = "\n".join(lines).strip("\n")
    return f"{top}\n\n#ifndef {guard}\n#define {guard}\n\n#include <stdint.h>\n\n{body}\n\n#endif /* {guard} */\n"


def source_text(translation: Translation, banner: Sequence[str]) -> str:
    """throttle.c: everything that the step and the first state need."""
    program, names = translation.program, translation.names
    findings = translation.proof.findings
    shown = dict.fromkeys([*_nested(program.inputs), *_nested(program.command), *_nested(program.state)])
    own = [_typedef(kind, names, {}) for kind in names.kinds if kind not in shown]
    writers = [
        FunctionWriter(function, body, names, findings, is_step=function is program.step)
        for function, body in translation.bodies.items()
    ]
    functions = [writer.text() for writer in writers]
    used = {helper for writer in writers for helper in writer.phrases.helpers}
    first = f"void {PREFIX}_initial({names.kinds[program.state]} *state)"
    wrapper = f"{first}\n{{\n    *state = {names.functions[program.initial]}();\n}}"
    parts = [
        "\n".join(remark(banner)),
        f'#include "{HEADER}"',
        *_constants(translation),
        *own,
        *(text.strip() for helper, text in HELPERS.items() if helper in used),
        *functions[:-1],
        wrapper,
        functions[-1],
        _same_parameters(translation),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def c_number(value: int) -> str:
    """A whole number that has 32 bits whatever C's `int` is."""
    if value == LOWEST:
        return "INT32_MIN"
    return f"INT32_C({value})" if value >= 0 else f"(-INT32_C({-value}))"


def _same_parameters(translation: Translation) -> str:
    """Refuses to compile with other parameters than those that the ranges were proved for."""
    tests = [
        f"({macro} != {c_number(translation.program.parameters[name].value)})"
        for name, macro in translation.macros.items()
        # The preprocessor cannot tell the lowest number without overflow.
        if translation.program.parameters[name].value != LOWEST
    ]
    if not tests:
        return ""
    said = "\n".join(remark(["The ranges above are proved for these values alone: export again for others."]))
    joined = " || \\\n    ".join(tests)
    return f'{said}\n#if {joined}\n#error "{PARAMS} is not the one that {SOURCE} was made with"\n#endif'


def _constants(translation: Translation) -> Iterator[str]:
    """The modules' constants, each module's together, with the comments above them."""
    owners: dict[str, list[str]] = {}
    told: set[int] = set()
    for constant, name in translation.names.constants.items():
        if constant.owner:
            lines = owners.setdefault(constant.owner, [])
            above = _comments_above(constant, told)
            lines += (["", *remark(above)] if lines else remark(above)) if above else []
            lines.append(f"#define {name} {c_number(constant.value)}")
    for lines in owners.values():
        yield "\n".join(lines)


def _comments_above(constant: Constant, told: set[int]) -> list[str]:
    """Comments above the block of lines that a constant stands in, unless told before; and the one behind it."""
    if constant.place is None:
        return []
    source, line = constant.place.source, constant.place.line
    text = source.text.splitlines()
    above = line - 1
    while above > 0 and text[above - 1].strip() and not text[above - 1].startswith("#"):
        above -= 1
    found: list[str] = []
    while above in source.comments and text[above - 1].startswith("#") and above not in told:
        told.add(above)
        found.insert(0, source.comments[above])
        above -= 1
    behind = source.comments.get(line)
    return [*found, behind] if behind else found


def _field_ranges(translation: Translation) -> dict[tuple[Kind, str], Range]:
    """The range of each whole number of a tuple, over every place where the state or the command has one."""
    found: dict[tuple[Kind, str], Range] = {}
    program, proof = translation.program, translation.proof
    for kind, ranges in ((program.state, proof.state), (program.command, proof.command)):
        for path, reach in zip(leaves(kind), ranges, strict=True):
            *outer, last = path.split(".")
            owner = kind
            for name in outer:
                owner = fields(owner)[name]
            before = found.get((owner, last))
            found[owner, last] = reach if before is None else hull(before, reach)
    return found


def _typedef(kind: Kind, names: Names, ranges: Mapping[tuple[Kind, str], Range]) -> str:
    docstring, comments = _class_notes(kind)
    lines = remark(docstring)
    lines.append("typedef struct {")
    c_fields = names.fields(kind)
    for field, inner in fields(kind).items():
        lines += remark(comments.get(field, ()), 1)
        word = "int32_t" if inner is int else names.kinds[inner]
        reach = ranges.get((kind, field))
        behind = f"  /* {reach.low} to {reach.high} */" if reach else ""
        lines.append(f"    {word} {c_fields[field]};{behind}")
    return "\n".join([*lines, f"}} {names.kinds[kind]};"])


def _class_notes(kind: Kind) -> tuple[list[str], dict[str, list[str]]]:
    """A tuple's docstring, and the comments above or behind its fields."""
    file = getattr(sys.modules.get(kind.__module__), "__file__", None)
    try:
        source = read_source(Path(file)) if file else None
    except InputError:
        source = None
    node = _class_node(kind, source) if source else None
    if source is None or node is None:
        return [], {}
    comments: dict[str, list[str]] = {}
    # The docstring's own lines hold no comments.
    last = node.lineno
    for stmt in node.body:
        if isinstance(stmt, ast.AnnAssign) and isinstance(stmt.target, ast.Name):
            lines = range(last + 1, (stmt.end_lineno or stmt.lineno) + 1)
            comments[stmt.target.id] = [source.comments[line] for line in lines if line in source.comments]
        last = stmt.end_lineno or stmt.lineno
    return (ast.get_docstring(node) or "").splitlines(), comments


def _class_node(kind: Kind, source: Source) -> ast.ClassDef | None:
    nodes = (node for node in source.tree.body if isinstance(node, ast.ClassDef))
    return next((node for node in nodes if node.name == kind.__name__), None)
