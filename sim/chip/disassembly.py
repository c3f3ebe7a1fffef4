"""Machine code as objdump lists it: instructions, where each may go next, what it calls (row 1).

Understood are Arm's Thumb code and RISC-V's. What an instruction does not tell,
the target of a jump through a register above all, is told as such.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

CONDITIONS = "eq|ne|cs|hs|cc|lo|mi|pl|vs|vc|hi|ls|ge|lt|gt|le"
_ARM_JUMP = re.compile(rf"b(?P<condition>{CONDITIONS})?|cbn?z")
_RISCV_BRANCH = re.compile(r"b(eq|ne|lt|ge|ltu|geu|gt|le|gtu|leu)z?")
_ADDRESS = re.compile(r"(?P<address>[0-9a-f]+) <(?P<name>[^>+]+)")
# Nothing comes behind these.
_ENDS = ("udf", "bkpt", "ebreak", "unimp")


@dataclass(frozen=True, slots=True)
class Instruction:
    """One instruction.

    line : of the source file named in `file`; 0 where none is known.
    symbol : what the nearest label before it is called.
    """

    address: int
    word: str
    operands: str
    symbol: str
    file: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Step:
    """Where an instruction leads.

    after : addresses that may come next, within the function or by a jump out of it.
    calls : the address called on the way; None where nothing is.
    unknown : what about it is not known, in words; empty where all is.
    """

    after: tuple[int, ...]
    calls: int | None = None
    unknown: str = ""


@dataclass(frozen=True, slots=True)
class Code:
    """A program's instructions by address, and the address of each label."""

    instructions: Mapping[int, Instruction]
    labels: Mapping[str, int]
    next_address: Mapping[int, int]

    def step(self, address: int) -> Step:
        """Where the instruction at an address leads."""
        each = self.instructions[address]
        behind = self.next_address.get(address)
        on = () if behind is None else (behind,)
        return _step(each, on)


def read_code(listing: str) -> Code:
    """The output of ``objdump -d -l --no-show-raw-insn``."""
    found: dict[int, Instruction] = {}
    labels: dict[str, int] = {}
    for each in _instructions(listing, labels):
        found[each.address] = each
    order = sorted(found)
    return Code(found, labels, dict(pairwise(order)))


def _instructions(listing: str, labels: dict[str, int]) -> Iterator[Instruction]:
    symbol, file, number = "", "", 0
    for line in listing.splitlines():
        if label := re.fullmatch(r"([0-9a-f]+) <(.+)>:", line):
            symbol, file, number = label[2], "", 0
            labels[symbol] = int(label[1], 16)
        elif place := re.fullmatch(r"(\S.*):(\d+)(?: \(discriminator \d+\))?", line):
            file, number = place[1], int(place[2])
        elif code := re.fullmatch(r"\s*([0-9a-f]+):\t(\S+)\s*(.*)", line):
            # Behind these signs objdump explains.
            operands = re.split(r"\s+[@#;] ", code[3])[0].strip()
            yield Instruction(int(code[1], 16), _plain(code[2]), operands, symbol, file, number)


def _plain(word: str) -> str:
    """A mnemonic without its width."""
    return word.removesuffix(".n").removesuffix(".w").removeprefix("c.")


def _step(each: Instruction, on: tuple[int, ...]) -> Step:
    word, operands = each.word, each.operands
    target = _target(operands)
    if word in _ENDS:
        return Step(())
    if word in ("bl", "jal", "call") and target is not None and not operands.startswith(("zero", "x0")):
        return Step(on, calls=target)
    if word in ("blx", "jalr"):
        return Step(on, unknown="a call through a register")
    if word in ("j", "tail") and target is not None:
        return Step((target,))
    if word == "ret" or (word == "jr" and operands == "ra"):
        return Step(())
    if word in ("jr", "tbb", "tbh"):
        return Step((), unknown="a jump through a register")
    if _RISCV_BRANCH.fullmatch(word) and target is not None and "," in operands:
        return Step((target, *on))
    if (jump := _ARM_JUMP.fullmatch(word)) and target is not None:
        either = bool(jump["condition"]) or word.startswith("cb")
        return Step((target, *on) if either else (target,))
    if _writes_pc(word, operands):
        returns = operands in ("lr", "pc, lr") or re.search(r"\{.*pc\}$|^pc, \[sp\], #\d+$", operands)
        # Within a block of conditional instructions it may also go on.
        after = on if re.search(rf"({CONDITIONS})$", word) else ()
        return Step(after, unknown="" if returns else "a jump through a register")
    return Step(on)


def _writes_pc(word: str, operands: str) -> bool:
    if re.fullmatch(rf"bx({CONDITIONS})?", word):
        return True
    if re.fullmatch(rf"(pop|ldm\w*)({CONDITIONS})?", word):
        return bool(re.search(r"\bpc\}", operands))
    return operands.startswith("pc,")


def _target(operands: str) -> int | None:
    """The address that a jump names."""
    found = _ADDRESS.search(operands)
    return int(found["address"], 16) if found else None


def constant(each: Instruction, registers: Collection[str], before: int | None) -> int | None:
    """What a register holds behind an instruction, where that is a number that the code alone tells.

    Parameters
    ----------
    registers : its name in each family.
    before : what it held.
    """
    first, *others = (part.strip().lstrip("#") for part in each.operands.split(","))
    if first not in registers or re.match(r"st|s[bhw]$|cmp|tst|push", each.word):
        return before
    number = others[-1] if others and re.fullmatch(r"-?\d+", others[-1]) else None
    if number is None or (len(others) == 2 and others[0] not in registers):
        return None
    if each.word in ("mov", "movs", "movw", "li") and len(others) == 1:
        return int(number)
    if before is None:
        return None
    changed = {"lsl": before << (int(number) & 31), "slli": before << (int(number) & 31)}
    changed |= dict.fromkeys(("add", "addi", "addw"), before + int(number))
    changed |= dict.fromkeys(("sub", "subw"), before - int(number))
    return changed.get(each.word if each.word in changed else each.word.removesuffix("s"))


def pushed(each: Instruction) -> int:
    """By how many bytes an instruction lowers the stack pointer."""
    word, operands = each.word, each.operands
    if word == "push" or (word in ("stmdb", "stmfd") and operands.startswith("sp!")):
        return 4 * _registers(operands)
    if word in ("sub", "subw") and operands.startswith("sp,"):
        return _last_number(operands)
    if word in ("add", "addi") and operands.startswith("sp,sp,-"):
        return -_last_number(operands)
    if word in ("str", "strd") and (before := re.search(r"\[sp, #-(\d+)\]!", operands)):
        return int(before[1])
    return 0


def _registers(operands: str) -> int:
    """How many registers a list in braces names."""
    inside = operands[operands.index("{") + 1 : operands.index("}")]
    count = 0
    for part in inside.split(","):
        first, _, last = part.strip().partition("-")
        count += int(last[1:]) - int(first[1:]) + 1 if last else 1
    return count


def _last_number(operands: str) -> int:
    """The number at the end; 0 where a register stands there."""
    found = re.search(r"#?(-?\d+)$", operands)
    return int(found[1]) if found and not re.search(r"[a-z]\d+$", operands) else 0
