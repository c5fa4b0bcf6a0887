"""The outbox: every frame is on the truck's disk before it is sent, and stays until the office has committed it.

One SQLite file a truck (WAL, synchronous=FULL: what :meth:`Outbox.put` returned from survives a power cut). The file
is locked while it is open: two agents with one outbox would number their frames alike.

Some disks lose what they said was written. After a boot that was not preceded by an orderly end the numbering
therefore leaps ahead, to a number that grows with the time: one that the office may have had from before the power cut
is not given again, even where the leap before this one was forgotten too.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from axlewright_edge.clock import EARLIEST_TRUE_TIME_S, boot_id
from axlewright_edge.errors import RowUnreadable
from axlewright_edge.outbox_dates import dated, is_undated
from axlewright_edge.outbox_file import move_damaged, pack_windows, unpack_windows
from axlewright_edge.outbox_ledger import Bounds, Ledger
from axlewright_models.wire.frames import Window

__all__ = ["Bounds", "Entry", "Figures", "Outbox"]

LOGGER = logging.getLogger(__name__)
LEAP_AFTER_POWER_CUT = 10_000
# Windows last a second or more, so the time's own number always outruns the counted one.
NUMBERS_A_SECOND = 100
UNDATABLE = "taken before the clock was set, and the gateway was switched off before it was: cannot be dated"
SET_ASIDE_KEPT = 200


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


class Outbox(Ledger):
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
        super().__init__(path, bounds if bounds is not None else Bounds(), boot if boot is not None else boot_id())
        self._owner = owner
        self._open()

    def _open(self) -> None:
        self._connect()
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
