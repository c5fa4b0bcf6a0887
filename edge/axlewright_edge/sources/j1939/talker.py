"""Tells trouble codes on the bus: claims an address, sends once a second and on change, splits what is long.

Nothing of this runs unless the settings say so: a gateway on a vehicle bus listens only, unless the vehicle maker
allows it to send.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from axlewright_edge.sources.j1939 import dm1, transport
from axlewright_edge.sources.j1939.frames import BusFrame
from axlewright_edge.sources.j1939.identifier import GLOBAL, Identifier

ADDRESS_CLAIMED = 60928
REQUEST = 59904
NO_ADDRESS = 254
# These three are from memory, as open J1939 libraries have them.
CLAIM_WAIT_S = 0.25
REPEAT_S = 1.0
BETWEEN_PACKETS_S = 0.05
FAREWELLS = 3  # own choice: a "nothing wrong any more" that is lost would leave a lamp lit


@dataclass(frozen=True)
class Outgoing:
    """A frame to send."""

    number: int
    data: bytes


def broadcast(group: int, source: int, data: bytes) -> list[Outgoing]:
    """Return the frames that carry a message to all: one, or an announcement and its packets.

    Examples
    --------
    >>> [frame.data.hex() for frame in broadcast(65226, 128, bytes(range(10)))]
    ['200a0002ffcafe00', '0100010203040506', '02070809ffffffff']
    """
    if len(data) <= 8:
        return [Outgoing(Identifier(6, group, GLOBAL, source).number, data)]
    parts = [data[start : start + transport.PACKET] for start in range(0, len(data), transport.PACKET)]
    size = len(data).to_bytes(2, "little")
    announcement = bytes([transport.ANNOUNCE, *size, len(parts), 0xFF]) + group.to_bytes(3, "little")
    control = Identifier(7, transport.CONNECTION, GLOBAL, source).number
    packet = Identifier(7, transport.DATA, GLOBAL, source).number
    return [Outgoing(control, announcement)] + [
        Outgoing(packet, bytes([count]) + part.ljust(transport.PACKET, b"\xff")) for count, part in enumerate(parts, 1)
    ]


class Talker:
    """Sends the trouble codes that :meth:`tell` gives it; its other methods belong to the bus's thread.

    Parameters
    ----------
    address : int
        Source address, free on this truck.
    name : int
        The 64-bit NAME that the address is claimed with; the lower one wins a dispute.
    """

    def __init__(self, address: int, name: int) -> None:
        self._address = address
        self._name = name
        self._lock = threading.Lock()
        self._lamps = dm1.Lamps()
        self._codes: tuple[dm1.TroubleCode, ...] = ()
        self._changed = False
        self._repeats = 0
        self._claimed_s: float | None = None
        self._claim_due = False
        self._next_s = 0.0
        self._queue: deque[Outgoing] = deque()
        self._packet_s = 0.0
        self.problem = ""

    def tell(self, lamps: dm1.Lamps, codes: Sequence[dm1.TroubleCode]) -> None:
        """Say what is wrong now; nothing, when `codes` is empty. Any thread may."""
        with self._lock:
            told = tuple(sorted(codes))
            if (lamps, told) == (self._lamps, self._codes):
                return
            self._lamps, self._codes, self._changed = lamps, told, True
            self._repeats = FAREWELLS

    def hear(self, frame: BusFrame) -> None:
        """Take what others say of addresses, and their requests."""
        if not frame.extended or self._claimed_s is None:
            return
        identifier = Identifier.parse(frame.number)
        if identifier.group == REQUEST and identifier.destination in (GLOBAL, self._address):
            wanted = int.from_bytes(frame.data[:3], "little")
            self._claim_due |= wanted == ADDRESS_CLAIMED
            if wanted == dm1.GROUP:
                with self._lock:
                    self._changed, self._repeats = True, max(1, self._repeats)
        elif identifier.group == ADDRESS_CLAIMED and identifier.source == self._address:
            other = int.from_bytes(frame.data[:8], "little")
            if other < self._name and not self.problem:
                self.problem = f"address {self._address} belongs to another unit; trouble codes are not sent"
                self._queue.clear()
            self._claim_due = True

    def due(self, elapsed_s: float) -> list[Outgoing]:
        """Return the frames to send now."""
        frames: list[Outgoing] = []
        if self._claim_due:
            self._claim_due = False
            frames.append(self._claim())
        if self.problem:
            return frames
        with self._lock:
            wanted = bool(self._codes) or self._repeats > 0
        if not wanted and not self._queue:
            return frames
        if self._claimed_s is None:
            self._claimed_s = elapsed_s
            return [*frames, self._claim()]
        if elapsed_s - self._claimed_s < CLAIM_WAIT_S:
            return frames
        self._fill(elapsed_s)
        if self._queue and elapsed_s >= self._packet_s:
            frames.append(self._queue.popleft())
            self._packet_s = elapsed_s + BETWEEN_PACKETS_S
        return frames

    def _fill(self, elapsed_s: float) -> None:
        """Queue the next message, when it is time and the last one is out."""
        with self._lock:
            if self._queue or not (self._changed or elapsed_s >= self._next_s):
                return
            if not self._codes:
                if not self._repeats:
                    return
                self._repeats -= 1
            self._changed = False
            self._next_s = elapsed_s + REPEAT_S
            self._queue.extend(broadcast(dm1.GROUP, self._address, dm1.encode_dm1(self._lamps, self._codes)))

    def _claim(self) -> Outgoing:
        source = NO_ADDRESS if self.problem else self._address
        number = Identifier(6, ADDRESS_CLAIMED, GLOBAL, source).number
        return Outgoing(number, self._name.to_bytes(8, "little"))
