"""The outbox: every frame is on the truck's disk before it is sent, and stays until the office has committed it.

One SQLite file a truck (WAL, synchronous=FULL: what :meth:`Outbox.put` returned from survives a power cut). The file
is locked while it is open: two agents with one outbox would number their frames alike.
"""

from __future__ import annotations

import secrets
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from axlewright_edge.errors import OutboxError
from axlewright_edge.outbox_file import open_database, outbox_error, pack_windows, unpack_windows
from axlewright_edge.thinning import Held, thin
from axlewright_models.wire.frames import Window

FORMAT = 1
SET_ASIDE_KEPT = 200
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


@dataclass(frozen=True)
class Entry:
    """One frame that waits, as it must be sent now: `after` is given when its forerunner is gone."""

    seq: int
    after: int | None
    thinned: int
    windows: tuple[Window, ...]


@dataclass(frozen=True)
class Figures:
    """The outbox in numbers."""

    queued: int
    oldest_seq: int | None
    last_seq: int
    acked: int
    thinned: int
    set_aside: int
    size_bytes: int


class Outbox:
    """Frames in order, numbered from 1 within a stream of this file's own.

    Any thread may call; one call at a time is served.

    Parameters
    ----------
    path : Path
        The file; made when it is missing.
    owner : str
        Whose frames these are, such as ``fleet/vehicle``; a file of another owner is refused.
    bounds : Bounds
        How much to hold.

    Raises
    ------
    OutboxError
        The file cannot be opened, is in use, is damaged or belongs to another truck.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder, Outbox(Path(folder) / "t07.sqlite", "harrow-vale/t07") as outbox:
    ...     _ = outbox.put([Window(1.7e9, {"speed": 80.0}), Window(1.7e9 + 10.0, {"speed": 81.0})])
    ...     before = [entry.seq for entry in outbox.entries(after_seq=0, limit=10)]
    ...     outbox.free(1)
    ...     before, outbox.figures().queued, outbox.figures().oldest_seq
    ([1, 2], 1, 2)
    """

    def __init__(self, path: Path, owner: str, bounds: Bounds | None = None) -> None:
        self.path = path
        self.bounds = bounds if bounds is not None else Bounds()
        self._lock = threading.RLock()
        self.stream = ""
        self._last_seq = self._acked = self._thinned = self._set_aside = self._rows = self._size_bytes = 0
        self._connection = open_database(path)
        try:
            with self._guard(), self._transaction():
                self._prepare(owner)
            with self._guard():
                self._count()
        except BaseException:
            self._connection.close()
            raise
        # What the office said last; what lies between it and the oldest frame here is gone for good.
        self._basis = self._acked
        self._handed_out = 0

    def __enter__(self) -> Outbox:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def put(self, windows: Sequence[Window], lost: int = 0) -> int:
        """Store windows, one frame each, in one commit; return the last seq.

        `lost` windows were given up just before (the disk was full): they are counted with the thinned ones.
        When a bound is passed the oldest readings are thinned in the same commit.
        """
        bodies = [pack_windows((window,)) for window in windows]
        with self._guard(), self._transaction():
            for body in bodies:
                self._last_seq += 1
                self._insert(self._last_seq, body, lost)
                lost = 0
            if windows:
                self._set("last_time_s", windows[-1].time_s)
            self._set("last_seq", self._last_seq)
            self._keep_bounds()
            return self._last_seq

    def entries(self, after_seq: int, limit: int) -> list[Entry]:
        """Return up to `limit` frames with a number above `after_seq`, in order, and mark them as handed out.

        Frames handed out are thinned last: a copy of them is on its way.
        """
        with self._guard():
            rows = self._connection.execute(
                "SELECT seq, thinned, body FROM frame WHERE seq > ? ORDER BY seq LIMIT ?", (after_seq, limit)
            ).fetchall()
            if not rows:
                return []
            before = self._connection.execute("SELECT max(seq) FROM frame WHERE seq < ?", (rows[0][0],)).fetchone()[0]
            forerunner = min(self._basis, rows[0][0] - 1) if before is None else before
            entries: list[Entry] = []
            for seq, thinned, body in rows:
                after = None if forerunner == seq - 1 else forerunner
                entries.append(Entry(seq, after, thinned, unpack_windows(body)))
                forerunner = seq
            self._handed_out = max(self._handed_out, forerunner)
            return entries

    def free(self, seq: int) -> None:
        """Forget every frame up to `seq`: the office has committed them.

        A number below an earlier one means that the office lost something (a store put back from a copy); what
        it lost has left this outbox too, so the oldest frame here is then sent as following on that number.
        """
        with self._guard():
            seq = min(seq, self._last_seq)
            self._basis = seq
            if seq <= self._acked:
                return
            with self._transaction():
                self._acked = seq
                self._set("acked", seq)
                self._delete("seq <= ?", seq)

    def set_aside(self, seq: int, reason: str) -> None:
        """Take one frame out of the queue and keep it for a person to look at (the newest few only)."""
        with self._guard(), self._transaction():
            row = self._connection.execute("SELECT body FROM frame WHERE seq = ?", (seq,)).fetchone()
            if row is None:
                return
            self._connection.execute("INSERT OR REPLACE INTO set_aside VALUES (?, ?, ?)", (seq, reason, row[0]))
            self._connection.execute(
                "DELETE FROM set_aside WHERE seq NOT IN (SELECT seq FROM set_aside ORDER BY seq DESC LIMIT ?)",
                (SET_ASIDE_KEPT,),
            )
            self._delete("seq = ?", seq)
            self._set_aside += 1
            self._set("set_aside", self._set_aside)

    def frames_set_aside(self) -> list[tuple[int, str]]:
        """Return number and reason of the frames set aside that are still kept."""
        with self._guard():
            return self._connection.execute("SELECT seq, reason FROM set_aside ORDER BY seq").fetchall()

    def figures(self) -> Figures:
        """Return the outbox in numbers."""
        with self._guard():
            oldest = self._connection.execute("SELECT min(seq) FROM frame").fetchone()[0]
            return Figures(
                self._rows, oldest, self._last_seq, self._acked, self._thinned, self._set_aside, self._size_bytes
            )

    @property
    def queued(self) -> int:
        """Return how many frames wait."""
        return self._rows

    @property
    def last_seq(self) -> int:
        """Return the number of the newest frame ever stored."""
        return self._last_seq

    @property
    def last_time_s(self) -> float | None:
        """Return the time of the newest window ever stored; a source goes on from there. [Unix s]"""
        with self._guard():
            value = self._get("last_time_s")
            return None if value is None else float(str(value))

    def close(self) -> None:
        """Close the file; what waits in it will be sent when it is opened again."""
        with self._lock:
            self._connection.close()

    def _prepare(self, owner: str) -> None:
        for statement in _SCHEMA.split(";"):
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
        elif self._get("format") != FORMAT:
            raise OutboxError(
                f"{self.path}: has format {self._get('format')}, this version reads {FORMAT}; upgrade first"
            )

    def _count(self) -> None:
        self.stream = str(self._get("stream"))
        self._last_seq, self._acked, self._thinned, self._set_aside = (
            int(str(self._get(key))) for key in ("last_seq", "acked", "thinned", "set_aside")
        )
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
        self._connection.executemany("DELETE FROM frame WHERE seq = ?", [(seq,) for seq in plan.dropped])
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
        self._connection.execute(f"DELETE FROM frame WHERE {where}", (seq,))
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
                raise outbox_error(self.path, error) from error
