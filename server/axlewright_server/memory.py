"""The kernel's memory of one axle as bytes: detector records and standing symptoms."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import msgspec
import numpy as np

from axlewright_models.errors import ModelError
from axlewright_server.detectors.base import State
from axlewright_server.diagnosis.picture import Standing
from axlewright_server.diagnosis.steadiness import Trail

# First byte of a blob. Before there was one, blobs began with msgpack's own mark of an array of three.
FORMAT = 1
_UNMARKED = 0x93


class MemoryBlobError(ModelError):
    """Stored state cannot be read."""


class _Record(msgspec.Struct, frozen=True, array_like=True):
    """One detector's record: its version, the layout it was written with, and the bytes."""

    version: int
    layout: str
    data: bytes


class Repair(msgspec.Struct, frozen=True, array_like=True):
    """A recorded repair that the axle's own time has not reached yet."""

    time_s: float
    touched: frozenset[str]


class Memory(msgspec.Struct, frozen=True, array_like=True):
    """What :func:`pack` wrote."""

    last_s: float
    records: dict[str, _Record]
    standing: dict[str, Standing]
    repairs: tuple[Repair, ...] = ()
    trails: dict[str, Trail] = {}

    def record(self, name: str, version: int, dtype: np.dtype[Any]) -> State | None:
        """Return a detector's record, None when it is missing or was written by another version."""
        entry = self.records.get(name)
        if entry is None or entry.version != version or entry.layout != _layout(dtype):
            return None
        return np.frombuffer(entry.data, dtype=dtype)[0]  # type: ignore[no-any-return]  # a numpy void record


def pack(
    last_s: Sequence[float],
    states: Mapping[str, tuple[int, State]],
    standing: Sequence[dict[str, Standing]],
    repairs: Sequence[tuple[Repair, ...]],
    trails: Sequence[dict[str, Trail]],
) -> list[bytes]:
    """Return the memory of several axles as bytes; `states` maps a detector's name to its version and their records."""
    mark = bytes([FORMAT])
    columns = [_records(version, records) for version, records in states.values()]
    names = tuple(states)
    return [
        mark + msgspec.msgpack.encode(Memory(time_s, dict(zip(names, own, strict=True)), stands, waiting, behind))
        for time_s, stands, waiting, behind, *own in zip(last_s, standing, repairs, trails, *columns, strict=True)
    ]


def _records(version: int, records: State) -> list[_Record]:
    layout, data, size = _layout(records.dtype), records.tobytes(), records.dtype.itemsize
    return [_Record(version, layout, data[begin : begin + size]) for begin in range(0, len(data), size)]


def unpack(blob: bytes) -> Memory:
    """Return what :func:`pack` wrote.

    Raises
    ------
    MemoryBlobError
        The bytes are nothing of the kind, or of a format that this version does not know.
    """
    first = blob[0] if blob else None
    if first not in (FORMAT, _UNMARKED):
        raise MemoryBlobError(
            f"stored detector state cannot be read: it begins with byte {first}, this version knows format {FORMAT}; "
            "run the version that wrote it, or restore a backup"
        )
    try:
        return msgspec.msgpack.decode(blob[1:] if first == FORMAT else blob, type=Memory)
    except msgspec.DecodeError as error:
        raise MemoryBlobError(f"stored detector state cannot be read: {error}; restore it from a backup") from error


@lru_cache(maxsize=256)
def _layout(dtype: np.dtype[Any]) -> str:
    return hashlib.sha256(repr(dtype.descr).encode()).hexdigest()[:12]
