"""Keep and read raw waveforms: pieces as they come, in any order and perhaps twice; whole once the last is there.

A row of ``burst`` begins when a person asks, or with the first piece. Nothing grows without bound: per truck the newest
:data:`MOST_KEPT` bursts stay, and no more than :data:`MOST_BYTES_KEPT` of them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row, select

from axlewright_models.errors import ModelError
from axlewright_models.vibration.spectra import power_density
from axlewright_models.wire.bursts import Waveforms, join
from axlewright_models.wire.messages import BurstPiece, decode_burst_piece
from axlewright_server.store.database import Store
from axlewright_server.store.records import Quarantined, TruckStatus
from axlewright_server.store.schema import BURST, BURST_PIECE

MOST_KEPT = 20
MOST_BYTES_KEPT = 64 * 2**20
# A minute of three sensors at 6.4 kHz is some 150 pieces.
MOST_PIECES = 2000
PICTURE_POINTS = 160
_ANSWER = re.compile(r"command ([a-z0-9-]{1,64}): (.*)", re.DOTALL)


@dataclass(frozen=True)
class Arrived:
    """One piece as it came."""

    vehicle: str
    received_ms: int
    topic: str
    piece: BurstPiece
    payload: bytes


@dataclass(frozen=True)
class StoredBurst:
    """One burst: whose, of when, how much of it is there; `picture`: the spectrum of the first sensor, thinned."""

    vehicle: str
    command: str
    position: int
    received_ms: int
    begin_ms: int
    seconds: float
    rate_hz: float
    pieces: int
    got: int
    size: int
    sensors: tuple[str, ...]
    reason: str
    who: str
    answer: str
    picture: dict[str, list[float]]

    @property
    def complete(self) -> bool:
        """Return whether it can be read."""
        return self.got > 0 and self.got == self.pieces


def ask(store: Store, vehicle: str, command: str, position: int, seconds: float, who: str, now_ms: int) -> None:
    """Note that a person asked for a burst (inside a transaction)."""
    _begin(store, vehicle, command, position, now_ms, now_ms, seconds, who, "asked for by the office")
    _bound(store, vehicle)


def write_pieces(store: Store, arrived: Iterable[Arrived]) -> list[Quarantined]:
    """Keep pieces (inside a transaction) and return what of them could not be taken, for quarantine."""
    refused: list[Quarantined] = []
    for one in arrived:
        reason = _take(store, one)
        if reason:
            size, payload = len(one.payload), bytes(one.payload)
            refused.append(Quarantined(0, one.received_ms, one.topic, "burst", reason, size, payload))
    return refused


def note_answers(store: Store, statuses: Iterable[TruckStatus]) -> None:
    """Keep what trucks answered to the office's asking (inside a transaction)."""
    for one in statuses:
        found = _ANSWER.fullmatch(one.status.note)
        if found:
            store.cursor().execute(
                "UPDATE burst SET answer = ? WHERE vehicle = ? AND command = ?",
                (found[2][:500], one.vehicle, found[1]),
            )


def bursts(connection: Connection, vehicle: str) -> list[StoredBurst]:
    """Return a truck's bursts, the newest first, those that are still coming included."""
    query = select(BURST).where(BURST.c.vehicle == vehicle).order_by(BURST.c.received_ms.desc(), BURST.c.command)
    return [_stored(row) for row in connection.execute(query)]


def burst(connection: Connection, vehicle: str, command: str) -> StoredBurst | None:
    """Return one burst; None when there is none of this name."""
    row = connection.execute(select(BURST).where(BURST.c.vehicle == vehicle, BURST.c.command == command)).first()
    return None if row is None else _stored(row)


def waveforms(connection: Connection, vehicle: str, command: str) -> Waveforms:
    """Return a complete burst's waveforms.

    Raises
    ------
    ModelError
        Not all of its pieces are here.
    """
    query = select(BURST_PIECE.c.payload).where(BURST_PIECE.c.vehicle == vehicle, BURST_PIECE.c.command == command)
    return join([decode_burst_piece(payload) for (payload,) in connection.execute(query)])


