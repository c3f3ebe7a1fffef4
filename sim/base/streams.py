"""Seeded noise streams with names (row 0).

Each source of chance draws from a stream of its own, so that a source added
or removed never changes what another draws.
"""

from __future__ import annotations

import zlib

import numpy as np


def stream(seed: int, name: str) -> np.random.Generator:
    """The generator of the stream `name` under `seed`, the same on every machine.

    Parameters
    ----------
    seed : int, >= 0
    name : str
        Who draws, for example ``"hall noise"``.

    Notes
    -----
    The name enters through its CRC-32: Python's own `hash` differs from
    process to process. PCG64 is named, as NumPy's default may change.
    """
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, zlib.crc32(name.encode())])))
