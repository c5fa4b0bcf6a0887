"""Vibration: every order and envelope line against the axle's own baseline at the same speed and load.

Amplitudes vary by factors, so their logarithm is judged. Joints, gears and engine shake harder under torque, so a cell
is a band of speed and a band of torque; the hardest pulls are not judged at all. The first hour in each cell makes its
baseline (mean and spread), which is then frozen, and is not taught while a symptom stands. A rough road lifts all lines
together: their lower-middle value is taken off the lines (not off rms) before they are judged.

Run length by design: one-sided CUSUM, k = 1 and h = 8 standard deviations: Siegmund's approximation gives 4.6e7
independent normal observations per line; 17 lines on 400 axles driving 10 h a day make 4e6 observations a day, so heavy
tails matter, and the averaged ratio must pass the square root of ``order_ratio_limit`` (level 1) or the limit
itself (level 2) as well; rms and kurtosis, which have no road taken off, the limit and its square.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.signals import CHANNELS, ENVELOPE_CHANNELS, INDEX, ORDER_CHANNELS
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats, exposure, put_back, some

LINES = (*ORDER_CHANNELS, *ENVELOPE_CHANNELS, "vib/rms", "vib/kurtosis")
BAND_EDGES_KM_H = (35.0, 55.0, 70.0, 85.0, 130.0)
TORQUE_EDGES_N_M = (500.0, 1200.0, 2500.0)
HARDEST_N_M = 5000.0
_BANDS = (len(BAND_EDGES_KM_H) - 1) * (len(TORQUE_EDGES_N_M) + 1)
_COLUMNS = np.array([INDEX[name] for name in LINES])
_K = len(LINES)
_ORDER_LINES = len(ORDER_CHANNELS) + len(ENVELOPE_CHANNELS)
_CODES = tuple(
    "order-high" if name in ORDER_CHANNELS else "envelope-high" if name in ENVELOPE_CHANNELS else "vibration-high"
    for name in LINES
)


class Vibration(Part):
    """Follow every line of every axle.

    ``learning``: one-minute observations that make the baseline of a cell. ``floor``: least standard deviation of the
    log-ratio that is believed (0.15 is about 15 %); ``sum_floor``: the same for rms and kurtosis, which follow the
    road. ``weight``: of an observation in the averaged ratio. ``calm``: observations below a quarter of the limit's
    logarithm that end a symptom. All are own choices.
    """

    name = "vibration"
    version = 2
    dtype: np.dtype[Any] = np.dtype(
        [
            ("window_s", "f4"),
            ("window_sum", "f4", (_K + 2,)),
            ("band", "i4"),
            ("count", "f4", (_BANDS, _K)),
            ("mean", "f4", (_BANDS, _K)),
            ("m2", "f4", (_BANDS, _K)),
            ("high", "f4", (_K,)),
            ("average", "f4", (_K,)),
            ("begun_s", "f8", (_K,)),
            ("calm", "i4", (_K,)),
            ("level", "i1", (_K,)),
        ]
    )

    def __init__(
        self,
        observation_s: float = 60.0,
        learning: int = 60,
        slack: float = 1.0,
        decision: float = 8.0,
        floor: float = 0.15,
        sum_floor: float = 0.25,
        weight: float = 0.2,
        calm: int = 15,
    ) -> None:
        self.observation_s = observation_s
        self.learning = learning
        self.slack = np.float32(slack)
        self.decision = np.float32(decision)
        self.floor = np.where(np.arange(_K) < _ORDER_LINES, floor, sum_floor).astype(np.float32)
        # Half the limit's logarithm (its square root) begins level 1 of a line; sums need all of it, and twice for 2.
        self.share = np.where(np.arange(_K) < _ORDER_LINES, 0.5, 1.0).astype(np.float32)
        self.weight = np.float32(weight)
        self.calm = calm

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        state["band"] = -1
        state["begun_s"] = np.nan
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the lines that rose over their baseline, or fell back."""
        speed, torque = np.fmax(batch.column("speed"), 0.0), np.abs(batch.column("torque"))
        gate = (speed >= BAND_EDGES_KM_H[0]) & (speed < BAND_EDGES_KM_H[-1]) & ~(batch.column("brake") > 0.05)
        gate &= ~(torque > HARDEST_N_M)
        # Lowered or raised on purpose, the joints work at other angles by design; that is neither normal nor a fault.
        gate &= ~(batch.column("height-mode") > 0.5)
        seconds = exposure(batch.dt_s, gate).astype(np.float32)
        counted = seconds > 0.0
        if not counted.any():
            return state, []
        ripe, means = self._gather(state, batch, (speed, np.fmax(torque, 0.0)), seconds, counted)
        if not len(ripe):
            return state, []
        part = some(state, ripe)
        symptoms = self._judge(part, means, batch.take(ripe), table)
        put_back(state, ripe, part)
        return state, symptoms

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms that could be shown: the lines whose baseline is known in some band."""
        known = np.atleast_1d((record["count"] >= self.learning).any(axis=0))
        return frozenset(
            f"{code}/{line.rsplit('/', 1)[-1]}" for code, line, ready in zip(_CODES, LINES, known, strict=True) if ready
        )

    def _gather(
        self, state: State, batch: Batch, drive: tuple[Floats, Floats], seconds: Any, counted: Any
    ) -> tuple[Any, Any]:
        """Average each line's logarithm, speed and torque over one minute; the averages choose the cell."""
        lines = np.ascontiguousarray(batch.values[:, _COLUMNS], dtype=np.float32)
        logs = np.log(np.maximum(lines, np.float32(1e-6)))
        part = np.column_stack([logs, *(values.astype(np.float32) for values in drive)]) * seconds[:, None]
        total_s = state["window_s"] + seconds
        total = state["window_sum"] + (part if counted.all() else np.where(counted[:, None], part, np.float32(0.0)))
        ripe = np.flatnonzero(counted & (total_s >= self.observation_s - 0.5))
        means = total[ripe] / total_s[ripe][:, None]
        total_s[ripe] = 0.0
        total[ripe] = 0.0
        state["window_s"], state["window_sum"] = total_s, total
        speed_band = np.clip(np.searchsorted(BAND_EDGES_KM_H, means[:, _K], side="right") - 1, 0, None)
        torque_band = np.searchsorted(TORQUE_EDGES_N_M, means[:, _K + 1], side="right")
        state["band"][ripe] = speed_band * (len(TORQUE_EDGES_N_M) + 1) + torque_band
        return ripe, means[:, :_K]

    def _judge(self, state: State, means: Any, batch: Batch, table: AxleTable) -> list[Symptom]:
        pick, band = np.arange(len(state)), state["band"]
        count, mean, m2 = state["count"][pick, band], state["mean"][pick, band], state["m2"][pick, band]
        learnt = count >= self.learning
        lesson = ~learnt & ~batch.suspect[:, None] & ~np.isnan(means)
        if lesson.any():
            self._teach(state, means, lesson, (pick, band))
        spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, np.float32(1.0))), self.floor)
        ratio = np.where(learnt, means - mean, np.float32(np.nan))
        ratio[:, :_ORDER_LINES] -= _road(ratio[:, :_ORDER_LINES])[:, None]
        seen = ~np.isnan(ratio)
        z = np.clip(ratio / spread, np.float32(-4.0), np.float32(4.0))
        high = np.where(seen, np.maximum(state["high"] + z - self.slack, np.float32(0.0)), state["high"])
        average = np.where(seen, state["average"] + self.weight * (ratio - state["average"]), state["average"])
        limit = np.log(table.limit("order_ratio_limit")[batch.axles]).astype(np.float32)[:, None]
        calm = np.where(seen, np.where(average < 0.25 * limit, state["calm"] + 1, 0), state["calm"])
        high = np.where(calm >= self.calm, np.float32(0.0), np.minimum(high, 4.0 * self.decision))
        state["high"], state["average"], state["calm"] = high, average, calm
        now = batch.time_s[:, None]
        begun = np.where(np.isnan(state["begun_s"]), now, state["begun_s"])
        state["begun_s"] = np.where(high > 0.0, begun, np.nan)
        return self._symptoms(state, limit, batch)

    def _teach(self, state: State, means: Any, lesson: Any, where: tuple[Any, Any]) -> None:
        count, mean, m2 = state["count"][where], state["mean"][where], state["m2"][where]
        more = count + np.float32(1.0)
        delta = means - mean
        moved = mean + delta / more
        state["count"][where] = np.where(lesson, more, count)
        state["mean"][where] = np.where(lesson, moved, mean)
        state["m2"][where] = np.where(lesson, m2 + delta * (means - moved), m2)

    def _symptoms(self, state: State, limit: Any, batch: Batch) -> list[Symptom]:
        old = state["level"].copy()
        high, average = state["high"], state["average"]
        begins = (high > self.decision) & (average > self.share * limit)
        level = np.where(begins | ((old > 0) & (high > 0.0)), 1, 0)
        # A tenth below the limit is the deadband of level 2.
        beyond = average > np.where(old == 2, 1.8, 2.0) * self.share * limit
        level = np.where((level > 0) & beyond, 2, level).astype(np.int8)
        state["level"] = level
        changed = level != old
        if not changed.any():
            return []
        return [
            self._symptom(state, batch, int(row), int(line), limit)
            for row, line in zip(*np.nonzero(changed), strict=True)
        ]

    def _symptom(self, state: State, batch: Batch, row: int, line: int, limit: Floats) -> Symptom:
        level, now = int(state["level"][row, line]), float(batch.time_s[row])
        begun = float(state["begun_s"][row, line])
        threshold = limit[row, 0] * self.share[line] * (2.0 if level == 2 else 1.0)
        return Symptom(
            axle=int(batch.axles[row]),
            time_s=now,
            code=_CODES[line],
            channel=LINES[line],
            level=level,
            since_s=begun if begun == begun else now,
            value=float(np.exp(np.float64(state["average"][row, line]))),
            limit=float(np.exp(np.float64(threshold))),
            unit=CHANNELS[INDEX["gear"]].unit,
            score=float(state["high"][row, line] / self.decision),
        )


def _road(ratio: Any) -> Any:
    """Return the lower-middle rise of each row's lines when at least six are known, else 0: what the road does to all.

    Sorting puts NaN last, so the known ones come first.
    """
    known = (~np.isnan(ratio)).sum(axis=1)
    ordered = np.sort(ratio, axis=1)
    middle = ordered[np.arange(len(ratio)), np.maximum((known - 1) // 2, 0)]
    return np.where(known >= 6, middle, np.float32(0.0))
