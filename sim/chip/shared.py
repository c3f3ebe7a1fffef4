"""A controller in C, called from Python within the same process (row 1).

For code that is trusted, since its crash is Python's: exported code under
test. Code by others goes through `sim.chip.isolated`, which has the same face.
"""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sim.chip.building import built
from sim.chip.tree import Kind


class Shared:
    """A controller's `initial` and `step` as a compiled library gives them.

    Parameters
    ----------
    source : the ``.c`` file, `throttle.h` beside it.
    inputs, command : the board's NamedTuples.
    flags, compiler : as `sim.chip.building.built` takes them.

    Raises
    ------
    InputError
        C that does not compile, or no compiler.

    Notes
    -----
    A state is the C struct's bytes, and nothing but C looks into it.
    """

    def __init__(
        self, source: Path, inputs: Kind, command: Kind, flags: Sequence[str] = (), compiler: str | None = None
    ) -> None:
        self._library = ctypes.CDLL(str(built(source, inputs, command, flags, compiler)))
        self._size = int(ctypes.c_uint32(self._library.glue_state_size()).value)
        self._command = command
        self._fields = len(inputs._fields)
        self._answers = len(command._fields)
        self._row = ctypes.c_int32 * self._fields
        self._answer = ctypes.c_int32 * self._answers

    @property
    def tick_us(self) -> int:
        """The control tick it was made for; 0 where the header does not say."""
        return int(ctypes.c_int32(self._library.glue_tick_us()).value)

    def initial(self, params: Any = None) -> bytes:
        """The state after a reset; the parameters are constants of the C."""
        state = ctypes.create_string_buffer(self._size)
        self._library.glue_initial(state)
        return state.raw

    def step(self, params: Any, state: bytes, inputs: Sequence[int]) -> tuple[bytes, Any]:
        """One tick: the next state and the command."""
        kept = ctypes.create_string_buffer(state, self._size)
        answer = self._answer()
        self._library.glue_steps(kept, self._row(*inputs), answer, ctypes.c_uint32(1))
        return kept.raw, self._command(*answer)

    def steps(self, state: bytes, rows: bytes) -> tuple[bytes, bytes]:
        """Many ticks at once.

        Parameters
        ----------
        rows : int32 in the machine's order, every field of the inputs for each tick.

        Returns
        -------
        The last state, and int32 with every field of the command for each tick.
        """
        count = len(rows) // (4 * self._fields)
        kept = ctypes.create_string_buffer(state, self._size)
        answers = ctypes.create_string_buffer(4 * self._answers * count)
        self._library.glue_steps(kept, rows, answers, ctypes.c_uint32(count))
        return kept.raw, answers.raw
