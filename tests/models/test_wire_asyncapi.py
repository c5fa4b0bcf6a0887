"""The AsyncAPI document, held against real encoded messages and against the code that it describes."""

import copy
import json
import re

import jsonschema
import pytest

from axlewright_models.signals import CHANNELS
from axlewright_models.wire import senml
from axlewright_models.wire.asyncapi import LABELS, asyncapi_document
from axlewright_models.wire.examples import EXAMPLE_FRAME, EXAMPLE_MESSAGES
from axlewright_models.wire.frames import Frame, Window, decode_frame, encode_frame
from axlewright_models.wire.messages import MESSAGES, encode_message
from axlewright_models.wire.topics import Topic, TopicKind

DOCUMENT = asyncapi_document()


def references(part):
    if isinstance(part, dict):
        if "$ref" in part:
            yield part["$ref"]
        for value in part.values():
            yield from references(value)
    elif isinstance(part, list):
        for value in part:
            yield from references(value)


def resolve(reference: str):
    part = DOCUMENT
    for step in reference.removeprefix("#/").split("/"):
        part = part[step]
    return part


def validator(schema: str) -> jsonschema.Draft202012Validator:
    # The schemas refer to each other by their place in the document, so the components come along.
    root = {"$ref": f"#/components/schemas/{schema}", "components": DOCUMENT["components"]}
    return jsonschema.Draft202012Validator(root)


def test_the_document_is_plain_json():
    assert json.loads(json.dumps(DOCUMENT)) == DOCUMENT
    assert DOCUMENT["asyncapi"] == "3.0.0"


def test_every_reference_leads_somewhere():
    found = list(references(DOCUMENT))
    assert len(found) > 20
    for reference in found:
        assert isinstance(resolve(reference), dict)


@pytest.mark.parametrize("kind", TopicKind)
def test_every_kind_of_topic_has_a_channel_that_parses_as_our_topic(kind):
    channel = DOCUMENT["channels"][kind.value]
    parameters = re.findall(r"\{(\w+)\}", channel["address"])
    assert set(parameters) == set(channel["parameters"])
    text = re.sub(r"\{(\w+)\}", r"id-\1", channel["address"])
    assert Topic.parse(text).kind is kind


@pytest.mark.parametrize("kind", TopicKind)
def test_every_channel_has_one_operation_and_what_trucks_send_is_received(kind):
    (operation,) = [
        operation
        for operation in DOCUMENT["operations"].values()
        if operation["channel"]["$ref"] == f"#/channels/{kind.value}"
    ]
    trucks_send = kind in (TopicKind.READINGS, TopicKind.BURST, TopicKind.STATUS)
    assert operation["action"] == ("receive" if trucks_send else "send")
    retained = kind in (TopicKind.STATUS, TopicKind.ADVISORY, TopicKind.LIMITS)
    assert operation["bindings"]["mqtt"] == {"qos": 1, "retain": retained, "bindingVersion": "0.2.0"}


def test_every_schema_is_a_schema():
    for schema in DOCUMENT["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("struct", MESSAGES)
def test_real_messages_follow_the_published_schemas(struct):
    for example in EXAMPLE_MESSAGES[struct]:
        validator(struct.__name__).validate(json.loads(encode_message(example)))


@pytest.mark.parametrize("name", DOCUMENT["components"]["messages"])
def test_every_published_example_follows_its_own_schema(name):
    message = DOCUMENT["components"]["messages"][name]
    schema = message["payload"]["$ref"].rpartition("/")[2]
    assert message["examples"]
    for example in message["examples"]:
        validator(schema).validate(example["payload"])


FULL_WINDOW = Window(
    1.79e9,
    {channel.name: channel.high for channel in CHANNELS if channel.scope.value == "vehicle"},
    {2: {channel.name: channel.low for channel in CHANNELS if channel.scope.value == "axle"}},
)


@pytest.mark.parametrize(
    "frame",
    [EXAMPLE_FRAME, Frame("f", "v", "a1", 1, ()), Frame("f", "v", "a1", 9, (FULL_WINDOW,), after=3, thinned=5)],
)
def test_real_frames_follow_the_published_schema_in_both_forms(frame):
    validator("Frame").validate(json.loads(encode_frame(frame, "json")))
    validator("Frame").validate(senml.parse_cbor(encode_frame(frame, "cbor")))


def test_the_example_frame_is_a_frame():
    payload = json.dumps(DOCUMENT["components"]["messages"]["FrameJson"]["examples"][0]["payload"]).encode()
    assert decode_frame(payload).seq == EXAMPLE_FRAME.seq


def spoil(change):
    records = json.loads(encode_frame(EXAMPLE_FRAME, "json"))
    change(records)
    return records


@pytest.mark.parametrize(
    "change",
    [
        lambda records: records.clear(),
        lambda records: records.pop(1),
        lambda records: records[0].pop("vs"),
        lambda records: records[1].update(v=0),
        lambda records: records[1].update(v=1.5),
        lambda records: records[2].update(v="fast"),
        lambda records: records[2].update(vs="fast"),
        lambda records: records[2].update(exact_=True),
        lambda records: records.extend([{"n": "x", "v": 1}] * 600),
    ],
)
def test_the_schema_refuses_what_the_decoder_refuses(change):
    records = spoil(change)
    assert not validator("Frame").is_valid(records)
    with pytest.raises(ValueError, match=r".+"):
        decode_frame(json.dumps(records).encode())


def test_every_label_and_every_channel_is_described():
    assert LABELS.keys() == senml.CBOR_LABELS.keys()
    schema = DOCUMENT["components"]["schemas"]["Frame"]
    assert {label: entry["x-cbor-label"] for label, entry in schema["items"]["properties"].items()} == senml.CBOR_LABELS
    assert len(schema["x-channels"]) == len([channel for channel in CHANNELS if not channel.derived])


def test_the_document_is_made_anew_each_time():
    changed = asyncapi_document()
    before = copy.deepcopy(changed)
    changed["channels"].clear()
    assert asyncapi_document() == before
