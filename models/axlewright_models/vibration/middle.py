"""Medians and quantiles of finite numbers, without the masked arrays that numpy loads for its own (2 MB on a truck)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def median(values: ArrayLike, axis: int = -1, keepdims: bool = False) -> NDArray[np.float64]:
    """Return the median along an axis; what is not finite is not looked for.

    Examples
    --------
    >>> median([3.0, 1.0, 2.0, 10.0])
    array(2.5)
    """
    ordered = np.sort(np.asarray(values, dtype=np.float64), axis=axis)
    size = ordered.shape[axis]
    middle = ordered.take([(size - 1) // 2, size // 2], axis=axis)
    return np.asarray(middle.mean(axis=axis, keepdims=keepdims))


def quantile(values: ArrayLike, share: float) -> float:
    """Return the value below which a share of all values lies, interpolated between neighbours.

    Examples
    --------
    >>> quantile([0.0, 10.0, 20.0], 0.75)
    15.0
    """
    ordered = np.sort(np.asarray(values, dtype=np.float64), axis=None)
    place = share * (ordered.size - 1)
    low = math.floor(place)
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (place - low) * (ordered[high] - ordered[low]))
