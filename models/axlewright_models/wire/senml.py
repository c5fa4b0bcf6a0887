"""SenML packs in their two forms, JSON and CBOR; :func:`resolve` says what they mean.

Every rule of RFC 8428 that a reader of packs must keep [1]_. Two things are decided here:

- A label given twice in one record: the last one counts, as JSON and CBOR readers do.
- A CBOR pack spells the RFC's labels as integers; the same label as text would be silently ignored, so it is refused.

References
----------
.. [1] RFC 8428, "Sensor Measurement Lists (SenML)", sections 5 and 6.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Mapping
from typing import Any

import cbor2
import msgspec

from axlewright_models.errors import FrameError
from axlewright_models.wire.resolution import (
    DEFAULT_VERSION,
    RELATIVE_TIME_LIMIT_S,
    SECONDARY_UNITS_BIT,
    RawRecord,
    Resolved,
    Value,
    resolve,
)

__all__ = [
    "CBOR_LABELS",
    "DEFAULT_VERSION",
    "RELATIVE_TIME_LIMIT_S",
    "SECONDARY_UNITS_BIT",
    "RawRecord",
    "Resolved",
    "Value",
    "cbor_records",
    "encode_cbor",
    "encode_json",
    "load_cbor",
    "parse_cbor",
    "parse_json",
    "resolve",
]

CBOR_LABELS: dict[str, int] = {
    "bver": -1,
    "bn": -2,
    "bt": -3,
    "bu": -4,
    "bv": -5,
    "bs": -6,
    "n": 0,
    "u": 1,
    "v": 2,
    "vs": 3,
    "vb": 4,
    "s": 5,
    "t": 6,
    "ut": 7,
    "vd": 8,
}

_LABEL_OF: dict[int, str] = {number: label for label, number in CBOR_LABELS.items()}
# Read after the pack, so that bytes left over behind it are noticed: cbor2 itself ignores them.
_END_MARK = cbor2.dumps("axlewright: end of pack")


def parse_json(payload: bytes) -> list[RawRecord]:
    """Return the records of a JSON pack, data values still as base64 text.

    Raises
    ------
    FrameError
        The payload is not an array of objects.
    """
    try:
        pack = msgspec.json.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise FrameError(f"not JSON: {error}") from error
    records = _records(pack)
    for number, record in enumerate(records, 1):
        if "vd" in record:
            record["vd"] = _data(number, record["vd"])
    return records


def parse_cbor(payload: bytes) -> list[RawRecord]:
    """Return the records of a CBOR pack, their integer labels replaced by those of JSON.

    Raises
    ------
    FrameError
        The payload is not an array of maps, or bytes follow it.
    """
    return cbor_records(load_cbor(payload))


def cbor_records(loaded: object) -> list[RawRecord]:
    """Return the records of a pack as the CBOR reader gave it, labelled as in JSON.

    Raises
    ------
    FrameError
        It is not an array of maps, or a label is neither integer nor text.
    """
    return [_relabelled(number, record) for number, record in enumerate(_records(loaded), 1)]


def load_cbor(payload: bytes) -> Any:
    """Return whatever single CBOR item `payload` is.

    Raises
    ------
    FrameError
        It is not well-formed CBOR, or not one item.
    """
    try:
        item, mark = cbor2.loads(b"\x82" + payload + _END_MARK)
    except Exception as error:  # a decoder of tags may raise nearly anything
        raise FrameError(f"not CBOR: {error}") from error
    if mark != "axlewright: end of pack":
        raise FrameError("not CBOR: bytes follow the pack; send one array and nothing else")
    return item


def _records(pack: object) -> list[RawRecord]:
    if not isinstance(pack, list):
        raise FrameError(f"the pack is a {type(pack).__name__}; SenML is an array of records")
    if not pack:
        raise FrameError("the pack holds no record")
    for number, record in enumerate(pack, 1):
        if not isinstance(record, dict):
            raise FrameError(f"record {number} is a {type(record).__name__}; it must be a map of labels to values")
    return pack


def _relabelled(number: int, record: Mapping[Any, Any]) -> RawRecord:
    result: RawRecord = {}
    for label, value in record.items():
        if type(label) is int:
            known = _LABEL_OF.get(label)
            if known is not None:
                result[known] = value
        elif not isinstance(label, str):
            raise FrameError(f"record {number} has the label {label!r:.80}; a label is an integer or a text")
        elif label in CBOR_LABELS:
            raise FrameError(f"record {number} has the text label {label!r}; CBOR writes it as {CBOR_LABELS[label]}")
        else:
            result[label] = value
    return result


def _data(number: int, text: object) -> bytes:
    """Decode base64url; the RFC leaves the padding away, a tolerant receiver takes it too."""
    if not isinstance(text, str):
        raise FrameError(f"record {number} has vd = {text!r:.80}; it must be base64url text")
    bare = text.rstrip("=")
    try:
        return base64.b64decode(bare + "=" * (-len(bare) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError) as error:
        raise FrameError(f"record {number} has a vd that is not base64url: {error}") from error


def encode_json(records: Iterable[RawRecord]) -> bytes:
    """Return a pack as JSON; data values (bytes) become base64url without padding.

    Examples
    --------
    >>> encode_json([{"n": "lube", "u": "Cel", "v": 93.5}])
    b'[{"n":"lube","u":"Cel","v":93.5}]'
    """
    return msgspec.json.encode([_json_record(record) for record in records])


def _json_record(record: RawRecord) -> RawRecord:
    if not isinstance(record.get("vd"), bytes):
        return record
    return {**record, "vd": base64.urlsafe_b64encode(record["vd"]).rstrip(b"=").decode("ascii")}


def encode_cbor(records: Iterable[RawRecord]) -> bytes:
    """Return a pack as CBOR, known labels as integers.

    Examples
    --------
    >>> encode_cbor([{"n": "lube", "v": 93.5}]).hex()
    '81a200646c75626502fb4057600000000000'
    """
    return cbor2.dumps(
        [{CBOR_LABELS.get(label, label): value for label, value in record.items()} for record in records]
    )
