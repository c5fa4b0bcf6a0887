"""What the guard on board said: it has already told the driver, so the office must know why."""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.signals import GUARD_WORDS
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import clear_latches, latch, latch_fields


class Guard(Part):
    """Pass on the guard's word at once (level 2); it ends when the guard has been quiet for ``off_delay_s``.

    No run length of its own: the guard's limits are its design. ``value`` is the place of the word in
    ``models.signals.GUARD_WORDS``.
    """

    name = "guard"
    version = 1
    dtype: np.dtype[Any] = np.dtype([("seen", "?"), *latch_fields(1)])

    def __init__(self, off_delay_s: float = 3600.0) -> None:
        self.off_delay_s = off_delay_s

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        clear_latches(state)
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles whose guard spoke, or fell quiet."""
        word = batch.column("guard")
        known = ~np.isnan(word)
        if not known.any():
            return state, []
        state["seen"] |= known
        flips = latch(state, (word > 0.5)[:, None], known[:, None], batch.time_s, 0.0, self.off_delay_s)
        return state, [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code="guard-spoke",
                channel="guard",
                level=2 if state["on"][row, 0] else 0,
                since_s=float(state["since_s"][row, 0]),
                value=float(np.clip(np.rint(word[row]), 0, len(GUARD_WORDS) - 1)),
                limit=1.0,
                unit="word",
                score=1.0,
            )
            for row in np.flatnonzero(flips[:, 0])
        ]

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptom, where the truck has a guard."""
        return frozenset({"guard-spoke"}) if record["seen"] else frozenset()
