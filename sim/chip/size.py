"""What a controller's C takes of a microcontroller: flash, memory, stack, and an estimate of its longest path (row 1).

It is compiled by Debian's cross compilers for three common cores and linked
with what it calls: the compiler's own division where a core has none, and a
plain copy. Sizes are those that the toolchain's ``size`` and ``nm`` tell. The
stack is that of the deepest calls, by the frames that the compiler tells
(``-fcallgraph-info=su``) along the calls in the machine code; what an interrupt
takes on top is not in it. The longest path is counted in instructions, see
`sim.chip.longest`; it is an estimate.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sim.base.errors import Fault, InputError, one_line, shown
from sim.chip.disassembly import read_code
from sim.chip.longest import Longest, NoBoundError
from sim.chip.names import PREFIX

FLAGS = ("-std=c99", "-Os", "-g", "-ffreestanding", "-ffunction-sections", "-fno-jump-tables", "-fcallgraph-info=su")
LINKED = ("-nostdlib", "-Wl,--gc-sections", f"-Wl,-e,{PREFIX}_step", f"-Wl,-u,{PREFIX}_initial")
STEP, INITIAL = f"{PREFIX}_step", f"{PREFIX}_initial"
COMPILE_S_MAX = 120.0
# Sections of memory: those that begin empty, and those filled from flash.
_EMPTY, _FILLED = (".bss", ".sbss", ".noinit"), (".data", ".sdata")

# What a compiler may call though nobody wrote it, as short as can be, and a state to be measured.
_BESIDE = f"""#include <stddef.h>
#include <stdint.h>
#include "{PREFIX}.h"

void *memcpy(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);
uint8_t state_measured[sizeof({PREFIX}_state_t)];

void *memcpy(void *to, const void *from, size_t count)
{{
    unsigned char *at = to;
    const unsigned char *of = from;
    while (count-- > 0u) {{
        *at++ = *of++;
    }}
    return to;
}}

void *memset(void *to, int value, size_t count)
{{
    unsigned char *at = to;
    while (count-- > 0u) {{
        *at++ = (unsigned char)value;
    }}
    return to;
}}
"""


@dataclass(frozen=True, slots=True)
class Target:
    """A core, and what compiles for it.

    tools : what the names of the toolchain's programs begin with.
    package : Debian's, that has them.
    """

    name: str
    tools: str
    flags: tuple[str, ...]
    package: str

    @property
    def there(self) -> bool:
        """Whether its compiler is on the path."""
        return shutil.which(f"{self.tools}gcc") is not None


TARGETS = (
    Target("Arm Cortex-M0+", "arm-none-eabi-", ("-mcpu=cortex-m0plus", "-mthumb"), "gcc-arm-none-eabi"),
    Target("Arm Cortex-M4", "arm-none-eabi-", ("-mcpu=cortex-m4", "-mthumb"), "gcc-arm-none-eabi"),
    Target(
        "RISC-V RV32IMAC",
        "riscv64-unknown-elf-",
        # Small constants would else lie in memory, among small data.
        ("-march=rv32imac", "-mabi=ilp32", "-msmall-data-limit=0"),
        "gcc-riscv64-unknown-elf",
    ),
)


@dataclass(frozen=True, slots=True)
class Size:
    """What a controller takes of one core; bytes, and instructions of one step.

    flash : code and constants, with what the compiler adds.
    state : of one `throttle_state_t`.
    static : memory beside the state that is taken for good.
    stack, longest : of the deepest calls and the longest path of a step; None where they have no bound, and `why`.
    """

    target: str
    compiler: str
    flash: int
    state: int
    static: int
    stack: int | None
    longest: int | None
    why: str = ""

    def figures(self) -> tuple[str, ...]:
        """Flash, state, static, stack and longest path in figures."""
        bounds = ("none" if bound is None else str(bound) for bound in (self.stack, self.longest))
        return (str(self.flash), str(self.state), str(self.static), *bounds)

    def as_json(self) -> dict[str, Any]:
        """Plain data, by the names here, with their units."""
        return {
            "target": self.target,
            "compiler": self.compiler,
            "flash_bytes": self.flash,
            "state_bytes": self.state,
            "static_bytes": self.static,
            "stack_bytes": self.stack,
            "longest_path_instructions": self.longest,
            "why": self.why,
        }


def missing() -> tuple[str, ...]:
    """Debian's packages that have the compilers which are not there."""
    return tuple(dict.fromkeys(target.package for target in TARGETS if not target.there))


def sizes(source: Path) -> list[Size]:
    """What a controller takes of each core whose compiler is there.

    Parameters
    ----------
    source : the ``.c`` file; `throttle.h` stands beside it.

    Raises
    ------
    InputError
        C that does not compile, or calls what is not there.
    """
    return [size_on(target, source) for target in TARGETS if target.there]


