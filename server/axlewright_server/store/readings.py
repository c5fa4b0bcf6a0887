"""Read readings: the newest, a trend reduced to so many points, everything of a stretch of time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, text

from axlewright_server.store import blocks, rows
from axlewright_server.store.blocks import DAY_MS, HOUR_MS


@dataclass(frozen=True)
class LatestRow:
    """The newest reading of one axle (position 0: of the vehicle itself); only channels that had a value."""

    vehicle: str
    position: int
    time_ms: int
    values: dict[str, float]


@dataclass(frozen=True)
class Series:
    """A trend: per point its time (middle of the bucket), least, mean, greatest and count; gaps have no point."""

    time_ms: NDArray[np.int64]
    low: NDArray[np.float64]
    mean: NDArray[np.float64]
    high: NDArray[np.float64]
    n: NDArray[np.int64]


@dataclass(frozen=True)
class Columns:
    """Readings in time order: times (n,), positions (n,), values (n, c); `names` has one name per column."""

    time_ms: NDArray[np.int64]
    position: NDArray[np.int64]
    values: NDArray[np.float32]
    names: tuple[str, ...]


def channel_names(connection: Connection) -> dict[int, str]:
    """Return the name of each channel number."""
    return {row[0]: row[1] for row in connection.execute(text("SELECT id, name FROM channel ORDER BY id"))}


def latest(connection: Connection, vehicle: str | None = None) -> list[LatestRow]:
    """Return the newest reading of every axle, of one vehicle or of all, by vehicle and position."""
    names = channel_names(connection)
    where = "" if vehicle is None else "WHERE vehicle = :vehicle "
    found = connection.execute(
        text(
            "SELECT vehicle, position, time_ms, row FROM latest JOIN axle ON axle.id = axle_id "
            f"{where}ORDER BY vehicle, position"
        ),
        {} if vehicle is None else {"vehicle": vehicle},
    )
    result = []
    for row in found:
        values = np.frombuffer(row[3], "<f4")
        present = np.flatnonzero(~np.isnan(values))
        pairs = {names[number]: float(values[number]) for number in present.tolist() if number in names}
        result.append(LatestRow(row[0], row[1], row[2], pairs))
    return result


def span(connection: Connection, vehicle: str) -> tuple[int, int] | None:
    """Return the times of the first hour and of the last reading of a vehicle; None when it has none. [ms]"""
    row = connection.execute(
        text(
            "SELECT MIN(first), MAX(last) FROM (SELECT "
            "(SELECT MIN(hour_ms) FROM block WHERE axle_id = axle.id) AS first, "
            "(SELECT time_ms FROM latest WHERE axle_id = axle.id) AS last FROM axle WHERE vehicle = :vehicle)"
        ),
        {"vehicle": vehicle},
    ).one()
    if row[1] is None:
        return None
    return (row[1] if row[0] is None else min(row[0], row[1])), row[1]


def axle_number(connection: Connection, vehicle: str, position: int) -> int | None:
    """Return the number of an axle in the store; None when nothing of it was ever stored."""
    return connection.execute(
        text("SELECT id FROM axle WHERE vehicle = :vehicle AND position = :position"),
        {"vehicle": vehicle, "position": position},
    ).scalar()


def series(
    connection: Connection,
    vehicle: str,
    position: int,
    channel: str,
    begin_ms: int,
    end_ms: int,
    points: int = 400,
) -> Series:
    """Return the trend of a channel over [begin, end), reduced to at most about `points` points.

    Long stretches come from hourly or daily roll-ups, short ones from the readings themselves; either way least
    and greatest are those of the readings, so that no peak is lost.
    """
    axle = axle_number(connection, vehicle, position)
    number = connection.execute(text("SELECT id FROM channel WHERE name = :name"), {"name": channel}).scalar()
    if axle is None or number is None or end_ms <= begin_ms:
        return _reduce(*_nothing(), begin_ms, 1)
    width = max(1, -(-(end_ms - begin_ms) // max(1, points)))
    parts = [_hot(connection, axle, number, begin_ms, end_ms)]
    if width >= HOUR_MS:
        span_ms = DAY_MS if width >= DAY_MS else HOUR_MS
        parts.append(_rolled(connection, axle, number, span_ms, begin_ms, end_ms))
    else:
        parts.append(_sealed(connection, axle, number, begin_ms, end_ms))
    time_ms, low, high, total, n = (np.concatenate(column) for column in zip(*parts, strict=True))
    return _reduce(time_ms, low, high, total, n, begin_ms, width)


_Parts = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]


def _nothing() -> _Parts:
    none = np.empty(0)
    return np.empty(0, np.int64), none, none, none, np.empty(0, np.int64)


def _single(time_ms: NDArray[np.int64], values: NDArray[np.float32], begin_ms: int, end_ms: int) -> _Parts:
    keep = ~np.isnan(values) & (time_ms >= begin_ms) & (time_ms < end_ms)
    kept = values[keep].astype(np.float64)
    return time_ms[keep], kept, kept, kept, np.ones(len(kept), np.int64)


def _hot(connection: Connection, axle: int, number: int, begin_ms: int, end_ms: int) -> _Parts:
    found = connection.execute(
        text("SELECT time_ms, row FROM reading WHERE time_ms >= :begin AND time_ms < :end AND axle_id = :axle"),
        {"begin": begin_ms, "end": end_ms, "axle": axle},
    ).all()
    if not found:
        return _nothing()
    values = rows.unpack([row[1] for row in found], number + 1)[:, number]
    return _single(np.array([row[0] for row in found], np.int64), values, begin_ms, end_ms)


def _sealed(connection: Connection, axle: int, number: int, begin_ms: int, end_ms: int) -> _Parts:
    found = connection.execute(
        text("SELECT data FROM block WHERE axle_id = :axle AND hour_ms > :begin AND hour_ms < :end ORDER BY hour_ms"),
        {"begin": begin_ms - HOUR_MS, "end": end_ms, "axle": axle},
    )
    times, columns = [], []
    for row in found:
        block = blocks.unpack(row[0])
        column = np.flatnonzero(block.channels == number)
        if len(column):
            times.append(block.time_ms)
            columns.append(block.values[:, column[0]])
    if not times:
        return _nothing()
    return _single(np.concatenate(times), np.concatenate(columns), begin_ms, end_ms)


def _rolled(connection: Connection, axle: int, number: int, span_ms: int, begin_ms: int, end_ms: int) -> _Parts:
    found = connection.execute(
        text(
            "SELECT start_ms, low, high, sum, n FROM rollup WHERE axle_id = :axle AND channel_id = :number "
            "AND span_ms = :span AND start_ms >= :begin AND start_ms < :end"
        ),
        # A bucket counts where it starts; the one that the stretch begins in belongs to it too.
        {"axle": axle, "number": number, "span": span_ms, "begin": begin_ms // span_ms * span_ms, "end": end_ms},
    ).all()
    if not found:
        return _nothing()
    start, low, high, total, n = (np.array(column) for column in zip(*found, strict=True))
    middle = np.maximum(start.astype(np.int64), begin_ms)
    return middle, low.astype(float), high.astype(float), total.astype(float), n.astype(np.int64)


def _reduce(
    time_ms: NDArray[np.int64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    total: NDArray[np.float64],
    n: NDArray[np.int64],
    begin_ms: int,
    width_ms: int,
) -> Series:
    if not len(time_ms):
        return Series(time_ms, low, total, high, n)
    order = np.argsort(time_ms, kind="stable")
    bucket = (time_ms[order] - begin_ms) // width_ms
    starts = np.flatnonzero(np.diff(bucket, prepend=-1))
    counts = np.add.reduceat(n[order], starts)
    alone = np.diff(starts, append=len(bucket)) == 1
    # A bucket with one reading keeps that reading's own time.
    middle = np.where(alone, time_ms[order][starts], begin_ms + bucket[starts] * width_ms + width_ms // 2)
    return Series(
        middle,
        np.minimum.reduceat(low[order], starts),
        np.add.reduceat(total[order], starts) / counts,
        np.maximum.reduceat(high[order], starts),
        counts,
    )


def export(connection: Connection, vehicle: str, begin_ms: int, end_ms: int) -> Iterator[Columns]:
    """Yield every reading of a vehicle in [begin, end), hour by hour, in order of time and position."""
    names = channel_names(connection)
    axles = {
        row[0]: row[1]
        for row in connection.execute(
            text("SELECT id, position FROM axle WHERE vehicle = :vehicle"), {"vehicle": vehicle}
        )
    }
    for hour in _hours(connection, axles, begin_ms, end_ms):
        parts = [part for axle, position in axles.items() for part in _hour(connection, axle, position, hour)]
        if parts:
            yield _columns(parts, names, begin_ms, end_ms)


def _hours(connection: Connection, axles: dict[int, int], begin_ms: int, end_ms: int) -> list[int]:
    scope = {"begin": begin_ms - HOUR_MS, "end": end_ms}
    hours: set[int] = set()
    for axle in axles:
        sealed = text("SELECT hour_ms FROM block WHERE axle_id = :axle AND hour_ms > :begin AND hour_ms < :end")
        hours.update(connection.execute(sealed, scope | {"axle": axle}).scalars())
    hot = text("SELECT DISTINCT time_ms / 3600000 * 3600000 FROM reading WHERE time_ms >= :begin AND time_ms < :end")
    hours.update(connection.execute(hot, {"begin": begin_ms, "end": end_ms}).scalars())
    return sorted(hours)


def _hour(connection: Connection, axle: int, position: int, hour: int) -> Iterator[tuple[int, blocks.Block]]:
    data = connection.execute(
        text("SELECT data FROM block WHERE axle_id = :axle AND hour_ms = :hour"), {"axle": axle, "hour": hour}
    ).scalar()
    sealed = None if data is None else blocks.unpack(data)
    hot = connection.execute(
        text("SELECT time_ms, row FROM reading WHERE time_ms >= :begin AND time_ms < :end AND axle_id = :axle"),
        {"begin": hour, "end": hour + HOUR_MS, "axle": axle},
    ).all()
    if hot:
        values = rows.unpack([row[1] for row in hot])
        times = np.array([row[0] for row in hot], np.int64)
        yield position, blocks.merge(sealed, blocks.Block(times, np.arange(values.shape[1]), values))
    elif sealed is not None:
        yield position, sealed


def _columns(parts: list[tuple[int, blocks.Block]], names: dict[int, str], begin_ms: int, end_ms: int) -> Columns:
    channels = np.array(sorted(names), np.int64)
    time_ms = np.concatenate([block.time_ms for _, block in parts])
    position = np.concatenate([np.full(len(block.time_ms), position) for position, block in parts])
    values = np.full((len(time_ms), len(channels)), np.nan, np.float32)
    row = 0
    for _, block in parts:
        known = np.isin(block.channels, channels)
        columns = np.searchsorted(channels, block.channels[known])
        values[row : row + len(block.time_ms), columns] = block.values[:, known]
        row += len(block.time_ms)
    order = np.lexsort((position, time_ms))
    order = order[(time_ms[order] >= begin_ms) & (time_ms[order] < end_ms)]
    return Columns(time_ms[order], position[order], values[order], tuple(names[number] for number in channels.tolist()))
