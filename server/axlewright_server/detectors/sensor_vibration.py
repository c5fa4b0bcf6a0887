"""Vibration sensors that speak plausibly and not the truth: wrong gain, another unit, scatter, two that are swapped.

Part of :class:`~axlewright_server.detectors.sensor_health.SensorHealth`. What shakes an axle (wheels, driveshaft, gear
mesh, bearings, road) has nothing in common but the sensor that hears it. So the logarithms of these lines, averaged
over a minute, are held to the axle's own first hours at like speed and torque:

* *gain*: all lines, rms and velocity move together by one factor. A fault moves some lines, a smooth road only what
  is mostly road, a raised line only itself; so all but a fifth of the lines must have moved by at least half of what
  the middle one has. CUSUM of the middle one less the partner's, k = 1 on the axle's own spread of at least
  ``GAIN_FLOOR``; h = 20 is beyond 1e9 independent minutes by Siegmund's approximation, and wide because roads and loads
  last for many. The average over half an hour must pass ``GAIN_LEAST`` besides (a charge or IEPE sensor keeps its
  sensitivity within some 5 to 10 %: common practice, no published source).
* *wrong unit*: such a step by the factor between m/s2 and multiples of gravity, or a thousand. Any other step is a
  bias; what came over more than ``DRIFT_S`` is a drift.
* *scatter*: the middle line's change from minute to minute, against its own first hours and against the partner, which
  goes over the same road.
* *swapped*: the two sensors of a tandem have changed places. Each axle's lines then stand where the other's used to,
  on both axles at once and by the pattern of all lines, which no fault of one axle brings about, nor one of both. Axles
  that differ in fewer than ``CONTRASTS`` lines by ``CONTRAST``, or by less than ``CONTRAST_SIZE`` (squared logarithms)
  in all, cannot be told apart; a swap does little harm there.

The engine's lines are left out: they lie on others' in some gears. The baseline outlives a sensor's replacement: the
axle is the same, and a new sensor that reads otherwise is what is to be found. All numbers are own choices.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import ENVELOPE_CHANNELS, INDEX, ORDER_CHANNELS
from axlewright_models.statistics import welford_step
from axlewright_server.detectors.base import State
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import Chart
from axlewright_server.detectors.timing import Flags, Floats, exposure, lesson_due, put_back, some

LINES = (*(name for name in ORDER_CHANNELS if "engine" not in name), *ENVELOPE_CHANNELS, "vib/rms", "vib/velocity")
SPEED_EDGES_KM_H = (35.0, 55.0, 70.0, 85.0, 130.0)
TORQUE_EDGES_N_M = (800.0, 2000.0)
HARDEST_N_M = 5000.0
OBSERVATION_S = 60.0
LEARNING, LESSONS_A_DAY = 30, 8
LEAST_LINES = 4
GAIN = Chart("gain", 1, slack=1.0, decision=20.0, weight=0.03, calm=30)
GAIN_LEARNING, GAIN_FLOOR, GAIN_LEAST = 120, 0.15, 0.4
LINE_WEIGHT = np.float32(0.03)
TOGETHER, TOGETHER_UP, APART = 0.5, 0.7, 0.25
UNIT_LOGS = np.log([9.80665, 1000.0])
UNIT_NEAR = 0.2
DRIFT_S = 86400.0
NOISE_LEARNING, NOISE_WEIGHT, NOISE_LEAST = 120, 0.05, 0.25
NOISE_TIMES, NOISE_OVER_PARTNER = 2.5, 1.7
CONTRAST, CONTRASTS, CONTRAST_SIZE = 0.1, 2, 0.1
SWAP_MINUTES = 60
SWAP_FITS, SWAP_BACK, SWAP_LEAST = 0.35, 0.65, 0.4
NOTHING, BIAS, DRIFT, UNIT = 0, 1, 2, 3
_K = len(LINES)
_CELLS = (len(SPEED_EDGES_KM_H) - 1) * (len(TORQUE_EDGES_N_M) + 1)
_COLUMNS = np.array([INDEX[name] for name in LINES])
_QUALITY = INDEX["vib/quality"]
_NAN = np.float32(np.nan)

FIELDS: list[Any] = [
    ("gain_s", "f4"),
    ("gain_sum", "f4", (_K + 2,)),
    ("gain_day", "i4", (_CELLS,)),
    ("gain_lessons", "i2", (_CELLS,)),
    ("gain_count", "f4", (_CELLS, _K)),
    ("gain_mean", "f4", (_CELLS, _K)),
    ("gain_contrast", "f4", (_K,)),
    ("gain_own", "f4", (_K,)),
    ("gain_moments", "f8", (3,)),
    ("gain_run", "f4", (2,)),
    ("gain_kind", "i1"),
    ("gain_last", "f4", (_K,)),
    ("gain_last_s", "f8"),
    ("gain_noise", "f4"),
    ("gain_noise_usual", "f4"),
    ("gain_noise_count", "i4"),
    ("gain_noisy", "?"),
    ("gain_fit_minutes", "i4"),
    ("gain_swapped", "?"),
    *GAIN.fields(),
]


def clear(state: State) -> None:
    """Set fresh state to "nothing seen yet"."""
    for name in ("gain_contrast", "gain_own", "gain_last", "gain_last_s", "gain_noise"):
        state[name] = np.nan
    GAIN.clear(state)


def forget(state: State, fresh: State) -> None:
    """Forget all: another axle housing carries the sensor now."""
    for field in FIELDS:
        state[field[0]] = fresh[field[0]]


def replaced(state: State, fresh: State) -> None:
    """Forget what was held against a sensor that was replaced; the axle that it listens to stays known."""
    kept = {"gain_moments", "gain_day", "gain_lessons", "gain_count", "gain_mean"}
    for field in FIELDS:
        if field[0] not in kept and not field[0].startswith("gain_noise_"):
            state[field[0]] = fresh[field[0]]


def known(state: State) -> Flags:
    """Return which axles' sensors could be judged: enough lines are learnt in some cell, (n,)."""
    return np.asarray(((state["gain_count"] >= LEARNING).sum(axis=2) >= LEAST_LINES).any(axis=1))


