"""A pack's equivalent circuit fitted to voltage and current: R0, RC pairs, and the voltage at no current (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.linalg import solve_banded
from scipy.optimize import nnls

from sim.jobs.fit.interval import Fit, Floats, fitted, linear

# Rows that a circuit is fitted to; more of them are joined in pairs, threes and so on, each by their means.
MOST_ROWS = 12_000
# Time constants that are tried first, as many to a decade.
TRIED_A_DECADE = 4
# A pair whose resistance or time constant is not known better than to itself is not told.
KNOWN_FRAC = 1.0
# Between two time constants at least so much.
APART = 1.5
# Charge between two knots of the voltage at no current, as a share of the capacity: of what it differs from a curve
# that is known, and of all of it where none is.
KNOT_FRAC, BARE_KNOT_FRAC = 0.1, 0.05
# A recording whose first current is more than this share of its highest begins under load.
LOADED_FRAC = 0.02
# Rows on each side of a step, and steps at most, from which R0 alone is taken.
STEP_ROWS = 8
STEP_GAP = 2
MOST_STEPS = 100


class Log(NamedTuple):
    """A pack's recording: shape (rows,) each.

    current_a : positive on discharge. voltage_v : less what leads and switch take, where that is known.
    factor : resistance over that at 25 degC, as temperature makes it.
    curve_v : voltage at no current as it was known before, 0 where it was not.
    """

    t_s: Floats
    current_a: Floats
    voltage_v: Floats
    factor: Floats
    curve_v: Floats

    @property
    def used_c(self) -> Floats:
        """Charge taken since the first row, in coulombs; the current goes in straight lines from row to row."""
        steps = 0.5 * (self.current_a[1:] + self.current_a[:-1]) * np.diff(self.t_s)
        return np.concatenate(([0.0], np.cumsum(steps)))


class Circuit(NamedTuple):
    """A fitted circuit.

    fit : parameters in the order R0, then R and time constant of each pair, then the voltages at the knots, then
        what is of no use to others.
    pairs : how many RC pairs. knots_c : of each recording, the charges at which its voltage, less
        the curve known before, is a parameter.
    model : of each recording, its voltage.
    """

    fit: Fit
    pairs: int
    knots_c: tuple[Floats, ...]
    model: tuple[Floats, ...]


def thinned(log: Log, most: int = MOST_ROWS) -> Log:
    """Fewer rows, each the mean of several; the circuit is linear, so that means obey it too."""
    width = -(-len(log.t_s) // most)
    if width == 1:
        return log
    count = len(log.t_s) // width
    return Log(*(each[: count * width].reshape(count, width).mean(axis=1) for each in log))


def polarised(t_s: Floats, current_a: Floats, tau_s: float) -> Floats:
    """Voltage of an RC pair of 1 ohm that starts at rest, at each row.

    Notes
    -----
    Source: the exact answer of tau v' = i - v to a current that goes in straight lines from row to row (handbook
    form); all rows at once, as a system with two diagonals.
    """
    steps = np.diff(t_s)
    keep = np.exp(-steps / tau_s)
    # Of a line from 0 to 1 over a step, so much has arrived at its end.
    gone = -np.expm1(-steps / tau_s) * tau_s / steps
    pushed = current_a[:-1] * (gone - keep) + current_a[1:] * (1.0 - gone)
    diagonals = np.ones((2, len(t_s)))
    diagonals[1, :-1] = -keep
    answer: Floats = solve_banded((1, 0), diagonals, np.concatenate(([0.0], pushed)))
    return answer


def knots_of(log: Log, capacity_c: float) -> Floats:
    """Charges at which the voltage at no current is free; straight lines between them."""
    used_c = log.used_c
    apart = KNOT_FRAC if log.curve_v.any() else BARE_KNOT_FRAC
    low, high = float(used_c.min()), float(used_c.max())
    if not high > low:
        return np.array([low])
    return np.linspace(low, high, 2 + int((high - low) / (apart * capacity_c)))


def hats(at: Floats, knots: Floats) -> Floats:
    """Straight-line interpolation as a matrix, shape (rows, knots)."""
    if len(knots) == 1:
        return np.ones((len(at), 1))
    return np.stack([np.interp(at, knots, row) for row in np.eye(len(knots))], axis=1)


class Problem:
    """The circuit of several recordings that share their resistances and each have a voltage of their own.

    A recording that begins under current has polarised pairs at its first row: how far is one more parameter for
    each pair.
    """

    def __init__(self, logs: Sequence[Log], capacity_c: float, held: Sequence[tuple[float, float]] = ()) -> None:
        self.logs = logs
        self.interval_s = max(float(np.median(np.diff(log.t_s))) for log in logs)
        self.knots = tuple(knots_of(log, capacity_c) for log in logs)
        self.ends: list[int] = np.cumsum([0, *(len(log.t_s) for log in logs)]).tolist()
        self.pushed = np.concatenate([log.current_a * log.factor for log in logs])
        # Pairs and curves that are known are taken off once.
        self.held: Floats = np.zeros(len(self.pushed))
        for ohm, tau_s in held:
            self.held = self.held + ohm * self.pair(tau_s)
        self.held = self.held - np.concatenate([log.curve_v for log in logs])
        self.voltage = np.concatenate([log.voltage_v for log in logs]) + self.held
        self.loaded = [index for index, log in enumerate(logs) if _begins_loaded(log)]
        self.open = np.zeros((self.ends[-1], sum(map(len, self.knots))))
        column = 0
        for index, (log, knots) in enumerate(zip(logs, self.knots, strict=True)):
            rows = slice(self.ends[index], self.ends[index + 1])
            self.open[rows, column : column + len(knots)] = hats(log.used_c, knots)
            column += len(knots)

    def pair(self, tau_s: float) -> Floats:
        """A pair of 1 ohm, of all recordings one behind the other."""
        return np.concatenate([polarised(log.t_s, log.current_a * log.factor, tau_s) for log in self.logs])

    def voltages(self, parameters: Floats, pairs: int) -> Floats:
        """The model; see `Circuit` for the parameters' order, time constants as logarithms."""
        levels = 1 + 2 * pairs
        first = levels + self.open.shape[1]
        made: Floats = self.open @ parameters[levels:first] - parameters[0] * self.pushed
        for index in range(pairs):
            tau_s = math.exp(parameters[2 + 2 * index])
            made = made - parameters[1 + 2 * index] * self.pair(tau_s)
            for place, log in enumerate(self.loaded):
                rows = slice(self.ends[log], self.ends[log + 1])
                since = self.logs[log].t_s - self.logs[log].t_s[0]
                made[rows] -= parameters[first + place * pairs + index] * np.exp(-since / tau_s)
        return made

    def started(self, pairs: int, times: Sequence[float]) -> Floats:
        """Where to begin: of all time constants tried, those with which resistances of 0 or more fit best."""
        bases = {tau: self.pair(tau) for tau in times}
        # The voltage at no current is projected out, so that what is left has to be at least 0.
        q, _ = np.linalg.qr(self.open)

        def left(column: Floats) -> Floats:
            rest: Floats = column - q @ (q.T @ column)
            return rest

        target, direct = left(-self.voltage), left(self.pushed)
        shown = {tau: left(base) for tau, base in bases.items()}
        choices: list[tuple[int, ...]] = [()]
        for _ in range(pairs):
            choices = [
                (*chosen, index)
                for chosen in choices
                for index, tau in enumerate(times)
                if not chosen or tau >= APART * times[chosen[-1]]
            ]
        # One factor of all columns stands for any choice of them.
        columns = np.column_stack([direct, *(shown[tau] for tau in times), target])
        upper: Floats = np.asarray(np.linalg.qr(columns, mode="r"), dtype=np.float64)
        best = (math.inf, np.zeros(1 + pairs), choices[0])
        for places in choices:
            found, miss = nnls(upper[:, [0, *(1 + index for index in places)]], upper[:, -1])
            if miss < best[0]:
                best = (miss, found, places)
        _, ohms, places = best
        chosen = [times[index] for index in places]
        rest = self.voltage + self.pushed * ohms[0]
        for ohm, tau in zip(ohms[1:], chosen, strict=True):
            rest = rest + ohm * bases[tau]
        levels = np.linalg.lstsq(self.open, rest, rcond=None)[0]
        inner = [part for ohm, tau in zip(ohms[1:], chosen, strict=True) for part in (ohm, math.log(tau))]
        return np.array([ohms[0], *inner, *levels, *np.zeros(pairs * len(self.loaded))])


