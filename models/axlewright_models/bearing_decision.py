"""Which bearing defect a signal shows, how sure, or none.

The decision asks noise first: in the squared-envelope spectrum of a healthy bearing every bin scatters
about its neighbourhood like an exponential variable, so the chance that noise alone lifts a whole set of
harmonics is known. Only what beats that chance, over all rhythms and slips tried, is called a fault.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.bearings import FAULTS, Geometry, defect_orders, side_band_order
from axlewright_models.errors import ModelError
from axlewright_models.vibration.spectra import Spectrum

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Search:
    """How defects are looked for.

    Parameters
    ----------
    harmonics : int
        Of the defect's order.
    slip : float
        Greatest relative departure from the order without slip, to either side; one or two per cent are usual
        (Randall & Antoni 2011).
    floor_orders : float
        Width of the neighbourhood that gives the noise floor. [orders]
    hump_orders, hump_end : float
        Width of a second, narrow neighbourhood, used below ``hump_end``: wheel hop at 10 to 15 Hz swells the noise in
        its own rhythm, which makes a broad hump of the envelope spectrum just where the cage's order lies. [orders]
    line_cap : float
        No line counts for more than so many times the floor: one stray line is no bearing.
    false_alarm : float
        Chance that noise alone is called a fault, over all defects and slips tried together.
    clear_lines : int
        So many harmonics must stand out by themselves.
    own_orders : tuple of float
        Orders whose multiples belong to shaft and gears; bins there are not counted.
    """

    harmonics: int = 4
    slip: float = 0.02
    floor_orders: float = 2.0
    hump_orders: float = 0.12
    hump_end: float = 2.0
    line_cap: float = 15.0
    false_alarm: float = 1e-3
    clear_lines: int = 2
    own_orders: tuple[float, ...] = (1.0,)


@dataclass(frozen=True)
class Suspicion:
    """What a spectrum says about one defect.

    Parameters
    ----------
    fault : str
        One of :data:`~axlewright_models.bearings.FAULTS`.
    order : float
        Where its lines are highest, slip included.
    chance : float
        That noise alone would look like this, corrected for the slips and the defects tried; at most 1.
    clear_lines : int
        Harmonics that stand out by themselves.
    strength : float
        Mean height of its lines over the floor, capped.
    """

    fault: str
    order: float
    chance: float
    clear_lines: int
    strength: float


@dataclass(frozen=True)
class Decision:
    """Which fault, how sure, or none.

    Parameters
    ----------
    fault : str or None
        One of :data:`~axlewright_models.bearings.FAULTS`; None when noise explains the spectrum well enough.
    sureness : float
        0 to 1; that it is a fault at all, times that it is this one rather than another. 0 for None.
    suspicions : tuple of Suspicion
        All defects, least explicable by noise first.
    reason : str
        In words.
    """

    fault: str | None
    sureness: float
    suspicions: tuple[Suspicion, ...]
    reason: str


def relative_to_floor(power: Array, width_bins: int, hump_bins: int = 0, hump_end: int = 0) -> Array:
    """Return a power spectrum over its local mean as noise would have it.

    Parameters
    ----------
    power : ndarray, shape (bins,)
        Squared amplitudes.
    width_bins : int
        Width of the neighbourhood.
    hump_bins, hump_end : int
        Width of a narrower neighbourhood, and the bin up to which the higher of the two floors counts.

    Notes
    -----
    The floor is the median of the neighbourhood over ln 2, which for exponential scatter is its mean, but is not
    lifted by a few lines.
    """
    floor = _floor(power, width_bins)
    if hump_end > 0:
        floor[:hump_end] = np.maximum(floor, _floor(power, hump_bins))[:hump_end]
    return np.asarray(power / np.where(floor > 0.0, floor, np.inf))


def _floor(power: Array, width: int) -> Array:
    width = min(max(width, 16), power.size)
    half = max(width // 2, 1)
    starts = np.append(np.arange(0, power.size - width, half), power.size - width)
    # Medians of half-overlapping neighbourhoods, straight lines between: a median at every bin says no more.
    floors = np.median(np.lib.stride_tricks.sliding_window_view(power, width)[starts], axis=-1) / math.log(2.0)
    return np.asarray(np.interp(np.arange(power.size), starts + 0.5 * (width - 1), floors))


def decide(spectrum: Spectrum, geometry: Geometry, search: Search | None = None) -> Decision:
    """Return which defect a squared-envelope order spectrum shows, or none.

    Parameters
    ----------
    spectrum : Spectrum
        Of the squared envelope, in orders of the bearing's shaft; lines of shape (bins,).
    geometry : Geometry
        Of the bearing.
    search : Search or None
        None: the defaults.

    Returns
    -------
    Decision

    Notes
    -----
    Heights over the floor, summed over harmonics and side bands, follow a gamma distribution in noise. Every defect's
    largest sum over the slips tried is turned into the chance of so large a sum, times the number of
    independent slips and of defects (Bonferroni). The defect with the least chance wins if the chance is below
    ``search.false_alarm`` and enough harmonics stand out one by one.
    """
    search = search or Search()
    if spectrum.lines.ndim != 1:
        raise ModelError(f"spectrum holds lines of shape {spectrum.lines.shape}; decide one record at a time")
    power = np.asarray(spectrum.lines.real**2 + spectrum.lines.imag**2)
    bins = [round(orders / spectrum.spacing) for orders in (search.floor_orders, search.hump_orders, search.hump_end)]
    heights = relative_to_floor(power, *bins)
    heights = np.minimum(_without_own_orders(heights, spectrum, search), search.line_cap)
    orders = defect_orders(geometry)
    found = [
        _suspect(heights, spectrum.spacing, fault, order, side_band_order(fault, geometry), search)
        for fault, order in orders.items()
        if order * (1.0 + search.slip) < spectrum.positions[-1]
    ]
    if not found:
        return Decision(None, 0.0, (), "the spectrum ends below every defect order")
    return _conclude(tuple(sorted(found, key=lambda one: one.chance)), search)


def _without_own_orders(heights: Array, spectrum: Spectrum, search: Search) -> Array:
    """Return the heights with the lines of shaft and gears set to the floor."""
    kept = heights.copy()
    positions = spectrum.positions
    for own in search.own_orders:
        away = np.abs(positions - own * np.round(positions / own))
        # The main lobe of a Hann line reaches two bins; its skirts below that are lost in the floor.
        kept[away <= min(2.5 * spectrum.spacing, 0.25 * own)] = 1.0
    return kept


def _suspect(
    heights: Array, spacing: float, fault: str, order: float, side_band: float | None, search: Search
) -> Suspicion:
    count = max(min(search.harmonics, int((heights.size - 1) * spacing / (order * (1.0 + search.slip)))), 1)
    # Half a bin at the highest harmonic: finer steps see the same bins again.
    step = min(0.5 * spacing / (count * order), search.slip)
    slips = np.arange(-search.slip, search.slip + 0.5 * step, step)
    centres = np.outer(order * (1.0 + slips), np.arange(1, count + 1))
    lines = heights[np.clip(np.rint(centres / spacing).astype(np.int64), 0, heights.size - 1)]
    flanks = np.zeros((slips.size, 0))
    if side_band is not None:
        places = np.rint(np.concatenate([centres - side_band, centres + side_band], axis=1) / spacing).astype(np.int64)
        inside = (places.min(axis=0) > 0) & (places.max(axis=0) < heights.size)
        flanks = heights[places[:, inside]]
    # With and without side bands: a flaw that stays in the load zone shows none. Two looks, hence the factor 2.
    chances = np.minimum(
        2.0 * _chance_of_sum(lines.sum(axis=1), count),
        2.0 * _chance_of_sum(lines.sum(axis=1) + flanks.sum(axis=1), count + flanks.shape[1]),
    )
    best = int(np.argmin(chances))
    # Neighbouring slips share bins, yet the largest of them all scatters as if every one were a look of its own
    # (checked on noise).
    independent = float(slips.size)
    # A line by itself: one in a thousand bins of noise is so high.
    clear = int((lines[best] > -math.log(1e-3)).sum())
    chance = min(float(chances[best]) * independent * len(FAULTS), 1.0)
    return Suspicion(fault, float(order * (1.0 + slips[best])), chance, clear, float(lines[best].mean()))


def _chance_of_sum(total: Array, terms: int) -> Array:
    """Return the chance that so many exponential variables of mean 1 sum to more (Erlang distribution)."""
    term = np.ones_like(total)
    tail = np.ones_like(total)
    for number in range(1, terms):
        term = term * total / number
        tail = tail + term
    return np.asarray(np.exp(-total) * tail)


def _conclude(suspicions: tuple[Suspicion, ...], search: Search) -> Decision:
    first = suspicions[0]
    if first.chance > search.false_alarm:
        reason = f"noise alone looks like this with a chance of {first.chance:.2g}, above {search.false_alarm:g}"
        return Decision(None, 0.0, suspicions, reason)
    needed = min(search.clear_lines, search.harmonics)
    if first.clear_lines < needed:
        reason = f"harmonics of the {first.fault} that stand out: {first.clear_lines}, needed: {needed}"
        return Decision(None, 0.0, suspicions, reason)
    # Rivals are weighed by how much less noise explains them; the square root keeps lines that two defects
    # share (they are not independent) from making one of them look certain.
    weights = np.array([1.0 / math.sqrt(max(one.chance, 1e-300)) for one in suspicions])
    sureness = (1.0 - first.chance) * float(weights[0] / weights.sum())
    reason = f"{first.clear_lines} harmonics of order {first.order:.3f} stand out; chance in noise {first.chance:.1g}"
    return Decision(first.fault, sureness, suspicions, reason)
