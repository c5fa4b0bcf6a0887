"""Sensors between the truth and a window: noise and steps of resolution."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

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


def bounce_mm(speed_m_s: Array, roughness: Array) -> Array:
    """Return the standard deviation of the height within a window, from the road. [mm]

    A summary of :mod:`~axlewright_simulators.half_truck` for 0.22 of critical damping and 1.5 kN of dry friction.
    """
    without_friction = BOUNCE_MM * roughness * (speed_m_s / 22.0) ** 0.6
    return np.asarray(np.maximum(0.95 * without_friction - 0.75, 0.35 * without_friction))


def height_noise_mm(speed_m_s: Array, roughness: Array, length_s: Array) -> Array:
    """Return the standard deviation of a window's mean height: road input, averaged over the window. [mm]"""
    bounce = bounce_mm(speed_m_s, roughness)
    averaged = bounce / np.sqrt(1.0 + BOUNCE_RATE_HZ * length_s)[:, None]
    return np.hypot(averaged, 0.12)
