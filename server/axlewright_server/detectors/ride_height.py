"""Ride height: does the suspension stand where the specification says, and level from left to right.

Static height comes from dynamic readings: only steady driving counts, not in a driver's lowered or raised mode and not
until the valves have had time to level again. One minute of it makes one observation; observations feed a two-sided
CUSUM (is it out?) and an EWMA (by how much?).

Run lengths by design (Siegmund's approximation, independent normal observations with the standard deviation
``noise_mm``): with k at the tolerance and h = 8 standard deviations, an axle that stands on its
specification signals less than once in 1e9 observations, one that stands 1 mm inside the tolerance about once in
19,000 (300 hours of steady driving), one 3 mm outside after 6 minutes. Winsorising keeps a single wild minute from
signalling: at least three are needed.

Beside the tolerance each axle is held to its own: two hours of steady driving make one observation of the slow chart
(k = 1, h = 5, 1.1e5 observations in control), whose baseline is the first ``drift_learning`` of them, learnt while
nothing stands on the axle. A drift of less than ``drift_least_mm`` is not worth a word (own choice: half the usual
tolerance).

The same observations tell a step from a creep, beside a height that is wrong: one that has moved by its whole
tolerance, and the noise besides, within the last ``RECENT`` of them, some two days of driving, has slipped or been set
so; bushes wear by less than 3 mm a day (own choice).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import cusum_step, ewma_step, welford_step
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import Chart
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Flags, Floats, exposure, observe, put_back, some

# Quantities followed: 0 = height, 1 = lean. Sides of each: 0 = high / left high, 1 = low / right high.
DRIFT = Chart("drift", 1, slack=1.0, decision=5.0, weight=0.3, calm=5)
CODES = (("height-high", "height-low"), ("lean-right", "lean-left"))
STEP = "height-step"
RECENT = 8


class RideHeight(Part):
    """Follow static height and lean of every axle.

    ``minimum_speed_km_h``, ``steady_km_h_per_s``: what counts as steady driving. ``settle_s``: time the levelling
    valves get after a driver's mode ends. ``noise_mm``: standard deviation of a one-minute mean (own choice).
    ``decision``: CUSUM limit h. ``weight``: of an observation in the EWMA. ``calm``: observations inside three quarters
    of the tolerance that end a symptom.
    """

    name = "ride-height"
    version = 3
    touches = frozenset({"height-valve", "air-spring", "height-sensor"})
    dtype: np.dtype[Any] = np.dtype(
        [
            ("window_s", "f8"),
            ("window_sum", "f8", (2,)),
            ("settled_s", "f8"),
            ("speed", "f8"),
            ("average", "f8", (2,)),
            ("high", "f8", (2,)),
            ("low", "f8", (2,)),
            ("begun_s", "f8", (2, 2)),
            ("level", "i1", (2, 2)),
            ("calm", "i4", (2,)),
            ("count", "i4"),
            ("long_s", "f8"),
            ("long_sum", "f8"),
            ("moments", "f8", (3,)),
            ("recent", "f8", (RECENT,)),
            ("step_mm", "f8"),
            *DRIFT.fields(),
        ]
    )

    def __init__(
        self,
        minimum_speed_km_h: float = 25.0,
        steady_km_h_per_s: float = 1.5,
        settle_s: float = 120.0,
        observation_s: float = 60.0,
        noise_mm: float = 2.0,
        decision: float = 8.0,
        weight: float = 0.3,
        calm: int = 10,
        drift_s: float = 7200.0,
        drift_learning: int = 8,
        drift_floor_mm: float = 0.8,
        drift_least_mm: float = 3.0,
    ) -> None:
        self.minimum_speed_km_h = minimum_speed_km_h
        self.steady_km_h_per_s = steady_km_h_per_s
        self.settle_s = settle_s
        self.observation_s = observation_s
        self.noise_mm = noise_mm
        self.decision = decision
        self.weight = weight
        self.calm = calm
        self.drift_s = drift_s
        self.drift_learning = drift_learning
        self.drift_floor_mm = drift_floor_mm
        self.drift_least_mm = drift_least_mm

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        DRIFT.clear(state)
        state["average"] = np.nan
        state["recent"] = np.nan
        state["speed"] = np.nan
        state["begun_s"] = np.nan
        # Nothing is known to have moved before the first reading.
        state["settled_s"] = self.settle_s
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles that left or regained their height."""
        gate = self._gate(state, batch)
        left, right = batch.column("height/left"), batch.column("height/right")
        middle = np.where(np.isnan(left), right, np.where(np.isnan(right), left, 0.5 * (left + right)))
        deviation = middle - table.ride_height_mm[batch.axles]
        gate &= ~np.isnan(deviation)
        lean = left - right
        # Without the other side there is no lean to see; it then stays what it was.
        lean = np.where(np.isnan(lean), np.nan_to_num(state["average"][:, 1]), lean)
        both = np.stack([deviation, lean], axis=1)
        seconds = exposure(batch.dt_s, gate)
        ripe, means = observe(state, "window", both, seconds, self.observation_s)
        if not len(ripe):
            return state, []
        part = some(state, ripe)
        symptoms = self._judge(part, means, batch.take(ripe), table)
        put_back(state, ripe, part)
        # A minute's mean stands for the minute.
        minutes, deviations = np.zeros(len(state)), np.full(len(state), np.nan)
        minutes[ripe], deviations[ripe] = self.observation_s, means[:, 0]
        ripe, slow = observe(state, "long", deviations, minutes, self.drift_s)
        if len(ripe):
            part = some(state, ripe)
            symptoms += self._drift(part, slow, batch.take(ripe))
            put_back(state, ripe, part)
        return state, symptoms

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms that could be shown: all, once three observations are in."""
        seen = {code for pair in CODES for code in pair} if record["count"] >= 3 else set()
        if not np.isnan(record["recent"][-1]):
            seen |= {STEP}
        return frozenset(seen | {"height-drift"} if record["moments"][0] >= self.drift_learning else seen)

    def static_mm(self, state: State, specified_mm: Floats) -> Floats:
        """Return each axle's static height as the averaged observations have it, NaN before the first. [mm]"""
        return np.asarray(specified_mm + state["average"][:, 0])

    def _gate(self, state: State, batch: Batch) -> Flags:
        speed, mode, brake = batch.column("speed"), batch.column("height-mode"), batch.column("brake")
        chosen = mode > 0.5
        settled_s = np.where(chosen, 0.0, np.minimum(state["settled_s"] + batch.dt_s, self.settle_s))
        change = np.abs(speed - state["speed"])
        state["settled_s"] = settled_s
        state["speed"] = speed
        steady = ~(change > self.steady_km_h_per_s * np.maximum(batch.dt_s, 1.0)) & ~(brake > 0.05)
        return np.asarray(steady & (speed >= self.minimum_speed_km_h) & (settled_s >= self.settle_s))

    def _judge(self, state: State, means: Floats, batch: Batch, table: AxleTable) -> list[Symptom]:
        tolerance = np.stack(
            [table.limit("height_tolerance_mm")[batch.axles], table.limit("lean_limit_mm")[batch.axles]], axis=1
        )
        slack = tolerance / self.noise_mm
        # The same bound for all: a wild minute moves a sum by at most half the decision limit.
        z = np.clip(means / self.noise_mm, -slack - 0.49 * self.decision, slack + 0.49 * self.decision)
        high, low = cusum_step(state["high"], state["low"], z, slack)
        average = ewma_step(state["average"], means, self.weight)
        state["count"] = np.minimum(state["count"] + 1, 1000)
        state["average"] = average
        inside = np.abs(average) < 0.75 * tolerance
        state["calm"] = np.where(inside, state["calm"] + 1, 0)
        # Bounded, so that a repaired suspension is not held against the truck for weeks.
        sums = np.minimum(np.stack([high, low], axis=2), 4.0 * self.decision)
        sums[state["calm"] >= self.calm] = 0.0
        now = batch.time_s[:, None, None]
        state["begun_s"] = np.where(sums > 0.0, np.where(np.isnan(state["begun_s"]), now, state["begun_s"]), np.nan)
        state["high"], state["low"] = sums[:, :, 0], sums[:, :, 1]
        return self._symptoms(state, sums, tolerance, batch, table) + self._step(state, batch, table)

    def _drift(self, state: State, means: Floats, batch: Batch) -> list[Symptom]:
        """Hold means of hours to the axle's own baseline."""
        state["recent"] = np.concatenate([means[:, None], state["recent"][:, :-1]], axis=1)
        count, mean, m2 = state["moments"].T
        learnt = count >= self.drift_learning
        lesson = np.where(learnt | batch.suspect, np.nan, means)
        state["moments"] = np.stack(welford_step(count, mean, m2, lesson), axis=1)
        spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, 1.0)), self.drift_floor_mm)[:, None]
        departure = np.where(learnt, means - mean, np.nan)[:, None]
        changed = DRIFT.step(state, departure, spread, self.drift_least_mm, np.inf, batch.time_s)
        symptoms = []
        for row, _, side in zip(*np.nonzero(changed), strict=True):
            other = int(state["drift_level"][row, 0, 1 - side])
            if other:
                # Both sides share one key: a swing past zero is no news until the new side itself changes.
                continue
            now = float(batch.time_s[row])
            symptoms.append(
                Symptom(
                    axle=int(batch.axles[row]),
                    time_s=now,
                    code="height-drift",
                    channel="height/left,height/right",
                    level=int(state["drift_level"][row, 0, side]),
                    since_s=DRIFT.since_s(state, int(row), 0, int(side), now),
                    value=float(state["drift_average"][row, 0]),
                    limit=self.drift_least_mm if side == 0 else -self.drift_least_mm,
                    unit="mm",
                    score=DRIFT.score(state, int(row), 0, int(side)),
                )
            )
        return symptoms

    def _step(self, state: State, batch: Batch, table: AxleTable) -> list[Symptom]:
        """Tell a move by the whole tolerance within the last hours of driving, as long as the height is wrong."""
        tolerance = table.limit("height_tolerance_mm")[batch.axles]
        height = state["average"][:, 0]
        moved = height[:, None] - state["recent"]
        far, pick = np.argmax(np.nan_to_num(np.abs(moved), nan=-1.0), axis=1), np.arange(len(height))
        size, start = np.nan_to_num(moved[pick, far]), state["recent"][pick, far]
        old = state["step_mm"].copy()
        wrong = state["level"][:, 0].any(axis=1) | state["drift_level"].any(axis=(1, 2))
        # The way back to the specification is no fault's.
        begins = wrong & (old == 0.0) & (np.abs(size) > tolerance + self.noise_mm) & (np.abs(height) > np.abs(start))
        ends = ~wrong & (old != 0.0)
        state["step_mm"] = np.where(begins, size, np.where(ends, 0.0, old))
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code=STEP,
                channel="height/left,height/right",
                level=int(begins[row]),
                since_s=float(batch.time_s[row]),
                value=float(size[row] if begins[row] else old[row]),
                limit=float(tolerance[row]),
                unit="mm",
                score=float(abs(size[row]) / tolerance[row]),
            )
            for row in np.flatnonzero(begins | ends)
        ]

    def _symptoms(self, state: State, sums: Floats, tolerance: Floats, batch: Batch, table: AxleTable) -> list[Symptom]:
        old = state["level"].copy()
        reject = table.limit("height_reject_mm")[batch.axles][:, None, None]
        size = np.abs(state["average"])[:, :, None]
        # 5 mm of deadband below the inspection limit.
        rejected = np.where(old == 2, size > reject - 5.0, size > reject)
        standing = (sums > self.decision) | ((old > 0) & (sums > 0.0))
        level = np.where(standing, np.where(rejected, 2, 1), 0).astype(np.int8)
        state["level"] = level
        symptoms = []
        for row, quantity, side in zip(*np.nonzero(level != old), strict=True):
            axle = int(batch.axles[row])
            now = float(batch.time_s[row])
            begun = float(state["begun_s"][row, quantity, side])
            symptoms.append(
                Symptom(
                    axle=axle,
                    time_s=now,
                    code=CODES[quantity][side],
                    channel="height/left,height/right",
                    level=int(level[row, quantity, side]),
                    since_s=begun if begun == begun else now,
                    value=float(state["average"][row, quantity]),
                    limit=float(reject[row, 0, 0] if level[row, quantity, side] == 2 else tolerance[row, quantity]),
                    unit="mm",
                    score=float(sums[row, quantity, side] / self.decision),
                )
            )
        return symptoms
