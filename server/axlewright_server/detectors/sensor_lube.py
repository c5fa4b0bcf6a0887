"""Lube sensors held against the thermal mass that they sit in: steps, degrees Fahrenheit, two that are swapped.

Part of :class:`~axlewright_server.detectors.sensor_health.SensorHealth`. Some 200 kJ/K of lube, gears and housing
cannot change by kelvins from one window to the next, nor can two axles in one wind part so fast; a sensor can.

* *step*: between two windows the reading parts from the partner's by more than ``STEP_K`` and what the time allows, by
  its own doing, and stays parted by as much for ``STAYS_S``: bias. It ends when it steps back.
* *Fahrenheit*: a reading that is right against the partner after converting, through a span of temperatures, so that
  mere heat cannot do it, and that began as no heat can: with a jump, after a long gap, or with the first reading. It
  stands until the reading agrees with the partner's unconverted. A sensor just replaced that reads, from the first
  minutes on, hotter than the axle can have grown since the old one spoke, and right after converting, needs no span:
  it is hidden at once, so that nobody calls the axle hot, and told after ``LEAP_S``.
* *swapped*: after a sensor of the tandem was replaced, by the shop's record, the learnt difference to the partner (as
  a share of their common rise) has changed its sign and kept its size over ``TURNED`` half hours of warm driving.
  Without a record it could as well be heat in the other axle, and nothing is said. Axles that differ by less than
  ``TELLS`` times the scatter of that share cannot be told apart.

All numbers are own choices.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.statistics import welford_step
from axlewright_server.detectors.base import State
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.timing import Flags, Floats, exposure, observe, put_back, some

STEP_K, LARGEST_STEP_K = 4.0, 40.0
DRIVEN_K_PER_S, PARKED_K_PER_S = 1.0 / 60.0, 0.1 / 60.0
LONGEST_STEP_S = 900.0
STAYS_S, STAYS_SHARE = 900.0, 0.4
CALM_WINDOWS = 5
UNIT_S, UNIT_SPAN_K, UNIT_NEAR_K, UNIT_GAP_S = 1200.0, 12.0, 10.0, 3600.0
SAME_K = 8.0
LEAP_S, LEAP_WITHIN_S = 300.0, 120.0
SHARE_S, WARM_K = 1800.0, 15.0
SHARE_LEARNING, SHARE_FLOOR, TELLS = 30, 0.01, 1.2
TURNED, TURNED_PLACE, WATCHED = 12, (-1.7, -0.4), 300

FIELDS: list[Any] = [
    ("jump_lube", "f8"),
    ("jump_other", "f8"),
    ("jump_s", "f8"),
    ("jump_from", "f8"),
    ("jump_size", "f8"),
    ("jump_left_s", "f8"),
    ("jump_calm", "i4"),
    ("jump_told", "f8"),
    ("unit_s", "f8"),
    ("unit_range", "f8", (2,)),
    ("unit_entry", "?"),
    ("unit_last", "f8"),
    ("unit_last_s", "f8"),
    ("unit_right_s", "f8"),
    ("unit_before", "f8"),
    ("unit_before_s", "f8"),
    ("unit_new_s", "f8"),
    ("unit_leapt", "?"),
    ("unit_told", "?"),
    ("share_s", "f8"),
    ("share_sum", "f8", (2,)),
    ("share_moments", "f8", (3,)),
    ("share_since", "f8", (2,)),
    ("share_watch", "i4"),
    ("share_swapped", "?"),
]
# A swap is looked for across the replacement of a sensor: the axles are still the same two.
_KEPT = ("share_moments",)


def clear(state: State) -> None:
    """Set fresh state to "nothing seen yet"."""
    for name in ("jump_lube", "jump_other", "jump_s", "jump_from", "jump_size", "jump_told"):
        state[name] = np.nan
    for name in ("unit_range", "unit_last", "unit_last_s", "unit_before", "unit_before_s"):
        state[name] = np.nan


def forget(state: State, fresh: State, axle_too: bool) -> None:
    """Forget what was held against a sensor that was replaced, and the axle's usual difference if that is new.

    How hot the old sensor saw the axle is remembered: the lube is still the same.
    """
    before, before_s = state["unit_last"].copy(), state["unit_last_s"].copy()
    for field in FIELDS:
        if axle_too or field[0] not in _KEPT:
            state[field[0]] = fresh[field[0]]
    if not axle_too:
        state["unit_before"], state["unit_before_s"] = before, before_s
    state["share_watch"] = 0 if axle_too else WATCHED


def jumps(state: State, lube: Floats, other: Floats, speed: Floats, batch: Batch) -> tuple[Flags, Flags]:
    """Return whose lube has jumped in this window, and whose is off by a step that stayed; (n,) like all arguments."""
    dt_s = batch.time_s - state["jump_s"]
    rate = np.where(speed > 2.0, DRIVEN_K_PER_S, PARKED_K_PER_S)
    allowed = STEP_K + rate * dt_s
    own, others = lube - state["jump_lube"], other - state["jump_other"]
    apart = own - others
    near = dt_s <= LONGEST_STEP_S
    jumped = near & (np.abs(own) > allowed)
    # By its own doing: the partner went on as before. Out of calm: scatter leaps to and fro.
    began = near & (np.abs(apart) > allowed) & (np.abs(others) < 0.5 * np.abs(apart)) & (np.abs(apart) < LARGEST_STEP_K)
    began &= (state["jump_calm"] >= CALM_WINDOWS) & ~batch.suspect
    calm = np.where(np.abs(apart) > 0.6 * allowed, 0, state["jump_calm"] + ~np.isnan(apart))
    state["jump_calm"] = np.minimum(calm, CALM_WINDOWS)
    _follow_step(state, lube, other, apart, began, batch)
    known = ~np.isnan(lube)
    state["jump_s"] = np.where(known, batch.time_s, state["jump_s"])
    state["jump_lube"], state["jump_other"] = np.where(known, lube, state["jump_lube"]), np.where(known, other, np.nan)
    return np.asarray(jumped), np.asarray(~np.isnan(state["jump_told"]))


def _follow_step(state: State, lube: Floats, other: Floats, apart: Floats, began: Flags, batch: Batch) -> None:
    """Wait after a step whether it stays; a told one ends with a step back."""
    told = state["jump_told"]
    back = began & ~np.isnan(told) & (np.abs(told + apart) < STAYS_SHARE * np.abs(told))
    state["jump_told"] = np.where(back, np.nan, told)
    began = began & ~back
    size = np.where(began, apart, state["jump_size"])
    # The difference to the partner just before the step is what it would have to come back to.
    start = np.where(began, state["jump_lube"] - state["jump_other"], state["jump_from"])
    left_s = np.where(began, STAYS_S, state["jump_left_s"])
    waiting = ~np.isnan(size)
    now = lube - other - start
    # NaN is neither gone nor there: it waits.
    gone = waiting & ~began & (np.abs(now - size) > STAYS_SHARE * np.abs(size))
    left_s = np.where(waiting & ~began & ~np.isnan(now), left_s - np.minimum(batch.dt_s, 600.0), left_s)
    stayed = waiting & ~gone & (left_s <= 0.0) & (state["jump_calm"] >= CALM_WINDOWS)
    state["jump_told"] = np.where(stayed, size, state["jump_told"])
    over = gone | stayed
    state["jump_size"], state["jump_from"] = np.where(over, np.nan, size), np.where(over, np.nan, start)
    state["jump_left_s"] = left_s


def fahrenheit(state: State, lube: Floats, other: Floats, ambient: Floats, batch: Batch) -> tuple[Flags, Flags]:
    """Return whose lube reads degrees Fahrenheit where Celsius is meant, and whose is hidden meanwhile; (n,) each."""
    last, dt_s = state["unit_last"], batch.time_s - state["unit_last_s"]
    converted = (dt_s <= LONGEST_STEP_S) & (np.abs(lube - (1.8 * last + 32.0)) < 1.8 * UNIT_NEAR_K)
    # After a long gap the truck has stood: no heat of a fault is left.
    rested = (dt_s > UNIT_GAP_S) & (np.abs(other - ambient) < UNIT_NEAR_K)
    entry = np.isnan(last) | rested | (converted & (np.abs(lube - last) > UNIT_NEAR_K))
    both = ~np.isnan(lube) & ~np.isnan(other)
    fits = both & (np.abs((lube - 32.0) / 1.8 - other) < UNIT_NEAR_K)
    same = both & (np.abs(lube - other) < SAME_K)
    seconds = np.minimum(batch.dt_s, 600.0)
    leapt = _leapt(state, lube, fits & ~same, batch)
    state["unit_last"] = np.where(np.isnan(lube), last, lube)
    state["unit_last_s"] = np.where(np.isnan(lube), state["unit_last_s"], batch.time_s)
    begun = np.asarray((state["unit_entry"] | (entry & fits) | leapt) & ~(same & ~fits))
    state["unit_entry"] = begun
    counts = fits & begun
    state["unit_s"] = np.where(begun, state["unit_s"] + np.where(counts & ~same, seconds, 0.0), 0.0)
    low, high = state["unit_range"].T
    low = np.where(begun, np.where(counts, np.fmin(low, other), low), np.nan)
    high = np.where(begun, np.where(counts, np.fmax(high, other), high), np.nan)
    state["unit_range"] = np.stack([low, high], axis=1)
    state["unit_right_s"] = np.where(same & ~fits, state["unit_right_s"] + seconds, 0.0)
    found = (state["unit_s"] >= UNIT_S) & (high - low >= UNIT_SPAN_K)
    found |= leapt & (state["unit_s"] >= LEAP_S)
    state["unit_told"] = np.where(state["unit_told"], state["unit_right_s"] < UNIT_S, found)
    return state["unit_told"].copy(), leapt & fits


def _leapt(state: State, lube: Floats, fits: Flags, batch: Batch) -> Flags:
    """Return whose new sensor began hotter than the axle can have grown, and has read right after converting since."""
    known = ~np.isnan(lube)
    heard = known & ~np.isnan(state["unit_last"])
    state["unit_new_s"] = np.where(heard, state["unit_new_s"] + np.minimum(batch.dt_s, 600.0), state["unit_new_s"])
    allowed = STEP_K + DRIVEN_K_PER_S * (batch.time_s - state["unit_before_s"])
    begins = fits & (state["unit_new_s"] <= LEAP_WITHIN_S) & (lube - state["unit_before"] > allowed)
    # A window that can't be held to the partner neither speaks for it nor ends it.
    leapt = np.asarray((state["unit_leapt"] & (fits | ~known)) | begins)
    state["unit_leapt"] = leapt
    return leapt


def swapped(
    state: State, lube: Floats, other: Floats, ambient: Floats, speed: Floats, batch: Batch, partner: NDArray[np.int64]
) -> Flags:
    """Return whose lube reads as the partner's used to, (n,)."""
    seen = np.stack([lube - other, 0.5 * (lube + other) - ambient], axis=1)
    warm = (speed > 20.0) & (seen[:, 1] > WARM_K) & ~np.isnan(seen).any(axis=1)
    ripe, means = observe(state, "share", seen, exposure(batch.dt_s, warm), SHARE_S)
    if len(ripe):
        # Plugs change places in pairs: work on either axle's is a chance for both.
        watch = np.where(partner >= 0, np.maximum(state["share_watch"], state["share_watch"][partner]), 0)
        state["share_watch"] = watch
        part = some(state, ripe)
        _judge_share(part, means[:, 0] / means[:, 1], batch.suspect[ripe])
        put_back(state, ripe, part)
    return state["share_swapped"].copy()