def solve(
    logs: Sequence[Log], capacity_c: float, pairs: int = 2, held: Sequence[tuple[float, float]] = ()
) -> Circuit | None:
    """The circuit with so many free RC pairs, 0 to 2.

    Parameters
    ----------
    held : ohms and time constants of pairs that are taken as known.

    Returns
    -------
    Circuit, its time constants in seconds and rising; None where R0 or one of the pairs is not told.
    """
    problem = Problem(logs, capacity_c, held)
    longest_s = max(float(log.t_s[-1] - log.t_s[0]) for log in logs)
    shortest, longest = 2.0 * problem.interval_s, 2.0 * longest_s
    count = max(int(TRIED_A_DECADE * math.log10(longest / shortest)) + 1, 3)
    fit = _solved(problem, pairs, np.geomspace(shortest, longest, count).tolist())
    if not _told(fit, pairs):
        return None
    voltages = problem.voltages(_inner(fit.values, pairs), pairs) - problem.held
    return Circuit(fit, pairs, problem.knots, tuple(np.split(voltages, problem.ends[1:-1])))


def _begins_loaded(log: Log) -> bool:
    return abs(float(log.current_a[0])) > LOADED_FRAC * float(np.abs(log.current_a).max())


def _inner(values: Floats, pairs: int) -> Floats:
    """Time constants as logarithms."""
    inner = values.copy()
    for index in range(pairs):
        inner[2 + 2 * index] = math.log(inner[2 + 2 * index])
    return inner


