"""The outbox: every frame is on the truck's disk before it is sent, and stays until the office has committed it.

One SQLite file a truck (WAL, synchronous=FULL: what :meth:`Outbox.put` returned from survives a power cut). The file
is locked while it is open: two agents with one outbox would number their frames alike.

Some disks lose what they said was written. After a boot that was not preceded by an orderly end the numbering
therefore leaps ahead, to a number that grows with the time: one that the office may have had from before the power cut
is not given again, even where the leap before this one was forgotten too.
"""

from __future__ import annotations

import logging
import secrets
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from axlewright_edge.clock import EARLIEST_TRUE_TIME_S, boot_id
from axlewright_edge.errors import OutboxDamaged, OutboxError, RowUnreadable
from axlewright_edge.outbox_dates import SCHEMA as DATES_SCHEMA
from axlewright_edge.outbox_dates import Dates, dated, is_undated
from axlewright_edge.outbox_file import move_damaged, open_database, outbox_error, pack_windows, unpack_windows
from axlewright_edge.thinning import Held, thin
from axlewright_models.wire.frames import Window

LOGGER = logging.getLogger(__name__)
FORMAT = 2
# Format 1 had no check sums in its rows and no notes about undated frames; it is read and goes on as format 2.
_READABLE_FORMATS = (1, 2)
LEAP_AFTER_POWER_CUT = 10_000
# Windows last a second or more, so the time's own number always outruns the counted one.
NUMBERS_A_SECOND = 100
UNDATABLE = "taken before the clock was set, and the gateway was switched off before it was: cannot be dated"
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
    stream: str = ""


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
    undated: int = 0


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
    boot : str, optional
        Which run of the machine this is; the machine's own word for it when left out.

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

    def __init__(self, path: Path, owner: str, bounds: Bounds | None = None, boot: str | None = None) -> None:
        self.path = path
        self.bounds = bounds if bounds is not None else Bounds()
        self.damaged = False
        self.stream = ""
        self._owner = owner
        self._boot = boot if boot is not None else boot_id()
        self._lock = threading.RLock()
        self._last_seq = self._acked = self._thinned = self._set_aside = self._rows = self._size_bytes = 0
        self._waiting_from: int | None = None
        self._open()

    def _open(self) -> None:
        self._connection = open_database(self.path)
        self._dates = Dates(self._connection, self._boot)
        try:
            with self._guard(), self._transaction():
                self._prepare(self._owner)
            with self._guard():
                self._check_structure()
                self._count()
                left_open = self._get("open_boot")
                hopeless = self._dates.hopeless()
            if hopeless:
                self.set_aside(hopeless, UNDATABLE)
                LOGGER.warning("%s: %d frames set aside: %s", self.path, len(hopeless), UNDATABLE)
        except BaseException:
            self._connection.close()
            raise
        # What the office said last; what lies between it and the oldest frame here is gone for good.
        self._basis = self._acked
        self._handed_out = 0
        self._leaps = left_open not in (None, self._boot)
        self._marked = False

    def start_afresh(self) -> Path:
        """Move a damaged file away for a person to look at, and begin a new one with a new stream; return where it is.

        Raises
        ------
        OutboxError
            The new file cannot be made; may be tried again.
        """
        with self._lock:
            self._connection.close()
            aside = move_damaged(self.path)
            self._open()
            self.damaged = False
            return aside

    def __enter__(self) -> Outbox:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def put(self, windows: Sequence[Window], lost: int = 0) -> int:
        """Store windows, one frame each, in one commit; return the last seq.

        `lost` windows were given up just before (the disk was full): they are counted with the thinned ones.
        When a bound is passed the oldest readings are thinned in the same commit. Windows whose stamps count from the
        machine's start wait until :meth:`date_frames` has told what time that was, and what came later with them.
        """
        with self._guard():
            with self._transaction():
                if windows:
                    self._begin_numbering(windows[0].time_s)
                for window in windows:
                    self._last_seq += 1
                    self._insert(self._last_seq, pack_windows(self._last_seq, (window,)), lost)
                    lost = 0
                    if is_undated(window):
                        self._dates.note(self._last_seq)
                    else:
                        self._set("last_time_s", window.time_s)
                self._set("last_seq", self._last_seq)
                self._keep_bounds()
                self._waiting_from = self._dates.first_waiting()
            if windows:
                self._marked, self._leaps = True, False
            return self._last_seq

    def date_frames(self, offset_s: float) -> int:
        """Tell what Unix time the machine was started at; return how many frames have thereby got a true time."""
        with self._guard():
            waiting = self._dates.waiting()
            if waiting:
                with self._transaction():
                    self._dates.know(offset_s)
                self._waiting_from = self._dates.first_waiting()
                newest = self._connection.execute("SELECT max(seq) FROM undated").fetchone()[0]
                windows = self._windows_of(newest)
                if windows and windows[-1].time_s > (self.last_time_s or 0.0):
                    self._set("last_time_s", windows[-1].time_s)
            return waiting

    def entries(self, after_seq: int, limit: int) -> list[Entry]:
        """Return up to `limit` frames with a number above `after_seq`, in order, and mark them as handed out.

        Frames handed out are thinned last: a copy of them is on its way.
        """
        with self._guard():
            rows = self._connection.execute(
                "SELECT seq, thinned, body FROM frame WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
                (after_seq, self.last_ready, limit),
            ).fetchall()
            if not rows:
                return []
            before = self._connection.execute("SELECT max(seq) FROM frame WHERE seq < ?", (rows[0][0],)).fetchone()[0]
            forerunner = min(self._basis, rows[0][0] - 1) if before is None else before
            entries: list[Entry] = []
            for seq, thinned, body in rows:
                try:
                    windows = self._with_true_times(seq, unpack_windows(seq, body))
                except RowUnreadable as error:
                    LOGGER.error("%s: frame %d set aside: %s", self.path, seq, error)
                    self.set_aside([seq], str(error))
                    continue
                after = None if forerunner == seq - 1 else forerunner
                entries.append(Entry(seq, after, thinned, windows, self.stream))
                forerunner = seq
            self._handed_out = max(self._handed_out, forerunner)
            return entries

    @property
    def last_ready(self) -> int:
        """Return the highest number up to which all that waits has a true time and can be sent."""
        return self._last_seq if self._waiting_from is None else self._waiting_from - 1

    def free(self, seq: int, stream: str | None = None) -> None:
        """Forget every frame up to `seq`: the office has committed them. An ack of another stream frees nothing.

        A number below an earlier one means that the office lost something (a store put back from a copy); what
        it lost has left this outbox too, so the oldest frame here is then sent as following on that number.
        """
        with self._guard():
            if stream not in (None, self.stream):
                return
            seq = min(seq, self._last_seq)
            self._basis = seq
            if seq <= self._acked:
                return
            with self._transaction():
                self._acked = seq
                self._set("acked", seq)
                self._delete("seq <= ?", seq)

    def set_aside(self, seqs: Sequence[int], reason: str, stream: str | None = None) -> None:
        """Take frames out of the queue and keep them for a person to look at (the newest few only)."""
        with self._guard(), self._transaction():
            if stream not in (None, self.stream):
                return
            for seq in seqs:
                row = self._connection.execute("SELECT body FROM frame WHERE seq = ?", (seq,)).fetchone()
                if row is None:
                    continue
                self._connection.execute("INSERT OR REPLACE INTO set_aside VALUES (?, ?, ?)", (seq, reason, row[0]))
                self._delete("seq = ?", seq)
                self._set_aside += 1
            self._connection.execute(
                "DELETE FROM set_aside WHERE seq NOT IN (SELECT seq FROM set_aside ORDER BY seq DESC LIMIT ?)",
                (SET_ASIDE_KEPT,),
            )
            self._set("set_aside", self._set_aside)
            self._waiting_from = self._dates.first_waiting()

    def frames_set_aside(self) -> list[tuple[int, str]]:
        """Return number and reason of the frames set aside that are still kept."""
        with self._guard():
            return self._connection.execute("SELECT seq, reason FROM set_aside ORDER BY seq").fetchall()

    def figures(self) -> Figures:
        """Return the outbox in numbers."""
        with self._guard():
            oldest = self._connection.execute("SELECT min(seq) FROM frame").fetchone()[0]
            return Figures(
                self._rows,
                oldest,
                self._last_seq,
                self._acked,
                self._thinned,
                self._set_aside,
                self._size_bytes,
                0 if self._waiting_from is None else self._dates.waiting(),
            )

    def oldest_time_s(self) -> float | None:
        """Return the time of the oldest window that waits, as it is known now; None when none waits."""
        with self._guard():
            oldest = self._connection.execute("SELECT min(seq) FROM frame").fetchone()[0]
            windows = () if oldest is None else self._windows_of(oldest)
            return windows[0].time_s if windows else None

    @property
    def queued(self) -> int:
        """Return how many frames wait."""
        return self._rows

    @property
    def has_undated(self) -> bool:
        """Return whether frames wait for the clock to be set."""
        return self._waiting_from is not None

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
            try:
                if self._marked:
                    self._connection.execute("DELETE FROM meta WHERE key = 'open_boot'")
            except sqlite3.Error as error:
                LOGGER.warning("%s: could not be closed in order: %s", self.path, error)
            self._connection.close()

    def _begin_numbering(self, time_s: float) -> None:
        if not self._marked:
            self._set("open_boot", self._boot)
        if self._leaps:
            by_time = int(NUMBERS_A_SECOND * (time_s - EARLIEST_TRUE_TIME_S))
            self._last_seq = max(self._last_seq + LEAP_AFTER_POWER_CUT, by_time)

    def _windows_of(self, seq: int) -> tuple[Window, ...]:
        row = self._connection.execute("SELECT body FROM frame WHERE seq = ?", (seq,)).fetchone()
        try:
            return () if row is None else self._with_true_times(seq, unpack_windows(seq, row[0]))
        except RowUnreadable:
            return ()

    def _with_true_times(self, seq: int, windows: tuple[Window, ...]) -> tuple[Window, ...]:
        if not any(is_undated(window) for window in windows):
            return windows
        offset_s = self._dates.offset_of(seq)
        return windows if offset_s is None else dated(windows, offset_s)

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
