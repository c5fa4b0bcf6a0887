"""From acceleration to velocity, for severity in mm/s."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]


def velocity(acceleration: ArrayLike, rate_hz: float, lowest_hz: float) -> Array:
    """Return the velocity that belongs to an acceleration, without what lies below a lowest frequency.

    Parameters
    ----------
    acceleration : array_like, shape (..., n)
        [m/s2]
    rate_hz : float
        [Hz]
    lowest_hz : float
        Nothing below is integrated: an accelerometer's drift would become any velocity whatever. From here to
        twice this the answer rises as half a cosine, which keeps the ends from ringing. [Hz]

    Returns
    -------
    ndarray, shape (..., n)
        [m/s]

    Notes
    -----
    Division by i times the angular frequency over the whole record, which is taken as periodic: within about
    ``1 / lowest_hz`` of its ends the result is not to be trusted.

    Examples
    --------
    >>> time = np.arange(6400) / 6400.0
    >>> speed = velocity(2 * np.pi * 50 * np.cos(2 * np.pi * 50 * time), 6400.0, 5.0)
    >>> float(np.abs(speed - np.sin(2 * np.pi * 50 * time)).max().round(9))
    0.0
    """
    values = np.asarray(acceleration, dtype=np.float64)
    size = values.shape[-1]
    if not 0.0 < lowest_hz < rate_hz / 4.0:
        raise ModelError(f"lowest_hz is {lowest_hz}; it must lie above 0 and below a quarter of rate_hz ({rate_hz})")
    return np.fft.irfft(np.fft.rfft(values, axis=-1) * _divisor(size, rate_hz, lowest_hz), size, axis=-1)


def velocity_rms(acceleration: ArrayLike, rate_hz: float, lowest_hz: float, highest_hz: float) -> Array:
    """Return the rms velocity between two frequencies, shape (...). [m/s]

    The customary band is 10 to 1000 Hz. As :func:`velocity`, without going back to time.
    """
    values = np.asarray(acceleration, dtype=np.float64)
    return velocity_rms_of(np.fft.rfft(values, axis=-1), values.shape[-1], rate_hz, lowest_hz, highest_hz)


def velocity_rms_of(
    lines: NDArray[np.complexfloating], size: int, rate_hz: float, lowest_hz: float, highest_hz: float
) -> Array:
    """Return the same from the ``numpy.fft.rfft`` of a record of `size` samples, shape (...). [m/s]"""
    if not 0.0 < lowest_hz < highest_hz:
        raise ModelError(f"lowest_hz {lowest_hz} must be above 0 and below highest_hz {highest_hz}")
    frequency = np.fft.rfftfreq(size, 1.0 / rate_hz)
    inside = slice(*np.searchsorted(frequency, (lowest_hz, np.nextafter(highest_hz, np.inf))))
    velocities = lines[..., inside] / (2.0 * np.pi * frequency[inside])
    # Both sides of the spectrum; the last bin of an even record has no mirror image but lies outside any use.
    return np.asarray(np.sqrt(2.0 * (velocities.real**2 + velocities.imag**2).sum(axis=-1)) / size)


def _divisor(size: int, rate_hz: float, lowest_hz: float) -> NDArray[np.complex128]:
    frequency = np.fft.rfftfreq(size, 1.0 / rate_hz)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(frequency / lowest_hz - 1.0, 0.0, 1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        divisor = rise / (2j * np.pi * frequency)
    divisor[0] = 0.0
    if size % 2 == 0:
        # The derivative of the Nyquist line is not a real signal.
        divisor[-1] = 0.0
    return np.asarray(divisor)
