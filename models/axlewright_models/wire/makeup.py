"""The make-up of packs: what stays the same from frame to frame of one truck, and how to read the rest by it.

Two packs have the same make-up when their records carry the same fields, names and units in the same order, and belong
to the same windows. Then every number's place, scale and check is known beforehand. Only plain packs have a make-up:
the base name, base time and version in the first record, no other base field, no field outside n, u, v, vs, vb, t.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

import msgspec
import numpy as np

from axlewright_models.errors import FrameError
from axlewright_models.signals import CHANNELS
from axlewright_models.wire.layout import Layout, Reading, Word, finish, header_is_sound
from axlewright_models.wire.packs import HEADER_NAMES, is_stream
from axlewright_models.wire.places import place_of, scaling
from axlewright_models.wire.senml import CBOR_LABELS, DEFAULT_VERSION, RELATIVE_TIME_LIMIT_S, load_cbor
from axlewright_models.wire.topics import Topic

# Make-ups kept, and the largest payload one is learnt from: together they bound the memory that senders can take.
_MOST_MAKEUPS = 512
_LARGEST_TO_LEARN_BYTES = 16 * 1024
_NUMBER_TYPES = frozenset({int, float})
_RECORD_TYPE = frozenset({dict})
_LABEL_TYPES = frozenset({int, str})


@dataclass(frozen=True)
class Labels:
    """How one form spells the fields."""

    bver: Hashable
    bn: Hashable
    bt: Hashable
    n: Hashable
    u: Hashable
    v: Hashable
    vs: Hashable
    vb: Hashable
    t: Hashable


CBOR = Labels(**{label: CBOR_LABELS[label] for label in Labels.__dataclass_fields__})
JSON = Labels(**{label: label for label in Labels.__dataclass_fields__})


@dataclass(frozen=True)
class MakeUp:
    """What all packs of one make-up share, and the layouts of the patterns of windows seen so far."""

    header: dict[str, int]
    first: int
    has_times: bool
    layouts: dict[tuple[int, ...], Layout] = field(default_factory=dict)


class MakeUps:
    """The make-ups that were learnt for one form, JSON or CBOR."""

    def __init__(self, labels: Labels) -> None:
        self._labels = labels
        self._known: dict[Hashable, MakeUp] = {}
        self._layouts = 0

    @property
    def size(self) -> int:
        """How many layouts are kept."""
        return self._layouts

    def read(self, payload: bytes, topic: Topic) -> Reading | None:
        """Return the pack read by a known layout, or None where it must go the full way."""
        try:
            records = self._load(payload)
            key = self._key(records)
            makeup = self._known.get(key)
            if makeup is None or not self._is_of(records[0], topic):
                return None
            return self._read(records, makeup)
        # Whatever does not look as expected is left to the full way, which says why.
        except (
            FrameError,
            msgspec.DecodeError,
            UnicodeDecodeError,
            LookupError,
            TypeError,
            ArithmeticError,
            ValueError,
        ):
            return None

    def learn(self, payload: bytes) -> None:
        """Remember the make-up of a payload that was read the full way without an error."""
        if len(payload) > _LARGEST_TO_LEARN_BYTES:
            return
        try:
            records = self._load(payload)
            key = self._key(records)
            makeup = self._known.get(key) or self._makeup(records)
            if makeup is None:
                return
            pattern, times = self._pattern(records, makeup)
            layout = self._layout(records, makeup, pattern, len(times))
        except (FrameError, LookupError, TypeError, ArithmeticError, ValueError):
            return
        if layout is None:
            return
        if self._layouts >= _MOST_MAKEUPS:
            self._known.clear()
            self._layouts = 0
            makeup.layouts.clear()
        makeup.layouts[pattern] = layout
        self._known[key] = makeup
        self._layouts += 1

    def _load(self, payload: bytes) -> list[dict[Any, Any]]:
        records = msgspec.json.decode(payload) if self._labels is JSON else load_cbor(payload)
        if type(records) is not list or set(map(type, records)) != _RECORD_TYPE:
            raise TypeError
        # True, 2.0 and CBOR's simple value 2 would be found under the labels 1 and 2, and must not.
        if not _LABEL_TYPES.issuperset(map(type, chain.from_iterable(records))):
            raise TypeError
        return records

    def _key(self, records: list[dict[Any, Any]]) -> Hashable:
        n, u = self._labels.n, self._labels.u
        version = records[0].get(self._labels.bver, DEFAULT_VERSION)
        # True and 26.0 would be found under 1 and 26, and must not.
        if type(version) is not int:
            raise TypeError
        names = tuple([record[n] for record in records])
        units = tuple([record.get(u) for record in records])
        return tuple(map(tuple, records)), names, units, version

    def _is_of(self, first: dict[Any, Any], topic: Topic) -> bool:
        return first[self._labels.bn] == f"{topic.fleet}/{topic.vehicle}/" and not topic.fleet.startswith("-")

    def _read(self, records: list[dict[Any, Any]], makeup: MakeUp) -> Reading | None:
        v = self._labels.v
        pattern, times = self._pattern(records, makeup)
        layout = makeup.layouts.get(pattern)
        if layout is None:
            return None
        header = makeup.header
        stream, seq = records[0][self._labels.vs], records[1][v]
        after = records[header["after"]][v] if "after" in header else None
        thinned = records[header["thinned"]][v] if "thinned" in header else 0
        whole = type(seq) is int and type(thinned) is int and (after is None or type(after) is int)
        if not (type(stream) is str and is_stream(stream) and whole and header_is_sound(seq, after, thinned)):
            return None
        given = [records[number][v] for number in layout.numbers]
        if not _NUMBER_TYPES.issuperset(map(type, given)):
            return None
        codes = []
        for word in layout.words:
            value = records[word.record][word.label]
            if type(value) is not word.kind:
                return None
            codes.append((word.cell, word.codes[value]))
        return finish(layout, np.array(given, dtype=np.float64), times, (stream, seq, after, thinned), codes)

    def _pattern(self, records: list[dict[Any, Any]], makeup: MakeUp) -> tuple[tuple[int, ...], list[float]]:
        """Return to which window each channel record belongs (empty: all to one), and the windows' times."""
        base = records[0][self._labels.bt]
        if type(base) not in _NUMBER_TYPES:
            raise TypeError
        base_s = float(base)
        if not RELATIVE_TIME_LIMIT_S <= base_s < math.inf:
            raise ValueError
        if not makeup.has_times:
            return (), [base_s]
        t = self._labels.t
        offsets = [record.get(t, 0) for record in records[makeup.first :]]
        if not _NUMBER_TYPES.issuperset(map(type, offsets)):
            raise TypeError
        absolute = [base_s + offset for offset in offsets]
        times = sorted(set(absolute))
        if not (math.isfinite(sum(absolute)) and times[0] >= RELATIVE_TIME_LIMIT_S):
            raise ValueError
        window_of = {time_s: window for window, time_s in enumerate(times)}
        return tuple([window_of[time_s] for time_s in absolute]), times

    def _makeup(self, records: list[dict[Any, Any]]) -> MakeUp | None:
        labels = self._labels
        names = [record[labels.n] for record in records]
        required = {labels.bn, labels.bt, labels.n, labels.vs}
        if names[:2] != ["stream", "seq"] or set(records[0]) - {labels.bver} != required:
            return None
        header: dict[str, int] = {}
        for number, name in enumerate(names[1:], 1):
            if name not in HEADER_NAMES:
                break
            if set(records[number]) != {labels.n, labels.v}:
                return None
            header[name] = number
        first = 1 + len(header)
        channels = range(first, len(records))
        plain = ({labels.v}, {labels.vs}, {labels.vb})
        if any(set(records[number]) - {labels.n, labels.u, labels.t} not in plain for number in channels):
            return None
        return MakeUp(header, first, any(labels.t in records[number] for number in channels))

    def _layout(
        self, records: list[dict[Any, Any]], makeup: MakeUp, pattern: tuple[int, ...], windows: int
    ) -> Layout | None:
        labels = self._labels
        placed = []
        for number in range(makeup.first, len(records)):
            window = pattern[number - makeup.first] if pattern else 0
            placed.append((number, window, place_of(records[number][labels.n])))
        rows = tuple(sorted({(window, place.position) for _, window, place in placed if place.column is not None}))
        row_of = {row: index for index, row in enumerate(rows)}
        scales: list[tuple[float, float]] = []
        cells: list[int] = []
        kept: list[int] = []
        extras: list[tuple[int, int, tuple[int, str]]] = []
        words: list[Word] = []
        for number, window, place in placed:
            cell = None if place.column is None else row_of[window, place.position] * len(CHANNELS) + place.column
            if labels.v in records[number]:
                if cell is None:
                    extras.append((len(scales), window, (place.position, place.name)))
                else:
                    kept.append(len(scales))
                    cells.append(cell)
                scales.append(scaling(place, records[number].get(labels.u)))
            elif cell is None or place.channel is None:
                return None
            elif labels.vb in records[number]:
                words.append(Word(number, labels.vb, cell, {False: 0.0, True: 1.0}, bool))
            else:
                codes: dict[object, float] = {word: float(code) for code, word in enumerate(place.channel.words)}
                words.append(Word(number, labels.vs, cell, codes, str))
        scale_offset = np.array(scales, dtype=np.float64).reshape(-1, 2)
        return Layout(
            header=makeup.header,
            numbers=tuple(number for number, _, _ in placed if labels.v in records[number]),
            rows=rows,
            shape=(len(rows), len(CHANNELS)),
            scale=np.ascontiguousarray(scale_offset[:, 0]),
            offset=np.ascontiguousarray(scale_offset[:, 1]),
            kept=np.array(kept, dtype=np.intp) if extras else None,
            cells=np.array(cells, dtype=np.intp),
            extras=tuple(extras),
            words=tuple(words),
        )
