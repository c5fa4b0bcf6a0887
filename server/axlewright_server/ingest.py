"""Take messages from the broker into a bounded inbox, and hand messages to it. Nothing is judged here."""

from __future__ import annotations

import logging
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from axlewright_models.wire.topics import TopicKind, subscription
from axlewright_server.buffered_client import BufferedClient
from axlewright_server.errors import SettingsError
from axlewright_server.settings import BrokerSettings

_LOG = logging.getLogger(__name__)


class Message(NamedTuple):
    """A message as it came, and when."""

    topic: str
    payload: bytes
    arrived_s: float


class Inbox:
    """Messages on their way from the client's thread to the pipeline's; bounded in number and bytes.

    One thread puts, one takes: each count is written by one of them, so no lock is needed.
    """

    def __init__(self, most_frames: int = 20_000, most_bytes: int = 64 << 20, patience_s: float = 0.25) -> None:
        self._most_frames = most_frames
        self._patience_s = patience_s
        self._most_bytes = most_bytes
        self._queue: deque[Message] = deque()
        self._wake = threading.Event()
        self._waiting_since_s = 0.0
        self._bytes_in = 0
        self._bytes_out = 0
        self.received = 0
        self.overflow = 0

    @property
    def received_bytes(self) -> int:
        """Return how many bytes of payload were taken since the start."""
        return self._bytes_in

    @property
    def bytes_waiting(self) -> int:
        """Return how many bytes of payload wait."""
        return self._bytes_in - self._bytes_out

    def __len__(self) -> int:
        return len(self._queue)

    def put(self, message: Message) -> bool:
        """Take a message; False when there is no room: the truck, unacknowledged, will send it again.

        When full, it waits a little first: not reading from the network is what slows the broker down.
        """
        self.received += 1
        size = len(message.payload)
        if not self._has_room(size) and not self._room_comes(size):
            self.overflow += 1
            return False
        self._bytes_in += size
        if not self._queue:
            self._waiting_since_s = time.monotonic()
        self._queue.append(message)
        if not self._wake.is_set():
            self._wake.set()
        return True

    def _has_room(self, size: int) -> bool:
        return len(self._queue) < self._most_frames and self.bytes_waiting + size <= self._most_bytes

    def _room_comes(self, size: int) -> bool:
        end = time.monotonic() + self._patience_s
        while time.monotonic() < end:
            time.sleep(0.005)
            if self._has_room(size):
                return True
        return False

    def wake(self) -> None:
        """Let a waiting :meth:`take` return now."""
        self._wake.set()

    def take(self, most: int, wait_s: float, gather_s: float) -> list[Message]:
        """Return up to `most` messages: wait for the first, then a little for others to share its commit.

        The first waits no longer than `gather_s` altogether: what came in while the last batch was committed goes on
        at once, so that under load batches grow instead of the pipeline pausing.
        """
        if not self._queue:
            self._wake.clear()
            if not self._queue:
                self._wake.wait(wait_s)
        if not self._queue:
            return []
        end = self._waiting_since_s + gather_s
        while len(self._queue) < most and (left := end - time.monotonic()) > 0:
            time.sleep(min(left, 0.01))
        taken = [self._queue.popleft() for _ in range(min(most, len(self._queue)))]
        self._bytes_out += sum(len(message.payload) for message in taken)
        return taken


class Ingest:
    """The office's MQTT client: MQTT 3.1.1 (properties of 5 cost a quarter of the throughput), QoS 1, its own thread.

    `on_connected` is called on every connection, after subscribing, on the client's thread.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        inbox: Inbox,
        fleet: str | None = None,
        on_connected: Callable[[], None] | None = None,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._broker = broker
        self._inbox = inbox
        self._clock = clock
        self._on_connected = on_connected
        self._filters = [
            subscription(kind, fleet or "+") for kind in (TopicKind.READINGS, TopicKind.STATUS, TopicKind.BURST)
        ]
        self._ready = threading.Event()
        self.failed_callbacks = 0
        self.refusal = ""
        self._client = self._make_client()

    def _make_client(self) -> mqtt.Client:
        # A clean session: what the broker would keep for us while we are away, the trucks keep anyway.
        client = BufferedClient(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311, clean_session=True)
        client.reconnect_delay_set(1, 15)
        client.max_queued_messages_set(5000)
        if self._broker.user:
            client.username_pw_set(self._broker.user, self._broker.read_password())
        if self._broker.tls:
            try:
                client.tls_set(
                    ca_certs=self._broker.ca_file or None,
                    certfile=self._broker.certificate_file or None,
                    keyfile=self._broker.key_file or None,
                    tls_version=ssl.PROTOCOL_TLS_CLIENT,
                )
            except (OSError, ValueError) as error:
                raise SettingsError(
                    f"the broker's TLS files (broker.ca_file and so on) are of no use: {error}"
                ) from error
        client.on_connect = self._guard(self._connected)
        client.on_disconnect = self._guard(self._disconnected)
        client.on_subscribe = self._guard(self._subscribed)
        client.on_message = lambda _client, _data, message: self._take(message.topic, bytes(message.payload))
        client.on_whole_message = self._take
        # Whatever slips through a guard must not kill the client's thread while is_connected() stays true.
        client.suppress_exceptions = True
        return client

    def start(self) -> None:
        """Begin to connect, and go on trying for ever."""
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=30)
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect; safe to call twice."""
        self._ready.clear()
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def connected(self) -> bool:
        """Return whether the broker has accepted our subscriptions."""
        return self._ready.is_set()

    def wait_connected(self, timeout_s: float) -> bool:
        """Return whether the subscriptions stand within this time."""
        return self._ready.wait(timeout_s)

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> mqtt.MQTTMessageInfo | None:
        """Send a message at QoS 1; None when there is no connection or the client's own queue is full."""
        if not self._ready.is_set():
            return None
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        return info if info.rc == mqtt.MQTT_ERR_SUCCESS else None

    def _take(self, topic: str, payload: bytes) -> None:
        try:  # its own guard, for it runs for every frame
            self._inbox.put(Message(topic, payload, self._clock()))
        except Exception:
            self.failed_callbacks += 1
            _LOG.exception("a message could not be taken")

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self.refusal = f"the broker at {self._broker.address} refuses us: {reason}"
            _LOG.error("%s", self.refusal)
            return
        self.refusal = ""
        client.subscribe([(text, 1) for text in self._filters])

    def _subscribed(self, _client: mqtt.Client, _data: Any, _number: int, reasons: Any, _properties: Any) -> None:
        refused = [text for text, reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        if refused:
            self.refusal = (
                f"the broker at {self._broker.address} refuses to deliver {', '.join(refused)}; check its ACL"
            )
            _LOG.error("%s", self.refusal)
            return
        self._ready.set()
        _LOG.info("connected to the broker at %s", self._broker.address)
        if self._on_connected is not None:
            self._on_connected()

    def _disconnected(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if self._ready.is_set():
            _LOG.warning("lost the broker at %s (%s); trying again", self._broker.address, reason)
        self._ready.clear()

    def _guard(self, callback: Callable[..., None]) -> Callable[..., None]:
        def guarded(*arguments: Any) -> None:
            try:
                callback(*arguments)
            except Exception:
                self.failed_callbacks += 1
                _LOG.exception("an MQTT callback failed")

        return guarded
