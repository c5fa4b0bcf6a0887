"""Density of axle lube against temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

EXPANSION_KG_M3_K = 0.6278
"""K1 of lubricating oils at a base of 15 Cel, 1.8 times the 0.34878 of the base of 60 degF. [kg/(m3 K)]"""


def density_kg_m3(temperature_cel: ArrayLike, density_15_kg_m3: ArrayLike) -> NDArray[np.float64]:
    r"""Return the density of a lubricating oil.

    Parameters
    ----------
    temperature_cel : array_like, any shape
        Temperature. [Cel]
    density_15_kg_m3 : array_like, broadcastable
        Density at 15 Cel, 801 to 1164 for the correlation to hold. [kg/m3]

    Returns
    -------
    ndarray
        Density. [kg/m3]

    Notes
    -----
    :math:`\rho = \rho_{15}\,e^{-\alpha\Delta T(1+0.8\,\alpha\Delta T)}` with :math:`\alpha = K_1/\rho_{15}`: API MPMS
    chapter 11.1 (ASTM D1250), group of lubricating oils; constants seen on a public calculator's page, not in the
    standard itself.

    Examples
    --------
    >>> density_kg_m3([15.0, 100.0], 880.0).round(1)
    array([880. , 825.8])
    """
    base = np.asarray(density_15_kg_m3, dtype=np.float64)
    swelling = EXPANSION_KG_M3_K / base * (np.asarray(temperature_cel, dtype=np.float64) - 15.0)
    return np.asarray(base * np.exp(-swelling * (1.0 + 0.8 * swelling)))
