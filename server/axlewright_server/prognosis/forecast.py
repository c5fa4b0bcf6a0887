"""From a series of daily values to the time at which it passes a limit, with an interval, or "can't tell yet".

Candidate courses are weighed by the whole series (:mod:`~axlewright_server.prognosis.courses`): since when has the
present course lasted, and does it stand, go straight on, run away, or settle? Draws from that posterior, each going on
with noise and with a chance to end, pass the limit or don't (:mod:`~axlewright_server.prognosis.passage`); the times
are the forecast. The 80 % interval leaves out a tenth of all draws at either end. Where more than a tenth never pass
within the horizon its late end is open, nothing is left out there, and it begins after a fifth (:func:`tails`): begun
after a tenth it would be an interval of 90 %. It is told only once the series has surely moved towards the limit
(:data:`Rules.sure`), moves still rather than not, and passes within the horizon rather than not. Pure functions of the
series: draws come from a fixed seed.

``status``: "forecast"; "passed": the limit is behind it; "too-short", "too-old": not enough days, or none of late;
"no-trend"; "moving-away"; "levelled-off": it has moved and probably stands since; "unsure": it moves, but probably
won't get there within the horizon; "too-far": less than one chance in five within the horizon.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from axlewright_models.statistics.robust import MAD_TO_SD
from axlewright_server.prognosis.courses import ENDED, GROWTH, LINE, POWER, SETTLING, STEP, Posterior, weigh
from axlewright_server.prognosis.passage import ENDING_SHARE, Ahead, days_ahead, passages

Floats = NDArray[np.float64]
Status = Literal[
    "forecast", "passed", "too-short", "too-old", "no-trend", "moving-away", "too-far", "levelled-off", "unsure"
]
CONFIDENCE = 0.8
DRAWS = 300
_SEED = 20250101
_BAND = (0.5 - CONFIDENCE / 2.0, 0.5, 0.5 + CONFIDENCE / 2.0)
# A day that lies so many standard deviations from the median of the days around it is drawn back to there: one day in
# the workshop or behind a snow plough tells nothing of the axle.
_OUTLIER_SD = 4.0


@dataclass(frozen=True)
class Rules:
    """When a forecast is given: own choices.

    ``least_days``: days with values among those looked at; ``least_recent``: among the last ``recent_days``.
    ``look_back_days``: how many of the last days count.
    ``sure``: chance that the series has moved towards the limit. ``horizon_days``: beyond it nothing is said.
    """

    least_days: int = 8
    least_recent: int = 3
    recent_days: int = 10
    look_back_days: int = 60
    sure: float = 0.8
    horizon_days: float = 365.0


RULES = Rules()


@dataclass(frozen=True)
class Forecast:
    """When a series passes its limit, in days from its last day; infinity: not within the horizon.

    ``level``, ``slope_per_day``: of the course at the last day, NaN where nothing was fitted. ``early_days`` to
    ``late_days`` is the 80 % interval, its late end open where that is infinite; ``reaches`` the chance
    that it passes within the horizon at all, ``times`` the draws behind it, ascending. ``since_days``: for how long the
    present course has probably lasted. ``status`` other than "forecast" says why nothing, or nothing more, is told.
    """

    status: Status
    level: float = math.nan
    slope_per_day: float = math.nan
    early_days: float = math.inf
    middle_days: float = math.inf
    late_days: float = math.inf
    days_used: int = 0
    side: int = 1
    reaches: float = math.nan
    since_days: float = math.nan
    times: Floats | None = field(default=None, repr=False)
    ahead: Ahead | None = field(default=None, repr=False)

    def band(self, ahead_days: Floats) -> tuple[Floats, Floats, Floats]:
        """Return middle, lower and upper edge of the course's 80 % band so many days from the last day."""
        if self.ahead is None:
            nothing = np.full(ahead_days.shape, np.nan)
            return nothing, nothing, nothing
        low, middle, high = np.quantile(self.ahead.course(ahead_days), _BAND, axis=0)
        return (middle, low, high) if self.side > 0 else (-middle, -high, -low)

    def chance_within(self, days: float) -> float:
        """Return the chance that the limit is passed within so many days; NaN where nothing was forecast."""
        return math.nan if self.times is None else float(np.mean(self.times <= days))


def tails(is_open: bool) -> tuple[float, float]:
    """Return which shares of all draws lie before the early and up to the late end of an interval, open or closed.

    Examples
    --------
    >>> [tuple(round(share, 3) for share in tails(is_open)) for is_open in (False, True)]
    [(0.1, 0.9), (0.2, 1.0)]
    """
    left = round(1.0 - CONFIDENCE, 9)
    return (left, 1.0) if is_open else (0.5 * left, 1.0 - 0.5 * left)