def size_on(target: Target, source: Path) -> Size:
    """What a controller takes of one core.

    Raises
    ------
    InputError
        See `sizes`; or the core's compiler is missing.
    """
    if not target.there:
        raise InputError([Fault("", "compiler", f"{target.tools}gcc (Debian: {target.package})", "none")])
    with tempfile.TemporaryDirectory(prefix="drydive_") as folder:
        program = linked(target, source, Path(folder))
        tool = _Tools(target, source)
        flash, static = _held(tool("size", "-A", str(program)))
        state = re.search(r"^\w+ (\w+) \w state_measured$", tool("nm", "-S", f"{folder}/beside.o"), re.MULTILINE)
        assert state is not None
        code = read_code(tool("objdump", "-d", "-l", "--no-show-raw-insn", str(program)))
        frames, dynamic = _frames(Path(folder))
        longest = Longest(code, frames)
        why = [f"no bound of the stack: {dynamic} takes as much as it likes"] if dynamic else []
        stack = path = None
        try:
            stack = None if dynamic else max(longest.stack(STEP), longest.stack(INITIAL))
        except NoBoundError as error:
            why.append(f"no bound of the stack: {error}")
        try:
            path = longest.path(STEP)
        except NoBoundError as error:
            why.append(f"no longest path: {error}")
        compiler = f"{target.tools}gcc {tool('gcc', '-dumpfullversion').strip()}"
        return Size(target.name, compiler, flash, int(state[1], 16), static, stack, path, "; ".join(why))


def _held(listing: str) -> tuple[int, int]:
    """Bytes of flash and of memory, by the sections that ``size -A`` lists."""
    flash = static = 0
    for name, size, address in re.findall(r"^(\.\S+) +(\d+) +(\d+)$", listing, re.MULTILINE):
        kind = "." + name.split(".")[1]
        # What has no place in the chip has no address; what nothing is in, the linker only aligns.
        if address == "0" or kind == ".persistent":
            continue
        flash += int(size) if kind not in _EMPTY else 0
        static += int(size) if kind in (*_EMPTY, *_FILLED) else 0
    return flash, static


def linked(target: Target, source: Path, folder: Path) -> Path:
    """The controller and what it calls as one program without a start, which `throttle_step` stands in for.

    Raises
    ------
    InputError
        See `sizes`.
    """
    tool = _Tools(target, source)
    (folder / "beside.c").write_text(_BESIDE, encoding="utf-8")
    include = ("-iquote", str(source.parent.resolve()))
    # Else the compiler would know a copy in the copy, and call it.
    plain = ("-fno-tree-loop-distribute-patterns",)
    for name, path, more in (("throttle", source.resolve(), ()), ("beside", folder / "beside.c", plain)):
        words = (*target.flags, *FLAGS, *include, *more, "-c", str(path), "-o", str(folder / f"{name}.o"))
        tool("gcc", *words)
    program = folder / "program.elf"
    objects = (str(folder / "throttle.o"), str(folder / "beside.o"))
    tool("gcc", *target.flags, *LINKED, *objects, "-lgcc", "-o", str(program))
    return program


@dataclass(frozen=True, slots=True)
class _Tools:
    """The programs of a target's toolchain."""

    target: Target
    source: Path

    def __call__(self, name: str, *words: str) -> str:
        """What one of them says."""
        asked = [f"{self.target.tools}{name}", *words]
        try:
            done = subprocess.run(
                asked, capture_output=True, text=True, errors="replace", timeout=COMPILE_S_MAX, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise InputError([Fault(str(self.source), "", f"{asked[0]} that works", str(error))]) from error
        if done.returncode != 0:
            said = shown(one_line(next(_complaints(done.stderr), "a failure")), 200)
            raise InputError([Fault(str(self.source), "", f"C that {self.target.name} takes", said)])
        return done.stdout


def _complaints(said: str) -> Iterator[str]:
    """What a tool complains of, the telling lines first."""
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    yield from (line for line in lines if re.search(r"error: |undefined reference", line))
    yield from lines


def _frames(folder: Path) -> tuple[dict[str, int], str]:
    """Bytes of stack of each function, and one that takes an unknown number."""
    found: dict[str, int] = {}
    unknown = ""
    for graph in sorted(folder.glob("*.ci")):
        text = graph.read_text(encoding="utf-8", errors="replace")
        node = r'node: \{ title: "(?P<title>[^"]+)" label: "[^"]*\\n(?P<bytes>\d+) bytes \((?P<kind>[\w,]+)\)'
        for each in re.finditer(node, text):
            name = each["title"].rpartition(":")[2]
            found[name] = int(each["bytes"])
            if each["kind"] == "dynamic":
                unknown = name
    return found, unknown
