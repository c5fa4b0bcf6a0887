"""Whether forecasts are as sure as they say: coverage of their intervals, with readings that end.

Each forecast is a distribution of the time of passage. Its value at the time when the limit was passed is between 0 and
1, and evenly spread there if forecasts are right (the probability integral transform [1]_). Where the readings end
before the limit is passed, that value is only known to be greater than the forecast's value at their end: a censored
observation. Each forecast is judged by its own interval (:func:`~axlewright_server.prognosis.forecast.tails`): 10 to 90
% of its distribution, or all beyond 20 % where its late end is open. The shares of either sort are those of Kaplan and
Meier's curve [2]_, which counts every forecast up to where its readings go; both sorts together count by how many there
are. It needs no choice of which forecasts are "decided", and a limit that is never passed counts against a forecast as
soon as its late end is over. Forecasts of one truck are much alike (its axles stand on one height valve), so the
uncertainty is that of a bootstrap of trucks. A draw of trucks none of whose readings go on to the late end leaves open
how much of what is left there lies within: it counts with the least at the lower end of the uncertainty and with the
most at the upper one.

References
----------
.. [1] A. P. Dawid, "Present position and potential developments: some personal views: statistical theory: the
   prequential approach", Journal of the Royal Statistical Society A 147 (1984), pp. 278-292 (cited from memory).
.. [2] E. L. Kaplan, P. Meier, "Nonparametric estimation from incomplete observations", Journal of the American
   Statistical Association 53 (1958), pp. 457-481 (cited from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_server.evaluation.intervals import LEVEL, Interval
from axlewright_server.evaluation.record import Forecast
from axlewright_server.evaluation.survival import later_than
from axlewright_server.prognosis.forecast import tails

Floats = NDArray[np.float64]
RESAMPLES = 400
_SEED = 11


@dataclass(frozen=True)
class Coverage:
    """Shares of truths before, within and after the 80 % intervals, of so many forecasts of so many axles.

    ``within`` with an interval (its value NaN: the readings end before any late end, and only the interval is known);
    ``passed``: limits passed in the readings.
    """

    within: Interval
    before: float
    after: float
    forecasts: int
    axles: int
    passed: int


def coverage_of(forecasts: Sequence[Forecast]) -> Coverage:
    """Return what forecasts and the truth after them come to."""
    values = np.array([one.chance_by_then for one in forecasts])
    passed = np.array([one.truth_days is not None for one in forecasts], dtype=bool)
    is_open = np.array([one.late_days is None for one in forecasts], dtype=bool)
    names, trucks = np.unique(np.array([one.vehicle for one in forecasts], dtype=str), return_inverse=True)
    axles = len({(one.vehicle, one.axle) for one in forecasts})
    before, within, after = shares(values, passed, is_open)
    count = len(names)
    random = np.random.default_rng(_SEED)
    members = [np.flatnonzero(trucks == number) for number in range(count)]
    again = []
    for _ in range(RESAMPLES if count > 1 else 0):
        rows = np.concatenate([members[number] for number in random.integers(0, count, count)])
        again.append(bounds(values[rows], passed[rows], is_open[rows])[1:])
    low, high = 0.0, 1.0  # of one truck nothing is known
    if again:
        least, most = np.array(again).T
        tail = 0.5 * (1.0 - LEVEL)
        low, high = float(np.quantile(least, tail)), float(np.quantile(most, 1.0 - tail))
    return Coverage(Interval(within, low, high), before, after, len(forecasts), axles, int(passed.sum()))


def shares(values: Floats, passed: NDArray[np.bool_], is_open: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Return the shares of truths before, within and after the interval.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Each forecast's own distribution at the truth, or at the end of the readings.
    passed : ndarray of bool, shape (n,)
        Whether the limit was passed within the readings.
    is_open : ndarray of bool, shape (n,)
        Whether the interval has no late end.

    Notes
    -----
    NaN for the later two where all readings of either sort end before that is decided: nobody can know.

    Examples
    --------
    >>> even, yes = np.linspace(0.005, 0.995, 100), np.ones(100, dtype=bool)
    >>> [[round(share, 2) for share in shares(even, yes, is_open)] for is_open in (~yes, yes)]
    [[0.1, 0.8, 0.1], [0.2, 0.8, 0.0]]
    """
    if not len(values):
        return math.nan, math.nan, math.nan
    before, least, most = bounds(values, passed, is_open)
    within = least if most - least < 1e-9 else math.nan
    return before, within, 1.0 - before - within


def bounds(values: Floats, passed: NDArray[np.bool_], is_open: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Return the share of truths before the interval, and the least and the most within it.

    The latter two are equal where the readings tell.

    Examples
    --------
    >>> closed = np.zeros(4, dtype=bool)
    >>> bounds(np.array([0.05, 0.4, 0.6, 0.7]), np.array([True, True, False, False]), closed)
    (0.25, 0.25, 0.75)
    """
    found = np.zeros(3)
    for sort in np.unique(is_open).tolist():
        rows = is_open == sort
        low, high = tails(sort)
        last = float(values[rows].max())
        early, late = later_than(values[rows], passed[rows], [low, high]).tolist()
        if sort:
            # What has not come by the early end lies within, whenever it comes.
            known, least = last > low or early == 0.0, early if last > low else 0.0
        else:
            known, least = last > high or late == 0.0, early - late
        found += rows.mean() * np.array([1.0 - early, least, least if known else early])
    before, least, most = found.tolist()
    return before, least, most
