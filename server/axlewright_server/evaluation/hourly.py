"""Hourly means of raw readings, for the baselines and for plots: what somebody without a model would look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import ENVELOPE_CHANNELS, HIGH, INDEX, LOW, ORDER_CHANNELS
from axlewright_server.detectors.table import AxleTable
from axlewright_server.errors import EvaluationError
from axlewright_server.kernel import Rows

HOUR_S = 3600.0
# A truck below this speed is not driving steadily; its vibration and lube say little. Own choice.
DRIVING_KM_H = 40.0
_OPEN_HOURS = 48
AXLE_CHANNELS: tuple[str, ...] = (
    "lube",
    "height/left",
    "height/right",
    "sump-pressure",
    "lube-level",
    "vib/rms",
    "vib/kurtosis",
    *ORDER_CHANNELS,
    *ENVELOPE_CHANNELS,
)
_COLUMNS = np.array([INDEX[name] for name in AXLE_CHANNELS])
_LUBE, _SPEED, _AMBIENT, _ODOMETER = (INDEX[name] for name in ("lube", "speed", "ambient", "odometer"))


@dataclass(frozen=True)
class Hours:
    """Hourly series of a run: ``begin_s`` of the first hour; arrays by hour.

    ``driving``: (hours, axles, len(AXLE_CHANNELS)) means while driving, NaN without. ``lube_top``: (hours, axles)
    highest lube. ``speed``, ``ambient``, ``odometer``: (hours, vehicles), the last the highest reading.
    """

    begin_s: float
    driving: NDArray[np.float32]
    lube_top: NDArray[np.float32]
    speed: NDArray[np.float32]
    ambient: NDArray[np.float32]
    odometer: NDArray[np.float32]

    @property
    def times_s(self) -> NDArray[np.float64]:
        """Return the end of each hour, Unix time. [s]"""
        return np.asarray(self.begin_s + HOUR_S * np.arange(1, len(self.speed) + 1), dtype=np.float64)


class HourBook:
    """Gathers hourly means from rows as they pass, whatever their order within an hour."""

    def __init__(self, table: AxleTable) -> None:
        self._table = table
        self._hours: dict[int, _Hour] = {}
        self._done: dict[int, tuple[NDArray[np.float32], ...]] = {}

    def take(self, rows: Rows) -> None:
        """Note rows."""
        if not len(rows.time_s):
            return
        # A window belongs to the hour in which it ends; one that ends on the hour to the one before.
        hour = np.ceil(rows.time_s / HOUR_S - 1e-9).astype(np.int64)
        whole = rows.position == 0
        speed_of = _speeds(rows, whole)
        for number in np.unique(hour).tolist():
            mine = hour == number
            if number in self._done:
                raise EvaluationError("readings come two days late; sort them by time")
            if number not in self._hours:
                self._hours[number] = _Hour(len(self._table), len(self._table.vehicles))
            self._hours[number].take(self._table, rows, mine, whole, speed_of)
        # Readings come in order of time: what lies well back is finished, and takes an eighth of the memory so.
        for number in [number for number in self._hours if number < max(self._hours) - _OPEN_HOURS]:
            self._done[number] = self._hours.pop(number).means()

    def hours(self) -> Hours:
        """Return the series so far."""
        if not self._hours:
            empty = np.empty((0, len(self._table)), np.float32)
            cars = np.empty((0, len(self._table.vehicles)), np.float32)
            return Hours(0.0, np.empty((0, len(self._table), len(_COLUMNS)), np.float32), empty, cars, cars, cars)
        means = self._done | {number: hour.means() for number, hour in self._hours.items()}
        first, last = min(means), max(means)
        blank = _Hour(len(self._table), len(self._table.vehicles)).means()
        done = [means.get(number, blank) for number in range(first, last + 1)]
        driving, top, speed, ambient, odometer = (np.stack(part) for part in zip(*done, strict=True))
        return Hours((first - 1) * HOUR_S, driving, top, speed, ambient, odometer)


class _Hour:
    def __init__(self, axles: int, vehicles: int) -> None:
        self.sum = np.zeros((axles, len(_COLUMNS)))
        self.count = np.zeros((axles, len(_COLUMNS)))
        self.top = np.full(axles, -np.inf)
        self.whole_sum = np.zeros((vehicles, 2))
        self.whole_count = np.zeros((vehicles, 2))
        self.odometer = np.full(vehicles, -np.inf)

    def take(
        self,
        table: AxleTable,
        rows: Rows,
        mine: NDArray[np.bool_],
        whole: NDArray[np.bool_],
        speed_of: NDArray[np.float64],
    ) -> None:
        cars = np.flatnonzero(mine & whole)
        vehicle = rows.vehicle[cars]
        for place, column in enumerate((_SPEED, _AMBIENT)):
            values = rows.values[cars, column].astype(np.float64)
            fine = ~np.isnan(values)
            self.whole_sum[:, place] += np.bincount(vehicle[fine], values[fine], len(self.odometer))
            self.whole_count[:, place] += np.bincount(vehicle[fine], minlength=len(self.odometer))
        odometer = rows.values[cars, _ODOMETER].astype(np.float64)
        np.fmax.at(self.odometer, vehicle, odometer)
        axles = np.flatnonzero(mine & ~whole)
        row = _axle_rows(table, rows.vehicle[axles], rows.position[axles])
        axles, row = axles[row >= 0], row[row >= 0]
        np.fmax.at(self.top, row, _plausible(rows.values[axles, _LUBE], _LUBE))
        moving = speed_of[axles] >= DRIVING_KM_H
        row = row[moving]
        values = _plausible(rows.values[np.ix_(axles[moving], _COLUMNS)], _COLUMNS)
        fine = ~np.isnan(values)
        for place in np.flatnonzero(fine.any(axis=0)).tolist():
            good = fine[:, place]
            self.sum[:, place] += np.bincount(row[good], values[good, place], len(self.top))
            self.count[:, place] += np.bincount(row[good], minlength=len(self.top))

    def means(self) -> tuple[NDArray[np.float32], ...]:
        with np.errstate(invalid="ignore"):
            driving = self.sum / self.count
            whole = self.whole_sum / self.whole_count
        top = np.where(np.isinf(self.top), np.nan, self.top)
        odometer = np.where(np.isinf(self.odometer), np.nan, self.odometer)
        parts = (driving, top, whole[:, 0], whole[:, 1], odometer)
        return tuple(part.astype(np.float32) for part in parts)


def _plausible(readings: NDArray[np.float32], columns: int | NDArray[np.int64]) -> NDArray[np.float64]:
    """Return readings of these columns without what lies beyond their limits."""
    values = readings.astype(np.float64)
    return np.where((values < LOW[columns]) | (values > HIGH[columns]), np.nan, values)


def _speeds(rows: Rows, whole: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return for every row its truck's speed in the same window, NaN where it is not told."""
    moment = np.rint(rows.time_s * 1000.0).astype(np.int64)
    key = moment * 65536 + rows.vehicle
    cars = np.flatnonzero(whole)
    order = np.argsort(key[cars], kind="stable")
    known = key[cars][order]
    if not len(known):
        return np.full(len(key), np.nan)
    place = np.minimum(np.searchsorted(known, key), len(known) - 1)
    speed = rows.values[cars[order[place]], _SPEED].astype(np.float64)
    return np.where(known[place] == key, speed, np.nan)


def _axle_rows(table: AxleTable, vehicle: NDArray[np.int64], position: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the axle-table row of each reading, -1 for axles that are not monitored."""
    found = np.full(len(vehicle), -1, dtype=np.int64)
    for number in range(int(table.count.max(initial=0))):
        row = np.minimum(table.first[vehicle] + number, len(table) - 1)
        found[(table.count[vehicle] > number) & (table.position[row] == position)] = row[
            (table.count[vehicle] > number) & (table.position[row] == position)
        ]
    return found
