"""Height sensors of a tandem held against the frame that all four stand on.

Part of :class:`~axlewright_server.detectors.sensor_health.SensorHealth`. Between two drive axles a frame is stiff: it
can bounce, roll and pitch, which are three freedoms, and four sensors look at it. What is left over, the twist

.. math:: w = (h_{own,left} - h_{own,right}) - (h_{other,left} - h_{other,right})

stays what it was through every load, valve fault, leak, lean and driver's mode, and moves by just as much as one sensor
errs. Which of the four it is: the one without whose error the other three say that least has moved (bounce, which a
valve may truly have changed, counts for nothing). Two axles whose sensors also steer the levelling would move the frame
after the sensor; then the word may fall on the other axle's sensor of that side.

Not the sensor's, and smaller than the least sizes below: a tyre of a dual pair low on air, or worn unlike its mates,
tips one axle against the other by a few millimetres at the sensors.

*Quick*: minutes of driving, k = 1, h = 8: 4.6e7 minutes in control by Siegmund's approximation, average beyond
``QUICK_LEAST_MM``. *Slow*: means of an hour, k = 1, h = 5: 1.1e5 in control, average beyond ``SLOW_LEAST_MM``. What
began more than ``DRIFT_S`` before it was told is a drift. A truck with one drive axle has no such witness: there a
sensor that errs looks like a lean, and nothing is said here. All numbers are own choices.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.statistics import welford_step
from axlewright_server.detectors.base import State
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import Chart
from axlewright_server.detectors.timing import Flags, Floats, exposure, observe, put_back, some

QUICK = Chart("twist", 1, slack=1.0, decision=8.0, weight=0.3, calm=10, bound=5.0)
SLOW = Chart("creep", 1, slack=1.0, decision=5.0, weight=0.3, calm=5)
LEARNING = {"twist": 60.0, "creep": 8.0}
LEAST_MM = {"twist": 8.0, "creep": 4.0}
FLOOR_MM = {"twist": 1.5, "creep": 0.8}
QUICK_S, SLOW_S = 60.0, 3600.0
SLOWEST_KM_H = 25.0
FARTHEST_MM = 150.0
DRIFT_S = 2.0 * 86400.0
SIGNS = np.array([1.0, -1.0, -1.0, 1.0])
"""What an error of own left, own right, other left and other right does to the twist."""
NOTHING, BIAS, DRIFT = 0, 1, 2

FIELDS: list[Any] = [
    ("twist_s", "f8"),
    ("twist_sum", "f8", (4,)),
    ("creep_s", "f8"),
    ("creep_sum", "f8", (4,)),
    ("twist_moments", "f8", (3, 5)),
    ("creep_moments", "f8", (3, 5)),
    ("twist_away", "f8", (4,)),
    ("creep_away", "f8", (4,)),
    ("twist_kind", "i1", (2,)),
    *QUICK.fields(),
    *SLOW.fields(),
]


def clear(state: State) -> None:
    """Set fresh state to "nothing seen yet"."""
    state["twist_away"] = state["creep_away"] = np.nan
    QUICK.clear(state)
    SLOW.clear(state)


def forget(state: State, fresh: State) -> None:
    """Forget all: another sensor has another zero."""
    for field in FIELDS:
        state[field[0]] = fresh[field[0]]


def known(state: State) -> Flags:
    """Return which axles' height sensors could be judged, (n,)."""
    return np.asarray(state["twist_moments"][:, 0, 0] >= LEARNING["twist"])


