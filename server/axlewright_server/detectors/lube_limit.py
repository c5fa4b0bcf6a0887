"""Lube temperature against fixed limits, and a sudden rise that no change of load explains.

On-delay, off-delay and deadband as alarm practice has them: short rises on a grade are tolerated (a truck operator's
manual tolerates them if they recover), the limit is not. The same manual treats a sudden rise without
load change as stop-and-check.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import ewma_step, time_weight
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Flags, Floats, clear_latches, latch, latch_fields


class LubeLimit(Part):
    """Hold each axle's lube against caution and limit; level 1 is the caution, 2 the limit. Delays are own choices."""

    name = "lube-limit"
    version = 1
    touches = frozenset({"lube", "lube-sensor", "carrier-assembly"})
    dtype: np.dtype[Any] = np.dtype([("level", "i1"), ("seen", "?"), *latch_fields(2)])

    def __init__(
        self,
        caution_delay_s: float = 600.0,
        limit_delay_s: float = 60.0,
        off_delay_s: float = 300.0,
        deadband_cel: float = 3.0,
    ) -> None:
        self.on_delay_s = np.array([caution_delay_s, limit_delay_s])
        self.off_delay_s = off_delay_s
        self.deadband_cel = deadband_cel

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        clear_latches(state)
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles that became too hot, or cooled down."""
        lube = batch.column("lube")[:, None]
        limits = np.stack(
            [table.limit("lube_caution_cel")[batch.axles], table.limit("lube_limit_cel")[batch.axles]], axis=1
        )
        known = np.repeat(~np.isnan(lube), 2, axis=1)
        state["seen"] |= known[:, 0]
        wanted = lube > np.where(state["on"], limits - self.deadband_cel, limits)
        flips = latch(state, wanted, known, batch.time_s, self.on_delay_s, self.off_delay_s)
        if not flips.any():
            return state, []
        old = state["level"].copy()
        on = state["on"]
        level = np.where(on[:, 1], 2, np.where(on[:, 0], 1, 0)).astype(np.int8)
        state["level"] = level
        return state, [
            self._symptom(state, batch, int(row), float(lube[row, 0]), limits[row])
            for row in np.flatnonzero(level != old)
        ]

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptom, once a temperature has come in."""
        return frozenset({"lube-hot"}) if record["seen"] else frozenset()

    def _symptom(self, state: State, batch: Batch, row: int, value: float, limits: Floats) -> Symptom:
        level = int(state["level"][row])
        begun = state["since_s"][row][state["on"][row]]
        limit = float(limits[1] if level == 2 else limits[0])
        return Symptom(
            axle=int(batch.axles[row]),
            time_s=float(batch.time_s[row]),
            code="lube-hot",
            channel="lube",
            level=level,
            since_s=float(begun.min()) if len(begun) else float(batch.time_s[row]),
            value=value,
            limit=limit,
            unit="Cel",
            score=value / limit,
        )


class LubeRise(Part):
    """Tell a rise within two minutes that the load does not explain, of lube that is warm already.

    ``warm_cel``: from here on a rise is judged. Colder lube is warming up, thick lube quickly: a truck operator's
    manual (2021) gives 71 to 104 Cel as normal. Once told it stands for ``off_delay_s`` without another rise: a
    gear set that heats in bursts is one trouble, not many (own choice).
    ``span_s``: time over which a rise is measured. ``load_step_kw``, ``load_ratio``: power passed on that is
    so much above its average over ``load_memory_s`` is a reason to warm up.
    """

    name = "lube-rise"
    version = 1
    touches = frozenset({"lube", "lube-sensor", "carrier-assembly"})
    dtype: np.dtype[Any] = np.dtype(
        [("anchor_s", "f8"), ("anchor", "f8"), ("power", "f8"), ("seen", "?"), *latch_fields(1)]
    )

    def __init__(
        self,
        span_s: float = 120.0,
        load_step_kw: float = 40.0,
        load_ratio: float = 1.5,
        load_memory_s: float = 900.0,
        off_delay_s: float = 4.0 * 3600.0,
        warm_cel: float = 71.0,
    ) -> None:
        self.span_s = span_s
        self.load_step_kw = load_step_kw
        self.load_ratio = load_ratio
        self.load_memory_s = load_memory_s
        self.off_delay_s = off_delay_s
        self.warm_cel = warm_cel

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        clear_latches(state)
        state["anchor_s"] = state["anchor"] = state["power"] = np.nan
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles whose lube began to rise suddenly, or stopped."""
        lube = batch.column("lube")
        known = ~np.isnan(lube)
        state["seen"] |= known
        elapsed_s = batch.time_s - state["anchor_s"]
        due = known & ~(elapsed_s < self.span_s - 5.0)
        if not due.any():
            return state, []
        power_kw = np.abs(batch.column("torque") * batch.column("shaft-speed")) * (np.pi / 30.0) / 1e3
        rate = (lube - state["anchor"]) / elapsed_s * 60.0
        harder = power_kw > self.load_ratio * state["power"] + self.load_step_kw
        limit = table.limit("lube_rise_limit_cel_per_min")[batch.axles]
        limit = np.where(state["on"][:, 0], 0.5 * limit, limit)
        wanted = (rate > limit) & ~harder & (lube > self.warm_cel)
        # Over a longer gap (out of coverage, switched off) a rise means nothing.
        judged = due & (elapsed_s <= 5.0 * self.span_s)
        flips = latch(state, wanted[:, None], judged[:, None], batch.time_s, 0.0, self.off_delay_s)
        state["anchor_s"] = np.where(due, batch.time_s, state["anchor_s"])
        state["anchor"] = np.where(due, lube, state["anchor"])
        # What the load has been for the last quarter of an hour: a pull that has just begun explains the heat.
        usual = ewma_step(state["power"], power_kw, time_weight(elapsed_s, self.load_memory_s))
        state["power"] = np.where(due, usual, state["power"])
        return state, self._symptoms(state, flips, batch, rate, limit) if flips.any() else []

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptom, once a temperature has come in."""
        return frozenset({"lube-rise"}) if record["seen"] else frozenset()

    def _symptoms(self, state: State, flips: Flags, batch: Batch, rate: Floats, limit: Floats) -> list[Symptom]:
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code="lube-rise",
                channel="lube",
                level=2 if state["on"][row, 0] else 0,
                since_s=float(state["since_s"][row, 0]) - self.span_s,
                value=float(rate[row]),
                limit=float(limit[row]),
                unit="Cel/min",
                score=float(rate[row] / limit[row]),
            )
            for row in np.flatnonzero(flips[:, 0])
        ]
