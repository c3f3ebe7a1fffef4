"""Test vectors as a C header, packed small enough for a chip, and the program that plays them back (row 1).

A table of whole numbers, one row a tick, becomes bytes. A record is

    count   how many ticks have the same row
    mask    one bit a field, the first field's lowest: which ones differ from the record before
    change  for each of those, how far it moved, modulo 2**32

each as a number of 7 bits a byte, lowest first, the highest bit set in all
bytes but the last; a change as twice its size, less one where it is negative.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from sim.chip.layout import harmless, remark
from sim.chip.names import PREFIX
from sim.chip.tree import HIGHEST, Kind

VECTORS, TEST = f"{PREFIX}_vectors.h", f"{PREFIX}_test.c"
_BYTES_A_LINE = 20

Row = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Vector:
    """One run from reset: what the pins read each tick, and what is asked for then."""

    name: str
    inputs: Sequence[Row]
    commands: Sequence[Row]


def packed(rows: Iterable[Row]) -> bytes:
    """A table's bytes."""
    found = bytearray()
    before: Row | None = None
    for row, same in groupby(rows):
        last = before or (0,) * len(row)
        moved = [(now - was) & 0xFFFFFFFF for now, was in zip(row, last, strict=True)]
        mask = sum(1 << index for index, change in enumerate(moved) if change)
        changes = [change if change <= HIGHEST else change - 2**32 for change in moved if change]
        for number in (sum(1 for _ in same), mask, *((2 * c if c >= 0 else -2 * c - 1) for c in changes)):
            found.extend(_sevens(number))
        before = row
    return bytes(found)


def _sevens(number: int) -> Iterator[int]:
    while number > 0x7F:
        yield number & 0x7F | 0x80
        number >>= 7
    yield number


def vectors_text(vectors: Sequence[Vector], inputs: Kind, command: Kind, banner: Sequence[str]) -> str:
    """throttle_vectors.h.

    Parameters
    ----------
    vectors : at least one.
    inputs, command : the board's NamedTuples, in whose order the fields are packed.
    banner : the comment on top.
    """
    guard = f"{PREFIX}_VECTORS_H".upper()
    names = ", ".join(f'"{field}"' for field in command._fields)
    given = "\n".join(f"    inputs->{field} = values[{index}];" for index, field in enumerate(inputs._fields))
    taken = "\n".join(f"    values[{index}] = command->{field};" for index, field in enumerate(command._fields))
    tables = [
        "\n".join([*remark([vector.name]), *_array(f"inputs_{index}", packed(vector.inputs))])
        + "\n\n"
        + "\n".join(_array(f"commands_{index}", packed(vector.commands)))
        for index, vector in enumerate(vectors)
    ]
    rows = "\n".join(
        f'    {{"{_quoted(vector.name)}", {len(vector.inputs)}u, inputs_{index}, commands_{index}}},'
        for index, vector in enumerate(vectors)
    )
    return "\n\n".join(
        [
            "\n".join(remark(banner)),
            f"#ifndef {guard}\n#define {guard}",
            f'#include <stdint.h>\n\n#include "{PREFIX}.h"',
            f"#define VECTOR_INPUTS {len(inputs._fields)}\n#define VECTOR_COMMANDS {len(command._fields)}",
            f"static const char *const vector_commands[VECTOR_COMMANDS] = {{{names}}};",
            f"static void vector_give(const int32_t *values, {PREFIX}_inputs_t *inputs)\n{{\n{given}\n}}",
            f"static void vector_take(const {PREFIX}_command_t *command, int32_t *values)\n{{\n{taken}\n}}",
            *tables,
            "typedef struct {\n    const char *name;\n    uint32_t ticks;\n    const uint8_t *inputs;\n"
            "    const uint8_t *commands;\n} vector_t;",
            f"static const vector_t vectors[] = {{\n{rows}\n}};",
            f"#define VECTOR_COUNT {len(vectors)}",
            f"#endif /* {guard} */\n",
        ]
    )


def _array(name: str, data: bytes) -> list[str]:
    lines = [
        "    " + " ".join(f"{byte}," for byte in data[start : start + _BYTES_A_LINE])
        for start in range(0, len(data), _BYTES_A_LINE)
    ]
    return [f"static const uint8_t {name}[{len(data)}] = {{", *lines, "};"]


