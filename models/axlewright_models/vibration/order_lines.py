r"""How large each known order is in a record, whatever the speed did meanwhile.

The record is resampled to shaft angle and its Fourier sum is taken at every known order itself, not at the nearest
bin. What neighbouring orders leak into each other through the window is known, so it is solved out: lines closer than
the window separates by itself are still kept apart.

Where the speed changes, amplitudes change with it (an unbalance grows with the square) and phases turn at every
resonance, so that one sum over the whole record tells too little. The record is then cut into overlapping
stretches of shaft angle; each tells its own amplitude, and the record's is their root mean square over angle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.vibration.middle import median
from axlewright_models.vibration.spectra import AMPLITUDE_GAIN, hann

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Lines closer than this (in 1 / turns of the record) cannot be solved apart; each then reads their sum.
CLOSEST_BINS = 1.5
# Stretches are so long that neighbours lie this far apart in them: a little more, since they end on whole samples.
APART_BINS = 1.6
# A stretch may see the speed change by so much. Half of it counts in a Hann window; a resonance of 10 % damping turns
# the phase by 30 degrees over that, which costs a few per cent.
STRETCH_CHANGE = 0.12
# Stretches follow one another at this part of their length: Hann windows then cover the record evenly.
HOP = 0.25
# Gear ratios on a vehicle bus and in fleet files are rounded to 0.001: up to 0.14 % of an overdrive.
GEAR_TOLERANCE = 0.0015
# Places tried when lines are looked for, per bin of the record; a line never lies far from one.
FINER = 4
# Up to so many places it costs less to sum at each than to transform the whole record.
MOST_DIRECT = 120
# Power of a line, as part of the strongest, below which it does not help to find the scale.
FAINTEST = 1e-3
# Where, in bins of a stretch, the noise beside a line is read; a Hann line reaches two bins.
FLOOR_BINS = (-6.0, -4.5, -3.0, 3.0, 4.5, 6.0)


@dataclass(frozen=True)
class AngleRecord:
    """A record over shaft angle.

    Parameters
    ----------
    samples : ndarray, shape (sensors, n)
        At equal steps of shaft angle.
    per_turn : float
        Samples a turn.
    change : float
        Natural logarithm of top speed over bottom speed.
    """

    samples: Array
    per_turn: float
    change: float

    @property
    def turns(self) -> float:
        """Return how many turns it holds."""
        return float(self.samples.shape[-1] / self.per_turn)


def line_amplitudes(record: AngleRecord, orders: Mapping[str, float]) -> dict[str, Array]:
    """Return the amplitude of each order, root mean square over shaft angle; shape (sensors,), unit of the samples.

    Parameters
    ----------
    record : AngleRecord
        Free of what lies above half its samples a turn.
    orders : mapping of str to float
        Positions of all lines that are known, in turns of the record's shaft. Orders of one place read alike.

    Examples
    --------
    >>> turns = np.arange(64 * 200) / 64
    >>> record = AngleRecord(np.atleast_2d(3.0 * np.sin(2 * np.pi * 2.003 * turns)), 64.0, 0.0)
    >>> {name: float(found[0].round(3)) for name, found in line_amplitudes(record, {"a": 2.003, "b": 5.0}).items()}
    {'a': 3.0, 'b': 0.0}
    """
    positions = np.array(list(orders.values()))
    wanted = _stretch_turns(record, positions)
    found = np.zeros((record.samples.shape[0], positions.size))
    for length in sorted(set(wanted.tolist())):
        chosen = wanted == length
        found[:, chosen] = _stretched(record, positions, float(length))[:, chosen]
    return {name: found[:, number] for number, name in enumerate(orders)}


def placed(record: AngleRecord, orders: Mapping[str, float], tolerance: float) -> dict[str, float]:
    """Return where the lines stand in the record's own turns.

    Turns counted by a worn tyre put all lines off by one factor, up to `tolerance`; a rounded gear ratio puts the
    engine's off by another.
    """
    found = dict(orders)
    for names, most in ((list(found), tolerance), ([name for name in found if "engine" in name], GEAR_TOLERANCE)):
        if names and most > 0.0:
            factor = _common_scale(record, np.array([found[name] for name in names]), most)
            found |= {name: factor * found[name] for name in names}
    return found


def _common_scale(record: AngleRecord, orders: Array, tolerance: float) -> float:
    """Return the factor at which the lines together stand highest over the middle height of all places tried.

    Each line counts by its logarithm, so that no single one decides.
    """
    steps = int(np.ceil(tolerance * float(orders.max()) * record.turns * FINER))
    factors = 1.0 + tolerance * np.arange(-steps, steps + 1) / max(steps, 1)
    heights = _power_at(record, np.outer(orders, factors))
    if not heights.max() > 0.0:
        return 1.0
    # In a clean record the skirts of one line would outvote the line itself.
    floor = np.maximum(median(heights, axis=1, keepdims=True), FAINTEST * float(heights.max()))
    merit = np.log1p(heights / np.where(floor > 0.0, floor, 1.0)).sum(axis=0)
    return float(factors[int(np.argmax(merit))])


def _power_at(record: AngleRecord, orders: Array) -> Array:
    """Return the power at any orders, same shape, all sensors together."""
    size = record.samples.shape[-1]
    values = (record.samples - record.samples.mean(axis=-1, keepdims=True)) * hann(size)
    bins = orders.ravel() * record.turns
    if bins.size <= MOST_DIRECT:
        lines = _fourier_sums(values, bins)
        power = (lines.real**2 + lines.imag**2).sum(axis=0)
    else:
        fine = np.fft.rfft(values, FINER * size, axis=-1)
        power = (fine.real**2 + fine.imag**2).sum(axis=0)
        power = np.interp(FINER * bins, np.arange(power.size), power)
    return np.asarray(power.reshape(orders.shape))


def _stretch_turns(record: AngleRecord, positions: Array) -> Array:
    """Return how long the stretches are for each order: short enough for the speed, long enough for its neighbours."""
    whole = record.turns
    wanted = whole / max(record.change / STRETCH_CHANGE, 1.0)
    gaps = np.abs(positions[:, np.newaxis] - positions)
    gaps[gaps < CLOSEST_BINS / whole] = np.inf
    # Its own mirror image at the negative order is a neighbour too.
    nearest = np.minimum(gaps.min(axis=1), 2.0 * positions)
    return np.asarray(np.minimum(np.maximum(wanted, APART_BINS / nearest), whole), dtype=np.float64)


def _stretched(record: AngleRecord, positions: Array, turns: float) -> Array:
    """Return the amplitudes by stretches of so many turns, shape (sensors, orders)."""
    size = min(max(round(turns * record.per_turn), 16), record.samples.shape[-1])
    starts = _starts(record.samples.shape[-1], size)
    pieces = record.samples[:, starts[:, np.newaxis] + np.arange(size)]
    places = positions * size / record.per_turn
    if starts.size == 1:
        return np.asarray(np.abs(_solve(pieces, places)[0][:, 0]))
    lines, noise = _solve(pieces, places, floor=True)
    # Short stretches let more noise through; leave what a single sum over the whole record would have let.
    share = size / record.samples.shape[-1]
    power = lines.real**2 + lines.imag**2 - (1.0 - share) * noise[:, np.newaxis]
    # Single stretches may fall below nought here: cut off there, noise would no longer cancel in the mean.
    mean = _mean_over_angle(power, (starts + 0.5 * size) / record.samples.shape[-1])
    return np.asarray(np.sqrt(np.maximum(mean, share * noise)))


def _starts(total: int, size: int) -> NDArray[np.int64]:
    count = int(np.ceil((total - size) / (HOP * size))) + 1 if total > size else 1
    return np.rint(np.linspace(0.0, total - size, count)).astype(np.int64)


def _solve(pieces: Array, places: Array, floor: bool = False) -> tuple[Complex, Array]:
    """Return the complex amplitude of every line in every piece, and the noise power beside it over all pieces.

    ``pieces``: (sensors, pieces, n); ``places``: bins, (orders,). Amplitudes: (sensors, pieces, orders), noise:
    (sensors, orders), nought unless the floor is asked for.
    """
    size = pieces.shape[-1]
    beside = np.add.outer(places, FLOOR_BINS).ravel() if floor else places[:0]
    mean = pieces.mean(axis=-1, keepdims=True)
    sums = _fourier_sums((pieces - mean) * (2.0 / size / AMPLITUDE_GAIN * hann(size)), np.concatenate([places, beside]))
    own, flanks = sums[..., : places.size], sums[..., places.size :]
    # Lines of one place are one unknown.
    first = _first_of_place(places)
    unknown = np.array(sorted(set(first.tolist())))
    leak = _leak(np.subtract.outer(places[unknown], places[unknown]))
    solved = np.linalg.solve(leak, own[..., unknown, np.newaxis])[..., 0]
    # What is left of each sum once the lines of other places are taken out: of one place each reads the whole.
    others = _leak(np.subtract.outer(places, places[unknown]))
    others[np.arange(places.size), np.searchsorted(unknown, first)] = 0.0
    lines = np.asarray(own - solved @ others.T, dtype=np.complex128)
    if not floor:
        return lines, np.zeros((pieces.shape[0], places.size))
    rest = flanks - solved @ _leak(np.subtract.outer(beside, places[unknown])).T
    power = (rest.real**2 + rest.imag**2).reshape(*rest.shape[:2], places.size, len(FLOOR_BINS))
    # The median of exponential scatter is ln 2 of its mean.
    middle = median(np.moveaxis(power, 1, 2).reshape(power.shape[0], places.size, -1))
    return lines, np.asarray(middle / np.log(2.0), dtype=np.float64)


def _fourier_sums(values: Array, bins: Array) -> Complex:
    """Return the Fourier sum at any bins, whole or not: values of shape (..., n) to (..., bins).

    Row by row, as if the record were a page: within a row all share one small table of phases, and each row turns by
    its own. That needs few sines and turns the rest into one product of matrices.
    """
    size = values.shape[-1]
    width = int(np.ceil(np.sqrt(size)))
    rows = -(-size // width)
    page = np.zeros((*values.shape[:-1], rows * width))
    page[..., :size] = values
    page = page.reshape(*values.shape[:-1], rows, width)
    within = np.exp(-2j * np.pi / size * np.outer(np.arange(width), bins))
    along = np.exp(-2j * np.pi / size * np.outer(width * np.arange(rows), bins))
    sums = page @ within.real + 1j * (page @ within.imag)
    return np.asarray((sums * along).sum(axis=-2))


def _first_of_place(places: Array) -> NDArray[np.int64]:
    """Return for every line the first line that stands (nearly) where it does."""
    near = np.abs(np.subtract.outer(places, places)) < CLOSEST_BINS
    return np.asarray(near.argmax(axis=1))


def _leak(bins: Array) -> Complex:
    """Return what a line of amplitude 1 reads so many bins beside itself through a Hann window."""
    # sin(pi d) / (pi d (1 - d^2)) is nought over nought at 0 and 1; the pole is stepped around.
    safe = np.where(np.abs(np.abs(bins) - 1.0) < 1e-6, bins + 2e-6, bins)
    return np.asarray(np.sinc(safe) / (1.0 - safe**2) * np.exp(-1j * np.pi * safe))


def _mean_over_angle(power: Array, centres: Array) -> Array:
    """Return the mean of a power known at the centres (0 to 1) of the stretches; straight lines between and beyond."""
    ends = np.array([0.0, 1.0])
    places = np.concatenate([ends[:1], centres, ends[1:]])
    first = power[:, 0] + (power[:, 1] - power[:, 0]) * (0.0 - centres[0]) / (centres[1] - centres[0])
    last = power[:, -1] + (power[:, -1] - power[:, -2]) * (1.0 - centres[-1]) / (centres[-1] - centres[-2])
    known = np.concatenate([np.maximum(first, 0.0)[:, np.newaxis], power, np.maximum(last, 0.0)[:, np.newaxis]], axis=1)
    widths = np.diff(places)[:, np.newaxis]
    return np.asarray((0.5 * (known[:, 1:] + known[:, :-1]) * widths).sum(axis=1))
