"""When drawn courses first pass a limit: what may still happen to each, and how its noise gets there first.

Each draw goes on as it was (its rate off by a factor of its own: duty changes), or ends: nothing is known of how long
such a thing lasts but that it has lasted so far, so the chance that it lasts ``t`` more days after ``T`` is
``T / (T + t)`` [1]_. A limit is passed when the median of five days is beyond it, so the noise that counts is that of
such medians, correlated over days.

References
----------
.. [1] J. R. Gott, "Implications of the Copernican principle for our future prospects", Nature 363 (1993), pp. 315-319
   (cited from memory): the same rule follows from the scale-free prior ``1 / T``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_server.prognosis.courses import ENDED, LEVEL, STEP, Draws

Floats = NDArray[np.float64]

# Share of moving courses that may end by themselves. Wear feeds itself, so hardly any does (a part that has found a new
# seat); heat sometimes does (a leak ends at the height of its hole, more loss is balanced by more cooling); a set point
# that moves (a valve's linkage, a sensor) is driven by nothing, so any may. All own choices.
ENDING_SHARE = 0.1
HEAT_ENDING_SHARE = 0.3
SET_POINT_ENDING_SHARE = 1.0
# Standard deviation of the logarithm of the rate's change ahead, an own choice: what a truck does in the weeks to come
# differs from the weeks before by about a tenth. That a course bends is told by its form, not by this; more would count
# it twice.
RATE_SD = 0.1
# The correlation of medians of five days from day to day is at least that of overlapping means.
SMOOTHED_RHO = 0.8
MEDIAN_OVER_MEAN = 1.2  # variance of a median of five over that of their mean, normal values: 1.43; less if correlated


@dataclass(frozen=True)
class Ahead:
    """Draws as they go on from ``now``: their noise, when they end, and by which factor their rate changes."""

    draws: Draws
    now: float
    noise: Floats
    noise_sd: Floats
    noise_rho: Floats
    end: Floats
    pace: Floats

    @classmethod
    def of(
        cls, draws: Draws, days: Floats, values: Floats, now: float, random: np.random.Generator, ending: float
    ) -> Ahead:
        """Return what may come after a day, `now`: the last of these or a later one; `ending`: share that may end."""
        count = len(draws.level)
        recent = slice(max(len(days) - 3, 0), None)
        own = np.median(values[recent][None, :] - draws.at(days[recent]), axis=1)
        lags = np.abs(np.subtract.outer(np.arange(5), np.arange(5)))
        share = MEDIAN_OVER_MEAN * (draws.rho[:, None, None] ** lags).mean(axis=(1, 2))
        rho = np.maximum(draws.rho, SMOOTHED_RHO)
        lasted = np.maximum(now - draws.courses.begin, 1.0)
        ends = random.random(count) < ending
        more = lasted * (1.0 / np.maximum(random.random(count), 1e-9) - 1.0)
        return cls(
            draws,
            now,
            own * rho ** (now - float(days[-1])),
            draws.noise_sd * np.sqrt(np.minimum(share, 1.0)),
            rho,
            np.where(ends, now + more, np.inf),
            np.exp(RATE_SD * random.standard_normal(count)),
        )

    def course(self, ahead_days: Floats) -> Floats:
        """Return each draw's course so many days ahead, without noise, (k, d)."""
        lasting = np.minimum(ahead_days[None, :], (self.end - self.now)[:, None]) * self.pace[:, None]
        return self.draws.at(self.now + lasting)

    def levels(self, ahead_days: Floats, random: np.random.Generator) -> Floats:
        """Return one path of each draw, as a median of five days sees it, (k, d)."""
        path = self.course(ahead_days)
        noise, before = self.noise, 0.0
        for place, day in enumerate(ahead_days.tolist()):
            tied = self.noise_rho ** (day - before)
            noise = tied * noise + np.sqrt(1.0 - tied**2) * self.noise_sd * random.standard_normal(len(noise))
            path[:, place] += noise
            before = day
        return path

    @property
    def still(self) -> NDArray[np.bool_]:
        """Return which draws do not move any more, (k,)."""
        return np.isin(self.draws.courses.family, (LEVEL, STEP, ENDED))


def days_ahead(horizon: float) -> Floats:
    """Return the days ahead that are looked at, from today: all at first, then every second, then one in seven."""
    near, middle, far = np.arange(31.0), np.arange(32.0, 92.0, 2.0), np.arange(97.0, horizon + 7.0, 7.0)
    days = np.concatenate((near, middle, far))
    return np.asarray(days[days <= horizon])


def passages(paths: Floats, ahead_days: Floats, limit: float) -> Floats:
    """Return when each path gets to a limit from below, infinity if it never does, (k,).

    Between two days that are looked at a path is a straight line; what lies beyond the limit on the first of them is
    there at once. What came is found by the same rule, so that no time is rounded: an interval of a few whole days
    would hold much more than it says.

    Examples
    --------
    >>> passages(np.array([[0.0, 1.0, 4.0], [3.0, 1.0, 1.0], [0.0, 0.0, 0.0]]), np.arange(3.0), 2.0).round(3).tolist()
    [1.333, 0.0, inf]
    """
    beyond = paths >= limit
    rows, first = np.arange(len(paths)), np.argmax(beyond, axis=1)
    before = np.maximum(first - 1, 0)
    rise = paths[rows, first] - paths[rows, before]
    left = np.maximum(paths[rows, first] - limit, 0.0)
    share = np.divide(left, rise, out=np.zeros(len(rows)), where=rise > 0.0)
    day = ahead_days[first] - share * (ahead_days[first] - ahead_days[before])
    return np.where(beyond.any(axis=1), day, np.inf)
