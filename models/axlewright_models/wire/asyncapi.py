"""The AsyncAPI description of the MQTT side, made from the code that encodes and decodes it.

The document takes the server's view: it receives readings, bursts and status, and sends acks, commands,
advisories and limits.
Topics come from :mod:`topics`, message schemas and examples from the structs in :mod:`messages`, the schema of a frame
from the label table of :mod:`senml` and the channel table. Nothing is written down twice.

References
----------
.. [1] AsyncAPI Specification 3.0.0, with the MQTT bindings 0.2.0.
"""

from __future__ import annotations

import json
from typing import Any

import msgspec

from axlewright_models import __version__
from axlewright_models.signals import CHANNELS, Channel, Scope
from axlewright_models.wire import packs
from axlewright_models.wire.examples import EXAMPLE_FRAME, EXAMPLE_MESSAGES
from axlewright_models.wire.frames import encode_frame
from axlewright_models.wire.messages import encode_message
from axlewright_models.wire.senml import CBOR_LABELS
from axlewright_models.wire.topics import IDENTIFIER_PATTERN, ROOT, TopicKind

# JSON type and meaning of each label of RFC 8428, table 4.
LABELS: dict[str, tuple[str, str]] = {
    "bver": ("integer", "Base version: 10, or 26 where secondary units (mm, km/h) are used (RFC 9100)."),
    "bn": ("string", "Base name: <fleet>/<vehicle>/."),
    "bt": ("number", "Base time: end of the first window, Unix seconds."),
    "bu": ("string", "Base unit."),
    "bv": ("number", "Base value, added to v."),
    "bs": ("number", "Base sum, added to s."),
    "n": ("string", "Name: stream, seq, after, thinned, a vehicle channel, or axle/<n>/<axle channel>."),
    "u": ("string", "Unit of the SenML registry."),
    "v": ("number", "Value."),
    "vs": ("string", "Value that is a text."),
    "vb": ("boolean", "Value that is true or false."),
    "vd": ("string", "Value that is bytes; base64url without padding in JSON."),
    "s": ("number", "Sum over time; not used by channels."),
    "t": ("number", "Time after the base time, seconds."),
    "ut": ("number", "Longest time until the next value, seconds."),
}

# Kind -> (message names, whether the server sends it, retained, title).
_CHANNELS: dict[TopicKind, tuple[tuple[str, ...], bool, bool, str]] = {
    TopicKind.READINGS: (("FrameCbor", "FrameJson"), False, False, "Windows of readings"),
    TopicKind.BURST: (("BurstPiece",), False, False, "A recorded waveform, in pieces of at most 16 KiB"),
    TopicKind.STATUS: (("Status",), False, True, "How the truck's agent is doing; its last will says online = false"),
    TopicKind.ACK: (("Ack",), True, False, "What the server has committed; only this frees the truck's outbox"),
    TopicKind.COMMAND: (("Command",), True, False, "What the server asks the truck to do"),
    TopicKind.ADVISORY: (("AdvisoryMessage",), True, True, "An advisory, retained under its id"),
    TopicKind.LIMITS: (("LimitsMessage",), True, True, "Limits that the truck's guard on board goes by"),
}
_ITEMS = {TopicKind.BURST: "command", TopicKind.ADVISORY: "advisory"}
_CONTENT_TYPES = {"FrameCbor": "application/senml+cbor", "BurstPiece": "application/cbor"}
_FRAME_JSON = "application/senml+json"


