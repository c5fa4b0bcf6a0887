"""The messages of the wire contract that are plain JSON: status, ack, command, advisory and limits.

Each is a frozen msgspec struct: its JSON Schema is derived from the same declaration that decodes it.
Members that a later version adds are ignored by this one; members that are missing take the defaults shown here.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeVar

import cbor2
import msgspec

from axlewright_models.errors import FrameError, ModelError
from axlewright_models.wire.senml import load_cbor

StreamName = Annotated[str, msgspec.Meta(pattern="^[A-Za-z0-9._-]{1,64}$", description="Id of a truck's outbox.")]
Identifier = Annotated[str, msgspec.Meta(pattern="^[a-z0-9-]{1,64}$")]
SensorName = Annotated[str, msgspec.Meta(max_length=100)]
Count = Annotated[int, msgspec.Meta(ge=0)]
UnixSeconds = Annotated[float, msgspec.Meta(description="Unix time in seconds.")]
Share = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]
State = Literal[
    "unacknowledged",
    "acknowledged",
    "returned-to-normal",
    "returned-unacknowledged",
    "shelved",
    "suppressed",
    "closed",
]
Urgency = Literal["stop-safely-now", "within-a-day", "next-service"]

MessageType = TypeVar("MessageType", bound=msgspec.Struct)


class MessageError(ModelError):
    """A JSON message does not follow its schema; the text holds the path of the wrong member."""


class SourceHealth(msgspec.Struct, frozen=True, kw_only=True):
    """How one of a truck's sources is doing."""

    name: str
    state: Annotated[
        Literal["ok", "stale", "failed"], msgspec.Meta(description="stale: open, but something expected is silent.")
    ]
    note: str = ""


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """How a truck's agent is doing; retained, and the last will says ``online = false``."""

    online: bool
    version: str
    stream: StreamName
    queued: Count
    oldest_seq: Count | None = None
    thinned: Annotated[int, msgspec.Meta(ge=0, description="Windows dropped because the outbox was full.")] = 0
    set_aside: Annotated[int, msgspec.Meta(ge=0, description="Frames that the server never acknowledged.")] = 0
    clock: Annotated[Literal["set", "unset"], msgspec.Meta(description="Whether the truck's clock can be trusted.")]
    time_s: UnixSeconds
    note: str = ""
    oldest_unsent_s: Annotated[float, msgspec.Meta(description="Age of the oldest frame that waits.")] | None = None
    cpu_share: Annotated[float, msgspec.Meta(ge=0.0, description="Of one core, since the last status.")] | None = None
    memory_bytes: Count | None = None
    gateway_cel: Annotated[float, msgspec.Meta(description="Temperature of the gateway's processor.")] | None = None
    sources: list[SourceHealth] = []
    limits_version: Annotated[str, msgspec.Meta(description="Of the limits that the guard on board goes by.")] = ""


class Ack(msgspec.Struct, frozen=True, kw_only=True):
    """The server has committed every frame of this stream up to and including ``seq``."""

    stream: StreamName
    seq: Count


class Command(msgspec.Struct, frozen=True, kw_only=True):
    """What the server asks a truck to do."""

    id: Identifier
    action: Literal["capture-burst", "set-window"]
    seconds: Annotated[float, msgspec.Meta(gt=0.0, le=3600.0, description="Length of the burst or of the new window.")]
    axle: Annotated[int, msgspec.Meta(ge=1, le=99, description="Axle to record, from the front.")] | None = None
    sample_rate_hz: Annotated[float, msgspec.Meta(gt=0.0)] | None = None
    expires_s: UnixSeconds | None = None