def judge(
    state: State, doubted: Flags, batch: Batch, partner: NDArray[np.int64]
) -> tuple[NDArray[np.int8], Flags, Flags]:
    """Return how the gain is wrong (:data:`NOTHING` to :data:`UNIT`), which sensors scatter, which are swapped; (n,).

    ``doubted``: sensors that are known to be at fault in another way; they are not judged here.
    """
    speed, torque = np.fmax(batch.column("speed"), 0.0), np.abs(batch.column("torque"))
    # Quantities of the truck only, so that both axles' minutes are the same minutes.
    gate = (speed >= SPEED_EDGES_KM_H[0]) & (speed < SPEED_EDGES_KM_H[-1]) & ~(batch.column("brake") > 0.05)
    gate &= ~(torque > HARDEST_N_M) & ~(batch.column("height-mode") > 0.5)
    seconds = exposure(batch.dt_s, gate).astype(np.float32)
    if seconds.any():
        ripe, means = _gather(state, batch, speed, torque, seconds, doubted)
        if len(ripe):
            place = np.full(len(state) + 1, -1, dtype=np.int64)
            place[ripe] = np.arange(len(ripe))
            part = some(state, ripe)
            _minute(part, means, batch.take(ripe), place[partner[ripe]])
            put_back(state, ripe, part)
    return state["gain_kind"].copy(), state["gain_noisy"].copy(), state["gain_swapped"].copy()


def _gather(
    state: State, batch: Batch, speed: Floats, torque: Floats, seconds: Any, doubted: Flags
) -> tuple[NDArray[np.int64], Any]:
    """Average the lines' logarithms, speed and torque over one minute of driving."""
    lines = np.ascontiguousarray(batch.values[:, _COLUMNS], dtype=np.float32)
    doubtful = doubted | (np.nan_to_num(batch.raw[:, _QUALITY]) > 0.5)
    if doubtful.any():
        lines[doubtful] = _NAN
    logs = np.log(np.maximum(lines, np.float32(1e-6)))
    drive = (speed, np.nan_to_num(torque))
    part = np.column_stack([logs, *(values.astype(np.float32) for values in drive)]) * seconds[:, None]
    total_s = state["gain_s"] + seconds
    total = state["gain_sum"] + np.where((seconds > 0.0)[:, None], part, np.float32(0.0))
    ripe = np.flatnonzero((seconds > 0.0) & (total_s >= OBSERVATION_S - 0.5))
    means = total[ripe] / total_s[ripe][:, None]
    total_s[ripe] = 0.0
    total[ripe] = 0.0
    state["gain_s"], state["gain_sum"] = total_s, total
    return ripe, means


