r"""Level and slope of a drifting series, with the uncertainty of where it will be.

A local linear trend: the slope is a random walk, the level its integral plus a random walk, the value the level plus
noise. Kalman's filter in continuous time, so readings may come at any interval, one filter per element of the arrays.

References
----------
.. [1] Harvey, A. C. (1989), "Forecasting, Structural Time Series Models and the Kalman Filter", section 2.3 (cited from
   memory); checked against direct least squares and against numerical integration in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.statistics.normal import normal_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class TrendNoise:
    """What is believed of the series, U its unit and T the unit of time.

    ``value_sd`` [U] of one value; ``level_density`` [U2/T] and ``slope_density`` [U2/T3] of the two random walks;
    ``slope_sd`` [U/T] of the slope before any value has been seen.
    """

    value_sd: float
    level_density: float
    slope_density: float
    slope_sd: float


@dataclass(frozen=True)
class LocalTrend:
    """Level, slope and their variances and covariance; arrays of one shape. NaN level: no value seen yet."""

    level: Floats
    slope: Floats
    level_variance: Floats
    covariance: Floats
    slope_variance: Floats

    @classmethod
    def start(cls, shape: int | tuple[int, ...]) -> LocalTrend:
        """Return filters that have seen nothing."""
        return cls(np.full(shape, np.nan), *(np.zeros(shape) for _ in range(4)))


def local_trend_forecast(state: LocalTrend, ahead: ArrayLike, noise: TrendNoise) -> LocalTrend:
    """Return the state `ahead` (0 or more, any broadcastable shape) later, no value seen in between.

    ``level ± z sqrt(level_variance)`` is the interval of the level; add ``noise.value_sd`` squared for that of a value.

    Examples
    --------
    >>> noise = TrendNoise(value_sd=1.0, level_density=0.0, slope_density=0.0, slope_sd=1.0)
    >>> state = LocalTrend(*map(np.array, (430.0, -0.5, 0.04, 0.0, 0.01)))
    >>> later = local_trend_forecast(state, 10.0, noise)
    >>> float(later.level), round(float(later.level_variance), 6)
    (425.0, 1.04)
    """
    dt = np.asarray(ahead, dtype=np.float64)
    return LocalTrend(
        state.level + dt * state.slope,
        state.slope + 0.0 * dt,
        state.level_variance
        + dt * (2.0 * state.covariance + dt * state.slope_variance)
        + noise.level_density * dt
        + noise.slope_density * dt**3 / 3.0,
        state.covariance + dt * state.slope_variance + noise.slope_density * dt**2 / 2.0,
        state.slope_variance + noise.slope_density * dt,
    )


def local_trend_step(state: LocalTrend, value: ArrayLike, dt: ArrayLike, noise: TrendNoise) -> LocalTrend:
    """Return the state after `dt` and one more value.

    Parameters
    ----------
    state : LocalTrend, arrays of shape (...)
        :meth:`LocalTrend.start` at the beginning.
    value : array_like, shape (...)
        New value; NaN leaves the element wholly as it was: give the next `dt` from the last value that was used.
    dt : array_like, shape (...)
        Time since the last value used, 0 or more; passed over for the first.
    noise : TrendNoise
        In the same units of value and time.

    Examples
    --------
    >>> noise = TrendNoise(value_sd=1.0, level_density=0.0, slope_density=0.0, slope_sd=10.0)
    >>> state = LocalTrend.start(())
    >>> for height_mm in (430.0, 428.0, 426.0, 424.0):
    ...     state = local_trend_step(state, height_mm, 1.0, noise)
    >>> bool(abs(state.slope + 2.0) < 0.01)
    True
    """
    value = np.asarray(value, dtype=np.float64)
    missing, first = np.isnan(value), np.isnan(state.level)
    before = local_trend_forecast(state, np.where(first | missing, 0.0, dt), noise)
    spread = before.level_variance + noise.value_sd**2
    level_gain, slope_gain = before.level_variance / spread, before.covariance / spread
    innovation = np.where(first | missing, 0.0, value - before.level)
    after: tuple[Floats, ...] = (
        before.level + level_gain * innovation,
        before.slope + slope_gain * innovation,
        before.level_variance * (1.0 - level_gain),
        before.covariance * (1.0 - level_gain),
        before.slope_variance - slope_gain * before.covariance,
    )
    zero = np.zeros_like(value)
    begun: tuple[Floats, ...] = (value, zero, zero + noise.value_sd**2, zero, zero + noise.slope_sd**2)
    kept = (state.level, state.slope, state.level_variance, state.covariance, state.slope_variance)
    new = (np.where(first, b, a) for a, b in zip(after, begun, strict=True))
    return LocalTrend(*(np.where(missing, k, n) for k, n in zip(kept, new, strict=True)))


def time_to_limit(
    state: LocalTrend, limit: ArrayLike, noise: TrendNoise, horizon: float, confidence: float = 0.9
) -> tuple[Floats, Floats, Floats]:
    """Return when the level passes `limit`: early, middle and late, infinity where not within `horizon`.

    The limit is approached from the side on which the level stands now. Early is when the level's lower (or upper)
    quantile gets there, late when the other does, from the forecast's marginal distribution: the level may
    pass and come back, so the true first passage is somewhat earlier than stated when the random walks are strong.

    Examples
    --------
    >>> noise = TrendNoise(value_sd=1.0, level_density=0.0, slope_density=0.0, slope_sd=1.0)
    >>> state = LocalTrend(*map(np.array, (430.0, -0.5, 0.04, 0.0, 0.0001)))
    >>> early, middle, late = time_to_limit(state, 420.0, noise, horizon=100.0)
    >>> round(float(middle), 3), bool(early < middle < late)
    (20.0, True)
    """
    limit = np.asarray(limit, dtype=np.float64)
    side = np.where(state.level >= limit, 1.0, -1.0)
    z = normal_quantile(0.5 + confidence / 2.0)
    ahead = horizon * np.linspace(0.0, 1.0, 1001)[(...,) + (None,) * np.ndim(state.level)]
    later = local_trend_forecast(state, ahead, noise)
    gap, spread = side * (later.level - limit), np.sqrt(np.maximum(later.level_variance, 0.0))
    early, middle, late = (_first_below(gap + shift * spread, ahead) for shift in (-z, 0.0, z))
    return early, middle, late


def _first_below(gap: Floats, ahead: Floats) -> Floats:
    """Return the time at which the gap first reaches 0, interpolated between the grid's points."""
    below = gap <= 0.0
    index = np.argmax(below, axis=0)
    last = np.maximum(index - 1, 0)
    here, there = (np.take_along_axis(gap, i[None], axis=0)[0] for i in (last, index))
    times = np.broadcast_to(ahead, gap.shape)
    begin, end = (np.take_along_axis(times, i[None], axis=0)[0] for i in (last, index))
    fall = np.where(here > there, here - there, 1.0)
    crossing = np.where(index == 0, 0.0, begin + (end - begin) * here / fall)
    return np.where(below.any(axis=0), crossing, np.where(np.isnan(gap[0]), np.nan, np.inf))
