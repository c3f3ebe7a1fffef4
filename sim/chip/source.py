"""A Python file as it is read for translation: its tree, its comments, and places to point at (row 1)."""

from __future__ import annotations

import ast
import io
import tokenize
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType

from sim.base.errors import Fault, InputError, shown
from sim.base.files import read_text

# Comments that speak to Python's tools mean nothing in C.
_FOR_TOOLS = ("noqa", "type:", "fmt:", "ruff:", "mypy:", "pylint:", "pragma:", "!")


@dataclass(frozen=True, eq=False, slots=True)
class Source:
    """A file's text, its tree, and its comments by line without their ``#``."""

    path: Path
    text: str
    tree: ast.Module
    code: CodeType
    comments: Mapping[int, str]

    def segment(self, node: ast.AST) -> str:
        """What the node is written as, on one line and not too long."""
        return shown(" ".join((ast.get_source_segment(self.text, node) or "").split()))


@dataclass(frozen=True, eq=False, slots=True)
class Place:
    """Where a part of the translated tree was written."""

    source: Source
    node: ast.AST

    @property
    def line(self) -> int:
        """First line, from 1."""
        return int(getattr(self.node, "lineno", 1))

    @property
    def last_line(self) -> int:
        """Last line, from 1."""
        return int(getattr(self.node, "end_lineno", self.line) or self.line)

    def fault(self, expected: str, got: str, key: str | None = None) -> Fault:
        """A fault here; its key is what is written here unless another is given."""
        lines = self.source.text.splitlines()
        line = lines[self.line - 1] if self.line <= len(lines) else ""
        # The tree counts columns in bytes.
        before = line.encode()[: getattr(self.node, "col_offset", 0)].decode(errors="replace")
        written = self.source.segment(self.node) if key is None else key
        return Fault(str(self.source.path), written, expected, got, self.line, len(before) + 1)


def read_source(path: Path) -> Source:
    """A Python file, read and parsed.

    Raises
    ------
    InputError
        No such file, or no valid Python.
    """
    text = read_text(path, "a Python file")
    try:
        code = compile(text, str(path), "exec", dont_inherit=True)
        return Source(path, text, ast.parse(text), code, dict(_comments(text)))
    except (SyntaxError, ValueError) as error:
        line, column = getattr(error, "lineno", None), getattr(error, "offset", None)
        raise InputError([Fault(str(path), "", "valid Python", str(error), line, column)]) from error


def _comments(text: str) -> list[tuple[int, str]]:
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    found = [(token.start[0], token.string.lstrip("#").strip()) for token in tokens if token.type == tokenize.COMMENT]
    return [(line, comment) for line, comment in found if comment and not comment.startswith(_FOR_TOOLS)]


def definition(function: FunctionType, source: Source) -> ast.FunctionDef:
    """The function's definition in its file.

    Raises
    ------
    InputError
        The file no longer holds what was loaded, or the function is no plain definition at a module's top.
    """
    same = any(isinstance(each, CodeType) and _same(each, function.__code__) for each in source.code.co_consts)
    nodes = [node for node in source.tree.body if isinstance(node, ast.FunctionDef)] if same else []
    for node in nodes:
        # A name may be defined twice; where it has a decorator, that is where its definition begins.
        begins = min([node.lineno, *(decorator.lineno for decorator in node.decorator_list)])
        if node.name == function.__name__ and begins == _line(function):
            return node
    expected = "a function defined once, at the top of its file, as it was when it was loaded"
    raise InputError([Fault(str(source.path), function.__name__, expected, "another", _line(function))])


def _same(read: CodeType, loaded: CodeType) -> bool:
    """Whether two codes do the same: a file saved again after it was loaded is not what runs."""
    keys = ("co_name", "co_code", "co_names", "co_varnames", "co_firstlineno", "co_consts")
    plain = all(getattr(read, key) == getattr(loaded, key) for key in keys[:-1])
    return plain and repr(_constants(read)) == repr(_constants(loaded))


def _constants(code: CodeType) -> list[object]:
    # Codes within compare by their file too, which may be spelled in two ways.
    return [each for each in code.co_consts if not isinstance(each, CodeType)]


def _line(function: FunctionType) -> int:
    return function.__code__.co_firstlineno
