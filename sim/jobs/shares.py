"""How sure a share of many is, and what moves with what: small pieces of statistics over SciPy (row 4)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.base.errors import Fault, InputError

CONFIDENCE = 0.95
# Ranks of fewer say nothing.
PAIRS_MIN = 10
# A correlation as strong as this, or stronger, of any of the quantities asked about is this rare by chance alone.
BY_CHANCE = 0.05


class Share(NamedTuple):
    """So many of so many, and the ends of the interval in which the true share lies with `CONFIDENCE`."""

    inside: int
    of: int
    low: float
    high: float

    @property
    def frac(self) -> float:
        """The share found."""
        return self.inside / self.of

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {**self._asdict(), "frac": self.frac, "confidence": CONFIDENCE}


class Matter(NamedTuple):
    """How a quantity and a margin rank alike.

    correlation : Spearman's, from -1 to 1; above 0 the margin grows with the quantity.
    chance : how often independent ones would rank as alike, or more.
    stands_out : whether that is rare even among as many quantities as were asked about.
    """

    key: str
    correlation: float
    chance: float
    stands_out: bool


def stats() -> Any:
    """SciPy's statistics, imported only where they are needed.

    Raises
    ------
    InputError
        SciPy is not installed.
    """
    try:
        import scipy.stats
    except ImportError as error:
        raise InputError(
            [Fault("scipy", "", "this package installed (pip install scipy)", "no such package")]
        ) from error
    return scipy.stats


def share(inside: int, of: int) -> Share:
    """A share of independent tries with its interval.

    Parameters
    ----------
    inside, of : 0 <= inside <= of, of >= 1.

    Notes
    -----
    Source: Clopper and Pearson (1934), "The use of confidence or fiducial
    limits illustrated in the case of the binomial", Biometrika 26, 404-413,
    by ``scipy.stats.binomtest``. It covers the true share at least as often as
    it says, at every share and number; shorter intervals do not near 0 and 1,
    where the shares of builds are.
    """
    low, high = stats().binomtest(inside, of).proportion_ci(CONFIDENCE, method="exact")
    return Share(inside, of, float(low), float(high))


def matters(quantities: Mapping[str, ArrayLike], margins: Sequence[float | None]) -> tuple[Matter, ...]:
    """How each quantity ranks with a margin, the strongest first.

    Parameters
    ----------
    quantities : by name, shape (n,) each.
    margins : n of them; those that are not known are passed over.

    Returns
    -------
    tuple of Matter; empty where fewer than `PAIRS_MIN` margins are known, or all are alike

    Notes
    -----
    Source: Spearman's rank correlation and its p-value by ``scipy.stats.spearmanr``; of many quantities the bound
    is shared evenly (Bonferroni).
    """
    known = np.array([margin is not None for margin in margins], dtype=np.bool_)
    values = np.array([margin for margin in margins if margin is not None])
    if len(values) < PAIRS_MIN or np.ptp(values) == 0.0:
        return ()
    found = []
    for key, drawn in quantities.items():
        column = np.asarray(drawn)[known]
        if np.ptp(column) == 0.0:
            continue
        ranked = stats().spearmanr(column, values)
        chance = float(ranked.pvalue)
        found.append(Matter(key, float(ranked.statistic), chance, chance < BY_CHANCE / len(quantities)))
    return tuple(sorted(found, key=lambda each: -abs(each.correlation)))
