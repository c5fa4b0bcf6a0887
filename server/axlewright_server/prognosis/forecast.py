"""From a series of daily values to the time at which it passes a limit, with an interval, or "can't tell yet".

A straight line by medians (Theil and Sen) says how the series moves; the test of Mann and Kendall says whether it does.
A local linear trend (Kalman) over the days gives level and slope now, with their uncertainty. Wear mostly feeds itself,
but not always: ahead, the rate goes with the excess reached to a power of :data:`POWERS`, all held equally likely, and
may be off by :data:`RATE_SD` besides. Times and bands are quantiles of that ensemble. Only what is significant, long
enough and not too far away is forecast; else the reason is given. Pure functions; days may be missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from axlewright_models.statistics.local_trend import LocalTrend, TrendNoise, local_trend_step
from axlewright_models.statistics.normal import normal_quantile
from axlewright_models.statistics.robust import MAD_TO_SD
from axlewright_models.statistics.trend import mann_kendall, theil_sen

Floats = NDArray[np.float64]
Status = Literal["forecast", "passed", "too-short", "no-trend", "moving-away", "too-far"]
CONFIDENCE = 0.8


@dataclass(frozen=True)
class Rules:
    """When a forecast is given: own choices.

    ``least_days``: days with values among those looked at. ``look_back_days``: how many of the last days count.
    ``alpha``: significance that the trend must have, two-sided. ``horizon_days``: beyond it nothing is said.
    ``wander``: by how much of itself the slope may have changed in the past within ``wander_days`` (one standard
    deviation): how fast the fit forgets.
    """

    least_days: int = 8
    look_back_days: int = 45
    alpha: float = 0.02
    horizon_days: float = 365.0
    wander: float = 0.5
    wander_days: float = 45.0


RULES = Rules()


# Powers and spread are own choices, set on straight, bending and wandering lines with noise (see the tests), not on the
# simulators.
POWERS = (-0.3, 0.1, 0.4, 0.6)
RATE_SD = 0.15
_LEVELS = 5
_RATES = 15


@dataclass(frozen=True)
class Ensemble:
    """Equally likely courses from now on: excess over ``start``, its rate, and the power in
    which the rate goes with the excess; arrays of shape (k,)."""

    start: float
    excess: Floats
    rate: Floats
    power: Floats

    def at(self, ahead_days: Floats) -> Floats:
        """Return each course's level so many days ahead, (k, days)."""
        left = 1.0 - self.power[:, None]
        grown = 1.0 + left * (self.rate / self.excess)[:, None] * ahead_days
        return np.asarray(self.start + self.excess[:, None] * np.maximum(grown, 0.0) ** (1.0 / left))

    def days_to(self, limit: float) -> Floats:
        """Return when each course passes a limit above it, infinity for one that does not move there, (k,)."""
        left = 1.0 - self.power
        ratio = np.maximum((limit - self.start) / self.excess, 1.0)
        days = self.excess / np.maximum(self.rate, 1e-12) / left * (ratio**left - 1.0)
        return np.where(self.rate > 0.0, days, np.inf)


@dataclass(frozen=True)
class Forecast:
    """When a series passes its limit, in days from its last value; infinity: not within the horizon.

    ``level``, ``slope_per_day``: of the fitted trend at the last value, NaN where nothing was fitted. ``early_days`` to
    ``late_days`` is the 80 % interval. ``status`` other than "forecast" says why nothing, or nothing more, is told.
    """

    status: Status
    level: float = math.nan
    slope_per_day: float = math.nan
    early_days: float = math.inf
    middle_days: float = math.inf
    late_days: float = math.inf
    days_used: int = 0
    side: int = 1
    ensemble: Ensemble | None = None

    def band(self, ahead_days: Floats) -> tuple[Floats, Floats, Floats]:
        """Return middle, lower and upper edge of the trend's 80 % band so many days from the last value."""
        if self.ensemble is None:
            nothing = np.full(ahead_days.shape, np.nan)
            return nothing, nothing, nothing
        low, middle, high = np.quantile(self.ensemble.at(ahead_days), _TAILS, axis=0)
        return (middle, low, high) if self.side > 0 else (-middle, -high, -low)


_TAILS = (0.5 - CONFIDENCE / 2.0, 0.5, 0.5 + CONFIDENCE / 2.0)


