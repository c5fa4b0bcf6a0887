"""A file of raw samples understood: which columns are accelerometers, and how the driveshaft turned meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.errors import SourceError
from axlewright_edge.sources.recording_settings import Column, WaveformForm
from axlewright_edge.sources.waveform_files import TIME_NAMES, RawFile, read_raw
from axlewright_models.vibration.angle import turns_from_speed, turns_from_tacho
from axlewright_models.vibration.from_spec import ROAD_SPEED_TOLERANCE

# Of a sample; what lies further beside its place was not sampled evenly.
UNEVEN = 0.25


@dataclass(frozen=True)
class Recorded:
    """A recorded waveform.

    Parameters
    ----------
    rate_hz : float
        [Hz]
    samples : ndarray of float32, shape (sensors, n)
        NaN where one is missing. [m/s2]
    sensors : tuple of str
        Names of the columns.
    turns : ndarray of float64, shape (n,), or None
        Of the driveshaft. [turns]
    shaft_speed : ndarray of float64, shape (n,), or None
        Of the driveshaft. [1/min]
    road_speed : ndarray of float64, shape (n,), or None
        [km/h]
    full_scale : float or None
        End of the sensors' range. [m/s2]
    """

    rate_hz: float
    samples: NDArray[np.float32]
    sensors: tuple[str, ...]
    turns: NDArray[np.float64] | None = None
    shaft_speed: NDArray[np.float64] | None = None
    road_speed: NDArray[np.float64] | None = None
    full_scale: float | None = None

    @property
    def seconds(self) -> float:
        """Return how long it lasts. [s]"""
        return float(self.samples.shape[1] / self.rate_hz)

    def shaft_turns(self, turns_per_km: float | None = None) -> tuple[NDArray[np.float64], float]:
        """Return the driveshaft's turns at each sample and their relative error; all alike where nothing tells.

        Parameters
        ----------
        turns_per_km : float or None
            Of the driveshaft, to turn road speed into its own.
        """
        times = np.arange(self.samples.shape[1]) / self.rate_hz
        if self.turns is not None:
            return self.turns, 0.0
        if self.shaft_speed is not None:
            return turns_from_speed(self.shaft_speed / 60.0, times, times), 0.0
        if self.road_speed is not None:
            if turns_per_km is None:
                raise SourceError(
                    "road speed alone does not tell how the driveshaft turns: name truck and axle, or teeth"
                )
            return turns_from_speed(self.road_speed * (turns_per_km / 3600.0), times, times), ROAD_SPEED_TOLERANCE
        return np.zeros(times.size), 0.0


def read_recording(path: Path, form: WaveformForm, name: Callable[[str], str] = str) -> Recorded:
    """Return a recorded waveform.

    Parameters
    ----------
    path : Path
    form : WaveformForm
        How to understand it.
    name : callable
        Turns a key of the form into what a person knows it by, for errors: the option of a command.

    Raises
    ------
    SourceError
        The file cannot be read, or does not hold what the form says.
    """
    raw = read_raw(path, form.variable)
    raw, rate_hz = _evenly(raw, form, path, name)
    told = (form.turns, form.tacho, form.shaft_speed, form.road_speed)
    # A speed given as a number is a speed, not a column.
    claimed = {_key(raw, column, path) for column in told if isinstance(column, str | int)}
    sensors = _sensors(raw, form, claimed, path, name)
    samples = np.stack([np.asarray(raw.columns[name], dtype=np.float64) for name in sensors]) * form.scale_m_s2
    full_scale = form.full_scale_m_s2
    if full_scale is None and raw.full_scale is not None:
        full_scale = raw.full_scale * form.scale_m_s2
    return Recorded(
        rate_hz=rate_hz,
        samples=samples.astype(np.float32),
        sensors=sensors,
        turns=_turns(raw, form, rate_hz, path),
        shaft_speed=_speed(raw, form.shaft_speed, path),
        road_speed=_speed(raw, form.road_speed, path),
        full_scale=full_scale,
    )


def _key(raw: RawFile, column: Column, path: Path) -> str:
    names = list(raw.columns)
    if isinstance(column, int):
        if not 1 <= column <= len(names):
            raise SourceError(f"{path}: has no column {column}; it has {len(names)}")
        return names[column - 1]
    if column not in raw.columns:
        raise SourceError(f"{path}: has no column {column!r}; its columns are {', '.join(names)}")
    return column


def _sensors(
    raw: RawFile, form: WaveformForm, claimed: set[str], path: Path, name: Callable[[str], str]
) -> tuple[str, ...]:
    if form.channels:
        return tuple(_key(raw, column, path) for column in form.channels)
    names = [column for column in raw.columns if column not in claimed and column not in TIME_NAMES]
    if raw.named:
        called = [column for column in names if column.lower().startswith("acceleration")]
        names = called or (names if len(names) == 1 else [])
    if not names:
        columns = ", ".join(raw.columns)
        raise SourceError(
            f"{path}: which columns are accelerometers? its columns are {columns}; name them with {name('channels')}"
        )
    return tuple(names)


def _evenly(raw: RawFile, form: WaveformForm, path: Path, called: Callable[[str], str]) -> tuple[RawFile, float]:
    """Return the columns at even steps and their rate; NaN where a time column shows that samples are missing."""
    given = form.rate_hz if form.rate_hz is not None else raw.rate_hz
    name = next((name for name in TIME_NAMES if raw.named and name in raw.columns), None)
    if name is None:
        if given is None:
            raise SourceError(f'{path}: does not say its rate; give {called("rate_hz")}, or a column "time_s"')
        return raw, given
    times = np.asarray(raw.columns[name], dtype=np.float64)
    steps = np.diff(times)
    if not np.all(steps > 0.0):
        raise SourceError(f"{path}: column {name!r} must rise from row to row (row {int(np.argmin(steps > 0.0)) + 2})")
    rate_hz = given if given is not None else _rate_of(steps)
    places = (times - times[0]) * rate_hz
    rows = np.rint(places).astype(np.int64)
    off = np.abs(places - rows)
    if np.any(np.diff(rows) < 1) or off.max() > UNEVEN:
        row = int(np.argmax(off)) + 1
        raise SourceError(
            f"{path}: samples are not evenly spaced at {rate_hz:g} Hz (row {row}); resample the recording"
        )
    if rows[-1] + 1 == rows.size:
        return raw, rate_hz
    if rows[-1] > 4 * rows.size:
        raise SourceError(f"{path}: most samples are missing between {times[0]:g} and {times[-1]:g} s; cut it")
    columns = {key: _spread(column, rows) for key, column in raw.columns.items()}
    return RawFile(columns, raw.named, rate_hz, raw.full_scale), rate_hz


def _rate_of(steps: NDArray[np.float64]) -> float:
    # The mean of the usual steps, so that rounded time stamps give the true rate and gaps do not count.
    usual = float(np.median(steps))
    return float(1.0 / steps[np.abs(steps - usual) < 0.5 * usual].mean())


def _spread(column: NDArray[Any], rows: NDArray[np.int64]) -> NDArray[np.float64]:
    wide = np.full(int(rows[-1]) + 1, np.nan)
    wide[rows] = column
    return wide


def _filled(column: NDArray[Any], path: Path) -> NDArray[np.float64]:
    values = np.asarray(column, dtype=np.float64)
    known = np.isfinite(values)
    if not known.any():
        raise SourceError(f"{path}: the column that tells how the shaft turns holds no number")
    # Speeds are often recorded less densely than samples.
    return np.interp(np.arange(values.size), np.flatnonzero(known), values[known])


def _speed(raw: RawFile, told: str | float | None, path: Path) -> NDArray[np.float64] | None:
    if told is None:
        return None
    if isinstance(told, str):
        return np.maximum(_filled(raw.columns[_key(raw, told, path)], path), 0.0)
    return np.full(next(iter(raw.columns.values())).size, float(told))


def _turns(raw: RawFile, form: WaveformForm, rate_hz: float, path: Path) -> NDArray[np.float64] | None:
    if form.turns is not None:
        return _filled(raw.columns[_key(raw, form.turns, path)], path)
    if form.tacho is None:
        return None
    signal = _filled(raw.columns[_key(raw, form.tacho, path)], path)
    pulses = pulse_times(signal, rate_hz)
    if pulses.size < 3:
        raise SourceError(f"{path}: the tacho column shows {pulses.size} pulses; 3 or more are needed")
    # One more pulse at either end: the record begins and ends between two.
    around = np.concatenate([[2 * pulses[0] - pulses[1]], pulses, [2 * pulses[-1] - pulses[-2]]])
    times = np.arange(signal.size) / rate_hz
    inside = np.clip(times, around[0], around[-1])
    return turns_from_tacho(around, form.pulses_per_turn, inside)


def pulse_times(signal: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Return when a pulse signal rises through the middle of its range, between samples; noise makes no pulse.

    Examples
    --------
    >>> pulse_times(np.array([0.0, 0.0, 4.0, 4.0, 0.0, 0.0, 4.0]), 1.0).tolist()
    [1.5, 5.5]
    """
    low, high = float(signal.min()), float(signal.max())
    middle, quarter = 0.5 * (low + high), 0.25 * (high - low)
    # A pulse counts once the signal has been down by a quarter of its range, and up by as much: hysteresis.
    state = np.where(signal > middle + quarter, 1, np.where(signal < middle - quarter, -1, 0))
    known = np.flatnonzero(state)
    rises = np.flatnonzero(np.diff(state[known]) == 2)
    if rises.size == 0:
        return np.zeros(0)
    found = []
    for before, after in zip(known[rises], known[rises + 1], strict=True):
        stretch = signal[before : after + 1]
        at = int(np.argmax(stretch >= middle))
        low_side, high_side = stretch[at - 1], stretch[at]
        found.append(before + at - 1 + (middle - low_side) / (high_side - low_side))
    return np.asarray(found) / rate_hz
