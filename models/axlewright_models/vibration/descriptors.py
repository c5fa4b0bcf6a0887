"""Numbers that sum up a vibration signal by itself: rms, crest factor, kurtosis."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def rms(samples: ArrayLike) -> Array:
    """Return the root of the mean square about the mean, along the last axis; shape (...), unit of the samples.

    The mean is taken off: an accelerometer's rest value is gravity and drift, not vibration.

    Examples
    --------
    >>> float(rms([1.0, -1.0, 1.0, -1.0]))
    1.0
    """
    return np.asarray(np.asarray(samples, dtype=np.float64).std(axis=-1))


def crest_factor(samples: ArrayLike) -> Array:
    """Return peak over rms about the mean, along the last axis, shape (...); NaN for a signal that does not move.

    A sine has the square root of 2, a triangle that of 3, a square wave 1.

    Examples
    --------
    >>> float(crest_factor([0.0, 1.0, 0.0, -1.0]).round(4))
    1.4142
    """
    values = np.asarray(samples, dtype=np.float64)
    values = values - values.mean(axis=-1, keepdims=True)
    spread = rms(values)
    return np.asarray(np.abs(values).max(axis=-1) / np.where(spread > 0.0, spread, np.nan))


def kurtosis(samples: ArrayLike) -> Array:
    r"""Return the fourth moment over the squared second, along the last axis, shape (...); NaN if nothing moves.

    Notes
    -----
    :math:`m_4 / m_2^2`: 3 for Gaussian noise, 1.5 for a sine; impacts raise it.

    Examples
    --------
    >>> float(kurtosis([1.0, -1.0, 1.0, -1.0]))
    1.0
    """
    values = np.asarray(samples, dtype=np.float64)
    squares = (values - values.mean(axis=-1, keepdims=True)) ** 2
    second = squares.mean(axis=-1)
    return np.asarray((squares * squares).mean(axis=-1) / np.where(second > 0.0, second, np.nan) ** 2)


def complex_kurtosis(envelope: NDArray[np.complexfloating]) -> Array:
    r"""Return the kurtosis of a complex envelope, along the last axis, shape (...).

    Notes
    -----
    :math:`\langle |c|^4 \rangle / \langle |c|^2 \rangle^2 - 2`: 0 for Gaussian noise, -1 for a steady tone [1]_.

    References
    ----------
    .. [1] Spectral kurtosis after Antoni (2006), from memory.
    """
    power = envelope.real**2 + envelope.imag**2
    mean = power.mean(axis=-1, dtype=np.float64)
    return np.asarray((power * power).mean(axis=-1, dtype=np.float64) / np.where(mean > 0.0, mean, np.nan) ** 2 - 2.0)
