r"""How fast lube oxidises when it runs warm: the doubling rule and Arrhenius' law, which are not the same.

"Life halves for each 10 K" above a base temperature is a rule of the trade (an article in a lubrication journal gives
it, another disputes it as a universal rule). Arrhenius' law with one activation energy doubles per 10 K at one
temperature only: :func:`doubling_activation_energy` is 66 kJ/mol from 60 to 70 Cel and 87 kJ/mol from 110 to 120 Cel.
Both are offered; :func:`rate_disagreement` states their difference.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

GAS_CONSTANT_J_MOL_K = 8.314462618
"""CODATA 2018, exact to the digits given. [J/(mol K)]"""

ZERO_CEL_K = 273.15
BASE_CEL = 60.0
"""Below this the doubling rule counts no more ageing: an oil's base activation temperature (own choice). [Cel]"""

DOUBLING_K = 10.0
ACTIVATION_ENERGY_J_MOL = 80e3
"""Middle of the span over which the two rules agree between 70 and 110 Cel (own choice). [J/mol]"""


def doubling_rate(temperature_cel: ArrayLike, reference_cel: float, base_cel: float = BASE_CEL) -> Floats:
    """Return how many times faster oil ages than at the reference temperature, by the doubling rule.

    At or below `base_cel` the rate is that of the base temperature.

    Examples
    --------
    >>> doubling_rate([80.0, 90.0, 110.0, 20.0], reference_cel=80.0)
    array([1.  , 2.  , 8.  , 0.25])
    """
    above = np.maximum(np.asarray(temperature_cel, dtype=np.float64), base_cel) - max(reference_cel, base_cel)
    return np.asarray(2.0 ** (above / DOUBLING_K))


def arrhenius_rate(
    temperature_cel: ArrayLike, reference_cel: float, activation_energy_j_mol: ArrayLike = ACTIVATION_ENERGY_J_MOL
) -> Floats:
    r"""Return how many times faster than at the reference temperature a reaction runs.

    Notes
    -----
    :math:`\exp[\frac{E_a}{R}(\frac{1}{T_{ref}} - \frac{1}{T})]`

    Examples
    --------
    >>> arrhenius_rate([80.0, 90.0], 80.0, 73.9e3).round(2)
    array([1., 2.])
    """
    kelvin = np.asarray(temperature_cel, dtype=np.float64) + ZERO_CEL_K
    energy = np.asarray(activation_energy_j_mol, dtype=np.float64)
    inverse_span = 1.0 / (reference_cel + ZERO_CEL_K) - 1.0 / kelvin
    return np.asarray(np.exp(energy / GAS_CONSTANT_J_MOL_K * inverse_span))


def doubling_activation_energy(low_cel: ArrayLike, high_cel: ArrayLike) -> Floats:
    """Return the activation energy [J/mol] for which the rate doubles exactly between two temperatures [Cel].

    Examples
    --------
    >>> (doubling_activation_energy([60.0, 110.0], [70.0, 120.0]) / 1e3).round(1)
    array([65.9, 86.8])
    """
    low = np.asarray(low_cel, dtype=np.float64) + ZERO_CEL_K
    high = np.asarray(high_cel, dtype=np.float64) + ZERO_CEL_K
    return np.asarray(GAS_CONSTANT_J_MOL_K * np.log(2.0) / (1.0 / low - 1.0 / high))


def rate_disagreement(
    temperature_cel: ArrayLike, reference_cel: float, activation_energy_j_mol: float = ACTIVATION_ENERGY_J_MOL
) -> Floats:
    """Return the doubling rule's rate over Arrhenius' rate: the factor by which the choice of rule matters.

    Examples
    --------
    >>> rate_disagreement([70.0, 90.0, 121.0], 90.0).round(2)
    array([1.17, 1.  , 1.07])
    """
    ratio = doubling_rate(temperature_cel, reference_cel)
    return np.asarray(ratio / arrhenius_rate(temperature_cel, reference_cel, activation_energy_j_mol))


def life_used(rate: ArrayLike, duration_h: ArrayLike, reference_life_h: ArrayLike) -> Floats:
    """Return the fraction of life that each interval takes; sum it over time.

    Parameters
    ----------
    rate : array_like, any shape
        From :func:`doubling_rate` or :func:`arrhenius_rate`; NaN counts as no time.
    duration_h : array_like, broadcastable
        Length of each interval. [h]
    reference_life_h : array_like, broadcastable
        Life at the reference temperature. [h]

    Examples
    --------
    >>> float(life_used(doubling_rate([80.0, 100.0], 80.0), [10.0, 5.0], 3000.0).sum())
    0.01
    """
    used = np.asarray(rate, dtype=np.float64) * np.asarray(duration_h, dtype=np.float64)
    return np.asarray(np.nan_to_num(used / np.asarray(reference_life_h, dtype=np.float64), nan=0.0))
