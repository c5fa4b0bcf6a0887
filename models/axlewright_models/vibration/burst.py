"""Raw waveforms made small, with an error that is stated beforehand and kept.

A burst is rounded to steps of 16-bit numbers, differenced, split into its high and low bytes and
deflated. The step is chosen from the error that the reader allows, or, if 16 bits cannot hold the
signal so finely, from the signal; the burst says which error it keeps.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import FrameError, ModelError

_TOP = 32767
# Ten minutes of three sensors at 6.4 kHz; whoever claims more does not mean well.
_MOST_BYTES = 32 * 1024 * 1024


@dataclass(frozen=True)
class Burst:
    """A compressed waveform.

    Parameters
    ----------
    channels, samples : int
        Shape of the waveform.
    rate_hz : float
        [Hz]
    steps : tuple of float
        Value of one count, per channel. [unit of the samples]
    data : bytes
        The deflated counts.
    """

    channels: int
    samples: int
    rate_hz: float
    steps: tuple[float, ...]
    data: bytes

    @property
    def error(self) -> tuple[float, ...]:
        """Return the greatest departure of any decoded sample, per channel. [unit of the samples]"""
        return tuple(0.5 * step for step in self.steps)


def compress(samples: ArrayLike, rate_hz: float, error: float) -> Burst:
    """Return a waveform as a burst.

    Parameters
    ----------
    samples : array_like, shape (channels, n)
        Finite.
    rate_hz : float
        [Hz]
    error : float
        Greatest departure allowed, above 0. Where a channel is too lively for this in 16 bits, its own
        ``Burst.error`` is larger. [unit of the samples]

    Examples
    --------
    >>> burst = compress([[0.0, 1.0, 2.5]], 6400.0, error=0.005)
    >>> decompress(burst).round(3)
    array([[0. , 1. , 2.5]])
    """
    values = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    if values.ndim != 2 or values.shape[1] < 1:
        raise ModelError(f"samples has shape {values.shape}; give (channels, n) with one sample or more")
    if not np.all(np.isfinite(values)):
        raise ModelError("samples holds a missing or infinite value; cut the burst around it")
    if not error > 0.0:
        raise ModelError(f"error is {error}; give the greatest departure allowed, above 0 (rounding cannot be exact)")
    steps = np.maximum(2.0 * error, np.abs(values).max(axis=1) / _TOP)
    counts = np.rint(values / steps[:, np.newaxis]).astype(np.int16)
    # Differences wrap around at 16 bits, and so does their sum: nothing is lost.
    differences = np.diff(counts, axis=1, prepend=np.int16(0)).astype("<i2")
    # High bytes are mostly 0 or 255; side by side they deflate to almost nothing.
    planes = differences.ravel().view(np.uint8).reshape(-1, 2).T
    data = zlib.compress(planes.tobytes(), level=6)
    return Burst(values.shape[0], values.shape[1], rate_hz, tuple(float(step) for step in steps), data)


def decompress(burst: Burst) -> NDArray[np.float64]:
    """Return the waveform of a burst, shape (channels, n), each sample within ``burst.error``.

    Raises
    ------
    FrameError
        The data does not hold so many samples.
    """
    expected = 2 * burst.channels * burst.samples
    if not 0 < expected <= _MOST_BYTES:
        raise FrameError(
            f"burst claims {burst.channels} channels of {burst.samples} samples; 1 to {_MOST_BYTES // 2} fit"
        )
    inflater = zlib.decompressobj()
    try:
        # Bounded, so that a small hostile payload cannot fill the memory.
        raw = inflater.decompress(burst.data, expected + 1)
    except zlib.error as error:
        raise FrameError(f"burst cannot be inflated: {error}") from error
    if len(raw) != expected or not inflater.eof or len(burst.steps) != burst.channels:
        raise FrameError(
            f"burst does not hold {burst.channels} channels of {burst.samples} samples; a piece is missing"
        )
    planes = np.frombuffer(raw, dtype=np.uint8).reshape(2, -1)
    differences = np.ascontiguousarray(planes.T).view("<i2").reshape(burst.channels, burst.samples)
    counts = np.cumsum(differences, axis=1, dtype=np.int16)
    return np.asarray(counts * np.asarray(burst.steps)[:, np.newaxis])


def pieces(data: bytes, size: int = 16 * 1024) -> list[bytes]:
    """Return the data cut for the wire, each piece at most this long.

    Examples
    --------
    >>> pieces(b"abcde", size=2)
    [b'ab', b'cd', b'e']
    """
    if size < 1:
        raise ModelError(f"size is {size}; a piece holds 1 byte or more")
    return [data[start : start + size] for start in range(0, len(data), size)]
