"""Batches: windows of many vehicles as columns, every axle at most once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import CHANNELS, HIGH, INDEX, IS_AXLE, LOW
from axlewright_server.detectors.table import AxleTable

_DERIVED = np.array([channel.derived for channel in CHANNELS])
_FROM_AXLE = IS_AXLE & ~_DERIVED
_FROM_VEHICLE = ~IS_AXLE & ~_DERIVED


@dataclass(frozen=True)
class Batch:
    """Readings of axles, each at most once.

    ``axles``: (n,) rows of the axle table. ``time_s``: (n,) end of each axle's window, Unix seconds.
    ``values``: (n, channels) in the units and order of ``models.signals.CHANNELS``, vehicle channels merged in,
    NaN where missing or implausible. ``raw``: the same before implausible values were taken out.
    ``dt_s``: (n,) time since the axle's window before, 0 for its first; ``suspect``: (n,) whether a symptom stood on
    the axle after that window, so that nothing must be learnt as normal. The kernel fills both in.
    """

    axles: NDArray[np.int64]
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]
    raw: NDArray[np.float64]
    dt_s: NDArray[np.float64]
    suspect: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.axles)

    def take(self, rows: NDArray[np.int64]) -> Batch:
        """Return the batch of the chosen rows only; `rows` ascend."""
        if len(rows) == len(self):
            return self
        return Batch(
            self.axles[rows],
            self.time_s[rows],
            self.values[rows],
            self.raw[rows],
            self.dt_s[rows],
            self.suspect[rows],
        )

    def partners(self, table: AxleTable) -> NDArray[np.int64]:
        """Return where in this batch each axle's tandem partner stands at the same time, -1 if nowhere."""
        place = np.full(len(table) + 1, -1, dtype=np.int64)
        place[self.axles] = np.arange(len(self))
        # Row -1 (no partner) reads the spare last place, which stays -1.
        partner = place[table.partner[self.axles]]
        return np.where(self.time_s[partner] == self.time_s, partner, -1)

    def column(self, channel: str) -> NDArray[np.float64]:
        """Return one channel, (n,), as a contiguous copy."""
        return np.ascontiguousarray(self.values[:, INDEX[channel]])


@dataclass(frozen=True)
class Rows:
    """Decoded readings, one row per vehicle (position 0) or axle and window, in any order.

    ``vehicle``: (m,) number in the table's ``vehicles``. ``time_s``: (m,). ``position``: (m,).
    ``values``: (m, channels) float32, NaN = missing.
    """

    vehicle: NDArray[np.int64]
    time_s: NDArray[np.float64]
    position: NDArray[np.int64]
    values: NDArray[np.float32]


class DecodedLike(Protocol):
    """What a decoded frame offers."""

    @property
    def vehicle(self) -> str:
        """Return the vehicle's id."""
        ...

    @property
    def rows(self) -> tuple[tuple[float, int], ...]:
        """Return the time and position of each row of values."""
        ...

    @property
    def values(self) -> NDArray[np.float32]:
        """Return the values, (rows, channels)."""
        ...


def rows_of(table: AxleTable, frames: Iterable[DecodedLike]) -> Rows:
    """Return the rows of decoded frames; frames of vehicles that the fleet file lacks are left out."""
    vehicle: list[int] = []
    keys: list[tuple[float, int]] = []
    blocks: list[NDArray[np.float32]] = []
    for frame in frames:
        number = table.number(frame.vehicle)
        if number is None or not frame.rows:
            continue
        vehicle.extend([number] * len(frame.rows))
        keys.extend(frame.rows)
        blocks.append(frame.values)
    values = np.concatenate(blocks) if blocks else np.empty((0, len(LOW)), dtype=np.float32)
    return Rows(
        np.array(vehicle, dtype=np.int64),
        np.array([time_s for time_s, _ in keys], dtype=np.float64),
        np.array([position for _, position in keys], dtype=np.int64),
        values,
    )


def rounds(table: AxleTable, rows: Rows) -> Iterator[Batch]:
    """Split rows into batches in which every axle appears at most once, each vehicle in its own time order.

    Every window of a vehicle yields a row for each of its monitored axles, also for one that sent nothing: silence is
    a finding. All rows of one window (vehicle and time) must be handed over in one call, as a frame does.
    Times are rounded to the millisecond, as the store keeps them.
    """
    if not len(rows.time_s):
        return
    milliseconds = np.rint(rows.time_s * 1000.0).astype(np.int64)
    order = np.lexsort((milliseconds, rows.vehicle))
    vehicle, time_ms = rows.vehicle[order], milliseconds[order]
    fresh = np.ones(len(order), dtype=bool)
    fresh[1:] = (vehicle[1:] != vehicle[:-1]) | (time_ms[1:] != time_ms[:-1])
    window = np.cumsum(fresh) - 1
    starts = np.flatnonzero(fresh)
    window_vehicle, window_ms = vehicle[starts], time_ms[starts]
    counts = table.count[window_vehicle]
    begin = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    out_window = np.repeat(np.arange(len(window_vehicle), dtype=np.int64), counts)
    out_axle = table.first[window_vehicle][out_window] + np.arange(len(out_window)) - begin[out_window]
    raw_of = _sources(table, rows, order, window, window_vehicle, out_window, begin)
    turn = _turn(window_vehicle)[out_window]
    by_turn = np.argsort(turn, kind="stable")
    bounds = np.flatnonzero(np.diff(turn[by_turn])) + 1
    for chosen in np.split(by_turn, bounds):
        if len(chosen):
            yield _batch(out_axle[chosen], window_ms[out_window[chosen]], raw_of(chosen))


