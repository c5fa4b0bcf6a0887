"""What lies ahead of one axle: time and distance to each limit, life of oil and seal, chances of leak and failure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import msgspec
import numpy as np
from numpy.typing import NDArray

from axlewright_models.spec import VehicleSpec
from axlewright_server.detectors.base import State
from axlewright_server.detectors.daily import DAY_S, MEANS, NUMBER, days_of
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.prognosis.chances import Chances, chances
from axlewright_server.prognosis.forecast import Forecast, forecast
from axlewright_server.prognosis.life import LifeLeft, life_left
from axlewright_server.prognosis.passage import ENDING_SHARE, HEAT_ENDING_SHARE, SET_POINT_ENDING_SHARE
from axlewright_server.prognosis.words import amount, title_of, told

Floats = NDArray[np.float64]
# Days over which the distance driven a day is taken, and days of expected heat that say what hard duty is.
PACE_DAYS, DUTY_DAYS = 28, 28
LEAST_FIRST_DAYS = 4
LOGARITHMIC = ("driveshaft-1", "driveshaft-2", "wheel-1", "mesh-1", "envelope")


class Outlook(msgspec.Struct, frozen=True, kw_only=True):
    """One quantity against its limit, in the unit that a person reads.

    ``level`` and ``slope_per_day`` of the fitted trend; ``early_s`` to ``late_s``: Unix time of the 80 % interval, None
    where it is not within the horizon (without a late end: not before ``early_s``, with four chances in five); the same
    in km from ``of_s`` at the pace of the last weeks. ``reaches``: chance that it gets there within the horizon at all,
    None where nothing is foreseen. ``status``: see :mod:`forecast`; ``words``: all of it for a person.
    """

    quantity: str
    title: str
    unit: str
    status: str
    words: str
    of_s: float | None
    level: float | None
    slope_per_day: float | None
    limit: float | None
    early_s: float | None
    middle_s: float | None
    late_s: float | None
    early_km: float | None
    middle_km: float | None
    late_km: float | None
    days_used: int
    reaches: float | None = None


class Picture(msgspec.Struct, frozen=True):
    """What a plot shows of one quantity: daily values, fitted trend, 80 % band, limit; columns over ``time_s``."""

    quantity: str
    title: str
    unit: str
    limit: float | None
    time_s: list[float]
    value: list[float | None]
    trend: list[float | None]
    low: list[float | None]
    high: list[float | None]


class Prognosis(msgspec.Struct, frozen=True):
    """All that is foreseen of one axle."""

    vehicle: str
    axle: int
    of_s: float | None
    km_per_day: float | None
    outlooks: list[Outlook]
    life: list[LifeLeft]
    chances: Chances
    pictures: list[Picture] = []


@dataclass(frozen=True)
class Series:
    """One quantity's days as they are forecast: values in the fit's own scale, limit and side, and how to read them."""

    quantity: str
    unit: str
    values: Floats
    limit: float
    side: int
    logarithmic: bool = False
    reference: float = 0.0
    note: str = ""
    ending: float = ENDING_SHARE

    def ahead(self, days: Floats) -> Forecast:
        """Return the forecast from its values on these days."""
        return forecast(days, self.values, self.limit, self.side, ending=self.ending, logarithmic=self.logarithmic)


@dataclass(frozen=True)
class Record:
    """One axle's daily record as columns; ``days`` in days since 1970, ``first`` (days, means) as of the kernel."""

    days: Floats
    figures: Floats
    oil_used: float
    seal_used: float
    renewed: tuple[bool, bool]
    first: Floats
    km_per_day: float = field(default=math.nan)

    @classmethod
    def of(cls, state: State) -> Record:
        """Return the columns of a record of :class:`~axlewright_server.detectors.daily.Daily`."""
        days, figures = days_of(state)
        recent = days > (days[-1] - PACE_DAYS if len(days) else 0)
        driven = figures[recent, NUMBER["distance"]]
        span = float(days[-1] - days[recent][0] + 1) if len(days) else math.nan
        pace = float(np.nansum(driven) / span) if len(driven) >= 5 else math.nan
        oil, seal = (bool(one) for one in state["renewed"])
        return cls(
            days.astype(np.float64),
            figures,
            float(state["oil_used"]),
            float(state["seal_used"]),
            (oil, seal),
            np.asarray(state["first"], dtype=np.float64),
            pace,
        )

    @property
    def of_s(self) -> float | None:
        """Return the end of the last day kept, Unix time; None before the first. [s]"""
        return float(self.days[-1] + 1.0) * DAY_S if len(self.days) else None

    def column(self, quantity: str) -> Floats:
        """Return one quantity, NaN where a day has none."""
        return np.asarray(self.figures[:, NUMBER[quantity]])

    def first_of(self, quantity: str) -> float:
        """Return the median of a mean's first days, as watched or mended; NaN before enough of them."""
        kept = self.first[:, MEANS.index(quantity)]
        known = kept[~np.isnan(kept)]
        return float(np.median(known)) if len(known) >= LEAST_FIRST_DAYS else math.nan


