"""Sensors that speak plausibly and yet not the truth: bias, drift, noise, loose mount, swapped sides, wrong unit.

Part of :class:`~axlewright_server.detectors.sensor_health.SensorHealth`. Each is told against something that must agree
with it by nature:

* *lube bias and drift*: over a long park two axles of a tandem cool towards the same air. Of a real difference at most
  ``HEAT_LEFT`` is still there after ``PARK_S``, of what a sensor adds all of it; so the difference at the end, less
  that share of the one at the stop, is the sensor's. What is usual is a line over the warmth that both have left: of
  two axles one cools faster, and a night leaves more of that than a weekend. A park much longer or shorter than those
  learnt from gets more room. The axle whose end temperature has moved further from what it usually is after a park is
  the one that lies. One observation per park, k = 1, h = 4 on at least ``PARK_FLOOR_K``: 1.5e4 parks in control; the
  average must pass ``PARK_LEAST_K``. Begun more than ``DRIFT_S`` ago: drift.
* *noise*: second differences of the lube, first differences of each height, against the axle's own first hours.
  A hunting valve or a rough road moves both sides; noise is one side's. Scatter turns back from window to window,
  so that products of neighbouring differences are negative; heat that comes and goes in earnest keeps its direction.
* *swapped sides*: the heavier side stands lower and has the higher bellows pressure; the correlation of lean and
  pressure difference over four hours of driving keeps its sign until somebody swaps a plug.
* *wrong unit*: heights that are right after multiplying by 25.4.
* *loose mount*: the truck's own doubt (``vib/quality``).

All numbers are own choices.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.statistics import welford_step
from axlewright_models.statistics.line import PARTS, line_at, line_step
from axlewright_server.detectors.base import State
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import Chart
from axlewright_server.detectors.timing import Flags, Floats

PARK = Chart("park", 1, slack=1.0, decision=4.0, weight=0.4, calm=3)
PARK_S = 6.0 * 3600.0
PARK_FLOOR_K, PARK_LEAST_K = 0.8, 2.0
PARK_LEARNING = 5
HEAT_LEFT = 0.4
"""Share of a difference in temperature that may be left after the shortest park."""
PARK_SLOPE = 0.3
"""By how much the end difference may grow per kelvin of warmth left, as believed before any park."""
PARK_FADES_S, PARK_UNEQUAL_K = 6.0 * 3600.0, 20.0
"""About how an axle's warmth fades, and what unequal cooling may make of all of it."""
DRIFT_S = 6.0 * 86400.0
NOISE_LEARNING = 300.0
NOISE_TIMES, NOISE_LEAST = 3.5, np.array([2.5, 4.0, 4.0])
SWAP_S = 4.0 * 3600.0
SWAP_R = 0.25
LOOSE_BIT = 8

FIELDS: list[Any] = [
    ("stood_s", "f8"),
    ("stop", "f8"),
    ("park_end", "f8", (2,)),
    ("park_moments", "f8", (3, 3)),
    ("park_line", "f8", (PARTS,)),
    ("park_faded", "f8", (3,)),
    ("park_away", "f8"),
    ("park_kind", "i1"),
    *PARK.fields(),
    ("noise_last", "f8", (2, 3)),
    ("noise", "f8", (3,)),
    ("noise_turns", "f8"),
    ("noise_usual", "f8", (3,)),
    ("noise_count", "f8", (3,)),
    ("swap_s", "f8"),
    ("swap_sum", "f8", (6,)),
    ("swap_blocks", "f8"),
    ("swap_usual", "f8"),
    ("swap_now", "f8"),
]


LUBE_FIELDS = ("stood_s", "stop", "park_end", "park_moments", "park_line", "park_faded", "park_away", "park_kind")
HEIGHT_FIELDS = ("swap_s", "swap_sum", "swap_blocks", "swap_usual", "swap_now")


def forget(state: State, fresh: State, lube: bool, heights: bool) -> None:
    """Reset what was held against sensors that were replaced."""
    names = [*(LUBE_FIELDS if lube else ()), *(HEIGHT_FIELDS if heights else ())]
    if lube:
        names += [field[0] for field in PARK.fields()]
    for name in names:
        state[name] = fresh[name]
    if lube:
        state["noise_turns"] = 0.0
    columns = np.array([lube, heights, heights])
    for name in ("noise", "noise_usual", "noise_count"):
        state[name][:, columns] = fresh[name][:, columns]
    state["noise_last"][:, :, columns] = np.nan


