"""The server's way of reading frames: the full way's checks and results, at little more than the CBOR's cost.

A truck sends packs of one make-up over and over: the same records with other numbers. The first of a make-up is read
the full way; what was learnt (which number belongs where, by which scale) is kept, and the next ones are read by it
(:mod:`makeup`). Where even the bytes between the numbers are those of a frame before, they are not decoded at all
(:mod:`imprint`).
Anything that is not exactly of a known make-up goes the full way, which alone raises errors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import CHANNELS
from axlewright_models.wire.imprint import Imprints
from axlewright_models.wire.layout import Reading
from axlewright_models.wire.makeup import CBOR, JSON, MakeUps
from axlewright_models.wire.packs import Pack, check_size, is_json, read_pack
from axlewright_models.wire.places import name_of, place_of
from axlewright_models.wire.topics import Topic


@dataclass(frozen=True)
class Decoded:
    """A frame as columns.

    ``rows`` are (time [Unix s], position) in ascending order; position 0 is the vehicle itself, n the nth axle from the
    front. ``values`` has shape (len(rows), len(CHANNELS)), float32, channel units, NaN where nothing was sent.
    ``extras`` holds what is in no channel table, by (time, position, name).
    """

    fleet: str
    vehicle: str
    stream: str
    seq: int
    after: int | None
    thinned: int
    rows: tuple[tuple[float, int], ...]
    values: NDArray[np.float32]
    extras: Mapping[tuple[float, int, str], float]

    @classmethod
    def from_pack(cls, pack: Pack) -> Decoded:
        """Return the columns of a pack that was read the full way."""
        columns = {key: _column(key) for key in pack.cells}
        rows = tuple(sorted({key[:2] for key, column in columns.items() if column is not None}))
        row_of = {row: number for number, row in enumerate(rows)}
        values = np.full((len(rows), len(CHANNELS)), np.nan, dtype=np.float32)
        extras: dict[tuple[float, int, str], float] = {}
        for key, value in pack.cells.items():
            column = columns[key]
            if column is None:
                extras[key] = value
            else:
                values[row_of[key[:2]], column] = value
        header = (pack.fleet, pack.vehicle, pack.stream, pack.seq, pack.after, pack.thinned)
        return cls(*header, rows, values, extras)


def _column(key: tuple[float, int, str]) -> int | None:
    return place_of(name_of(key[1], key[2])).column


class Decoder:
    """Reads frames and remembers their make-up. One per thread.

    Examples
    --------
    >>> payload = b'''[{"bn": "harrow-vale/t07/", "bt": 1700000000, "n": "stream", "vs": "a1"}, {"n": "seq", "v": 1},
    ... {"n": "axle/2/lube", "u": "Cel", "v": 93.5}]'''
    >>> decoded = Decoder().decode(payload, Topic.parse("axlewright/1/harrow-vale/t07/readings"))
    >>> decoded.rows, float(decoded.values[0, 11])
    (((1700000000.0, 2),), 93.5)
    """

    def __init__(self) -> None:
        self._imprints = Imprints()
        self._cbor = MakeUps(CBOR)
        self._json = MakeUps(JSON)

    @property
    def makeups_known(self) -> int:
        """How many make-ups are remembered; bounded, whatever senders do."""
        return self._cbor.size + self._json.size

    @property
    def imprints_known(self) -> int:
        """How many imprints are remembered; bounded too."""
        return self._imprints.size

    def decode(self, payload: bytes, topic: Topic | None = None, now_s: float | None = None) -> Decoded:
        """Return the frame that `payload` holds, as columns.

        Raises
        ------
        FrameError
            See :func:`axlewright_models.wire.frames.decode_frame`.
        """
        check_size(len(payload))
        reading = None if topic is None else self._read(payload, topic)
        if topic is not None and reading is not None:
            return _from_reading(reading, topic)
        pack = read_pack(payload, topic, now_s)
        (self._json if is_json(payload) else self._cbor).learn(payload)
        return Decoded.from_pack(pack)

    def _read(self, payload: bytes, topic: Topic) -> Reading | None:
        reading = self._imprints.read(payload, topic.fleet, topic.vehicle)
        if reading is None:
            makeups = self._json if is_json(payload) else self._cbor
            reading = makeups.read(payload, topic)
            if reading is not None and makeups is self._cbor:
                self._imprints.learn(payload, topic.fleet, topic.vehicle, reading)
        return reading


@lru_cache(maxsize=64)
def _nothing(shape: tuple[int, int]) -> NDArray[np.float32]:
    return np.full(shape, np.nan, dtype=np.float32)


def _from_reading(reading: Reading, topic: Topic) -> Decoded:
    layout, times = reading.layout, reading.times_s
    values = _nothing(layout.shape).copy()  # a sixth of what filling anew costs
    flat = values.reshape(-1)
    flat[layout.cells] = reading.numbers if layout.kept is None else reading.numbers[layout.kept]
    for cell, code in reading.codes:
        flat[cell] = code
    return Decoded(
        topic.fleet,
        topic.vehicle,
        reading.stream,
        reading.seq,
        reading.after,
        reading.thinned,
        tuple([(times[window], position) for window, position in layout.rows]),
        values,
        {(times[window], *key): float(reading.numbers[number]) for number, window, key in layout.extras},
    )