def _minute(state: State, means: Any, batch: Batch, partner: NDArray[np.int64]) -> None:
    """Judge one minute of each axle; ``partner`` is where its partner's same minute stands, -1 if nowhere."""
    lines = means[:, :_K]
    cell = np.clip(np.searchsorted(SPEED_EDGES_KM_H, means[:, _K], side="right") - 1, 0, None)
    cell = cell * (len(TORQUE_EDGES_N_M) + 1) + np.searchsorted(TORQUE_EDGES_N_M, means[:, _K + 1], side="right")
    pick = np.arange(len(state))
    _teach(state, lines, (pick, cell), batch)
    usual = np.where(state["gain_count"][pick, cell] >= LEARNING, state["gain_mean"][pick, cell], _NAN)
    moved = lines - usual
    away = np.where((partner >= 0)[:, None], usual[partner] - usual, _NAN)
    for name, values in (("gain_own", moved), ("gain_contrast", away)):
        before = state[name]
        after = np.where(np.isnan(before), values, before + LINE_WEIGHT * (values - before))
        state[name] = np.where(np.isnan(values), before, after)
    _swapped(state, partner, np.asarray(~np.isnan(away).all(axis=1)))
    _gain(state, moved, batch, partner)
    _noisy(state, moved, batch, partner)


def _teach(state: State, lines: Any, where: tuple[Any, Any], batch: Batch) -> None:
    """Learn a cell's usual lines, so many minutes a day that several days are in it; then they are frozen."""
    count, mean = state["gain_count"][where], state["gain_mean"][where]
    told = (state["gain_kind"] != NOTHING) | state["gain_noisy"] | state["gain_swapped"]
    lesson = (count < LEARNING) & ~np.isnan(lines) & ~(batch.suspect | told)[:, None]
    asked, days, lessons = lesson.any(axis=1), state["gain_day"], state["gain_lessons"]
    lesson &= lesson_due(days, lessons, where, asked, batch.time_s, LESSONS_A_DAY)[:, None]
    if lesson.any():
        more = count + np.float32(1.0)
        state["gain_count"][where] = np.where(lesson, more, count)
        state["gain_mean"][where] = np.where(lesson, mean + (lines - mean) / more, mean)


def _middle(values: Any) -> Floats:
    """Return the middle one of each row's known values, (n,); NaN where there are too few."""
    return _ranked(values, 0.5)


def _ranked(values: Any, share: float) -> Floats:
    """Return the value below which a share of each row's known values lies, (n,); NaN where there are too few."""
    counted = (~np.isnan(values)).sum(axis=1)
    at = np.floor(share * np.maximum(counted - 1, 0)).astype(np.int64)
    value = np.sort(values, axis=1)[np.arange(len(values)), at]
    return np.where(counted >= LEAST_LINES, value, _NAN).astype(np.float64)


def _gain(state: State, moved: Any, batch: Batch, partner: NDArray[np.int64]) -> None:
    common = _middle(moved)
    # Speed within its band, road and load move both axles alike; without a partner they stay in it, so it counts half.
    other = np.where(partner >= 0, common[partner], np.nan)
    witnessed = ~np.isnan(other)
    common = np.where(witnessed, common - other, common)
    departure = np.where(witnessed, common, 0.5 * common)
    number, usual, m2 = state["gain_moments"].T
    learnt = number >= GAIN_LEARNING
    lesson = np.where(learnt | batch.suspect, np.nan, departure)
    state["gain_moments"] = np.stack(welford_step(number, usual, m2, lesson), axis=1)
    spread = np.maximum(np.sqrt(m2 / np.maximum(number - 1.0, 1.0)), GAIN_FLOOR)
    departure = np.where(learnt, departure, np.nan)
    GAIN.step(state, departure[:, None], spread[:, None], GAIN_LEAST, np.inf, batch.time_s)
    begun_s = np.nanmin(np.where(state["gain_begun_s"][:, 0] > 0.0, state["gain_begun_s"][:, 0], np.inf), axis=1)
    on_the_way = np.isfinite(begun_s)
    count, mean = state["gain_run"].astype(np.float64).T
    count = np.where(on_the_way, count + ~np.isnan(common), 0.0)
    mean = np.where(on_the_way & (count > 0.0), mean + np.nan_to_num((common - mean) / np.maximum(count, 1.0)), 0.0)
    state["gain_run"] = np.stack([count, mean], axis=1)
    stands = (state["gain_level"][:, 0] > 0).any(axis=1)
    # Axle faults raise lines, and many of them late in a fault: upward, all of them must have gone almost as far.
    own = state["gain_own"]
    middle = _middle(own)
    fallen = middle < 0.0
    far = np.abs(middle)
    share = np.where(fallen, _ranked(-own, 0.2), _ranked(own, 0.0)) / np.maximum(far, 1e-6)
    # Of two axles that have parted, the one that has moved itself.
    itself = middle * np.sign(state["gain_average"][:, 0]) > 0.5 * np.abs(state["gain_average"][:, 0])
    together = itself & (far > 0.5 * GAIN_LEAST) & (share > np.where(fallen, TOGETHER, TOGETHER_UP))
    unit = (np.abs(np.abs(mean)[:, None] - UNIT_LOGS) < UNIT_NEAR).any(axis=1)
    kind = np.where(batch.time_s - begun_s > DRIFT_S, DRIFT, np.where(unit, UNIT, BIAS))
    kept = state["gain_kind"]
    # Two that stand in for one another are not two of wrong gain.
    fresh = np.where(together & (state["gain_fit_minutes"] == 0), kind, NOTHING)
    kept = np.where(kept > NOTHING, np.where(share > APART, kept, NOTHING), fresh)
    state["gain_kind"] = np.where(stands & np.isfinite(share), kept, NOTHING)


