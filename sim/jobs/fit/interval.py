"""How well a number is known: 95 % intervals, also where one row's noise goes on into the next (row 4).

Two ways, and every estimate says which was taken. Where the residuals are
white, the covariance follows from the Jacobian of the least squares. Where they
are not, it follows from a moving-block bootstrap of the linearised fit, whose
variance needs no drawing: it is a sum over the blocks in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import least_squares

Floats = NDArray[np.float64]

CONFIDENCE = 0.95
TAIL = 0.5 * (1.0 - CONFIDENCE)
# The loss turns from square to straight at this many standard deviations: common practice, no source.
STRAIGHT_FROM = 3.0
MAD_TO_SIGMA = 1.4826022185056018
# Correlation is looked for row by row, and over so many chunks of rows, so that what is slow is found too.
CHUNKS = 2000
JACOBIAN = "Jacobian of the least squares"


class Fit(NamedTuple):
    """A least-squares fit.

    values, half : shape (p,); the 95 % interval is ``values +- half``, infinite where the data do not tell.
    covariance : shape (p, p).
    residuals : shape (n,), data less fit.
    sigma : the residuals' standard deviation, outliers aside.
    how : where the intervals come from.
    """

    values: Floats
    half: Floats
    covariance: Floats
    residuals: Floats
    sigma: float
    how: str


def robust_sigma(values: Floats) -> float:
    """Standard deviation of the bulk, from the median absolute deviation."""
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values)))) if values.size else 0.0


def block_length(values: Floats) -> int:
    """Rows in a block that holds a series' correlation, 1 where it has none.

    Notes
    -----
    Source: D. N. Politis, H. White, "Automatic block-length selection for the
    dependent bootstrap", Econometric Reviews 23(1), 2004, 53-70, with the
    correction of A. Patton, D. N. Politis, H. White, ibid. 28(4), 2009, 372-375;
    for the circular block bootstrap (formulas from memory, not verified). Differs
    from it in: 1 where no autocorrelation up to the window stands out; otherwise twice
    as long, since a block too short makes an interval too narrow, and that is the worse error.
    """
    n = len(values)
    if n < 8 or not np.ptp(values) > 0.0:
        return 1
    window = max(5, math.ceil(math.sqrt(math.log10(n))))
    most = min(math.ceil(math.sqrt(n)) + window, n - 1)
    covariances = _autocovariance(values, most)
    correlations = covariances / covariances[0]
    bound = 2.0 * math.sqrt(math.log10(n) / n)
    loud = np.flatnonzero(np.abs(correlations[1:]) > bound) + 1
    quiet = np.diff(np.concatenate(([0], loud, [most + 1])))
    # The first lag behind which a whole window of lags is quiet.
    settled = int(np.concatenate(([0], loud))[int(np.argmax(quiet > window))]) if np.any(quiet > window) else most
    if settled == 0:
        return 1
    reach = min(2 * settled, most)
    lags = np.arange(1, reach + 1)
    taper = np.clip(2.0 * (1.0 - lags / (2.0 * settled)), 0.0, 1.0)
    g_hat = 2.0 * float(np.sum(taper * lags * covariances[1 : reach + 1]))
    g_0 = covariances[0] + 2.0 * float(np.sum(taper * covariances[1 : reach + 1]))
    spread = 4.0 / 3.0 * g_0 * g_0
    length = (2.0 * g_hat * g_hat / spread * n) ** (1.0 / 3.0) if spread > 0.0 else 1.0
    return max(1, min(math.ceil(2.0 * length), math.ceil(min(3.0 * math.sqrt(n), n / 3.0))))


def _autocovariance(values: Floats, most: int) -> Floats:
    """Autocovariances at lags 0 to `most`, by the fast Fourier transform."""
    centred = values - values.mean()
    size = 1 << (2 * len(values) - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    products: Floats = np.fft.irfft(spectrum * np.conj(spectrum), size)[: most + 1] / len(values)
    return products


def covariance_of(jacobian: Floats, pulls: Floats, bend: Floats) -> tuple[Floats, float, str]:
    """Covariance of the parameters of a fit.

    Parameters
    ----------
    jacobian : shape (n, p), of the model.
    pulls : shape (n,), each residual as the loss felt it.
    bend : shape (n,), how the pull changes with the residual; 1 for plain squares.

    Returns
    -------
    covariance : shape (p, p)
    freedom : degrees of freedom for Student's t.
    how : in words.

    Notes
    -----
    Source: the sandwich of a robust fit, P. J. Huber, "Robust Statistics", 1981,
    chapter 7; its middle, where rows are correlated, is the variance of the
    moving-block bootstrap of H. R. Kuensch, Annals of Statistics 17(3), 1989,
    1217-1241 (both from memory).
    """
    n, p = jacobian.shape
    bread = np.linalg.pinv(jacobian.T @ (jacobian * bend[:, None]), hermitian=True)
    width = max(1, n // CHUNKS)
    count = n // width
    means = pulls[: count * width].reshape(count, width).mean(axis=1)
    slow = block_length(means)
    quick = block_length(pulls)
    if quick == 1 and slow == 1:
        variance = float(pulls @ pulls) / max(n - p, 1)
        return variance * bread @ (jacobian.T @ jacobian) @ bread, float(max(n - p, 1)), JACOBIAN
    rows = max(quick, width * slow)
    scores = (jacobian * pulls[:, None])[: count * width].reshape(count, width, p).sum(axis=1)
    middle = _block_variance(scores, max(1, math.ceil(rows / width)))
    freedom = max(n / rows - p, 1.0)
    return bread @ middle @ bread * n / max(n - p, 1), freedom, f"block bootstrap, blocks of {rows} rows"


def _block_variance(scores: Floats, length: int) -> Floats:
    """Variance of the sum of scores, shape (n, p), if drawn anew in moving blocks."""
    total: Floats = scores.T @ scores
    for lag in range(1, min(length, len(scores))):
        product = scores[lag:].T @ scores[:-lag]
        total = total + (1.0 - lag / length) * (product + product.T)
    return total


def fitted(
    residuals: Callable[[Floats], Floats],
    start: Floats,
    low: Floats | float = -np.inf,
    high: Floats | float = np.inf,
) -> Fit:
    """Least squares that outliers do not pull, with 95 % intervals.

    Parameters
    ----------
    residuals : of the parameters, shape (p,), to data less model, shape (n,).
    start : shape (p,), within the bounds.
    low, high : bounds; a parameter that ends on one has an infinite interval.

    Notes
    -----
    ``scipy.optimize.least_squares`` twice: with plain squares, to learn how large
    ordinary residuals are, and with its loss ``soft_l1``, which turns straight at
    three times that.
    """
    # Without a scale of its own a parameter that starts at 0 would not be moved.
    first = least_squares(residuals, start, bounds=(low, high), x_scale="jac", method="trf")
    sigma = robust_sigma(first.fun)
    if not sigma > 1e-12 * max(float(np.abs(first.fun).max(initial=0.0)), 1e-300):
        sigma = float(np.sqrt(np.mean(first.fun * first.fun)))
    if not sigma > 0.0:
        return _with_intervals(first.x, -first.jac, first.fun, sigma, first.fun, np.ones_like(first.fun), first)
    scale = STRAIGHT_FROM * sigma
    done = least_squares(
        residuals, first.x, bounds=(low, high), x_scale="jac", method="trf", loss="soft_l1", f_scale=scale
    )
    left = residuals(done.x)
    jacobian = _jacobian(residuals, done.x, left)
    pulls, bend = _felt(left, scale)
    return _with_intervals(done.x, jacobian, left, sigma, pulls, bend, done)


def _felt(left: Floats, scale: float) -> tuple[Floats, Floats]:
    """Each residual as the loss felt it, and how that changes with the residual."""
    z = (left / scale) ** 2
    pulls: Floats = left / np.sqrt(1.0 + z)
    bend: Floats = (1.0 + z) ** -1.5
    return pulls, bend


def _jacobian(residuals: Callable[[Floats], Floats], values: Floats, at: Floats) -> Floats:
    """Slopes of the model, by central differences; the solver's own are scaled by its loss."""
    columns = []
    for index in range(len(values)):
        step = np.zeros_like(values)
        step[index] = 1e-6 * max(abs(float(values[index])), 1e-6)
        columns.append((residuals(values - step) - residuals(values + step)) / (2.0 * step[index]))
    return np.stack(columns, axis=1) if columns else np.empty((len(at), 0))


