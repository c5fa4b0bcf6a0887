"""One connection to the broker, from CONNECT to its end: frames out, acks and commands in, status now and then.

All of it runs in the thread that calls :meth:`Session.run`: paho's callbacks are called from its `loop`, so nothing
here needs a lock, and an exception in a callback cannot kill a thread that nobody watches.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Any, Protocol

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from axlewright_edge.burst_flow import BurstFlow
from axlewright_edge.clock import Clock
from axlewright_edge.config import BrokerSettings
from axlewright_edge.frame_flow import FrameFlow
from axlewright_edge.notes import Notes
from axlewright_edge.transport import secure
from axlewright_models.errors import ModelError
from axlewright_models.wire.messages import (
    Ack,
    Command,
    Identifier,
    MessageError,
    Status,
    decode_message,
    encode_message,
)
from axlewright_models.wire.topics import Topic, TopicKind, subscription

LOGGER = logging.getLogger(__name__)
PACE_S = 0.2
CONNACK_WITHIN_S = 10.0
CONFIRM_WITHIN_S = 30.0
GOODBYE_WITHIN_S = 3.0
# A command is a few hundred bytes; whatever is longer is none.
LONGEST_MESSAGE_BYTES = 16 * 1024
_SESSION_TAKEN_OVER = 0x8E  # MQTT 5.0, table 2-6
_NOBODY_TAKES_IT = 0x10  # "No matching subscribers", MQTT 5.0, table 3-4


class End(Enum):
    """How a connection ended."""

    UNREACHABLE = "no connection"
    VERSION = "closed before it was accepted"
    REFUSED = "refused"
    LOST = "lost"
    TAKEN = "taken over by another client of the same name"
    STOPPED = "stopped"


class Advisories(Protocol):
    """Who wants to hear of the advisories that stand against the truck."""

    def begin(self) -> None:
        """Note a new connection: all that stand are about to be heard again."""

    def take(self, item: str, payload: bytes) -> None:
        """Take what is retained under an advisory's id; raises ModelError for what is none."""


@dataclass(frozen=True)
class Desk:
    """What a session does its work with: whose it is, and whom it asks and tells."""

    fleet: str
    vehicle: str
    settings: BrokerSettings
    clock: Clock
    flow: FrameFlow
    notes: Notes
    status: Callable[[bool, str], Status]
    command: Callable[[Command], None]
    limits: Callable[[bytes], str]
    advisories: Advisories | None
    stopping: Callable[[], bool]
    bursts: BurstFlow | None = None
    connected: Callable[[], None] = lambda: None

    def topic(self, kind: TopicKind, item: str | None = None) -> str:
        """Return this truck's topic of one kind."""
        return Topic(self.fleet, self.vehicle, kind, item).text


