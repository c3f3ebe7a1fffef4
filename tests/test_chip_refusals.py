"""What the accepted style leaves out is refused with its place and the reason, and never translated."""

from __future__ import annotations

import re
from pathlib import Path
from types import ModuleType

import pytest
from chip_programs import HEAD, module_of

from sim.base.errors import InputError
from sim.chip.reading import read_program
from sim.chip.tree import Number, Return

MORE = """
import functools
import math
import sys

from collections import namedtuple
from typing import Any

RATIO = 0.5
FLAG = True
TEXT = "text"
TABLE = (1, 2, 3)
COUNTED = 0

Loose = namedtuple("Loose", "x y")


class Fractions(NamedTuple):
    x: float


class WithMethod(NamedTuple):
    x: int

    def twice(self) -> int:
        return 2 * self.x


class Other(NamedTuple):
    left: int
    right: int


def half(n: int, by: int = 2) -> int:
    return n // by


def any_of(*numbers: int) -> int:
    return 0


def named(*, n: int) -> int:
    return n


def untyped(n):
    return 0


def of_float(n: float) -> int:
    return 0


def no_answer(n: int) -> None:
    return None


def truth(n: int) -> bool:
    return n > 0


@functools.cache
def cached(n: int) -> int:
    return n


def decorated(function):
    return function


@decorated
def plainly_decorated(n: int) -> int:
    return n


def itself(n: int) -> int:
    return itself(n - 1) if n > 0 else 0


def there(n: int) -> int:
    return back(n)


def back(n: int) -> int:
    return there(n)


def falls_off(n: int) -> int:
    if n > 0:
        return 1


def counts(n: int) -> int:
    global COUNTED
    COUNTED = COUNTED + 1
    return COUNTED


def reads_counted(n: int) -> int:
    return COUNTED


def takes_pair(pair: Pair) -> int:
    return pair.left


def makes_pair(n: int) -> Pair:
    return Pair(left=n, right=n)


def takes_params(params: Params) -> int:
    return params.gain


def keeps_params(params: Params) -> Params:
    return params


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    a = inputs.a
    pair = state.pair
{body}
    return State(pair=state.pair, count=0), Command(x=x, y=0)
"""

