"""Trends that hold whatever the distribution: Theil and Sen's slope, Mann and Kendall's test.

Both work on the last axis of an array and pass over NaN, so a detector keeps one ring of the latest n values per axle
and asks for all axles at once. Cost grows with n squared.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.statistics.normal import normal_cdf, normal_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Slope:
    """A straight line by medians, with the confidence limits of its slope; each of shape (...)."""

    slope: Floats
    intercept: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Monotony:
    """Mann and Kendall's test: score, its variance under no trend, z and two-sided p; each of shape (...)."""

    score: Floats
    variance: Floats
    z: Floats
    p: Floats


def _pairs(length: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    if length < 2:
        raise ModelError(f"a trend needs at least 2 values along the last axis, got {length}")
    return np.triu_indices(length, k=1)


def theil_sen(x: ArrayLike, y: ArrayLike, confidence: float = 0.95) -> Slope:
    """Return the median of the slopes of all pairs, and a confidence interval for it.

    Parameters
    ----------
    x : array_like, shape (..., n) or (n,)
        Time or distance; pairs of equal x are passed over.
    y : array_like, shape (..., n)
        Values; NaN in x or y drops that point.
    confidence : float
        Of the interval, between 0 and 1.

    Returns
    -------
    Slope
        NaN where fewer than two points remain. The intercept is median(y) - slope median(x). The interval takes the
        variance of the score without ties.

    References
    ----------
    .. [1] Sen, P. K. (1968), "Estimates of the regression coefficient based on Kendall's tau", Journal of the
       American Statistical Association 63, 1379-1389 (cited from memory).

    Examples
    --------
    >>> line = theil_sen(np.arange(1.0, 8.0), [1.0, 2.0, 3.0, 4.0, 5.0, 16.0, 7.0])
    >>> float(line.slope), float(line.intercept)
    (1.0, 0.0)
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
    missing = np.isnan(x) | np.isnan(y)
    x, y = np.where(missing, np.nan, x), np.where(missing, np.nan, y)
    first, second = _pairs(x.shape[-1])
    run = x[..., second] - x[..., first]
    rise = y[..., second] - y[..., first]
    slopes = np.sort(np.divide(rise, run, out=np.full_like(run, np.nan), where=run != 0.0), axis=-1)
    pairs = np.sum(~np.isnan(slopes), axis=-1)
    count = np.sum(~missing, axis=-1)
    slope = _at(slopes, (pairs - 1) // 2, pairs) / 2.0 + _at(slopes, pairs // 2, pairs) / 2.0
    half = normal_quantile(0.5 + confidence / 2.0) * np.sqrt(count * (count - 1) * (2 * count + 5) / 18.0)
    low_rank = np.rint((pairs - half) / 2.0).astype(np.intp) - 1
    high_rank = np.rint((pairs + half) / 2.0).astype(np.intp)
    middle_x, middle_y = _row_median(x), _row_median(y)
    return Slope(slope, middle_y - slope * middle_x, _at(slopes, low_rank, pairs), _at(slopes, high_rank, pairs))


def _at(ordered: Floats, rank: NDArray[np.intp], count: NDArray[np.intp]) -> Floats:
    """Return the element of that rank in each sorted row, the nearest one that exists; NaN for an empty row."""
    inside = np.clip(rank, 0, np.maximum(count - 1, 0))
    return np.take_along_axis(ordered, inside[..., None], axis=-1)[..., 0]


def _row_median(values: Floats) -> Floats:
    ordered, count = np.sort(values, axis=-1), np.sum(~np.isnan(values), axis=-1)
    return _at(ordered, (count - 1) // 2, count) / 2.0 + _at(ordered, count // 2, count) / 2.0


def mann_kendall(values: ArrayLike) -> Monotony:
    """Return the test for a rise or fall that need not be straight.

    Parameters
    ----------
    values : array_like, shape (..., n)
        In order of time; NaN is passed over. The normal approximation wants about 10 values or more; below that use
        :func:`mann_kendall_exact_p`.

    Returns
    -------
    Monotony
        p is two-sided, with the continuity correction and the variance corrected for ties; 1 where there is no score.

    References
    ----------
    .. [1] Mann, H. B. (1945), Econometrica 13, 245-259; Kendall, M. G. (1975), "Rank Correlation Methods" (cited from
       memory). Checked against a worked example of the Wisconsin administrative code.

    Examples
    --------
    >>> float(mann_kendall([100.0, 50.0, 85.0, 75.0, 50.0]).score)
    -5.0
    """
    values = np.asarray(values, dtype=np.float64)
    first, second = _pairs(values.shape[-1])
    difference = values[..., second] - values[..., first]
    score = np.nansum(np.sign(difference), axis=-1)
    count = np.sum(~np.isnan(values), axis=-1).astype(np.float64)
    variance = (count * (count - 1.0) * (2.0 * count + 5.0) - _ties(values)) / 18.0
    spread = np.sqrt(np.maximum(variance, 0.0))
    corrected = score - np.sign(score)
    z = np.divide(corrected, spread, out=np.zeros_like(spread), where=spread > 0.0)
    return Monotony(score, variance, z, np.minimum(1.0, 2.0 * normal_cdf(-np.abs(z))))


def _ties(values: Floats) -> Floats:
    """Return the sum over groups of ties of t (t - 1) (2 t + 5), taken value by value to stay vectorised."""
    same = np.sum(values[..., :, None] == values[..., None, :], axis=-1).astype(np.float64)
    same = np.maximum(same, 1.0)  # NaN equals nothing, not even itself
    return np.asarray(np.sum((same - 1.0) * (2.0 * same + 5.0), axis=-1), dtype=np.float64)


def mann_kendall_exact_p(count: int, score: int) -> float:
    """Return the one-sided probability of a score at least as far from 0, same sign, without ties.

    Parameters
    ----------
    count : int
        Number of values, 2 or more.
    score : int
        Observed score.

    Notes
    -----
    The number of orders with a given count of inversions follows a recursion over the last value's place.

    Examples
    --------
    >>> round(mann_kendall_exact_p(5, 6), 4)
    0.1167
    """
    if count < 2:
        raise ModelError(f"an exact Mann-Kendall probability needs 2 or more values, got {count}")
    probability = _inversion_probabilities(count)
    scores = count * (count - 1) // 2 - 2 * np.arange(probability.size)
    return min(1.0, float(probability[scores >= abs(score)].sum()))


@lru_cache(maxsize=64)
def _inversion_probabilities(count: int) -> Floats:
    probability = np.ones(1)
    for place in range(2, count + 1):
        probability = np.convolve(probability, np.full(place, 1.0 / place))
    return probability
