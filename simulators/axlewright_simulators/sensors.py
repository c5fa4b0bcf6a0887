"""Sensors between the truth and a window: noise, bias, steps of resolution, faults."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_simulators.faults import Fault

Array = NDArray[np.float64]

HEIGHT_STEP_MM = 0.1  # SAE J1939 SPN 1724
PRESSURE_STEP_KPA = 0.1  # SPN 1727
SPEED_STEP_KM_H = 1.0 / 256.0  # SPN 84
AMBIENT_STEP_K = 0.03125  # SPN 171
SHAFT_STEP_1_MIN = 0.125  # SPN 191
BOUNCE_MM = 5.0  # standard deviation of the height while driving at cruise; own choice
BOUNCE_RATE_HZ = 0.8  # independent looks per second, from a bounce at 1.2 to 1.6 Hz with its damping


def quantise(value: ArrayLike, step: ArrayLike) -> Array:
    """Return values rounded to a sensor's resolution.

    Examples
    --------
    >>> quantise([1.24, 1.26], 0.5)
    array([1. , 1.5])
    """
    size = np.asarray(step, dtype=np.float64)
    return np.asarray(np.round(np.asarray(value, dtype=np.float64) / size) * size)


def height_noise_mm(speed_m_s: Array, roughness: Array, length_s: Array) -> Array:
    """Return the standard deviation of a window's mean height: road input, averaged over the window. [mm]"""
    bounce = BOUNCE_MM * roughness * (speed_m_s / 22.0) ** 0.6
    averaged = bounce / np.sqrt(1.0 + BOUNCE_RATE_HZ * length_s)[:, None]
    return np.hypot(averaged, 0.12)


def apply_lube_faults(
    measured: Array,
    held: Array,
    faults: Iterable[Fault],
    vehicles: Sequence[str],
    positions: Sequence[int],
    time_s: Array,
) -> tuple[Array, Array]:
    """Return lube readings (t, r) with the sensor faults put in, and what each stuck sensor holds (r,).

    `held` is NaN where no sensor hangs; it carries the stuck value from call to call.
    """
    out, held = measured.copy(), held.copy()
    for fault in faults:
        if fault.kind != "lube-sensor":
            continue
        on = fault.share(time_s) > 0.0
        for row, (vehicle, position) in enumerate(zip(vehicles, positions, strict=True)):
            if vehicle != fault.vehicle or fault.axle not in (0, position):
                continue
            if fault.mode == "silent":
                out[on, row] = np.nan
            elif fault.mode == "drift":
                out[:, row] += fault.level(time_s)
            elif on.any():
                if np.isnan(held[row]):
                    held[row] = measured[int(np.argmax(on)), row]
                out[on, row] = held[row]
            else:
                held[row] = np.nan
    return out, held
