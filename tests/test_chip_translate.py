"""What the C says, and that every accepted form means in it what it means in Python."""

from __future__ import annotations

import random
import re
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from chip_programs import HEAD, any_number, flat, module_of, write_c

from sim.base.errors import InputError
from sim.bench.control import Watched, load_controller
from sim.chip.building import compilers
from sim.chip.isolated import Isolated
from sim.chip.layout import harmless, remark
from sim.chip.names import RESERVED, free
from sim.chip.translate import PARAMS, SOURCE, source_text, translate

CHECKED = ("-g", "-fsanitize=undefined,address", "-fno-sanitize-recover=all", "-Wall", "-Wextra", "-Wpedantic")
STRICT = (*CHECKED, "-Wconversion", "-Wshadow", "-Werror")

# Every accepted form, among names that C keeps for itself.
ZOO = (
    HEAD
    + '''
# A limit with a comment above it.
signed = 90  # and one behind it

WIDE: int = 40_000


class Trio(NamedTuple):
    """Three numbers; `int` is a word of C.

    default : is one too.
    """

    default: int
    pair: Pair
    # The last of them.
    WIDE: int  # named as a constant is


def clamp(value: int, lowest: int, highest: int) -> int:
    return min(max(value, lowest), highest)


def unread(value: int, other: int) -> int:
    # The other is for later.
    kept = other
    return value


def trio(first: int, pair: Pair) -> Trio:
    """Ends a comment */ and begins one /* and has a trigraph ??/"""
    return Trio(first, pair, WIDE=signed)


def swapped(pair: Pair) -> Pair:
    left, right = pair
    return Pair(left=right, right=left)


def either(first: Pair, second: Pair, which: int) -> Pair:
    return first if which else second


def root(square: int) -> int:
    """The whole part of a square root, bit by bit."""
    found = 0
    for bit in range(0, 8):
        switch = found + (128 >> bit)
        if switch * switch <= square:
            found = switch
    return found


def first_above(bound: int) -> int:
    for number in range(3, 20):
        if number % 4 == 0:
            continue
        if number > bound:
            return number
        if number == 17:
            break
    return -1


def signs(a: int, b: int) -> int:
    """Floors and remainders of numbers of both signs."""
    by = b if b != 0 else 7
    return a // by * 3 + a % by - (a >> 3) + (a << 2) + (-a // 5) + (~b & 63) + (a ^ b) + (a | 5) - abs(b)


def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    """A step of everything."""
    int32_t = clamp(inputs.a, -1000, 1000)  # a name of stdint.h
    double = clamp(value=inputs.b, highest=1000, lowest=-1000)

    long, throttle_step = swapped(state.pair)
    case = 1 if 0 <= int32_t < double != 7 else -1
    pair = Pair(left=clamp(long + int32_t, -signed, signed), right=double)
    three = trio(int32_t, pair)
    if three.default > 0 and (double > 0 or not int32_t == 5):
        # Inside the first branch.
        case += 2
        total = three.pair.left
    elif double:
        total = three.WIDE
    # Above the last branch.
    else:
        total = signs(int32_t, double)
    x = y = total
    a, b = x + 1, y - 1
    both = either(pair, state.pair, case - 1)
    unused = unread(a, b)
    goto: int = root(clamp(inputs.c, 0, 60_000)) + first_above(double)
    # A pair of constants has to be worked out in 32 bits.
    big = 300 * 200 + (WIDE if inputs.c == 3 else 2) * 2
    state_after = State(
        # A comment at a field.
        pair=both,
        count=clamp(state.count + case, -50, 50),  # behind a field
    )
    return state_after, Command(x=total + goto, y=clamp(big + b * a // 4, -WIDE, WIDE) % -9 + throttle_step)
'''
)


def zoo(folder: Path) -> tuple[ModuleType, Any]:
    module = module_of(ZOO, folder)
    return module, module.Params(tick_us=1000, gain=-7, zero=0)


