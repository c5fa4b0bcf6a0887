"""The first twenty minutes after a cold start: does the lube warm as fast as this axle's balance says?

More or thicker lube warms more slowly, a low fill or a dragging brake faster; both show here on days whose later drive
would hide them. Twenty minutes are about half the time that an axle takes to come near its balance: later the rise
hangs on the heat made, hardly on what has to be warmed (x / (e^x - 1) of it, x being the time over the axle's own).
Part of :class:`~axlewright_server.detectors.lube_model.LubeModel`, whose expectation it uses.

One observation per cold start, the rise over the expected rise, held to the axle's own first ``LEARNING`` ones. k = 1,
h = 4 on a standard deviation of at least ``FLOOR``: 1.5e4 cold starts in control by Siegmund's approximation, some 40
years of daily ones; the averaged departure must pass ``LEAST`` besides. All are own choices.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import welford_step
from axlewright_server.detectors.base import State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import Chart
from axlewright_server.detectors.timing import Flags, Floats

CODES = ("warms-fast", "warms-slowly")
WARM = Chart("warm", 1, slack=1.0, decision=4.0, weight=0.3, calm=4)
FIELDS: list[Any] = [
    ("cold", "?"),
    ("warming_s", "f8"),
    ("warm_from", "f8", (2,)),
    ("warm_moments", "f8", (3,)),
    *WARM.fields(),
]
SPAN_S = 1200.0
COLD_K = 10.0
"""Lube nearer to ambient than this, standing: a cold start is to come."""
LEAST_RISE_K = 8.0
LEARNING = 6
FLOOR = 0.06
LEAST = 0.2


def follow_starts(
    state: State, batch: Batch, lube: Floats, speed_m_s: Floats, ambient: Floats, learnt: Flags
) -> list[Symptom]:
    """Follow starts from cold and return the axles that began to warm too fast or too slowly, or ceased."""
    expected = state["expected"]
    cold = state["cold"] | ((speed_m_s < 0.5) & (lube - ambient < COLD_K))
    moving = speed_m_s > 1.5
    starts = cold & moving & ~np.isnan(lube) & ~np.isnan(expected)
    warming_s = np.where(state["warming_s"] > 0.0, state["warming_s"] + batch.dt_s, 0.0)
    # A gap or a long halt spoils the start; so does a model that isn't learnt yet.
    warming_s = np.where((batch.dt_s > 300.0) | ~learnt, 0.0, warming_s)
    warming_s = np.where(starts & learnt, np.maximum(batch.dt_s, 1e-3), warming_s)
    state["cold"] = cold & ~moving
    if starts.any():
        state["warm_from"] = np.where(starts[:, None], np.stack([lube, expected], axis=1), state["warm_from"])
    done = (warming_s >= SPAN_S) & ~np.isnan(lube)
    state["warming_s"] = np.where(done, 0.0, warming_s)
    rows = np.flatnonzero(done)
    if not len(rows):
        return []
    part, few = state[rows], batch.take(rows)
    wanted = part["expected"] - part["warm_from"][:, 1]
    ratio = np.where(wanted > LEAST_RISE_K, (lube[rows] - part["warm_from"][:, 0]) / np.fmax(wanted, 1.0), np.nan)
    symptoms = _judge(part, ratio, few)
    state[rows] = part
    return symptoms


def _judge(state: State, ratio: Floats, batch: Batch) -> list[Symptom]:
    count, mean, m2 = state["warm_moments"].T
    learnt = count >= LEARNING
    state["warm_moments"] = np.stack(welford_step(count, mean, m2, np.where(learnt | batch.suspect, np.nan, ratio)), 1)
    spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, 1.0)), FLOOR)[:, None]
    changed = WARM.step(state, np.where(learnt, ratio - mean, np.nan)[:, None], spread, LEAST, np.inf, batch.time_s)
    return [
        Symptom(
            axle=int(batch.axles[row]),
            time_s=float(batch.time_s[row]),
            code=CODES[side],
            channel="lube",
            level=int(state["warm_level"][row, 0, side]),
            since_s=WARM.since_s(state, int(row), 0, int(side), float(batch.time_s[row])),
            value=float(1.0 + state["warm_average"][row, 0]),
            limit=1.0 + LEAST if side == 0 else 1.0 - LEAST,
            unit="/",
            score=WARM.score(state, int(row), 0, int(side)),
        )
        for row, _, side in zip(*np.nonzero(changed), strict=True)
    ]
