"""Reading a frame the full way: every record resolved, checked and put in its place."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeGuard

from axlewright_models.errors import FrameError
from axlewright_models.wire import senml
from axlewright_models.wire.places import number_of, place_of
from axlewright_models.wire.senml import Resolved
from axlewright_models.wire.topics import Topic

GREATEST_SIZE_BYTES = 64 * 1024
GREATEST_RECORDS = 512
GREATEST_SEQ = 2**53 - 1
HEADER_NAMES = ("stream", "seq", "after", "thinned")

STREAM_PATTERN = "^[A-Za-z0-9._-]{1,64}$"

_STREAM = re.compile(r"[A-Za-z0-9._-]{1,64}")


@dataclass(frozen=True)
class Pack:
    """A frame as it was read; ``cells`` maps (time [Unix s], position, name) to the value in channel units."""

    fleet: str
    vehicle: str
    stream: str
    seq: int
    after: int | None
    thinned: int
    cells: dict[tuple[float, int, str], float]


def is_json(payload: bytes) -> bool:
    """Return whether a payload is JSON: in CBOR an array never begins with white space or "["."""
    return payload[:1] in (b"[", b" ", b"\t", b"\r", b"\n")


def _check_form(payload: bytes) -> None:
    """Raise FrameError for what was most likely meant as JSON, so that nobody is told what is wrong with it as CBOR."""
    # RFC 8949, section 3: text and numbers begin with other bytes than an array (0x80 to 0x9f) or a tag (0xc0 on).
    if not payload:
        raise FrameError("the payload is empty; a pack is an array, in JSON or CBOR")
    if payload[:1] < b"\x80" or payload.startswith(b"\xef\xbb\xbf"):
        raise FrameError(
            f"neither a JSON nor a CBOR pack: it begins with {payload[:12]!r}; "
            "a pack is an array, in JSON it begins with '[' (no byte order mark before it)"
        )


def check_size(size_bytes: int) -> None:
    """Raise FrameError for a payload that is too large to look at."""
    if size_bytes > GREATEST_SIZE_BYTES:
        raise FrameError(
            f"the payload has {size_bytes} bytes; at most {GREATEST_SIZE_BYTES} are read, send fewer windows"
        )


def check_count(records: int) -> None:
    """Raise FrameError for a pack of too many records."""
    if records > GREATEST_RECORDS:
        raise FrameError(f"the pack holds {records} records; at most {GREATEST_RECORDS} are read, send fewer windows")


def check_header(stream: object, seq: object, after: object, thinned: object) -> None:
    """Raise FrameError where the numbering of a frame makes no sense."""
    if not isinstance(stream, str) or not is_stream(stream):
        raise FrameError(f"stream is {stream!r:.80}; it must be a text of 1 to 64 letters, digits, '.', '_' or '-'")
    if not _is_whole(seq, 1):
        raise FrameError(f"seq is {seq!r:.80}; it must be a whole number from 1")
    if after is not None and not (_is_whole(after, 0) and after < seq):  # type: ignore[operator]  # both are whole
        raise FrameError(f"after is {after!r:.80}; it must be a whole number from 0 and below seq, which is {seq}")
    if not _is_whole(thinned, 0):
        raise FrameError(f"thinned is {thinned!r:.80}; it must be a whole number from 0")


def is_stream(text: str) -> bool:
    """Return whether `text` may be the id of a stream."""
    return _STREAM.fullmatch(text) is not None


def _is_whole(value: object, least: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and least <= value <= GREATEST_SEQ


def read_pack(payload: bytes, topic: Topic | None = None, now_s: float | None = None) -> Pack:
    """Return what a payload holds, after every check there is.

    Raises
    ------
    FrameError
        See :func:`axlewright_models.wire.frames.decode_frame`.
    """
    check_size(len(payload))
    loaded: object = None
    try:
        if is_json(payload):
            loaded = records = senml.parse_json(payload)
        else:
            _check_form(payload)
            loaded = senml.load_cbor(payload)
            records = senml.cbor_records(loaded)
        check_count(len(records))
        return _read(senml.resolve(records, now_s), topic)
    except FrameError as error:
        raise FrameError(error.reason, *legible(loaded)) from error


def legible(loaded: object) -> tuple[str | None, int | None]:
    """Return the stream and seq of a pack that may be wrong in any other way; None for what cannot be read.

    Examples
    --------
    >>> legible([{"bn": "f/v/", "n": "stream", "vs": "a1"}, {"n": "seq", "v": 7}, "broken"])
    ('a1', 7)
    """
    stream: str | None = None
    seq: int | None = None
    for record in loaded if isinstance(loaded, list) else ():
        if not isinstance(record, dict):
            continue
        name = record.get("n", record.get(0))
        text = record.get("vs", record.get(3))
        number = record.get("v", record.get(2))
        # A full name may stand in "n" alone; only its last level matters here.
        last = name.rpartition("/")[2] if isinstance(name, str) else None
        if last == "stream" and isinstance(text, str) and is_stream(text):
            stream = text
        elif last == "seq" and _is_legible_seq(number):
            seq = int(number)
    return stream, seq


def _is_legible_seq(number: object) -> TypeGuard[int | float]:
    if isinstance(number, float):
        return number.is_integer() and 1 <= number <= GREATEST_SEQ
    return _is_whole(number, 1)


def _read(resolved: Iterable[Resolved], topic: Topic | None) -> Pack:
    owner: tuple[str, str] | None = None if topic is None else (topic.fleet, topic.vehicle)
    header: dict[str, object] = {}
    cells: dict[tuple[float, int, str], float] = {}
    for record in resolved:
        rest, owner = _rest_of(record, owner)
        if rest in HEADER_NAMES:
            if rest in header:
                raise FrameError(f"record {record.record} {rest!r}: given twice; a frame has one")
            header[rest] = _header_value(record.value)
        else:
            _put(cells, record, rest)
    for name in ("stream", "seq"):
        if name not in header:
            raise FrameError(f"no record {name!r}; a frame says its stream (vs) and its seq (v)")
    stream, seq, after, thinned = (header.get(name) for name in HEADER_NAMES)
    thinned = 0 if thinned is None else thinned
    check_header(stream, seq, after, thinned)
    assert owner is not None
    return Pack(*owner, stream, seq, after, thinned, cells)  # type: ignore[arg-type]  # check_header has looked


def _header_value(value: senml.Value) -> object:
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _rest_of(record: Resolved, owner: tuple[str, str] | None) -> tuple[str, tuple[str, str]]:
    fleet, _, tail = record.name.partition("/")
    vehicle, _, rest = tail.partition("/")
    if not rest:
        raise FrameError(f"record {record.record}: name {record.name[:120]!r} is not <fleet>/<vehicle>/<channel>")
    if owner is not None and (fleet, vehicle) != owner:
        expected = "/".join(owner)
        raise FrameError(
            f"record {record.record} {rest[:120]!r}: belongs to {f'{fleet}/{vehicle}'[:140]!r}, not {expected!r}"
        )
    return rest, (fleet, vehicle)


def _put(cells: dict[tuple[float, int, str], float], record: Resolved, rest: str) -> None:
    place = place_of(rest)
    where = f"record {record.record} {rest[:120]!r}"
    try:
        number = number_of(place, record.value, record.unit)
    except FrameError as error:
        raise FrameError(f"{where}: {error.reason}") from error
    if number is None:
        return
    key = (record.time_s, place.position, place.name)
    if key in cells:
        raise FrameError(f"{where}: given twice for time {record.time_s:.3f}; give each channel once per window")
    cells[key] = number
