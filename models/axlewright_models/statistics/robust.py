"""Location and spread that a few wild readings cannot move."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

MAD_TO_SD = 1.4826
"""Standard deviation of normal data per median absolute deviation; the figure of 40 CFR 1037.528."""

HAMPEL_LIMIT_SD = 3.0
HAMPEL_HALF_WIDTH = 30
"""61 samples in all: the window of 40 CFR 1037.528 for data at 10 Hz."""


def _median(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median over the last axis, NaN passed over; NaN where there is nothing (numpy would warn)."""
    ordered = np.sort(values, axis=-1)  # NaN goes last
    count = np.sum(~np.isnan(values), axis=-1)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, values.shape[-1] - 1)
    pick = np.stack([low, high], axis=-1)
    middle = np.take_along_axis(ordered, pick, axis=-1).mean(axis=-1)
    return np.where(count > 0, middle, np.nan)


def median_and_sd(values: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the median and 1.4826 times the median absolute deviation, over the last axis.

    Parameters
    ----------
    values : array_like, shape (..., n)
        NaN is passed over.

    Returns
    -------
    (median, sd) : tuple of ndarray, shape (...)
        NaN where a row holds no value.

    Examples
    --------
    >>> median, sd = median_and_sd([430.0, 431.0, 429.0, 430.0, 612.0, np.nan])
    >>> float(median), float(sd)
    (430.0, 1.4826)
    """
    values = np.asarray(values, dtype=np.float64)
    middle = _median(values)
    return middle, MAD_TO_SD * _median(np.abs(values - middle[..., None]))


def robust_mean(values: ArrayLike, limit_sd: float = HAMPEL_LIMIT_SD) -> NDArray[np.float64]:
    """Return the mean over the last axis of what lies within `limit_sd` robust deviations of the median.

    Almost the mean's precision on clean data, almost the median's resistance to wild values.

    Examples
    --------
    >>> float(robust_mean([430.0, 431.0, 429.0, 434.0, 612.0]))
    431.0
    """
    values = np.asarray(values, dtype=np.float64)
    middle, sd = median_and_sd(values)
    near = np.abs(values - middle[..., None]) <= limit_sd * sd[..., None]
    count = near.sum(axis=-1)
    return np.where(count > 0, np.where(near, values, 0.0).sum(axis=-1) / np.maximum(count, 1), np.nan)


def hampel(
    values: ArrayLike, half_width: int = HAMPEL_HALF_WIDTH, limit_sd: float = HAMPEL_LIMIT_SD
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the series with outliers replaced by the running median, and which they were.

    Parameters
    ----------
    values : array_like, shape (..., n)
        Evenly spaced samples along the last axis. NaN stays NaN and is passed over in the windows.
    half_width : int
        Samples on each side of the one that is judged, 1 or more; windows shrink at the ends.
    limit_sd : float
        Departures beyond this many robust standard deviations are outliers.

    Returns
    -------
    (cleaned, outlier) : tuple of ndarray, shape (..., n)

    Raises
    ------
    ModelError
        `half_width` below 1.

    References
    ----------
    .. [1] 40 CFR 1037.528: 61 samples at 10 Hz, standard deviation 1.4826 times the median absolute deviation, reject
       beyond three (that is 4.4478 times the median absolute deviation).

    Examples
    --------
    >>> cleaned, outlier = hampel([1.0, 2.0, 3.0, 90.0, 5.0, 6.0, 7.0], half_width=3)
    >>> cleaned
    array([1., 2., 3., 5., 5., 6., 7.])
    """
    values = np.asarray(values, dtype=np.float64)
    if half_width < 1:
        raise ModelError(f"hampel half_width is {half_width}; give 1 or more samples on each side")
    edge = np.full((*values.shape[:-1], half_width), np.nan)
    padded = np.concatenate([edge, values, edge], axis=-1)
    middle, sd = median_and_sd(sliding_window_view(padded, 2 * half_width + 1, axis=-1))
    outlier = np.abs(values - middle) > limit_sd * sd
    return np.where(outlier, middle, values), outlier
