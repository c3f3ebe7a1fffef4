"""Sizes, stacks and longest paths: of C whose figures are known by construction, and as emulated cores count them.

The emulator is Unicorn (2.1, which has QEMU's cores): it executes the machine code and knows nothing of the estimate.
"""

from __future__ import annotations

import random
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from chip_cores import STATE, Core
from chip_programs import Maker, any_number, module_of, write_c
from test_chip_back_to_back import random_ticks

from controllers.board import Command, Inputs
from sim.base.errors import InputError
from sim.bench.control import load_controller
from sim.chip.disassembly import read_code
from sim.chip.longest import Longest, NoBoundError
from sim.chip.size import TARGETS, Size, Target, linked, missing, size_on, sizes

HEADER = """
#ifndef THROTTLE_H
#define THROTTLE_H
#include <stdint.h>
typedef struct { int32_t a, b; } throttle_inputs_t;
typedef struct { int32_t x; } throttle_command_t;
typedef struct { uint8_t few[5]; int32_t sum; } throttle_state_t;
void throttle_initial(throttle_state_t *state);
void throttle_step(throttle_state_t *state, const throttle_inputs_t *inputs, throttle_command_t *command);
#endif
"""

SOURCE = """
#include "throttle.h"
#define TEN(what) what what what what what what what what what what
#define NOPS __asm__ volatile (TEN("nop\\n"))
@BEFORE@
void throttle_initial(throttle_state_t *state) { state->sum = 0; }
void throttle_step(throttle_state_t *state, const throttle_inputs_t *inputs, throttle_command_t *command)
{
    (void)state;
    command->x = inputs->a;
    @INSIDE@
}
"""

every_core = pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
# The two instruction sets, where the compiler's flags for the one or the other Arm make no difference.
each_family = pytest.mark.parametrize("target", TARGETS[1:], ids=lambda target: target.name)


def made(folder: Path, inside: str = "", before: str = "") -> Path:
    (folder / "throttle.h").write_text(HEADER)
    (folder / "own.c").write_text(SOURCE.replace("@INSIDE@", inside).replace("@BEFORE@", before))
    return folder / "own.c"


def size(target: Target, folder: Path, inside: str = "", before: str = "") -> Size:
    return size_on(target, made(folder, inside, before))


def test_every_cross_compiler_is_there() -> None:
    """What follows tries all three cores; Debian's packages for them are installed."""
    assert missing() == ()


@every_core
def test_a_state_is_as_large_as_its_struct(target: Target, tmp_path: Path) -> None:
    """Five bytes, three of padding, and four: the procedure call standards of both families align to four."""
    assert size(target, tmp_path).state == 12


@each_family
def test_a_table_is_in_flash(target: Target, tmp_path: Path) -> None:
    """A thousand bytes of constants more are a thousand bytes of flash more, but for what the linker aligns."""
    numbers = ", ".join(str(each % 251) for each in range(1000))
    few = size(target, tmp_path, "command->x += table[inputs->b & 3];", "static const uint8_t table[] = {1, 2, 3, 5};")
    many = size(
        target, tmp_path, "command->x += table[inputs->b & 3];", f"static const uint8_t table[] = {{{numbers}}};"
    )
    assert 996 <= many.flash - few.flash <= 1004
    assert few.static == many.static == 0


@each_family
def test_static_memory_is_told(target: Target, tmp_path: Path) -> None:
    """64 bytes that begin empty are memory alone; 8 that begin with numbers are memory and flash."""
    plain = size(target, tmp_path, "command->x += 1;")
    held = "static volatile int32_t held[16]; static volatile int32_t filled[2] = {7, 8};"
    found = size(target, tmp_path, "held[inputs->a & 15] = 1; command->x += filled[inputs->b & 1];", held)
    assert found.static == 72
    assert 8 < found.flash - plain.flash < 64


@each_family
def test_flash_is_what_the_tool_says_of_the_code(target: Target, tmp_path: Path) -> None:
    """For C that calls nothing it is the sum of its functions' sizes, as nm has them."""
    source = made(tmp_path, "NOPS;")
    program = linked(target, source, tmp_path)
    listed = subprocess.run([f"{target.tools}nm", "-S", program], capture_output=True, text=True, check=True).stdout
    functions = [int(match[1], 16) for match in re.finditer(r"^\w+ (\w+) [Tt] throttle_\w+$", listed, re.MULTILINE)]
    assert len(functions) == 2
    assert abs(size_on(target, source).flash - sum(functions)) <= 2


DEEP = """
static int32_t __attribute__((noinline)) inner(int32_t a)
{
    volatile int32_t held[50];
    held[a & 31] = a;
    return held[3] + 1;
}
static int32_t __attribute__((noinline)) outer(int32_t a)
{
    volatile int32_t held[100];
    held[a & 63] = inner(a);
    return held[5] + inner(a + 1);
}
"""


@every_core
def test_the_stack_is_that_of_the_deepest_calls(target: Target, tmp_path: Path) -> None:
    """200 bytes in 400 bytes in a step, and no more than 64 for what three functions save; the emulated core agrees."""
    found = size(target, tmp_path, "command->x += inner(inputs->a) + outer(inputs->b);", DEEP)
    assert found.stack is not None
    assert 600 <= found.stack <= 664
    core = Core(target, tmp_path / "own.c", tmp_path)
    core.step([3, 4], 1)
    assert core.stack == found.stack


