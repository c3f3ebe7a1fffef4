"""The layers, and the shape of the code, read from the source itself."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FunctionType

import pytest

from sim.base.compile import callees
from sim.world import machine, senses

ROOT = Path(__file__).parents[1]
ROWS = {"base": 0, "world": 1, "record": 1, "chip": 1, "bench": 2, "verdict": 3, "jobs": 4, "face": 5}
SIM = sorted((ROOT / "sim").rglob("*.py"))
CONTROLLERS = sorted((ROOT / "controllers").rglob("*.py"))
# Folders of data: the demo's vehicle, and the starter, of which one file is a controller to be copied.
DATA = ("moorhen", "starter")
STARTER = ROOT / "sim" / "starter" / "controller.py"
LINES_MAX = 400
BODY_LINES_MAX = 60
# Spelled in two halves, so that this file does not find itself.
UNFINISHED = re.compile("TO" + "DO|FIX" + "ME|XX" + "X")


def named(path: Path) -> str:
    return str(path.relative_to(ROOT))


every_sim = pytest.mark.parametrize("path", SIM, ids=named)
every_controller = pytest.mark.parametrize("path", [*CONTROLLERS, STARTER], ids=named)
every_module = pytest.mark.parametrize("path", SIM + CONTROLLERS, ids=named)


def imported(path: Path) -> Iterator[str]:
    """Every module a file names in an import, wherever in the file, as a dotted name."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: a relative import hides its layer"
            # The name imported may itself be a package.
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def climbs(package: str, dotted: str) -> bool:
    """Whether a layer may not import this."""
    parts = dotted.split(".")
    if parts[0] != "sim" or len(parts) < 2 or parts[1] == package:
        return False
    return parts[1] in ROWS and ROWS[parts[1]] >= ROWS[package]


@every_sim
def test_imports_go_down_only(path: Path) -> None:
    """A layer imports itself and lower layers, never one beside it or above."""
    package = path.relative_to(ROOT / "sim").parts[0]
    if package in ROWS:
        assert [dotted for dotted in imported(path) if climbs(package, dotted)] == []


@pytest.mark.parametrize(
    ("package", "dotted", "wrong"),
    [
        ("world", "sim.bench.run", True),
        ("world", "sim.record.table", True),
        ("base", "sim.world.bus", True),
        ("world", "sim.world.bus", False),
        ("face", "sim.base.clock", False),
        ("base", "sim.__version__", False),
        ("bench", "controllers.board", False),
    ],
)
def test_the_layer_check_knows_up_from_down(package: str, dotted: str, wrong: bool) -> None:
    """The check itself refuses an import upwards or sideways and lets the others pass."""
    assert climbs(package, dotted) is wrong


def test_every_package_has_a_row() -> None:
    """No folder of code stands outside the layers; those of the demo's and the starter's files are data."""
    folders = {path.relative_to(ROOT / "sim").parts[0] for path in SIM if path.parent != ROOT / "sim"}
    assert folders - set(DATA) == set(ROWS)
    assert [each for name in DATA for each in imported(ROOT / "sim" / name / "__init__.py")] == []


@every_sim
def test_module_says_its_row(path: Path) -> None:
    """A module's docstring ends its first sentence with the row it stands in."""
    package = path.relative_to(ROOT / "sim").parts[0]
    if package in ROWS and path.name != "__init__.py":
        assert f"(row {ROWS[package]})" in (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "")


@every_controller
def test_controllers_stand_alone(path: Path) -> None:
    """Controllers import each other and the standard library, nothing else."""
    roots = {dotted.split(".")[0] for dotted in imported(path)}
    assert roots <= sys.stdlib_module_names | {"controllers"}


@every_controller
def test_controllers_know_no_floats(path: Path) -> None:
    """No float constant, no true division and no float type stands in a controller: it is to become C on integers."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        assert not (isinstance(node, ast.Constant) and isinstance(node.value, float)), ast.unparse(node)
        assert not (isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div)), ast.unparse(node)
        assert not (isinstance(node, ast.Name) and node.id == "float"), f"line {node.lineno}"


@every_module
def test_files_stay_short(path: Path) -> None:
    """A file has fewer than 400 lines."""
    assert len(path.read_text(encoding="utf-8").splitlines()) < LINES_MAX


def functions(path: Path) -> Iterator[ast.FunctionDef]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef):
            yield node


@every_module
def test_functions_stay_short(path: Path) -> None:
    """A function's body, its docstring left out, has fewer than 60 lines."""
    for function in functions(path):
        body = function.body[1:] if ast.get_docstring(function) else function.body
        if body:
            lines = (body[-1].end_lineno or 0) - body[0].lineno + 1
            assert lines < BODY_LINES_MAX, function.name


def public(tree: ast.Module) -> Iterator[ast.FunctionDef | ast.ClassDef]:
    """Functions, classes and their methods that others may use; a nested function is its owner's matter."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from (part for part in node.body if isinstance(part, ast.FunctionDef) and part.name[0] != "_")


# A step's tuples say in their fields' comments what they hold.
PLAIN_TUPLES = {"Params", "State", "Inputs", "Outputs", "Tape"}


@every_module
def test_public_names_are_documented(path: Path) -> None:
    """Every public function, class and method has a docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bare = {node.name for node in public(tree) if not ast.get_docstring(node)} - PLAIN_TUPLES
    assert bare == set()


def texts() -> list[Path]:
    folders = [ROOT / name for name in ("sim", "controllers", "tests", "docs", "traces")]
    found = [path for folder in folders for path in folder.rglob("*")] + list(ROOT.glob("*.*"))
    return sorted(path for path in found if path.suffix in (".py", ".md", ".yaml", ".toml"))


@pytest.mark.parametrize("path", texts(), ids=named)
def test_nothing_is_left_unfinished(path: Path) -> None:
    """No file promises to be finished later."""
    assert UNFINISHED.search(path.read_text(encoding="utf-8", errors="replace")) is None


def in_the_loop() -> list[FunctionType]:
    """Every function of the world that runs tick by tick."""
    roots: list[Callable[..., object]] = [machine.step, senses.step]
    found = {function for root in roots if isinstance(root, FunctionType) for function in callees(root)}
    return sorted(found | {root for root in roots if isinstance(root, FunctionType)}, key=_where)


def _where(function: FunctionType) -> str:
    return f"{function.__module__}.{function.__name__}"


@pytest.mark.parametrize("function", in_the_loop(), ids=_where)
def test_kernels_keep_to_what_compiles_alike(function: FunctionType) -> None:
    """No power, no hypot and no replaced field stands in a kernel: those differ compiled, or do not compile."""
    path = Path(function.__code__.co_filename)
    definition = next(node for node in functions(path) if node.name == function.__name__)
    for node in ast.walk(definition):
        assert not isinstance(node, ast.Pow), f"{path}:{definition.lineno}: write x * x"
        assert not (isinstance(node, ast.Attribute) and node.attr in ("hypot", "_replace", "pow")), node.attr
