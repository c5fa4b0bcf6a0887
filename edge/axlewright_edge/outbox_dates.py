"""Frames taken before the clock was set: they wait in the outbox without a true time, and get one when it is known.

Each such frame is noted with the run of the machine (boot) in which it was taken; its windows count from the
machine's start. Once the clock is set, one small row (boot, offset) dates all of them, whenever they are read: after
an agent's restart and after the next boot too. A boot that ended without ever learning the time cannot be dated.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from axlewright_edge.clock import UNDATED_BELOW_S
from axlewright_models.wire.frames import Window

CORRECTED = "clock-corrected"
SCHEMA = """
CREATE TABLE IF NOT EXISTS undated (seq INTEGER PRIMARY KEY, boot TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS boot (boot TEXT PRIMARY KEY, offset_s REAL NOT NULL) WITHOUT ROWID;
"""


def is_undated(window: Window) -> bool:
    """Return whether a window's stamp counts from the machine's start.

    Examples
    --------
    >>> is_undated(Window(3600.0)), is_undated(Window(1.8e9))
    (True, False)
    """
    return window.time_s < UNDATED_BELOW_S


def dated(windows: Sequence[Window], offset_s: float) -> tuple[Window, ...]:
    """Return windows with true times, and the flag that they were set after the fact.

    Examples
    --------
    >>> dated([Window(60.0, {"speed": 50.0})], 1.8e9)
    (Window(time_s=1800000060.0, vehicle={'speed': 50.0, 'clock-corrected': 1.0}, axles={}),)
    """
    return tuple(
        Window(window.time_s + offset_s, {**window.vehicle, CORRECTED: 1.0}, window.axles) for window in windows
    )


class Dates:
    """The notes about undated frames in an outbox's database; every call is one within the outbox's own transaction."""

    def __init__(self, connection: sqlite3.Connection, boot: str) -> None:
        self._connection = connection
        self._boot = boot

    def note(self, seq: int) -> None:
        """Note that a frame was taken now, without a true time."""
        self._connection.execute("INSERT OR REPLACE INTO undated VALUES (?, ?)", (seq, self._boot))

    def know(self, offset_s: float) -> None:
        """Note what must be added to the stamps of this boot."""
        self._connection.execute("INSERT OR REPLACE INTO boot VALUES (?, ?)", (self._boot, offset_s))

    def first_waiting(self) -> int | None:
        """Return the lowest frame whose time is not known yet."""
        row = self._connection.execute(
            "SELECT min(seq) FROM undated LEFT JOIN boot USING (boot) WHERE offset_s IS NULL"
        ).fetchone()
        return None if row[0] is None else int(row[0])

    def waiting(self) -> int:
        """Return how many frames of this boot have no true time yet."""
        row = self._connection.execute(
            "SELECT count(*) FROM undated LEFT JOIN boot USING (boot) WHERE offset_s IS NULL AND boot = ?",
            (self._boot,),
        ).fetchone()
        return int(row[0])

    def offset_of(self, seq: int) -> float | None:
        """Return what must be added to a frame's stamps; None when they are true or cannot be made so."""
        row = self._connection.execute(
            "SELECT offset_s FROM undated JOIN boot USING (boot) WHERE seq = ?", (seq,)
        ).fetchone()
        return None if row is None else float(row[0])

    def hopeless(self) -> list[int]:
        """Return the frames of earlier boots that ended without learning the time."""
        rows = self._connection.execute(
            "SELECT seq FROM undated LEFT JOIN boot USING (boot) WHERE offset_s IS NULL AND boot != ? ORDER BY seq",
            (self._boot,),
        ).fetchall()
        return [int(seq) for (seq,) in rows]

    def forget_boots(self) -> None:
        """Drop the offsets that no frame needs any more."""
        self._connection.execute(
            "DELETE FROM boot WHERE boot != ? AND boot NOT IN (SELECT boot FROM undated)", (self._boot,)
        )
