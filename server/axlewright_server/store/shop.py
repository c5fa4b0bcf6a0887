"""Keep and read what the shop tells: findings on advisories, and repairs."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import msgspec
from sqlalchemy import Connection, Row, or_, select
from sqlalchemy.dialects.sqlite import insert

from axlewright_models.shop.service import ServiceEvent
from axlewright_server.advisories import Advisory, decode_advisory
from axlewright_server.diagnosis.casebook import Found
from axlewright_server.store.database import Store
from axlewright_server.store.schema import ADVISORY, FINDING, SERVICE


@dataclass(frozen=True)
class StoredService:
    """One repair as it was recorded: what was done, by whom, and when it was written down."""

    number: int
    event: ServiceEvent
    recorded_ms: int
    who: str
    note: str


def write_finding(store: Store, found: Found) -> None:
    """Keep a finding (inside a transaction); a repeated one is for the caller to pass over."""
    store.writer.execute(
        FINDING.insert().values(
            advisory_id=found.advisory,
            vehicle=found.vehicle,
            position=found.axle,
            time_ms=_ms(found.time_s),
            check_id=found.check,
            outcome=found.outcome,
            value=found.value if found.value is not None and math.isfinite(found.value) else None,
            unit=found.unit,
            who=found.who,
            note=found.note,
        )
    )


def findings(
    connection: Connection, vehicle: str | None = None, axle: int | None = None, since_ms: int = 0, limit: int = 10_000
) -> list[Found]:
    """Return findings, oldest first."""
    query = select(FINDING).where(FINDING.c.time_ms >= since_ms)
    if vehicle is not None:
        query = query.where(FINDING.c.vehicle == vehicle)
    if axle is not None:
        query = query.where(FINDING.c.position == axle)
    query = query.order_by(FINDING.c.id.desc()).limit(limit)
    return [_found(row) for row in reversed(connection.execute(query).all())]


def _found(row: Row[Any]) -> Found:
    return Found(
        vehicle=row.vehicle,
        axle=row.position,
        check=row.check_id,
        outcome=row.outcome,
        time_s=row.time_ms / 1000.0,
        who=row.who,
        advisory=row.advisory_id,
        value=row.value,
        unit=row.unit,
        note=row.note,
    )


def open_findings(connection: Connection, kept: Iterable[Advisory]) -> list[Found]:
    """Return the findings made on these open advisories or on those whose place they took, oldest first.

    Each is said to be of the open one.
    """
    heir: dict[str, str] = {}
    for advisory in kept:
        name: str | None = advisory.id
        while name and name not in heir:
            heir[name] = advisory.id
            document = connection.execute(select(ADVISORY.c.document).where(ADVISORY.c.id == name)).scalar()
            name = None if document is None else decode_advisory(document).message.supersedes
    query = select(FINDING).where(FINDING.c.advisory_id.in_(list(heir))).order_by(FINDING.c.id)
    return [
        msgspec.structs.replace(found, advisory=heir[found.advisory])
        for found in map(_found, connection.execute(query))
    ]


def write_service(store: Store, event: ServiceEvent, recorded_s: float, who: str, note: str) -> bool:
    """Keep a repair (inside a transaction) and return whether it is new: the same one twice is kept once."""
    statement = insert(SERVICE).values(
        vehicle=event.vehicle,
        position=event.axle,
        time_ms=_ms(event.time_s),
        touched=",".join(sorted(event.touched)),
        recorded_ms=_ms(recorded_s),
        who=who,
        note=note,
    )
    return bool(store.writer.execute(statement.on_conflict_do_nothing()).rowcount)


def services(
    connection: Connection, vehicle: str | None = None, axle: int | None = None, limit: int = 10_000
) -> list[StoredService]:
    """Return repairs, the newest first; with `axle` those of it and of the whole truck."""
    query = select(SERVICE).order_by(SERVICE.c.time_ms.desc(), SERVICE.c.id.desc()).limit(limit)
    if vehicle is not None:
        query = query.where(SERVICE.c.vehicle == vehicle)
    if axle is not None:
        query = query.where(or_(SERVICE.c.position == axle, SERVICE.c.position == 0))
    return [
        StoredService(
            row.id,
            ServiceEvent(row.vehicle, row.position, row.time_ms / 1000.0, frozenset(row.touched.split(","))),
            row.recorded_ms,
            row.who,
            row.note,
        )
        for row in connection.execute(query)
    ]


def _ms(seconds: float) -> int:
    return round(seconds * 1000.0)
