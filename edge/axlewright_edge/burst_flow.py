"""Bursts on their way: a few pieces at a time, when no reading waits, each until the broker has confirmed it."""

from __future__ import annotations

import logging
from collections.abc import Callable

from axlewright_edge.burst_box import BurstBox
from axlewright_edge.errors import OutboxError

LOGGER = logging.getLogger(__name__)
# Readings come first: a piece of 16 KiB on a slow link holds up the next frame by a second or two.
IN_FLIGHT = 2
RETRY_S = 60.0
# Fixed header, topic with the burst's name, packet id and properties beside the payload.
PACKET_OVERHEAD_BYTES = 320


class BurstFlow:
    """Sends the pieces of a box.

    A piece leaves the box when the broker has confirmed it; over MQTT 5, where it says so, not if nobody takes it.
    A lost connection or a restart sends what is not confirmed again; the office takes a piece that comes twice once.

    Parameters
    ----------
    box : BurstBox
        Where they wait.
    say : callable
        Told what a person should know.
    """

    def __init__(self, box: BurstBox, say: Callable[[str], None] = LOGGER.warning) -> None:
        self._box = box
        self._say = say
        self._largest_bytes: int | None = None
        self._cursor = 0
        self._on_their_way: dict[int, int] = {}
        self._rest_until_s = 0.0

    def broker_limit(self, packet_bytes: int | None) -> None:
        """Heed the largest packet that the broker takes (MQTT 5 says it)."""
        self._largest_bytes = None if packet_bytes is None else packet_bytes - PACKET_OVERHEAD_BYTES

    def pump(self, publish: Callable[[str, bytes], int | None], now_s: float) -> int:
        """Publish pieces while there is room, and return how many bytes went out.

        `publish` takes a burst's name and a payload, and returns the packet's id, or None when the line is gone.
        """
        sent = 0
        if now_s < self._rest_until_s:
            return sent
        try:
            while len(self._on_their_way) < IN_FLIGHT and (found := self._box.pieces(self._cursor, 1)):
                number, name, payload = found[0]
                if self._largest_bytes is not None and len(payload) > self._largest_bytes:
                    # Sent all the same, it would end the connection, again and again.
                    self._box.drop(name)
                    self._say(f"burst {name} given up: a piece has {len(payload)} bytes, the broker takes fewer")
                    continue
                packet = publish(name, payload)
                if packet is None:
                    break
                self._cursor = number
                self._on_their_way[packet] = number
                sent += len(payload)
        except OutboxError as error:
            LOGGER.error("bursts wait: %s", error)
            self._rest_until_s = now_s + RETRY_S
        return sent

    def confirmed(self, packet: int, taken: bool, now_s: float) -> bool:
        """Note the broker's confirmation; return whether the packet was a piece. `taken`: somebody has it."""
        number = self._on_their_way.pop(packet, None)
        if number is None:
            return False
        if not taken:
            # The office is away: what the broker threw away is sent again later, from this piece on.
            self._cursor = min(self._cursor, number - 1)
            self._rest_until_s = now_s + RETRY_S
            return True
        try:
            self._box.free(number)
        except OutboxError as error:
            LOGGER.error("a burst will be sent again: %s", error)
        return True

    def disconnected(self) -> None:
        """Begin with the oldest piece again on the next connection."""
        self._on_their_way.clear()
        self._largest_bytes = None
        self._cursor = 0
        self._rest_until_s = 0.0
