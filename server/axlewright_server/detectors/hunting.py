"""Hunting: the height valve swings the frame up and down instead of holding it.

The height's spread within a window is compared with this axle's own, standing with the ignition on (where no road moves
the frame) and driving steadily (bands of speed). A rough road widens it for minutes, a hunting valve for hours.

Run length by design: quarter-hour means of the spread's logarithm, k = 1, h = 5 on a standard deviation of at least
``floor`` (0.3 is a third up or down; own choice), 1.1e5 independent observations by Siegmund's approximation; roads
last longer than a quarter of an hour, so the average must pass twice the usual spread as well.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import welford_step
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import HIGH, Chart
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import exposure, observe, put_back, some

SWING = Chart("swing", 1, slack=1.0, decision=5.0, weight=0.3, calm=6)
# Standing, then bands of speed.
EDGES_KM_H = (0.5, 30.0, 50.0, 70.0)
_CELLS = len(EDGES_KM_H) + 1


class Hunting(Part):
    """Follow the spread of the height within windows.

    ``learning``: observations that make the baseline of a cell of speed. ``least``: averaged rise of the logarithm that
    counts (ln 2: twice). ``still_mm``: spread below which nothing is called swinging.
    """

    name = "hunting"
    version = 1
    touches = frozenset({"height-valve", "air-spring", "shock-absorber", "height-sensor"})
    dtype: np.dtype[Any] = np.dtype(
        [
            ("speed", "f8"),
            ("window_s", "f8"),
            ("window_sum", "f8", (2,)),
            ("count", "f8", (_CELLS,)),
            ("mean", "f8", (_CELLS,)),
            ("m2", "f8", (_CELLS,)),
            *SWING.fields(),
        ]
    )

    def __init__(
        self,
        observation_s: float = 900.0,
        learning: int = 12,
        floor: float = 0.3,
        least: float = 0.69,
        still_mm: float = 1.0,
    ) -> None:
        self.observation_s = observation_s
        self.learning = learning
        self.floor = floor
        self.least = least
        self.still_mm = still_mm

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        state["speed"] = np.nan
        SWING.clear(state)
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles whose height began to swing, or came to rest."""
        left, right = batch.column("height/left-spread"), batch.column("height/right-spread")
        spread = np.fmax(left, right)
        known = ~np.isnan(spread)
        if not known.any():
            return state, []
        speed = batch.column("speed")
        steady = ~(np.abs(speed - state["speed"]) > 1.5 * np.maximum(batch.dt_s, 1.0))
        state["speed"] = speed
        gate = known & steady & (batch.column("ignition") > 0.5) & ~(batch.column("height-mode") > 0.5)
        pair = np.stack([np.log(np.fmax(spread, 0.05)), speed], axis=1)
        ripe, means = observe(state, "window", pair, exposure(batch.dt_s, gate & (speed >= 0.0)), self.observation_s)
        if not len(ripe):
            return state, []
        part = some(state, ripe)
        symptoms = self._judge(part, means, batch.take(ripe))
        put_back(state, ripe, part)
        return state, symptoms

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptom, once the usual swing is known in some cell."""
        return frozenset({"hunting"}) if (record["count"] >= self.learning).any() else frozenset()

    def _judge(self, state: State, means: Any, batch: Batch) -> list[Symptom]:
        pick, cell = np.arange(len(state)), np.searchsorted(EDGES_KM_H, means[:, 1], side="right")
        count, mean, m2 = state["count"][pick, cell], state["mean"][pick, cell], state["m2"][pick, cell]
        learnt = count >= self.learning
        lesson = np.where(learnt | batch.suspect, np.nan, means[:, 0])
        taught = welford_step(count, mean, m2, lesson)
        for name, values in zip(("count", "mean", "m2"), taught, strict=True):
            state[name][pick, cell] = values
        spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, 1.0)), self.floor)
        rise = np.where(
            learnt, np.fmax(means[:, 0], np.log(self.still_mm)) - np.fmax(mean, np.log(self.still_mm)), np.nan
        )
        changed = SWING.step(state, rise[:, None], spread[:, None], self.least, np.inf, batch.time_s)
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code="hunting",
                channel="height/left,height/right",
                level=int(state["swing_level"][row, 0, HIGH]),
                since_s=SWING.since_s(state, int(row), 0, HIGH, float(batch.time_s[row])),
                value=float(np.exp(state["swing_average"][row, 0])),
                limit=float(np.exp(self.least)),
                unit="/",
                score=SWING.score(state, int(row), 0, HIGH),
            )
            for row in np.flatnonzero(changed[:, 0, HIGH])
        ]