def asyncapi_document() -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document of the wire contract, ready for JSON.

    Examples
    --------
    >>> document = asyncapi_document()
    >>> document["channels"]["ack"]["address"]
    'axlewright/1/{fleet}/{vehicle}/ack'
    """
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Axlewright, MQTT side",
            "version": f"1 (axlewright {__version__})",
            "description": "Readings travel at QoS 1; a truck keeps them until the server's ack covers their seq.",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {"broker": {"host": "127.0.0.1:18642", "protocol": "mqtt", "description": "Default of the demo."}},
        "channels": {kind.value: _channel(kind) for kind in TopicKind},
        "operations": {_operation_name(kind): _operation(kind) for kind in TopicKind},
        "components": {"messages": _messages(), "schemas": {"Frame": frame_schema(), **_struct_schemas()}},
    }


def frame_schema() -> dict[str, Any]:
    """Return the JSON Schema of a frame in JSON; the CBOR form writes each label as the integer given with it."""
    properties = {
        label: {"type": kind, "description": text, "x-cbor-label": CBOR_LABELS[label]}
        for label, (kind, text) in LABELS.items()
    }
    values = ("v", "vs", "vb", "vd")
    none = {"not": {"anyOf": [{"required": [label]} for label in values]}}
    return {
        "title": "Frame",
        "description": "One SenML pack (RFC 8428) of one vehicle.",
        "type": "array",
        "minItems": 1,
        "maxItems": packs.GREATEST_RECORDS,
        "items": {
            "type": "object",
            "properties": properties,
            "patternProperties": {"_$": False},
            "oneOf": [*({"required": [label]} for label in values), none],
        },
        "allOf": [
            {"contains": _record_with("stream", "vs", {"pattern": packs.STREAM_PATTERN})},
            {"contains": _record_with("seq", "v", {"type": "integer", "minimum": 1, "maximum": packs.GREATEST_SEQ})},
        ],
        "x-greatest-size-bytes": packs.GREATEST_SIZE_BYTES,
        "x-channels": [_channel_of_the_table(channel) for channel in CHANNELS if not channel.derived],
    }


def _record_with(name: str, label: str, schema: dict[str, Any]) -> dict[str, Any]:
    # The name of the first record may be whole, so only its last level is fixed.
    return {"properties": {"n": {"pattern": f"(^|/){name}$"}, label: schema}, "required": ["n", label]}


def _channel_of_the_table(channel: Channel) -> dict[str, Any]:
    name = f"axle/{{n}}/{channel.name}" if channel.scope is Scope.AXLE else channel.name
    entry: dict[str, Any] = {"name": name, "title": channel.title, "unit": channel.unit, "wire-unit": channel.wire_unit}
    entry["plausible"] = [channel.low, channel.high]
    if channel.words:
        entry["words"] = list(channel.words)
    return entry


def _channel(kind: TopicKind) -> dict[str, Any]:
    names, _, retained, title = _CHANNELS[kind]
    item = _ITEMS.get(kind)
    identifier = f"1 to 64 of a-z, 0-9 and '-' ({IDENTIFIER_PATTERN})."
    parameters = {"fleet": {"description": identifier}, "vehicle": {"description": identifier}}
    address = f"{ROOT}/{{fleet}}/{{vehicle}}/{kind.value}"
    if item is not None:
        address += f"/{{{item}}}"
        parameters[item] = {"description": f"Id of the {item}. {identifier}"}
    return {
        "address": address,
        "title": title,
        "description": "Retained." if retained else "Not retained.",
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in names},
        "parameters": parameters,
    }


def _operation_name(kind: TopicKind) -> str:
    return f"{'send' if _CHANNELS[kind][1] else 'receive'}{kind.value.capitalize()}"


def _operation(kind: TopicKind) -> dict[str, Any]:
    names, sends, retained, title = _CHANNELS[kind]
    return {
        "action": "send" if sends else "receive",
        "channel": {"$ref": f"#/channels/{kind.value}"},
        "title": title,
        "messages": [{"$ref": f"#/channels/{kind.value}/messages/{name}"} for name in names],
        "bindings": {"mqtt": {"qos": 1, "retain": retained, "bindingVersion": "0.2.0"}},
    }


def _messages() -> dict[str, Any]:
    frame = json.loads(encode_frame(EXAMPLE_FRAME, "json"))
    messages = {
        name: _message(name, "Frame", content_type, [frame])
        for name, content_type in (("FrameCbor", _CONTENT_TYPES["FrameCbor"]), ("FrameJson", _FRAME_JSON))
    }
    for struct, examples in EXAMPLE_MESSAGES.items():
        name = struct.__name__
        payloads = [json.loads(encode_message(example)) for example in examples]
        messages[name] = _message(name, name, _CONTENT_TYPES.get(name, "application/json"), payloads)
    return messages


def _message(name: str, schema: str, content_type: str, payloads: list[Any]) -> dict[str, Any]:
    return {
        "name": name,
        "contentType": content_type,
        "payload": {"$ref": f"#/components/schemas/{schema}"},
        "examples": [{"payload": payload} for payload in payloads],
    }


def _struct_schemas() -> dict[str, Any]:
    _, components = msgspec.json.schema_components(EXAMPLE_MESSAGES, ref_template="#/components/schemas/{name}")
    return dict(components)
