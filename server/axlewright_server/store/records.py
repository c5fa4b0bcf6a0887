"""Keep and read what surrounds the readings: quarantine, status of trucks, high-water marks, detector state."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, func, select

from axlewright_models.wire.messages import Status, decode_message, encode_message
from axlewright_server.store.database import Store
from axlewright_server.store.schema import AXLE, HIGH_WATER, QUARANTINE, STATE, TRUCK_STATUS

# Quarantine is for looking at what goes wrong, not an archive of it.
MOST_QUARANTINED = 10_000
MOST_BYTES_KEPT = 65_536


@dataclass(frozen=True)
class Quarantined:
    """A payload that was not taken, and why; `size` is that of the whole, `payload` at most its first 64 KiB."""

    number: int
    received_ms: int
    topic: str
    kind: str
    reason: str
    size: int
    payload: bytes


@dataclass(frozen=True)
class TruckStatus:
    """What a truck's agent last said of itself."""

    vehicle: str
    received_ms: int
    status: Status


@dataclass(frozen=True)
class HighWater:
    """Up to which frame a truck's stream is committed; `gaps` frames below it never came."""

    vehicle: str
    stream: str
    seq: int
    committed_ms: int
    gaps: int
    thinned: int


def write_quarantine(store: Store, items: Iterable[Quarantined]) -> None:
    """Keep payloads that were not taken (inside a transaction); the oldest beyond the bound go."""
    cursor = store.cursor()
    cursor.executemany(
        "INSERT INTO quarantine (received_ms, topic, kind, reason, size, payload) VALUES (?, ?, ?, ?, ?, ?)",
        [
            (item.received_ms, item.topic[:1000], item.kind, item.reason[:2000], item.size, item.payload)
            for item in items
        ],
    )
    # Numbers only rise and the oldest go first, so the count follows from the greatest number.
    cursor.execute("DELETE FROM quarantine WHERE id <= (SELECT MAX(id) FROM quarantine) - ?", (MOST_QUARANTINED,))


def quarantine(connection: Connection, limit: int = 100, before: int | None = None) -> list[Quarantined]:
    """Return what was put in quarantine, the newest first, from below number `before` on."""
    query = select(QUARANTINE).order_by(QUARANTINE.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(QUARANTINE.c.id < before)
    return [Quarantined(*row) for row in connection.execute(query)]


def quarantine_counts(connection: Connection) -> dict[str, int]:
    """Return how many payloads are in quarantine, by kind of reason."""
    query = select(QUARANTINE.c.kind, func.count()).group_by(QUARANTINE.c.kind)
    return {row[0]: row[1] for row in connection.execute(query)}


def write_statuses(store: Store, statuses: Iterable[TruckStatus]) -> None:
    """Keep the newest status of trucks, of several the last one (inside a transaction)."""
    store.cursor().executemany(
        "INSERT OR REPLACE INTO truck_status (vehicle, received_ms, document) VALUES (?, ?, ?)",
        [(item.vehicle, item.received_ms, encode_message(item.status)) for item in statuses],
    )


def statuses(connection: Connection) -> dict[str, TruckStatus]:
    """Return the newest status of each truck that ever sent one."""
    return {
        row.vehicle: TruckStatus(row.vehicle, row.received_ms, decode_message(row.document, Status))
        for row in connection.execute(select(TRUCK_STATUS))
    }


def write_high_waters(store: Store, marks: Iterable[HighWater]) -> None:
    """Keep how far each stream is committed (inside a transaction)."""
    store.cursor().executemany(
        "INSERT OR REPLACE INTO high_water (vehicle, stream, seq, committed_ms, gaps, thinned) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [(mark.vehicle, mark.stream, mark.seq, mark.committed_ms, mark.gaps, mark.thinned) for mark in marks],
    )


def high_waters(connection: Connection, vehicle: str | None = None) -> list[HighWater]:
    """Return how far each stream is committed, of one truck or of all; the last written first."""
    query = select(HIGH_WATER).order_by(HIGH_WATER.c.committed_ms.desc())
    if vehicle is not None:
        query = query.where(HIGH_WATER.c.vehicle == vehicle)
    return [HighWater(*row) for row in connection.execute(query)]


def write_states(store: Store, states: Iterable[tuple[int, int, bytes]]) -> None:
    """Keep the detectors' memory of axles: axle number, newest time [ms], memory (inside a transaction)."""
    store.cursor().executemany("INSERT OR REPLACE INTO state (axle_id, watermark_ms, blob) VALUES (?, ?, ?)", states)


def write_memory(store: Store, vehicle: str, blobs: Mapping[int, bytes]) -> None:
    """Keep the detectors' memory of a vehicle's axles, by position; their newest times stay (inside a transaction)."""
    store.cursor().executemany(
        "INSERT INTO state (axle_id, watermark_ms, blob) VALUES (?, 0, ?) "
        "ON CONFLICT (axle_id) DO UPDATE SET blob = excluded.blob",
        [(store.axle_id(vehicle, position), blob) for position, blob in blobs.items()],
    )


def memory(connection: Connection, vehicle: str, position: int) -> bytes | None:
    """Return the detectors' memory of one axle, None when it was never heard of."""
    query = select(STATE.c.blob).join(AXLE, AXLE.c.id == STATE.c.axle_id)
    blob: bytes | None = connection.execute(
        query.where(AXLE.c.vehicle == vehicle, AXLE.c.position == position)
    ).scalar()
    return blob


def states(connection: Connection) -> dict[int, bytes]:
    """Return the detectors' memory of every axle, by axle number."""
    return {row[0]: row[1] for row in connection.execute(select(STATE.c.axle_id, STATE.c.blob))}
