"""A publisher that costs little: MQTT 3.1.1 packets built beforehand, sent over a bare socket.

A client library would be the slowest part of the chain and hide what is measured. The packets follow
MQTT 3.1.1 (OASIS standard, sections 3.1 to 3.4).
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Sequence


def _remaining_length(length: int) -> bytes:
    encoded = bytearray()
    while True:
        length, digit = divmod(length, 128)
        encoded.append(digit | (0x80 if length else 0))
        if not length:
            return bytes(encoded)


def _text(text: str) -> bytes:
    raw = text.encode()
    return struct.pack(">H", len(raw)) + raw


def publish_packet(topic: str, payload: bytes, packet_id: int) -> bytes:
    """Return a PUBLISH packet of QoS 1."""
    body = _text(topic) + struct.pack(">H", packet_id) + payload
    return b"\x32" + _remaining_length(len(body)) + body


class Publisher:
    """One connection that keeps at most `window` packets unacknowledged."""

    def __init__(self, port: int, client_id: str, window: int = 200) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=30)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        body = _text("MQTT") + b"\x04\x02" + struct.pack(">H", 0) + _text(client_id)
        self.socket.sendall(b"\x10" + _remaining_length(len(body)) + body)
        answer = self.socket.recv(4)
        if answer[:2] != b"\x20\x02" or answer[3] != 0:
            raise ConnectionError(f"the broker refused the publisher: {answer.hex()}")
        self.window = threading.Semaphore(window)
        self.acknowledged = 0
        self._id = 0
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        pending = b""
        while True:
            try:
                data = self.socket.recv(65536)
            except OSError:
                return
            if not data:
                return
            pending += data
            # PUBACK is 40 02 and the packet id; nothing else is sent to a publisher.
            count = len(pending) // 4
            pending = pending[count * 4 :]
            self.acknowledged += count
            self.window.release(count)

    def publish(self, topic: str, payload: bytes) -> None:
        """Send one frame, waiting for a place in the window."""
        if not self.window.acquire(timeout=60):
            raise TimeoutError("the broker acknowledged nothing for 60 s")
        self._id = self._id % 65535 + 1
        self.socket.sendall(publish_packet(topic, payload, self._id))

    def close(self) -> None:
        """Say good-bye and close."""
        self.socket.sendall(b"\xe0\x00")
        self.socket.close()


def publish_all(port: int, frames: Sequence[tuple[str, bytes]], rate_per_s: float | None = None) -> float:
    """Send all frames, evenly at `rate_per_s` or as fast as the broker takes them; return the seconds taken."""
    publisher = Publisher(port, f"bench-publisher-{time.monotonic_ns()}")
    begin = time.perf_counter()
    for number, (topic, payload) in enumerate(frames):
        if rate_per_s is not None:
            wait = begin + number / rate_per_s - time.perf_counter()
            if wait > 0:
                time.sleep(wait)
        publisher.publish(topic, payload)
    while publisher.acknowledged < len(frames):
        time.sleep(0.001)
    elapsed = time.perf_counter() - begin
    publisher.close()
    return elapsed
