"""Keep and read advisories, every change of them, and the symptoms that they rest on."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import msgspec
from sqlalchemy import Connection, and_, func, select, update
from sqlalchemy.dialects.sqlite import insert

from axlewright_models.wire.messages import AdvisoryMessage
from axlewright_server.advisories import Advisory, ChangeRecord, decode_advisory, encode_advisory
from axlewright_server.kernel import AxleTable, Symptom
from axlewright_server.store.database import Store
from axlewright_server.store.schema import ADVISORY, ADVISORY_CHANGE, AXLE, SYMPTOM

CLOSED = "closed"


@dataclass(frozen=True)
class Change:
    """One change of one advisory: who did what, when and why."""

    number: int
    advisory_id: str
    time_ms: int
    who: str
    action: str
    state_before: str
    state_after: str
    reason: str


@dataclass(frozen=True)
class StoredSymptom:
    """A symptom that began, changed its level or ended (`active` False)."""

    vehicle: str
    position: int
    time_ms: int
    code: str
    channel: str
    level: int
    active: bool
    since_ms: int
    value: float
    limit: float
    unit: str
    score: float

    @property
    def symptom(self) -> Symptom:
        """Return it as its detector told it, the axle's position standing for its row."""
        return Symptom(
            self.position,
            self.time_ms / 1000.0,
            self.code,
            self.channel,
            self.level,
            self.since_ms / 1000.0,
            self.value,
            self.limit,
            self.unit,
            self.score,
        )


def advisories(
    connection: Connection,
    *,
    vehicle: str | None = None,
    states: Collection[str] | None = None,
    open_only: bool = True,
    limit: int = 500,
) -> list[AdvisoryMessage]:
    """Return advisories, the last changed first."""
    query = select(ADVISORY.c.document).order_by(ADVISORY.c.updated_ms.desc(), ADVISORY.c.id).limit(limit)
    if vehicle is not None:
        query = query.where(ADVISORY.c.vehicle == vehicle)
    if states is not None:
        query = query.where(ADVISORY.c.state.in_(list(states)))
    elif open_only:
        query = query.where(ADVISORY.c.state != CLOSED)
    return [decode_advisory(document).message for document in connection.execute(query).scalars()]


def advisory(connection: Connection, advisory_id: str) -> AdvisoryMessage | None:
    """Return an advisory, open or closed; None when there is none of this id."""
    found = kept(connection, advisory_id)
    return None if found is None else found.message


def kept(connection: Connection, advisory_id: str) -> Advisory | None:
    """Return an advisory with what the office keeps beside the message; None when there is none of this id."""
    document = connection.execute(select(ADVISORY.c.document).where(ADVISORY.c.id == advisory_id)).scalar()
    return None if document is None else decode_advisory(document)


def open_on(connection: Connection, vehicle: str, position: int) -> list[Advisory]:
    """Return the open advisories of one axle as the office keeps them, the last changed first."""
    query = select(ADVISORY.c.document).where(
        ADVISORY.c.vehicle == vehicle, ADVISORY.c.position == position, ADVISORY.c.state != CLOSED
    )
    return [
        decode_advisory(document)
        for document in connection.execute(query.order_by(ADVISORY.c.updated_ms.desc())).scalars()
    ]


def open_advisories(connection: Connection) -> list[Advisory]:
    """Return every open advisory as the kernel keeps it, oldest first."""
    query = select(ADVISORY.c.document).where(ADVISORY.c.state != CLOSED).order_by(ADVISORY.c.since_ms, ADVISORY.c.id)
    return [decode_advisory(document) for document in connection.execute(query).scalars()]


def renumbered(kept: Iterable[Advisory], table: AxleTable) -> list[Advisory]:
    """Return advisories with the rows that their axles have in this table; axles no longer in it are left out."""
    found = ((item, table.row(item.message.vehicle, item.message.axle)) for item in kept)
    return [msgspec.structs.replace(item, row=row) for item, row in found if row is not None]


def unpublished(connection: Connection) -> list[AdvisoryMessage]:
    """Return the advisories whose present form the broker has not been handed yet."""
    query = select(ADVISORY.c.document).where(ADVISORY.c.published == 0).order_by(ADVISORY.c.updated_ms)
    return [decode_advisory(document).message for document in connection.execute(query).scalars()]


def mark_published(store: Store, messages: Iterable[AdvisoryMessage]) -> None:
    """Note that the broker has these forms (inside a transaction); a newer form stays to be published."""
    for message in messages:
        same = and_(ADVISORY.c.id == message.id, ADVISORY.c.updated_ms == _ms(message.updated_s))
        same = and_(same, ADVISORY.c.state == message.state)
        store.writer.execute(update(ADVISORY).where(same).values(published=1))


