"""Squared-envelope spectra: the rhythm of impacts, found in the band where they ring loudest.

The band is chosen from the signal: every band of a set of halvings and thirdings is judged by the
kurtosis of its envelope (a kurtogram by Fourier slices), each against what Gaussian noise of so many
samples would scatter, so that narrow bands don't win by chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.vibration.descriptors import complex_kurtosis
from axlewright_models.vibration.middle import median
from axlewright_models.vibration.spectra import Spectrum, hann_spectrum

Array = NDArray[np.float64]
# A pothole is one event: it lifts the kurtosis of one piece of the record, not the median of so many.
_PIECES = 5


@dataclass(frozen=True)
class Band:
    """A band of the spectrum and how impulsive it is.

    Parameters
    ----------
    low_hz, high_hz : float
        [Hz]
    kurtosis : float
        Of the complex envelope; 0 for Gaussian noise.
    score : float
        Kurtosis over its standard deviation in Gaussian noise; under 3 there is nothing to be seen.
    """

    low_hz: float
    high_hz: float
    kurtosis: float
    score: float


def candidate_bands(rate_hz: float, narrowest_hz: float, lowest_hz: float = 0.0) -> list[tuple[float, float]]:
    """Return the bands to try: the whole range in 1, 2, 3, 4, 6, 8, 12, ... equal parts.

    Parameters
    ----------
    rate_hz : float
        Sample rate. [Hz]
    narrowest_hz : float
        No band is narrower: an envelope shows only rhythms below the width of its band. [Hz]
    lowest_hz : float
        Lower end of the range; gear mesh and road noise below are left out. [Hz]

    Examples
    --------
    >>> candidate_bands(6400.0, 1600.0)
    [(0.0, 3200.0), (0.0, 1600.0), (1600.0, 3200.0)]
    """
    width = 0.5 * rate_hz - lowest_hz
    if not 0.0 < narrowest_hz <= width:
        raise ModelError(f"narrowest_hz is {narrowest_hz}; it must lie above 0 and within the {width:g} Hz there are")
    parts = [part for level in range(12) for part in ({1} if level == 0 else {2**level, 3 * 2 ** (level - 1)})]
    bands = []
    for part in sorted(parts):
        if width / part < narrowest_hz:
            break
        edges = lowest_hz + width * np.arange(part + 1) / part
        bands += [(float(low), float(high)) for low, high in pairwise(edges)]
    return bands


def complex_envelope(
    lines: NDArray[np.complexfloating], size: int, rate_hz: float, low_hz: float, high_hz: float, padding: int = 1
) -> tuple[NDArray[np.complexfloating], float]:
    """Return the complex envelope of one band, at the rate that its width needs.

    Parameters
    ----------
    lines : ndarray, shape (..., size // 2 + 1)
        ``numpy.fft.rfft`` of the record.
    size : int
        Samples of the record.
    rate_hz, low_hz, high_hz : float
        [Hz]
    padding : int
        Samples per sample needed; 2 or more if the envelope will be squared and its spectrum taken.

    Returns
    -------
    envelope : ndarray, shape (..., m)
        Modulus in the unit of the samples.
    rate : float
        [Hz]
    """
    first, last = (round(edge * size / rate_hz) for edge in (low_hz, high_hz))
    last = min(last, lines.shape[-1] - 1)
    count = last - first
    if count < 8:
        raise ModelError(f"the band {low_hz:g} to {high_hz:g} Hz holds {count} bins of the record; 8 are needed")
    piece = np.zeros((*lines.shape[:-1], padding * count), dtype=lines.dtype)
    piece[..., :count] = lines[..., first:last]
    # Twice: the one-sided lines carry half of a real signal's amplitude.
    piece *= 2.0 * padding * count / size
    envelope = np.fft.ifft(piece, axis=-1)
    return envelope, padding * count * rate_hz / size


def kurtogram(samples: ArrayLike, rate_hz: float, bands: list[tuple[float, float]]) -> list[list[Band]]:
    """Return how impulsive every band is, for every record: outer list of records, inner of bands.

    Parameters
    ----------
    samples : array_like, shape (n,) or (records, n)
        Evenly spaced.
    rate_hz : float
        [Hz]
    bands : list of (low, high)
        As from :func:`candidate_bands`. [Hz]
    """
    values = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    return kurtogram_of(np.fft.rfft(values, axis=-1), values.shape[-1], rate_hz, bands)


def kurtogram_of(
    lines: NDArray[np.complexfloating], size: int, rate_hz: float, bands: list[tuple[float, float]]
) -> list[list[Band]]:
    """Return the same from the ``numpy.fft.rfft`` of records of `size` samples, shape (records, size // 2 + 1)."""
    table: list[list[Band]] = [[] for _ in lines]
    for low, high in bands:
        envelope, _ = complex_envelope(lines, size, rate_hz, low, high)
        count = envelope.shape[-1] // _PIECES
        pieces = envelope[..., : _PIECES * count].reshape(len(lines), _PIECES, count)
        found = median(complex_kurtosis(pieces))
        # Variance of the estimate is 4 / count in Gaussian noise; a median of several scatters by pi / 2 of a mean.
        scatter = np.sqrt(4.0 / count * (np.pi / 2.0) / _PIECES)
        for row, value in zip(table, found, strict=True):
            row.append(Band(low, high, float(value), float(value / scatter)))
    return table


def best_band(bands: list[Band]) -> Band:
    """Return the band whose kurtosis stands out most from noise; the wider of two alike."""
    return max(bands, key=lambda band: (band.score, band.high_hz - band.low_hz))


def squared_envelope(samples: ArrayLike, rate_hz: float, low_hz: float, high_hz: float) -> tuple[Array, float]:
    """Return the squared envelope of a band and its (lower) sample rate.

    Parameters
    ----------
    samples : array_like, shape (..., n)
        Evenly spaced.
    rate_hz, low_hz, high_hz : float
        [Hz]

    Returns
    -------
    squared : ndarray, shape (..., m)
        [unit of the samples, squared]
    rate : float
        Four times the width of the band: squaring doubles it, resampling to shaft angle wants as much again. [Hz]
    """
    values = np.asarray(samples, dtype=np.float64)
    lines = np.fft.rfft(values, axis=-1)
    envelope, rate = complex_envelope(lines, values.shape[-1], rate_hz, low_hz, high_hz, padding=4)
    return np.asarray(envelope.real**2 + envelope.imag**2), rate


def squared_envelope_spectrum(samples: ArrayLike, rate_hz: float, low_hz: float, high_hz: float) -> Spectrum:
    """Return the spectrum of the squared envelope of a band; arguments as :func:`squared_envelope`.

    References
    ----------
    Randall & Antoni, Mechanical Systems and Signal Processing 25 (2011) 485-520: the squared envelope, not the
    envelope, since a root would scatter its lines.
    """
    squared, rate = squared_envelope(samples, rate_hz, low_hz, high_hz)
    return hann_spectrum(squared, rate)
