"""What makes a vibration window doubtful: clipped, samples lost, speed changed too much, sensor loose.

Each doubt is one bit of the channel ``vib/quality`` (``signals.QUALITY_BITS``). The limits are our
own choice, each with its reason beside it; no published ones were found.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.signals import QUALITY_BITS
from axlewright_models.vibration.angle import speed_range
from axlewright_models.vibration.middle import quantile

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

CLIPPED, SAMPLES_MISSING, SPEED_CHANGED, SENSOR_LOOSE = (1 << bit for bit in range(len(QUALITY_BITS)))
# A gap bridged by a straight line takes its share out of every line, twice that in the middle of a Hann window: 2 %
# lost cost an order at most 4 %.
MOST_MISSING = 0.02
# Beyond this ratio of top to bottom speed a line's amplitude says nothing about either.
WIDEST_SWEEP = 3.0
# An axle on the road never rests: at 15 km/h, about 5 turns of the driveshaft a second, tens of mm/s2 are left even on
# new asphalt. A sensor that feels less between 5 and 200 Hz is not on the axle.
LEAST_DRIVING_TURNS_HZ = 5.0
LEAST_ROAD_M_S2 = 0.05
# The body rocks at 1 to 2 Hz with a fraction of what the axle hops at 10 to 15 Hz. More below 1 Hz than above 5 Hz is
# a connector's or an overloaded amplifier's drift ("ski slope", common practice, no published source).
DRIFT_HZ, ROAD_HZ = 1.0, (5.0, 200.0)
# A bolted sensor resonates far above the band. On a loose bolt it does so within: whenever the axle jolts it harder
# than what still holds it, it knocks and rings. Then most of the power stands in the upper part of the band, even
# without the few hardest blows (a pothole makes any sensor ring), and it comes and goes with the hop. A bearing
# defect too rings up there, but in the rhythm of the shaft, whatever the road does.
HOP_HZ = (5.0, 25.0)
RATTLE_FROM = 0.125
RATTLE_SHARE = 0.5
BLOCK_S = 0.02
HARDEST = 0.02
# Rank correlation of hop and rattle, block by block: chance alone scatters by 0.045 over the 500 blocks of 10 s.
RATTLE_WITH_HOP = 0.2
# A tacho's or a converter's word length: of so many levels in the upper half of the range the peak must stand out.
FEWEST_LEVELS = 32


def fill_gaps(samples: ArrayLike) -> tuple[NDArray[np.floating], Array]:
    """Return the samples with every missing one bridged by a straight line, and the share that was missing.

    Parameters
    ----------
    samples : array_like, shape (sensors, n)
        NaN or infinite where one is missing; a sensor without any sample gives noughts.

    Returns
    -------
    filled : ndarray, shape (sensors, n)
        In the samples' own precision; the same array when nothing is missing.
    missing : ndarray, shape (sensors,)
        Share of each sensor's samples. [/]

    Examples
    --------
    >>> filled, missing = fill_gaps([[1.0, np.nan, 3.0, 4.0]])
    >>> filled.tolist(), missing.tolist()
    ([[1.0, 2.0, 3.0, 4.0]], [0.25])
    """
    values = np.asarray(samples)
    if values.dtype != np.float32:
        values = values.astype(np.float64)
    here = np.isfinite(values)
    missing = 1.0 - here.mean(axis=-1)
    if here.all():
        return values, missing
    filled, places = values.copy(), np.arange(values.shape[-1])
    for row in np.flatnonzero(missing):
        known = here[row]
        filled[row, ~known] = np.interp(places[~known], places[known], values[row, known]) if known.any() else 0.0
    return filled, missing


def clipped(samples: NDArray[np.floating], full_scale: float | None) -> Flags:
    """Return which sensors stood at the end of their range, shape (sensors,).

    Parameters
    ----------
    samples : ndarray, shape (sensors, n)
        Finite.
    full_scale : float or None
        End of the range, the same to both sides; None: judged from the samples. [unit of the samples]

    Notes
    -----
    Two samples within 0.1 % of the end of the range are a clipped peak. Without a known range: a signal that is cut off
    has many samples at its very peak and few just below; a sine has 2.4 times as many, noise fewer.
    """
    if full_scale is not None:
        return np.asarray((np.abs(samples) >= 0.999 * full_scale).sum(axis=-1) >= 2)
    return np.array([_flat_topped(row) or _flat_topped(-row) for row in samples])


def _flat_topped(row: NDArray[np.floating]) -> bool:
    # About the middle, since gravity may stand in one axis.
    middle = float(row.mean())
    top = float(row.max()) - middle
    if not top > 0.0:
        return False
    upper = row[row >= middle + 0.998 * top] - middle
    at_top = int((upper >= 0.999 * top).sum())
    if at_top < 8 or at_top < 6 * max(upper.size - at_top, 1):
        return False
    # A still sensor of coarse steps also has many samples on its highest step.
    return len(set(row[row >= middle + 0.5 * top].tolist())) >= FEWEST_LEVELS


def speed_changed(shaft_turns: ArrayLike) -> bool:
    """Return whether the shaft's speed changed too much within the window for its orders to mean anything.

    Resampling to shaft angle keeps a line sharp at any speed; this tells when its amplitude no longer belongs to one.

    Examples
    --------
    >>> speed_changed(np.linspace(0.0, 300.0, 1000)), speed_changed(np.linspace(0.0, 1.0, 1000) ** 3)
    (False, True)
    """
    slowest, fastest = speed_range(shaft_turns)
    return slowest < 0.0 or (fastest > 0.0 and fastest > WIDEST_SWEEP * slowest)


def sensor_loose(lines: NDArray[np.complexfloating], size: int, rate_hz: float, shaft_hz: float) -> Flags:
    """Return which sensors do not seem to be fixed to the axle, shape (sensors,); all False for a standing truck.

    Parameters
    ----------
    lines : ndarray, shape (sensors, size // 2 + 1)
        ``numpy.fft.rfft`` of the record. [m/s2]
    size : int
        Samples of the record.
    rate_hz : float
        [Hz]
    shaft_hz : float
        Mean speed of the driveshaft. [Hz]

    Notes
    -----
    Three signs, any one is enough: the road is not felt; slow drift outweighs the road; the upper part of the band
    outweighs the road and swells with the axle's hop (a rattle).
    """
    if shaft_hz < LEAST_DRIVING_TURNS_HZ:
        return np.zeros(lines.shape[0], dtype=np.bool_)
    road = _power(lines, size, rate_hz, *ROAD_HZ)
    silent = road < LEAST_ROAD_M_S2**2
    drifting = _power(lines, size, rate_hz, 0.0, DRIFT_HZ) > road
    upper = _power(lines, size, rate_hz, RATTLE_FROM * rate_hz, 0.5 * rate_hz)
    loose = np.asarray(silent | drifting)
    for row in np.flatnonzero(~loose & (upper > RATTLE_SHARE * _power(lines, size, rate_hz, 0.0, 0.5 * rate_hz))):
        loose[row] = _rattles(lines[row], size, rate_hz)
    return loose


def _power(lines: NDArray[np.complexfloating], size: int, rate_hz: float, low_hz: float, high_hz: float) -> Array:
    """Return the mean square of what lies between two frequencies, the mean itself left out; shape (...)."""
    spacing = rate_hz / size
    inside = lines[..., max(round(low_hz / spacing), 1) : min(round(high_hz / spacing), lines.shape[-1])]
    power = (inside.real**2 + inside.imag**2).sum(axis=-1, dtype=np.float64)
    return np.asarray(2.0 * power / float(size) ** 2)


def _rattles(line: NDArray[np.complexfloating], size: int, rate_hz: float) -> bool:
    hop = _by_blocks(line, size, rate_hz, *HOP_HZ)
    upper = _by_blocks(line, size, rate_hz, RATTLE_FROM * rate_hz, 0.5 * rate_hz)
    total = _by_blocks(line, size, rate_hz, 0.0, 0.5 * rate_hz)
    usual = upper <= quantile(upper, 1.0 - HARDEST)
    if not upper[usual].sum() > RATTLE_SHARE * total[usual].sum():
        return False
    hop_rank, upper_rank = (np.argsort(np.argsort(blocks)).astype(np.float64) for blocks in (hop, upper))
    return bool(np.corrcoef(hop_rank, upper_rank)[0, 1] > RATTLE_WITH_HOP)


def _by_blocks(line: NDArray[np.complexfloating], size: int, rate_hz: float, low_hz: float, high_hz: float) -> Array:
    """Return the power between two frequencies in short blocks of the record."""
    frequency = np.fft.rfftfreq(size, 1.0 / rate_hz)
    band = np.fft.irfft(np.where((frequency >= low_hz) & (frequency < high_hz), line, 0.0), size)
    width = max(round(BLOCK_S * rate_hz), 1)
    blocks = band[: size // width * width].reshape(-1, width)
    return np.asarray((blocks**2).mean(axis=-1), dtype=np.float64)
