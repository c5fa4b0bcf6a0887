"""What a sensor source hands over: values and waveforms, each with its time on the gateway's own steady clock.

A source of this kind (a vehicle bus, an analogue converter, a recorded waveform) does not make windows: several of
them are combined into windows by one :class:`~axlewright_edge.sources.combined.CombinedSource`. Times are those of
:meth:`Clock.elapsed`, which never jumps; what Unix time they were is decided once, when a window is closed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from axlewright_models.wire.messages import SourceHealth


@dataclass(frozen=True)
class Sample:
    """One value of one channel.

    ``axle`` counts from the front, 0 is the vehicle; ``channel`` is a name of ``models.signals``; ``value`` is in
    the channel's own unit. A sensor that says "not available" or "error" gives no sample.
    """

    axle: int
    channel: str
    value: float
    elapsed_s: float


@dataclass(frozen=True)
class Piece:
    """A stretch of evenly spaced samples of one sensor.

    ``sensor``: name unique within the truck. ``quantity``: ``"acceleration"`` (m/s2) or ``"tacho"`` (turns of the
    driveshaft so far). ``elapsed_s``: time of the first sample. ``rate_hz``: samples a second. ``missing``: samples
    lost just before the first one. ``clipped``: samples at the end of the sensor's range.
    """

    sensor: str
    axle: int
    quantity: str
    elapsed_s: float
    rate_hz: float
    samples: NDArray[np.float32]
    missing: int = 0
    clipped: int = 0


@dataclass(frozen=True)
class Block:
    """All that a source has read since the last time, in order of time."""

    values: Sequence[Sample] = field(default_factory=tuple)
    pieces: Sequence[Piece] = field(default_factory=tuple)


class BlockSource(Protocol):
    """Hands over blocks, from one thread."""

    @property
    def name(self) -> str:
        """What it is called in status and errors, such as ``j1939 can0``."""

    @property
    def finished(self) -> bool:
        """Whether nothing will come any more (a recording has ended)."""

    def open(self) -> None:
        """Get ready.

        Raises
        ------
        SourceError
            It cannot be opened; the text says what, where and how to mend it.
        """

    def read(self, timeout_s: float) -> Block:
        """Return what has come; an empty block when nothing has come within `timeout_s`.

        Raises
        ------
        SourceError
            It cannot be read any more.
        """

    def health(self) -> SourceHealth:
        """Return how it is doing."""

    def close(self) -> None:
        """Let go of devices; safe to call twice."""