def judge(
    state: State, heights: Floats, specified_mm: Floats, speed: Floats, batch: Batch, partner: NDArray[np.int64]
) -> NDArray[np.int8]:
    """Return how each own sensor errs (left, right: :data:`NOTHING`, :data:`BIAS` or :data:`DRIFT`), (n, 2).

    ``heights``: (n, 2), NaN where a sensor is known to be at fault in another way.
    """
    near = np.where(np.abs(heights - specified_mm[:, None]) < FARTHEST_MM, heights, np.nan)
    other = np.where((partner >= 0)[:, None], near[partner], np.nan)
    four = np.concatenate([near, other], axis=1)
    driven = (speed > SLOWEST_KM_H) & ~np.isnan(four).any(axis=1)
    seconds = exposure(batch.dt_s, driven)
    if seconds.any():
        ripe, means = observe(state, "twist", four, seconds, QUICK_S)
        if len(ripe):
            part, few = some(state, ripe), batch.take(ripe)
            _chart(part, QUICK, means, few)
            # A minute's mean stands for the minute.
            late, slow = observe(part, "creep", means, np.full(len(ripe), QUICK_S), SLOW_S)
            if len(late):
                hours = some(part, late)
                _chart(hours, SLOW, slow, few.take(late))
                put_back(part, late, hours)
            _tell(part, few.time_s)
            put_back(state, ripe, part)
    return np.asarray(state["twist_kind"].copy())


def _chart(state: State, chart: Chart, means: Floats, batch: Batch) -> None:
    """Hold the twist to its own baseline, and follow how far each sensor has moved from its own."""
    name = chart.name
    seen = np.column_stack([means @ SIGNS, means])
    count, mean, m2 = (state[f"{name}_moments"][:, which] for which in range(3))
    learnt = count[:, 0] >= LEARNING[name]
    lesson = np.where((learnt | batch.suspect | state["twist_kind"].any(axis=1))[:, None], np.nan, seen)
    state[f"{name}_moments"] = np.stack(welford_step(count, mean, m2, lesson), axis=1)
    spread = np.maximum(np.sqrt(m2[:, :1] / np.maximum(count[:, :1] - 1.0, 1.0)), FLOOR_MM[name])
    departure = np.where(learnt[:, None], seen - mean, np.nan)
    chart.step(state, departure[:, :1], spread, LEAST_MM[name], np.inf, batch.time_s)
    away = state[f"{name}_away"]
    step = np.where(np.isnan(away), departure[:, 1:], away + chart.weight * (departure[:, 1:] - away))
    state[f"{name}_away"] = np.where(learnt[:, None], step, away)


def _tell(state: State, time_s: Floats) -> None:
    """Say which sensor it is, once: it stays that one while a chart stands."""
    quick, slow = (np.asarray((state[f"{chart.name}_level"][:, 0] > 0).any(axis=1)) for chart in (QUICK, SLOW))
    stands = np.asarray(quick | slow)
    kind = state["twist_kind"]
    if not stands.any():
        state["twist_kind"] = NOTHING
        return
    away = np.where(quick[:, None], state["twist_away"], state["creep_away"])
    guilty = culprit(away)
    begun = np.stack([state[f"{chart.name}_begun_s"][:, 0] for chart in (QUICK, SLOW)], axis=1)
    begun_s = np.nanmin(np.where(np.isnan(begun), np.inf, begun), axis=(1, 2))
    fresh = np.where(time_s - begun_s > DRIFT_S, DRIFT, BIAS)
    found = np.where(guilty[:, None] == np.arange(2), fresh[:, None], NOTHING)
    told = kind.any(axis=1, keepdims=True)
    state["twist_kind"] = np.where(stands[:, None], np.where(told, kind, found), NOTHING)


def culprit(away: Floats) -> NDArray[np.int64]:
    """Return which of the four sensors errs by how all have moved, (n, 4); -1 where two would do as well.

    Examples
    --------
    The truck was let down by 10 mm and the other axle's left sensor reads 20 mm too high:

    >>> culprit(np.array([[-10.0, -10.0, 10.0, -10.0]]))
    array([2])
    """
    twist = away @ SIGNS
    # [n, culprit, sensor]: what the sensors say once the culprit's error is taken out, less the common bounce.
    left = away[:, None, :] - twist[:, None, None] * np.diag(SIGNS)[None, :, :]
    left = left - left.mean(axis=2, keepdims=True)
    cost = np.square(left).sum(axis=2)
    order = np.sort(cost, axis=1)
    clear_enough = order[:, 1] - order[:, 0] > 0.3 * np.square(twist)
    return np.where(clear_enough, np.argmin(cost, axis=1), -1)
