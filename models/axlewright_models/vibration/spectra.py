r"""Calibrated spectra with a Hann window.

Corrections, so that a line and a band both read in the unit of the samples:

* amplitude: a line's peak is divided by the window's mean (its *amplitude gain*, 0.5);
* energy: sums over bins are divided by the mean of its square (its *energy gain*, 0.375).

A tone between two bins would read up to 15 % low at the nearest; :func:`tone_at` and :func:`tone_near`
take that out with the window's known shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]
AMPLITUDE_GAIN = 0.5
ENERGY_GAIN = 0.375
# The main lobe of the Hann window reaches two bins to either side.
LOBE_BINS = 2


# A window of one length is 0.5 MB at 6.4 kHz and 10 s, and speeds that vary ask for many lengths.
@lru_cache(maxsize=6)
def hann(size: int) -> Array:
    """Return a periodic Hann window of this size, read-only.

    Examples
    --------
    >>> hann(4)
    array([0. , 0.5, 1. , 0.5])
    """
    if size < 4:
        raise ModelError(f"size is {size}; a Hann window needs 4 samples or more")
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    window.setflags(write=False)
    return window


@dataclass(frozen=True)
class Spectrum:
    """A one-sided Hann spectrum.

    Parameters
    ----------
    lines : ndarray, shape (..., bins)
        Complex amplitude: the modulus of a line is the peak amplitude of a sine on that bin. [unit of the samples]
    spacing : float
        Distance of the bins. [Hz, or orders]
    """

    lines: NDArray[np.complex128]
    spacing: float

    @property
    def positions(self) -> Array:
        """Return where the bins are. [Hz, or orders]"""
        return np.asarray(np.arange(self.lines.shape[-1]) * self.spacing)

    @property
    def amplitude(self) -> Array:
        """Return the amplitude read at every bin, shape (..., bins)."""
        return np.abs(self.lines)

    @property
    def resolution(self) -> float:
        """Return the smallest distance of two lines that stay apart."""
        return LOBE_BINS * self.spacing


def hann_spectrum(samples: ArrayLike, rate: float) -> Spectrum:
    """Return the calibrated spectrum of the whole record, its mean taken off.

    Parameters
    ----------
    samples : array_like, shape (..., n)
        Evenly spaced in time (or in turns).
    rate : float
        Samples in a second (or in a turn). [Hz, or 1/turn]

    Examples
    --------
    >>> time = np.arange(1000) / 100.0
    >>> hann_spectrum(3.0 * np.sin(2 * np.pi * 10.0 * time), 100.0).amplitude.max().round(6)
    np.float64(3.0)
    """
    values = np.asarray(samples, dtype=np.float64)
    size = values.shape[-1]
    _check_rate(rate)
    window = hann(size)
    # The mean of the *windowed* record, so that the first bin is nought and leaks nothing.
    mean = (values * window).mean(axis=-1, keepdims=True) / AMPLITUDE_GAIN
    lines = np.fft.rfft((values - mean) * window, axis=-1) * (2.0 / (size * AMPLITUDE_GAIN))
    return Spectrum(lines, rate / size)


def tone_near(spectrum: Spectrum, position: float, tolerance: float) -> tuple[Array, Array]:
    r"""Return position and amplitude of the strongest tone within a tolerance of a position.

    Parameters
    ----------
    spectrum : Spectrum
        Lines of shape (..., bins).
    position, tolerance : float
        Where to look. [Hz, or orders]

    Returns
    -------
    position, amplitude : ndarray, shape (...)
        Amplitude in the unit of the samples.

    Notes
    -----
    Two neighbouring bins of a Hann spectrum stand as :math:`\alpha = (1 + \delta) / (2 - \delta)` for a tone
    :math:`\delta` bins from the stronger, whence :math:`\delta = (2\alpha - 1) / (1 + \alpha)`; the bin then reads
    :math:`\sin(\pi\delta) / (\pi\delta (1 - \delta^2))` of the tone. Exact for a lone tone far from bin 0.
    """
    amplitude = spectrum.amplitude
    first = max(int(np.ceil((position - tolerance) / spectrum.spacing - 0.5)), 1)
    last = min(int(np.floor((position + tolerance) / spectrum.spacing + 0.5)), amplitude.shape[-1] - 2)
    if first > last:
        raise ModelError(
            f"position {position:g} ± {tolerance:g} lies outside the spectrum, which ends at {spectrum.positions[-1]:g}"
        )
    top = first + amplitude[..., first : last + 1].argmax(axis=-1)[..., np.newaxis]
    before, here, after = (np.take_along_axis(amplitude, top + step, axis=-1)[..., 0] for step in (-1, 0, 1))
    side = np.where(after >= before, 1.0, -1.0)
    ratio = np.maximum(before, after) / np.where(here > 0.0, here, 1.0)
    # A peak at the rim of the search may have a higher neighbour outside; half a bin is then the most it can be off.
    shift = np.clip((2.0 * ratio - 1.0) / (1.0 + ratio), 0.0, 0.5)
    gain = np.sinc(shift) / (1.0 - shift**2)
    return np.asarray((top[..., 0] + side * shift) * spectrum.spacing), np.asarray(here / gain)


def tone_at(samples: ArrayLike, rate: float, positions: ArrayLike) -> Array:
    """Return the amplitude of the tone at each given position, on a bin or between bins.

    Parameters
    ----------
    samples : array_like, shape (..., n)
        Evenly spaced in time (or in turns).
    rate : float
        [Hz, or 1/turn]
    positions : array_like, shape (k,)
        Where to look, above 0 and below half the rate. [Hz, or orders]

    Returns
    -------
    ndarray, shape (..., k)
        Amplitude in the unit of the samples.

    Notes
    -----
    The Fourier sum is taken at the position itself rather than at the nearest bin.

    Examples
    --------
    >>> time = np.arange(1000) / 100.0
    >>> tone_at(2.0 * np.cos(2 * np.pi * 12.345 * time), 100.0, [12.345]).round(6)
    array([2.])
    """
    values = np.asarray(samples, dtype=np.float64)
    where = np.atleast_1d(np.asarray(positions, dtype=np.float64))
    _check_rate(rate)
    size = values.shape[-1]
    window = hann(size)
    mean = (values * window).mean(axis=-1, keepdims=True) / AMPLITUDE_GAIN
    kernel = np.exp(-2j * np.pi / rate * np.outer(np.arange(size), where)) * (window / window.sum())[:, np.newaxis]
    return np.asarray(2.0 * np.abs((values - mean) @ kernel))


def band_rms(spectrum: Spectrum, low: float, high: float) -> Array:
    """Return the rms of what lies from `low` to below `high`, shape (...), unit of the samples.

    Notes
    -----
    Energy correction: over all bins this is the rms of the record (Parseval), exactly so for stationary signals.
    """
    positions = spectrum.positions
    inside = spectrum.lines[..., (positions >= low) & (positions < high)]
    # Lines carry the amplitude correction; undo it and put the energy correction in its place.
    power = 0.5 * (inside.real**2 + inside.imag**2) * (AMPLITUDE_GAIN**2 / ENERGY_GAIN)
    return np.asarray(np.sqrt(power.sum(axis=-1)))


def power_density(samples: ArrayLike, rate: float, segment: int) -> tuple[Array, Array]:
    """Return the averaged one-sided power spectral density: Hann segments, half overlapping, each without its mean.

    Parameters
    ----------
    samples : array_like, shape (..., n)
        Evenly spaced.
    rate : float
        [Hz]
    segment : int
        Samples of a segment; even, at most n.

    Returns
    -------
    frequency : ndarray, shape (segment // 2 + 1,)
        [Hz]
    density : ndarray, shape (..., segment // 2 + 1)
        [unit of the samples squared, per Hz]
    """
    values = np.asarray(samples, dtype=np.float64)
    _check_rate(rate)
    if segment % 2 or segment > values.shape[-1]:
        raise ModelError(f"segment is {segment}; it must be even and at most the {values.shape[-1]} samples given")
    pieces = np.lib.stride_tricks.sliding_window_view(values, segment, axis=-1)[..., :: segment // 2, :]
    window = hann(segment)
    lines = np.fft.rfft((pieces - pieces.mean(axis=-1, keepdims=True)) * window, axis=-1)
    density = (lines.real**2 + lines.imag**2).mean(axis=-2) * (2.0 / (rate * (window**2).sum()))
    # The ends of a one-sided spectrum have no mirror image.
    density[..., [0, -1]] *= 0.5
    return np.asarray(np.fft.rfftfreq(segment, 1.0 / rate), dtype=np.float64), np.asarray(density, dtype=np.float64)


def _check_rate(rate: float) -> None:
    if not rate > 0.0:
        raise ModelError(f"rate is {rate}; give the samples per second (or per turn), above 0")
