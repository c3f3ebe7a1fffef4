"""A controller's machine code run on emulated cores (Unicorn), which count and compare on their own."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import unicorn
from unicorn import arm_const, riscv_const

from sim.chip.size import Target, linked

STATE, INPUTS, COMMAND, STACK, RETURN = 0x2000_0000, 0x2000_4000, 0x2000_8000, 0x2003_0000, 0x3000_0000
PAGE = 0x1000


class Core:
    """A linked controller in an emulated core.

    Parameters
    ----------
    counting : takes a hundred times as long.

    Attributes
    ----------
    instructions, stack : of the last call, if counting: how many were executed, how many bytes of stack were used.
    """

    def __init__(self, target: Target, source: Path, folder: Path, counting: bool = True) -> None:
        program = linked(target, source, folder)
        listed = subprocess.run([f"{target.tools}nm", program], capture_output=True, text=True, check=True).stdout
        self.labels = {name: int(at, 16) for at, _, name in (line.split() for line in listed.splitlines())}
        self.arm = target.tools.startswith("arm")
        if self.arm:
            self.machine = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
            self.machine.ctl_set_cpu_model(arm_const.UC_CPU_ARM_CORTEX_M33)
            self.arguments = [arm_const.UC_ARM_REG_R0, arm_const.UC_ARM_REG_R1, arm_const.UC_ARM_REG_R2]
            self.sp, self.back = arm_const.UC_ARM_REG_SP, arm_const.UC_ARM_REG_LR
        else:
            self.machine = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            self.arguments = [riscv_const.UC_RISCV_REG_A0, riscv_const.UC_RISCV_REG_A1, riscv_const.UC_RISCV_REG_A2]
            self.sp, self.back = riscv_const.UC_RISCV_REG_SP, riscv_const.UC_RISCV_REG_RA
        loaded = list(segments(program.read_bytes()))
        low = min(address for address, _, _ in loaded) // PAGE * PAGE
        high = max(address + size for address, size, _ in loaded)
        self.machine.mem_map(low, (high - low + PAGE - 1) // PAGE * PAGE)
        for address, _, data in loaded:
            self.machine.mem_write(address, data)
        self.machine.mem_map(STATE, STACK - STATE)
        self.machine.mem_map(RETURN, PAGE)
        self.instructions = self.stack = 0
        if counting:
            self.machine.hook_add(unicorn.UC_HOOK_CODE, self._count)

    def _count(self, machine: Any, address: int, size: int, data: Any) -> None:
        if address != RETURN:
            self.instructions += 1
            self.stack = max(self.stack, STACK - machine.reg_read(self.sp))

    def call(self, name: str, *arguments: int) -> int:
        """Call a function; its answer, where it has one."""
        self.instructions = self.stack = 0
        thumb = 1 if self.arm else 0
        self.machine.reg_write(self.sp, STACK)
        self.machine.reg_write(self.back, RETURN | thumb)
        for register, value in zip(self.arguments, arguments, strict=False):
            self.machine.reg_write(register, value & 0xFFFFFFFF)
        self.machine.emu_start(self.labels[name] | thumb, RETURN)
        return int(self.machine.reg_read(self.arguments[0]))

    def state(self, size: int) -> bytes:
        """The controller's state."""
        return bytes(self.machine.mem_read(STATE, size))

    def step(self, inputs: Sequence[int], answers: int) -> list[int]:
        """One tick of a controller whose fields are all of 32 bits, in the order of the Python's."""
        self.machine.mem_write(INPUTS, struct.pack(f"<{len(inputs)}i", *inputs))
        self.call("throttle_step", STATE, INPUTS, COMMAND)
        return list(struct.unpack(f"<{answers}i", self.machine.mem_read(COMMAND, 4 * answers)))


def segments(elf: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Where an ELF file of 32 bits takes memory, how much, and what it loads there (System V ABI, program header)."""
    offset, size, count = *struct.unpack_from("<I", elf, 28), *struct.unpack_from("<HH", elf, 42)
    for index in range(count):
        kind, start, _, address, held, taken, _, _ = struct.unpack_from("<8I", elf, offset + index * size)
        if kind == 1 and taken:
            yield address, taken, elf[start : start + held]