def _judge_share(state: State, share: Floats, suspect: Flags) -> None:
    count, mean, m2 = state["share_moments"].T
    learnt = count >= SHARE_LEARNING
    watched = state["share_watch"] > 0
    lesson = np.where(learnt | suspect | watched, np.nan, share)
    state["share_moments"] = np.stack(welford_step(count, mean, m2, lesson), axis=1)
    spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, 1.0)), SHARE_FLOOR)
    tells = learnt & (np.abs(mean) > TELLS * spread)
    place = np.where(tells, share / np.where(tells, mean, 1.0), 1.0)
    since, average = state["share_since"].T
    since = np.where(watched, since + 1.0, 0.0)
    average = np.where(watched, average + (place - average) / np.clip(since, 1.0, float(TURNED)), 0.0)
    state["share_since"] = np.stack([since, average], axis=1)
    state["share_watch"] = np.maximum(state["share_watch"] - 1, 0)
    low, high = TURNED_PLACE
    turned = tells & (since >= TURNED) & (average > low) & (average < high)
    stays = state["share_swapped"] & ~(watched & (average > 0.0))
    state["share_swapped"] = turned | stays
    # While it stands the difference is followed on, so that plugs put right end it.
    state["share_watch"] = np.where(state["share_swapped"], WATCHED, state["share_watch"])
