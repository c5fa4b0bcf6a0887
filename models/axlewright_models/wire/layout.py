"""What is known beforehand of a pack: where each number belongs, by which scale, and what its words mean."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from axlewright_models.wire.packs import GREATEST_SEQ
from axlewright_models.wire.places import GREATEST_VALUE


@dataclass(frozen=True)
class Word:
    """A record that speaks in words or truth values: its number, its field, its cell, and the code of each word."""

    record: int
    label: Hashable
    cell: int
    codes: dict[object, float]
    kind: type


@dataclass(frozen=True)
class Layout:
    """Where everything in a pack of one make-up and one pattern of windows belongs.

    ``scale`` and ``offset`` have one element per number; ``kept`` selects those that have a channel (None: all), and
    ``cells`` are their places in the flattened values of ``shape``. ``extras`` are (number, window, (position, name)).
    ``header`` and ``numbers`` say in which records the frame's numbering and the numbers stand.
    """

    header: dict[str, int]
    numbers: tuple[int, ...]
    rows: tuple[tuple[int, int], ...]
    shape: tuple[int, int]
    scale: NDArray[np.float64]
    offset: NDArray[np.float64]
    kept: NDArray[np.intp] | None
    cells: NDArray[np.intp]
    extras: tuple[tuple[int, int, tuple[int, str]], ...]
    words: tuple[Word, ...]


class Reading(NamedTuple):
    """One pack read by its layout; ``numbers`` are in channel units, ``codes`` are (cell, code) of words."""

    layout: Layout
    times_s: list[float]
    stream: str
    seq: int
    after: int | None
    thinned: int
    numbers: NDArray[np.float64]
    codes: list[tuple[int, float]]


def header_is_sound(seq: int, after: int | None, thinned: int) -> bool:
    """Return whether whole numbers are a frame's numbering; the full way says what is wrong with them."""
    return 0 < seq <= GREATEST_SEQ and (after is None or 0 <= after < seq) and 0 <= thinned <= GREATEST_SEQ


def finish(
    layout: Layout,
    given: NDArray[np.float64],
    times_s: list[float],
    header: tuple[str, int, int | None, int],
    codes: list[tuple[int, float]],
) -> Reading | None:
    """Return the reading of numbers as they were sent, or None where one of them is not finite or very large."""
    with np.errstate(over="ignore", invalid="ignore"):
        numbers = given * layout.scale
        numbers += layout.offset
        # The sum of squares bounds them all at once; written so that NaN fails too. A pack that fails only because its
        # numbers are large together goes the full way, which looks at each.
        if not float(numbers.dot(numbers)) <= GREATEST_VALUE**2:
            return None
    return Reading(layout, times_s, *header, numbers, codes)
