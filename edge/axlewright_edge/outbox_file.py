"""The outbox's file: how it is opened, what a row holds, and what to do when the database refuses."""

from __future__ import annotations

import sqlite3
import zlib
from pathlib import Path

import msgspec

from axlewright_edge.errors import OutboxDamaged, OutboxError, RowUnreadable
from axlewright_models.wire.frames import Window

# SQLite checks no sums of its own; a body that begins with this byte (which MessagePack never uses) carries one.
_CHECKED = b"\xc1"
_MAGIC = b"SQLite format 3\x00"
_SMALLEST_PAGE_BYTES = 512

_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(list[tuple[float, dict[str, float], dict[int, dict[str, float]]]])


def open_database(path: Path) -> sqlite3.Connection:
    """Open the file for this process alone.

    Raises
    ------
    OutboxError
        The file cannot be opened, is damaged or is in use.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # SQLite takes what is shorter than its smallest page for nothing, and would write over it.
        if path.exists() and 0 < path.stat().st_size < _SMALLEST_PAGE_BYTES:
            raise outbox_error(path, sqlite3.DatabaseError("file is not a database"))
        connection = sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False)
    except (OSError, sqlite3.Error) as error:
        raise OutboxError(f"{path}: cannot be opened: {error}; is the folder writable for this user?") from error
    try:
        # EXCLUSIVE before WAL: the lock is taken at the first access and held until the file is closed.
        for pragma in (
            "locking_mode=EXCLUSIVE",
            "journal_mode=WAL",
            "synchronous=FULL",
            "journal_size_limit=8388608",
            # Where the root is read-only no other folder may be written.
            "temp_store=MEMORY",
            # Frames are read once and in order; 2 MB of cache (SQLite's usual) would hardly ever be asked.
            "cache_size=-512",
        ):
            connection.execute(f"PRAGMA {pragma}").fetchall()
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        connection.close()
        raise outbox_error(path, error) from error
    return connection


def outbox_error(path: Path, error: sqlite3.Error) -> OutboxError:
    """Return the database's error as one of ours."""
    text = str(error)
    damaged = "malformed" in text or ("not a database" in text and looks_like_a_database(path))
    return (OutboxDamaged if damaged else OutboxError)(f"{path}: {error}{remedy(error)}")


def looks_like_a_database(path: Path) -> bool:
    """Return whether a file that SQLite does not take may still be an outbox whose first page was torn.

    By the beginning that is left, by a log beside it, or by a length of whole pages; anything else (a file named by
    mistake) is nobody's to move.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            begin = file.read(len(_MAGIC))
    except OSError:
        return False
    if size == 0 or _MAGIC.startswith(begin):
        return True
    return size % _SMALLEST_PAGE_BYTES == 0 or path.with_name(path.name + "-wal").exists()


def move_damaged(path: Path) -> Path:
    """Move a damaged outbox with its log out of the way, for a person to look at; return where it is now."""
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    for ending in ("-wal", "-shm", ""):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(aside.with_name(aside.name + ending))
    return aside


def remedy(error: sqlite3.Error) -> str:
    """Return what a person can do about an error of the database; empty when nothing is known."""
    text = str(error)
    if "locked" in text:
        return "; another agent has it open: one agent a truck, one outbox an agent"
    if "not a database" in text or "malformed" in text:
        return "; move the file away: a new one starts a new stream, and the old one can be examined"
    if "full" in text:
        return "; free some of the disk, or lower outbox.max_bytes"
    return ""


def pack_windows(seq: int, windows: tuple[Window, ...]) -> bytes:
    """Return windows as the body of a row (MessagePack, with a check sum over it and its number in front)."""
    body = _ENCODER.encode([(window.time_s, window.vehicle, window.axles) for window in windows])
    return _CHECKED + _check_sum(seq, body) + body


def unpack_windows(seq: int, body: bytes) -> tuple[Window, ...]:
    """Return the windows that :func:`pack_windows` packed, in this version or the one before.

    Raises
    ------
    RowUnreadable
        The disk gave back something else than was written.
    """
    if body[:1] == _CHECKED:
        body, expected = body[5:], body[1:5]
        if _check_sum(seq, body) != expected:
            raise RowUnreadable("its check sum is wrong: the disk has changed it")
    try:
        return tuple(Window(time_s, vehicle, axles) for time_s, vehicle, axles in _DECODER.decode(body))
    except msgspec.MsgspecError as error:
        raise RowUnreadable(f"it cannot be read: {error}") from error


def _check_sum(seq: int, body: bytes) -> bytes:
    return zlib.crc32(body, zlib.crc32(seq.to_bytes(8, "little"))).to_bytes(4, "little")
