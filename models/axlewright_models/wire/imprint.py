"""The imprint of a truck's last CBOR packs: the bytes that stay the same, and where the numbers stand between them.

Our edge writes all numbers as doubles, so the next frame of a truck is nearly always as long as the last one and
differs from it only in the bytes of its base time, its seq and its values. A payload that equals a fully checked one
everywhere else needs no decoding: its numbers are taken from where they stand. Whatever differs in any other byte is
read by the slower ways.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from axlewright_models.wire.layout import Layout, Reading, finish, header_is_sound
from axlewright_models.wire.senml import CBOR_LABELS, RELATIVE_TIME_LIMIT_S

# Vehicles times payload lengths that are remembered, and imprints of each: together they bound the memory.
_MOST_KEYS = 8192
_MOST_PER_KEY = 4

_UNSIGNED, _BYTES, _TEXT, _ARRAY, _MAP, _SIMPLE = 0, 2, 3, 4, 5, 7
_DOUBLE = 27
# RFC 8949, section 3: smaller whole numbers are part of their head byte.
_FIRST_LONG_NUMBER = 24
_V, _T, _BT = CBOR_LABELS["v"], CBOR_LABELS["t"], CBOR_LABELS["bt"]


@dataclass(frozen=True)
class Item:
    """One value in the payload: ``begin`` to ``end`` are its bytes behind the head byte."""

    major: int
    info: int
    value: int
    begin: int
    end: int

    @property
    def is_double(self) -> bool:
        """Whether it is an IEEE double of eight bytes."""
        return self.major == _SIMPLE and self.info == _DOUBLE


@dataclass(frozen=True)
class _Whole:
    """Where a whole number stands; a number below 24 is part of its head byte and so of the imprint."""

    begin: int
    end: int
    constant: int

    def read(self, payload: bytes) -> int:
        return int.from_bytes(payload[self.begin : self.end], "big") if self.end > self.begin else self.constant


@dataclass(frozen=True)
class Imprint:
    """What every payload of this imprint shares, and where the rest stands."""

    mask: int
    fixed: int
    base_time: int
    places: NDArray[np.intp]
    stream: str
    seq: _Whole
    after: _Whole | None
    thinned: _Whole | None
    offsets_s: tuple[float, ...]
    layout: Layout
    codes: list[tuple[int, float]]

    def read(self, payload: bytes) -> Reading | None:
        """Return the numbers of a payload that bears this imprint, or None where one of them needs a closer look."""
        (base_s,) = struct.unpack_from(">d", payload, self.base_time)
        times = [base_s + offset_s for offset_s in self.offsets_s]
        if not (times[0] >= RELATIVE_TIME_LIMIT_S and times[-1] < math.inf):
            return None
        if len(times) > 1 and not all(early < late for early, late in pairwise(times)):
            return None
        seq = self.seq.read(payload)
        after = None if self.after is None else self.after.read(payload)
        thinned = 0 if self.thinned is None else self.thinned.read(payload)
        if not header_is_sound(seq, after, thinned):
            return None
        given = np.frombuffer(payload, dtype=np.uint8).take(self.places).view(">f8")
        return finish(self.layout, given, times, (self.stream, seq, after, thinned), self.codes)


class Imprints:
    """The imprints of many trucks."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, str, int], list[Imprint]] = {}

    @property
    def size(self) -> int:
        """How many imprints are kept."""
        return sum(map(len, self._known.values()))

    def read(self, payload: bytes, fleet: str, vehicle: str) -> Reading | None:
        """Return the payload's numbers if it bears a known imprint of this vehicle."""
        known = self._known.get((fleet, vehicle, len(payload)))
        if known is None:
            return None
        whole = int.from_bytes(payload, "big")
        for imprint in known:
            if whole & imprint.mask == imprint.fixed:
                return imprint.read(payload)
        return None

    def learn(self, payload: bytes, fleet: str, vehicle: str, reading: Reading) -> None:
        """Remember the imprint of a payload that was read by its make-up."""
        if reading.seq < _FIRST_LONG_NUMBER:
            return  # the seq is part of its head byte: the imprint would fit this one frame only
        try:
            imprint = _imprint(payload, reading)
        except (LookupError, ValueError):
            return
        if len(self._known) >= _MOST_KEYS:
            self._known.clear()
        known = self._known.setdefault((fleet, vehicle, len(payload)), [])
        known.insert(0, imprint)
        del known[_MOST_PER_KEY:]


