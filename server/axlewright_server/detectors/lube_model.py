"""Lube temperature against what this axle's load, speed and weather explain.

Three phases per axle, counted in hours of driving without any symptom: the balance is learnt by recursive least squares
(:mod:`~axlewright_server.detectors.observer`); then its parameters are frozen and the usual residual (mean and spread)
is measured; then the residual is judged. Parameters stay frozen: a fault that grows slowly must not be learnt as
normal. Only the residual's mean follows the seasons: by at most ``follow_cel`` per observation and
``follow_most_cel`` in all, and only while the axle is within half of the least departure that matters.

What the model does not know (rain, head wind, trailers) makes residuals that last for hours: one-hour means of sound
simulated axles were correlated 0.6 to 0.7 from hour to hour (seed 900). Single readings are never counted as
independent. Two charts:

* *slow*: means over two hours of driving, k = 1, h = 5, on a spread of at least ``floor_cel`` (the model's own error,
  an own choice) and an average beyond ``slow_least_cel``: 1.1e5 observations in control by Siegmund's approximation for
  independent ones, some 200 years of an axle that drives 1,000 hours a year;
* *quick*: means over a quarter of an hour of driving, k = 1, h = 5 on ``quick_floor_cel``, for a sudden loss of lube or
  a brake that drags hard. Its least average (``quick_least_cel``) lies beyond what weather does to an axle.

A hot but legitimate pull is explained by its torque, so it gives no residual; only the fixed limits speak.

A repair of the lube or a bearing leaves the axle's own balance standing: the charts begin afresh, the normal does not.
What the shop has done wrong (too much lube, another grade, a bearing too tight) shows from the first drive, and would
be learnt as normal otherwise. Only other gears, another carrier or another sensor are learnt anew.

While something stands on an axle, or the departures of a tandem's two differ by ``apart_cel``, it is also told
which of them has left its own balance: the one whose averaged departure is at least twice the other's and beyond the
model's own error. A difference between the two does not tell.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import welford_step
from axlewright_server.detectors import heat_pattern, warm_up
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import Chart
from axlewright_server.detectors.observer import BELIEF, P, advance, inputs, learn, rows_at
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats, exposure, observe, put_back, some

CODES = ("lube-above-model", "lube-below-model")
OTHER = "partner-left-model"
SLOW = Chart("slow", 1, slack=1.0, decision=5.0, weight=0.4, calm=3)
QUICK = Chart("quick", 1, slack=1.0, decision=5.0, weight=0.5, calm=4)


class LubeModel(Part):
    """Learn each axle's thermal balance, then judge what is left over.

    ``learning_h``, ``calibrating_h``: driving hours of the first two phases. ``interval_s``: length of one lesson.
    ``slow_s``, ``quick_s``: driving that makes one observation of each chart. ``longest_gap_s``: beyond it the
    expectation starts again at the reading. ``limit_cel``: averaged departure that is no longer a trend to watch
    (level 2). All are own choices.
    """

    name = "lube-model"
    version = 4
    touches = frozenset({"gear-set", "carrier-assembly", "lube-sensor"})
    renews = frozenset({"lube", "bearing"})
    dtype: np.dtype[Any] = np.dtype(
        [
            ("theta", "f8", (P,)),
            ("covariance", "f8", (P, P)),
            ("expected", "f8"),
            ("lesson_s", "f8"),
            ("lesson_sum", "f8", (P,)),
            ("lesson_from", "f8"),
            ("driven_s", "f8"),
            ("long_s", "f8"),
            ("long_sum", "f8", (2,)),
            ("short_s", "f8"),
            ("short_sum", "f8", (2,)),
            ("moments", "f8", (3,)),
            ("shift", "f8"),
            ("widest", "f8"),
            ("level", "i1", (2,)),
            ("other", "?"),
            *SLOW.fields(),
            *QUICK.fields(),
            *warm_up.FIELDS,
            *heat_pattern.FIELDS,
        ]
    )

    def __init__(
        self,
        learning_h: float = 24.0,
        calibrating_h: float = 16.0,
        interval_s: float = 300.0,
        slow_s: float = 7200.0,
        quick_s: float = 900.0,
        forgetting: float = 0.999,
        floor_cel: float = 2.0,
        slow_least_cel: float = 6.0,
        quick_floor_cel: float = 4.0,
        quick_least_cel: float = 12.0,
        limit_cel: float = 16.0,
        follow_cel: float = 0.03,
        follow_most_cel: float = 4.0,
        longest_gap_s: float = 1800.0,
        apart_cel: float = 3.0,
    ) -> None:
        self.learning_s = learning_h * 3600.0
        self.judging_s = self.learning_s + calibrating_h * 3600.0
        self.interval_s = interval_s
        self.slow_s = slow_s
        self.quick_s = quick_s
        self.forgetting = forgetting
        self.floor_cel = floor_cel
        self.slow_least_cel = slow_least_cel
        self.quick_floor_cel = quick_floor_cel
        self.quick_least_cel = quick_least_cel
        self.limit_cel = limit_cel
        self.follow_cel = follow_cel
        self.follow_most_cel = follow_most_cel
        self.longest_gap_s = longest_gap_s
        self.apart_cel = apart_cel

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of: the prior's parameters."""
        state = super().fresh(count)
        state["theta"], state["covariance"] = BELIEF.theta, BELIEF.covariance
        state["expected"] = state["lesson_from"] = np.nan
        SLOW.clear(state)
        QUICK.clear(state)
        warm_up.WARM.clear(state)
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles that left or regained their expectation."""
        lube = batch.column("lube")
        speed, torque, shaft, ambient = inputs(batch, table)
        heat, per_kelvin = rows_at(speed, torque, shaft, np.where(np.isnan(state["expected"]), lube, state["expected"]))
        self._expect(state, batch, lube, ambient, heat, per_kelvin)
        if (state["driven_s"] < self.learning_s).any():
            self._lesson(state, batch, lube, heat + per_kelvin * (lube - ambient)[:, None])
        driving = (speed > 5.5) & ~np.isnan(lube) & ~np.isnan(state["expected"])
        learnt = state["driven_s"] >= self.learning_s
        symptoms = warm_up.follow_starts(state, batch, lube, speed, ambient, learnt) if learnt.any() else []
        hot = batch.suspect & (state["slow_average"][:, 0] > 0.4 * self.slow_least_cel)
        hot |= state["level"][:, 0] > 0
        cooling = per_kelvin[:, 2] * -state["theta"][:, 2] - per_kelvin[:, 3] * state["theta"][:, 3]
        symptoms += heat_pattern.follow_excess(state, batch, lube, heat, cooling, driving, hot)
        driven_s = exposure(batch.dt_s, driving)
        if not driven_s.any():
            return state, symptoms
        state["driven_s"] += np.where(batch.suspect, 0.0, np.where(state["driven_s"] < self.judging_s, driven_s, 0.0))
        pair = np.stack([lube - state["expected"], state["expected"] - ambient], axis=1)
        turned = np.zeros(len(state), dtype=bool)
        for field, ripe_s, judge in (
            ("short", self.quick_s, self._judge_quick),
            ("long", self.slow_s, self._judge_slow),
        ):
            ripe, means = observe(state, field, pair, driven_s, ripe_s)
            if len(ripe):
                part = some(state, ripe)
                turned[ripe] |= judge(part, means, batch.take(ripe))
                put_back(state, ripe, part)
        if len(ripe):
            symptoms += self._which_left(state, batch, table, ripe)
        return state, symptoms + (self._symptoms(state, batch, np.flatnonzero(turned)) if turned.any() else [])

    def serviced(self, record_rows: State, touched: frozenset[str]) -> State:
        """Return records that begin afresh; those of axles whose balance still holds keep what is normal."""
        if touched & self.touches or not touched & self.renews:
            return super().serviced(record_rows, touched)
        renewed, known = self.fresh(len(record_rows)), record_rows["driven_s"] >= self.judging_s
        for field in ("theta", "covariance", "driven_s", "moments", "shift", "widest", "warm_moments"):
            renewed[field][known] = record_rows[field][known]
        return renewed

    def forgets(self, key: str, touched: frozenset[str]) -> bool:
        """Return whether such a repair ends this symptom."""
        return bool(touched & (self.touches | self.renews))

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms that could be shown: both, once learnt and calibrated."""
        keys = {*CODES, OTHER, *heat_pattern.CODES} if record["driven_s"] >= self.judging_s else set()
        if record["warm_moments"][0] >= warm_up.LEARNING:
            keys |= set(warm_up.CODES)
        return frozenset(keys)

    def expected_cel(self, state: State) -> Floats:
        """Return the expected temperature of each axle, NaN before the model is learnt."""
        return np.where(state["driven_s"] >= self.learning_s, state["expected"], np.nan)

    def _expect(
        self, state: State, batch: Batch, lube: Floats, ambient: Floats, heat: Floats, per_kelvin: Floats
    ) -> None:
        moved = advance(state["expected"], state["theta"], heat, per_kelvin, ambient, batch.dt_s)
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

    def _departure(self, state: State, means: Floats) -> tuple[Floats, Floats]:
        """Return the departure from the usual residual, NaN before judging begins, and the doubt about it."""
        judged = state["driven_s"] >= self.judging_s
        usual = state["moments"][:, 1] + state["shift"]
        # Hotter than anything it has learnt from, the model is believed less.
        beyond = 0.3 * np.maximum(means[:, 1] - state["widest"], 0.0)
        return np.where(judged, means[:, 0] - usual, np.nan), beyond

    def _judge_quick(self, state: State, means: Floats, batch: Batch) -> Any:
        usual = (state["driven_s"] < self.judging_s) & ~batch.suspect
        state["widest"] = np.where(usual, np.maximum(state["widest"], means[:, 1]), state["widest"])
        departure, beyond = self._departure(state, means)
        spread = np.hypot(self.quick_floor_cel, beyond)[:, None]
        changed = QUICK.step(state, departure[:, None], spread, self.quick_least_cel, self.limit_cel, batch.time_s)
        return changed.any(axis=(1, 2))

    def _judge_slow(self, state: State, means: Floats, batch: Batch) -> Any:
        learnt = state["driven_s"] >= self.learning_s
        judged = state["driven_s"] >= self.judging_s
        count, mean, m2 = state["moments"].T
        lesson = np.where(learnt & ~judged & ~batch.suspect, means[:, 0], np.nan)
        state["moments"] = np.stack(welford_step(count, mean, m2, lesson), axis=1)
        count, _, m2 = state["moments"].T
        departure, beyond = self._departure(state, means)
        spread = np.sqrt(np.maximum(m2 / np.maximum(count - 1.0, 1.0), self.floor_cel**2) + beyond**2)
        changed = SLOW.step(
            state, departure[:, None], spread[:, None], self.slow_least_cel, self.limit_cel, batch.time_s
        )
        average = state["slow_average"][:, 0]
        follows = judged & ~batch.suspect & (np.abs(average) < 0.5 * self.slow_least_cel)
        step = np.where(follows, np.clip(0.02 * average, -self.follow_cel, self.follow_cel), 0.0)
        state["shift"] = np.clip(state["shift"] + step, -self.follow_most_cel, self.follow_most_cel)
        return changed.any(axis=(1, 2))

    def _which_left(self, state: State, batch: Batch, table: AxleTable, rows: Any) -> list[Symptom]:
        """Return the axles (of `rows`) beside which it is now the partner that has left its balance, or is no more."""
        place = batch.partners(table)[rows]
        average = state["slow_average"][:, 0]
        own = average[rows]
        other = np.where(place >= 0, average[place], np.nan)
        old = state["other"][rows]
        apart = np.where(old, 1.0, 2.0) * np.abs(own)
        least_cel = np.where(old, 0.5, 1.0) * self.floor_cel
        asked = old | batch.suspect[rows] | (np.abs(own - other) > self.apart_cel)
        stands = asked & (np.abs(other) > least_cel) & (np.abs(other) > apart)
        state["other"][rows] = stands
        return [
            Symptom(
                axle=int(batch.axles[rows[k]]),
                time_s=float(batch.time_s[rows[k]]),
                code=OTHER,
                channel="lube",
                level=int(stands[k]),
                since_s=float(batch.time_s[rows[k]]),
                value=float(np.nan_to_num(other[k])),
                limit=self.floor_cel,
                unit="K",
                score=float(np.abs(np.nan_to_num(other[k])) / self.floor_cel),
            )
            for k in np.flatnonzero(stands != old)
        ]

    def _symptoms(self, state: State, batch: Batch, rows: Any) -> list[Symptom]:
        """Return what the two charts together have changed: the higher level of both counts."""
        found: list[Symptom] = []
        for row in rows.tolist():
            now = float(batch.time_s[row])
            for side, code in enumerate(CODES):
                slow, quick = int(state["slow_level"][row, 0, side]), int(state["quick_level"][row, 0, side])
                level, old = max(slow, quick), int(state["level"][row, side])
                if level == old:
                    continue
                state["level"][row, side] = level
                chart = QUICK if quick > slow else SLOW
                least = self.quick_least_cel if chart is QUICK else self.slow_least_cel
                found.append(
                    Symptom(
                        axle=int(batch.axles[row]),
                        time_s=now,
                        code=code,
                        channel="lube",
                        level=level,
                        since_s=chart.since_s(state, row, 0, side, now),
                        value=float(state[f"{chart.name}_average"][row, 0]),
                        limit=(1 if side == 0 else -1) * (self.limit_cel if level == 2 else least),
                        unit="K",
                        score=chart.score(state, row, 0, side),
                    )
                )
        return found
