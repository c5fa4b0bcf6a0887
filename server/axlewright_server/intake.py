"""Judge one message: a frame to sequence, a status, or something for quarantine. Pure but for the decoder's memory."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, field

from axlewright_models.errors import FrameError, ModelError, TopicError
from axlewright_models.wire.frames import Decoded, Decoder
from axlewright_models.wire.messages import MessageError, Status, decode_burst_piece, decode_message
from axlewright_models.wire.topics import Topic, TopicKind
from axlewright_server.ingest import Message
from axlewright_server.store.bursts import Arrived
from axlewright_server.store.records import MOST_BYTES_KEPT, Quarantined, TruckStatus

MOST_AHEAD_S = 600.0
MOST_BEHIND_S = 400.0 * 86400.0


@dataclass(slots=True)
class Item:
    """A numbered frame on its way; `decoded` is None when it only uses up its number (it is in quarantine)."""

    vehicle: str
    stream: str
    seq: int
    after: int | None
    thinned: int
    arrived_s: float
    decoded: Decoded | None
    payload: bytes
    topic: str
    quarantined: Quarantined | None = None


@dataclass
class Taken:
    """What a batch of messages came to. `heard`: streams to acknowledge, "" where the stream could not be read.

    All statuses of a truck are here, in order: each may hold the answer to another command.
    """

    items: list[Item] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    statuses: list[TruckStatus] = field(default_factory=list)
    bursts: list[Arrived] = field(default_factory=list)
    heard: set[tuple[str, str]] = field(default_factory=set)


class Intake:
    """Reads messages of one fleet."""

    def __init__(self, fleet: str, vehicles: Container[str]) -> None:
        self._fleet = fleet
        self._vehicles = vehicles
        self._decoder = Decoder()
        self._topics: dict[str, Topic] = {}

    def take(self, message: Message, now_s: float, taken: Taken) -> None:
        """Judge a message and add what it came to."""
        try:
            topic = self._topic(message.topic)
        except TopicError as error:
            taken.quarantined.append(quarantined(message, now_s, "topic", str(error)))
            return
        stranger = self._stranger(topic)
        if stranger is not None:
            # Not acknowledged: the truck keeps its readings until the fleet file knows it.
            taken.quarantined.append(quarantined(message, now_s, *stranger))
        elif topic.kind is TopicKind.READINGS:
            self._readings(message, topic, now_s, taken)
        elif topic.kind is TopicKind.STATUS:
            _status(message, topic, now_s, taken)
        elif topic.kind is TopicKind.BURST:
            _burst(message, topic, now_s, taken)
        else:
            reason = f"the office takes readings, status and bursts; {topic.kind.value!r} is not for it"
            taken.quarantined.append(quarantined(message, now_s, "topic", reason))

    def _topic(self, text: str) -> Topic:
        topic = self._topics.get(text)
        if topic is None:
            topic = Topic.parse(text)
            if self._stranger(topic) is None:  # only as many as the fleet has
                self._topics[text] = topic
        return topic

    def _stranger(self, topic: Topic) -> tuple[str, str] | None:
        if topic.fleet != self._fleet:
            return "unknown-fleet", f"fleet {topic.fleet!r} is not this office's ({self._fleet!r})"
        if topic.vehicle not in self._vehicles:
            return "unknown-vehicle", f"vehicle {topic.vehicle!r} is not in the fleet file; add it there"
        return None

    def _readings(self, message: Message, topic: Topic, now_s: float, taken: Taken) -> None:
        try:
            frame = self._decoder.decode(message.payload, topic)
        except ModelError as error:
            stream, seq = (error.stream, error.seq) if isinstance(error, FrameError) else (None, None)
            _set_aside(
                message, topic.vehicle, stream, seq, quarantined(message, now_s, "unreadable", str(error)), taken
            )
            return
        except (ValueError, TypeError, ArithmeticError, LookupError, RecursionError) as error:
            # A fault of ours must not stop the others' frames; the bytes are kept to mend it by.
            reason = f"internal error while reading it: {type(error).__name__}: {error}"
            _set_aside(message, topic.vehicle, None, None, quarantined(message, now_s, "internal", reason), taken)
            return
        wrong_time = _wrong_time(frame, now_s)
        if wrong_time is not None:
            kept = quarantined(message, now_s, "time", wrong_time)
            _set_aside(message, topic.vehicle, frame.stream, frame.seq, kept, taken, frame.after)
            return
        taken.heard.add((topic.vehicle, frame.stream))
        taken.items.append(
            Item(
                topic.vehicle,
                frame.stream,
                frame.seq,
                frame.after,
                frame.thinned,
                message.arrived_s,
                frame,
                message.payload,
                message.topic,
            )
        )


def quarantined(message: Message, now_s: float, kind: str, reason: str) -> Quarantined:
    """Return the quarantine's entry for a message."""
    payload = message.payload
    return Quarantined(
        0, round(now_s * 1000), message.topic, kind, reason, len(payload), bytes(payload[:MOST_BYTES_KEPT])
    )


def _set_aside(
    message: Message,
    vehicle: str,
    stream: str | None,
    seq: int | None,
    kept: Quarantined,
    taken: Taken,
    after: int | None = None,
) -> None:
    if stream is None or seq is None:
        taken.quarantined.append(kept)
        taken.heard.add((vehicle, ""))
        return
    # It uses up its number, or the truck would send it for ever.
    taken.heard.add((vehicle, stream))
    taken.items.append(
        Item(vehicle, stream, seq, after, 0, message.arrived_s, None, message.payload, message.topic, kept)
    )


def _status(message: Message, topic: Topic, now_s: float, taken: Taken) -> None:
    if not message.payload:  # how a retained message is taken back
        return
    try:
        status = decode_message(message.payload, Status)
    except MessageError as error:
        taken.quarantined.append(quarantined(message, now_s, "status", str(error)))
        return
    # No ack for a status: a truck counts an ack that does not cover a frame it has sent again against that frame, and
    # the frame may only have found no room here.
    taken.statuses.append(TruckStatus(topic.vehicle, round(now_s * 1000), status))


def _burst(message: Message, topic: Topic, now_s: float, taken: Taken) -> None:
    try:
        piece = decode_burst_piece(message.payload)
    except ModelError as error:
        taken.quarantined.append(quarantined(message, now_s, "burst", str(error)))
        return
    if topic.item != piece.command:
        reason = f"it says that it belongs to burst {piece.command!r}, its topic names {topic.item!r}"
        taken.quarantined.append(quarantined(message, now_s, "burst", reason))
        return
    taken.bursts.append(Arrived(topic.vehicle, round(now_s * 1000), message.topic, piece, bytes(message.payload)))


def _wrong_time(frame: Decoded, now_s: float) -> str | None:
    # Unknown channels too: they become rows, and a row in the future would make all that follows too late to judge.
    times = [*(key[0] for key in frame.rows), *(key[0] for key in frame.extras)]
    if not times:
        return None
    first, last = min(times), max(times)
    if last > now_s + MOST_AHEAD_S:
        return (
            f"time stamp {last:.0f} lies {last - now_s:.0f} s in the future (at most {MOST_AHEAD_S:.0f} s are allowed)"
        )
    if first < now_s - MOST_BEHIND_S:
        days = (now_s - first) / 86400.0
        return (
            f"time stamp {first:.0f} lies {days:.0f} days in the past (at most {MOST_BEHIND_S / 86400:.0f} are allowed)"
        )
    return None