def _quoted(name: str) -> str:
    """Text that may stand in a C string, and on a line of results, where # and \\ have a meaning of their own."""
    return "".join(sign for sign in harmless(name) if sign.isascii() and sign not in '"\\#%')


def test_text(banner: Sequence[str]) -> str:
    """throttle_test.c: plays the vectors back, on a desk or on the chip."""
    return "\n".join(remark(banner)) + _TEST


_TEST = f"""
#include <stdint.h>
#include <stdio.h>

#include "{PREFIX}.h"
#include "{VECTORS}"

/* Where the results go; a board without standard output gives its own. */
#ifndef THROTTLE_TEST_PRINT
#define THROTTLE_TEST_PRINT(...) (void)printf(__VA_ARGS__)
#endif

/* As many fields as either table has. */
#define FIELDS ((VECTOR_INPUTS > VECTOR_COMMANDS) ? VECTOR_INPUTS : VECTOR_COMMANDS)

/* A place in a packed table: how many ticks its row still holds, and the row. */
typedef struct {{
    const uint8_t *at;
    uint32_t left;
    int32_t values[FIELDS];
}} cursor_t;

/* A number of 7 bits a byte, the lowest first; the highest bit says that more follow. */
static uint32_t next_number(cursor_t *cursor)
{{
    uint32_t number = 0;
    unsigned shift = 0;
    uint8_t byte;
    do {{
        byte = *cursor->at;
        cursor->at++;
        number |= (uint32_t)(byte & 0x7Fu) << shift;
        shift += 7;
    }} while ((byte & 0x80u) != 0u);
    return number;
}}

/* The row of the next tick. */
static void next_row(cursor_t *cursor)
{{
    if (cursor->left == 0u) {{
        cursor->left = next_number(cursor);
        const uint32_t mask = next_number(cursor);
        for (unsigned field = 0; field < FIELDS; field++) {{
            if (((mask >> field) & 1u) != 0u) {{
                const uint32_t packed = next_number(cursor);
                const uint32_t change = ((packed & 1u) != 0u) ? ~(packed >> 1) : (packed >> 1);
                const uint32_t value = (uint32_t)cursor->values[field] + change;
                /* From 2^31 on it stands for a negative number. */
                cursor->values[field] = (value <= (uint32_t)INT32_MAX)
                    ? (int32_t)value
                    : -(int32_t)(UINT32_MAX - value) - 1;
            }}
        }}
    }}
    cursor->left--;
}}

/* Play one vector back from reset; 0 if every command is the expected one. */
static int play(unsigned number, const vector_t *vector)
{{
    cursor_t given = {{.at = vector->inputs}};
    cursor_t expected = {{.at = vector->commands}};
    throttle_state_t state;
    throttle_initial(&state);
    for (uint32_t tick = 0; tick < vector->ticks; tick++) {{
        throttle_inputs_t inputs;
        throttle_command_t command;
        int32_t found[VECTOR_COMMANDS];
        next_row(&given);
        next_row(&expected);
        vector_give(given.values, &inputs);
        throttle_step(&state, &inputs, &command);
        vector_take(&command, found);
        for (unsigned field = 0; field < VECTOR_COMMANDS; field++) {{
            if (found[field] != expected.values[field]) {{
                THROTTLE_TEST_PRINT("not ok %u - %s\\n", number, vector->name);
                THROTTLE_TEST_PRINT("# tick %lu: %s is %ld, expected %ld\\n", (unsigned long)tick,
                    vector_commands[field], (long)found[field], (long)expected.values[field]);
                return 1;
            }}
        }}
    }}
    THROTTLE_TEST_PRINT("ok %u - %s, %lu ticks\\n", number, vector->name, (unsigned long)vector->ticks);
    return 0;
}}

/* Play every vector back, with the results in TAP, the Test Anything Protocol; 0 if all agree. */
int throttle_test(void);
int throttle_test(void)
{{
    int failed = 0;
    THROTTLE_TEST_PRINT("1..%u\\n", (unsigned)VECTOR_COUNT);
    for (unsigned index = 0; index < VECTOR_COUNT; index++) {{
        failed += play(index + 1u, &vectors[index]);
    }}
    return (failed == 0) ? 0 : 1;
}}

/* A firmware that calls throttle_test by itself has its own main. */
#ifndef THROTTLE_TEST_NO_MAIN
int main(void)
{{
    return throttle_test();
}}
#endif
"""
