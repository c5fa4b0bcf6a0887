"""Drift detectors and change points of other people's making (river, ruptures), as baselines.

Both libraries are optional: ``pip install 'axlewright[evaluation]'``.
"""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_server.errors import EvaluationError

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
# ruptures looks at a series anew after so many days.
EVERY_DAYS = 7


def _library(name: str) -> Any:
    """Return an optional library; they ship no types."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return importlib.import_module(name)
    except ImportError as error:
        raise EvaluationError(
            f"the baselines need {name.split('.')[0]}; install it with pip install 'axlewright[evaluation]', "
            "or leave the baselines out with --no-baselines"
        ) from error


def check_libraries() -> None:
    """Raise at once what would else be raised after all the work.

    Raises
    ------
    EvaluationError
        A library that the baselines need is not installed.
    """
    for name in ("river.drift", "ruptures"):
        _library(name)


def adwin_flags(values: Floats, days: NDArray[np.int64], settings: tuple[float, ...]) -> Flags:
    """Return the days on which ADWIN saw any channel of an axle change, (settings, days, axles).

    Parameters
    ----------
    values : ndarray, shape (hours, axles, channels)
        Standardised, NaN where nothing was measured: passed over.
    days : ndarray, shape (hours,)
    settings : tuple of float
        -log10 of delta, the chance of a false cut that ADWIN is designed for; ascending, from eager to reluctant.
    """
    drift = _library("river.drift")
    return _stream(values, days, settings, lambda setting: drift.ADWIN(delta=10.0**-setting))


def page_hinkley_flags(values: Floats, days: NDArray[np.int64], settings: tuple[float, ...]) -> Flags:
    """Return the days on which a two-sided Page-Hinkley test saw any channel change; see :func:`adwin_flags`."""
    drift = _library("river.drift")
    return _stream(values, days, settings, lambda setting: drift.PageHinkley(threshold=setting, delta=0.1, alpha=1.0))


def _stream(
    values: Floats, days: NDArray[np.int64], settings: tuple[float, ...], make: Callable[[float], Any]
) -> Flags:
    flags = np.zeros((len(settings), int(days[-1]) + 1 if len(days) else 0, values.shape[1]), bool)
    for axle in range(values.shape[1]):
        for channel in range(values.shape[2]):
            series = values[:, axle, channel]
            known = np.flatnonzero(~np.isnan(series))
            if not len(known):
                continue
            numbers, on_days = series[known].tolist(), days[known].tolist()
            for place, setting in enumerate(settings):
                drifted = _drifts(make(setting), numbers, on_days)
                flags[place, drifted, axle] = True
                # Until it first tells a detector does the same at every setting: where an eager one is silent, more
                # reluctant ones are as well.
                if not drifted:
                    break
    return flags


def _drifts(detector: Any, numbers: list[float], on_days: list[int]) -> list[int]:
    """Return the days on which a detector told a drift."""
    found = []
    for number, day in zip(numbers, on_days, strict=True):
        detector.update(number)
        if detector.drift_detected:
            found.append(day)
    return found


def changepoint_flags(values: Floats, days: NDArray[np.int64], settings: tuple[float, ...]) -> Flags:
    """Return the days on which ruptures' change-point search first told of a new change, (settings, days, axles).

    Every :data:`EVERY_DAYS` it sees all daily means so far; one more change than ever before is an alarm on that day.
    """
    ruptures = _library("ruptures")
    count = int(days[-1]) + 1 if len(days) else 0
    flags = np.zeros((len(settings), count, values.shape[1]), bool)
    for axle in range(values.shape[1]):
        means = _daily_means(values[:, axle], days, count)
        most = np.zeros(len(settings), dtype=int)
        for day in range(2 * EVERY_DAYS - 1, count, EVERY_DAYS):
            known = means[: day + 1]
            known = known[:, ~np.isnan(known).all(axis=0)]
            known = known[~np.isnan(known).any(axis=1)] if known.size else known
            if len(known) < EVERY_DAYS or not known.shape[1]:
                continue
            search = ruptures.KernelCPD(kernel="linear", min_size=3).fit(known)
            for place, setting in enumerate(settings):
                found = len(search.predict(pen=setting)) - 1
                flags[place, day, axle] = found > most[place]
                most[place] = max(most[place], found)
    return flags


def _daily_means(values: Floats, days: NDArray[np.int64], count: int) -> Floats:
    total, number = np.zeros((count, values.shape[1])), np.zeros((count, values.shape[1]))
    fine = ~np.isnan(values)
    np.add.at(total, days, np.where(fine, values, 0.0))
    np.add.at(number, days, fine)
    with np.errstate(invalid="ignore"):
        return np.asarray(total / number)
