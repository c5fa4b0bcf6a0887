"""Weather of an invented region: air temperature, wind and rain as smooth, seeded functions of time.

The region is warm-temperate and hilly. Nothing here is a climate record: amplitudes are our own choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_simulators.climates import VALE, Climate

DAY_S = 86400.0
YEAR_S = 365.2425 * DAY_S
WARMEST_DAY_S = 200.0 * DAY_S  # mid July
WARMEST_HOUR_S = 15.0 * 3600.0

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Weather:
    """The weather that one truck meets; trucks of one fleet share the fronts but not the showers.

    Parameters
    ----------
    seed : int
        The region's seed, equal for all trucks of a fleet.
    place : int
        Tells the trucks apart: a slow local departure and the truck's own showers.
    climate : Climate
        The region's.

    Examples
    --------
    >>> bool(Weather(seed=1, place=0).ambient_cel(1.7e9) == Weather(seed=1, place=0).ambient_cel(1.7e9))
    True
    """

    seed: int
    place: int
    climate: Climate = VALE

    def ambient_cel(self, time_s: ArrayLike) -> Array:
        """Return the air temperature at Unix times of any shape. [Cel]"""
        time = np.asarray(time_s, dtype=np.float64)
        season = self.climate.season_k * np.cos(2.0 * np.pi * (time % YEAR_S - WARMEST_DAY_S) / YEAR_S)
        hour = self.climate.day_k * np.cos(2.0 * np.pi * (time % DAY_S - WARMEST_HOUR_S) / DAY_S)
        fronts = self.climate.fronts_k * _waves(time, (self.seed, 1), shortest_s=1.7 * DAY_S, longest_s=11.0 * DAY_S)
        local = 1.2 * _waves(time, (self.seed, 2, self.place), shortest_s=0.4 * DAY_S, longest_s=2.0 * DAY_S)
        return self.climate.mean_cel + season + hour + fronts + local

    def wind_m_s(self, time_s: ArrayLike) -> Array:
        """Return the wind along the road, positive from ahead, at Unix times of any shape. [m/s]"""
        time = np.asarray(time_s, dtype=np.float64)
        strength = 2.5 + 2.0 * np.abs(_waves(time, (self.seed, 3), 0.5 * DAY_S, 6.0 * DAY_S))
        heading = _waves(time, (self.seed, 4, self.place), 900.0, 7200.0)
        return self.climate.wind * strength * np.clip(heading, -1.5, 1.5)

    def crosswind_m_s(self, time_s: ArrayLike) -> Array:
        """Return the wind across the road, positive from the left, at Unix times of any shape. [m/s]"""
        time = np.asarray(time_s, dtype=np.float64)
        return self.climate.wind * 3.0 * np.clip(_waves(time, (self.seed, 5, self.place), 600.0, 5400.0), -1.5, 1.5)

    def rain(self, time_s: ArrayLike) -> Array:
        """Return how wet the road is, 0 (dry) to 1 (heavy rain), at Unix times of any shape."""
        time = np.asarray(time_s, dtype=np.float64)
        front = _waves(time, (self.seed, 6), 1.0 * DAY_S, 7.0 * DAY_S)
        shower = _waves(time, (self.seed, 7, self.place), 3600.0, 6.0 * 3600.0)
        return np.clip(front + 0.6 * shower - self.climate.dryness, 0.0, 1.0)


def _waves(time: Array, key: tuple[int, ...], shortest_s: float, longest_s: float, count: int = 6) -> Array:
    """Return a smooth random function of about unit variance: a sum of sines whose periods never line up."""
    random = np.random.default_rng(list(key))
    periods = np.exp(random.uniform(np.log(shortest_s), np.log(longest_s), count))
    phases = random.uniform(0.0, 2.0 * np.pi, count)
    total = np.zeros_like(time)
    for period, phase in zip(periods, phases, strict=True):
        total += np.sin(2.0 * np.pi * time / period + phase)
    return np.asarray(total * np.sqrt(2.0 / count))
