"""A controller in C in a process of its own: its crash or hang is its own (row 1)."""

from __future__ import annotations

import os
import select
import signal
import struct
import subprocess
import tempfile
import threading
import time
import weakref
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from sim.base.errors import one_line, shown
from sim.chip.building import UNSAID, built_server
from sim.chip.tree import Kind

INITIAL = 0xFFFFFFFF
# How long one answer may take; a tick takes microseconds.
LIMIT_S = 2.0
ROWS_MAX = 4096


class ChipError(Exception):
    """The controller's C crashed, or gave no answer in time."""


class Isolated:
    """A controller's `initial` and `step` as a process of its own gives them.

    The process starts with the first call, and anew with the first one after
    it died or after this one was forked. Threads may share it, since a state
    goes with each question. It is a context manager; it also ends with the
    object.

    Parameters
    ----------
    source : the ``.c`` file, `throttle.h` beside it.
    inputs, command : the board's NamedTuples.
    limit_s : how long one answer may take.
    flags, compiler, numbers : as `sim.chip.building.built_server` takes them.

    Raises
    ------
    InputError
        C that does not compile, or no compiler.
    """

    def __init__(
        self,
        source: Path,
        inputs: Kind,
        command: Kind,
        limit_s: float = LIMIT_S,
        flags: Sequence[str] = (),
        compiler: str | None = None,
        numbers: Sequence[str] = (),
    ) -> None:
        self._program = built_server(source, inputs, command, flags, compiler, numbers)
        self._numbers = tuple(numbers)
        self._command = command
        self._limit_s = limit_s
        self._row = struct.Struct(f"{len(inputs._fields)}i")
        self._answer = struct.Struct(f"{len(command._fields)}i")
        self._process: subprocess.Popen[bytes] | None = None
        self._said: IO[bytes] | None = None
        self._size = 0
        self._tick_us = 0
        self._values: tuple[int, ...] = ()
        self._end: weakref.finalize[Any, Any] | None = None
        self._owner = os.getpid()
        self._asking = threading.Lock()

    def __enter__(self) -> Isolated:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the process, if it runs."""
        if self._end is not None:
            self._end()
        self._process = None

    @property
    def tick_us(self) -> int:
        """The control tick it was made for; 0 where the header does not say."""
        with self._started():
            return self._tick_us

    @property
    def said(self) -> dict[str, int]:
        """The numbers asked for that the header says, by their names."""
        with self._started():
            return {name: value for name, value in zip(self._numbers, self._values, strict=True) if value != UNSAID}

    def initial(self, params: Any = None) -> bytes:
        """The state after a reset; the parameters are constants of the C.

        Raises
        ------
        ChipError
        """
        with self._started():
            return self._asked(struct.pack("I", INITIAL), self._size)

    def step(self, params: Any, state: bytes, inputs: Sequence[int]) -> tuple[bytes, Any]:
        """One tick: the next state and the command.

        Raises
        ------
        ChipError
        """
        after, answers = self.steps(state, self._row.pack(*inputs))
        return after, self._command(*self._answer.unpack(answers))

    def steps(self, state: bytes, rows: bytes) -> tuple[bytes, bytes]:
        """Many ticks, a few thousand for each question.

        Parameters
        ----------
        rows : int32 in the machine's order, every field of the inputs for each tick.

        Returns
        -------
        The last state, and int32 with every field of the command for each tick.

        Raises
        ------
        ChipError
        """
        found = []
        block = ROWS_MAX * self._row.size
        for start in range(0, len(rows), block):
            part = rows[start : start + block]
            count = len(part) // self._row.size
            with self._started():
                answer = self._asked(struct.pack("I", count) + state + part, self._size + count * self._answer.size)
            state = answer[: self._size]
            found.append(answer[self._size :])
        return state, b"".join(found)

    @contextmanager
    def _started(self) -> Iterator[None]:
        """Inside, the process runs and answers nobody else."""
        if self._owner != os.getpid():
            self._forget()
        with self._asking:
            if self._process is None:
                self._start()
            yield

    def _forget(self) -> None:
        """Leave the process to the one that this process was forked from: two cannot ask through one wire."""
        if self._process is not None:
            # Else it would be missed when the object goes.
            self._process.returncode = 0
            for pipe in (self._process.stdin, self._process.stdout, self._said):
                if pipe is not None:
                    pipe.close()
        if self._end is not None:
            self._end.detach()
        self._process, self._end = None, None
        self._owner, self._asking = os.getpid(), threading.Lock()

    def _start(self) -> None:
        said = tempfile.TemporaryFile()  # noqa: SIM115 - it lives as long as the process
        # The process ends itself a little later than it would be ended here.
        words = [str(self._program), str(int(self._limit_s) + 2)]
        process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=said, bufsize=0)
        self._process, self._said = process, said
        self._end = weakref.finalize(self, _ended, process, said, os.getpid())
        for pipe in (process.stdin, process.stdout):
            assert pipe is not None
            os.set_blocking(pipe.fileno(), False)
        head = struct.Struct(f"Ii{len(self._numbers) + 1}i")
        self._size, self._tick_us, *values = head.unpack(self._asked(b"", head.size))
        self._values = tuple(values[:-1])

    def _asked(self, request: bytes, size: int) -> bytes:
        """The answer to a request."""
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        to, back = process.stdin.fileno(), process.stdout.fileno()
        answer = bytearray()
        left = memoryview(request)
        until = time.monotonic() + self._limit_s
        while len(answer) < size:
            wait = until - time.monotonic()
            ready, writable, _ = select.select([back], [to] if left else [], [], max(wait, 0.0))
            if not ready and not writable:
                self._fail(f"gave no answer within {self._limit_s:g} s")
            try:
                if writable:
                    left = left[os.write(to, left) :]
                if ready:
                    part = os.read(back, size - len(answer))
                    if not part:
                        self._fail("")
                    answer += part
            except BrokenPipeError:
                self._fail("")
        return bytes(answer)

    def _fail(self, why: str) -> None:
        """End the process and say why it failed."""
        process, said = self._process, self._said
        assert process is not None
        assert said is not None
        if not why:
            why = _how_it_ended(process, self._limit_s)
        else:
            process.kill()
            process.wait()
        said.seek(0)
        told = said.read(4000).decode(errors="replace").strip()
        self.close()
        raise ChipError(one_line(f"the controller's C {why}" + (f": {shown(told, 400)}" if told else "")))


def _how_it_ended(process: subprocess.Popen[bytes], limit_s: float) -> str:
    """How a process ended that speaks no more."""
    try:
        code = process.wait(timeout=limit_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        return "closed what it answers through"
    if code >= 0:
        return f"ended by itself with exit code {code}"
    return f"crashed with {signal.Signals(-code).name}"


def _ended(process: subprocess.Popen[bytes], said: IO[bytes], owner: int) -> None:
    """End a process that is no longer asked; a fork of its owner has only a copy of the wires."""
    if os.getpid() != owner:
        return
    if process.poll() is None:
        process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout, said):
        if pipe is not None:
            pipe.close()
