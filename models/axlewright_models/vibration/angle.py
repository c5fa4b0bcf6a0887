"""From time to shaft angle: what turns with the shaft becomes a line, whatever the speed does meanwhile."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.vibration.spectra import Spectrum, hann_spectrum

Array = NDArray[np.float64]
# Six points around the interval in which a value is wanted.
_POINTS = range(-2, 4)
# Beyond this ratio of speeds within one record the slow part is allowed to alias rather than grow the work.
_WIDEST_SWEEP = 8.0
# Interpolation between six samples wants its signal below a sixth of the rate.
_SAMPLES_A_CYCLE = 6.0


def turns_from_tacho(pulse_times_s: ArrayLike, pulses_per_turn: int, times_s: ArrayLike) -> Array:
    """Return how far the shaft has turned at each time, counted from the first pulse.

    Parameters
    ----------
    pulse_times_s : array_like, shape (pulses,)
        Rising; three or more. [s]
    pulses_per_turn : int
        Of the tacho.
    times_s : array_like, shape (n,)
        Within the pulses, or at most one pulse outside. [s]

    Returns
    -------
    ndarray, shape (n,)
        [turns]

    Notes
    -----
    Between pulses a cubic (Hermite, slopes from the neighbours) keeps the speed continuous; straight lines would
    turn every pulse into a kink and every kink into false orders.
    """
    pulses, times = np.asarray(pulse_times_s, dtype=np.float64), np.asarray(times_s, dtype=np.float64)
    if pulses_per_turn < 1:
        raise ModelError(f"pulses_per_turn is {pulses_per_turn}; a tacho gives 1 or more")
    if pulses.size < 3 or np.any(np.diff(pulses) <= 0.0):
        raise ModelError("pulse_times_s must hold 3 rising times or more; look for a lost or bouncing tacho signal")
    gap = np.diff(pulses).max()
    if times.min() < pulses[0] - gap or times.max() > pulses[-1] + gap:
        raise ModelError("times_s reaches more than one pulse beyond pulse_times_s; cut the record to the tacho's")
    turns = np.arange(pulses.size) / pulses_per_turn
    slopes = np.gradient(turns, pulses, edge_order=2)
    piece = np.clip(np.searchsorted(pulses, times, side="right") - 1, 0, pulses.size - 2)
    width = pulses[piece + 1] - pulses[piece]
    u = (times - pulses[piece]) / width
    value = turns[piece] + (turns[piece + 1] - turns[piece]) * u * u * (3.0 - 2.0 * u)
    bend = u * (1.0 - u) * width
    return np.asarray(value + bend * ((1.0 - u) * slopes[piece] - u * slopes[piece + 1]))


def turns_from_speed(frequency_hz: ArrayLike, trace_times_s: ArrayLike, times_s: ArrayLike) -> Array:
    """Return how far the shaft has turned since the first of the times, from a trace of its speed.

    Parameters
    ----------
    frequency_hz : array_like, shape (m,)
        Speed of the shaft, not below 0. [Hz]
    trace_times_s : array_like, shape (m,)
        When it was read, rising. [s]
    times_s : array_like, shape (n,)
        Rising; outside the trace its first and last speed are held. [s]

    Returns
    -------
    ndarray, shape (n,)
        [turns]

    Notes
    -----
    The integral of the straight lines between readings, exactly.

    Examples
    --------
    >>> turns_from_speed([10.0, 20.0], [0.0, 1.0], [0.0, 0.5, 1.0])
    array([ 0.  ,  6.25, 15.  ])
    """
    speed, known = np.asarray(frequency_hz, dtype=np.float64), np.asarray(trace_times_s, dtype=np.float64)
    times = np.asarray(times_s, dtype=np.float64)
    if speed.shape != known.shape or speed.size < 1 or np.any(np.diff(known) <= 0.0):
        raise ModelError("frequency_hz and trace_times_s must be of one length, with rising times")
    if np.any(speed < 0.0) or not np.all(np.isfinite(speed)):
        raise ModelError("frequency_hz holds a negative or missing speed; leave such readings out")
    # Hold the ends by adding a reading there, then integrate up to every time within its piece.
    known = np.concatenate([[min(times[0], known[0]) - 1.0], known, [max(times[-1], known[-1]) + 1.0]])
    speed = np.concatenate([speed[:1], speed, speed[-1:]])
    steps = np.diff(known)
    whole = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * steps)])
    piece = np.clip(np.searchsorted(known, times, side="right") - 1, 0, steps.size - 1)
    into = times - known[piece]
    slope = (speed[piece + 1] - speed[piece]) / steps[piece]
    turns = whole[piece] + into * (speed[piece] + 0.5 * slope * into)
    return np.asarray(turns - turns[0])


def low_pass(samples: ArrayLike, rate: float, highest: float) -> Array:
    """Return the samples without what lies above a frequency, same shape; a half-cosine over the last tenth."""
    values = np.asarray(samples, dtype=np.float64)
    return low_pass_of(np.fft.rfft(values, axis=-1), values.shape[-1], rate, highest)


def low_pass_of(
    lines: NDArray[np.complexfloating], size: int, rate: float, highest: float, out: int | None = None
) -> Array:
    """Return the same from the ``numpy.fft.rfft`` of a record of `size` samples, as `out` samples of the same time."""
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    kept = int(np.searchsorted(frequency, highest, side="right"))
    fall = 0.5 + 0.5 * np.cos(np.pi * np.clip((frequency[:kept] / highest - 0.9) / 0.1, 0.0, 1.0))
    out = size if out is None else out
    return np.asarray(np.fft.irfft(lines[..., :kept] * (fall * (out / size)), out, axis=-1))


@lru_cache(maxsize=64)
def fast_size(least: int) -> int:
    """Return the smallest size from `least` on that a Fourier transform takes fast: no prime factor above 5.

    Examples
    --------
    >>> fast_size(1001), fast_size(64_000)
    (1024, 64000)
    """
    size = max(least, 1)
    while True:
        rest = size
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return size
        size += 1


def speed_range(turns: ArrayLike, steps: int = 20) -> tuple[float, float]:
    """Return the slowest and the fastest mean speed of so many equal parts of a record. [turns a sample]

    Examples
    --------
    >>> speed_range([0.0, 1.0, 2.0, 4.0, 6.0], steps=2)
    (1.0, 2.0)
    """
    angle = np.asarray(turns, dtype=np.float64)
    if angle.size < 2:
        raise ModelError(f"turns holds {angle.size} values; 2 or more are needed")
    edges = np.linspace(0, angle.size - 1, min(steps, angle.size - 1) + 1).astype(np.int64)
    speed = np.diff(angle[edges]) / np.diff(edges)
    return float(speed.min()), float(speed.max())


def interpolate(samples: ArrayLike, places: ArrayLike) -> Array:
    r"""Return the signal between its samples by six-point Lagrange polynomials.

    Parameters
    ----------
    samples : array_like, shape (..., n)
        Evenly spaced; 6 or more.
    places : array_like, shape (k,)
        Where, counted in samples from the first; within the record.

    Returns
    -------
    ndarray, shape (..., k)

    Notes
    -----
    For a sine of :math:`f` per sample the error is at most about :math:`0.0049 (2 \pi f)^6` of its amplitude in the
    interior: 0.07 % at 0.115, 2 % at 0.2. Keep what matters below a sixth of the sample rate.
    """
    values, where = np.asarray(samples, dtype=np.float64), np.asarray(places, dtype=np.float64)
    size = values.shape[-1]
    if size < 6 or where.min() < 0.0 or where.max() > size - 1.0:
        raise ModelError(f"places must lie within the record of {size} samples (6 or more)")
    base = np.clip(where.astype(np.int64), 2, size - 4)
    u = where - base
    result = np.zeros((*values.shape[:-1], where.size))
    for point in _POINTS:
        weight = np.ones_like(u)
        for other in _POINTS:
            if other != point:
                weight *= (u - other) / (point - other)
        result += values[..., base + point] * weight
    return result


def resample_to_turns(samples: ArrayLike, turns: ArrayLike, per_turn: int) -> Array:
    """Return the signal at equal steps of shaft angle, over the largest whole number of turns.

    Parameters
    ----------
    samples : array_like, shape (..., m)
        Evenly spaced in time over the same record, already free of what lies above ``per_turn / 2`` orders (see
        :func:`low_pass`), and periodic, as all that comes from an inverse Fourier transform is.
    turns : array_like, shape (n,)
        How far the shaft has turned at each sample, rising. [turns]
    per_turn : int
        Samples per turn wanted.

    Returns
    -------
    ndarray, shape (..., whole turns * per_turn)

    Raises
    ------
    ModelError
        The shaft stood still or ran backward, or made no whole turn.
    """
    values, angle = np.asarray(samples, dtype=np.float64), np.asarray(turns, dtype=np.float64)
    if np.any(np.diff(angle) <= 0.0):
        raise ModelError("turns must rise at every sample; cut out where the shaft stood still")
    whole = int(np.floor(angle[-1] - angle[0] + 1e-9))
    if whole < 1:
        raise ModelError(f"the shaft made {angle[-1] - angle[0]:.2f} turns; an order needs at least one whole turn")
    wanted = angle[0] + np.arange(whole * per_turn) / per_turn
    size = values.shape[-1]
    places = np.interp(wanted, angle, np.arange(angle.size, dtype=np.float64)) * (size / angle.size)
    if size != angle.size:
        # The last of fewer samples lies before the end of the record.
        values = np.concatenate([values, values[..., :3]], axis=-1)
    return interpolate(values, places)


def order_spectrum(samples: ArrayLike, rate_hz: float, turns: ArrayLike, highest_order: float) -> Spectrum:
    """Return the order spectrum of a record, calibrated like :func:`~.spectra.hann_spectrum`.

    Parameters
    ----------
    samples : array_like, shape (..., n)
        Evenly spaced in time.
    rate_hz : float
        [Hz]
    turns : array_like, shape (n,)
        How far the reference shaft has turned at each sample. [turns]
    highest_order : float
        Highest order wanted; what lies above it at the record's top speed is filtered off before resampling.

    Returns
    -------
    Spectrum
        Its positions are orders of the reference shaft; ``resolution`` is 2 over the whole turns made.
    """
    values = np.asarray(samples, dtype=np.float64)
    resampled, per_turn = over_angle(np.fft.rfft(values, axis=-1), rate_hz, turns, highest_order)
    whole = hann_spectrum(resampled, per_turn)
    # Beyond the orders asked for lies only what the filter left: no floor to judge lines by.
    return Spectrum(whole.lines[..., : int(highest_order / whole.spacing) + 1], whole.spacing)


def over_angle(
    lines: NDArray[np.complexfloating], rate_hz: float, turns: ArrayLike, highest_order: float
) -> tuple[Array, float]:
    """Return a record at equal steps of shaft angle, and its samples a turn.

    Parameters
    ----------
    lines : ndarray, shape (..., n // 2 + 1)
        ``numpy.fft.rfft`` of the record.
    rate_hz, turns, highest_order
        As in :func:`order_spectrum`.
    """
    angle = np.asarray(turns, dtype=np.float64)
    fastest = float(np.diff(angle).max()) * rate_hz
    if not highest_order * fastest < 0.45 * rate_hz:
        raise ModelError(
            f"order {highest_order:g} reaches {highest_order * fastest:.0f} Hz at the top speed of the record, "
            f"above 0.45 of rate_hz ({rate_hz:g}); ask for lower orders or sample faster"
        )
    cut = min(1.15 * highest_order * fastest, 0.5 * rate_hz)
    # One frequency bounds the whole record, so at its slowest it lets higher orders through: sample so finely
    # that their mirror images fall beyond the orders wanted.
    slowest = max(float(np.diff(angle).min()) * rate_hz, fastest / _WIDEST_SWEEP)
    per_turn = int(np.ceil(cut / slowest + highest_order)) + 1
    # No more samples than the interpolation needs.
    size = min(fast_size(int(np.ceil(angle.size * _SAMPLES_A_CYCLE * cut / rate_hz))), angle.size)
    smooth = low_pass_of(lines, angle.size, rate_hz, cut, size)
    return resample_to_turns(smooth, angle, per_turn), float(per_turn)
