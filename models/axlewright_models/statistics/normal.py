"""The standard normal distribution on arrays, without scipy (the edge imports this package)."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

_complement = np.vectorize(math.erfc, otypes=[np.float64])


def normal_pdf(z: ArrayLike) -> NDArray[np.float64]:
    """Return the density at `z` (any shape).

    Examples
    --------
    >>> float(normal_pdf(0.0).round(6))
    0.398942
    """
    z = np.asarray(z, dtype=np.float64)
    return np.asarray(np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi))


def normal_cdf(z: ArrayLike) -> NDArray[np.float64]:
    """Return the probability below `z` (any shape), good to the last digits in both tails.

    Examples
    --------
    >>> normal_cdf([0.0, 1.959964]).round(6)
    array([0.5  , 0.975])
    """
    z = np.asarray(z, dtype=np.float64)
    return np.asarray(0.5 * _complement(-z / math.sqrt(2.0)))


def normal_quantile(probability: float) -> float:
    """Return the value below which `probability` (0 to 1, both excluded) lies.

    Examples
    --------
    >>> round(normal_quantile(0.975), 4)
    1.96
    """
    return NormalDist().inv_cdf(probability)
