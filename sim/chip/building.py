"""A controller in C, compiled with the glue through which Python reaches it (row 1).

What is compiled is a ``.c`` file that keeps to the interface of `throttle.h`
beside it, whether it was exported or written by hand:

    void throttle_initial(throttle_state_t *state);
    void throttle_step(throttle_state_t *state, const throttle_inputs_t *inputs, throttle_command_t *command);

The glue sets and reads fields by their names, so that their order and width
are the C file's own; what the state holds is nobody's matter.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from functools import cache
from hashlib import sha256
from multiprocessing.util import Finalize
from pathlib import Path

from sim.base.errors import Fault, InputError, in_file_order
from sim.chip.names import PREFIX
from sim.chip.tree import Kind

COMPILERS = ("cc", "gcc", "clang")
FLAGS = ("-std=c99", "-O2")
# A compiler that takes longer hangs.
COMPILE_S_MAX = 120.0
# What a number is that the header does not say.
UNSAID = -(2**31)

_GLUE = f"""#define _POSIX_C_SOURCE 200809L
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include "{PREFIX}.h"

#ifndef THROTTLE_TICK_US
#define THROTTLE_TICK_US 0
#endif

uint32_t glue_state_size(void);
int32_t glue_tick_us(void);
void glue_initial(unsigned char *bytes);
void glue_steps(unsigned char *bytes, const int32_t *rows, int32_t *answers, uint32_t count);

uint32_t glue_state_size(void) {{ return (uint32_t)sizeof({PREFIX}_state_t); }}

int32_t glue_tick_us(void) {{ return (int32_t)(THROTTLE_TICK_US); }}

void glue_initial(unsigned char *bytes)
{{
    {PREFIX}_state_t state;
    memset(&state, 0, sizeof state);
    {PREFIX}_initial(&state);
    memcpy(bytes, &state, sizeof state);
}}

void glue_steps(unsigned char *bytes, const int32_t *rows, int32_t *answers, uint32_t count)
{{
    {PREFIX}_state_t state;
    memcpy(&state, bytes, sizeof state);
    for (uint32_t done = 0; done < count; done++) {{
        {PREFIX}_inputs_t inputs;
        {PREFIX}_command_t command;
        memset(&inputs, 0, sizeof inputs);
        memset(&command, 0, sizeof command);
        @GIVEN@
        {PREFIX}_step(&state, &inputs, &command);
        @TAKEN@
        rows += @INPUTS@;
        answers += @ANSWERS@;
    }}
    memcpy(bytes, &state, sizeof state);
}}
"""

# Speaks to Python over its standard input and output, which it hides from the code under test. Each request ends the
# program by itself when it takes too long, so that nothing is left running if Python is gone.
_SERVER = """
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <unistd.h>

static void all(int (*move)(int, unsigned char *, size_t), int file, unsigned char *bytes, size_t size)
{
    while (size > 0) {
        const int moved = move(file, bytes, size);
        if (moved <= 0) {
            _exit(0);
        }
        bytes += moved;
        size -= (size_t)moved;
    }
}

@UNSAID@
static int32_t said[] = {@SAID@0};

static int get(int file, unsigned char *bytes, size_t size) { return (int)read(file, bytes, size); }
static int put(int file, unsigned char *bytes, size_t size) { return (int)write(file, bytes, size); }

int main(int count, char **words)
{
    const struct rlimit none = {0, 0};
    const struct rlimit little = {1 << 20, 1 << 20};
    const unsigned limit_s = (count > 1) ? (unsigned)strtoul(words[1], NULL, 10) : 0;
    const int from = dup(0);
    const int to = dup(1);
    const size_t size = glue_state_size();
    unsigned char *state = malloc(size + 1);
    uint32_t head[2] = {(uint32_t)size, (uint32_t)glue_tick_us()};
    const int nothing = open("/dev/null", O_RDONLY);
    if (state == NULL || nothing < 0 || dup2(nothing, 0) < 0 || dup2(2, 1) < 0) {
        return 1;
    }
    setrlimit(RLIMIT_CORE, &none);
    setrlimit(RLIMIT_FSIZE, &little);
    all(put, to, (unsigned char *)head, sizeof head);
    all(put, to, (unsigned char *)said, sizeof said);
    for (;;) {
        uint32_t rows;
        all(get, from, (unsigned char *)&rows, sizeof rows);
        alarm(limit_s);
        if (rows == UINT32_MAX) {
            glue_initial(state);
            all(put, to, state, size);
        } else {
            int32_t *given = malloc(rows * @INPUTS@ * sizeof(int32_t) + 1);
            int32_t *taken = malloc(rows * @ANSWERS@ * sizeof(int32_t) + 1);
            if (given == NULL || taken == NULL) {
                return 1;
            }
            all(get, from, state, size);
            all(get, from, (unsigned char *)given, rows * @INPUTS@ * sizeof(int32_t));
            glue_steps(state, given, taken, rows);
            all(put, to, state, size);
            all(put, to, (unsigned char *)taken, rows * @ANSWERS@ * sizeof(int32_t));
            free(given);
            free(taken);
        }
        alarm(0);
    }
}
"""


def compilers() -> tuple[str, ...]:
    """The C compilers that are installed, the system's own first."""
    return tuple(found for found in map(shutil.which, COMPILERS) if found)