def prognosis(
    knowledge: Knowledge,
    spec: VehicleSpec,
    position: int,
    state: State,
    causes: Sequence[Mapping[str, float]],
    paths: Mapping[str, float],
    pictures: bool = False,
) -> Prognosis:
    """Return what lies ahead of an axle.

    Parameters
    ----------
    state : structured record
        Of :class:`~axlewright_server.detectors.daily.Daily`.
    causes : sequence of mappings of str to float
        Chance of each cause, by each standing advisory; empty where nothing stands.
    paths : mapping of str to float
        Chance of each leak path that lube leaves there now.
    pictures : bool
        Whether to return the columns of the plots as well.
    """
    record = Record.of(state)
    listed = series_of(record, spec)
    found = [(one, one.ahead(record.days)) for one in listed]
    used = record.seal_used if record.renewed[1] else None
    return Prognosis(
        spec.id,
        position,
        record.of_s,
        None if math.isnan(record.km_per_day) else round(record.km_per_day, 1),
        [outlook(one, ahead, record) for one, ahead in found],
        life_left(record),
        chances(knowledge, causes, paths, used),
        [picture(one, ahead, record) for one, ahead in found] if pictures else [],
    )


def series_of(record: Record, spec: VehicleSpec) -> list[Series]:
    """Return the quantities that have a limit, each with the limit that it moves towards."""
    return [_height(record, spec), _heat(record, spec), *(_line(record, spec, name) for name in LOGARITHMIC)]


def _height(record: Record, spec: VehicleSpec) -> Series:
    values = record.column("height")
    known = values[~np.isnan(values)]
    tolerance, reject = spec.limit("height_tolerance_mm"), spec.limit("height_reject_mm")
    now = float(np.median(known[-5:])) if len(known) else 0.0
    then = float(np.median(known[:5])) if len(known) else 0.0
    side = 1 if (now if abs(now) > tolerance else now - then) > 0.0 else -1
    beyond = side * now > tolerance
    note = "limit of an inspection" if beyond else "tolerance"
    limit = side * (reject if beyond else tolerance)
    return Series("height", "mm", values, limit, side, note=note, ending=SET_POINT_ENDING_SHARE)


def _heat(record: Record, spec: VehicleSpec) -> Series:
    """Return the excess over the model; its limit is what is left to the fixed limit on the hardest of recent days."""
    expected = record.column("expected-high")[-DUTY_DAYS:]
    known = expected[~np.isnan(expected)]
    limit = spec.limit("lube_limit_cel") - float(np.quantile(known, 0.9)) if len(known) else math.nan
    note = "excess that reaches the limit on a hard day"
    return Series("excess", "K", record.column("excess"), limit, 1, note=note, ending=HEAT_ENDING_SHARE)