REFUSED = {
    "fraction": ("x = 1.5", "1.5: expected a whole number; got a fraction"),
    "truth": ("x = True", "True: expected 1 or 0; got a truth value"),
    "text": ("x = 'on'", "'on': expected a whole number; got text"),
    "none": ("x = None", "None: expected a whole number; got None"),
    "complex": ("x = 2j", "2j: expected a whole number; got a complex number"),
    "format": ("x = f'{a}'", "f'{a}': expected whole numbers; got text"),
    "true division": ("x = a / 2", "a / 2: expected whole-number division //; got /"),
    "power": ("x = a ** 2", "a ** 2: expected x * x; got **"),
    "matrix product": ("x = a @ 2", "a @ 2: expected whole numbers; got @"),
    "divided in place": ("x = 4\n    x /= 2", "x /= 2: expected whole-number division //; got /"),
    "float call": (
        "x = float(a)",
        "float(a): expected a function of this style, a NamedTuple, min, max or abs; got the class float",
    ),
    "int call": (
        "x = int(a)",
        "int(a): expected a function of this style, a NamedTuple, min, max or abs; got the class int",
    ),
    "round": (
        "x = round(a)",
        "round(a): expected a function of this style, a NamedTuple, min, max or abs; got the function round",
    ),
    "pow": (
        "x = pow(a, 2)",
        "pow(a, 2): expected a function of this style, a NamedTuple, min, max or abs; got the function pow",
    ),
    "library": (
        "x = math.isqrt(4)",
        "math.isqrt(4): expected a function of this style, a NamedTuple, min, max or abs; got the function isqrt",
    ),
    "print": (
        "print(a)\n    x = 0",
        "print(a): expected a statement that does something; got a value that nothing uses",
    ),
    "unused value": (
        "a + 1\n    x = 0",
        "a + 1: expected a statement that does something; got a value that nothing uses",
    ),
    "comparison as a value": (
        "x = a > 0",
        "a > 0: expected 1 if ... else 0 where a truth value is stored; got a comparison as a value",
    ),
    "and as a value": (
        "x = a and 1",
        "a and 1: expected 1 if ... else 0 where a truth value is stored; got and/or as a value",
    ),
    "not as a value": (
        "x = not a",
        "not a: expected 1 if ... else 0 where a truth value is stored; got not as a value",
    ),
    "identity": ("x = 1 if a is 0 else 0", "a is 0: expected == or !=; got is"),
    "membership": ("x = 1 if a in TABLE else 0", "TABLE: expected a whole number, a variable or a field; got tuple"),
    "list": ("x = [1, 2]", "[1, 2]: expected whole numbers or a NamedTuple of them; got a list"),
    "tuple": ("x = (1, 2)", "(1, 2): expected a NamedTuple with every field; got a plain tuple"),
    "dictionary": ("x = {1: 2}", "{1: 2}: expected whole numbers or a NamedTuple of them; got a dictionary"),
    "set": ("x = {1, 2}", "{1, 2}: expected whole numbers or a NamedTuple of them; got a set"),
    "comprehension": (
        "x = [n for n in TABLE]",
        "[n for n in TABLE]: expected whole numbers or a NamedTuple of them; got a comprehension",
    ),
    "generator": (
        "x = min(n for n in TABLE)",
        "min(n for n in TABLE): expected min of two or more whole numbers; got something else",
    ),
    "index": ("x = TABLE[0]", "TABLE[0]: expected a field by its name; got an index"),
    "field by index": ("x = pair[0]", "pair[0]: expected a field by its name; got an index"),
    "lambda": (
        "x = (lambda: 1)()",
        "(lambda: 1)(): expected a function of this style, a NamedTuple, min, max or abs; got an unknown name",
    ),
    "walrus": (
        "x = (y := 2)",
        "y := 2: expected the assignment on a line of its own; got an assignment inside an expression",
    ),
    "starred": ("x = max(*TABLE)", "max(*TABLE): expected max of two or more whole numbers; got something else"),
    "min of one": ("x = min(a)", "min(a): expected min of two or more whole numbers; got something else"),
    "min with a key": (
        "x = min(a, 1, key=abs)",
        "min(a, 1, key=abs): expected min of two or more whole numbers; got something else",
    ),
    "abs of two": ("x = abs(a, 1)", "abs(a, 1): expected abs of one whole numbers; got something else"),
    "while": (
        "x = 0\n    while x < 3:\n        x = x + 1",
        "while: expected a loop over range() of a fixed length; got while",
    ),
    "loop over a table": (
        "x = 0\n    for n in TABLE:\n        x = n",
        "TABLE: expected for NAME in range(...); got a loop over something else",
    ),
    "loop with a stride": (
        "x = 0\n    for n in range(0, 9, 2):\n        x = n",
        "range(0, 9, 2): expected range(stop) or range(start, stop); got 3 arguments",
    ),
    "loop with else": (
        "x = 0\n    for n in range(2):\n        x = n\n    else:\n        x = 1",
        "x = 1: expected a loop without else; got else after a loop",
    ),
    "loop number set": (
        "x = 0\n    for n in range(2):\n        n = 3",
        "n: expected the loop's number and length left alone; got n set in the loop",
    ),
    "loop length set": (
        "x = 3\n    for n in range(x):\n        x = 2",
        "x: expected the loop's number and length left alone; got x set in the loop",
    ),
    "loop number after it": (
        "for n in range(2):\n        pass\n    x = n",
        "n: expected a value on every path before it is used; got a path without one",
    ),
    "try": ("try:\n        x = a\n    except ValueError:\n        x = 0", "try: expected plain statements; got try"),
    "with": ("with sys.stdout:\n        x = 0", "with: expected plain statements; got with"),
    "raise": ("x = 0\n    raise ValueError", "raise: expected a step that never raises; got raise"),
    "assert": ("x = 0\n    assert a > 0", "assert: expected a step that never raises; got assert"),
    "delete": ("x = 0\n    del a", "del: expected plain statements; got del"),
    "match": ("match a:\n        case _:\n            x = 0", "match: expected if and elif; got match"),
    "global": ("x = counts(a)", "global: expected globals as constants; got global"),
    "global set elsewhere": (
        "x = reads_counted(a)",
        "COUNTED: expected globals as constants; got COUNTED, which a function sets",
    ),
    "import": (
        "import os\n    x = 0",
        "an import inside a function: expected imports at the top of the file; got an import inside a function",
    ),
    "inner function": (
        "def inner() -> int:\n        return 1\n    x = inner()",
        "a function inside a function: expected functions at the top of the file; got a function inside a function",
    ),
    "inner class": (
        "class Inner:\n        pass\n    x = 0",
        "a class inside a function: expected NamedTuples at the top of the file; got a class inside a function",
    ),
    "field set": ("x = 0\n    pair.left = 1", "pair.left: expected an assignment to a variable; got to pair.left"),
    "field added to": (
        "x = 0\n    pair.left += 1",
        "pair.left += 1: expected an assignment to a variable; got to pair.left",
    ),
    "index set": ("x = 0\n    TABLE[0] = 1", "TABLE[0]: expected an assignment to a variable; got to TABLE[0]"),
    "argument set anew": (
        "x = 0\n    state = State(pair=pair, count=1)",
        "state: expected another name; tuples given as arguments stay as they are; got state set anew",
    ),
    "two kinds": ("x = pair\n    x = 0", "x: expected one kind for x; got two kinds"),
    "kinds of a choice": (
        "x = 0 if a > 0 else pair",
        "0 if a > 0 else pair: expected two values of one kind; got two kinds",
    ),
    "one path only": (
        "if a > 0:\n        x = 1",
        "x: expected a value on every path before it is used; got a path without one",
    ),
    "unknown name": ("x = nothing", "nothing: expected a name that is known here; got an unknown name"),
    "unknown field": ("x = pair.middle", "pair.middle: expected a field by its name; got middle of a Pair"),
    "unknown parameter": (
        "x = params.nothing",
        "params.nothing: expected a field of the parameters; got no field nothing",
    ),
    "fraction constant": ("x = RATIO", "RATIO: expected a whole number, a variable or a field; got float"),
    "truth constant": ("x = FLAG", "FLAG: expected a whole number, a variable or a field; got bool"),
    "text constant": ("x = TEXT", "TEXT: expected a whole number, a variable or a field; got str"),
    "function as a value": ("x = half", "half: expected a whole number, a variable or a field; got the function half"),
    "_replace": (
        "x = pair._replace(left=1).left",
        "pair._replace(left=1): expected functions by name or module.name; got the method _replace",
    ),
    "method": (
        "x = WithMethod(x=1).twice()",
        "WithMethod(x=1).twice(): expected functions by name or module.name; got the method twice",
    ),
    "tuple compared": ("x = 1 if pair == state.pair else 0", "pair: expected a whole number; got a Pair"),
    "field left out": ("x = Pair(left=1).left", "Pair(left=1): expected each of left, right; got left"),
    "field twice": (
        "x = Pair(1, left=1).left",
        "Pair(1, left=1): expected each of left, right; got 1 by position, left",
    ),
    "fields starred": (
        "x = Pair(*TABLE).left",
        "Pair(*TABLE): expected each argument by itself; got * or ** in a call",
    ),
    "keywords starred": ("x = Pair(**{}).left", "Pair(**{}): expected each argument by itself; got * or ** in a call"),
    "wrong kind of field": ("x = State(pair=1, count=1).count", "1: expected a Pair; got a whole number"),
    "loose tuple": (
        "x = Loose(1, 2).x",
        "Loose(1, 2): expected a function of this style, a NamedTuple, min, max or abs; got the class Loose",
    ),
    "tuple of fractions": (
        "x = Fractions(1.0).x",
        "Fractions(1.0): expected a function of this style, a NamedTuple, min, max or abs; got the class Fractions",
    ),
    "default": ("x = half(a)", "2: expected arguments without defaults; got a default"),
    "any number of arguments": ("x = any_of(a)", "any_of: expected plain arguments; got * or ** in the arguments"),
    "keyword arguments only": ("x = named(n=a)", "named: expected plain arguments; got * or ** in the arguments"),
    "argument left out": ("x = takes_pair()", "takes_pair(): expected each of pair; got none"),
    "untyped": ("x = untyped(a)", "n: expected an annotation: int, or a NamedTuple of ints; got no annotation"),
    "fraction argument": (
        "x = of_float(a)",
        "n: float: expected an annotation: int, or a NamedTuple of ints; got float",
    ),
    "no answer": ("x = no_answer(a)", "the answer: expected an annotation: int, or a NamedTuple of ints; got NoneType"),
    "truth answer": ("x = truth(a)", "the answer: expected an annotation: int, or a NamedTuple of ints; got bool"),
    "cached": (
        "x = cached(a)",
        "cached(a): expected a function of this style, a NamedTuple, min, max or abs; got _lru_cache_wrapper cached",
    ),
    "decorated": ("x = plainly_decorated(a)", "decorated: expected a function without decorators; got a decorator"),
    "recursion": (
        "x = itself(a)",
        "itself(n - 1): expected functions that do not call themselves; got itself in a circle",
    ),
    "circle": ("x = there(a)", "there(n): expected functions that do not call themselves; got there in a circle"),
    "no return": ("x = falls_off(a)", "falls_off: expected a return on every path; got an end without one"),
    "tuple made on the way": (
        "x = takes_pair(makes_pair(a))",
        "makes_pair(a): expected a variable for this tuple first; got a tuple made on the way",
    ),
    "parameters kept": (
        "p = params\n    x = p.gain",
        "params: expected the parameters only by their fields, or as an argument; got the parameters as a value",
    ),
    "parameters given back": (
        "x = keeps_params(params).gain",
        "the answer: expected an annotation: int, or a NamedTuple of ints; got Params",
    ),
    "parameters made": (
        "x = Params(1, 2, 3).gain",
        "Params(1, 2, 3): expected a function of this style, a NamedTuple, min, max or abs; got the class Params",
    ),
    "other parameters": ("x = takes_params(pair)", "pair: expected the parameters as they came; got something else"),
    "swap": ("x = 1\n    y = 2\n    x, y = y, x", "x, y: expected one assignment a line; got x both set and read"),
    "too many names": (
        "x, y, z = pair",
        "x, y, z: expected a name for each field of a NamedTuple; got 3 names for 2 fields",
    ),
    "starred names": ("x, *y = pair", "x, *y: expected an assignment to a variable; got to x, *y"),
    "delayed": ("x = yield", "yield: expected return; got yield"),
    "other letters": ("größe = 1\n    x = 0", "größe: expected a name in ASCII letters; got größe"),
}


