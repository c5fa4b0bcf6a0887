r"""What an excess of heat goes with: speed, the power passed on, or a lube that is still cold.

Part of :class:`~axlewright_server.detectors.lube_model.LubeModel`, looked at only while something stands on the axle.
The residual r obeys :math:`\dot r = q - c\,r`, so each quarter of an hour of driving tells the extra heat
:math:`q = \Delta r / \Delta t + c\,\bar r`. It is explained once by the no-load loss of the learnt balance alone, once
by its mesh loss alone (least squares with forgetting, memory some eight hours). The better of the two is named when its
sum of squares is smaller by more than four times its own mean square, a likelihood ratio of e squared (own choice). On
a steady route speed and power go together: then neither is named, which is the truth.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_server.detectors.base import State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.timing import Flags, Floats

CODES = ("heat-with-speed", "heat-with-torque", "heat-at-rest-start")
FIELDS: list[Any] = [
    ("pattern_s", "f8"),
    ("pattern_last_s", "f8"),
    ("pattern_from", "f8"),
    ("pattern_sum", "f8", (4,)),
    ("pattern_fit", "f8", (7,)),
    ("pattern_cold", "f8", (2, 3)),
    ("pattern", "?", (3,)),
]
SPAN_S = 900.0
KEEP = 0.97
LEAST_SHARE = 0.1
"""Excess heat below this share of the learnt loss is not asked about."""
COLD_CEL = 45.0
COLDER = 1.6
"""How many times its warm share the excess must be while the lube is cold."""


def follow_excess(
    state: State, batch: Batch, lube: Floats, heat: Floats, cooling: Floats, driving: Flags, hot: Flags
) -> list[Symptom]:
    """Follow the excess heat of axles on which something stands; `hot`: whether they run above their model."""
    rows = np.flatnonzero(batch.suspect | state["pattern"].any(axis=1))
    if not len(rows):
        return []
    part = state[rows]
    residual = lube[rows] - part["expected"]
    dt_s = np.where(driving[rows] & ~np.isnan(residual), batch.dt_s[rows], 0.0)
    # A stretch must hang together: it begins afresh after any window that is not driving.
    whole = (part["pattern_last_s"] == batch.time_s[rows] - batch.dt_s[rows]) & (dt_s > 0.0) & (dt_s <= 120.0)
    terms = np.stack([cooling[rows] * residual, *(part["theta"][:, k] * heat[rows, k] for k in (0, 1)), lube[rows]], 1)
    part["pattern_s"] = np.where(whole, part["pattern_s"] + dt_s, 0.0)
    part["pattern_sum"] = np.where(whole[:, None], part["pattern_sum"] + terms * dt_s[:, None], 0.0)
    part["pattern_from"] = np.where(whole, part["pattern_from"], residual)
    part["pattern_last_s"] = batch.time_s[rows]
    ripe = np.flatnonzero(part["pattern_s"] >= SPAN_S - 0.5)
    if len(ripe):
        few = part[ripe]
        _gather(few, residual[ripe])
        part[ripe] = few
    found = _patterns(part) & hot[rows][:, None]
    changed = found != part["pattern"]
    part["pattern"] = found
    state[rows] = part
    if not changed.any():
        return []
    return [
        Symptom(
            axle=int(batch.axles[rows[row]]),
            time_s=float(batch.time_s[rows[row]]),
            code=CODES[which],
            channel="lube",
            level=int(found[row, which]),
            since_s=float(batch.time_s[rows[row]]),
            value=float(_shares(part)[row, min(which, 1)]),
            limit=LEAST_SHARE,
            unit="/",
            score=1.0,
        )
        for row, which in zip(*np.nonzero(changed), strict=True)
    ]


def _gather(state: State, residual: Floats) -> None:
    """Add a quarter of an hour: its extra heat against no-load and mesh loss, and by cold or warm lube."""
    span_s = state["pattern_s"]
    means = state["pattern_sum"] / span_s[:, None]
    extra = (residual - state["pattern_from"]) / span_s + means[:, 0]
    idle, mesh = means[:, 1], means[:, 2]
    terms = [np.ones_like(extra), idle * idle, mesh * mesh, idle * extra, mesh * extra, extra * extra, idle * mesh]
    state["pattern_fit"] = KEEP * state["pattern_fit"] + np.stack(terms, axis=1)
    side = (means[:, 3] >= COLD_CEL).astype(np.int64)
    pick = np.arange(len(state))
    state["pattern_cold"][pick, side] += np.stack([np.ones_like(extra), extra, idle + mesh], axis=1)
    state["pattern_s"], state["pattern_sum"], state["pattern_from"] = 0.0, 0.0, residual


def _shares(state: State) -> Floats:
    """Return the excess as a share of no-load and of mesh loss, each taken alone, (n, 2)."""
    fit = state["pattern_fit"]
    return np.asarray(fit[:, 3:5] / np.maximum(fit[:, 1:3], 1e-30))


def _patterns(state: State) -> Flags:
    fit, share = state["pattern_fit"], _shares(state)
    count = fit[:, 0]
    squares = np.maximum(fit[:, 5:6] - share * fit[:, 3:5], 0.0)
    mean_square = squares.min(axis=1) / np.maximum(count - 1.0, 1.0)
    enough = count >= 8.0
    better = squares[:, 1] - squares[:, 0]
    with_speed = enough & (better > 4.0 * mean_square) & (share[:, 0] > LEAST_SHARE)
    with_torque = enough & (-better > 4.0 * mean_square) & (share[:, 1] > LEAST_SHARE)
    cold, warm = state["pattern_cold"][:, 0], state["pattern_cold"][:, 1]
    when_cold, when_warm = (side[:, 1] / np.maximum(side[:, 2], 1e-30) for side in (cold, warm))
    told = (cold[:, 0] >= 2.0) & (warm[:, 0] >= 4.0)
    at_start = told & (when_cold > LEAST_SHARE) & (when_cold > COLDER * np.maximum(when_warm, 0.0))
    return np.stack([with_speed, with_torque, at_start], axis=1)
