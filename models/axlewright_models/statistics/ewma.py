"""Exponentially weighted moving averages, for streams that do not tick evenly."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError


def time_weight(dt_s: ArrayLike, time_constant_s: ArrayLike) -> NDArray[np.float64]:
    r"""Return the weight of a new value that stands for `dt_s` seconds.

    Parameters
    ----------
    dt_s : array_like, any shape
        Time that the value stands for, 0 or more; NaN gives NaN. [s]
    time_constant_s : array_like, broadcastable
        Memory of the average, above 0. [s]

    Returns
    -------
    ndarray
        :math:`1 - e^{-dt/\tau}`. Six windows of 10 s weigh as much as one of 60 s.

    Examples
    --------
    >>> ten, sixty = time_weight([10.0, 60.0], 600.0)
    >>> bool(abs(1 - (1 - ten) ** 6 - sixty) < 1e-12)
    True
    """
    return np.asarray(-np.expm1(-np.asarray(dt_s, dtype=np.float64) / np.asarray(time_constant_s, dtype=np.float64)))


def ewma_step(level: ArrayLike, value: ArrayLike, weight: ArrayLike) -> NDArray[np.float64]:
    """Return the average after one more value.

    Parameters
    ----------
    level : array_like, any shape
        Average so far; NaN where none has begun: the first value then becomes the average.
    value : array_like, broadcastable
        New value; NaN leaves the average as it was.
    weight : array_like, broadcastable
        Weight of the new value, 0 to 1 (:func:`time_weight` or a constant); NaN counts as 0.

    Returns
    -------
    ndarray
        The new average, in the unit of `value`.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4, "EWMA Control Charts".

    Examples
    --------
    >>> ewma_step([50.0, np.nan, 3.0], [52.0, 7.0, np.nan], 0.3)
    array([50.6,  7. ,  3. ])
    """
    level, value = np.asarray(level, dtype=np.float64), np.asarray(value, dtype=np.float64)
    weight = np.asarray(weight, dtype=np.float64)
    weight = np.where(np.isnan(weight), 0.0, weight)
    moved = level + weight * (value - level)
    return np.where(np.isnan(value), level, np.where(np.isnan(level), value, moved))


def ewma_sd(weight: ArrayLike, count: ArrayLike = np.inf, sd: ArrayLike = 1.0) -> NDArray[np.float64]:
    r"""Return the standard deviation of an EWMA of independent values.

    Parameters
    ----------
    weight : array_like
        Constant weight of each new value, above 0, at most 1.
    count : array_like, broadcastable
        Number of values averaged since the start at the target; infinity for the asymptotic value.
    sd : array_like, broadcastable
        Standard deviation of one value.

    Notes
    -----
    :math:`\sigma_z^2 = \sigma^2 \frac{\lambda}{2-\lambda}\left[1-(1-\lambda)^{2n}\right]` (NIST/SEMATECH e-Handbook,
    section 6.3.2.4).

    Examples
    --------
    >>> [round(float(x), 4) for x in ewma_sd(0.3, [1, np.inf], 2.0539)]
    [0.6162, 0.8628]
    """
    weight, count = np.asarray(weight, dtype=np.float64), np.asarray(count, dtype=np.float64)
    started = 1.0 - np.power(1.0 - weight, 2.0 * count)
    return np.asarray(np.asarray(sd, dtype=np.float64) * np.sqrt(weight / (2.0 - weight) * started))


class Ewma:
    """Follow the mean of one series and tell when it has left its limits.

    Parameters: `target` and `sd` of the values in control, the `weight` of a new value, the `width` of the
    limits in standard deviations of the average. With ``exact`` the limits open up as the average settles, so that an
    early shift is seen early; without, they are the asymptotic ones.

    Ride height of one axle, millimetres from specification:

    >>> height = Ewma(target=0.0, sd=3.0, weight=0.2, width=2.962)
    >>> [height.update(x) for x in [1, -2, 0, -6, -5, -7, -6, -6]].index(True)
    5
    """

    def __init__(self, target: float, sd: float, weight: float, width: float, *, exact: bool = True) -> None:
        if not (sd > 0.0 and 0.0 < weight <= 1.0 and width > 0.0):
            raise ModelError(f"Ewma needs sd > 0, 0 < weight <= 1, width > 0; got {sd=}, {weight=}, {width=}")
        self.target, self.sd, self.weight, self.width, self.exact = target, sd, weight, width, exact
        self.reset()

    def reset(self) -> None:
        """Start again at the target."""
        self._level = self.target
        self._count = 0

    @property
    def level(self) -> float:
        """The average so far."""
        return self._level

    @property
    def limits(self) -> tuple[float, float]:
        """The lower and upper limit that hold for the latest value."""
        started = 1.0 - (1.0 - self.weight) ** (2 * self._count) if self.exact else 1.0
        half = self.width * self.sd * math.sqrt(self.weight / (2.0 - self.weight) * started)
        return self.target - half, self.target + half

    def update(self, value: float) -> bool:
        """Take one value (NaN is passed over); return whether the average is beyond a limit."""
        if math.isnan(value):
            return False
        self._level += self.weight * (value - self._level)
        self._count += 1
        low, high = self.limits
        return not low <= self._level <= high