def forecast(days: Floats, values: Floats, limit: float, side: int, rules: Rules = RULES) -> Forecast:
    """Return when a series passes a limit.

    Parameters
    ----------
    days : ndarray, shape (n,)
        Ascending, in days.
    values : ndarray, shape (n,)
        NaN where a day has none.
    limit : float
        In the unit of the values.
    side : int
        1: the limit is passed upward; -1: downward.
    rules : Rules
        When a forecast is given.

    Examples
    --------
    >>> days = np.arange(30.0)
    >>> rng = np.random.default_rng(1)
    >>> found = forecast(days, -0.1 * days + rng.normal(0.0, 0.2, 30), limit=-6.0, side=-1)
    >>> found.status, found.early_days < 31.0 < found.late_days
    ('forecast', True)
    >>> forecast(days, rng.normal(0.0, 0.2, 30), limit=-6.0, side=-1).status
    'no-trend'
    """
    known = ~np.isnan(values)
    if known.any():
        known &= days > days[known][-1] - rules.look_back_days
    x, y = days[known], side * values[known]
    if len(y) < rules.least_days:
        return Forecast("too-short", days_used=len(y))
    line = theil_sen(x, y, CONFIDENCE)
    slope = float(line.slope)
    rest = y - (float(line.intercept) + slope * x)
    spread = max(_spread(rest), 1e-6 * max(1.0, abs(limit)))
    level = float(np.median(y[-min(len(y), 5) :]))
    if level >= side * limit:
        return Forecast("passed", side * level, side * slope, 0.0, 0.0, 0.0, len(y))
    if float(mann_kendall(y).p) > rules.alpha:
        return Forecast("no-trend", side * level, side * slope, days_used=len(y))
    if slope <= 0.0:
        return Forecast("moving-away", side * level, side * slope, days_used=len(y))
    noise = TrendNoise(
        value_sd=spread,
        level_density=0.0,
        slope_density=(rules.wander * slope) ** 2 / rules.wander_days,
        slope_sd=3.0 * slope,
    )
    ensemble = _ensemble(_run(x, y, noise), float(np.median(y[: min(len(y), 5)])), spread)
    times = ensemble.days_to(side * limit)
    early, middle, late = (float(np.quantile(times, tail, method="nearest")) for tail in _TAILS)
    early, middle, late = (each if each <= rules.horizon_days else math.inf for each in (early, middle, late))
    status: Status = "forecast" if math.isfinite(early) else "too-far"
    fitted_level, fitted_slope = (
        side * float(np.median(ensemble.start + ensemble.excess)),
        side * float(np.median(ensemble.rate)),
    )
    return Forecast(status, fitted_level, fitted_slope, early, middle, late, len(y), side, ensemble)


def _ensemble(state: LocalTrend, start: float, spread: float) -> Ensemble:
    """Return courses spread over what is not known: level, rate (each given the level), and the power."""
    shares = [(number + 0.5) / _LEVELS for number in range(_LEVELS)]
    level_sd = math.sqrt(max(float(state.level_variance), 0.0))
    rate_sd = math.sqrt(max(float(state.slope_variance), 0.0))
    turns = [normal_quantile((number + 0.5) / _RATES) for number in range(_RATES)]
    rows = []
    for z in map(normal_quantile, shares):
        level = float(state.level) + z * level_sd
        tied = float(state.covariance) / level_sd if level_sd > 0.0 else 0.0
        own_sd = math.sqrt(max(rate_sd**2 - tied**2, 0.0) + (RATE_SD * float(state.slope)) ** 2)
        for turn in turns:
            rate = float(state.slope) + z * tied + turn * own_sd
            rows += [(max(level - start, spread), rate, power) for power in POWERS]
    excess, rates, powers = np.array(rows).T
    return Ensemble(start, excess, rates, powers)


def _spread(rest: Floats) -> float:
    return float(MAD_TO_SD * np.median(np.abs(rest - np.median(rest))))


def _run(days: Floats, values: Floats, noise: TrendNoise) -> LocalTrend:
    state = LocalTrend.start(())
    before = days[0]
    for day, value in zip(days.tolist(), values.tolist(), strict=True):
        state = local_trend_step(state, value, day - before, noise)
        before = day
    return state
