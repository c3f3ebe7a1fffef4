"""C by hand with the header's interface runs as exported C does; its crashes and hangs are its own."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controllers.board import Command, Inputs
from sim.base.errors import InputError
from sim.chip import building
from sim.chip.building import built, compilers
from sim.chip.isolated import ChipError, Isolated
from sim.chip.shared import Shared

# Fields in another order and of another width than the board's: the interface is their names.
HEADER = """
#ifndef THROTTLE_H
#define THROTTLE_H
#include <stdint.h>
#define THROTTLE_TICK_US 500
typedef struct {
    uint8_t deadman, mode_button, kill_cord;
    int16_t hall_counts;
    int32_t sensor_supply_mv, bus_mv, pack_ma;
    int16_t right_rpm, left_rpm;
} throttle_inputs_t;
typedef struct {
    int32_t lever_permille;
    uint16_t left_pulse_us, right_pulse_us;
    uint8_t power_step, display, mode, reason;
} throttle_command_t;
typedef struct {
    uint8_t ticks;
    int32_t sum;
} throttle_state_t;
void throttle_initial(throttle_state_t *state);
void throttle_step(throttle_state_t *state, const throttle_inputs_t *inputs, throttle_command_t *command);
#endif
"""

BY_HAND = """
#include "throttle.h"
@BEFORE@
void throttle_initial(throttle_state_t *state) { state->ticks = 7; state->sum = 0; }
void throttle_step(throttle_state_t *state, const throttle_inputs_t *inputs, throttle_command_t *command)
{
    state->ticks++;
    state->sum += inputs->hall_counts - inputs->right_rpm;
    command->left_pulse_us = 1000;
    command->right_pulse_us = 2000;
    command->mode = inputs->deadman;
    command->display = state->ticks;
    command->lever_permille = state->sum;
    @INSIDE@
}
"""

REST = Inputs(600, 5000, 52_000, 0, 0, 0, 1, 0, -1)
By = Callable[..., Path]


@pytest.fixture
def by_hand(tmp_path: Path) -> By:
    """Writes a controller in C, with something before its functions or inside its step."""

    def write(inside: str = "", before: str = "", header: str = HEADER) -> Path:
        (tmp_path / "throttle.h").write_text(header)
        (tmp_path / "hand.c").write_text(BY_HAND.replace("@INSIDE@", inside).replace("@BEFORE@", before))
        return tmp_path / "hand.c"

    return write


Chip = Shared | Isolated


@pytest.fixture(params=[Shared, Isolated])
def chip(request: pytest.FixtureRequest, by_hand: By) -> Iterator[Chip]:
    """The controller by hand, in this process and in one of its own."""
    made = request.param(by_hand(), Inputs, Command)
    yield made
    if isinstance(made, Isolated):
        made.close()


def test_fields_are_found_by_their_names(chip: Chip) -> None:
    """Worked out by hand: 600 + 1 is the sum after a tick, 8 the tick counted on from 7, 1 the dead-man."""
    state, command = chip.step(None, chip.initial(), REST._replace(deadman=1))
    assert command == Command(1000, 2000, power_step=0, display=8, mode=1, reason=0, lever_permille=601)
    assert {type(value) for value in command} == {int}
    assert chip.step(None, state, REST)[1].lever_permille == 1202


def test_a_state_is_kept_by_whoever_has_it(chip: Chip) -> None:
    """Two runs side by side do not see each other, and the same state gives the same answer again."""
    one = two = chip.initial()
    for _ in range(3):
        one, _ = chip.step(None, one, REST)
    assert chip.step(None, two, REST)[1].display == 8
    assert chip.step(None, one, REST) == chip.step(None, one, REST)


def test_many_ticks_at_once_are_as_many_ticks(chip: Chip) -> None:
    """10 000 ticks in one call end in the state and the command that they end in one by one."""
    row = b"".join(value.to_bytes(4, "little", signed=True) for value in REST)
    state, answers = chip.steps(chip.initial(), row * 10_000)
    assert len(answers) == 10_000 * 4 * len(Command._fields)
    assert int.from_bytes(answers[-4:], "little", signed=True) == 6_010_000
    assert chip.step(None, state, REST)[1].lever_permille == 6_010_601


def test_the_header_says_for_which_tick_it_is(chip: Chip) -> None:
    """THROTTLE_TICK_US of the header, which a bench compares with its own."""
    assert chip.tick_us == 500


def test_a_header_without_a_tick_fits_any(by_hand: By) -> None:
    """0 where the header names none."""
    header = HEADER.replace("#define THROTTLE_TICK_US 500", "")
    assert Shared(by_hand(header=header), Inputs, Command).tick_us == 0


@pytest.mark.parametrize(
    ("inside", "said"),
    [
        ("if (inputs->kill_cord) { *(volatile int *)0 = 1; }", "crashed with SIGSEGV"),
        ("if (inputs->kill_cord) { __builtin_trap(); }", "crashed with SIG(ILL|TRAP)"),
        ("if (inputs->kill_cord) { exit(3); }", "ended by itself with exit code 3"),
        ("if (inputs->kill_cord) { for (;;) { burn++; } }", "gave no answer within 0.5 s"),
        ("if (inputs->kill_cord) { sleep(60); }", "gave no answer within 0.5 s"),
    ],
)
def test_a_crash_or_hang_is_one_error_and_the_next_call_works(by_hand: By, inside: str, said: str) -> None:
    """The call that crashes or hangs says how, in a moment; what comes after it runs in a new process."""
    before = "#include <stdlib.h>\n#include <unistd.h>\nvolatile int burn;"
    with Isolated(by_hand(inside, before), Inputs, Command, limit_s=0.5) as chip:
        good, _ = chip.step(None, chip.initial(), REST._replace(kill_cord=0))
        began = time.monotonic()
        with pytest.raises(ChipError, match=said):
            chip.step(None, good, REST)
        assert time.monotonic() - began < 5.0
        assert chip.step(None, good, REST._replace(kill_cord=0))[1].display == 9


def test_a_sanitizer_tells_what_is_undefined(by_hand: By) -> None:
    """With the compiler's checks an overflow is an error that says where."""
    flags = ("-fsanitize=undefined", "-fno-sanitize-recover=all")
    source = by_hand("state->sum += 2147483647;")
    with (
        Isolated(source, Inputs, Command, flags=flags) as chip,
        pytest.raises(ChipError, match="signed integer overflow"),
    ):
        chip.step(None, chip.initial(), REST)


