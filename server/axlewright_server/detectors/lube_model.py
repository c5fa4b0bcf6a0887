"""Lube temperature against what this axle's load, speed and weather explain.

Three phases per axle, counted in hours of driving without any symptom: the parameters are learnt by recursive least
squares; then they are frozen and the usual residual (mean and spread) is measured; then both are frozen and the
residual is judged. Freezing is the point: a fault that grows slowly must not be learnt as normal. A hot but
legitimate pull is explained by its torque, so it gives no residual; only the fixed limits speak.

Run length by design: k = 1 and h = 10 standard deviations; Siegmund's approximation gives 1e9 observations for
independent normal residuals. Real residuals are correlated over the axle's time constant (about 46 minutes against one
observation in 5), which shortens it; so the averaged residual must also pass ``least_cel`` before anything is said.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import cusum_step, ewma_step, welford_step
from axlewright_models.thermal import PRIOR
from axlewright_server.detectors.base import State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.observer import P, advance, inputs, learn, rows_at
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats, exposure, observe, put_back, some

CODES = ("lube-above-model", "lube-below-model")


class LubeModel:
    """Learn each axle's thermal balance, then judge what is left over.

    ``learning_h``, ``calibrating_h``: driving hours of the first two phases. ``interval_s``: length of one lesson.
    ``observation_s``: driving that makes one judged residual. ``least_cel``: smallest averaged residual that counts.
    ``floor_cel``: least standard deviation believed of the residual. ``longest_gap_s``: beyond it the
    expectation starts again at the reading. ``calm``: observations below half of ``least_cel`` that end a symptom.
    All are own choices.
    """

    name = "lube-model"
    version = 1
    dtype: np.dtype[Any] = np.dtype(
        [
            ("theta", "f8", (P,)),
            ("covariance", "f8", (P, P)),
            ("expected", "f8"),
            ("lesson_s", "f8"),
            ("lesson_sum", "f8", (P,)),
            ("lesson_from", "f8"),
            ("driven_s", "f8"),
            ("window_s", "f8"),
            ("window_sum", "f8", (2,)),
            ("moments", "f8", (3,)),
            ("widest", "f8"),
            ("average", "f8"),
            ("high", "f8"),
            ("low", "f8"),
            ("begun_s", "f8", (2,)),
            ("calm", "i4"),
            ("level", "i1", (2,)),
        ]
    )

    def __init__(
        self,
        learning_h: float = 12.0,
        calibrating_h: float = 12.0,
        interval_s: float = 300.0,
        observation_s: float = 300.0,
        forgetting: float = 0.999,
        slack: float = 1.0,
        decision: float = 10.0,
        least_cel: float = 8.0,
        floor_cel: float = 3.0,
        weight: float = 0.3,
        calm: int = 6,
        longest_gap_s: float = 1800.0,
    ) -> None:
        self.learning_s = learning_h * 3600.0
        self.judging_s = self.learning_s + calibrating_h * 3600.0
        self.interval_s = interval_s
        self.observation_s = observation_s
        self.forgetting = forgetting
        self.slack = slack
        self.decision = decision
        self.least_cel = least_cel
        self.floor_cel = floor_cel
        self.weight = weight
        self.calm = calm
        self.longest_gap_s = longest_gap_s

    def start(self, table: AxleTable) -> State:
        """Return the state of axles never heard of: the prior's parameters."""
        state = np.zeros(len(table), dtype=self.dtype)
        state["theta"], state["covariance"] = PRIOR.theta, PRIOR.covariance
        for name in ("expected", "lesson_from", "average", "begun_s"):
            state[name] = np.nan
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles that left or regained their expectation."""
        lube = batch.column("lube")
        speed, torque, shaft, ambient = inputs(batch, table)
        at_ambient, per_kelvin = rows_at(speed, torque, shaft, ambient)
        self._expect(state, batch, lube, ambient, at_ambient, per_kelvin)
        if (state["driven_s"] < self.learning_s).any():
            row = at_ambient + per_kelvin * (lube - ambient)[:, None]
            self._lesson(state, batch, lube, row)
        driving = (speed > 5.5) & ~np.isnan(lube) & ~np.isnan(state["expected"])
        driven_s = exposure(batch.dt_s, driving)
        state["driven_s"] += np.where(batch.suspect, 0.0, np.where(state["driven_s"] < self.judging_s, driven_s, 0.0))
        pair = np.stack([lube - state["expected"], state["expected"] - ambient], axis=1)
        ripe, means = observe(state, "window", pair, driven_s, self.observation_s)
        if not len(ripe):
            return state, []
        part = some(state, ripe)
        symptoms = self._judge(part, means[:, 0], means[:, 1], batch.take(ripe))
        put_back(state, ripe, part)
        return state, symptoms

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms that could be shown: both, once learnt and calibrated."""
        return frozenset(CODES) if record["driven_s"] >= self.judging_s else frozenset()

    def expected_cel(self, state: State) -> Floats:
        """Return the expected temperature of each axle, NaN before the model is learnt."""
        return np.where(state["driven_s"] >= self.learning_s, state["expected"], np.nan)

    def _expect(
        self, state: State, batch: Batch, lube: Floats, ambient: Floats, at_ambient: Floats, per_kelvin: Floats
    ) -> None:
        moved = advance(state["expected"], state["theta"], at_ambient, per_kelvin, ambient, batch.dt_s)
        # After a gap, or where an input was missing, the reading is the best start there is.
        lost = np.isnan(moved) | (batch.dt_s > self.longest_gap_s)
        state["expected"] = np.where(lost, lube, moved)

    def _lesson(self, state: State, batch: Batch, lube: Floats, row: Floats) -> None:
        """Gather a lesson: the change of temperature over some minutes, and the features over the same time."""
        usable = ~np.isnan(row).any(axis=1) & (batch.dt_s <= self.longest_gap_s) & ~batch.suspect
        usable &= ~np.isnan(state["lesson_from"])
        # Both ends of a window are read as its end: half a window's slope is lost, the same at both ends of a lesson.
        state["lesson_s"] = np.where(usable, state["lesson_s"] + batch.dt_s, 0.0)
        gathered = state["lesson_sum"] + row * batch.dt_s[:, None]
        state["lesson_sum"] = np.where(usable[:, None], gathered, 0.0)
        full = np.flatnonzero(
            usable & (state["lesson_s"] >= self.interval_s - 0.5) & (state["driven_s"] < self.learning_s)
        )
        if len(full):
            change = lube[full] - state["lesson_from"][full]
            theta, covariance = state["theta"][full], state["covariance"][full]
            theta, covariance = learn(theta, covariance, state["lesson_sum"][full], change, self.forgetting)
            state["theta"][full], state["covariance"][full] = theta, covariance
        anew = ~usable
        anew[full] = True
        state["lesson_from"] = np.where(anew, lube, state["lesson_from"])
        state["lesson_s"][full] = 0.0
        state["lesson_sum"][full] = 0.0

    def _judge(self, state: State, residual: Floats, excess: Floats, batch: Batch) -> list[Symptom]:
        learnt = state["driven_s"] >= self.learning_s
        judged = state["driven_s"] >= self.judging_s
        calibrating = learnt & ~judged & ~batch.suspect
        count, mean, m2 = state["moments"].T
        moments = welford_step(count, mean, m2, np.where(calibrating, residual, np.nan))
        state["moments"] = np.stack(moments, axis=1)
        state["widest"] = np.where(judged | batch.suspect, state["widest"], np.maximum(state["widest"], excess))
        count, mean, m2 = state["moments"].T
        spread = np.sqrt(np.maximum(m2 / np.maximum(count - 1.0, 1.0), self.floor_cel**2))
        # Hotter than anything it has learnt from, the model is believed less.
        beyond = 0.3 * np.maximum(excess - state["widest"], 0.0)
        departure = np.where(judged, residual - mean, np.nan)
        z = np.clip(departure / np.hypot(spread, beyond), -5.0, 5.0)
        high, low = cusum_step(state["high"], state["low"], z, self.slack)
        average = ewma_step(state["average"], departure, self.weight)
        quiet = np.abs(average) < 0.5 * self.least_cel
        state["calm"] = np.where(quiet, state["calm"] + 1, 0)
        sums = np.minimum(np.stack([high, low], axis=1), 4.0 * self.decision)
        sums[state["calm"] >= self.calm] = 0.0
        state["average"] = average
        state["high"], state["low"] = sums[:, 0], sums[:, 1]
        now = batch.time_s[:, None]
        begun = np.where(np.isnan(state["begun_s"]), now, state["begun_s"])
        state["begun_s"] = np.where(sums > 0.0, begun, np.nan)
        return self._symptoms(state, sums, batch)

    def _symptoms(self, state: State, sums: Floats, batch: Batch) -> list[Symptom]:
        old = state["level"].copy()
        signed = np.stack([state["average"], -state["average"]], axis=1)
        begins = (sums > self.decision) & (signed > self.least_cel)
        level = np.where(begins | ((old > 0) & (sums > 0.0)), 1, 0).astype(np.int8)
        # Twice the least residual is no longer a trend to watch.
        level = np.where((level > 0) & (signed > 2.0 * self.least_cel), 2, level).astype(np.int8)
        level = np.where((old == 2) & (level == 1) & (signed > 1.7 * self.least_cel), 2, level).astype(np.int8)
        state["level"] = level
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code=CODES[side],
                channel="lube",
                level=int(level[row, side]),
                since_s=float(np.nan_to_num(state["begun_s"][row, side], nan=batch.time_s[row])),
                value=float(state["average"][row]),
                limit=self.least_cel if side == 0 else -self.least_cel,
                unit="K",
                score=float(sums[row, side] / self.decision),
            )
            for row, side in zip(*np.nonzero(level != old), strict=True)
        ]
