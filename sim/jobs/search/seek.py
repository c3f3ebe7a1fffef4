"""The least of a function of numbers between 0 and 1, on a budget of calls, by a library's optimiser (row 4).

What is asked here is rugged: half of a point's numbers choose one of several
things, and many points cost the same. Differential evolution needs no slopes,
takes a whole generation at a time, which any number of processes may work out,
and starts anew where it no longer moves.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import differential_evolution
from scipy.stats import qmc

Points: TypeAlias = NDArray[np.float64]
Costs: TypeAlias = NDArray[np.float64]

POPULATION = (8, 40)
# A generation's share of the budget: ten generations or more where there are so many calls.
GENERATIONS = 12
# So many generations without a lower cost are enough.
PATIENCE = 10
# Newer SciPy calls its generator otherwise.
CHANCE = "rng" if "rng" in inspect.signature(differential_evolution).parameters else "seed"


def scattered(count: int, size: int, chance: np.random.Generator) -> Points:
    """Points that lie evenly in every one of their numbers, shape (count, size).

    Notes
    -----
    A Latin hypercube by ``scipy.stats.qmc``.
    """
    sampler: Any = qmc.LatinHypercube(size, **{CHANCE: chance})
    found: Points = sampler.random(count)
    return found


def seek(
    cost: Callable[[Points], Costs],
    size: int,
    calls: int,
    chance: np.random.Generator,
    known: Points,
    enough: Callable[[], bool],
) -> int:
    """Look for the lowest cost; whoever asks keeps what was found.

    Parameters
    ----------
    cost : of points, shape (count, size), to costs, shape (count,); asked for a generation at a time.
    size : how many numbers a point has.
    calls : costs that may be asked for.
    known : points that are low already, shape (any, size), the lowest first; the first generation begins with them.
    enough : asked after each generation.

    Returns
    -------
    int
        How many costs were asked for: all of them, or as many as were enough.

    Notes
    -----
    Source: R. Storn and K. Price, "Differential evolution - a simple and efficient heuristic for global optimization
    over continuous spaces", J. Global Optimization 11 (1997) 341-359, by ``scipy.optimize.differential_evolution``.
    """
    spent = 0
    while calls - spent > 0 and not enough():
        population = min(max(calls // GENERATIONS, POPULATION[0]), POPULATION[1])
        generations = (calls - spent) // population
        if generations < 2:
            # Too few for one generation to learn from another.
            cost(scattered(calls - spent, size, chance))
            return calls
        first = np.vstack([known[: population // 3], scattered(population, size, chance)])[:population]
        spent += _evolved(cost, first, generations, chance, enough)
        # A new start learns from nothing: where the last one went there was no more to find.
        known = known[:0]
    return spent


def _evolved(
    cost: Callable[[Points], Costs],
    first: Points,
    generations: int,
    chance: np.random.Generator,
    enough: Callable[[], bool],
) -> int:
    """Evolve a population until that is enough, or nothing new comes of it; the costs asked for."""
    asked = 0
    lowest, since = np.inf, 0

    def generation(columns: Points) -> Costs:
        nonlocal asked, lowest, since
        costs = cost(np.clip(columns.T, 0.0, 1.0))
        asked += len(costs)
        since = 0 if costs.min() < lowest else since + 1
        lowest = min(lowest, float(costs.min()))
        return costs

    differential_evolution(
        generation,
        [(0.0, 1.0)] * first.shape[1],
        init=first,
        maxiter=generations - 1,
        # A population whose costs are all alike has not arrived: it has found nothing yet.
        tol=0.0,
        atol=-1.0,
        mutation=(0.4, 1.0),
        recombination=0.7,
        polish=False,
        updating="deferred",
        vectorized=True,
        callback=lambda point, convergence: enough() or since >= PATIENCE,
        **{CHANCE: chance},
    )
    return asked