def _take(store: Store, one: Arrived) -> str:
    """Keep one piece; return why not, or nothing."""
    piece, cursor = one.piece, store.cursor()
    if piece.pieces > MOST_PIECES or piece.piece > piece.pieces:
        return f"piece {piece.piece} of {piece.pieces}; a burst has at most {MOST_PIECES}"
    known = _known(store, one.vehicle, piece.command)
    if known is None:
        _begin(store, one.vehicle, piece.command, piece.axle, one.received_ms, round(piece.begin_s * 1000), 0.0, "", "")
    elif known[0] not in (0, piece.pieces):
        return f"it says {piece.pieces} pieces, an earlier one of the same burst {known[0]}"
    cursor.execute(
        "INSERT OR IGNORE INTO burst_piece (vehicle, command, piece, payload) VALUES (?, ?, ?, ?)",
        (one.vehicle, piece.command, piece.piece, one.payload),
    )
    if cursor.rowcount == 0:
        return ""  # it came twice
    cursor.execute(
        "UPDATE burst SET pieces = ?, got = got + 1, size = size + ?, received_ms = ?, position = ? "
        "WHERE vehicle = ? AND command = ?",
        (piece.pieces, len(one.payload), one.received_ms, piece.axle, one.vehicle, piece.command),
    )
    if (known[1] if known else 0) + 1 == piece.pieces:
        return _complete(store, one)
    _bound(store, one.vehicle)
    return ""


def _complete(store: Store, one: Arrived) -> str:
    command, cursor = one.piece.command, store.cursor()
    payloads = cursor.execute(
        "SELECT payload FROM burst_piece WHERE vehicle = ? AND command = ?", (one.vehicle, command)
    ).fetchall()
    try:
        found = join([decode_burst_piece(payload) for (payload,) in payloads])
        picture = json.dumps(picture_of(found))
    except (ModelError, ValueError, ArithmeticError) as error:
        for table in ("burst_piece", "burst"):
            cursor.execute(f"DELETE FROM {table} WHERE vehicle = ? AND command = ?", (one.vehicle, command))
        return f"{error}; all its pieces are dropped"
    cursor.execute(
        "UPDATE burst SET begin_ms = ?, seconds = ?, rate_hz = ?, sensors = ?, reason = ?, picture = ? "
        "WHERE vehicle = ? AND command = ?",
        (
            round(found.begin_s * 1000),
            found.seconds,
            found.rate_hz,
            json.dumps(list(found.sensors)),
            found.reason,
            picture,
            one.vehicle,
            command,
        ),
    )
    _bound(store, one.vehicle)
    return ""


def picture_of(found: Waveforms) -> dict[str, list[float]]:
    """Return the spectrum of the first sensor, thinned for a small picture: frequency [Hz], level [m/s2 rms].

    Of every group of lines the highest stays, so that none is lost.
    """
    size = found.samples.shape[1]
    segment = min(2048, size // 2 * 2)
    if segment < 64:
        return {"hz": [], "level": []}
    frequency, density = power_density(found.samples[0], found.rate_hz, segment)
    level = np.sqrt(density * frequency[1])
    width = max(-(-level.size // PICTURE_POINTS), 1)
    tops = [first + int(np.argmax(level[first : first + width])) for first in range(1, level.size, width)]
    return {
        "hz": [round(float(frequency[top]), 2) for top in tops],
        "level": [float(f"{level[top]:.3g}") for top in tops],
    }


def _known(store: Store, vehicle: str, command: str) -> tuple[int, int] | None:
    row = (
        store.cursor()
        .execute("SELECT pieces, got FROM burst WHERE vehicle = ? AND command = ?", (vehicle, command))
        .fetchone()
    )
    return None if row is None else (row[0], row[1])


def _begin(
    store: Store,
    vehicle: str,
    command: str,
    position: int,
    received_ms: int,
    begin_ms: int,
    seconds: float,
    who: str,
    reason: str,
) -> None:
    store.cursor().execute(
        "INSERT OR IGNORE INTO burst VALUES (?, ?, ?, ?, ?, ?, 0.0, 0, 0, 0, '[]', ?, ?, '', '')",
        (vehicle, command, position, received_ms, begin_ms, seconds, reason, who),
    )


def _bound(store: Store, vehicle: str) -> None:
    """Let the oldest bursts of a truck go."""
    cursor, kept, size = store.cursor(), 0, 0
    rows = cursor.execute(
        "SELECT command, size FROM burst WHERE vehicle = ? ORDER BY received_ms DESC, command", (vehicle,)
    ).fetchall()
    for command, own in rows:
        kept, size = kept + 1, size + own
        if kept > MOST_KEPT or (size > MOST_BYTES_KEPT and kept > 1):
            for table in ("burst_piece", "burst"):
                cursor.execute(f"DELETE FROM {table} WHERE vehicle = ? AND command = ?", (vehicle, command))


def _stored(row: Row[Any]) -> StoredBurst:
    columns = row._asdict()
    columns["sensors"] = tuple(json.loads(columns["sensors"]))
    columns["picture"] = json.loads(columns["picture"]) if columns["picture"] else {"hz": [], "level": []}
    return StoredBurst(**columns)
