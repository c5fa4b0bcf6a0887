"""Forecasts as they would have been told, held against what came.

Every :data:`EVERY_DAYS` each axle's quantities are forecast from the kernel's daily figures. What came is when the
median of five daily figures gets beyond the limit that was meant, on a straight line between the days: as measured, so
that it holds for readings of any origin, and by the rule of the forecast's own draws
(:func:`~axlewright_server.prognosis.passage.passages`). Readings end, and then the truth is known only to come later,
or never. They end for this count also where the truck fails (a simulated one drives on, but nobody would) and where a
repair makes the quantity another part's; what is forecast between a failure and its mending is not counted. Other
forecasts whose truth is not known are not left out, for near limits would be judged more often than far ones, and not
by what is convenient either; :mod:`~axlewright_server.evaluation.calibration` says how they count. :func:`decided`
tells which single ones the readings decide: the table shows these by how they came out, for reading, not for the share.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.shop.service import ServiceEvent
from axlewright_server.detectors.daily import DAY_S, TOUCHES
from axlewright_server.detectors.table import AxleTable
from axlewright_server.evaluation.record import Forecast
from axlewright_server.kernel import Kernel
from axlewright_server.prognosis.outlook import Record, series_of
from axlewright_server.prognosis.passage import passages

EVERY_DAYS = 3
_AROUND_DAYS = 2


@dataclass(frozen=True)
class _Told:
    row: int
    quantity: str
    day: float
    limit: float
    side: int
    early: float
    middle: float
    late: float
    times: NDArray[np.float64]


class ForecastBook:
    """Asks a kernel for forecasts as its readings go by; call it after each day."""

    def __init__(self) -> None:
        self._figures: dict[tuple[int, str], dict[float, float]] = {}
        self._told: list[_Told] = []
        self._latest: dict[int, float] = {}
        self._days = 0

    def __call__(self, kernel: Kernel, time_s: float) -> None:
        """Note each axle's figures of the latest whole day, and every few days what is forecast from them."""
        self._days += 1
        for row in range(len(kernel.table)):
            record = Record.of(kernel.daily(row))
            if not len(record.days):
                continue
            day = float(record.days[-1])
            if day <= self._latest.get(row, -math.inf):
                continue  # nothing new: it has not driven, or is no longer watched
            self._latest[row] = day
            for series in series_of(record, kernel.table.spec_of(row)):
                self._figures.setdefault((row, series.quantity), {})[day] = float(series.values[-1])
                if self._days % EVERY_DAYS:
                    continue
                ahead = series.ahead(record.days)
                if ahead.status == "forecast" and ahead.times is not None:
                    span = (ahead.early_days, ahead.middle_days, ahead.late_days)
                    self._told.append(_Told(row, series.quantity, day, series.limit, series.side, *span, ahead.times))

    def forecasts(
        self,
        table: AxleTable,
        failed_s: Mapping[str, Sequence[tuple[float, float]]] | None = None,
        services: Iterable[ServiceEvent] = (),
    ) -> tuple[Forecast, ...]:
        """Return every forecast with what came.

        Parameters
        ----------
        failed_s : mapping of str to sequence of (float, float), optional
            By truck, from when until when it could not do its work: Unix times, infinity where it was never mended. [s]
        services : iterable of ServiceEvent
            Recorded repairs.
        """
        repairs, found = list(services), []
        for told in self._told:
            made_s, vehicle = (told.day + 1.0) * DAY_S, table.vehicle_id(told.row)
            failed = (failed_s or {}).get(vehicle, ())
            if any(begin_s <= made_s < end_s for begin_s, end_s in failed):
                continue
            here = (0, int(table.position[told.row]))
            ends = [begin_s for begin_s, _ in failed]
            ends += [
                one.time_s
                for one in repairs
                if one.vehicle == vehicle and one.axle in here and one.touched & TOUCHES[told.quantity]
            ]
            found.append(self._held(told, table, min((end for end in ends if end >= made_s), default=math.inf)))
        return tuple(found)

    def _held(self, told: _Told, table: AxleTable, until_s: float) -> Forecast:
        whole = self._figures[told.row, told.quantity]
        figures = {day: figure for day, figure in whole.items() if (day + 1.0) * DAY_S <= until_s}
        truth = crossing(figures, told.day, told.limit, told.side)
        known = [day for day, figure in figures.items() if not math.isnan(figure)]
        watched = max(max(known, default=told.day) - _AROUND_DAYS - told.day, 0.0)
        return Forecast(
            table.vehicle_id(told.row),
            int(table.position[told.row]),
            (told.day + 1.0) * DAY_S,
            told.quantity,
            _within(told.early),
            _within(told.middle),
            _within(told.late),
            None if truth is None else truth - told.day,
            watched,
            chance_by(told.times, watched) if truth is None else chance_at(told.times, truth - told.day),
        )


def chance_by(times: NDArray[np.float64], day: float) -> float:
    """Return the chance that equally likely times give to a passage by a day."""
    return round(float(np.mean(times <= day)), 4)


def chance_at(times: NDArray[np.float64], day: float) -> float:
    """Return the same for the time of the passage itself; where several times are that very one (now), half counts."""
    return round(0.5 * float(np.mean(times < day) + np.mean(times <= day)), 4)


def crossing(figures: dict[float, float], after_day: float, limit: float, side: int) -> float | None:
    """Return when the median of five days around each gets beyond a limit, from a day on, None if it does not.

    Examples
    --------
    >>> crossing({float(day): float(day) for day in range(20)}, after_day=3.0, limit=9.5, side=1)
    9.5
    """
    days = np.array(sorted(figures))
    values = np.array([figures[day] for day in days.tolist()])
    seen, medians = [], []
    for day in days[(days >= after_day) & (days <= days[-1] - _AROUND_DAYS)].tolist():
        around = values[np.abs(days - day) <= _AROUND_DAYS]
        around = around[~np.isnan(around)]
        if len(around):
            seen.append(day)
            medians.append(side * float(np.median(around)))
    found = float(passages(np.array([medians]), np.array(seen), side * limit)[0]) if seen else math.inf
    return found if math.isfinite(found) else None


def decided(one: Forecast) -> bool | None:
    """Return whether the truth lay in the interval, None where the readings end too soon to tell.

    In an open interval lies whatever has not come before its early end.
    """
    early = math.inf if one.early_days is None else one.early_days
    late = math.inf if one.late_days is None else one.late_days
    if one.truth_days is not None:
        return early <= one.truth_days <= late
    if one.late_days is None:
        return True if early < one.watched_days else None
    return False if late <= one.watched_days else None


def _within(days: float) -> float | None:
    """Return days as JSON can keep them: infinity, beyond the horizon, is None."""
    return days if math.isfinite(days) else None
