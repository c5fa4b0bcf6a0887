"""Frames: what a truck sends in one message, as one SenML pack.

A pack begins with its base name ``{fleet}/{vehicle}/`` and base time (end of the first window, UTC) and with the
records ``stream`` and ``seq``; ``after`` and ``thinned`` follow where they say something. Then come the channels: a
vehicle's bare (``speed``), an axle's under ``axle/{n}/``. The edge and tools work with :class:`Frame`; the server,
which reads many, uses :class:`Decoder`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from axlewright_models.errors import FrameError
from axlewright_models.signals import Channel
from axlewright_models.units import conversion
from axlewright_models.wire import senml
from axlewright_models.wire.decoder import Decoded, Decoder
from axlewright_models.wire.packs import HEADER_NAMES, check_count, check_header, check_size, read_pack
from axlewright_models.wire.places import GREATEST_VALUE, name_of, place_of
from axlewright_models.wire.senml import RawRecord
from axlewright_models.wire.topics import Topic, is_identifier

__all__ = ["Decoded", "Decoder", "Frame", "Window", "decode_frame", "encode_frame"]

_EXTRA_NAME = re.compile(r"[A-Za-z0-9\-:./_]+")


@dataclass(frozen=True)
class Window:
    """What one window of time gave.

    ``time_s`` is the END of the window [Unix s]. ``vehicle`` maps channel names to values in channel units (km/h, Cel,
    mm; flags as 0 or 1, words as their code), ``axles`` does the same per axle, counted from the front. NaN means
    missing. Names in no channel table are allowed; they travel as bare numbers.
    """

    time_s: float
    vehicle: Mapping[str, float] = field(default_factory=dict)
    axles: Mapping[int, Mapping[str, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Frame:
    """One message of readings.

    ``seq`` counts within ``stream`` (the id of the truck's outbox) from 1. ``after`` says which seq this frame follows
    directly; None means ``seq - 1``. ``thinned`` counts the windows that the outbox dropped between the two.
    """

    fleet: str
    vehicle: str
    stream: str
    seq: int
    windows: tuple[Window, ...]
    after: int | None = None
    thinned: int = 0


def decode_frame(payload: bytes, topic: Topic | None = None, now_s: float | None = None) -> Frame:
    """Return the frame that `payload` (SenML, CBOR or JSON) holds, its windows in time order.

    Parameters
    ----------
    payload : bytes
        At most 64 KiB and 512 records.
    topic : Topic, optional
        Where it arrived: its fleet and vehicle must be the pack's.
    now_s : float, optional
        The receiver's clock; without it relative times are refused. [Unix s]

    Raises
    ------
    FrameError
        The payload breaks a rule; ``stream`` and ``seq`` are set where they could still be read.

    Examples
    --------
    >>> frame = Frame("harrow-vale", "t07", "a1", 1, (Window(1.7e9, {"speed": 88.2}, {2: {"lube": 93.5}}),))
    >>> decode_frame(encode_frame(frame)).windows[0].axles
    {2: {'lube': 93.5}}
    """
    pack = read_pack(payload, topic, now_s)
    windows: dict[float, dict[int, dict[str, float]]] = {}
    for (time_s, position, name), value in pack.cells.items():
        windows.setdefault(time_s, {}).setdefault(position, {})[name] = value
    return Frame(
        pack.fleet,
        pack.vehicle,
        pack.stream,
        pack.seq,
        tuple(_window(time_s, windows[time_s]) for time_s in sorted(windows)),
        pack.after,
        pack.thinned,
    )


def _window(time_s: float, positions: dict[int, dict[str, float]]) -> Window:
    axles = {position: values for position, values in sorted(positions.items()) if position}
    return Window(time_s, positions.get(0, {}), axles)


def encode_frame(frame: Frame, form: Literal["cbor", "json"] = "cbor") -> bytes:
    """Return `frame` as a SenML pack, in the registry's SI units.

    Windows are sent in time order; what is NaN, and a window that holds nothing, is not sent.

    Raises
    ------
    FrameError
        The frame cannot be told in this contract: a wrong name, an infinite value, two windows of one time, too long.

    Examples
    --------
    >>> encode_frame(Frame("harrow-vale", "t07", "a1", 1, (Window(1700000000.0, {"brake": 0.25}),)), "json").decode()
    '[{"bn":"harrow-vale/t07/","bt":1700000000.0,"n":"stream","vs":"a1"},{"n":"seq","v":1},{"n":"brake","u":"/","v":0.25}]'
    """
    records = _header_records(frame)
    windows = sorted(frame.windows, key=lambda window: window.time_s)
    first_s = windows[0].time_s if windows else None
    for number, window in enumerate(windows):
        if not (math.isfinite(window.time_s) and window.time_s >= senml.RELATIVE_TIME_LIMIT_S):
            raise FrameError(f"windows[{number}].time_s is {window.time_s}; it must be Unix seconds, 2**28 or more")
        if number and window.time_s == windows[number - 1].time_s:
            raise FrameError(f"windows[{number}].time_s is {window.time_s}, as before; each window has its own time")
        # Both times lie within a factor of two, so the difference and its sum on arrival are exact.
        records.extend(_window_records(window, window.time_s - (first_s or 0.0)))
    if first_s is not None:
        records[0]["bt"] = first_s
    check_count(len(records))
    payload = senml.encode_cbor(records) if form == "cbor" else senml.encode_json(records)
    check_size(len(payload))
    return payload


def _header_records(frame: Frame) -> list[RawRecord]:
    for what, value in (("fleet", frame.fleet), ("vehicle", frame.vehicle)):
        if not is_identifier(value):
            raise FrameError(f'{what} is {value!r:.80}; use 1 to 64 of a-z, 0-9 and "-"')
    if frame.fleet.startswith("-"):
        raise FrameError(f"fleet is {frame.fleet!r}; a SenML name begins with a letter or a digit")
    check_header(frame.stream, frame.seq, frame.after, frame.thinned)
    records: list[RawRecord] = [
        # Without windows the frame still needs a time that is not relative; the receiver does not look at it.
        {"bn": f"{frame.fleet}/{frame.vehicle}/", "bt": senml.RELATIVE_TIME_LIMIT_S, "n": "stream", "vs": frame.stream},
        {"n": "seq", "v": frame.seq},
    ]
    if frame.after is not None:
        records.append({"n": "after", "v": frame.after})
    if frame.thinned:
        records.append({"n": "thinned", "v": frame.thinned})
    return records


def _window_records(window: Window, offset_s: float) -> Iterator[RawRecord]:
    for position, values in ((0, window.vehicle), *sorted(window.axles.items())):
        for name, value in values.items():
            if math.isnan(value):
                continue
            record = _record(position, name, value)
            if offset_s:
                record["t"] = offset_s
            yield record


def _record(position: int, name: str, value: float) -> RawRecord:
    text = name_of(position, name)
    place = place_of(text)
    if (place.position, place.name) != (position, name) or text in HEADER_NAMES or not _EXTRA_NAME.fullmatch(text):
        raise FrameError(f"axle {position}, channel {name!r:.120}: cannot be named on the wire")
    if not abs(value) <= GREATEST_VALUE:
        raise FrameError(
            f"axle {position}, channel {name!r:.120}: value is {value}; it must be finite and fit a float32"
        )
    if place.channel is None:
        return {"n": text, "v": float(value)}
    return _channel_record(text, place.channel, float(value))


def _channel_record(text: str, channel: Channel, value: float) -> RawRecord:
    if channel.unit == "flag" and value in (0.0, 1.0):
        return {"n": text, "vb": bool(value)}
    if value in range(len(channel.words)):
        return {"n": text, "vs": channel.words[int(value)]}
    if channel.wire_unit is None:
        return {"n": text, "v": value}
    scale, offset = conversion(channel.unit, channel.wire_unit)
    return {"n": text, "u": channel.wire_unit, "v": value * scale + offset}
