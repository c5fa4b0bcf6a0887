"""External drive cycles: a real long-haul day at 1 Hz, and the grade profile of a regulation as far as known.

The long-haul cycle is ``longHaulDriveCycle.csv`` of the PyPI package fastsim 2.1.5 (Apache-2.0). It is not part of
this project; :func:`read_long_haul` takes it out of the downloaded wheel without installing it.
"""

from __future__ import annotations

import csv
import io
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_simulators.roads import PAYLOAD_KG, TARE_KG
from axlewright_simulators.trips import (
    COLUMN,
    COLUMNS,
    IDLE_1_MIN,
    IGNITION_AFTER_S,
    LONG_STOP_S,
    Traction,
    Trip,
    cell_rates,
)

Array = NDArray[np.float64]
LONG_HAUL_FILE = "resources/cycles/longHaulDriveCycle.csv"
STANDING_M_S = 0.05


@dataclass(frozen=True)
class Cycle:
    """Speed and grade over time: `time_s` (n,) from 0, `speed_m_s` (n,), `grade` (n,) as rise over run."""

    time_s: Array
    speed_m_s: Array
    grade: Array

    @property
    def distance_m(self) -> float:
        """Return the distance driven. [m]"""
        return float(np.trapezoid(self.speed_m_s, self.time_s))


def read_long_haul(wheel: str | Path) -> Cycle:
    """Return the long-haul cycle out of the wheel of fastsim 2.1.5.

    Raises
    ------
    ModelError
        The file is no wheel, or the cycle is not in it.
    """
    try:
        with zipfile.ZipFile(wheel) as archive:
            name = next((name for name in archive.namelist() if name.endswith(LONG_HAUL_FILE)), None)
            if name is None:
                raise ModelError(f"{wheel}: holds no {LONG_HAUL_FILE}; the wheel of fastsim 2.1.5 does")
            text = archive.read(name).decode("utf-8-sig")
    except (OSError, zipfile.BadZipFile) as error:
        raise ModelError(f"{wheel}: cannot be read as a wheel: {error}") from error
    rows = list(csv.DictReader(io.StringIO(text)))
    return Cycle(*(np.array([float(row[name]) for row in rows]) for name in ("cycSecs", "cycMps", "cycGrade")))


def trip_of_cycle(
    cycle: Cycle, traction: Traction, mass_kg: float = TARE_KG + PAYLOAD_KG, wind_m_s: float = 0.0
) -> Trip:
    """Return the trip of a truck that follows a cycle exactly.

    Standing longer than the driver keeps his foot on the brake counts as parked, with the ignition off after a while.
    """
    span = np.diff(cycle.time_s)
    before, after = cycle.speed_m_s[:-1], cycle.speed_m_s[1:]
    mean = 0.5 * (before + after)
    mass = np.full(span.size, mass_kg)
    rates = cell_rates(
        mean, (after - before) / span, 0.5 * (cycle.grade[:-1] + cycle.grade[1:]), mass, traction, wind_m_s
    )
    standing = mean < STANDING_M_S
    stood, ahead = _run_lengths(standing, span)
    long = standing & (stood + ahead > LONG_STOP_S)
    asleep = long & (stood > IGNITION_AFTER_S)
    rates[:, standing] = 0.0
    rates[COLUMN["mass"], standing] = mass_kg
    rates[COLUMN["parked"]] = long
    rates[COLUMN["ignition"]] = ~asleep
    rates[COLUMN["engine"], standing] = IDLE_1_MIN
    rates[COLUMN["engine"], asleep] = 0.0
    rates[-1, standing] = np.nan
    integral = np.concatenate([np.zeros((len(COLUMNS), 1)), np.cumsum(rates[:-1] * span, axis=1)], axis=1)
    time = cycle.time_s - cycle.time_s[0]
    return Trip(time, integral, rates[-1], time[1:])


def _run_lengths(standing: NDArray[np.bool_], span: Array) -> tuple[Array, Array]:
    """Return how long the truck has stood at each cell's start, and how long it will stand from there on."""
    return _since(standing, span), _since(standing[::-1], span[::-1])[::-1] + np.where(standing, span, 0.0)


def _since(standing: NDArray[np.bool_], span: Array) -> Array:
    elapsed = np.concatenate([[0.0], np.cumsum(span)[:-1]])
    last_move = np.maximum.accumulate(np.where(standing, -np.inf, elapsed + span))
    since: Array = np.where(standing, elapsed - np.maximum(last_move, 0.0), 0.0)
    return since


# 40 CFR 1037, Appendix D: distance (m) against grade (%). Only these points of the table are known here; the many
# between them are not, so a line drawn through these is NOT the regulation's profile. It is used as a stretch
# of the regulation's own steepness, no more.
APPENDIX_D_KNOWN_POINTS: tuple[tuple[float, float], ...] = (
    (0.0, 0.0),
    (402.0, 0.0),
    (804.0, 0.5),
    (1206.0, 0.0),
    (4916.0, -3.23),
    (7292.0, 5.01),
)


def appendix_d_grade(distance_m: ArrayLike) -> Array:
    """Return the grade (rise over run) on a line through the known points of 40 CFR 1037 Appendix D.

    Examples
    --------
    >>> appendix_d_grade([804.0, 7292.0])
    array([0.005 , 0.0501])
    """
    where, percent = zip(*APPENDIX_D_KNOWN_POINTS, strict=True)
    return np.interp(np.asarray(distance_m, dtype=np.float64), where, np.asarray(percent) / 100.0)
