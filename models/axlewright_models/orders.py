"""Orders: how fast every rotating thing on a truck turns, and which of them cannot be told apart.

Everything between wheel and transmission output is geared rigidly to the road, so its frequency
follows from road speed, tyre and axle ratio alone. Only the engine needs the gear driven besides.
The names of the sources are those of the ``vib/order/`` channels.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

_WHEEL_ORDERS = (1, 2, 3)
_DRIVESHAFT_ORDERS = (1, 2, 4)
_MESH_ORDERS = (1, 2)
# One half is the camshaft (a single bad cylinder), one the crankshaft.
_ENGINE_ORDERS = (0.5, 1.0)


@dataclass(frozen=True)
class Train:
    """What turns between the engine and the road, as far as frequencies go.

    Parameters
    ----------
    revolutions_per_km : float
        Wheel revolutions per kilometre of the drive tyres. [1/km]
    ring_teeth, pinion_teeth : int
        Teeth of the drive gear set; their ratio is the axle ratio.
    cylinders : int
        Of a four-stroke engine.
    """

    revolutions_per_km: float
    ring_teeth: int
    pinion_teeth: int
    cylinders: int = 6

    def __post_init__(self) -> None:
        if not self.revolutions_per_km > 0:
            raise ModelError(f"revolutions_per_km is {self.revolutions_per_km}; a tyre has about 200 to 400 per km")
        if self.ring_teeth < 1 or self.pinion_teeth < 1:
            raise ModelError(f"ring_teeth {self.ring_teeth} and pinion_teeth {self.pinion_teeth} must both be above 0")
        if self.cylinders < 1:
            raise ModelError(f"cylinders is {self.cylinders}; give the number of cylinders of the engine, 1 or more")

    @property
    def ratio(self) -> float:
        """Axle ratio, driveshaft turns for one wheel turn."""
        return self.ring_teeth / self.pinion_teeth


def wheel_frequency(speed_km_h: ArrayLike, revolutions_per_km: ArrayLike) -> NDArray[np.float64]:
    """Return how often a wheel turns in a second.

    Parameters
    ----------
    speed_km_h : array_like, any shape
        Road speed. [km/h]
    revolutions_per_km : array_like, broadcastable
        Of the tyre. [1/km]

    Returns
    -------
    ndarray, broadcast shape
        Wheel frequency. [Hz]

    References
    ----------
    40 CFR 1037.528(h)(5) does the same with 508 revolutions per mile.

    Examples
    --------
    >>> float(wheel_frequency(65 * 1.609344, 500 / 1.609344).round(3))  # 65 mi/h, 500 per mile
    9.028
    """
    speed = np.asarray(speed_km_h, dtype=np.float64)
    return np.asarray(speed * np.asarray(revolutions_per_km, dtype=np.float64) / 3600.0)


def shaft_frequency(speed_km_h: ArrayLike, revolutions_per_km: ArrayLike, ratio: ArrayLike) -> NDArray[np.float64]:
    """Return how often the driveshaft turns in a second.

    Parameters
    ----------
    speed_km_h : array_like, any shape
        Road speed. [km/h]
    revolutions_per_km : array_like, broadcastable
        Of the tyre. [1/km]
    ratio : array_like, broadcastable
        Axle ratio, driveshaft turns for one wheel turn.

    Returns
    -------
    ndarray, broadcast shape
        Driveshaft frequency. [Hz]

    References
    ----------
    40 CFR 1036.545, equation 1, with the tyre's radius in place of its revolutions per distance.

    Examples
    --------
    >>> float(shaft_frequency(65 * 1.609344, 500 / 1.609344, 3.42).round(3))
    30.875
    """
    return np.asarray(wheel_frequency(speed_km_h, revolutions_per_km) * np.asarray(ratio, dtype=np.float64))


def source_orders(train: Train, gear_ratio: float | None = None) -> dict[str, float]:
    """Return every source's order, counted in turns of the wheel.

    Parameters
    ----------
    train : Train
        What turns.
    gear_ratio : float or None
        Engine turns for one turn of the transmission output in the gear driven; None in neutral or if unknown: the
        engine's orders are then left out.

    Returns
    -------
    dict of str to float
        Keys are the names of the ``vib/order/`` channels, with ``engine-{cylinders / 2}`` for firing.

    Examples
    --------
    >>> orders = source_orders(Train(310.7, 41, 12), gear_ratio=1.0)
    >>> round(orders["driveshaft-2"], 3), orders["mesh-1"]
    (6.833, 41.0)
    """
    orders = {f"wheel-{order}": float(order) for order in _WHEEL_ORDERS}
    orders |= {f"driveshaft-{order}": order * train.ratio for order in _DRIVESHAFT_ORDERS}
    if gear_ratio is not None:
        # A four-stroke engine fires every cylinder once in two turns of the crankshaft.
        engine_orders = dict.fromkeys((*_ENGINE_ORDERS, train.cylinders / 2))
        orders |= {f"engine-{order:g}": order * abs(gear_ratio) * train.ratio for order in engine_orders}
    orders |= {f"mesh-{order}": float(order * train.ring_teeth) for order in _MESH_ORDERS}
    return orders


def order_frequencies(
    speed_km_h: ArrayLike, train: Train, gear_ratio: float | None = None
) -> dict[str, NDArray[np.float64]]:
    """Return every rotating source's frequency.

    Parameters
    ----------
    speed_km_h : array_like, any shape
        Road speed. [km/h]
    train : Train
        What turns.
    gear_ratio : float or None
        As in :func:`source_orders`.

    Returns
    -------
    dict of str to ndarray
        Frequency of each source, shape of `speed_km_h`. [Hz]

    Examples
    --------
    >>> frequencies = order_frequencies(104.6, Train(310.7, 41, 12), gear_ratio=1.0)
    >>> float(frequencies["engine-3"].round(1))
    92.5
    """
    wheel = wheel_frequency(speed_km_h, train.revolutions_per_km)
    return {name: np.asarray(order * wheel) for name, order in source_orders(train, gear_ratio).items()}


def harmonics(frequency_hz: ArrayLike, count: int) -> NDArray[np.float64]:
    """Return the first `count` multiples of a frequency, shape ``(..., count)``. [Hz]

    Examples
    --------
    >>> harmonics(9.0, 3)
    array([ 9., 18., 27.])
    """
    if count < 1:
        raise ModelError(f"count is {count}; ask for 1 or more harmonics")
    return np.asarray(frequency_hz, dtype=np.float64)[..., np.newaxis] * np.arange(1.0, count + 1.0)


def coincidences(positions: Mapping[str, float], resolution: float) -> tuple[tuple[str, ...], ...]:
    """Return the groups of sources that a spectrum of this resolution cannot tell apart.

    Two sources belong to one group when a chain of neighbours, none further apart than `resolution`, joins them:
    a line between two others hides both.

    Parameters
    ----------
    positions : mapping of str to float
        Frequency (or order) of each source.
    resolution : float
        Smallest distance that the spectrum separates, in the same unit. For a Hann window two lines must be about
        two bins apart, so give ``2 / window length``.

    Returns
    -------
    tuple of tuple of str
        Groups of two or more names, in ascending frequency.

    Examples
    --------
    In direct gear the crankshaft turns with the driveshaft:

    >>> coincidences({"driveshaft-1": 30.9, "engine-1": 30.9, "driveshaft-2": 61.8}, resolution=0.2)
    (('driveshaft-1', 'engine-1'),)
    """
    if not resolution > 0:
        raise ModelError(f"resolution is {resolution}; give the smallest distance that the spectrum separates, above 0")
    names = sorted(positions, key=lambda name: positions[name])
    groups: list[list[str]] = []
    for name in names:
        if groups and positions[name] - positions[groups[-1][-1]] <= resolution:
            groups[-1].append(name)
        else:
            groups.append([name])
    return tuple(tuple(group) for group in groups if len(group) > 1)


def ambiguous_with(name: str, positions: Mapping[str, float], resolution: float) -> tuple[str, ...]:
    """Return the other sources of the group that `name` falls into, or nothing.

    Examples
    --------
    >>> ambiguous_with("engine-1", {"driveshaft-1": 30.9, "engine-1": 30.9}, resolution=0.2)
    ('driveshaft-1',)
    """
    for group in coincidences(positions, resolution):
        if name in group:
            return tuple(other for other in group if other != name)
    return ()


def separating_gears(
    first: str, second: str, train: Train, gear_ratios: Iterable[float], resolution_orders: float
) -> tuple[float, ...]:
    """Return the gears in which two sources lie further apart than the resolution.

    An ambiguity that every gear leaves standing needs a coast-down in neutral, or another sensor.

    Parameters
    ----------
    first, second : str
        Names as in :func:`source_orders`.
    train : Train
        What turns.
    gear_ratios : iterable of float
        The gears to try.
    resolution_orders : float
        Smallest distance that the order spectrum separates. [wheel orders]

    Examples
    --------
    >>> separating_gears("driveshaft-1", "engine-1", Train(310.7, 41, 12), [1.36, 1.0, 0.73], resolution_orders=0.05)
    (1.36, 0.73)
    """
    separating = []
    for gear_ratio in gear_ratios:
        orders = source_orders(train, gear_ratio)
        for name in (first, second):
            if name not in orders:
                raise ModelError(f"no source {name!r}; use one of {', '.join(orders)}")
        if abs(orders[first] - orders[second]) > resolution_orders:
            separating.append(gear_ratio)
    return tuple(separating)