class BurstPiece(msgspec.Struct, frozen=True, kw_only=True):
    """One piece of a recorded waveform of one axle; on the wire a CBOR map with these names.

    The pieces' ``data``, joined in order, are a zlib stream. Inflated, it holds first all low and then all high bytes
    of 16-bit numbers, sensor after sensor: the differences from count to count, from 0 on, wrapping around. A count
    times the sensor's ``scales`` is the acceleration in m/s2. ``turns`` are those of the driveshaft at evenly spaced
    times, the first at the first sample, the last at the last; empty when they are not known.
    """

    command: Annotated[str, msgspec.Meta(pattern="^[a-z0-9-]{1,64}$", description="Id of the command that asked.")]
    axle: Annotated[int, msgspec.Meta(ge=1, le=99)]
    piece: Annotated[int, msgspec.Meta(ge=1)]
    pieces: Annotated[int, msgspec.Meta(ge=1, le=4096)]
    begin_s: UnixSeconds
    sample_rate_hz: Annotated[float, msgspec.Meta(gt=0.0)]
    samples: Annotated[int, msgspec.Meta(ge=1, description="Of each sensor.")]
    sensors: Annotated[list[SensorName], msgspec.Meta(min_length=1, max_length=16)]
    scales: Annotated[
        list[Annotated[float, msgspec.Meta(gt=0.0, description="m/s2 per count, of each sensor.")]],
        msgspec.Meta(min_length=1, max_length=16),
    ]
    data: Annotated[bytes, msgspec.Meta(max_length=16 * 1024)]
    turns: Annotated[list[float], msgspec.Meta(max_length=256)] = []
    turns_tolerance: Annotated[float, msgspec.Meta(ge=0.0, description="Relative error of the turns.")] = 0.0
    reason: Annotated[str, msgspec.Meta(max_length=200, description="Why it was recorded.")] = ""


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that speaks for an advisory: the channel, what it did, and the range to plot."""

    channel: str
    text: str
    begin_s: UnixSeconds
    end_s: UnixSeconds
    value: float | None = None
    limit: float | None = None
    unit: str = ""


class Cause(msgspec.Struct, frozen=True, kw_only=True):
    """One likely cause, with its probability and the path by which lube would leave the axle."""

    id: Identifier
    title: str
    probability: Share
    why: str
    leak_path: str = ""


class CheckToDo(msgspec.Struct, frozen=True, kw_only=True):
    """One check for the shop, and the limit that it is checked to."""

    id: Identifier
    text: str
    limit: str = ""


class AdvisoryMessage(msgspec.Struct, frozen=True, kw_only=True):
    """What is wrong, how sure that is, since when, why, what to check first and how soon."""

    id: Identifier
    fleet: Identifier
    vehicle: Identifier
    axle: Annotated[int, msgspec.Meta(ge=0, le=99, description="From the front; 0 = the vehicle itself.")]
    cause: Identifier
    title: str
    state: State
    urgency: Urgency
    confidence: Share
    since_s: UnixSeconds
    updated_s: UnixSeconds
    summary: str
    evidence: list[Evidence] = []
    causes: list[Cause] = []
    checks: list[CheckToDo] = []
    cautions: list[str] = []
    shelved_until_s: UnixSeconds | None = None
    closed_reason: str | None = None
    supersedes: Identifier | None = None
    same_event_as: (
        Annotated[
            Identifier,
            msgspec.Meta(description="Advisory on another axle of the truck that probably tells the same event."),
        ]
        | None
    ) = None


class AxleLimits(msgspec.Struct, frozen=True, kw_only=True):
    """The limits of one axle that a truck's guard on board goes by; None: no such guard."""

    axle: Annotated[int, msgspec.Meta(ge=1, le=99, description="From the front.")]
    lube_limit_cel: float | None = None
    lube_rise_limit_cel_per_min: Annotated[float, msgspec.Meta(gt=0.0)] | None = None
    ride_height_mm: float | None = None
    height_loss_limit_mm: Annotated[float, msgspec.Meta(gt=0.0)] | None = None


class LimitsMessage(msgspec.Struct, frozen=True, kw_only=True):
    """Limits from the truck's specification, for its guard on board; retained, and kept on the truck's disk."""

    version: Annotated[str, msgspec.Meta(pattern="^[a-z0-9-]{1,64}$", description="Changes with the content.")]
    fleet: Identifier
    vehicle: Identifier
    axles: list[AxleLimits]


MESSAGES: tuple[type[msgspec.Struct], ...] = (Status, Ack, Command, BurstPiece, AdvisoryMessage, LimitsMessage)

_encoder = msgspec.json.Encoder()


def encode_message(message: msgspec.Struct) -> bytes:
    """Return `message` as JSON.

    Examples
    --------
    >>> encode_message(Ack(stream="a1", seq=12))
    b'{"stream":"a1","seq":12}'
    """
    return _encoder.encode(message)


def decode_message(payload: bytes, kind: type[MessageType]) -> MessageType:
    """Return the message of this `kind` that `payload` holds.

    Raises
    ------
    MessageError
        The payload is no JSON, or a member is missing or wrong; the text names it.

    Examples
    --------
    >>> decode_message(b'{"stream": "a1", "seq": -3}', Ack)
    Traceback (most recent call last):
    ...
    axlewright_models.wire.messages.MessageError: not a valid Ack: Expected `int` >= 0 - at `$.seq`
    """
    try:
        return msgspec.json.decode(payload, type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise MessageError(f"not a valid {kind.__name__}: {error}") from error


def encode_burst_piece(piece: BurstPiece) -> bytes:
    """Return `piece` as CBOR."""
    return cbor2.dumps(msgspec.to_builtins(piece, builtin_types=(bytes,)))


def decode_burst_piece(payload: bytes) -> BurstPiece:
    """Return the piece that `payload` holds.

    Raises
    ------
    MessageError
        The payload is no CBOR, or a member is missing or wrong; the text names it.
    """
    try:
        return msgspec.convert(load_cbor(payload), BurstPiece)
    except (FrameError, msgspec.ValidationError) as error:
        raise MessageError(f"not a valid BurstPiece: {error}") from error


def message_schema(kind: type[msgspec.Struct]) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one kind of message, with its parts under ``$defs``."""
    return msgspec.json.schema(kind)
