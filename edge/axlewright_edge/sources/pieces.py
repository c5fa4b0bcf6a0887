"""The waveforms that a truck's sources have sent lately, and a window cut out of them."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.sources.blocks import Piece

# Time stamps of neighbouring pieces jitter by a transfer or two; more than this is a gap. Own choice.
JITTER_S = 0.02
# Where the stamps of a whole cut disagree with the stated rate by more, the stamps are believed: a source that measures
# its rate knows better than a few stamps, one that does not may be off by percents. Own choice.
RATE_DOUBT = 0.01
# No single gap fills more than this many samples: a stamp gone wild makes no memory.
MOST_FILLED = 4_000_000


@dataclass(frozen=True)
class Cut:
    """One sensor's samples over a window; NaN where one was lost."""

    sensor: str
    samples: NDArray[np.float32]
    begin_s: float
    rate_hz: float
    missing: int
    clipped: int

    @property
    def times(self) -> NDArray[np.float64]:
        """Return the time of every sample, shape (n,). [s]"""
        return self.begin_s + np.arange(self.samples.size) / self.rate_hz


class Pieces:
    """Keeps pieces, sensor by sensor, for the windows to come and for bursts.

    Examples
    --------
    >>> pieces = Pieces()
    >>> pieces.add([Piece("acc-2", 2, "acceleration", 5.0, 4.0, np.arange(8, dtype=np.float32))])
    >>> pieces.cut("acc-2", 5.5, 6.5).samples
    array([2., 3., 4., 5.], dtype=float32)
    """

    def __init__(self) -> None:
        self._pieces: dict[str, deque[Piece]] = {}

    def add(self, pieces: Iterable[Piece]) -> None:
        """Take what a source has sent, in order of time."""
        for piece in pieces:
            if piece.samples.size and piece.rate_hz > 0.0:
                self._pieces.setdefault(piece.sensor, deque()).append(piece)

    def sensors(self, quantity: str, axle: int | None = None) -> list[str]:
        """Return the names of the sensors of a quantity, on one axle or anywhere."""
        return [
            sensor
            for sensor, pieces in sorted(self._pieces.items())
            if pieces and pieces[-1].quantity == quantity and axle in (None, pieces[-1].axle)
        ]

    def axles(self) -> list[int]:
        """Return the axles with an accelerometer."""
        return sorted({pieces[-1].axle for pieces in self._pieces.values() if pieces[-1].quantity == "acceleration"})

    def newest(self) -> dict[str, Piece]:
        """Return each sensor's newest piece."""
        return {sensor: pieces[-1] for sensor, pieces in sorted(self._pieces.items())}

    def between(self, axle: int, begin_s: float, end_s: float) -> list[Piece]:
        """Return the acceleration and tacho pieces of an axle, cut to a stretch of time, in order of sensor and time.

        A tacho sits on the driveshaft: it is given with every axle.
        """
        return [
            part
            for _, pieces in sorted(self._pieces.items())
            for piece in pieces
            if piece.quantity == "tacho" or piece.axle == axle
            if (part := _part(piece, begin_s, end_s)) is not None
        ]

    def cut(self, sensor: str, begin_s: float, end_s: float) -> Cut | None:
        """Return a sensor's samples with ``begin_s <= time < end_s``; None when there is none."""
        parts = [part for piece in self._pieces.get(sensor, ()) if (part := _part(piece, begin_s, end_s)) is not None]
        return _join(parts) if parts else None

    def forget(self, before_s: float) -> None:
        """Drop pieces that end before a time, and sensors of which nothing is left."""
        for sensor, pieces in list(self._pieces.items()):
            while pieces and pieces[0].elapsed_s + pieces[0].samples.size / pieces[0].rate_hz < before_s:
                pieces.popleft()
            if not pieces:
                del self._pieces[sensor]


def _part(piece: Piece, begin_s: float, end_s: float) -> Piece | None:
    size = piece.samples.size
    first = max(0, int(np.ceil((begin_s - piece.elapsed_s) * piece.rate_hz - 1e-6)))
    last = min(size, int(np.ceil((end_s - piece.elapsed_s) * piece.rate_hz - 1e-6)))
    if first >= last:
        return None
    if (first, last) == (0, size):
        return piece
    return replace(
        piece,
        elapsed_s=piece.elapsed_s + first / piece.rate_hz,
        samples=piece.samples[first:last],
        # What was lost was lost before the piece's first sample.
        missing=piece.missing if first == 0 else 0,
        clipped=round(piece.clipped * (last - first) / size),
    )


def _join(parts: Sequence[Piece]) -> Cut:
    """Return pieces end to end, with NaN where samples were lost between them."""
    # The newest part knows the rate best.
    rate_hz = parts[-1].rate_hz
    runs, missing = [parts[0].samples], 0
    for last, piece in pairwise(parts):
        gap = (piece.elapsed_s - last.elapsed_s) * rate_hz - last.samples.size
        lost = piece.missing or (round(gap) if gap > max(2.0, JITTER_S * rate_hz) else 0)
        lost = min(lost, MOST_FILLED)
        if lost:
            runs.append(np.full(lost, np.nan, dtype=np.float32))
            missing += lost
        runs.append(piece.samples)
    # A tacho's turns may come in double precision: after hours of driving a float32 no longer tells single degrees.
    samples = np.concatenate(runs)
    begin_s = parts[0].elapsed_s
    ahead_s = parts[-1].elapsed_s - begin_s
    before = samples.size - parts[-1].samples.size
    stamped_hz = before / ahead_s if ahead_s > 0.0 and before > 0 else rate_hz
    if RATE_DOUBT < abs(stamped_hz / rate_hz - 1.0) < 0.2:
        rate_hz = stamped_hz
    return Cut(parts[0].sensor, samples, begin_s, rate_hz, missing, sum(part.clipped for part in parts))
