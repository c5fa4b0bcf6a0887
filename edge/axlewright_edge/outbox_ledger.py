"""The outbox's rows and its books: frames in and out of the tables, the counters beside them, bounds, transactions."""

from __future__ import annotations

import secrets
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from axlewright_edge.errors import OutboxDamaged, OutboxError
from axlewright_edge.outbox_dates import SCHEMA as DATES_SCHEMA
from axlewright_edge.outbox_dates import Dates
from axlewright_edge.outbox_file import open_database, outbox_error
from axlewright_edge.thinning import Held, thin

FORMAT = 2
# Format 1 had no check sums in its rows and no notes about undated frames; it is read and goes on as format 2.
_READABLE_FORMATS = (1, 2)
# A row's own cost beside its body (key, counts), estimated, so that the bound in bytes is near the file's size.
ROW_BYTES = 24
_SCHEMA = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS frame (
    seq INTEGER PRIMARY KEY, windows INTEGER NOT NULL, thinned INTEGER NOT NULL, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS set_aside (seq INTEGER PRIMARY KEY, reason TEXT NOT NULL, body BLOB NOT NULL);
"""


@dataclass(frozen=True)
class Bounds:
    """How much the outbox may hold, and how it thins when that is not enough."""

    frames: int = 200_000
    size_bytes: int = 256 * 1024 * 1024
    keep_one_in: int = 2


class Ledger:
    """The file under an :class:`~axlewright_edge.outbox.Outbox`: what its tables hold, and counters that agree with it.

    Whoever calls a method here holds the guard, and a transaction where rows change.

    Parameters
    ----------
    path : Path
        The file; made when it is missing.
    bounds : Bounds
        How much to hold.
    boot : str
        Which run of the machine this is.
    """

    _connection: sqlite3.Connection
    _dates: Dates

    def __init__(self, path: Path, bounds: Bounds, boot: str) -> None:
        self.path = path
        self.bounds = bounds
        self.damaged = False
        self.stream = ""
        self._boot = boot
        self._lock = threading.RLock()
        self._last_seq = self._acked = self._thinned = self._set_aside = self._rows = self._size_bytes = 0
        self._handed_out = 0
        self._waiting_from: int | None = None

    def _connect(self) -> None:
        self._connection = open_database(self.path)
        self._dates = Dates(self._connection, self._boot)

    def _prepare(self, owner: str) -> None:
        for statement in (_SCHEMA + DATES_SCHEMA).split(";"):
            self._connection.execute(statement)
        known = self._get("owner")
        if known is None:
            # 64 random bits: no two outboxes of a fleet will ever share a name.
            fresh = {"format": FORMAT, "owner": owner, "stream": secrets.token_hex(8)}
            for key, value in {**fresh, "last_seq": 0, "acked": 0, "thinned": 0, "set_aside": 0}.items():
                self._set(key, value)
        elif known != owner:
            raise OutboxError(
                f"{self.path}: holds frames of {known}, not of {owner}; give each truck a file of its own"
            )
        elif self._get("format") not in _READABLE_FORMATS:
            raise OutboxError(
                f"{self.path}: has format {self._get('format')}, this version reads {FORMAT}; upgrade first"
            )
        elif self._get("format") != FORMAT:
            self._set("format", FORMAT)
        self._dates.forget_boots()

    def _check_structure(self) -> None:
        # Reads the file once; a page that was changed on the disk can hide rows without any error later.
        (found,) = self._connection.execute("PRAGMA quick_check(1)").fetchone()
        if found != "ok":
            raise OutboxDamaged(f"{self.path}: {found}; move the file away: a new one starts a new stream")

    def _count(self) -> None:
        self.stream = str(self._get("stream"))
        self._last_seq, self._acked, self._thinned, self._set_aside = (
            int(str(self._get(key))) for key in ("last_seq", "acked", "thinned", "set_aside")
        )
        self._waiting_from = self._dates.first_waiting()
        self._measure()

    def _measure(self) -> None:
        self._rows, self._size_bytes = self._connection.execute(
            "SELECT count(*), coalesce(sum(length(body)), 0) + ? * count(*) FROM frame", (ROW_BYTES,)
        ).fetchone()

    def _insert(self, seq: int, body: bytes, lost: int) -> None:
        self._connection.execute("INSERT INTO frame VALUES (?, 1, ?, ?)", (seq, lost, body))
        self._rows += 1
        self._size_bytes += len(body) + ROW_BYTES
        if lost:
            self._thinned += lost
            self._set("thinned", self._thinned)

    def _keep_bounds(self) -> None:
        while self._rows > self.bounds.frames or self._size_bytes > self.bounds.size_bytes:
            if not self._thin():
                return

    def _thin(self) -> bool:
        # The older half: the newest readings are what an advisory hangs on, and a long gap keeps its outline.
        candidates = self._candidates(self._handed_out) or self._candidates(0)
        plan = thin(candidates, min(self.bounds.keep_one_in, max(2, len(candidates))))
        if not plan.dropped:
            return False
        self._connection.executemany(
            "UPDATE frame SET thinned = ? WHERE seq = ?", [(count, seq) for seq, count in plan.counts.items()]
        )
        for table in ("frame", "undated"):
            self._connection.executemany(f"DELETE FROM {table} WHERE seq = ?", [(seq,) for seq in plan.dropped])
        self._measure()
        self._thinned += plan.windows
        self._set("thinned", self._thinned)
        return True

    def _candidates(self, above_seq: int) -> list[Held]:
        half = max(2, self._rows // 2)
        rows = self._connection.execute(
            "SELECT seq, windows, thinned FROM frame WHERE seq > ? ORDER BY seq LIMIT ?", (above_seq, half)
        ).fetchall()
        return [Held(*row) for row in rows] if len(rows) >= 2 else []

    def _delete(self, where: str, seq: int) -> None:
        # `where` is one of this file's own texts.
        rows, size = self._connection.execute(
            f"SELECT count(*), coalesce(sum(length(body)), 0) FROM frame WHERE {where}", (seq,)
        ).fetchone()
        for table in ("frame", "undated"):
            self._connection.execute(f"DELETE FROM {table} WHERE {where}", (seq,))
        self._rows -= rows
        self._size_bytes -= size + ROW_BYTES * rows

    def _get(self, key: str) -> object:
        row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else row[0]

    def _set(self, key: str, value: object) -> None:
        self._connection.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            # The counters may have run ahead of what was rolled back.
            if self._get_safely("stream") is not None:
                self._count()
            raise

    def _get_safely(self, key: str) -> object:
        try:
            return self._get(key)
        except sqlite3.Error:
            return None

    @contextmanager
    def _guard(self) -> Iterator[None]:
        with self._lock:
            try:
                yield
            except sqlite3.Error as error:
                told = outbox_error(self.path, error)
                self.damaged = self.damaged or isinstance(told, OutboxDamaged)
                raise told from error