def clear(state: State) -> None:
    """Set fresh state to "nothing seen yet"."""
    for name in ("stop", "park_end", "noise_last", "swap_now"):
        state[name] = np.nan
    PARK.clear(state)


def of_the_park(
    state: State,
    lube: Floats,
    other: Floats,
    ambient: Floats,
    speed: Floats,
    batch: Batch,
    partner: NDArray[np.int64],
) -> tuple[Flags, Flags]:
    """Return whether the lube sensor is biased, and whether it drifts, (n,) each.

    ``lube`` and the ``other`` axle's are NaN where a sensor is known to be at fault in another way: neither is judged.
    """
    difference = lube - other
    standing = speed < 2.0
    began = standing & (state["stood_s"] <= 0.0)
    over = ~standing & (state["stood_s"] >= PARK_S)
    state["stop"] = np.where(began, difference, state["stop"])
    rows = np.flatnonzero(over)
    if len(rows):
        part = state[rows]
        _judge_park(part, batch.time_s[rows])
        state[rows] = part
    state["stood_s"] = np.where(standing, np.maximum(state["stood_s"] + batch.dt_s, 1.0), 0.0)
    told = standing[:, None] & ~np.isnan(difference)[:, None]
    state["park_end"] = np.where(told, np.stack([difference, lube - ambient], axis=1), state["park_end"])
    level = state["park_level"][:, 0].any(axis=1)
    if not (level.any() or (state["park_kind"] > 0).any()):
        none = np.zeros(len(state), dtype=bool)
        return none, none
    # Of two axles that have parted, the one that has moved further from its usual end temperature lies. Weather moves
    # both: it must be further by half of what they have parted, and by ``PARK_LEAST_K``.
    away = np.abs(state["park_away"])
    parted = np.nan_to_num(np.abs(state["park_average"][:, 0]))
    worse = (partner < 0) | (away - away[partner] > np.maximum(0.5 * parted, PARK_LEAST_K))
    begun_s = np.nanmin(np.where(state["park_level"][:, 0] > 0, state["park_begun_s"][:, 0], np.inf), axis=1)
    fresh = np.where(batch.time_s - begun_s > DRIFT_S, 2, 1)
    kind = np.where(level, np.where(state["park_kind"] > 0, state["park_kind"], np.where(worse, fresh, 0)), 0)
    state["park_kind"] = kind
    return np.asarray(kind == 1), np.asarray(kind == 2)


def _judge_park(state: State, time_s: Floats) -> None:
    seen = np.column_stack([state["park_end"], state["stop"]])
    count, mean, m2 = state["park_moments"][:, 0], state["park_moments"][:, 1], state["park_moments"][:, 2]
    learnt = count >= PARK_LEARNING
    state["park_moments"] = np.stack(welford_step(count, mean, m2, np.where(learnt, np.nan, seen)), axis=1)
    departure = np.where(learnt, seen - mean, np.nan)
    # Two axles do not cool equally fast: while both are warm they differ, after a weekend they do not.
    line = state["park_line"]
    warmth = seen[:, 1] - 0.5 * seen[:, 0]
    warmth = np.where(np.isnan(warmth), line[:, 1], warmth)
    state["park_line"] = line_step(line, warmth, np.where(learnt[:, 0], np.nan, seen[:, 0]))
    usual, scatter, doubt = line_at(line, warmth, PARK_SLOPE, PARK_FLOOR_K)
    faded = np.exp(-state["stood_s"] / PARK_FADES_S)
    count, mean, m2 = state["park_faded"].T
    state["park_faded"] = np.stack(welford_step(count, mean, m2, np.where(learnt[:, 0], np.nan, faded)), axis=1)
    # A park much longer or shorter than those learnt from tells less, for the same reason.
    beyond = np.maximum(np.abs(faded - mean) - np.sqrt(m2 / np.maximum(count - 1.0, 1.0)), 0.0)
    spread = np.sqrt(scatter**2 + doubt**2 + (PARK_UNEQUAL_K * beyond) ** 2)[:, None]
    end, stop = np.where(learnt[:, 0], seen[:, 0] - usual, np.nan), departure[:, 2]
    # So much of it may be left of a real difference; only the rest is the sensor's.
    real = HEAT_LEFT * np.fmax(np.sign(end) * stop, 0.0)
    own = np.sign(end) * np.maximum(np.abs(end) - real, 0.0) / (1.0 - HEAT_LEFT)
    PARK.step(state, own[:, None], spread, PARK_LEAST_K, np.inf, time_s)
    away = state["park_away"]
    state["park_away"] = np.where(np.isnan(departure[:, 1]), away, away + 0.4 * (departure[:, 1] - away))
    state["park_end"] = np.nan