def interval(times: Floats) -> tuple[float, float, float]:
    """Return early end, middle and late end of times of passage, infinity where one never passes.

    Examples
    --------
    >>> times = np.arange(1.0, 102.0)
    >>> interval(times), interval(np.where(times > 85.0, np.inf, times))
    ((11.0, 51.0, 91.0), (21.0, 51.0, inf))
    """
    is_open = float(np.mean(np.isinf(times))) > 1.0 - tails(False)[1]
    early, late = tails(is_open)
    first, middle, last = (float(np.quantile(times, share, method="nearest")) for share in (early, 0.5, late))
    return first, middle, math.inf if is_open else last


def forecast(
    days: Floats,
    values: Floats,
    limit: float,
    side: int,
    rules: Rules = RULES,
    ending: float = ENDING_SHARE,
    logarithmic: bool = False,
) -> Forecast:
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
    ending : float
        Share of courses that may end by themselves, 0 to 1: hardly any of wear, some of heat, any of a set point.
    logarithmic : bool
        Whether values and limit are logarithms.

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
    last_day = float(days[-1]) if len(days) else 0.0
    known = ~np.isnan(values) & (days > last_day - rules.look_back_days)
    x, y = days[known], side * values[known]
    if math.isnan(limit) or len(y) < rules.least_days:
        return Forecast("too-short", days_used=len(y))
    if np.count_nonzero(x > last_day - rules.recent_days) < rules.least_recent:
        return Forecast("too-old", days_used=len(y))
    now = float(np.median(y[-5:]))
    if now >= side * limit:
        return Forecast("passed", side * now, math.nan, 0.0, 0.0, 0.0, len(y), side)
    posterior = weigh(x, _drawn_in(y), 1e-3 * max(abs(side * limit - now), 1e-3), logarithmic)
    status = _moving(posterior, rules)
    random = np.random.default_rng(_SEED)
    draws = posterior.draw(DRAWS, random)
    # What stands beyond the limit since less than five days has not levelled off short of it.
    beyond = status == "levelled-off" and float(np.median(draws.at(x[-1:]))) >= side * limit
    if status is not None and not beyond:
        return Forecast(status, side * now, days_used=len(y), side=side)
    ahead = Ahead.of(draws, x, y, last_day, random, ending)
    future = days_ahead(rules.horizon_days)
    times = np.sort(passages(ahead.levels(future, random), future, side * limit))
    early, middle, late = interval(times)
    level, soon = np.median(ahead.course(np.array([0.0, 1.0])), axis=0)
    reaches = float(np.mean(np.isfinite(times)))
    told: Status = "too-far" if math.isinf(early) else "unsure" if math.isinf(middle) else "forecast"
    since = float(np.median(ahead.now - ahead.draws.courses.begin))
    return Forecast(
        told,
        side * float(level),
        side * float(soon - level),
        early,
        middle,
        late,
        len(y),
        side,
        reaches,
        since,
        times,
        ahead,
    )


def _moving(posterior: Posterior, rules: Rules) -> Status | None:
    """Return why a series does not move towards its limit, None if it does."""
    towards = posterior.size > 0.0
    moving = np.isin(posterior.courses.family, (LINE, POWER, GROWTH, SETTLING))[None, :]
    stood = np.isin(posterior.courses.family, (STEP, ENDED))[None, :]
    goes, leaves = (float(posterior.chance[moving & side].sum()) for side in (towards, ~towards))
    stands = float(posterior.chance[stood & towards].sum())
    if goes + stands >= rules.sure:
        return None if goes > stands else "levelled-off"
    return "moving-away" if leaves >= rules.sure else "no-trend"


def _drawn_in(values: Floats) -> Floats:
    """Return a series with outliers drawn in towards the median of the five days around each.

    Beyond its ends it is taken to go on along a line through its last five days that one of them can't turn: else the
    last days of a steep course would be outliers, and drawn in it would seem to have levelled off.
    """
    padded = np.concatenate((_beyond(values[::-1])[::-1], values, _beyond(values)))
    around = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    spread = MAD_TO_SD * float(np.median(np.abs(values - around)))
    return np.clip(values, around - _OUTLIER_SD * spread, around + _OUTLIER_SD * spread) if spread > 0.0 else values


def _beyond(values: Floats) -> Floats:
    """Return two more values at the end of a series."""
    last = values[-5:]
    return np.asarray(np.median(last) + np.median(np.diff(last)) * np.array([3.0, 4.0]))
