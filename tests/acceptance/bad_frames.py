"""Payloads that no honest truck sends, made by the dozen from a seed."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cbor2
import numpy as np


@dataclass(frozen=True)
class Bad:
    """One malformed message. ``takes_seq``: its stream and seq can be read, so it uses up its number."""

    kind: str
    topic: str
    payload: bytes
    takes_seq: bool


Record = dict[str, Any]
_LABELS = {
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
    "t": 6,
}


def good_records(vehicle: str, stream: str, seq: int, time_s: float) -> list[Record]:
    """Return a sound pack, written here from RFC 8428 and not by the project's own encoder."""
    return [
        {"bn": f"yard/{vehicle}/", "bt": time_s, "n": "stream", "vs": stream},
        {"n": "seq", "v": seq},
        {"n": "speed", "u": "m/s", "v": 22.0},
        {"n": "axle/2/lube", "u": "Cel", "v": 80.5},
        {"n": "axle/2/height/left", "u": "m", "v": 0.241},
    ]


def to_cbor(records: list[Record]) -> bytes:
    """Return the pack in CBOR."""
    return cbor2.dumps([{_LABELS.get(key, key): value for key, value in record.items()} for record in records])


def to_json(records: list[Record]) -> bytes:
    """Return the pack in JSON (NaN is written as Python does, which is no JSON)."""
    return json.dumps(records).encode()


def _with(records: list[Record], number: int, **changes: Any) -> list[Record]:
    return [{**record, **changes} if k == number else record for k, record in enumerate(records)]


# kind -> (change of a good pack, whether stream and seq stay legible)
_CHANGES: dict[str, tuple[Callable[[list[Record]], list[Record]], bool]] = {
    "wrong dimension": (lambda good: _with(good, 3, u="m"), True),
    "unknown unit": (lambda good: _with(good, 3, u="furlong"), True),
    "secondary unit without its version bit": (lambda good: _with(good, 4, u="mm", v=241.0), True),
    "text for a number": (lambda good: _with(good, 3, v="hot"), True),
    "two values": (lambda good: _with(good, 3, vs="hot"), True),
    "a field that must be understood": (lambda good: _with(good, 3, secret_=1), True),
    "unknown version": (lambda good: _with(good, 0, bver=11), True),
    "bad name": (lambda good: _with(good, 3, n="axle/2/lube temperature"), True),
    "far future": (lambda good: _with(good, 0, bt=good[0]["bt"] + 86400.0), True),
    "far past": (lambda good: _with(good, 0, bt=good[0]["bt"] - 3 * 366 * 86400.0), True),
    "far future on an unknown channel": (lambda good: [*good, {"n": "axle/2/paint", "v": 1.0, "t": 86400.0}], True),
    "other truck's name": (lambda good: _with(good, 0, bn="yard/t-3/"), True),
    "other fleet's name": (lambda good: _with(good, 0, bn="court/t-1/"), True),
    "too many records": (
        lambda good: good + [{"n": "speed", "u": "m/s", "v": 20.0, "t": -k} for k in range(600)],
        True,
    ),
    "no seq": (lambda good: good[:1] + good[2:], False),
    "no stream": (lambda good: [{key: v for key, v in good[0].items() if key != "vs"} | {"v": 1}, *good[1:]], False),
    "seq below one": (lambda good: _with(good, 1, v=0), False),
    "seq with a fraction": (lambda good: _with(good, 1, v=1.5), False),
    "empty pack": (lambda good: [], False),
}


def _not_finite(vehicle: str, good: list[Record], value: float) -> bytes:
    return to_cbor(_with(good, 3, v=value))


def make(kind_number: int, stream: str, seq: int, time_s: float, rng: np.random.Generator) -> Bad:
    """Return malformed message number `kind_number` (kinds in turn), for truck t-1."""
    good = good_records("t-1", stream, seq, time_s)
    topic = "axlewright/1/yard/t-1/readings"
    extra: list[Callable[[], Bad]] = [
        lambda: Bad("NaN in CBOR", topic, _not_finite("t-1", good, math.nan), True),
        lambda: Bad("infinity in CBOR", topic, _not_finite("t-1", good, math.inf), True),
        lambda: Bad("NaN in JSON", topic, to_json(_with(good, 3, v=math.nan)), False),
        lambda: Bad("noise", topic, rng.bytes(int(rng.integers(1, 400))), False),
        lambda: Bad("cut short", topic, to_cbor(good)[: int(rng.integers(1, 60))], False),
        lambda: Bad("cut short JSON", topic, to_json(good)[:-7], False),
        lambda: Bad("an object for a pack", topic, b'{"speed": 20}', False),
        lambda: Bad("nothing", topic, b" ", False),
        lambda: Bad("deep nesting", topic, b"[" * 5000, False),
        lambda: Bad("deep nesting in CBOR", topic, b"\x81" * 5000, False),
        lambda: Bad(
            "unknown truck", "axlewright/1/yard/t-99/readings", to_cbor(good_records("t-99", "s", 1, time_s)), False
        ),
        lambda: Bad(
            "unknown fleet", "axlewright/1/court/t-1/readings", to_cbor(good_records("t-1", "s", 1, time_s)), False
        ),
    ]
    kinds = list(_CHANGES)
    number = kind_number % (len(kinds) + len(extra))
    if number >= len(kinds):
        return extra[number - len(kinds)]()
    change, takes_seq = _CHANGES[kinds[number]]
    encode = to_cbor if kind_number % 2 else to_json
    return Bad(kinds[number], topic, encode(change(good)), takes_seq)
