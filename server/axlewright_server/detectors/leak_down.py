"""Leak-down: how fast a parked truck sinks when no compressor holds it up.

A straight line is fitted to each side's height over the time parked, one sample in ten minutes so that the cadence of
reporting does not matter, with a memory of ``memory_s``: the valve goes on levelling a parked frame out of the
reservoir, and a small leak shows only once that is empty. The symptom needs the slope to be beyond the limit by three
standard errors. By design: with a sensor noise of 0.5 mm a spring that loses 2 mm/h signals less than once in 1e9
nights, one that loses 12 mm/h is found after one hour and ten minutes. A frame that is loaded while it stands falls at
once, which no line fits: that is no leak.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Flags, Floats, put_back, some

SIDES = ("height/left", "height/right")


class LeakDown(Part):
    """Fit the sinking of each side while parked with the ignition off.

    ``sample_s``: time between the samples used. ``settle_s``: time after stopping before the first. ``noise_mm``: least
    standard deviation of a sample. ``memory_s``: time over which samples lose their weight. ``span_s``: shortest time
    for a verdict; a symptom ends after twice that, and as long parked as it took to show, at less than half the limit,
    standing no more than ``standing_mm`` below specification. ``dump_mm``: a drop within one sample that only a driver
    can cause by letting air out.
    """

    name = "leak-down"
    version = 2
    touches = frozenset({"height-valve", "air-spring", "height-sensor"})
    dtype: np.dtype[Any] = np.dtype(
        [
            ("parked_s", "f8"),
            ("start_s", "f8"),
            ("sampled_s", "f8"),
            ("first", "f8", (2,)),
            ("last", "f8", (2,)),
            ("sums", "f8", (2, 6)),
            ("level", "i1"),
            ("side", "i1"),
            ("judged", "?"),
            ("took_s", "f8"),
        ]
    )

    def __init__(
        self,
        sample_s: float = 600.0,
        settle_s: float = 600.0,
        noise_mm: float = 0.5,
        span_s: float = 3600.0,
        dump_mm: float = 55.0,
        standing_mm: float = 15.0,
        memory_s: float = 3600.0,
    ) -> None:
        self.sample_s = sample_s
        self.settle_s = settle_s
        self.noise_mm = noise_mm
        self.span_s = span_s
        self.dump_mm = dump_mm
        self.standing_mm = standing_mm
        self.memory_s = memory_s

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        for name in ("parked_s", "start_s", "sampled_s", "first", "last"):
            state[name] = np.nan
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles that began to sink, or hold again."""
        parked = self._parked(batch)
        since_s = np.where(parked, np.fmin(state["parked_s"], batch.time_s), np.nan)
        # fmin keeps the earlier time; a truck that moved in between starts anew because it was reset then.
        state["parked_s"] = since_s
        state["start_s"] = np.where(parked, state["start_s"], np.nan)
        due = parked & (batch.time_s - since_s >= self.settle_s)
        due &= ~(batch.time_s - state["sampled_s"] < self.sample_s - 5.0)
        rows = np.flatnonzero(due)
        if not len(rows):
            return state, []
        part, few = some(state, rows), batch.take(rows)
        heights = np.stack([few.column(side) for side in SIDES], axis=1)
        self._sample(part, few.time_s, heights)
        symptoms = self._judge(part, few, table, heights)
        put_back(state, rows, part)
        return state, symptoms

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptom, once one parked period was long enough for a verdict."""
        return frozenset({"leak-down"}) if record["judged"] else frozenset()

    def _parked(self, batch: Batch) -> Flags:
        speed, parked = batch.column("speed"), batch.column("parked")
        ignition, mode = batch.column("ignition"), batch.column("height-mode")
        # With the engine on, the compressor hides a leak; a missing ignition channel is taken as off.
        return np.asarray((parked > 0.5) & ~(speed > 0.5) & ~(ignition > 0.5) & ~(mode > 0.5))

    def _sample(self, state: State, time_s: Floats, heights: Floats) -> None:
        fresh = np.isnan(state["start_s"])
        dumped = (np.abs(heights - state["last"]) > self.dump_mm).any(axis=1)
        begin = fresh | dumped
        state["start_s"] = np.where(begin, time_s, state["start_s"])
        state["sums"][begin] = 0.0
        state["first"] = np.where(begin[:, None] | np.isnan(state["first"]), heights, state["first"])
        state["last"] = np.where(np.isnan(heights), state["last"], heights)
        fade = np.exp(-np.nan_to_num(time_s - state["sampled_s"]) / self.memory_s)
        state["sums"] *= np.clip(fade, 0.0, 1.0)[:, None, None]
        state["sampled_s"] = time_s
        hours = ((time_s - state["start_s"]) / 3600.0)[:, None]
        fall = heights - state["first"]
        terms = np.stack(
            [np.ones_like(fall), hours + 0.0 * fall, fall, hours * hours + 0.0 * fall, hours * fall, fall * fall],
            axis=2,
        )
        state["sums"] += np.where(np.isnan(terms), 0.0, terms)

    def _judge(self, state: State, batch: Batch, table: AxleTable, heights: Floats) -> list[Symptom]:
        slope, error, span_s = self._slope(state, batch.time_s)
        limit = table.limit("leak_down_limit_mm_per_h")[batch.axles]
        worst = np.where(slope[:, 0] <= slope[:, 1], 0, 1)
        pick = np.arange(len(worst))
        sinking = -slope[pick, worst]
        sure = sinking - 3.0 * error[pick, worst] > limit
        begins = (span_s >= self.span_s - 5.0) & sure
        ends = (span_s >= np.maximum(2.0 * self.span_s, state["took_s"] + self.span_s) - 5.0) & (
            np.nan_to_num(sinking, nan=np.inf) < 0.5 * limit
        )
        # A spring that has gone flat sinks no further: only one that still stands holds its air.
        lowest = np.fmin(heights[:, 0], heights[:, 1])
        ends &= lowest > table.ride_height_mm[batch.axles] - self.standing_mm
        reject = table.ride_height_mm[batch.axles] - table.limit("height_reject_mm")[batch.axles]
        flat = np.nan_to_num(heights[pick, worst], nan=np.inf) < reject
        old = state["level"].copy()
        stands = begins | ((old > 0) & ~ends)
        level = np.where(stands, np.where(begins, 1 + flat, np.maximum(old, 1)), 0).astype(np.int8)
        # Within one parked period a collapsed spring does not get better by lying still.
        level = np.where((old == 2) & stands, 2, level)
        state["level"] = level
        state["judged"] |= span_s >= self.span_s - 5.0
        state["side"] = np.where(begins, worst, state["side"])
        # A full reservoir hides the leak for as long again: only what lasts longer is held against it.
        state["took_s"] = np.where(begins & (old == 0), span_s, state["took_s"])
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code="leak-down",
                channel=SIDES[int(state["side"][row])],
                level=int(level[row]),
                since_s=float(state["start_s"][row]),
                value=float(sinking[row]),
                limit=float(limit[row]),
                unit="mm/h",
                score=float(sinking[row] / limit[row]),
            )
            for row in np.flatnonzero(level != old)
        ]

    def _slope(self, state: State, time_s: Floats) -> tuple[Floats, Floats, Floats]:
        """Return slope and standard error of each side [mm/h], and the span of the samples [s]."""
        n, x, y, xx, xy, yy = (state["sums"][:, :, term] for term in range(6))
        enough = n >= 4.0
        count = np.where(enough, n, 4.0)
        spread = np.where(enough, xx - x * x / count, 1.0)
        spread = np.where(spread > 1e-6, spread, 1.0)
        slope = (xy - x * y / count) / spread
        rest = np.maximum(yy - y * y / count - slope * slope * spread, 0.0)
        error = np.sqrt(np.maximum(rest / (count - 2.0), self.noise_mm**2) / spread)
        return np.where(enough, slope, np.nan), np.where(enough, error, np.nan), time_s - state["start_s"]