def noisy(state: State, raw: Floats, speed: Floats, batch: Batch) -> Flags:
    """Return which of lube, left and right height scatter from window to window as they never did, (n, 3)."""
    last, before = state["noise_last"][:, 0], state["noise_last"][:, 1]
    scatter = np.abs(raw - last)
    scatter[:, 0] = np.abs(raw[:, 0] - 2.0 * last[:, 0] + before[:, 0])
    even = (batch.dt_s > 0.0) & (batch.dt_s <= 90.0) & (speed > 25.0)
    seen = even[:, None] & ~np.isnan(scatter)
    turns = np.clip((raw[:, 0] - last[:, 0]) * (before[:, 0] - last[:, 0]), -400.0, 400.0)
    state["noise_turns"] = np.where(
        seen[:, 0], state["noise_turns"] + 0.03 * (np.nan_to_num(turns) - state["noise_turns"]), state["noise_turns"]
    )
    state["noise_last"] = np.stack([raw, last], axis=1)
    # Wild single values are the erratic test's; here they count for a bounded amount.
    scatter = np.minimum(scatter, 60.0)
    learning = seen & (state["noise_count"] < NOISE_LEARNING)
    count = state["noise_count"] + learning
    usual = state["noise_usual"]
    state["noise_usual"] = np.where(learning, usual + (scatter - usual) / np.maximum(count, 1.0), usual)
    state["noise_count"] = count
    noise = state["noise"]
    state["noise"] = np.where(seen, noise + 0.03 * (scatter - noise), noise)
    usual = np.maximum(state["noise_usual"], 0.1)
    times = state["noise"] / usual
    found = (count >= NOISE_LEARNING) & (times > NOISE_TIMES) & (state["noise"] > NOISE_LEAST)
    # White scatter of this size would have turned back by that much: its second differences are sqrt(6) as large.
    found[:, 0] &= state["noise_turns"] > 0.5 * np.square(state["noise"][:, 0] / (0.8 * np.sqrt(6.0)))
    other = times[:, [0, 2, 1]]
    found[:, 1:] &= times[:, 1:] > 2.0 * other[:, 1:]
    return np.asarray(found)


def swapped(state: State, heights: Floats, bellows: Floats, speed: Floats, batch: Batch) -> Flags:
    """Return whether lean and bellows pressure have begun to go together the wrong way, (n,)."""
    lean, load = heights[:, 0] - heights[:, 1], bellows[:, 0] - bellows[:, 1]
    seen = (speed > 25.0) & ~np.isnan(lean) & ~np.isnan(load)
    if seen.any():
        terms = np.stack([np.ones_like(lean), lean, load, lean * lean, lean * load, load * load], axis=1)
        state["swap_sum"] += np.where(seen[:, None], terms, 0.0)
        state["swap_s"] += np.where(seen, np.minimum(batch.dt_s, 60.0), 0.0)
        rows = np.flatnonzero(state["swap_s"] >= SWAP_S)
        if len(rows):
            part = state[rows]
            _judge_sides(part)
            state[rows] = part
    usual, now = state["swap_usual"], state["swap_now"]
    known = (state["swap_blocks"] >= 3.0) & (np.abs(usual) > SWAP_R)
    return np.asarray(known & (np.abs(now) > SWAP_R) & (now * usual < 0.0))


def _judge_sides(state: State) -> None:
    n, x, y, xx, xy, yy = state["swap_sum"].T
    spread = np.sqrt(np.maximum(xx - x * x / n, 1e-9) * np.maximum(yy - y * y / n, 1e-9))
    r = np.clip((xy - x * y / n) / spread, -1.0, 1.0)
    blocks = state["swap_blocks"]
    learning = blocks < 3.0
    usual = state["swap_usual"]
    state["swap_usual"] = np.where(learning, usual + (r - usual) / (blocks + 1.0), usual)
    now = state["swap_now"]
    state["swap_now"] = np.where(learning, np.nan, np.where(np.isnan(now), state["swap_usual"], now))
    state["swap_now"] = np.where(learning, np.nan, state["swap_now"] + 0.5 * (r - state["swap_now"]))
    state["swap_blocks"] = np.minimum(blocks + 1.0, 1e6)
    state["swap_s"], state["swap_sum"] = 0.0, 0.0


def inches(heights: Floats, specified_mm: Floats) -> Flags:
    """Return which heights (n, 2) read inches where millimetres are meant."""
    return np.asarray((heights < 30.0) & (np.abs(25.4 * heights - specified_mm[:, None]) < 60.0))
