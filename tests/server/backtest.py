"""Forecasts of one series as they would have been told on many days, to hold against a truth that is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_server.prognosis.forecast import RULES, Rules, forecast

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Held:
    """One forecast of a series against the truth, in days from the day on which it was made."""

    day: float
    early_days: float
    middle_days: float
    late_days: float
    truth_days: float

    @property
    def inside(self) -> bool:
        """Return whether the truth lies in the interval."""
        return self.early_days <= self.truth_days <= self.late_days


def forecasts(
    days: Floats, values: Floats, limit: float, side: int, crossing_day: float, every: int = 3, rules: Rules = RULES
) -> list[Held]:
    """Return the forecasts of one series at many days, each with the truth: for the coverage of intervals.

    Parameters
    ----------
    days, values : ndarray, shape (n,)
        As of :func:`forecast.forecast`; only what lies before a day is used on it.
    crossing_day : float
        When the true quantity passes the limit; infinity if it never does.
    every : int
        A forecast on every such day before the crossing.

    Examples
    --------
    >>> days = np.arange(40.0)
    >>> noise = np.random.default_rng(2).normal(0.0, 0.3, 40)
    >>> made = forecasts(days, 0.15 * days + noise, 6.0, 1, crossing_day=40.0)
    >>> len(made) > 5, sum(one.inside for one in made) / len(made) > 0.5
    (True, True)
    """
    made = []
    for place in range(rules.least_days, len(days), every):
        now = float(days[place - 1])
        if now >= crossing_day:
            break
        ahead = forecast(days[:place], values[:place], limit, side, rules)
        if ahead.status == "forecast":
            made.append(Held(now, ahead.early_days, ahead.middle_days, ahead.late_days, crossing_day - now))
    return made