@each_family
def test_a_call_at_the_end_takes_its_stack_too(target: Target, tmp_path: Path) -> None:
    """A compiler may jump to what a function ends with, and take the frame of the one after the other."""
    last = "static void __attribute__((noinline)) last(throttle_command_t *command)"
    text = "{ volatile int32_t held[50]; held[command->x & 31] = 1; command->x = held[4]; }"
    found = size(target, tmp_path, "last(command);", last + text)
    assert found.stack is not None
    assert 200 <= found.stack <= 232
    core = Core(target, tmp_path / "own.c", tmp_path)
    core.step([3, 4], 1)
    assert core.stack == found.stack


@each_family
def test_a_longer_path_is_as_much_longer_as_it_is(target: Target, tmp_path: Path) -> None:
    """Thirty instructions more in one line, or in the longer of two branches, are thirty more."""
    plain = size(target, tmp_path, "NOPS;").longest
    four = size(target, tmp_path, "NOPS; NOPS; NOPS; NOPS;").longest
    assert plain is not None
    assert four == plain + 30
    short, long = "NOPS;", "NOPS; NOPS; NOPS; NOPS;"
    branches = [
        size(target, tmp_path, f"if (inputs->a > 3) {{ {then} }} else {{ command->x = 9; {other} }}").longest
        for then, other in ((short, short), (long, short), (short, long))
    ]
    # Which of two branches of the same length has the jump behind it is the compiler's choice.
    assert branches[0] is not None
    assert all(27 <= (each or 0) - branches[0] <= 33 for each in branches[1:])


@each_family
def test_a_loop_turns_as_often_as_it_says(target: Target, tmp_path: Path) -> None:
    """Ten instructions, in a loop of 8 turns, count for 8 to 9 turns; nested in one of 3 turns for 24 to 36."""
    loop = "for (int32_t i = 0; i < (inputs->b & 7); i++) {  /* at most 8 turns */\n NOPS; }"
    one = size(target, tmp_path, loop).longest
    two = size(target, tmp_path, loop.replace("NOPS;", "NOPS; NOPS;")).longest
    assert one is not None
    assert two is not None
    assert 80 <= two - one <= 90
    nest = f"for (int32_t j = 0; j < (inputs->a & 3); j++) {{  /* at most 3 turns */\n {loop} }}"
    one = size(target, tmp_path, nest).longest
    two = size(target, tmp_path, nest.replace("NOPS;", "NOPS; NOPS;")).longest
    assert one is not None
    assert two is not None
    assert 240 <= two - one <= 360


UNKNOWN = {
    "no turns": (
        "for (int32_t i = 0; i < inputs->b; i++) { NOPS; }",
        "",
        r"no longest path: the loop near own\.c:\d+ does not say",
        True,
    ),
    "recursion": (
        "command->x = down(inputs->a);",
        "static int32_t __attribute__((noinline)) down(int32_t a)"
        "{ volatile int32_t b = a; return a <= 0 ? b : b * down(a - 2) + down(a - 1); }",
        r"no longest path: down\S* calls itself",
        False,
    ),
    "pointer": (
        "command->x = chosen[inputs->b & 1](inputs->a);",
        "static int32_t one(int32_t a) { return a + 1; } static int32_t two(int32_t a) { return a * a; }"
        "static int32_t (*volatile chosen[])(int32_t) = {one, two};",
        r"no longest path: a (call|jump) through a register in throttle_step",
        False,
    ),
}


@each_family
@pytest.mark.parametrize("what", UNKNOWN)
def test_what_has_no_bound_says_why(target: Target, tmp_path: Path, what: str) -> None:
    """A loop that does not say its turns has a stack and no path; recursion and pointers to functions have neither."""
    inside, before, why, has_stack = UNKNOWN[what]
    found = size(target, tmp_path, inside, before)
    assert found.longest is None
    assert re.search(why, found.why)
    assert (found.stack is not None) == has_stack


def test_c_that_a_core_does_not_take_is_told(tmp_path: Path) -> None:
    """What does not compile, and what calls a library that a chip has not, is a fault with the tool's words."""
    with pytest.raises(InputError, match=r"own\.c: expected C that Arm Cortex-M0\+ takes; got .*error: .*nothing_such"):
        sizes(made(tmp_path, "nothing_such = 1;"))
    with pytest.raises(InputError, match=r"own\.c: expected C that Arm Cortex-M0\+ takes; got .*undefined reference"):
        sizes(made(tmp_path, "puts(0);", "int puts(const char *text);"))