def test_every_accepted_form_means_the_same_in_c(tmp_path: Path) -> None:
    """Over extreme numbers the C of all forms gives the Python's answers, under the sanitizers, without a warning."""
    module, params = zoo(tmp_path)
    source = write_c(module.initial, module.step, params, tmp_path)
    rng = random.Random(3)
    rows = np.array([[any_number(rng) for _ in range(3)] for _ in range(20_000)], dtype=np.int64)
    state, answers = module.initial(params), []
    for row in rows.tolist():
        state, command = module.step(params, state, module.Inputs(*row))
        answers.append(list(command))
    for compiler in compilers():
        with Isolated(source, module.Inputs, module.Command, 60.0, STRICT, compiler) as chip:
            after, said = chip.steps(chip.initial(), rows.astype(np.int32).tobytes())
        assert np.frombuffer(said, dtype=np.int32).reshape(-1, 2).tolist() == answers
        assert np.frombuffer(after, dtype=np.int32).tolist() == flat(state)


@pytest.fixture(scope="module")
def text(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The zoo's C."""
    module, params = zoo(tmp_path_factory.mktemp("zoo"))
    return source_text(translate(module.initial, module.step, params), ["On top."])


def above(text: str, line: str) -> str:
    """The line above the one that holds this."""
    lines = text.splitlines()
    return lines[next(index for index, each in enumerate(lines) if line in each) - 1].strip()


@pytest.mark.parametrize(
    ("line", "comment"),
    [
        ("#define SIGNED", " * and one behind it"),
        ("case_ += 2".replace("+= 2", "= case_ + 2"), "/* Inside the first branch. */"),
        ("total = made", "/* Above the last branch. */"),
        ("big = ", "/* A pair of constants has to be worked out in 32 bits. */"),
        (".pair = both", "/* A comment at a field. */"),
        (".count = made", "/* behind a field */"),
        ("void throttle_step(", "/* A step of everything. */"),
        ("kept = other", "/* The other is for later. */"),
    ],
)
def test_comments_stand_above_what_they_explain(text: str, line: str, comment: str) -> None:
    """Each comment and docstring of the Python stands right above the C of what it was written at."""
    plain = re.sub(r"made_\d+", "made", text)
    found = above(plain, line)
    assert found in (comment.strip(), comment.strip().removeprefix("* "), "*/") or comment.strip("/* ") in found


def test_comments_cannot_break_out() -> None:
    """Text that would end a comment, begin another, or escape a line by a trigraph is taken apart."""
    assert harmless("a */ b /* c ??/ d \\") == "a * / b / * c ? ?/ d"
    assert harmless("/*/") == "/ * /"
    assert "\n".join(remark(["one", "two"])).count("*/") == 1


def test_names_are_those_of_the_python_where_c_leaves_them_free(text: str) -> None:
    """A word of C gets an underscore behind it; a leading one, which C keeps for itself, goes."""
    names = set(re.findall(r"[A-Za-z_]\w*", text))
    assert {"SIGNED", "WIDE", "WIDE_", "case_", "double_", "int32_t_", "long_", "goto_", "big"} <= names
    assert not any(name.startswith("_") for name in names)


def test_every_word_of_c_has_a_free_name() -> None:
    """Whatever C, stdint.h, the helpers or another name hold, some name is found, and it is none of those."""
    held = {*RESERVED, "int32_t", "uint_least8_t", "INT32_C", "INT_MAX", "UINTPTR_MAX", "SIZE_MAX"}
    found = {free(word, ()) for word in held} | {free("x", {"x", "x_"}), free("__x", ()), free("8-bit", ())}
    assert not found & held
    assert {"x", "x__", "n8_bit"} <= found


def test_plain_operators_where_nothing_is_negative(text: str) -> None:
    """`/` and `%` of numbers that are proved not to be negative are C's own; the others go through a function."""
    assert re.search(r"number % 4 == 0", text)
    assert "int32_floor_div(" in text
    assert "int32_floor_mod(" in text
    assert "int32_shift_right(" in text
    assert "128 >> bit" in text


def test_constants_of_a_pair_are_worked_out_in_32_bits(text: str) -> None:
    """300 * 200 leaves 16 bits, which is all that an `int` need have: one of the two says that it has 32."""
    assert "(int32_t)300 * 200" in text
    assert "#define WIDE INT32_C(40000)" in text


def test_nothing_but_stdint_is_needed(tmp_path: Path) -> None:
    """The three files include each other and stdint.h, and name no floating point and no heap."""
    controller = load_controller("reference", 1000)
    assert isinstance(controller.step, Watched)
    source = write_c(controller.initial, controller.step.bare, controller.params, tmp_path)
    whole = "".join(path.read_text(encoding="utf-8") for path in sorted(tmp_path.glob("throttle*.[ch]")))
    assert set(re.findall(r"#include (\S+)", whole)) == {"<stdint.h>", '"throttle.h"', '"throttle_params.h"'}
    code = re.sub(r"/\*.*?\*/", "", whole, flags=re.DOTALL)
    assert re.findall(r"\b(float|double|malloc|free|\w*printf|memcpy)\b|\d\.\d", code) == []
    # Freestanding, it asks the linker for nothing but itself.
    done = subprocess.run(
        [compilers()[0], "-std=c99", "-ffreestanding", "-O2", "-c", str(source), "-o", str(tmp_path / "a.o")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    listed = subprocess.run(["nm", "-u", str(tmp_path / "a.o")], capture_output=True, text=True, check=True)
    assert set(listed.stdout.split()) - {"U"} <= {"memcpy", "memset"}


def test_other_parameters_do_not_compile(tmp_path: Path) -> None:
    """The ranges are proved for one set of values: with another number in the header the C refuses."""
    module, params = zoo(tmp_path)
    source = write_c(module.initial, module.step, params, tmp_path)
    header = tmp_path / PARAMS
    text = header.read_text(encoding="utf-8")
    assert "#define THROTTLE_GAIN (-INT32_C(7))" in text
    header.write_text(text.replace("THROTTLE_GAIN (-INT32_C(7))", "THROTTLE_GAIN (-INT32_C(8))"), encoding="utf-8")
    with pytest.raises(InputError, match=f'#error "{PARAMS} is not the one that {SOURCE} was made with"'):
        Isolated(source, module.Inputs, module.Command)


DEAD = (
    HEAD
    + """
def step(params: Params, state: State, inputs: Inputs) -> tuple[State, Command]:
    a = min(max(inputs.a, 0), 100)
    x = 1
    if params.zero > 0:
        # Only where zero is more.
        x = a // params.zero
    elif a > 100:
        # Never, but without harm.
        x = a + 7
    y = a // params.zero if params.zero != 0 else 3
    z = a * 2 if a <= 100 else a * 4
    if a < 0 and 5 // params.zero > 1:
        y = 4
    if params.gain == 1:
        return State(pair=state.pair, count=x), Command(x=x, y=y + z)
    return State(pair=state.pair, count=x), Command(x=1 // params.zero, y=y)
"""
)


def test_code_that_no_run_reaches(tmp_path: Path) -> None:
    """It stays where it is safe all the same; what it would divide by 0 goes, and says so; what is left compiles."""
    module = module_of(DEAD, tmp_path)
    params = module.Params(tick_us=1000, gain=1, zero=0)
    source = write_c(module.initial, module.step, params, tmp_path)
    text = source.read_text(encoding="utf-8")
    assert "a / THROTTLE_ZERO" not in text
    assert "1 / THROTTLE_ZERO" not in text
    assert "Only where zero is more" not in text
    assert "Never reached with these parameters: " in text
    assert "Always so with these parameters: " in text
    assert "/* Never, but without harm. */" in text
    assert "x = a + 7;" in text
    assert "? a * 2 : a * 4" in text
    with Isolated(source, module.Inputs, module.Command, flags=STRICT) as chip:
        for a in (-5, 0, 60, 400):
            _, command = chip.step(None, chip.initial(), (a, 0, 0))
            assert command == module.step(params, module.initial(params), module.Inputs(a, 0, 0))[1]
