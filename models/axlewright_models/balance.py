"""Unbalance of a driveshaft: how much is allowed, and what force it makes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]

# Product of eccentricity and angular speed. [mm/s] From a training page on ISO 21940-11, which gives G16 for cardan
# and propeller drive shafts and G40 for wheels, wheel sets and drive shafts; the older ISO 1940 gave drive shafts G40,
# and G16 where there are special requirements (Mechanical Engineer's Data Handbook, p. 323).
GRADES_MM_S = {"G2.5": 2.5, "G6.3": 6.3, "G16": 16.0, "G40": 40.0}


def permissible_eccentricity_um(grade_mm_s: ArrayLike, shaft_speed_1_min: ArrayLike) -> Array:
    r"""Return how far the centre of mass may lie from the axis, :math:`G / \omega`.

    Parameters
    ----------
    grade_mm_s : array_like
        Balance grade, e.g. ``GRADES_MM_S["G16"]``. [mm/s]
    shaft_speed_1_min : array_like, broadcastable
        Highest speed in service, above 0. [1/min]

    Returns
    -------
    ndarray, broadcast shape
        [um]

    Examples
    --------
    >>> float(permissible_eccentricity_um(16.0, 3000.0).round(2))
    50.93
    """
    speed = np.asarray(shaft_speed_1_min, dtype=np.float64) * np.pi / 30.0
    if np.any(speed <= 0.0):
        raise ModelError("shaft_speed_1_min must be above 0; give the highest speed in service")
    return np.asarray(1000.0 * np.asarray(grade_mm_s, dtype=np.float64) / speed)


def permissible_unbalance_g_mm(grade_mm_s: ArrayLike, mass_kg: ArrayLike, shaft_speed_1_min: ArrayLike) -> Array:
    r"""Return the unbalance allowed of a whole rotor; half for each plane of a symmetric shaft.

    Parameters
    ----------
    grade_mm_s, shaft_speed_1_min
        As in :func:`permissible_eccentricity_um`.
    mass_kg : array_like, broadcastable
        Of the rotor. [kg]

    Returns
    -------
    ndarray, broadcast shape
        [g.mm]

    Notes
    -----
    :math:`U = m\,G / \omega`, printed as 9549 G m / n.

    Examples
    --------
    >>> float(permissible_unbalance_g_mm(16.0, 30.0, 3000.0).round(1))
    1527.9
    """
    return np.asarray(
        permissible_eccentricity_um(grade_mm_s, shaft_speed_1_min) * np.asarray(mass_kg, dtype=np.float64)
    )


def unbalance_force_n(unbalance_g_mm: ArrayLike, shaft_speed_1_min: ArrayLike) -> Array:
    r"""Return the turning force of an unbalance, :math:`U \omega^2`: four times as much at twice the speed. [N]

    Examples
    --------
    >>> float(unbalance_force_n(1527.9, 3000.0).round(1))
    150.8
    """
    speed = np.asarray(shaft_speed_1_min, dtype=np.float64) * np.pi / 30.0
    return np.asarray(np.asarray(unbalance_g_mm, dtype=np.float64) * 1e-6 * speed**2)
