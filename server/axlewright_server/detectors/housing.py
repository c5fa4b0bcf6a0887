"""The axle housing, where sensors are fitted: pressure behind a blocked breather, and the lube's level."""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Flags, Floats, clear_latches, latch, latch_fields

CODES = ("sump-pressure-high", "lube-level-low", "lube-level-high")
CHANNELS = ("sump-pressure", "lube-level", "lube-level")
UNITS = ("kPa", "mm", "mm")


class Housing(Part):
    """Watch sump pressure and lube level.

    The level counts only after standing ``drain_s``: driving throws the lube about. ``level_mm``, ``high_mm``: lowest
    and highest level against the fill plug (own choices; the plug's lip is the usual mark). Delays are own choices.
    """

    name = "housing"
    version = 2
    touches = frozenset({"lube", "breather", "carrier-assembly"})
    dtype: np.dtype[Any] = np.dtype([("stood_s", "f8"), ("seen", "?", (3,)), *latch_fields(3)])

    def __init__(
        self,
        level_mm: float = -12.0,
        high_mm: float = 6.0,
        drain_s: float = 900.0,
        on_delay_s: float = 300.0,
        off_delay_s: float = 1800.0,
        deadband: float = 2.0,
    ) -> None:
        self.level_mm = level_mm
        self.high_mm = high_mm
        self.drain_s = drain_s
        self.on_delay_s = on_delay_s
        self.off_delay_s = off_delay_s
        self.deadband = deadband

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        clear_latches(state)
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the housings that came under pressure or ran low, or recovered."""
        values = np.stack([batch.column(channel) for channel in CHANNELS], axis=1)
        present = ~np.isnan(values)
        standing = ~(batch.column("speed") >= 0.5)
        stood_s = np.where(standing, state["stood_s"] + batch.dt_s, 0.0)
        state["stood_s"] = stood_s
        if not present.any():
            return state, []
        present[:, 1:] &= (stood_s >= self.drain_s)[:, None]
        state["seen"] |= present
        few = np.full(len(values), self.level_mm), np.full(len(values), self.high_mm)
        limits = np.stack([table.limit("sump_pressure_limit_kpa")[batch.axles], *few], axis=1)
        slack = np.where(state["on"], self.deadband, 0.0)
        wanted = values > limits - slack
        wanted[:, 1] = values[:, 1] < limits[:, 1] + slack[:, 1]
        flips = latch(state, wanted, present, batch.time_s, self.on_delay_s, self.off_delay_s)
        return state, self._symptoms(state, flips, batch, values, limits) if flips.any() else []

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms of the sensors that are fitted."""
        return frozenset(code for code, seen in zip(CODES, record["seen"], strict=True) if seen)

    def _symptoms(self, state: State, flips: Flags, batch: Batch, values: Floats, limits: Floats) -> list[Symptom]:
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code=CODES[which],
                channel=CHANNELS[which],
                level=int(state["on"][row, which]),
                since_s=float(state["since_s"][row, which]),
                value=float(values[row, which]),
                limit=float(limits[row, which]),
                unit=UNITS[which],
                score=float(values[row, which] / limits[row, which]),
            )
            for row, which in zip(*np.nonzero(flips), strict=True)
        ]
