"""Messages longer than 8 bytes: put together from the transport protocol's packets, by a listener who never answers."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

CONNECTION = 60416  # TP.CM
DATA = 60160  # TP.DT
REQUEST_TO_SEND = 16
END_OF_MESSAGE = 19
ANNOUNCE = 32  # BAM
ABORT = 255
PACKET = 7
SMALLEST, GREATEST = 9, 1785  # bytes; 255 packets of 7
# Receivers give a broadcast 750 ms and a connection 1250 ms between two packets: T1 and T2 as an open
# J1939 library has them; the standard was not read.
PATIENCE_S = {ANNOUNCE: 0.75, REQUEST_TO_SEND: 1.25}
MOST_SESSIONS = 64


@dataclass(frozen=True)
class Assembled:
    """A whole message."""

    group: int
    source: int
    destination: int
    data: bytes


@dataclass
class _Session:
    kind: int
    group: int
    size: int
    heard_s: float
    packets: dict[int, bytes] = field(default_factory=dict)

    @property
    def count(self) -> int:
        return -(-self.size // PACKET)


class Transport:
    """Follows the transport sessions of all pairs of senders and receivers at once.

    A broadcast must bring its packets in order; a connection may bring one again, as its receiver may ask for that.
    What is incomplete, late, out of order or of a wrong size is given up and counted, never delivered.

    Examples
    --------
    >>> transport = Transport()
    >>> transport.take(60416, 0, 255, bytes([32, 9, 0, 2, 255, 0xE3, 0xFE, 0]), 0.0)
    >>> transport.take(60160, 0, 255, bytes([1, 1, 2, 3, 4, 5, 6, 7]), 0.05)
    >>> transport.take(60160, 0, 255, bytes([2, 8, 9, 255, 255, 255, 255, 255]), 0.10)
    Assembled(group=65251, source=0, destination=255, data=b'\\x01\\x02\\x03\\x04\\x05\\x06\\x07\\x08\\t')
    """

    def __init__(self) -> None:
        self._sessions: dict[tuple[int, int], _Session] = {}
        self.given_up = 0

    def take(self, group: int, source: int, destination: int, data: bytes, elapsed_s: float) -> Assembled | None:
        """Take one packet of :data:`CONNECTION` or :data:`DATA`; return the message that it completes, if any."""
        if len(data) != 8:
            self._drop((source, destination))
            return None
        if group == CONNECTION:
            self._control(source, destination, data, elapsed_s)
            return None
        return self._packet((source, destination), data, elapsed_s)

    def _control(self, source: int, destination: int, data: bytes, elapsed_s: float) -> None:
        kind = data[0]
        if kind in (ANNOUNCE, REQUEST_TO_SEND):
            self._drop((source, destination))
            size, packets = struct.unpack_from("<HB", data, 1)
            group = int.from_bytes(data[5:8], "little")
            if not SMALLEST <= size <= GREATEST or packets != -(-size // PACKET):
                self.given_up += 1
                return
            self._make_room()
            self._sessions[source, destination] = _Session(kind, group, size, elapsed_s)
        elif kind == ABORT:
            # Either side may end it.
            self._drop((source, destination))
            self._drop((destination, source))
        elif kind == END_OF_MESSAGE:
            self._drop((destination, source))

    def _packet(self, pair: tuple[int, int], data: bytes, elapsed_s: float) -> Assembled | None:
        session = self._sessions.get(pair)
        if session is None:
            return None
        number = data[0]
        late = elapsed_s - session.heard_s > PATIENCE_S[session.kind]
        in_order = session.kind == REQUEST_TO_SEND or number == len(session.packets) + 1
        if late or not in_order or not 1 <= number <= session.count:
            self._drop(pair)
            return None
        session.heard_s = elapsed_s
        session.packets[number] = data[1:]
        if len(session.packets) < session.count:
            return None
        del self._sessions[pair]
        whole = b"".join(session.packets[place] for place in range(1, session.count + 1))[: session.size]
        return Assembled(session.group, pair[0], pair[1], whole)

    def _drop(self, pair: tuple[int, int]) -> None:
        if self._sessions.pop(pair, None) is not None:
            self.given_up += 1

    def _make_room(self) -> None:
        if len(self._sessions) >= MOST_SESSIONS:
            self._drop(min(self._sessions, key=lambda pair: self._sessions[pair].heard_s))
