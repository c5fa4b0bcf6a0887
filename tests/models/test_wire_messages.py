"""JSON messages: survive the wire, follow their own schema, and are refused by the member that is wrong."""

import json

import cbor2
import jsonschema
import msgspec
import pytest

from axlewright_models.wire.messages import (
    MESSAGES,
    Ack,
    AdvisoryMessage,
    AxleLimits,
    BurstPiece,
    Cause,
    CheckToDo,
    Command,
    Evidence,
    LimitsMessage,
    MessageError,
    Status,
    decode_burst_piece,
    decode_message,
    encode_burst_piece,
    encode_message,
    message_schema,
)

EVERY_KIND = [
    Status(online=True, version="0.1.0", stream="a1", queued=3, oldest_seq=7, clock="set", time_s=1.7e9),
    Status(online=False, version="0.1.0", stream="a1", queued=0, clock="unset", time_s=0.0, note="last will"),
    Ack(stream="a1", seq=12),
    Command(id="c-1", action="capture-burst", seconds=4.0, axle=2, sample_rate_hz=6400.0),
    BurstPiece(
        command="c-1",
        axle=2,
        piece=1,
        pieces=1,
        begin_s=1.7e9,
        sample_rate_hz=6400.0,
        samples=2,
        sensors=["pinion-2"],
        scales=[0.01],
        data=b"\x78\x9c\xff",
    ),
    AdvisoryMessage(
        id="t07-2-height-1",
        fleet="harrow-vale",
        vehicle="t07",
        axle=2,
        cause="height-valve-out-of-set",
        title="Axle 2 stands 11 mm low",
        state="unacknowledged",
        urgency="within-a-day",
        confidence=0.91,
        since_s=1.7e9,
        updated_s=1.7e9 + 60.0,
        summary="Both sides 11 mm below specification since this morning.",
        evidence=[Evidence(channel="height/left", text="11 mm low", begin_s=1.0, end_s=2.0, value=-11.0, limit=6.0)],
        causes=[Cause(id="height-valve", title="Height valve out of set", probability=0.8, why="both sides alike")],
        checks=[CheckToDo(id="ride-height", text="Measure the ride height", limit="within 6 mm")],
        cautions=["Support the frame before reaching under it."],
    ),
    LimitsMessage(version="a1", fleet="harrow-vale", vehicle="t07", axles=[AxleLimits(axle=2, lube_limit_cel=121.0)]),
]


@pytest.mark.parametrize("message", EVERY_KIND, ids=lambda message: type(message).__name__)
def test_every_message_survives_the_wire(message):
    assert decode_message(encode_message(message), type(message)) == message


@pytest.mark.parametrize("message", EVERY_KIND, ids=lambda message: type(message).__name__)
def test_every_message_follows_its_exported_schema(message):
    schema = message_schema(type(message))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(encode_message(message)), schema, cls=jsonschema.Draft202012Validator)


def test_every_kind_of_message_is_exported():
    assert {type(message) for message in EVERY_KIND} == set(MESSAGES)


WRONG_MESSAGES = [
    (b"", Ack, "not a valid Ack: Input data was truncated"),
    (b"{}", Ack, "Object missing required field `stream`"),
    (b'{"stream":"a/1","seq":1}', Ack, "at `$.stream`"),
    (b'{"stream":"a1","seq":1.5}', Ack, "at `$.seq`"),
    (b'{"id":"c","action":"explode","seconds":1}', Command, "at `$.action`"),
    (b'{"id":"c","action":"set-window","seconds":0}', Command, "at `$.seconds`"),
    (b'{"stream":"\xff","seq":1}', Ack, "not a valid Ack"),
]


@pytest.mark.parametrize(("payload", "kind", "message"), WRONG_MESSAGES)
def test_a_wrong_message_is_refused_by_the_member_that_is_wrong(payload, kind, message):
    with pytest.raises(MessageError) as caught:
        decode_message(payload, kind)
    assert message in str(caught.value)


@pytest.mark.parametrize("state", ["Closed", "", "open"])
def test_an_unknown_state_of_an_advisory_is_refused(state):
    document = msgspec.to_builtins(EVERY_KIND[-1]) | {"state": state}
    with pytest.raises(MessageError, match=r"at `\$\.state`"):
        decode_message(json.dumps(document).encode(), AdvisoryMessage)


def test_members_of_a_later_version_are_ignored():
    assert decode_message(b'{"stream":"a1","seq":1,"later":true}', Ack) == Ack(stream="a1", seq=1)


def test_a_piece_of_a_burst_survives_as_cbor():
    piece = next(message for message in EVERY_KIND if isinstance(message, BurstPiece))
    assert decode_burst_piece(encode_burst_piece(piece)) == piece


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"axle": 0}, "at `$.axle`"),
        ({"data": bytes(16 * 1024 + 1)}, "at `$.data`"),
        ({"scales": ["much"]}, "at `$.scales[0]`"),
    ],
)
def test_a_wrong_piece_of_a_burst_is_refused_by_member(change, message):
    piece = next(message for message in EVERY_KIND if isinstance(message, BurstPiece))
    document = msgspec.to_builtins(piece, builtin_types=(bytes,)) | change
    with pytest.raises(MessageError) as caught:
        decode_burst_piece(cbor2.dumps(document))
    assert message in str(caught.value)
    with pytest.raises(MessageError, match="not a valid BurstPiece: not CBOR"):
        decode_burst_piece(b"")