def _sources(
    table: AxleTable,
    rows: Rows,
    order: NDArray[np.int64],
    window: NDArray[np.int64],
    window_vehicle: NDArray[np.int64],
    out_window: NDArray[np.int64],
    begin: NDArray[np.int64],
) -> Callable[[NDArray[np.int64]], NDArray[np.float64]]:
    """Return what gives the readings of some of the windows' axles: one row per window and monitored axle."""
    position = rows.position[order]
    whole = np.flatnonzero(position == 0)
    slot = _slots(table, window_vehicle[window], position)
    axle = np.flatnonzero(slot >= 0)
    place = begin[window[axle]] + slot[axle]
    of_vehicle = np.full(len(window_vehicle), -1, dtype=np.int64)
    of_vehicle[window[whole]] = order[whole]
    of_axle = np.full(len(out_window), -1, dtype=np.int64)
    of_axle[place] = order[axle]
    if np.count_nonzero(of_vehicle >= 0) < len(whole) or np.count_nonzero(of_axle >= 0) < len(axle):
        merged = _merge(rows.values[order], (whole, window[whole]), (axle, place), out_window, len(window_vehicle))
        return lambda chosen: merged[chosen]
    of_vehicle = of_vehicle[out_window]
    return lambda chosen: _gathered(rows.values, of_axle[chosen], of_vehicle[chosen])


def _gathered(
    values: NDArray[np.float32], of_axle: NDArray[np.int64], of_vehicle: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return an axle's channels from one row and its vehicle's from another, NaN where a row is missing (-1)."""
    raw = np.where(_FROM_AXLE, values.take(of_axle, axis=0, mode="wrap"), values.take(of_vehicle, axis=0, mode="wrap"))
    raw[:, _DERIVED] = np.nan
    for source, columns in ((of_axle, _FROM_AXLE), (of_vehicle, _FROM_VEHICLE)):
        missing = np.flatnonzero(source < 0)
        if len(missing):
            raw[np.ix_(missing, columns)] = np.nan
    return raw.astype(np.float64)


def _merge(
    values: NDArray[np.float32],
    whole: tuple[NDArray[np.int64], NDArray[np.int64]],
    axle: tuple[NDArray[np.int64], NDArray[np.int64]],
    out_window: NDArray[np.int64],
    windows: int,
) -> NDArray[np.float64]:
    """Return one merged row per window and monitored axle where some came twice; see :func:`_overlay`."""
    merged = np.full((len(out_window), values.shape[1]), np.nan)
    vehicle_part = np.full((windows, values.shape[1]), np.nan)
    _overlay(vehicle_part, whole[1], values[whole[0]], _FROM_VEHICLE)
    _overlay(merged, axle[1], values[axle[0]], _FROM_AXLE)
    merged[:, _FROM_VEHICLE] = vehicle_part[out_window][:, _FROM_VEHICLE]
    return merged


def _slots(table: AxleTable, vehicle: NDArray[np.int64], position: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return which of its vehicle's monitored axles a row speaks of, -1 for none."""
    slot = np.full(len(vehicle), -1, dtype=np.int64)
    for number in range(int(table.count.max(initial=0))):
        has = table.count[vehicle] > number
        row = np.minimum(table.first[vehicle] + number, len(table) - 1)
        slot[has & (table.position[row] == position)] = number
    return slot


def _overlay(
    target: NDArray[np.float64], index: NDArray[np.int64], values: NDArray[np.float32], columns: NDArray[np.bool_]
) -> None:
    """Write rows over `target`; where a window came twice, the later one's values win and gaps are kept filled."""
    if len(index) == len(np.unique(index)):
        target[np.ix_(index, columns)] = values[:, columns]
        return
    wanted = columns & ~np.isnan(values)
    for row, line, mask in zip(index, values, wanted, strict=True):
        target[row, mask] = line[mask]


def _turn(window_vehicle: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return how many windows of the same vehicle come before each window (sorted by vehicle)."""
    number = np.arange(len(window_vehicle), dtype=np.int64)
    fresh = np.ones(len(window_vehicle), dtype=bool)
    fresh[1:] = window_vehicle[1:] != window_vehicle[:-1]
    return number - np.maximum.accumulate(np.where(fresh, number, 0))


def _batch(axles: NDArray[np.int64], time_ms: NDArray[np.int64], raw: NDArray[np.float64]) -> Batch:
    values = raw.copy()
    np.copyto(values, np.nan, where=(raw < LOW) | (raw > HIGH))
    return Batch(axles, time_ms / 1000.0, values, raw, np.zeros(len(axles)), np.zeros(len(axles), dtype=bool))
