"""What goes out after a commit: acks to the trucks and advisories, retained. Used by the pipeline's thread alone."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from axlewright_models.wire.messages import Ack, AdvisoryMessage, encode_message
from axlewright_models.wire.topics import Topic, TopicKind
from axlewright_server.sequencer import Sequencer

# One ack speaks for all frames before it: at full load it is the cheapest thing to send less often.
ACK_EVERY_S = 0.2
CLOSED = "closed"


class Link(Protocol):
    """What the publisher needs of the MQTT client."""

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> Any:
        """Send at QoS 1; None when it could not be taken, else something with ``is_published()``."""
        ...


class Publisher:
    """Sends acks and advisories over a link that may come and go; nothing is queued while it is away.

    An ack that could not be sent is owed again as soon as the truck is heard; an advisory stays marked as
    unpublished in the store, and all open ones are sent again after every new connection (a broker may have
    forgotten what it had retained).
    """

    def __init__(self, fleet: str, link: Link | None, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._fleet = fleet
        self._link = link
        self._monotonic = monotonic
        self._owed: dict[tuple[str, str], None] = {}
        self._last_flush_s = -ACK_EVERY_S
        self._streams: dict[str, str] = {}
        self._on_way: list[tuple[AdvisoryMessage, Any]] = []
        self._all = threading.Event()

    def load(self, streams: Iterable[tuple[str, str]]) -> None:
        """Take up which stream each vehicle used last (the last of several counts)."""
        self._streams = dict(streams)

    def connected(self) -> None:
        """Note a new connection (called on the client's thread)."""
        self._all.set()

    def wants_all(self) -> bool:
        """Return, once per connection, whether all open advisories are to be sent."""
        if self._all.is_set():
            self._all.clear()
            return True
        return False

    def acknowledge(self, heard: Iterable[tuple[str, str]], sequencer: Sequencer[Any]) -> None:
        """Owe an ack to everyone heard; where the stream could not be read, for the vehicle's last one."""
        for vehicle, stream in heard:
            if not stream:
                stream = self._streams.get(vehicle, "")
                if not stream:
                    continue
            elif sequencer.mark(vehicle, stream) is not None:
                self._streams[vehicle] = stream
            self._owed[vehicle, stream] = None

    def flush(self, sequencer: Sequencer[Any], idle: bool) -> None:
        """Send the acks owed: when nothing else waits, or when they have been owed for long enough."""
        if not self._owed or not (idle or self._monotonic() - self._last_flush_s >= ACK_EVERY_S):
            return
        self._last_flush_s = self._monotonic()
        owed, self._owed = self._owed, {}
        if self._link is None:
            return
        for vehicle, stream in owed:
            mark = sequencer.mark(vehicle, stream)
            topic = Topic(self._fleet, vehicle, TopicKind.ACK).text
            ack = Ack(stream=stream, seq=0 if mark is None else mark.seq)
            if self._link.publish(topic, encode_message(ack)) is None:
                return

    def advisory(self, message: AdvisoryMessage) -> None:
        """Send an advisory, retained; a closed one is sent once and then taken back from the broker's memory."""
        if self._link is None:
            return
        topic = Topic(self._fleet, message.vehicle, TopicKind.ADVISORY, message.id).text
        closed = message.state == CLOSED
        sent = self._link.publish(topic, encode_message(message), retain=not closed)
        if sent is not None and closed:
            sent = self._link.publish(topic, b"", retain=True)
        if sent is not None:
            self._on_way.append((message, sent))

    def confirmed(self) -> list[AdvisoryMessage]:
        """Return the advisories that the broker has confirmed since the last call."""
        if not self._on_way:
            return []
        done = [message for message, sent in self._on_way if sent.is_published()]
        if done:
            # What a lost connection left unconfirmed is sent again when the next one stands.
            self._on_way = [pair for pair in self._on_way if not pair[1].is_published()][-1000:]
        return done
