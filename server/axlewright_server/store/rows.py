"""Hot rows: how one reading of one axle lies in the table until its hour is sealed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import NAMES
from axlewright_server.store.database import FIRST_EXTRA, Store

WIDTH = len(NAMES)
Values = NDArray[np.float32]


def unpack(blobs: Sequence[bytes], width: int | None = None) -> Values:
    """Return the values of row blobs, shape (n, columns); missing = NaN.

    Rows written before a channel existed are shorter: they are filled up with NaN.

    Examples
    --------
    >>> unpack([np.array([1, 2], "<f4").tobytes(), np.array([3], "<f4").tobytes()])
    array([[ 1.,  2.],
           [ 3., nan]], dtype=float32)
    """
    lengths = np.fromiter((len(blob) // 4 for blob in blobs), np.int64, len(blobs))
    widest = int(lengths.max(initial=0)) if width is None else width
    if len(blobs) and (lengths == widest).all():
        return np.frombuffer(b"".join(blobs), "<f4").reshape(len(blobs), widest).astype(np.float32)
    values = np.full((len(blobs), widest), np.nan, np.float32)
    for number, blob in enumerate(blobs):
        row = np.frombuffer(blob, "<f4")[:widest]
        values[number, : len(row)] = row
    return values


def write_rows(
    store: Store,
    axle_ids: NDArray[np.int64],
    time_ms: NDArray[np.int64],
    values: Values,
    extras: Mapping[int, Mapping[str, float]] | None = None,
) -> None:
    """Write readings into the hot table and renew the newest row of each axle (inside a transaction).

    Parameters
    ----------
    axle_ids, time_ms : shape (n,)
        Whose reading, and when.
    values : shape (n, len(NAMES))
        In the order of the channel table.
    extras : row number -> name -> value
        Channels that the table does not know.
    """
    if not len(axle_ids):
        return
    blobs = pack(values)
    for number, more in (extras or {}).items():
        blobs[number] = _with_extras(store, blobs[number], more)
    rows = list(zip(time_ms.tolist(), axle_ids.tolist(), blobs, strict=True))
    # First come, first kept: what the detectors saw is what stays.
    store.cursor().executemany("INSERT OR IGNORE INTO reading (time_ms, axle_id, row) VALUES (?, ?, ?)", rows)
    _renew_latest(store, rows)


def write_latest(store: Store, axle_ids: NDArray[np.int64], time_ms: NDArray[np.int64], values: Values) -> None:
    """Renew the newest row of each axle only: for readings that go straight into sealed hours."""
    order = np.lexsort((time_ms, axle_ids))
    last = order[np.flatnonzero(np.diff(axle_ids[order], append=-1))]
    _renew_latest(store, list(zip(time_ms[last].tolist(), axle_ids[last].tolist(), pack(values[last]), strict=True)))


def pack(values: Values) -> list[bytes]:
    """Return one blob per row of values."""
    packed = np.ascontiguousarray(values, "<f4")
    buffer, stride = packed.tobytes(), packed.shape[1] * 4
    return [buffer[begin : begin + stride] for begin in range(0, len(buffer), stride)]


def _renew_latest(store: Store, rows: list[tuple[int, int, bytes]]) -> None:
    newest = {row[1]: row for row in sorted(rows, key=_time)}
    store.cursor().executemany(
        "INSERT INTO latest (time_ms, axle_id, row) VALUES (?, ?, ?) ON CONFLICT (axle_id) DO UPDATE "
        "SET time_ms = excluded.time_ms, row = excluded.row WHERE excluded.time_ms >= latest.time_ms",
        list(newest.values()),
    )


def _time(row: tuple[int, int, bytes]) -> int:
    return row[0]


def _with_extras(store: Store, blob: bytes, more: Mapping[str, float]) -> bytes:
    numbered: dict[int, float] = {}
    for name, value in more.items():
        number = store.channel_id(name)
        if number is not None and number < FIRST_EXTRA:
            # A name of the table in a place where it means something else: never in that channel's column.
            number = store.channel_id(f"{name} (as sent)")
        if number is not None:
            numbered[number] = value
    if not numbered:
        return blob
    row = np.full(max(numbered) + 1, np.nan, "<f4")
    row[: len(blob) // 4] = np.frombuffer(blob, "<f4")
    for number, value in numbered.items():
        row[number] = value
    return row.tobytes()
