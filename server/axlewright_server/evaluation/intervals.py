"""Intervals for shares and rates: how far a count can be trusted."""

from __future__ import annotations

import math
from typing import NamedTuple

from scipy.stats import beta, chi2

LEVEL = 0.95


class Interval(NamedTuple):
    """A share or a rate with its interval; NaN where nothing was counted."""

    value: float
    low: float
    high: float


def share(count: int, of: int, level: float = LEVEL) -> Interval:
    """Return a share with its exact (Clopper-Pearson) interval.

    Parameters
    ----------
    count, of : int
        Successes, and trials.
    level : float
        Of the interval, two-sided.

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the
       binomial", Biometrika 26 (1934), pp. 404-413.

    Examples
    --------
    >>> [round(x, 3) for x in share(19, 20)]
    [0.95, 0.751, 0.999]
    """
    if of == 0:
        return Interval(math.nan, math.nan, math.nan)
    tail = 0.5 * (1.0 - level)
    low = 0.0 if count == 0 else float(beta.ppf(tail, count, of - count + 1))
    high = 1.0 if count == of else float(beta.ppf(1.0 - tail, count + 1, of - count))
    return Interval(count / of, low, high)


def rate(count: int, exposure: float, level: float = LEVEL) -> Interval:
    """Return a rate of rare events with its exact Poisson interval, per unit of `exposure`.

    References
    ----------
    .. [1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936), pp. 437-442.

    Examples
    --------
    >>> [round(x, 4) for x in rate(0, 200.0)]
    [0.0, 0.0, 0.0184]
    """
    if exposure <= 0.0:
        return Interval(math.nan, math.nan, math.nan)
    tail = 0.5 * (1.0 - level)
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2.0
    high = float(chi2.ppf(1.0 - tail, 2 * count + 2)) / 2.0
    return Interval(count / exposure, low / exposure, high / exposure)