class Session:
    """One connection; used once.

    Parameters
    ----------
    desk : Desk
        Settings and neighbours.
    version : MQTTProtocolVersion
        What to speak.
    """

    def __init__(self, desk: Desk, version: MQTTProtocolVersion) -> None:
        self._desk = desk
        self._version = version
        self.stood = False
        self.reason = ""
        self._complaint = ""
        self._refused = False
        self._taken = False
        self._ended = False
        self._acks: list[Ack] = []
        self._notes_on_their_way: dict[int, str] = {}
        self._status_due = False
        self._status_at_s = 0.0
        self._client = self._make_client()

    def run(self) -> End:
        """Connect and work until the connection or the agent ends."""
        address = self._desk.settings.address
        try:
            self._client.connect(address.host, address.port, self._desk.settings.keep_alive_s)
        except (OSError, ValueError) as error:
            self.reason = f"{address.host}:{address.port}: {error}"
            return End.UNREACHABLE
        try:
            return self._work()
        finally:
            self._hang_up()

    def status_due(self) -> None:
        """Ask for a status message soon; any thread may."""
        self._status_due = True

    def _work(self) -> End:
        begun_s = self._desk.clock.elapsed()
        while not self._ended:
            if self._desk.stopping():
                self._say_goodbye()
                return End.STOPPED
            code = self._client.loop(PACE_S)
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                self.reason = self.reason or self._complaint or mqtt.error_string(code)
                break
            if self.stood:
                self._turn()
            elif self._desk.clock.elapsed() - begun_s > CONNACK_WITHIN_S:
                self.reason = f"no CONNACK within {CONNACK_WITHIN_S:g} s"
                break
        if self._refused:
            return End.REFUSED
        if self._taken:
            return End.TAKEN
        return End.LOST if self.stood else End.VERSION

    def _turn(self) -> None:
        flow, now_s = self._desk.flow, self._desk.clock.elapsed()
        acks, self._acks = self._acks, []
        for ack in acks:
            flow.acked(ack.seq, now_s, ack.stream)
        flow.tend(now_s)
        # Before the frames: on a slow link it must not stand behind them.
        if self._status_due or now_s - self._status_at_s >= self._desk.settings.status_every_s:
            self._publish_status(online=True)
        flow.pump(self._publish_frame, now_s)
        bursts = self._desk.bursts
        if (
            bursts is not None
            and flow.caught_up
            and flow.may_send(now_s)
            and (sent := bursts.pump(self._publish_burst, now_s))
        ):
            flow.spent(sent, now_s)
        if flow.unconfirmed_for(now_s) > CONFIRM_WITHIN_S:
            self.reason = f"the broker has confirmed nothing for {CONFIRM_WITHIN_S:g} s"
            self._ended = True

    def _publish_frame(self, payload: bytes) -> int | None:
        info = self._client.publish(self._desk.topic(TopicKind.READINGS), payload, qos=1)
        return info.mid if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None

    def _publish_burst(self, name: str, payload: bytes) -> int | None:
        info = self._client.publish(self._desk.topic(TopicKind.BURST, name), payload, qos=1)
        return info.mid if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None

    def _publish_status(self, online: bool) -> mqtt.MQTTMessageInfo:
        note = self._desk.notes.take()
        self._status_due = self._desk.notes.waiting > 0
        self._status_at_s = self._desk.clock.elapsed()
        payload = encode_message(self._desk.status(online, self._desk.notes.last))
        info = self._client.publish(self._desk.topic(TopicKind.STATUS), payload, qos=1, retain=True)
        if note is not None:
            self._notes_on_their_way[info.mid] = note
        return info

    def _say_goodbye(self) -> None:
        if not self.stood:
            return
        while self._desk.notes.waiting:
            self._publish_status(online=True)
        farewell = self._publish_status(online=False)
        deadline_s = self._desk.clock.elapsed() + GOODBYE_WITHIN_S
        while not farewell.is_published() and self._desk.clock.elapsed() < deadline_s:
            if self._client.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
        for ack in self._acks:
            self._desk.flow.acked(ack.seq, self._desk.clock.elapsed(), ack.stream)

    def _hang_up(self) -> None:
        self._desk.flow.disconnected()
        if self._desk.bursts is not None:
            self._desk.bursts.disconnected()
        # Not confirmed by the broker: said again on the next connection.
        self._desk.notes.put_back(list(self._notes_on_their_way.values()))
        # Only an orderly stop takes the last will back; on any other end the broker must send it.
        if self._desk.stopping():
            self._client.disconnect()
            self._client.loop(0.1)
        elif (socket := self._client.socket()) is not None:
            socket.close()

    def _make_client(self) -> mqtt.Client:
        desk, settings = self._desk, self._desk.settings
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"axlewright-{desk.fleet}-{desk.vehicle}",
            protocol=self._version,
            clean_session=None if self._version == MQTTProtocolVersion.MQTTv5 else True,
        )
        client.max_inflight_messages_set(settings.in_flight + 20)
        client.will_set(
            desk.topic(TopicKind.STATUS), encode_message(desk.status(False, desk.notes.last)), qos=1, retain=True
        )
        if settings.user:
            client.username_pw_set(settings.user, settings.secret() or None)
        secure(client, settings)
        client.on_connect = self._guarded(self._on_connect)
        client.on_disconnect = self._guarded(self._on_disconnect)
        client.on_message = self._guarded(self._on_message)
        client.on_log = self._guarded(self._on_log)
        client.on_publish = self._guarded(self._on_publish)
        return client

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        # Any: paho's callbacks differ in their arguments; each is checked where it is written.
        def protected(*arguments: Any) -> None:
            try:
                callback(*arguments)
            except Exception:
                LOGGER.exception("%s: a message could not be handled", self._desk.vehicle)

        return protected

    def _on_connect(
        self, client: mqtt.Client, _: object, flags: mqtt.ConnectFlags, code: ReasonCode, properties: Properties | None
    ) -> None:
        if code.is_failure:
            self.reason = str(code)
            self._ended = True
            self._refused = "protocol version" not in self.reason.lower()
            return
        self.stood = True
        self._desk.connected()
        if properties is not None:
            self._desk.flow.broker_limits(
                getattr(properties, "ReceiveMaximum", None), getattr(properties, "MaximumPacketSize", None)
            )
            if self._desk.bursts is not None:
                self._desk.bursts.broker_limit(getattr(properties, "MaximumPacketSize", None))
        for kind in (TopicKind.ACK, TopicKind.COMMAND, TopicKind.LIMITS):
            client.subscribe(self._desk.topic(kind), qos=1)
        if self._desk.advisories is not None:
            self._desk.advisories.begin()
            client.subscribe(subscription(TopicKind.ADVISORY, self._desk.fleet, self._desk.vehicle), qos=1)
        self._publish_status(online=True)

    def _on_disconnect(
        self, client: mqtt.Client, _: object, flags: mqtt.DisconnectFlags, code: ReasonCode, properties: object
    ) -> None:
        self._ended = True
        self._taken = code.value == _SESSION_TAKEN_OVER
        self.reason = self.reason or self._complaint or str(code)

    def _on_log(self, client: mqtt.Client, _: object, level: int, text: str) -> None:
        # What paho does not raise, such as the alert by which a broker turns an expired certificate away.
        if level == mqtt.MQTT_LOG_ERR:
            self._complaint = text

    def _on_publish(self, client: mqtt.Client, _: object, mid: int, code: ReasonCode, properties: object) -> None:
        refusal = str(code) if code.is_failure else ""
        self._notes_on_their_way.pop(mid, None)
        now_s = self._desk.clock.elapsed()
        taken = not code.is_failure and code.value != _NOBODY_TAKES_IT
        if self._desk.bursts is not None and self._desk.bursts.confirmed(mid, taken, now_s):
            if refusal:
                self._say(f"the broker refuses bursts: {refusal}")
            return
        if self._desk.flow.confirmed(mid, now_s) and refusal:
            self._say(f"the broker refuses frames: {refusal}")

    def _on_message(self, client: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        payload = bytes(message.payload)
        try:
            topic = Topic.parse(message.topic)
            kind = topic.kind
            if kind is TopicKind.ADVISORY:
                if self._desk.advisories is not None and topic.item is not None:
                    self._desk.advisories.take(topic.item, payload)
                return
            if len(payload) > LONGEST_MESSAGE_BYTES:
                raise MessageError(f"{len(payload)} bytes; at most {LONGEST_MESSAGE_BYTES} are read")
            if kind is TopicKind.ACK:
                ack = decode_message(payload, Ack)
                if ack.stream == self._desk.flow.stream:
                    self._acks.append(ack)
            elif kind is TopicKind.COMMAND:
                self._desk.command(decode_message(payload, Command))
            elif kind is TopicKind.LIMITS and (note := self._desk.limits(payload)):
                self._say(note)
        except ModelError as error:
            name = _id_of(payload)
            self._say(f"command {name}: refused, {error}" if name else f"message not understood: {error}")

    def _say(self, note: str) -> None:
        self._desk.notes.add(note)
        self._status_due = True


class _OnlyId(msgspec.Struct):
    id: Identifier


def _id_of(payload: bytes) -> str:
    """Return the id of a command that is wrong otherwise, so that its sender learns which one was refused."""
    try:
        return decode_message(payload[:LONGEST_MESSAGE_BYTES], _OnlyId).id
    except MessageError:
        return ""
