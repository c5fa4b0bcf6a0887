"""Bursts that wait to be sent: on disk, bounded, each piece until the broker has confirmed it.

One SQLite file beside the outbox, made when the first burst is recorded.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from axlewright_edge.errors import OutboxDamaged, OutboxError
from axlewright_edge.outbox_file import move_damaged, open_database, outbox_error

LOGGER = logging.getLogger(__name__)
# So many names of bursts are remembered, so that a command that comes twice is obeyed once.
MOST_REMEMBERED = 500
_SCHEMA = """
CREATE TABLE IF NOT EXISTS burst (name TEXT PRIMARY KEY, made_s REAL NOT NULL, pieces INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS piece (id INTEGER PRIMARY KEY, name TEXT NOT NULL, payload BLOB NOT NULL);
"""


class BurstBox:
    """Pieces in the order in which they were made.

    Any thread may call; one call at a time is served.

    Parameters
    ----------
    path : Path
        The file; made with the first burst.
    max_bytes : int
        Of all pieces that wait.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     box = BurstBox(Path(folder) / "bursts.sqlite", 1000)
    ...     box.put("c-1", [b"one", b"two"], made_s=1.7e9)
    ...     waiting = box.pieces(after=0, limit=10)
    ...     box.free(waiting[0][0])
    ...     box.close()
    >>> waiting, box.known("c-1")
    ([(1, 'c-1', b'one'), (2, 'c-1', b'two')], True)
    """

    def __init__(self, path: Path, max_bytes: int) -> None:
        self._path = path
        self._max_bytes = max_bytes
        self._lock = threading.RLock()
        self._connection: sqlite3.Connection | None = None
        self._names: dict[str, float] = {}
        self._waiting_bytes = 0
        self.waiting = 0
        if path.exists():
            self._open()

    @property
    def waiting_bytes(self) -> int:
        """Return how many bytes wait."""
        return self._waiting_bytes

    def known(self, name: str) -> bool:
        """Return whether a burst of this name was made before."""
        return name in self._names

    def made_since(self, prefix: str, since_s: float) -> int:
        """Return how many bursts whose names begin so were made since a Unix time."""
        with self._lock:
            return sum(name.startswith(prefix) and made_s >= since_s for name, made_s in self._names.items())

    def put(self, name: str, payloads: Sequence[bytes], made_s: float) -> None:
        """Keep a burst until it is sent; what this returned from survives a power cut.

        Raises
        ------
        OutboxError
            There is no room, or the disk does not take it; nothing is kept then.
        """
        size = sum(len(payload) for payload in payloads)
        if self._waiting_bytes + size > self._max_bytes:
            raise OutboxError(
                f"no room: {self._waiting_bytes} bytes of bursts wait, this one has {size}, {self._max_bytes} may wait"
            )
        with self._lock:
            with self._transaction() as connection:
                connection.execute("INSERT INTO burst VALUES (?, ?, ?)", (name, made_s, len(payloads)))
                connection.executemany(
                    "INSERT INTO piece (name, payload) VALUES (?, ?)", [(name, payload) for payload in payloads]
                )
                connection.execute(
                    "DELETE FROM burst WHERE name IN (SELECT name FROM burst ORDER BY made_s DESC LIMIT -1 OFFSET ?)",
                    (MOST_REMEMBERED,),
                )
            self._names[name] = made_s
            self._waiting_bytes += size
            self.waiting += len(payloads)

    def pieces(self, after: int, limit: int) -> list[tuple[int, str, bytes]]:
        """Return up to `limit` pieces beyond a number, in order: number, name of the burst, payload."""
        if not self.waiting:
            return []
        with self._transaction() as connection:
            return connection.execute(
                "SELECT id, name, payload FROM piece WHERE id > ? ORDER BY id LIMIT ?", (after, limit)
            ).fetchall()

    def free(self, number: int) -> None:
        """Forget a piece: the broker has it."""
        with self._lock:
            with self._transaction() as connection:
                row = connection.execute("SELECT length(payload) FROM piece WHERE id = ?", (number,)).fetchone()
                connection.execute("DELETE FROM piece WHERE id = ?", (number,))
            if row is not None:
                self._waiting_bytes -= row[0]
                self.waiting -= 1

    def drop(self, name: str) -> None:
        """Give a whole burst up; it stays known."""
        with self._lock:
            with self._transaction() as connection:
                count, size = connection.execute(
                    "SELECT count(*), total(length(payload)) FROM piece WHERE name = ?", (name,)
                ).fetchone()
                connection.execute("DELETE FROM piece WHERE name = ?", (name,))
            self.waiting -= count
            self._waiting_bytes -= int(size)

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            if self._connection is not None:
                self._connection.close()
                self._connection = None

    def _open(self) -> sqlite3.Connection:
        try:
            self._connection = self._prepared()
        except OutboxDamaged as error:
            aside = move_damaged(self._path)
            LOGGER.error("%s; moved to %s, its bursts are lost", error, aside)
            self._connection = self._prepared()
        return self._connection

    def _prepared(self) -> sqlite3.Connection:
        connection = open_database(self._path)
        try:
            (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
            if found != "ok":
                raise OutboxDamaged(f"{self._path}: {found}")
            connection.executescript(_SCHEMA)
            self._names = dict(connection.execute("SELECT name, made_s FROM burst").fetchall())
            self.waiting, total = connection.execute("SELECT count(*), total(length(payload)) FROM piece").fetchone()
            self._waiting_bytes = int(total)
        except (sqlite3.Error, OutboxDamaged) as error:
            connection.close()
            raise outbox_error(self._path, error) if isinstance(error, sqlite3.Error) else error from error
        return connection

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            connection = self._connection or self._open()
            try:
                connection.execute("BEGIN IMMEDIATE")
                yield connection
                connection.execute("COMMIT")
            except sqlite3.Error as error:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                told = outbox_error(self._path, error)
                if isinstance(told, OutboxDamaged):
                    # Looked at again at the next call, which moves it aside.
                    self.close()
                raise told from error
