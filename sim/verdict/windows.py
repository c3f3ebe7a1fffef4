"""Least and greatest values over sliding windows, in time linear in the samples (row 3).

Notes
-----
Source: M. van Herk, "A fast algorithm for local minimum and maximum filters
on rectangular and octagonal kernels", Pattern Recognition Letters 13 (1992)
517-521, and J. Gil and M. Werman, "Computing 2-D min, median, and max
filters", IEEE Trans. PAMI 15 (1993) 504-507: the samples are cut into blocks
as long as the window, each window covers the end of one block and the start
of the next, and both parts are running minima. Values from memory, not
verified. The same split serves numpy well, for a running minimum is one call.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.float64]


def sliding_min(values: Array, reach: int, beyond: float) -> Array:
    """The least of each sample and the `reach` samples after it.

    Parameters
    ----------
    values : array (n,)
        No NaN.
    reach : int
        Samples ahead, at least 0; it may exceed n.
    beyond : float
        What stands after the last sample.

    Returns
    -------
    array (n,)
    """
    count = len(values)
    # A window longer than the whole array sees the rest of it and `beyond`, as one of n samples does.
    reach = min(reach, count)
    block = reach + 1
    padded = np.full(-(-(count + reach) // block) * block, beyond)
    padded[:count] = values
    blocks = padded.reshape(-1, block)
    to_block_end = np.minimum.accumulate(blocks[:, ::-1], axis=1)[:, ::-1].ravel()
    from_block_start = np.minimum.accumulate(blocks, axis=1).ravel()
    return np.minimum(to_block_end[:count], from_block_start[reach : reach + count])


def sliding_max(values: Array, reach: int, beyond: float) -> Array:
    """The greatest of each sample and the `reach` samples after it; see `sliding_min`."""
    return -sliding_min(-values, reach, -beyond)


def sliding_min_behind(values: Array, reach: int) -> Array:
    """The least of each sample and the `reach` samples before it; before the first there is nothing."""
    return sliding_min(values[::-1], reach, np.inf)[::-1]


def sliding_max_behind(values: Array, reach: int) -> Array:
    """The greatest of each sample and the `reach` samples before it; before the first there is nothing."""
    return -sliding_min_behind(-values, reach)


def rest_min(values: Array) -> Array:
    """The least of each sample and all after it."""
    return np.minimum.accumulate(values[::-1])[::-1]


def rest_max(values: Array) -> Array:
    """The greatest of each sample and all after it."""
    return np.maximum.accumulate(values[::-1])[::-1]


def until(left: Array, right: Array, beyond: float) -> Array:
    """The greatest, over each later sample, of the least of `right` there and `left` on the way to it.

    `u[i] = max(right[i], min(left[i], u[i + 1]))`, and `u[n] = beyond`: the way
    is half-open, `left` need not hold where `right` does.

    Notes
    -----
    Each step is a clamp, and a clamp after a clamp is a clamp, so the chain is
    folded by doubling: log2(n) passes over whole arrays, not n steps in Python.
    """
    low, high = right.copy(), np.maximum(left, right)
    span = 1
    while span < len(left):
        # Clamps i .. i+span-1 are folded already; take the next `span` of them in, innermost last.
        low[:-span], high[:-span] = (
            np.clip(low[span:], low[:-span], high[:-span]),
            np.clip(high[span:], low[:-span], high[:-span]),
        )
        span *= 2
    # Clamping the one value `beyond`, written as two steps for it is no array.
    return np.maximum(low, np.minimum(beyond, high))