def _solved(problem: Problem, pairs: int, times: Sequence[float]) -> Fit:
    start = problem.started(pairs, times)
    low, high = np.full(len(start), -np.inf), np.full(len(start), np.inf)
    for index in range(pairs):
        low[1 + 2 * index], low[2 + 2 * index] = 0.0, math.log(0.1 * times[0])
        high[2 + 2 * index] = math.log(10.0 * times[-1])
    start[1 : 1 + 2 * pairs : 2] = np.maximum(start[1 : 1 + 2 * pairs : 2], 1e-3 * max(start[0], 1e-6))
    fit = fitted(lambda parameters: problem.voltage - problem.voltages(parameters, pairs), start, low, high)
    values, half, scale = fit.values.copy(), fit.half.copy(), np.ones(len(fit.values))
    for index in range(pairs):
        place = 2 + 2 * index
        values[place] = math.exp(values[place])
        # The interval of a logarithm is one of a ratio; it is made symmetric by its wider side.
        half[place] = values[place] * math.expm1(min(half[place], 50.0))
        scale[place] = values[place]
    # When between two rows the current changed, no row tells: half an interval early or late is the same voltage with
    # this much of a pair's resistance moved to R0.
    unseen = [values[1 + 2 * index] * 0.5 * problem.interval_s / values[2 + 2 * index] for index in range(pairs)]
    half[0] += sum(unseen)
    half[1 : 1 + 2 * pairs : 2] += unseen
    order = [0, *_by_time(values, pairs), *range(1 + 2 * pairs, len(values))]
    covariance = fit.covariance * np.outer(scale, scale)
    return Fit(values[order], half[order], covariance[np.ix_(order, order)], fit.residuals, fit.sigma, fit.how)


def _by_time(values: Floats, pairs: int) -> list[int]:
    """Places of R and time constant of each pair, the quicker pair first."""
    quick = sorted(range(pairs), key=lambda index: float(values[2 + 2 * index]))
    return [place for index in quick for place in (1 + 2 * index, 2 + 2 * index)]


def _told(fit: Fit, pairs: int) -> bool:
    """Whether each pair's resistance and time constant is known better than to itself."""
    values, half = fit.values[: 1 + 2 * pairs], fit.half[: 1 + 2 * pairs]
    apart = pairs < 2 or values[4] > APART * values[2]
    return bool(np.all(half < KNOWN_FRAC * np.abs(values)) and np.all(values > 0.0) and apart)


def step_ohm(logs: Sequence[Log], least_a: float) -> tuple[Fit, int] | None:
    """R0 alone, from what the voltage does at once where the current does.

    Returns
    -------
    fit : R0 first. steps : how many. None without a step of at least `least_a` within one row.

    Notes
    -----
    About each step a few rows, with a level and a slope of their own: what is slower than they are falls out.
    """
    designs, data = [], []
    # Two channels are seldom read at one moment: the rows next to the step are left out.
    kept = np.concatenate((np.arange(STEP_ROWS - STEP_GAP), np.arange(STEP_ROWS + STEP_GAP, 2 * STEP_ROWS)))
    for log in logs:
        at = np.flatnonzero(np.abs(np.diff(log.current_a)) >= least_a)
        last = -STEP_ROWS
        for row in at.tolist():
            if row - last < STEP_ROWS or row < STEP_ROWS or row + STEP_ROWS >= len(log.t_s):
                continue
            last = row
            rows = slice(row - STEP_ROWS + 1, row + STEP_ROWS + 1)
            since = log.t_s[rows] - log.t_s[row]
            after = (since > 0.0).astype(np.float64)
            pushed = -log.current_a[rows] * log.factor[rows]
            designs.append(np.stack([pushed, np.ones_like(since), since, since * after], axis=1)[kept])
            data.append(log.voltage_v[rows][kept])
    if not designs:
        return None
    designs, data = designs[:MOST_STEPS], data[:MOST_STEPS]
    rows_each = len(kept)
    design = np.zeros((rows_each * len(designs), 1 + 3 * len(designs)))
    for index, each in enumerate(designs):
        rows = slice(rows_each * index, rows_each * (index + 1))
        design[rows, 0] = each[:, 0]
        design[rows, 1 + 3 * index : 4 + 3 * index] = each[:, 1:]
    return linear(design, np.concatenate(data)), len(designs)
