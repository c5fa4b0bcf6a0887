"""What ingest has done and how it is doing, as numbers."""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field


@dataclass(frozen=True)
class IngestFigures:
    """Counts since the start and the state now.

    `received` messages of any kind; `committed` frames; `quarantined` messages by kind of reason; `gaps` frames that
    never came; `refused` frames beyond a gap, left to the truck's resend; `overflow` messages that found the queue
    full (the truck sends them again); `out_of_order_rows` readings stored but too late to be judged; `failures`
    batches or turns that failed. Delays run from arrival at the office to the commit, over the last frames.
    """

    received: int
    received_bytes: int
    committed: int
    duplicates: int
    quarantined: dict[str, int]
    gaps: int
    refused: int
    overflow: int
    out_of_order_rows: int
    rows: int
    batches: int
    symptoms: int
    failures: int
    queue_frames: int
    queue_bytes: int
    held_frames: int
    delay_p50_s: float | None
    delay_p99_s: float | None
    started_s: float
    connected: bool
    failed_callbacks: int


@dataclass
class Counters:
    """The pipeline's own counts; only its thread writes them."""

    committed: int = 0
    quarantined: Counter[str] = field(default_factory=Counter)
    late_rows: int = 0
    rows: int = 0
    batches: int = 0
    symptoms: int = 0
    failures: int = 0


class Delays:
    """The delays of the last frames, for percentiles."""

    def __init__(self, most: int = 2000) -> None:
        self._last: deque[float] = deque(maxlen=most)

    def add(self, delay_s: float) -> None:
        """Take one delay. [s]"""
        self._last.append(delay_s)

    def percentile(self, share: float) -> float | None:
        """Return the delay that this share of frames does not exceed; None before the first. [s]

        Examples
        --------
        >>> delays = Delays()
        >>> for delay in [0.1, 0.2, 0.3, 0.4, 0.5]:
        ...     delays.add(delay)
        >>> delays.percentile(0.5)
        0.3
        """
        for _ in range(3):
            try:
                ordered = sorted(self._last)
                break
            except RuntimeError:  # another thread added one meanwhile
                continue
        else:
            return None
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else None