def _with_intervals(
    values: Floats, jacobian: Floats, left: Floats, sigma: float, pulls: Floats, bend: Floats, solved: object
) -> Fit:
    covariance, freedom, how = covariance_of(jacobian, pulls, bend)
    half = float(stats.t.isf(TAIL, freedom)) * np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    # A parameter that moves nothing, or stands at its bound, is not told by the data.
    size = np.linalg.norm(jacobian, axis=0)
    held = np.asarray(getattr(solved, "active_mask", np.zeros(len(values)))) != 0
    half = np.where(held | ~(size > 0.0), np.inf, half)
    return Fit(values, half, covariance, left, sigma, how)


def linear(design: Floats, data: Floats) -> Fit:
    """`fitted` for a model that is a sum of columns, shape (n, p), times the parameters."""
    scale = np.linalg.norm(design, axis=0)
    scale = np.where(scale > 0.0, scale, 1.0) / math.sqrt(len(data))
    scaled = design / scale
    values: Floats = np.linalg.lstsq(scaled, data, rcond=None)[0].astype(np.float64)
    sigma = robust_sigma(data - scaled @ values)
    # Weighted least squares, again and again, is what the loss asks for where the model is a sum.
    for _ in range(50 if sigma > 0.0 else 0):
        left = data - scaled @ values
        root = (1.0 + (left / (STRAIGHT_FROM * sigma)) ** 2) ** -0.25
        after = np.linalg.lstsq(scaled * root[:, None], data * root, rcond=None)[0].astype(np.float64)
        done = bool(np.all(np.abs(after - values) <= 1e-10 * (np.abs(after) + 1e-300)))
        values = after
        if done:
            break
    left = data - scaled @ values
    pulls, bend = _felt(left, STRAIGHT_FROM * sigma if sigma > 0.0 else math.inf)
    fit = _with_intervals(values, scaled, left, sigma, pulls, bend, None)
    return Fit(fit.values / scale, fit.half / scale, fit.covariance / np.outer(scale, scale), left, sigma, fit.how)