def _imprint(payload: bytes, reading: Reading) -> Imprint:
    records = list(_records(payload))
    layout = reading.layout
    base = records[0][_BT]
    values = [records[number][_V] for number in layout.numbers]
    if not (base.is_double and all(value.is_double for value in values)):
        raise ValueError
    header = {name: _whole(records[number][_V]) for name, number in layout.header.items()}
    mask = bytearray(b"\xff" * len(payload))
    free = [(item.begin, item.end) for item in (base, *values)] + [
        (whole.begin, whole.end) for whole in header.values()
    ]
    for begin, end in free:
        mask[begin:end] = bytes(end - begin)
    mask_number = int.from_bytes(mask, "big")
    return Imprint(
        mask=mask_number,
        fixed=int.from_bytes(payload, "big") & mask_number,
        base_time=base.begin,
        places=np.array([place for value in values for place in range(value.begin, value.end)], dtype=np.intp),
        stream=reading.stream,
        seq=header["seq"],
        after=header.get("after"),
        thinned=header.get("thinned"),
        offsets_s=_offsets_s(payload, records[1 + len(header) :], len(reading.times_s)),
        layout=layout,
        codes=reading.codes,
    )


def _offsets_s(payload: bytes, channels: list[dict[int, Item]], windows: int) -> tuple[float, ...]:
    """Return the windows' times after the base time, as the records say them: rounding depends on the very number."""
    found: set[float] = set()
    for record in channels:
        item = record.get(_T)
        if item is None or item.major == _UNSIGNED:
            found.add(0.0 if item is None else float(item.value))
        elif item.is_double:
            found.update(struct.unpack_from(">d", payload, item.begin))
        else:
            raise ValueError
    offsets_s = tuple(sorted(found)) or (0.0,)
    if len(offsets_s) != windows:
        raise ValueError
    return offsets_s


def _whole(item: Item) -> _Whole:
    if item.major != _UNSIGNED:
        raise ValueError
    return _Whole(item.begin, item.end, item.value)


def _records(payload: bytes) -> Iterator[dict[int, Item]]:
    """Walk a pack that cbor2 has already read, and tell where its values stand; only definite lengths, only our labels.

    Raises
    ------
    ValueError, LookupError
        The pack is written in a way that has no imprint.
    """
    array = _item(payload, 0)
    if array.major != _ARRAY:
        raise ValueError
    at = array.end
    for _ in range(array.value):
        record_map = _item(payload, at)
        if record_map.major != _MAP:
            raise ValueError
        at = record_map.end
        record: dict[int, Item] = {}
        for _ in range(record_map.value):
            label = _item(payload, at)
            if label.major > 1:
                raise ValueError
            item = _item(payload, label.end)
            at = item.end + (item.value if item.major in (_BYTES, _TEXT) else 0)
            # A label that stands twice has no single place.
            number = -1 - label.value if label.major else label.value
            if number in record:
                raise ValueError
            record[number] = item
        yield record


def _item(payload: bytes, at: int) -> Item:
    """Return the item whose head byte stands at `at` (RFC 8949, section 3)."""
    major, info = payload[at] >> 5, payload[at] & 31
    if info < 24:
        return Item(major, info, info, at + 1, at + 1)
    if info > _DOUBLE:
        raise ValueError
    end = at + 1 + (1 << (info - 24))
    return Item(major, info, int.from_bytes(payload[at + 1 : end], "big"), at + 1, end)
