"""Scans of a buffered Industrial I/O device: how they are laid out, and their bytes turned into numbers.

The form of ``scan_elements/*_type`` is ``[be|le]:[s|u]bits/storagebits[Xrepeat][>>shift]``; storage bits are also the
alignment within a scan, and a scan is as long as a whole number of its largest element (the kernel's
Documentation/ABI/testing/sysfs-bus-iio and Documentation/driver-api/iio/buffers.rst).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.errors import SourceError

_FORM = re.compile(r"(be|le):([su])(\d+)/(\d+)(?:X(\d+))?(?:>>(\d+))?")
_STORAGE_BITS = (8, 16, 32, 64)


@dataclass(frozen=True)
class Element:
    """How one channel lies in a scan."""

    big_endian: bool
    signed: bool
    bits: int
    storage_bits: int
    shift: int = 0

    @property
    def size(self) -> int:
        """Return its bytes in a scan."""
        return self.storage_bits // 8

    @property
    def lowest(self) -> int:
        """Return the lowest number that it can tell."""
        return -(1 << (self.bits - 1)) if self.signed else 0

    @property
    def highest(self) -> int:
        """Return the highest number that it can tell."""
        return (1 << (self.bits - 1)) - 1 if self.signed else (1 << self.bits) - 1

    def numbers(self, stored: NDArray[np.uint64]) -> NDArray[np.int64]:
        """Return what stored words mean: shifted, masked, and signed if they are.

        Examples
        --------
        >>> parse_type("le:s12/16>>4", "here").numbers(np.array([0x7FF5, 0x8000, 0xFFFA], dtype=np.uint64)).tolist()
        [2047, -2048, -1]
        """
        # Up to the top of the word and down again: the arithmetic shift back brings the sign along.
        words = stored << np.uint64(64 - self.bits - self.shift)
        if self.signed:
            return words.view(np.int64) >> np.int64(64 - self.bits)
        return (words >> np.uint64(64 - self.bits)).astype(np.int64)


def parse_type(text: str, where: str) -> Element:
    """Return the element that a ``_type`` attribute describes; `where` names it in errors.

    Examples
    --------
    >>> parse_type("le:s12/16>>4", "here")
    Element(big_endian=False, signed=True, bits=12, storage_bits=16, shift=4)

    Raises
    ------
    SourceError
        The form is none that is understood.
    """
    match = _FORM.fullmatch(text.strip())
    if match is None:
        raise SourceError(f"{where}: {text!r:.40} is not understood; the form is le:s12/16>>4")
    bits, storage, shift = int(match[3]), int(match[4]), int(match[6] or 0)
    if storage not in _STORAGE_BITS or not 1 <= bits <= storage - shift or int(match[5] or 1) > 1:
        raise SourceError(
            f"{where}: {text!r:.40}: 1 to 64 bits in a word of 8, 16, 32 or 64, not repeated, can be read"
        )
    return Element(match[1] == "be", match[2] == "s", bits, storage, shift)


class Layout:
    """Where each enabled element lies in a scan.

    Parameters
    ----------
    elements : mapping of str to Element
        In order of their ``_index``.

    Examples
    --------
    >>> layout = Layout({"x": parse_type("le:s16/16", ""), "t": parse_type("le:s64/64", "")})
    >>> layout.size
    16
    >>> scans = layout.decode(bytes([255, 255, 0, 0, 0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 0, 0]))
    >>> int(scans["x"][0]), int(scans["t"][0])
    (-1, 9)
    """

    def __init__(self, elements: Mapping[str, Element]) -> None:
        self.elements = dict(elements)
        offsets, place = [], 0
        for element in self.elements.values():
            place = _aligned(place, element.size)
            offsets.append(place)
            place += element.size
        self.size = _aligned(place, max(element.size for element in self.elements.values()))
        self._form = np.dtype(
            {
                "names": list(self.elements),
                "formats": [f"{'>' if one.big_endian else '<'}u{one.size}" for one in self.elements.values()],
                "offsets": offsets,
                "itemsize": self.size,
            }
        )

    def decode(self, data: bytes | bytearray) -> dict[str, NDArray[np.int64]]:
        """Return the numbers of whole scans, shape (scans,) each."""
        scans = np.frombuffer(data, dtype=self._form)
        return {name: one.numbers(scans[name].astype(np.uint64)) for name, one in self.elements.items()}

    def encode(self, columns: Mapping[str, NDArray[np.int64]]) -> bytes:
        """Return scans as a device would send them: what :meth:`decode` reads back."""
        size = len(next(iter(columns.values())))
        scans = np.zeros(size, dtype=self._form)
        for name, one in self.elements.items():
            mask = np.uint64((1 << one.bits) - 1)
            words = (np.asarray(columns[name], dtype=np.int64).view(np.uint64) & mask) << np.uint64(one.shift)
            scans[name] = words.astype(f"u{one.size}")
        return scans.tobytes()


def _aligned(place: int, size: int) -> int:
    return -(-place // size) * size