def mean_of(values: Floats) -> Fit:
    """A series' mean, outliers aside."""
    return linear(np.ones((len(values), 1)), values)


def poisson_rate(count: int, exposure: float) -> tuple[float, float, float]:
    """A rate and its exact 95 % interval, from a count over an exposure > 0.

    Notes
    -----
    Source: F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika
    28(3/4), 1936, 437-442, in its form by chi-squared quantiles (from memory).
    """
    low = 0.5 * float(stats.chi2.ppf(TAIL, 2 * count)) if count else 0.0
    high = 0.5 * float(stats.chi2.isf(TAIL, 2 * count + 2))
    return count / exposure, low / exposure, high / exposure


def median_of(values: Floats) -> tuple[float, float, float]:
    """A median and its distribution-free interval of at least 95 %, between two of the values themselves.

    With fewer than 6 values no such interval exists and the ends are infinite.

    Notes
    -----
    Source: the sign test's order statistics (handbook form).
    """
    ordered = np.sort(values)
    n = len(ordered)
    rank = int(stats.binom.ppf(TAIL, n, 0.5))
    while rank > 0 and 2.0 * float(stats.binom.cdf(rank - 1, n, 0.5)) > 1.0 - CONFIDENCE:
        rank -= 1
    middle = float(np.median(ordered))
    if rank == 0:
        return middle, -math.inf, math.inf
    return middle, float(ordered[rank - 1]), float(ordered[n - rank])