def test_what_the_code_prints_and_reads_does_not_disturb_it(by_hand: By) -> None:
    """Standard output is not what answers go through, and standard input is empty."""
    inside = 'puts("noise"); command->reason = getchar() == EOF;'
    with Isolated(by_hand(inside, "#include <stdio.h>"), Inputs, Command) as chip:
        assert chip.step(None, chip.initial(), REST)[1].reason == 1


def test_code_that_writes_without_end_is_stopped(by_hand: By) -> None:
    """What it prints fills no disk."""
    inside = 'for (;;) { puts("noise"); fflush(stdout); }'
    with (
        Isolated(by_hand(inside, "#include <stdio.h>"), Inputs, Command) as chip,
        pytest.raises(ChipError, match="crashed with SIGXFSZ"),
    ):
        chip.step(None, chip.initial(), REST)


def test_nothing_is_left_running(by_hand: By) -> None:
    """A closed one, and one that nobody holds any more, leave no process behind."""
    source = by_hand()
    chip = Isolated(source, Inputs, Command)
    chip.initial()
    process = chip._process
    assert process is not None
    chip.close()
    assert process.poll() is not None
    other = Isolated(source, Inputs, Command)
    other.initial()
    left = other._process
    assert left is not None
    del other
    assert left.poll() is not None


def test_a_tick_takes_a_moment(by_hand: By) -> None:
    """A question and its answer take less than the millisecond of a tick, even on a busy machine (common practice)."""
    with Isolated(by_hand(), Inputs, Command) as chip:
        state = chip.initial()
        began = time.process_time()
        for _ in range(1000):
            state, _ = chip.step(None, state, REST)
        assert time.process_time() - began < 1.0


def faults(source: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        Shared(source, Inputs, Command)
    return [str(fault) for fault in caught.value.faults]


def test_c_that_does_not_compile_is_told_with_its_place(by_hand: By) -> None:
    """One line for each of the compiler's errors: file, line, column, words."""
    source = by_hand("state->none = 1;\n    another = 2;")
    found = faults(source)
    assert len(found) == 2
    line = source.read_text().splitlines().index("    state->none = 1;") + 1
    assert found[0].startswith(f"{source}:{line}:")
    assert "none" in found[0]
    assert "another" in found[1]


def test_a_field_that_the_header_lacks_is_told(by_hand: By) -> None:
    """The board's fields must be in the header; the fault is the header's."""
    source = by_hand(header=HEADER.replace("pack_ma", "pack_ka"))
    (found,) = faults(source)
    assert found.startswith(f"{source.parent / 'throttle.h'}: ")
    assert "pack_ma" in found


def test_a_function_that_is_not_there_is_told(by_hand: By) -> None:
    """Found when the program is linked."""
    source = by_hand()
    source.write_text(source.read_text().replace("throttle_initial(", "throttle_other("))
    with pytest.raises(InputError, match=r"hand\.c: throttle_initial: expected this function; got no definition"):
        Isolated(source, Inputs, Command)


@pytest.mark.parametrize("name", ["hand.c", "throttle.h"])
def test_a_file_that_is_not_there_is_told(by_hand: By, name: str) -> None:
    """Neither the code nor the header is looked for anywhere else."""
    source = by_hand()
    (source.parent / name).unlink()
    assert faults(source)[0].endswith("; got no such file")


def test_no_compiler_is_told(by_hand: By, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without one there is nothing to try."""
    monkeypatch.setattr(building, "compilers", tuple)
    assert faults(by_hand()) == ["compiler: expected a C compiler on the path: cc, gcc, clang; got none"]


def test_what_was_compiled_is_used_again_only_if_nothing_changed(by_hand: By) -> None:
    """The same text is compiled once; a changed header, which the file includes, is another text."""
    source = by_hand()
    first = built(source, Inputs, Command)
    made = os.stat(first).st_mtime_ns
    assert built(source, Inputs, Command) == first
    assert os.stat(first).st_mtime_ns == made
    assert built(by_hand(header=HEADER.replace("500", "250")), Inputs, Command) != first
    for compiler in compilers()[1:]:
        assert built(source, Inputs, Command, compiler=compiler) != first
