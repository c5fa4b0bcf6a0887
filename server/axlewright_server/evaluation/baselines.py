"""What a fleet could do without this design: simple alarms on the same readings, each at several settings.

All see hourly means of every channel while driving (:mod:`hourly`), axle by axle, and may learn for
:data:`LEARN_DAYS` before anything they say is counted. What they say is reduced to days with an alarm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.statistics.ewma import ewma_sd, ewma_step
from axlewright_server.detectors.table import AxleTable
from axlewright_server.evaluation.baselines_drift import adwin_flags, changepoint_flags, page_hinkley_flags
from axlewright_server.evaluation.hourly import AXLE_CHANNELS, HOUR_S, Hours

LEARN_DAYS = 14
# Alarms of one axle within this time of the one before are one call: as an advisory stays open until it has been quiet
# for a week.
QUIET_DAYS = 7
EWMA_WEIGHT = 0.1
_PLACE = {name: number for number, name in enumerate(AXLE_CHANNELS)}

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Baseline:
    """One simple alarm: its settings from eager to reluctant, and its days with an alarm, (settings, days, axles)."""

    name: str
    title: str
    note: str
    settings: tuple[float, ...]
    flags: Callable[[Hours, AxleTable, tuple[float, ...]], Flags]


def daily(score: Floats, begin_s: float) -> Floats:
    """Return the highest score of each UTC day, (days, axles), -inf without any; `score` is (hours, axles)."""
    days = day_numbers(len(score), begin_s)
    top = np.full((int(days[-1]) + 1 if len(days) else 0, score.shape[1]), -np.inf)
    np.fmax.at(top, days, score)
    return top


def day_numbers(hours: int, begin_s: float) -> NDArray[np.int64]:
    """Return the day of each hour, counted from the day of the first."""
    times = begin_s + HOUR_S * np.arange(hours)
    return (times // 86400.0).astype(np.int64) - int(begin_s // 86400.0)


def fixed_scores(hours: Hours, table: AxleTable) -> Floats:
    """Return by hour and axle how many times the nearest of the fixed limits the raw values are.

    Heights, lean, lube, forward against rear, sump pressure: the limits of ``models.limits``. None is known for
    raw vibration.
    """
    height = np.stack([hours.driving[:, :, _PLACE[f"height/{side}"]] for side in ("left", "right")]).astype(float)
    away = np.abs(np.mean(height, axis=0) - table.ride_height_mm) / table.limit("height_tolerance_mm")
    lean = np.abs(height[0] - height[1]) / table.limit("lean_limit_mm")
    lube = hours.lube_top / table.limit("lube_caution_cel")
    partner = np.where(table.partner >= 0, table.partner, np.arange(len(table)))
    mean_lube = hours.driving[:, :, _PLACE["lube"]]
    apart = (mean_lube - mean_lube[:, partner]) / table.limit("forward_rear_limit_cel")
    sump = hours.driving[:, :, _PLACE["sump-pressure"]] / table.limit("sump_pressure_limit_kpa")
    parts = np.stack([away, lean, lube, apart, sump])
    return np.asarray(np.fmax.reduce(parts, axis=0), dtype=np.float64)


def ewma_scores(hours: Hours) -> Floats:
    """Return by hour and axle the largest departure of any channel's EWMA, in its standard deviations.

    Mean and standard deviation of each channel and axle are those of its first :data:`LEARN_DAYS` days.
    """
    values = hours.driving.astype(np.float64)
    mean, sd = learnt(values, hours.begin_s)
    z = (values - mean) / sd
    level = np.full(z.shape[1:], np.nan)
    spread = float(ewma_sd(EWMA_WEIGHT))
    scores = np.full(z.shape[:2], np.nan)
    for number, row in enumerate(z):
        level = ewma_step(level, row, EWMA_WEIGHT)
        fresh = np.where(np.isnan(row), np.nan, np.abs(level) / spread)
        scores[number] = np.fmax.reduce(fresh, axis=1)
    return scores


def learnt(values: Floats, begin_s: float) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of each axle's channels over :data:`LEARN_DAYS` days, NaN without."""
    early = values[day_numbers(len(values), begin_s) < LEARN_DAYS]
    count = np.sum(~np.isnan(early), axis=0)
    mean = np.where(count >= 24, np.nansum(early, axis=0) / np.maximum(count, 1), np.nan)
    variance = np.nansum((early - mean) ** 2, axis=0) / np.maximum(count - 1, 1)
    # A channel that never moved has no scale of its own; a thousandth of its value stands in.
    sd = np.maximum(np.sqrt(variance), 1e-3 * np.abs(mean) + 1e-9)
    return mean, np.where(count >= 24, sd, np.nan)


def _above(score: Floats, begin_s: float, settings: tuple[float, ...]) -> Flags:
    top = daily(score, begin_s)
    return np.stack([top > setting for setting in settings]) if len(settings) else np.empty((0, *top.shape), bool)


def _standard(hours: Hours) -> Floats:
    values = hours.driving.astype(np.float64)
    mean, sd = learnt(values, hours.begin_s)
    return np.asarray((values - mean) / sd)


BASELINES: tuple[Baseline, ...] = (
    Baseline(
        "fixed",
        "fixed thresholds",
        "limits of models.limits times the setting, on heights, lean, lube, forward against rear, sump pressure; "
        "none on vibration",
        (0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 6.0),
        lambda hours, table, settings: _above(fixed_scores(hours, table), hours.begin_s, settings),
    ),
    Baseline(
        "ewma",
        "EWMA on raw values",
        "weight 0.1 an hour, limits in standard deviations of the EWMA, mean and deviation learnt in 14 days",
        (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 13.0, 17.0, 22.0, 30.0, 40.0, 60.0, 90.0, 150.0, 300.0),
        lambda hours, table, settings: _above(ewma_scores(hours), hours.begin_s, settings),
    ),
    Baseline(
        "adwin",
        "river ADWIN",
        "one per channel on standardised hourly means; the setting is -log10 of its delta",
        (2.7, 4.0, 6.0, 9.0, 14.0, 20.0, 30.0, 50.0, 80.0, 130.0, 200.0),
        lambda hours, table, settings: adwin_flags(
            _standard(hours), day_numbers(len(hours.speed), hours.begin_s), settings
        ),
    ),
    Baseline(
        "page-hinkley",
        "river Page-Hinkley",
        "one per channel on standardised hourly means, two-sided; the setting is its threshold",
        (25.0, 50.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0),
        lambda hours, table, settings: page_hinkley_flags(
            _standard(hours), day_numbers(len(hours.speed), hours.begin_s), settings
        ),
    ),
    Baseline(
        "ruptures",
        "ruptures KernelCPD",
        "all channels of an axle together on daily means, run anew each week over all days so far (linear kernel); the "
        "setting is the penalty",
        (20.0, 40.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 5120.0, 10240.0, 20480.0),
        lambda hours, table, settings: changepoint_flags(
            _standard(hours), day_numbers(len(hours.speed), hours.begin_s), settings
        ),
    ),
)


def calls(flags: NDArray[np.bool_]) -> list[int]:
    """Return the days on which one axle's alarm days call somebody: those with no alarm in the week before.

    Examples
    --------
    >>> calls(np.array([0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 1, 0], bool))
    [1, 10]
    """
    found, last = [], -QUIET_DAYS - 1
    for day in np.flatnonzero(flags).tolist():
        if day - last > QUIET_DAYS:
            found.append(day)
        last = day
    return found
