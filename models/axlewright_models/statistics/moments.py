"""Mean and variance, one value at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Moments = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def welford_step(count: ArrayLike, mean: ArrayLike, m2: ArrayLike, value: ArrayLike) -> Moments:
    """Return number, mean and sum of squared departures after one more value.

    Parameters
    ----------
    count, mean, m2 : array_like, any shape
        State so far; all 0 at the start.
    value : array_like, broadcastable
        New value; NaN leaves the state as it was.

    Returns
    -------
    (count, mean, m2) : tuple of ndarray
        The sample variance is ``m2 / (count - 1)``.

    References
    ----------
    .. [1] Welford, B. P. (1962), "Note on a method for calculating corrected sums of squares and products",
       Technometrics 4(3), 419-420.

    Examples
    --------
    >>> state = (0.0, 0.0, 0.0)
    >>> for height_mm in [430.0, 432.0, np.nan, 434.0]:
    ...     state = welford_step(*state, height_mm)
    >>> [float(x) for x in state]
    [3.0, 432.0, 8.0]
    """
    count, mean = np.asarray(count, dtype=np.float64), np.asarray(mean, dtype=np.float64)
    m2, value = np.asarray(m2, dtype=np.float64), np.asarray(value, dtype=np.float64)
    missing = np.isnan(value)
    new_count = count + 1.0
    delta = value - mean
    new_mean = mean + delta / new_count
    new_m2 = m2 + delta * (value - new_mean)
    return np.where(missing, count, new_count), np.where(missing, mean, new_mean), np.where(missing, m2, new_m2)


def standard_deviation(count: ArrayLike, m2: ArrayLike) -> NDArray[np.float64]:
    """Return the sample standard deviation of a :func:`welford_step` state; NaN below two values.

    Examples
    --------
    >>> standard_deviation([1.0, 3.0], [0.0, 8.0])
    array([nan,  2.])
    """
    count, m2 = np.asarray(count, dtype=np.float64), np.asarray(m2, dtype=np.float64)
    enough = count >= 2.0
    return np.where(enough, np.sqrt(m2 / np.where(enough, count - 1.0, 1.0)), np.nan)