def built(source: Path, inputs: Kind, command: Kind, flags: Sequence[str] = (), compiler: str | None = None) -> Path:
    """A shared library with the controller and the glue, for `sim.chip.shared`.

    Parameters
    ----------
    source : the ``.c`` file; `throttle.h` stands beside it.
    inputs, command : the board's NamedTuples.
    flags : further ones for the compiler.
    compiler : a path; the first that is found if left out.

    Raises
    ------
    InputError
        No compiler, no such file or header, or C that does not compile, with the compiler's places and words.
    """
    return _build(source, _glue(inputs, command), (*FLAGS, "-fPIC", "-shared", *flags), compiler, "library.so")


def built_server(
    source: Path,
    inputs: Kind,
    command: Kind,
    flags: Sequence[str] = (),
    compiler: str | None = None,
    numbers: Sequence[str] = (),
) -> Path:
    """A program that answers for the controller, for `sim.chip.isolated`; otherwise as `built`.

    Parameters
    ----------
    numbers : what the header may define as whole numbers, by names without ``THROTTLE_``; `UNSAID` where it does not.
    """
    macros = [f"{PREFIX}_{name}".upper() for name in numbers]
    server = _SERVER.replace("@SAID@", "".join(f"(int32_t)({macro}), " for macro in macros))
    unsaid = "\n".join(f"#ifndef {macro}\n#define {macro} INT32_MIN\n#endif" for macro in macros)
    glue = _glue(inputs, command, server.replace("@UNSAID@", unsaid))
    return _build(source, glue, (*FLAGS, *flags), compiler, "server")


def included(source: Path) -> list[Path]:
    """The file and every header of its own that it includes, in order of their names; none of the system's.

    Raises
    ------
    InputError
        No compiler, no such file or header, or C that the preprocessor refuses.
    """
    chosen = _chosen(source, None)
    said = _run([chosen, "-std=c99", "-MM", "-MT", "all", "-iquote", str(source.parent), str(source)], source)
    _, _, listed = said.replace("\\\n", " ").partition(":")
    return sorted({Path(name.replace("$$", "$")) for name in shlex.split(listed)})


def _glue(inputs: Kind, command: Kind, more: str = "") -> str:
    given = " ".join(f"inputs.{name} = rows[{index}];" for index, name in enumerate(inputs._fields))
    taken = " ".join(f"answers[{index}] = command.{name};" for index, name in enumerate(command._fields))
    counts = (("@INPUTS@", len(inputs._fields)), ("@ANSWERS@", len(command._fields)))
    text = (_GLUE + more).replace("@GIVEN@", given).replace("@TAKEN@", taken)
    for mark, count in counts:
        text = text.replace(mark, str(count))
    return text


def _build(source: Path, glue: str, flags: Sequence[str], compiler: str | None, name: str) -> Path:
    chosen = _chosen(source, compiler)
    with tempfile.TemporaryDirectory(prefix="drydive_") as folder:
        middle = Path(folder) / "glue.c"
        middle.write_text(glue, encoding="utf-8")
        given = ["-iquote", str(source.parent.resolve()), str(middle), str(source.resolve())]
        # What the preprocessor makes of it is all that counts: a changed header is another text.
        text = _run([chosen, *flags, "-E", "-P", *given], source)
        key = sha256(repr((chosen, flags, source.resolve(), text)).encode()).hexdigest()[:24]
        made = _kept() / f"{key}_{name}"
        if not made.exists():
            half = Path(folder) / name
            _run([chosen, *flags, *given, "-o", str(half)], source)
            shutil.move(half, made)
        return made


def _chosen(source: Path, compiler: str | None) -> str:
    """The compiler for a file, which is there and has its header."""
    chosen = compiler or next(iter(compilers()), None)
    if chosen is None:
        raise InputError([Fault("", "compiler", f"a C compiler on the path: {', '.join(COMPILERS)}", "none")])
    for needed in (source, source.parent / f"{PREFIX}.h"):
        if not needed.is_file():
            raise InputError([Fault(str(needed), "", "a C file" if needed is source else "a header", "no such file")])
    return chosen


@cache
def _kept() -> Path:
    """A folder for what was compiled, as long as this process lives."""
    folder = tempfile.TemporaryDirectory(prefix="drydive_")
    # A worker of a pool ends without what is done at the end of a program.
    Finalize(None, folder.cleanup, exitpriority=0)
    _FOLDERS.append(folder)
    return Path(folder.name)


_FOLDERS: list[tempfile.TemporaryDirectory[str]] = []


def _run(words: Sequence[str], source: Path) -> str:
    try:
        done = subprocess.run(
            words, capture_output=True, text=True, errors="replace", timeout=COMPILE_S_MAX, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InputError([Fault(str(source), "", "a C compiler that works", str(error))]) from error
    if done.returncode != 0:
        faults = in_file_order(_faults(done.stderr, source))
        raise InputError(faults or [Fault(str(source), "", "C that compiles", done.stderr.strip() or "a failure")])
    return done.stdout


def _faults(said: str, source: Path) -> Iterator[Fault]:
    """The compiler's errors as faults."""
    for line in said.splitlines():
        found = re.match(r"(?P<path>.+?):(?P<line>\d+):(?P<column>\d+): (?:fatal )?error: (?P<what>.*)", line)
        if found:
            path = Path(found["path"])
            # The glue names every field of the board: what it lacks, the header does not give.
            where = str(source.parent / f"{PREFIX}.h") if path.name == "glue.c" else str(path)
            spot = (None, None) if path.name == "glue.c" else (int(found["line"]), int(found["column"]))
            yield Fault(where, "", f"C that compiles, with the interface of {PREFIX}.h", found["what"], *spot)
        elif "undefined reference" in line or "undefined symbol" in line.lower():
            missing = re.search(r"[`'\"_]+(throttle_\w+)", line)
            if missing:
                yield Fault(str(source), missing[1], "this function", "no definition")