@every_core
@pytest.mark.parametrize("bytes_", [20, 333])
def test_a_copy_counts_by_its_length(target: Target, bytes_: int, tmp_path: Path) -> None:
    """A state that is copied whole goes through memcpy or not, as the compiler likes; the path is what an emulated
    core executes, which counts no more than one turn less."""
    text = HEADER.replace("uint8_t few[5]", f"uint8_t few[{bytes_}]")
    source = made(tmp_path, "state->sum = inputs->a; kept = *state;", "throttle_state_t kept;")
    (tmp_path / "throttle.h").write_text(text)
    found = size_on(target, source)
    core = Core(target, source, tmp_path)
    core.step([1, 2], 1)
    assert found.longest is not None
    assert core.instructions <= found.longest <= core.instructions + 20


def test_the_compilers_division_takes_no_longer(tmp_path: Path) -> None:
    """A core without a division calls the compiler's; over 6000 pairs, the worst ones among them, none takes more
    instructions or stack than its estimate, which is at most a third above the longest."""
    target = TARGETS[0]
    inside = "command->x = inputs->a / inputs->b + (int32_t)((uint32_t)inputs->a / ((uint32_t)inputs->b + 1u));"
    program = linked(target, made(tmp_path, inside), tmp_path)
    listing = subprocess.run(
        [f"{target.tools}objdump", "-d", "-l", "--no-show-raw-insn", program],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    longest = Longest(read_code(listing), {})
    core = Core(target, tmp_path / "own.c", tmp_path)
    rng = random.Random(1)
    pairs = [(rng.getrandbits(rng.randint(1, 32)), rng.getrandbits(rng.randint(1, 32))) for _ in range(1500)]
    ends = (0, 1, 2, 3, 255, 256, 65535, 65536, 2**31 - 1, 2**31, 2**32 - 1)
    pairs += [(over, under) for over in ends for under in ends]
    for name in ("__divsi3", "__udivsi3"):
        most = 0
        for over, under in pairs:
            core.call(name, over, under)
            most = max(most, core.instructions)
            assert core.stack <= longest.stack(name)
        assert most <= longest.path(name) <= most * 4 / 3


def test_an_unknown_function_has_no_path() -> None:
    """A jump to where no instruction is, as in a listing cut short, is no path."""
    code = read_code("00000000 <f>:\n   0:\tb.n\t8 <f+0x8>\n")
    with pytest.raises(NoBoundError, match="no instruction at 0x8"):
        Longest(code, {}).path("f")


@every_core
@pytest.mark.parametrize("seed", range(2))
def test_random_programs_stay_below_their_bounds(target: Target, seed: int, tmp_path: Path) -> None:
    """On emulated cores random programs, with loops, answer as the Python does, within the stack and the path told."""
    rng = random.Random(300 + seed)
    module = module_of(Maker(rng).source(), tmp_path)
    params = module.Params(tick_us=1000, gain=rng.randint(-20, 20), zero=0)
    source = write_c(module.initial, module.step, params, tmp_path)
    found = size_on(target, source)
    assert found.stack is not None
    assert found.longest is not None
    core = Core(target, source, tmp_path)
    core.call("throttle_initial", STATE)
    state = module.initial(params)
    for _ in range(60):
        inputs = module.Inputs(*(any_number(rng) for _ in module.Inputs._fields))
        state, command = module.step(params, state, inputs)
        assert core.step(inputs, 2) == list(command)
        assert core.instructions <= found.longest
        assert core.stack <= found.stack


@dataclass(frozen=True)
class Shipped:
    """A shipped controller's C, ticks, and what the Python answers."""

    source: Path
    rows: list[list[int]]
    answers: list[list[int]]


@pytest.fixture(scope="module", params=["first_draft", "reference"])
def shipped(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Shipped:
    """Each, with 6000 ticks of rides with faults and of numbers up to the ends of 32 bits."""
    controller = load_controller(request.param, 1000)
    step = controller.step.bare  # type: ignore[attr-defined]
    source = write_c(controller.initial, step, controller.params, tmp_path_factory.mktemp("shipped"))
    state = controller.initial(controller.params)
    rows: list[list[int]] = random_ticks(20_000, seed=31)[6_000:12_000].tolist()
    answers = []
    for row in rows:
        state, command = step(controller.params, state, Inputs(*row))
        answers.append(list(command))
    return Shipped(source, rows, answers)


@every_core
def test_a_shipped_controller_on_an_emulated_core(target: Target, shipped: Shipped, tmp_path: Path) -> None:
    """Every command is the Python's; one tick in thirty is counted, within the stack and the path told. The stack is
    that of the deepest calls met, and the path no more than four times the longest."""
    source = shipped.source
    found = size_on(target, source)
    assert found.stack is not None
    assert found.longest is not None
    assert (found.static, found.why) == (0, "")
    quick, counting = (Core(target, source, tmp_path, counting=each) for each in (False, True))
    quick.call("throttle_initial", STATE)
    counting.call("throttle_initial", STATE)
    most, deepest = 0, counting.stack
    for tick, (row, answer) in enumerate(zip(shipped.rows, shipped.answers, strict=True)):
        if tick % 30 == 0:
            counting.machine.mem_write(STATE, quick.state(found.state))
            counting.step(row, len(Command._fields))
            most, deepest = max(most, counting.instructions), max(deepest, counting.stack)
        assert quick.step(row, len(Command._fields)) == answer
    assert most <= found.longest <= 4 * most
    assert deepest <= found.stack <= deepest + 8
