"""What holds a truck back: force and drag area from a coast-down, by the regulation.

A coast-down that is shorter than the truck's own earlier ones at the same load is evidence for a dragging brake or a
tight bearing, independent of any temperature.

References
----------
.. [1] 40 CFR 1037.528, coast-down procedure with its worked example.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

GAS_CONSTANT_AIR_J_KG_K = 287.058
GRAVITY_M_S2 = 9.80665


def resistance_n(
    start_m_s: ArrayLike,
    end_m_s: ArrayLike,
    duration_s: ArrayLike,
    mass_kg: ArrayLike,
    effective_mass_kg: ArrayLike,
    grade: ArrayLike = 0.0,
    gravity_m_s2: float = GRAVITY_M_S2,
) -> Floats:
    """Return the mean force that slowed a coasting truck, the grade's part taken off. [N]

    Parameters
    ----------
    start_m_s, end_m_s, duration_s : array_like, any shape
        Speeds and time between them. [m/s], [s]
    mass_kg, effective_mass_kg : array_like
        Mass, and mass with the rotating parts'. [kg]
    grade : array_like
        Rise over distance; positive uphill.

    Examples
    --------
    >>> float(resistance_n(31.28, 26.77, 16.06, 16108.0, 17129.0, 0.503 / 482.4, 9.8061).round(1))
    4645.5
    """
    change = (np.asarray(start_m_s, dtype=np.float64) - np.asarray(end_m_s)) / np.asarray(duration_s)
    return np.asarray(np.asarray(effective_mass_kg) * change - np.asarray(mass_kg) * gravity_m_s2 * np.asarray(grade))


def drag_area_m2(
    force_difference_n: ArrayLike, speed_squared_difference_m2_s2: ArrayLike, air_cel: ArrayLike, air_pa: ArrayLike
) -> Floats:
    """Return drag coefficient times frontal area from the forces of a fast and a slow coast-down. [m2]

    `force_difference_n` is that of the two forces, less the differences in spin loss and tyre resistance.

    Examples
    --------
    >>> float(drag_area_m2(4645.5 - 1005.0 - 77.0 - 187.4, 933.4 - 43.12, 285.97 - 273.15, 101727.0).round(3))
    6.12
    """
    density = np.asarray(air_pa, dtype=np.float64) / (GAS_CONSTANT_AIR_J_KG_K * (np.asarray(air_cel) + 273.15))
    return np.asarray(2.0 * np.asarray(force_difference_n) / (density * np.asarray(speed_squared_difference_m2_s2)))


def tyre_resistance_n(force_at_24_cel_n: ArrayLike, air_cel: ArrayLike) -> Floats:
    """Return a tyre's rolling resistance at an air temperature from that at 24 Cel: 0.6 % less per kelvin warmer. [N]

    Examples
    --------
    >>> tyre_resistance_n([1028.7, 837.5], [25.5, 25.1]).round(1)
    array([1019.4,  832. ])
    """
    return np.asarray(np.asarray(force_at_24_cel_n, dtype=np.float64) * (1.0 + 0.006 * (24.0 - np.asarray(air_cel))))