def _line(record: Record, spec: VehicleSpec, name: str) -> Series:
    values = record.column(name)
    reference = record.first_of(name)
    limit = reference + math.log(spec.limit("order_ratio_limit"))
    note = "its baseline: its own first week"
    return Series(name, "/", values, limit, 1, logarithmic=True, reference=reference, note=note)


def outlook(series: Series, ahead: Forecast, record: Record) -> Outlook:
    """Return a forecast in units and words."""
    of_s = record.of_s
    days = (ahead.early_days, ahead.middle_days, ahead.late_days)
    if ahead.status not in ("forecast", "passed", "unsure") or of_s is None:
        days = (math.inf, math.inf, math.inf)
    times = [None if of_s is None or math.isinf(each) else round(of_s + each * DAY_S) for each in days]
    pace = record.km_per_day
    ways = [None if math.isinf(each) or math.isnan(pace) else round(each * pace) for each in days]
    level = readable(series, ahead.level)
    slope = ahead.slope_per_day * (level if series.logarithmic and level is not None else 1.0)
    limit = readable(series, series.limit)
    return Outlook(
        quantity=series.quantity,
        title=title_of(series.quantity),
        unit=series.unit,
        status=ahead.status,
        words=_last_day(series, ahead)
        + told(series.quantity, series.unit, series.note, ahead, level, limit, days, ways),
        of_s=of_s,
        level=level,
        slope_per_day=None if math.isnan(slope) else round(slope, 5),
        limit=limit,
        early_s=times[0],
        middle_s=times[1],
        late_s=times[2],
        early_km=ways[0],
        middle_km=ways[1],
        late_km=ways[2],
        days_used=ahead.days_used,
        reaches=None if math.isnan(ahead.reaches) else round(ahead.reaches, 3),
    )


def _last_day(series: Series, ahead: Forecast) -> str:
    """Return a sentence where the last day lies beyond a limit that the trend, which follows no single day, has not.

    Else "as likely before as after 20 weeks" would stand beside an advisory that says: beyond its limit already.
    """
    last = float(series.values[-1]) if len(series.values) else math.nan
    beyond = series.side * (last - series.limit) > 0.0  # NaN is not
    value = readable(series, last)
    if ahead.status == "passed" or not beyond or value is None:
        return ""
    return (
        f"Beyond its limit on the last day ({amount(value, series.unit)}), though the trend over all days, which one "
        "day hardly moves, is short of it; if it stays there, take the limit as reached. "
    )


def readable(series: Series, value: float) -> float | None:
    """Return a value of the fit's scale as a person reads it: vibration as times its own baseline."""
    if math.isnan(value):
        return None
    return round(math.exp(min(value - series.reference, 20.0)) if series.logarithmic else value, 3)


def picture(series: Series, ahead: Forecast, record: Record) -> Picture:
    """Return the columns of a plot: the days seen, and the trend's band to the limit or at most 60 days ahead."""
    if not len(record.days):
        return Picture(series.quantity, title_of(series.quantity), series.unit, None, [], [], [], [], [])
    reach = ahead.late_days if math.isfinite(ahead.late_days) else 60.0
    future = np.linspace(0.0, min(max(reach, 7.0), 90.0), 31) if ahead.ahead is not None else np.empty(0)
    middle, low, high = ahead.band(future)
    nothing: list[float | None] = [None] * len(record.days)

    def column(values: Floats) -> list[float | None]:
        return [readable(series, float(value)) for value in values]

    time_s = [*((record.days + 0.5) * DAY_S).tolist(), *((record.days[-1] + 0.5 + future) * DAY_S).tolist()]
    return Picture(
        series.quantity,
        title_of(series.quantity),
        series.unit,
        readable(series, series.limit),
        time_s,
        [*column(series.values), *([None] * len(future))],
        [*nothing, *column(middle)],
        [*nothing, *column(low)],
        [*nothing, *column(high)],
    )