def _noisy(state: State, moved: Any, batch: Batch, partner: NDArray[np.int64]) -> None:
    recent = batch.time_s - state["gain_last_s"] <= 10.0 * OBSERVATION_S
    change = _middle(np.where(recent[:, None], np.abs(moved - state["gain_last"]), _NAN))
    state["gain_last"], state["gain_last_s"] = moved, batch.time_s
    seen = ~np.isnan(change)
    noise, count, usual = state["gain_noise"].astype(np.float64), state["gain_noise_count"], state["gain_noise_usual"]
    noise = np.where(seen, np.where(np.isnan(noise), change, noise + NOISE_WEIGHT * (change - noise)), noise)
    lesson = seen & (count < NOISE_LEARNING) & ~batch.suspect
    state["gain_noise_count"] = count + lesson
    state["gain_noise_usual"] = np.where(lesson, usual + (change - usual) / (count + 1.0), usual)
    state["gain_noise"] = noise
    times = noise / np.maximum(state["gain_noise_usual"], 0.05)
    learnt = state["gain_noise_count"] >= NOISE_LEARNING
    other = np.where((partner >= 0) & learnt[partner], times[partner], 0.0)
    found = learnt & (times > NOISE_TIMES) & (noise > NOISE_LEAST) & ~(times < NOISE_OVER_PARTNER * other)
    ended = times < 0.6 * NOISE_TIMES
    state["gain_noisy"] = np.where(state["gain_noisy"], ~(seen & ended), seen & found)


def _swapped(state: State, partner: NDArray[np.int64], seen: Flags) -> None:
    """Follow how far each axle's lines have gone to where the partner's used to stand: 0 = not at all, 1 = there."""
    contrast, own = (np.nan_to_num(state[name].astype(np.float64)) for name in ("gain_contrast", "gain_own"))
    size = np.square(contrast).sum(axis=1)
    differ = np.maximum(size, 1e-9)
    other = np.where((partner >= 0)[:, None], own[partner], 0.0)
    # What the road or the load does to both axles falls out of half the difference.
    apart = 0.5 * (own - other)
    least = np.minimum((own * contrast).sum(axis=1), -(other * contrast).sum(axis=1)) / differ
    left = np.square(apart - contrast).sum(axis=1) / differ
    telling = (size > CONTRAST_SIZE) & ((np.abs(contrast) > CONTRAST).sum(axis=1) >= CONTRASTS)
    fits = telling & (least > SWAP_LEAST) & (left < SWAP_FITS)
    minutes = np.where(fits, np.minimum(state["gain_fit_minutes"] + 1, 30000), 0)
    state["gain_fit_minutes"] = np.where(seen, minutes, state["gain_fit_minutes"])
    swapped = state["gain_swapped"]
    state["gain_swapped"] = np.where(swapped, ~(seen & (left > SWAP_BACK)), seen & (minutes >= SWAP_MINUTES))