def said(source: str, folder: Path) -> list[str]:
    """Every fault, its file left out."""
    module = module_of(source, folder)
    with pytest.raises(InputError) as caught:
        read_program(module.initial, module.step, module.Params(tick_us=1000, gain=1, zero=0))
    return [str(fault) for fault in caught.value.faults]


def with_body(body: str) -> str:
    return HEAD + MORE.replace("{body}", f"    {body}")


@pytest.mark.filterwarnings("ignore::SyntaxWarning")
@pytest.mark.parametrize("name", REFUSED)
def test_it_is_refused_with_its_reason(name: str, tmp_path: Path) -> None:
    """The only fault names the file, the line and column, what stands there, what was expected and what was got."""
    body, expected = REFUSED[name]
    source = with_body(body)
    (line,) = said(source, tmp_path)
    place, _, rest = line.partition(": ")
    assert rest == expected
    number, column = map(int, place.split(":")[1:])
    shown = expected.split(": expected")[0]
    if not shown.startswith(("the answer", "a ", "an ", "global")):
        # The place is where the text that is shown begins; of a definition it is its first word.
        there = re.sub(r"^(def|global) ", "", source.splitlines()[number - 1][column - 1 :].lstrip("("))
        assert there.startswith(re.split(r"[( ]", shown.lstrip("("))[0])


