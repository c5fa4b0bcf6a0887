"""Move hot rows into sealed hours, roll them up, and forget what is older than the retention rule says."""

from __future__ import annotations

import logging
import struct
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_server.store import blocks, rows
from axlewright_server.store.blocks import DAY_MS, HOUR_MS, Block
from axlewright_server.store.database import Store

_LOG = logging.getLogger(__name__)
_UNREADABLE = (ValueError, zlib.error, struct.error)
# A row stays hot this long; the table then holds 10 to 20 minutes when sealing runs every 10.
HOT_MS = 600_000
# So many axles per transaction: about 50 ms, so that frames do not wait behind a whole fleet's sealing.
AXLES_AT_ONCE = 40


def seal(store: Store, cut_ms: int) -> Iterator[int]:
    """Seal every hot row older than `cut_ms`, a few axles per step; each step is one transaction.

    Late rows reopen their hour: it is merged and its roll-ups are made anew from the whole, so that nothing is
    counted twice. Yields the number of rows sealed in each step; the caller may do other work between.
    """
    found = store.cursor().execute("SELECT DISTINCT axle_id FROM reading WHERE time_ms < ?", (cut_ms,))
    axles = sorted(row[0] for row in found)
    for begin in range(0, len(axles), AXLES_AT_ONCE):
        some = axles[begin : begin + AXLES_AT_ONCE]
        try:
            with store.transaction():
                sealed = _seal_axles(store, cut_ms, some[0], some[-1])
        except _UNREADABLE:
            sealed = sum(_seal_alone(store, cut_ms, axle) for axle in some)
        yield sealed


def _seal_alone(store: Store, cut_ms: int, axle: int) -> int:
    """Seal one axle; one whose sealed hours cannot be read keeps its rows hot and does not hold up the others."""
    try:
        with store.transaction():
            return _seal_axles(store, cut_ms, axle, axle)
    except _UNREADABLE as error:
        _LOG.error("axle %d keeps its rows unsealed: a sealed hour of it cannot be read (%s)", axle, error)
        return 0


def _seal_axles(store: Store, cut_ms: int, first: int, last: int) -> int:
    scope = (cut_ms, first, last)
    cursor = store.cursor().execute(
        "SELECT axle_id, time_ms, row FROM reading WHERE time_ms < ? AND axle_id BETWEEN ? AND ?", scope
    )
    found = cursor.fetchall()
    if found:
        axle_ids = np.fromiter((row[0] for row in found), np.int64, len(found))
        times = np.fromiter((row[1] for row in found), np.int64, len(found))
        write_hours(store, axle_ids, times, rows.unpack([row[2] for row in found]))
        cursor.execute("DELETE FROM reading WHERE time_ms < ? AND axle_id BETWEEN ? AND ?", scope)
    return len(found)


def write_hours(
    store: Store, axle_ids: NDArray[np.int64], time_ms: NDArray[np.int64], values: NDArray[np.float32]
) -> None:
    """Merge readings into their sealed hours and make the roll-ups anew (inside a transaction).

    Parameters
    ----------
    axle_ids, time_ms : shape (n,)
        Whose reading, and when; any order.
    values : shape (n, c)
        Columns by channel number.
    """
    hours = time_ms // HOUR_MS * HOUR_MS
    order = np.lexsort((time_ms, hours, axle_ids))
    keys = np.stack([axle_ids[order], hours[order]])
    begins = np.flatnonzero(np.any(np.diff(keys, axis=1, prepend=-1) != 0, axis=0))
    channels = np.arange(values.shape[1])
    days: set[tuple[int, int]] = set()
    for part in np.split(order, begins[1:]):
        axle, hour = int(axle_ids[part[0]]), int(hours[part[0]])
        _write_hour(store, axle, hour, Block(time_ms[part], channels, values[part]))
        days.add((axle, hour // DAY_MS * DAY_MS))
    roll_up_days(store, days)


def _write_hour(store: Store, axle: int, hour: int, added: Block) -> None:
    cursor = store.cursor()
    found = cursor.execute("SELECT data FROM block WHERE axle_id = ? AND hour_ms = ?", (axle, hour)).fetchone()
    block = blocks.merge(None if found is None else blocks.unpack(found[0]), added)
    cursor.execute(
        "INSERT OR REPLACE INTO block (axle_id, hour_ms, n, data) VALUES (?, ?, ?, ?)",
        (axle, hour, len(block.time_ms), blocks.pack(block)),
    )
    sums = blocks.roll_up(block)
    columns = (sums.channels, sums.n, sums.low, sums.high, sums.total)
    cursor.executemany(
        f"INSERT OR REPLACE INTO rollup (axle_id, span_ms, start_ms, channel_id, n, low, high, sum) "
        f"VALUES ({axle}, {HOUR_MS}, {hour}, ?, ?, ?, ?, ?)",
        list(zip(*(column.tolist() for column in columns), strict=True)),
    )


def roll_up_days(store: Store, days: Iterable[tuple[int, int]]) -> None:
    """Make the daily roll-ups of these (axle number, day) anew from the hourly ones (inside a transaction)."""
    store.cursor().executemany(
        f"INSERT OR REPLACE INTO rollup (axle_id, channel_id, span_ms, start_ms, n, low, high, sum) "
        f"SELECT axle_id, channel_id, {DAY_MS}, :day, SUM(n), MIN(low), MAX(high), SUM(sum) FROM rollup "
        f"WHERE axle_id = :axle AND span_ms = {HOUR_MS} AND start_ms >= :day AND start_ms < :day + {DAY_MS} "
        "GROUP BY channel_id",
        [{"axle": axle, "day": day} for axle, day in sorted(days)],
    )


@dataclass(frozen=True)
class Retention:
    """How long things are kept. [days]

    Readings themselves, their hourly and daily roll-ups, symptoms, and quarantined payloads. Advisories and
    their changes are a record of decisions and stay.
    """

    readings_days: float = 400.0
    hourly_days: float = 1200.0
    daily_days: float = 3650.0
    symptoms_days: float = 1200.0
    quarantine_days: float = 90.0


def retain(store: Store, rule: Retention, now_ms: int) -> int:
    """Delete what is older than the rule allows (inside a transaction) and return the number of rows deleted."""

    def before(days: float) -> int:
        return now_ms - int(days * DAY_MS)

    cursor, deleted = store.cursor(), 0
    for statement, cut in (
        ("DELETE FROM reading WHERE time_ms < ?", before(rule.readings_days)),
        (f"DELETE FROM block WHERE hour_ms + {HOUR_MS} <= ?", before(rule.readings_days)),
        (f"DELETE FROM rollup WHERE span_ms = {HOUR_MS} AND start_ms + {HOUR_MS} <= ?", before(rule.hourly_days)),
        (f"DELETE FROM rollup WHERE span_ms = {DAY_MS} AND start_ms + {DAY_MS} <= ?", before(rule.daily_days)),
        ("DELETE FROM symptom WHERE time_ms < ?", before(rule.symptoms_days)),
        ("DELETE FROM quarantine WHERE received_ms < ?", before(rule.quarantine_days)),
    ):
        deleted += cursor.execute(statement, (cut,)).rowcount
    return deleted
