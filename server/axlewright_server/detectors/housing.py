"""The axle housing, where sensors are fitted: pressure behind a blocked breather, and the lube's level."""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Flags, Floats, clear_latches, latch, latch_fields

CODES = ("sump-pressure-high", "lube-level-low", "lube-level-high", "lube-level-fell")
CHANNELS = ("sump-pressure", "lube-level", "lube-level", "lube-level")
UNITS = ("kPa", "mm", "mm", "mm")
PRESSURE, LOW, HIGH, FELL = range(4)


class Housing(Part):
    """Watch sump pressure and lube level.

    The level counts only after standing ``drain_s``: driving throws the lube about. ``level_mm``, ``high_mm``: lowest
    and highest level against the fill plug (own choices; the plug's lip is the usual mark). ``fell_mm``: a level that
    stands so much lower than at the last rest was lost at once; lube that cools by 70 K takes 3 mm of it at most, a
    seal that weeps less within a day (own choice).

    Neither lube nor a clear breather comes back by itself for an hour: a symptom ends only when its reading has been
    better by ``deadband_kpa`` or ``deadband_mm`` for ``off_delay_s``, pressure in a housing warmed by ``warming_s`` of
    driving: cold, a blocked one is as good as a clear one. Delays are own choices.
    """

    name = "housing"
    version = 3
    touches = frozenset({"lube", "breather", "carrier-assembly"})
    dtype: np.dtype[Any] = np.dtype(
        [
            ("stood_s", "f8"),
            ("driven_s", "f8"),
            ("rest_mm", "f8"),
            ("last_rest_mm", "f8"),
            ("seen", "?", (4,)),
            *latch_fields(4),
        ]
    )

    def __init__(
        self,
        level_mm: float = -12.0,
        high_mm: float = 6.0,
        drain_s: float = 900.0,
        fell_mm: float = 8.0,
        on_delay_s: float = 300.0,
        off_delay_s: float = 86400.0,
        warming_s: float = 3600.0,
        deadband_kpa: float = 2.0,
        deadband_mm: float = 4.0,
    ) -> None:
        self.level_mm = level_mm
        self.high_mm = high_mm
        self.drain_s = drain_s
        self.on_delay_s = on_delay_s
        self.off_delay_s = off_delay_s
        self.fell_mm = fell_mm
        self.warming_s = warming_s
        self.deadband = np.array([deadband_kpa, deadband_mm, deadband_mm, 0.0])

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        clear_latches(state)
        state["rest_mm"] = state["last_rest_mm"] = np.nan
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the housings that came under pressure or ran low, or recovered."""
        pressure, level = batch.column("sump-pressure"), batch.column("lube-level")
        standing = ~(batch.column("speed") >= 0.5)
        stood_s = np.where(standing, state["stood_s"] + batch.dt_s, 0.0)
        # A short halt leaves a housing warm.
        driven_s = np.where(standing, np.where(stood_s > self.drain_s, 0.0, state["driven_s"]), state["driven_s"])
        driven_s = np.where(standing, driven_s, driven_s + np.minimum(batch.dt_s, self.drain_s))
        state["stood_s"], state["driven_s"] = stood_s, driven_s
        at_rest = (stood_s >= self.drain_s) & ~np.isnan(level)
        fallen_mm = self._rest(state, level, standing, at_rest)
        values = np.stack([pressure, level, level, fallen_mm], axis=1)
        present = ~np.isnan(values)
        if not present.any():
            return state, []
        present[:, LOW:] &= at_rest[:, None]
        state["seen"] |= present
        whole = np.ones(len(values))
        limits = np.stack(
            [
                table.limit("sump_pressure_limit_kpa")[batch.axles],
                self.level_mm * whole,
                self.high_mm * whole,
                -self.fell_mm * whole,
            ],
            axis=1,
        )
        on = state["on"]
        slack = np.where(on, self.deadband, 0.0)
        wanted = values > limits - slack
        wanted[:, LOW] = values[:, LOW] < limits[:, LOW] + slack[:, LOW]
        # What was lost at once stays lost until the level is right again.
        wanted[:, FELL] = (values[:, FELL] < limits[:, FELL]) | (on[:, FELL] & (on[:, LOW] | wanted[:, LOW]))
        known = present.copy()
        known[:, PRESSURE] &= wanted[:, PRESSURE] | (driven_s >= self.warming_s)
        flips = latch(state, wanted, known, batch.time_s, self.on_delay_s, self.off_delay_s)
        return state, self._symptoms(state, flips, batch, values, limits) if flips.any() else []

    def _rest(self, state: State, level: Floats, standing: Flags, at_rest: Flags) -> Floats:
        """Return how much higher the level stands than at the rest before, NaN where that is not known. [mm]"""
        left = ~standing & ~np.isnan(state["rest_mm"])
        state["last_rest_mm"] = np.where(left, state["rest_mm"], state["last_rest_mm"])
        rest_mm = np.where(standing, state["rest_mm"], np.nan)
        # A tenth of each new reading: one that is out by its noise counts for little.
        state["rest_mm"] = np.where(
            at_rest, np.where(np.isnan(rest_mm), level, rest_mm + 0.1 * (level - rest_mm)), rest_mm
        )
        return np.where(at_rest, state["rest_mm"] - state["last_rest_mm"], np.nan)

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
