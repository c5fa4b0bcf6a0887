"""Forward against rear: the two axles of a tandem share speed, load, wind and weather; their difference cancels them.

Each axle learns its own normal difference to its partner, as a share of their common rise above ambient (an axle that
makes more heat differs more when both work hard), over the first hours of driving and is then held to it. The
difference is signed: an axle speaks when it runs hotter than usual against its partner.

The share holds for loads like those it was learnt from. At a load (power through the driveshaft, averaged over the
axle's thermal time) beyond any at which the difference was as usual, nothing is said: a long pull may part two sound
axles.

Run length by design: one-sided, k = 1 and h = 10 standard deviations: beyond 1e9 independent normal observations; and
the averaged difference must pass ``least_cel`` besides. One that shifts by three standard deviations is found after
six observations (half an hour).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import cusum_step, ewma_step, welford_step
from axlewright_server.detectors.base import State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats, exposure, observe, put_back, some

CODE = "hotter-than-partner"


class Tandem:
    """Follow the difference of each tandem axle to its partner.

    Both axles' readings must come in one window. ``learning``: observations until the normal is frozen.
    ``warm_cel``: common rise above ambient from which on the difference counts.
    Level 2 is ``forward_rear_limit_cel`` of the specification.
    """

    name = "tandem"
    version = 3
    dtype: np.dtype[Any] = np.dtype(
        [
            ("window_s", "f8"),
            ("window_sum", "f8", (3,)),
            ("load_w", "f8"),
            ("known_load_w", "f8"),
            ("moments", "f8", (3,)),
            ("average", "f8"),
            ("high", "f8"),
            ("begun_s", "f8"),
            ("calm", "i4"),
            ("level", "i1"),
        ]
    )

    def __init__(
        self,
        observation_s: float = 300.0,
        learning: int = 96,
        slack: float = 1.0,
        decision: float = 10.0,
        least_cel: float = 6.0,
        floor_cel: float = 1.5,
        warm_cel: float = 15.0,
        weight: float = 0.3,
        calm: int = 6,
        load_weight: float = 0.1,
        load_margin: float = 1.1,
    ) -> None:
        self.observation_s = observation_s
        self.learning = learning
        self.slack = slack
        self.decision = decision
        self.least_cel = least_cel
        self.floor_cel = floor_cel
        self.warm_cel = warm_cel
        self.weight = weight
        self.calm = calm
        self.load_weight = load_weight
        self.load_margin = load_margin

    def start(self, table: AxleTable) -> State:
        """Return the state of axles never heard of."""
        state = np.zeros(len(table), dtype=self.dtype)
        state["average"] = state["begun_s"] = state["load_w"] = np.nan
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles that began to run hotter than their partner, or ceased."""
        seen = self._seen(batch, table)
        # Near ambient a share of the rise means nothing.
        warm = (batch.column("speed") > 20.0) & (seen[:, 1] > self.warm_cel)
        seconds = exposure(batch.dt_s, warm)
        ripe, means = observe(state, "window", seen, seconds, self.observation_s)
        if not len(ripe):
            return state, []
        part = some(state, ripe)
        symptoms = self._judge(part, means, batch.take(ripe), table)
        put_back(state, ripe, part)
        return state, symptoms

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptom, once the normal difference is known."""
        return frozenset({CODE}) if record["moments"][0] >= self.learning else frozenset()

    def _seen(self, batch: Batch, table: AxleTable) -> Floats:
        """Return the difference to the partner, the common rise above ambient and the load, (n, 3)."""
        lube = batch.column("lube")
        partner = batch.partners(table)
        other = np.where(partner >= 0, lube[partner], np.nan)
        power_w = np.abs(batch.column("torque") * batch.column("shaft-speed")) * (np.pi / 30.0)
        # A truck that doesn't tell its torque is judged at every load.
        return np.stack([lube - other, 0.5 * (lube + other) - batch.column("ambient"), np.nan_to_num(power_w)], axis=1)

    def _judge(self, state: State, means: Floats, batch: Batch, table: AxleTable) -> list[Symptom]:
        count, mean, m2 = state["moments"].T
        learnt = count >= self.learning
        difference, rise, power_w = means.T
        load_w = ewma_step(state["load_w"], power_w, self.load_weight)
        state["load_w"] = load_w
        lesson = np.where(learnt | batch.suspect, np.nan, difference / rise)
        state["moments"] = np.stack(welford_step(count, mean, m2, lesson), axis=1)
        spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, 1.0)) * rise, self.floor_cel)
        departure = np.where(learnt, difference - mean * rise, np.nan)
        z = np.clip(departure / spread, -5.0, 5.0)
        usual = ~batch.suspect & (~learnt | (z < self.slack))
        foreign = learnt & (load_w > self.load_margin * state["known_load_w"]) & ~(z < self.slack)
        state["known_load_w"] = np.where(usual, np.maximum(state["known_load_w"], load_w), state["known_load_w"])
        z, departure = np.where(foreign, np.nan, z), np.where(foreign, np.nan, departure)
        high, _ = cusum_step(state["high"], np.zeros(len(z)), z, self.slack)
        average = ewma_step(state["average"], departure, self.weight)
        state["calm"] = np.where(foreign, state["calm"], np.where(average < 0.5 * self.least_cel, state["calm"] + 1, 0))
        high = np.where(state["calm"] >= self.calm, 0.0, np.minimum(high, 4.0 * self.decision))
        state["high"], state["average"] = high, average
        begun = np.where(np.isnan(state["begun_s"]), batch.time_s, state["begun_s"])
        state["begun_s"] = np.where(high > 0.0, begun, np.nan)
        limit = table.limit("forward_rear_limit_cel")[batch.axles]
        old = state["level"].copy()
        begins = (high > self.decision) & (average > self.least_cel)
        level = np.where(begins | ((old > 0) & (high > 0.0)), 1, 0)
        beyond = np.where(old == 2, average > limit - 2.0, average > limit)
        level = np.where((level > 0) & beyond, 2, level).astype(np.int8)
        state["level"] = level
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code=CODE,
                channel="lube",
                level=int(level[row]),
                since_s=float(np.nan_to_num(state["begun_s"][row], nan=batch.time_s[row])),
                value=float(average[row]),
                limit=float(limit[row]) if level[row] == 2 else self.least_cel,
                unit="K",
                score=float(high[row] / self.decision),
            )
            for row in np.flatnonzero(level != old)
        ]
