"""Every table of the store, for queries and for the comparison with the migrations.

The migrations make the tables; a test holds the two against each other. Times are epoch milliseconds
in UTC: SQLite drops time zones. Readings are blobs: SQLite would turn NaN columns into NULL.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Column, Float, ForeignKey, Index, Integer, LargeBinary, MetaData, String, Table, Text
from sqlalchemy import UniqueConstraint as Unique

# Named constraints can be altered by later migrations; SQLite's nameless ones cannot.
NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
METADATA = MetaData(naming_convention=NAMING)


def _key(name: str, kind: type[Integer] | type[String]) -> Column[Any]:
    return Column(name, kind, primary_key=True, nullable=False)


AXLE = Table(
    "axle",
    METADATA,
    _key("id", Integer),
    Column("vehicle", String, nullable=False),
    Column("position", Integer, nullable=False),  # 0 = the vehicle itself, n = axle n from the front
    Unique("vehicle", "position"),
)
# Append-only: a channel's id is its column in row blobs.
CHANNEL = Table("channel", METADATA, _key("id", Integer), Column("name", String, nullable=False, unique=True))

# The newest rows as they came, keyed by time first: a micro-batch then touches few pages.
READING = Table(
    "reading",
    METADATA,
    Column("time_ms", Integer, primary_key=True, nullable=False),
    Column("axle_id", Integer, primary_key=True, nullable=False),
    Column("row", LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)
LATEST = Table(
    "latest",
    METADATA,
    _key("axle_id", Integer),
    Column("time_ms", Integer, nullable=False),
    Column("row", LargeBinary, nullable=False),
)
BLOCK = Table(
    "block",
    METADATA,
    Column("axle_id", Integer, primary_key=True, nullable=False),
    Column("hour_ms", Integer, primary_key=True, nullable=False),
    Column("n", Integer, nullable=False),
    Column("data", LargeBinary, nullable=False),
)
ROLLUP = Table(
    "rollup",
    METADATA,
    Column("axle_id", Integer, primary_key=True, nullable=False),
    Column("channel_id", Integer, primary_key=True, nullable=False),
    Column("span_ms", Integer, primary_key=True, nullable=False),
    Column("start_ms", Integer, primary_key=True, nullable=False),
    Column("n", Integer, nullable=False),
    Column("low", Float, nullable=False),
    Column("high", Float, nullable=False),
    Column("sum", Float, nullable=False),
    sqlite_with_rowid=False,
)
STATE = Table(
    "state",
    METADATA,
    _key("axle_id", Integer),
    Column("watermark_ms", Integer, nullable=False),
    Column("blob", LargeBinary, nullable=False),
)
SYMPTOM = Table(
    "symptom",
    METADATA,
    _key("id", Integer),
    Column("axle_id", Integer, ForeignKey("axle.id"), nullable=False),
    Column("time_ms", Integer, nullable=False),
    Column("code", String, nullable=False),
    Column("channel", String, nullable=False),
    Column("level", Integer, nullable=False),  # 0 cleared, 1 caution, 2 limit
    Column("since_ms", Integer, nullable=False),
    Column("value", Float, nullable=True),  # NULL where the detector has no number to show
    Column("limit_value", Float, nullable=True),
    Column("unit", String, nullable=False),
    Column("score", Float, nullable=True),
    Index(None, "axle_id", "time_ms"),
)
ADVISORY = Table(
    "advisory",
    METADATA,
    _key("id", String),
    Column("vehicle", String, nullable=False),
    Column("position", Integer, nullable=False),
    Column("cause", String, nullable=False),
    Column("state", String, nullable=False),
    Column("urgency", String, nullable=False),
    Column("confidence", Float, nullable=False),
    Column("since_ms", Integer, nullable=False),
    Column("updated_ms", Integer, nullable=False),
    Column("published", Integer, nullable=False),  # 0 until the broker has been handed this form of it
    Column("document", LargeBinary, nullable=False),
    Index(None, "vehicle", "state"),
    Index(None, "updated_ms"),
)
ADVISORY_CHANGE = Table(
    "advisory_change",
    METADATA,
    _key("id", Integer),
    Column("advisory_id", String, ForeignKey("advisory.id"), nullable=False),
    Column("time_ms", Integer, nullable=False),
    Column("who", String, nullable=False),
    Column("action", String, nullable=False),
    Column("state_before", String, nullable=False),
    Column("state_after", String, nullable=False),
    Column("reason", Text, nullable=False),
    Index(None, "advisory_id"),
)
FINDING = Table(
    "finding",
    METADATA,
    _key("id", Integer),
    Column("advisory_id", String, ForeignKey("advisory.id"), nullable=False),
    Column("vehicle", String, nullable=False),
    Column("position", Integer, nullable=False),
    Column("time_ms", Integer, nullable=False),
    Column("check_id", String, nullable=False),
    Column("outcome", String, nullable=False),
    Column("value", Float, nullable=True),  # NULL where nothing was measured
    Column("unit", String, nullable=False),
    Column("who", String, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "vehicle", "position", "time_ms"),
)
SERVICE = Table(
    "service",
    METADATA,
    _key("id", Integer),
    Column("vehicle", String, nullable=False),
    Column("position", Integer, nullable=False),  # 0 = every axle of the truck
    Column("time_ms", Integer, nullable=False),
    Column("touched", String, nullable=False),  # words of models.shop.service, sorted, joined by commas
    Column("recorded_ms", Integer, nullable=False),
    Column("who", String, nullable=False),
    Column("note", Text, nullable=False),
    Unique("vehicle", "position", "time_ms", "touched"),
)
HIGH_WATER = Table(
    "high_water",
    METADATA,
    Column("vehicle", String, primary_key=True, nullable=False),
    Column("stream", String, primary_key=True, nullable=False),
    Column("seq", Integer, nullable=False),
    Column("committed_ms", Integer, nullable=False),
    Column("gaps", Integer, nullable=False),  # frames known to be missing below seq
    Column("thinned", Integer, nullable=False),  # windows that the truck says it dropped when its outbox was full
)
QUARANTINE = Table(
    "quarantine",
    METADATA,
    _key("id", Integer),
    Column("received_ms", Integer, nullable=False),
    Column("topic", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("reason", Text, nullable=False),
    Column("size", Integer, nullable=False),
    Column("payload", LargeBinary, nullable=False),
)
TRUCK_STATUS = Table(
    "truck_status",
    METADATA,
    _key("vehicle", String),
    Column("received_ms", Integer, nullable=False),
    Column("document", LargeBinary, nullable=False),
)
BURST = Table(
    "burst",
    METADATA,
    Column("vehicle", String, primary_key=True, nullable=False),
    Column("command", String, primary_key=True, nullable=False),
    Column("position", Integer, nullable=False),
    Column("received_ms", Integer, nullable=False),
    Column("begin_ms", Integer, nullable=False),
    Column("seconds", Float, nullable=False),
    Column("rate_hz", Float, nullable=False),
    Column("pieces", Integer, nullable=False),  # 0 until the first has come
    Column("got", Integer, nullable=False),
    Column("size", Integer, nullable=False),
    Column("sensors", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("who", String, nullable=False),  # "" where the truck recorded of its own accord
    Column("answer", Text, nullable=False),
    Column("picture", Text, nullable=False),
)
BURST_PIECE = Table(
    "burst_piece",
    METADATA,
    Column("vehicle", String, primary_key=True, nullable=False),
    Column("command", String, primary_key=True, nullable=False),
    Column("piece", Integer, primary_key=True, nullable=False),
    Column("payload", LargeBinary, nullable=False),
)
ACCOUNT = Table(
    "account",
    METADATA,
    _key("name", String),
    Column("password_hash", String, nullable=False),
    Column("created_ms", Integer, nullable=False),
)
