"""An MQTT client that reads from the network in large pieces and takes whole messages straight out of them.

paho reads each message by four small calls, wakes itself for each acknowledgement that it owes the broker, and sends
each by a call of its own. Every such call gives other threads the interpreter for up to 5 ms, and all of them together
were a third of what the office spent on a frame. Here paho does what is rare (connecting, subscribing, pings, messages
that arrive in parts), and what comes in whole is cut out of the buffer and acknowledged together. A moment's wait
before each read lets messages gather.
"""

from __future__ import annotations

import contextlib
import struct
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

_PIECE_BYTES = 1 << 18
# Far below what a batch waits for its commit, long enough for dozens of messages under load.
_GATHER_S = 0.002
# A stop now and then, so that acknowledgements go out while messages keep coming.
_MOST_MESSAGES = 200
# MQTT 3.1.1, sections 2.2 and 3.3: PUBLISH at QoS 1, whatever its flags for "sent again" and "retained".
_PUBLISH_QOS_1, _WITHOUT_FLAGS = 0x32, 0xF6
_PUBACK = 0x40
_LENGTH = struct.Struct(">H")


class BufferedSocket:
    """A socket whose `recv` is served from a buffer; everything else is the socket's own.

    paho asks `pending`, as it must for TLS sockets, so that it never waits while the buffer holds something.
    """

    def __init__(self, socket: Any) -> None:  # a plain or a TLS socket; paho's own type for it is private
        self._socket = socket
        self._buffer = b""
        self._read = 0

    def recv(self, size: int) -> bytes:
        """Return up to `size` bytes; errors are the socket's own."""
        if self._read == len(self._buffer):
            self._buffer, self._read = self._socket.recv(_PIECE_BYTES), 0
        taken = self._buffer[self._read : self._read + size]
        self._read += len(taken)
        return taken

    def pending(self) -> int:
        """Return how many bytes can be had without asking the network."""
        below = getattr(self._socket, "pending", None)
        return len(self._buffer) - self._read + (0 if below is None else below())

    def fill(self) -> None:
        """Read from the network if the buffer is empty; what goes wrong is left for :meth:`recv` to meet again."""
        if self._read == len(self._buffer):
            with contextlib.suppress(OSError):
                self._buffer, self._read = self._socket.recv(_PIECE_BYTES), 0

    def take_message(self) -> tuple[bytes, bytes, bytes] | None:
        """Return topic, packet number and payload when a whole MQTT 3.1.1 PUBLISH of QoS 1 comes next, else None."""
        buffer, at = self._buffer, self._read
        whole = len(buffer)
        if at >= whole or buffer[at] & _WITHOUT_FLAGS != _PUBLISH_QOS_1:
            return None
        length = shift = 0
        while True:
            at += 1
            if at >= whole or shift > 21:
                return None
            length |= (buffer[at] & 127) << shift
            if buffer[at] < 128:
                break
            shift += 7
        begin = at + 1
        end = begin + length
        if end > whole or length < 2:
            return None
        number = begin + 2 + _LENGTH.unpack_from(buffer, begin)[0]
        if number + 2 > end:
            return None
        self._read = end
        return buffer[begin + 2 : number], buffer[number : number + 2], buffer[number + 2 : end]

    def __getattr__(self, name: str) -> Any:  # whatever else paho uses of a socket
        return getattr(self._socket, name)


class BufferedClient(mqtt.Client):
    """paho's client over a :class:`BufferedSocket`; MQTT 3.1.1 only.

    `on_whole_message(topic, payload)` gets the messages that arrive in one piece, `on_message` the others; both on the
    client's thread. It must not raise.

    It overrides a method that paho does not document, and uses two more; if a later paho no longer calls it, the client
    works as before, only slower (a test looks whether it is called).
    """

    on_whole_message: Callable[[str, bytes], None] | None = None

    def _create_socket(self) -> Any:
        return BufferedSocket(super()._create_socket())

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Handle all messages that the network has, up to a bound."""
        time.sleep(_GATHER_S)
        result = MQTTErrorCode.MQTT_ERR_SUCCESS
        for _ in range(_MOST_MESSAGES):
            socket = self.socket()
            if isinstance(socket, BufferedSocket) and self._take_whole_messages(socket):
                break
            result = super().loop_read(max_packets)
            socket = self.socket()
            if result or not isinstance(socket, BufferedSocket) or not socket.pending():
                break
        return result

    def _take_whole_messages(self, socket: BufferedSocket) -> bool:
        """Take the whole messages that come next; return whether that was all there is to read now."""
        deliver = self.on_whole_message
        if deliver is None or self._in_packet["command"]:  # paho is in the middle of a message
            return False
        socket.fill()
        owed = bytearray()
        for _ in range(_MOST_MESSAGES):
            message = socket.take_message()
            if message is None:
                break
            topic, number, payload = message
            # A topic that is no text is left to be told apart by whoever parses topics.
            deliver(topic.decode("utf-8", "replace"), payload)
            owed += b"\x40\x02" + number
        if owed:
            # Several acknowledgements as one packet: to paho it is bytes to send.
            self._packet_queue(_PUBACK, bytes(owed), 0, 1)
        return bool(owed) and not socket.pending()