def test_there_are_many_of_them() -> None:
    """The list is long enough to stand for the language."""
    assert len(REFUSED) >= 90


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    """Three faults in two functions are three lines in the file's order; what follows from one is not told again."""
    lines = said(with_body("x = 1.5\n    y = x + 1\n    z = half(a)\n    x = z / y"), tmp_path)
    assert [line.split(": expected")[0].split(": ")[1] for line in lines] == ["2", "1.5", "z / y"]


def test_a_file_changed_since_it_was_loaded_is_refused(tmp_path: Path) -> None:
    """What would be translated is not what ran."""
    module = module_of(with_body("x = 1"), tmp_path)
    path = Path(str(module.__file__))
    path.write_text(path.read_text(encoding="utf-8").replace("x = 1", "x = 2"), encoding="utf-8")
    with pytest.raises(InputError, match=r"step: expected a function defined once, .* as it was when it was loaded"):
        read_program(module.initial, module.step, module.Params(1000, 1, 0))


def test_a_name_defined_twice_is_the_one_that_was_loaded(tmp_path: Path) -> None:
    """Python keeps the second definition: so does the translation, although the file holds both."""
    twice = "def once(n: int) -> int:\n    return 1\n\n\ndef once(n: int) -> int:\n    return 2\n\n\ndef step("
    module = module_of(with_body("x = once(a)").replace("def step(", twice), tmp_path)
    program = read_program(module.initial, module.step, module.Params(1000, 1, 0))
    (once,) = (function for function in program.functions if function.name == "once")
    assert isinstance(once.body[0], Return)
    assert isinstance(once.body[0].values[0], Number)
    assert once.body[0].values[0].value == 2


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("-> tuple[State, Command]:", "-> State:", "step: expected -> tuple[State, Command] on step; got "),
        ("inputs: Inputs) ->", "inputs: Inputs, more: int) ->", "step: expected step(Params, state, inputs) -> "),
        (
            "def initial(params: Params)",
            "def initial(params: Params, n: int)",
            "initial: expected initial(Params) -> the state that step takes",
        ),
    ],
)
def test_other_heads_are_refused(old: str, new: str, expected: str, tmp_path: Path) -> None:
    """`step` and `initial` take and give what the bench hands them."""
    assert expected in said(with_body("x = 1").replace(old, new), tmp_path)[0]


def test_a_step_that_is_no_plain_function_is_refused() -> None:
    """A class with a call, say, has no source that could be followed."""
    module = ModuleType("odd")
    with pytest.raises(InputError, match="plain functions initial and step"):
        read_program(print, module, None)  # type: ignore[arg-type]
