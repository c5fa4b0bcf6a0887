"""Open the data file: one connection writes, any number read."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import QueuePool, StaticPool

from axlewright_models.signals import NAMES
from axlewright_server.errors import StoreError, make_folder
from axlewright_server.store.migrate import migrate

FILE_NAME = "axlewright.sqlite"
# A channel's number is its column in row blobs. Numbers below this one are for the channel table, which may grow.
FIRST_EXTRA = 128
# An unknown name becomes a channel of its own; a sender that invents names must not widen rows for ever.
MOST_EXTRAS = 128


class Store:
    """The data folder, open.

    ``writer`` belongs to one thread at a time (the pipeline); readers come from :meth:`reader`.
    A lock file keeps a second writer out.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        make_folder(self.folder, StoreError, "--data")
        self.path = self.folder / FILE_NAME
        self._lock = _take_lock(self.folder / "lock")
        self._engine = _writing_engine(self.path)
        self.writer: Connection = self._engine.connect()
        try:
            with self.transaction():
                self.revision = migrate(self.writer)
        except BaseException:
            self._close_writer()
            raise
        self._readers = _reading_engine(self.path)
        self.axle_ids: dict[tuple[str, int], int] = {}
        self.channel_ids: dict[str, int] = {}
        with self.transaction():
            self._number_channels()
        self.reload()

    def reload(self) -> None:
        """Read the numbers of axles and channels again, after a transaction was rolled back."""
        cursor = self.cursor()
        self.axle_ids = {(row[1], row[2]): row[0] for row in cursor.execute("SELECT id, vehicle, position FROM axle")}
        self.channel_ids = {row[1]: row[0] for row in cursor.execute("SELECT id, name FROM channel ORDER BY id")}

    def _number_channels(self) -> None:
        cursor = self.cursor()
        known = {row[1]: row[0] for row in cursor.execute("SELECT id, name FROM channel")}
        for number, name in enumerate(NAMES):
            if known.get(name, -1) >= FIRST_EXTRA:  # came as an unknown name before this release knew it
                cursor.execute("UPDATE channel SET name = ? WHERE name = ?", (f"{name} (before it was known)", name))
                known.pop(name)
            if name not in known:
                cursor.execute("INSERT INTO channel (id, name) VALUES (?, ?)", (number, name))

    def cursor(self) -> sqlite3.Cursor:
        """Return a raw cursor on the writer's connection: inside its transaction, without SQLAlchemy's cost."""
        raw = self.writer.connection.driver_connection
        assert isinstance(raw, sqlite3.Connection)
        return raw.cursor()

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """Commit what the block writes as one, or none of it."""
        with self.writer.begin():
            yield self.writer

    @contextmanager
    def reader(self) -> Iterator[Connection]:
        """Lend a read-only connection that sees one moment; keep it short."""
        with self._readers.connect() as connection, connection.begin():
            yield connection

    def axle_id(self, vehicle: str, position: int) -> int:
        """Return the number of an axle, numbering it now if it is new (inside a transaction)."""
        key = (vehicle, position)
        found = self.axle_ids.get(key)
        if found is None:
            cursor = self.cursor().execute("INSERT INTO axle (vehicle, position) VALUES (?, ?)", key)
            found = self.axle_ids[key] = int(cursor.lastrowid or 0)
        return found

    def channel_id(self, name: str) -> int | None:
        """Return the number of a channel, numbering it now if it is new; None when there are too many."""
        found = self.channel_ids.get(name)
        if found is None:
            found = max(FIRST_EXTRA, 1 + max(self.channel_ids.values()))
            if found >= FIRST_EXTRA + MOST_EXTRAS:
                return None
            self.channel_ids[name] = found
            self.cursor().execute("INSERT INTO channel (id, name) VALUES (?, ?)", (found, name))
        return found

    def close(self) -> None:
        """Close every connection and let go of the lock; safe to call twice."""
        if self._lock is not None:
            self._readers.dispose()
            self._close_writer()

    def _close_writer(self) -> None:
        self.writer.close()
        self._engine.dispose()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None


def _take_lock(path: Path) -> int | None:
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise StoreError(
            f"{path.parent} is in use by another axlewright process; stop that one, or give another folder with --data"
        ) from None
    return handle


def _connect_to(path: Path, mode: str) -> sqlite3.Connection:
    # Every connection is used by one thread at a time, but not always by the thread that made it.
    return sqlite3.connect(f"file:{quote(str(path))}?mode={mode}", uri=True, timeout=10.0, check_same_thread=False)


def _writing_engine(path: Path) -> Engine:
    engine = create_engine("sqlite://", poolclass=StaticPool, creator=lambda: _connect_to(path, "rwc"))

    @event.listens_for(engine, "connect")
    def _connect(raw: sqlite3.Connection, _record: Any) -> None:
        raw.isolation_level = None  # sqlite3 must not begin or commit behind our back
        raw.execute("PRAGMA journal_mode=WAL")
        raw.execute("PRAGMA synchronous=FULL")
        raw.execute("PRAGMA foreign_keys=ON")
        raw.execute("PRAGMA wal_autocheckpoint=4000")
        raw.execute("PRAGMA cache_size=-65536")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def _reading_engine(path: Path) -> Engine:
    engine = create_engine(
        "sqlite://", poolclass=QueuePool, pool_size=8, max_overflow=24, creator=lambda: _connect_to(path, "ro")
    )

    @event.listens_for(engine, "connect")
    def _connect(raw: sqlite3.Connection, _record: Any) -> None:
        raw.isolation_level = None
        raw.execute("PRAGMA query_only=ON")
        raw.execute("PRAGMA cache_size=-16384")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN")

    return engine
