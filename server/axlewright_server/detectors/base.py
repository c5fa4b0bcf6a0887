"""What every detector shares: symptoms, the protocol, delays and gates in event time."""

from __future__ import annotations

from typing import Any, Protocol

import msgspec
import numpy as np
from numpy.typing import NDArray

from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable

# One structured record per axle; the fields differ from detector to detector.
State = NDArray[Any]
# Codes whose key names the line of the spectrum as well.
LINE_CODES = frozenset({"order-high", "order-rising", "envelope-high", "envelope-rising", "vibration-high"})


class Symptom(msgspec.Struct, frozen=True):
    """A symptom began, ended or changed its level on one axle (a transition, never a repetition).

    ``axle``: row of the axle table. ``level``: 0 cleared, 1 caution, 2 limit. ``since_s``: when the condition began.
    ``value`` and ``limit`` are in ``unit``; ``score`` is the detector's own statistic, in units of its threshold.
    """

    axle: int
    time_s: float
    code: str
    channel: str
    level: int
    since_s: float
    value: float
    limit: float
    unit: str
    score: float

    @property
    def active(self) -> bool:
        """Return whether the symptom stands after this event."""
        return self.level > 0

    @property
    def key(self) -> str:
        """Return the name under which the symptom is known on its axle.

        ``code``; for sensors ``code:channel``; for lines of the vibration spectrum ``code/line``.
        """
        if self.code.startswith("sensor-"):
            return f"{self.code}:{self.channel}"
        return f"{self.code}/{self.channel.rsplit('/', 1)[-1]}" if self.code in LINE_CODES else self.code


class Detector(Protocol):
    """A column kernel.

    ``step`` may write into the state rows that it is given (they are copies or views that the kernel owns) and must
    depend on nothing else than its arguments. ``version`` changes when old state no longer fits.
    """

    name: str
    version: int
    dtype: np.dtype[Any]

    def start(self, table: AxleTable) -> State:
        """Return the state of axles never heard of, one record per table row."""
        ...

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state of the batch's rows and what changed."""
        ...

    def observable(self, record: State) -> frozenset[str]:
        """Return the keys of symptoms that this axle's record could show now: their absence is evidence."""
        ...

    def serviced(self, record_rows: State, touched: frozenset[str]) -> State:
        """Return the records after a repair that touched these (``models.shop.service``); the rest is kept."""
        ...

    def forgets(self, key: str, touched: frozenset[str]) -> bool:
        """Return whether such a repair ends this symptom, because :meth:`serviced` began its record afresh."""
        ...


class Part:
    """What most detectors do at a start and at a repair: all of it afresh, if anything that matters was touched."""

    dtype: np.dtype[Any]
    touches: frozenset[str] = frozenset()

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        return np.zeros(count, dtype=self.dtype)

    def start(self, table: AxleTable) -> State:
        """Return the state of axles never heard of, one record per table row."""
        return self.fresh(len(table))

    def serviced(self, record_rows: State, touched: frozenset[str]) -> State:
        """Return fresh records if the repair touched what this detector has learnt from."""
        return self.fresh(len(record_rows)) if touched & self.touches else record_rows

    def forgets(self, key: str, touched: frozenset[str]) -> bool:
        """Return whether such a repair ends this symptom."""
        return bool(touched & self.touches)