def write_changes(store: Store, changed: Sequence[tuple[Advisory, ChangeRecord]]) -> None:
    """Keep advisories as they now are, and the record of each change (inside a transaction)."""
    if not changed:
        return
    newest = {item.id: item for item, _ in changed}
    for item in newest.values():
        row = _row(item)
        statement = insert(ADVISORY).values(row)
        store.writer.execute(statement.on_conflict_do_update(index_elements=["id"], set_=row))
    store.writer.execute(
        ADVISORY_CHANGE.insert(),
        [
            {
                "advisory_id": record.advisory,
                "time_ms": _ms(record.time_s),
                "who": record.who,
                "action": record.action,
                "state_before": record.from_state,
                "state_after": record.to_state,
                "reason": record.reason,
            }
            for _, record in changed
        ],
    )


def _row(item: Advisory) -> dict[str, object]:
    message = item.message
    return {
        "id": message.id,
        "vehicle": message.vehicle,
        "position": message.axle,
        "cause": message.cause,
        "state": message.state,
        "urgency": message.urgency,
        "confidence": message.confidence,
        "since_ms": _ms(message.since_s),
        "updated_ms": _ms(message.updated_s),
        "published": 0,
        "document": encode_advisory(item),
    }


def changes(connection: Connection, advisory_id: str | None = None, limit: int = 500) -> list[Change]:
    """Return changes of one advisory or of all, the newest first."""
    query = select(ADVISORY_CHANGE).order_by(ADVISORY_CHANGE.c.id.desc()).limit(limit)
    if advisory_id is not None:
        query = query.where(ADVISORY_CHANGE.c.advisory_id == advisory_id)
    return [Change(*row) for row in connection.execute(query)]


def write_symptoms(store: Store, table: AxleTable, found: Sequence[Symptom]) -> None:
    """Keep symptoms (inside a transaction)."""
    store.cursor().executemany(
        "INSERT INTO symptom (axle_id, time_ms, code, channel, level, since_ms, value, limit_value, unit, score) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                store.axle_id(table.vehicle_id(one.axle), int(table.position[one.axle])),
                _ms(one.time_s),
                one.code,
                one.channel,
                int(one.level),
                _ms(one.since_s),
                _number(one.value),
                _number(one.limit),
                one.unit,
                _number(one.score),
            )
            for one in found
        ],
    )


def symptoms(
    connection: Connection,
    vehicle: str | None = None,
    begin_ms: int | None = None,
    end_ms: int | None = None,
    active_only: bool = False,
    limit: int = 1000,
    among_last: int | None = None,
) -> list[StoredSymptom]:
    """Return symptoms, the newest first.

    With `active_only`: those that stand now, that is the last event of each (axle, code, channel) if it is no end.
    With `among_last`: of the last so many kept only, so that years of others cost nothing.
    """
    query = select(
        AXLE.c.vehicle,
        AXLE.c.position,
        *(SYMPTOM.c[name] for name in ("time_ms", "code", "channel", "level", "since_ms", "value")),
        *(SYMPTOM.c[name] for name in ("limit_value", "unit", "score")),
    ).join(AXLE, AXLE.c.id == SYMPTOM.c.axle_id)
    query = query.order_by(SYMPTOM.c.time_ms.desc(), SYMPTOM.c.id.desc()).limit(limit)
    if vehicle is not None:
        query = query.where(AXLE.c.vehicle == vehicle)
    if among_last is not None:
        query = query.where(SYMPTOM.c.id > select(func.max(SYMPTOM.c.id) - among_last).scalar_subquery())
    if begin_ms is not None:
        query = query.where(SYMPTOM.c.time_ms >= begin_ms)
    if end_ms is not None:
        query = query.where(SYMPTOM.c.time_ms < end_ms)
    if active_only:
        last = select(func.max(SYMPTOM.c.id)).group_by(SYMPTOM.c.axle_id, SYMPTOM.c.code, SYMPTOM.c.channel)
        query = query.where(SYMPTOM.c.id.in_(last), SYMPTOM.c.level > 0)
    return [_symptom(*row) for row in connection.execute(query)]


def _symptom(
    vehicle: str,
    position: int,
    time_ms: int,
    code: str,
    channel: str,
    level: int,
    since_ms: int,
    value: float | None,
    limit: float | None,
    unit: str,
    score: float | None,
) -> StoredSymptom:
    numbers = [math.nan if number is None else number for number in (value, limit, score)]
    return StoredSymptom(
        vehicle, position, time_ms, code, channel, level, level > 0, since_ms, numbers[0], numbers[1], unit, numbers[2]
    )


def _ms(seconds: float) -> int:
    return round(seconds * 1000.0)


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
