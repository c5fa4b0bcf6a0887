"""Radial lip seals: lip speed and temperature, ageing of the lip, pressure behind a blocked breather."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.lube.ageing import ZERO_CEL_K, arrhenius_rate

Floats = NDArray[np.float64]

STANDARD_ATMOSPHERE_KPA = 101.325


@dataclass(frozen=True)
class Elastomer:
    """Temperatures that a lip's material bears. [Cel]

    ``high_cel`` and ``short_cel`` are a seal supplier's chart; ``strict_cel`` is a second supplier's limit. The charts
    differ by up to 20 K for NBR, so a limit is a parameter, never a constant of nature.
    """

    name: str
    low_cel: float
    high_cel: float
    short_cel: float
    strict_cel: float


ELASTOMERS: dict[str, Elastomer] = {
    material.name: material
    for material in (
        Elastomer("NBR", -40.0, 120.0, 140.0, 100.0),
        Elastomer("HNBR", -30.0, 150.0, 170.0, 149.0),
        Elastomer("ACM", -20.0, 150.0, 175.0, 149.0),
        Elastomer("FKM", -20.0, 200.0, 230.0, 199.0),
    )
}

ACTIVATION_ENERGY_J_MOL = 90e3
"""Middle of 80 to 100 kJ/mol for the ageing of elastomers (from memory, not confirmed). [J/mol]"""

LIFE_AT_HIGH_H = 1000.0
"""Hours of lip life at the chart's continuous limit (from memory: the usual basis of such limits; confirm). [h]"""


def elastomer(name: str) -> Elastomer:
    """Return the material of this name.

    Raises
    ------
    ModelError
        It is not in the chart.
    """
    try:
        return ELASTOMERS[name.upper()]
    except KeyError:
        raise ModelError(f"unknown seal material {name!r}; use one of {', '.join(ELASTOMERS)}") from None


def lip_speed_m_s(diameter_mm: ArrayLike, shaft_speed_1_min: ArrayLike) -> Floats:
    """Return the speed of a shaft's surface under the lip: pi d n / 60000. [m/s]

    Examples
    --------
    >>> float(lip_speed_m_s(90.0, 1852.0).round(2))
    8.73
    """
    circumference_m = math.pi * np.asarray(diameter_mm, dtype=np.float64) / 1e3
    return np.asarray(circumference_m * np.asarray(shaft_speed_1_min, dtype=np.float64) / 60.0)


@dataclass(frozen=True)
class LipContact:
    """What decides how much hotter than the sump a lip runs: own choices, within usual engineering ranges.

    ``friction_n_m``: friction force per length of lip [N/m]; ``conductivity_w_m_k`` of the steel shaft;
    ``oil_film_w_m2_k`` and ``air_film_w_m2_k``: heat transfer from the shaft to oil splash inside and to air outside.
    """

    friction_n_m: float = 30.0
    conductivity_w_m_k: float = 45.0
    oil_film_w_m2_k: float = 500.0
    air_film_w_m2_k: float = 50.0


DEFAULT_CONTACT = LipContact()


def lip_temperature_cel(
    lube_cel: ArrayLike,
    ambient_cel: ArrayLike,
    diameter_mm: ArrayLike,
    shaft_speed_1_min: ArrayLike,
    contact: LipContact = DEFAULT_CONTACT,
) -> Floats:
    r"""Return the temperature under the lip.

    Parameters
    ----------
    lube_cel, ambient_cel : array_like, any shape, broadcastable
        Sump and air. [Cel]
    diameter_mm, shaft_speed_1_min : array_like, broadcastable
        Shaft under the lip; the sign of the speed does not matter. [mm], [1/min]
    contact : LipContact
        Friction and heat transfer.

    Returns
    -------
    ndarray
        [Cel]

    Notes
    -----
    Own derivation; a supplier's note says only that the lip runs hotter than the sump and more so with speed. The
    friction power :math:`q \pi d v` enters a solid shaft that loses heat as two long fins, one in oil, one in air: each
    takes :math:`\sqrt{h \pi d\, k\, \pi d^2/4}\,(T - T_\infty)`. The balance of the two and the source gives T. Checked
    against a finite-difference rod in the tests.

    Examples
    --------
    >>> lip_temperature_cel(90.0, 20.0, 90.0, [0.0, 1852.0]).round(0)
    array([73., 82.])
    """
    diameter_m = np.asarray(diameter_mm, dtype=np.float64) / 1e3
    speed = np.abs(lip_speed_m_s(diameter_mm, shaft_speed_1_min))
    power_w = contact.friction_n_m * math.pi * diameter_m * speed
    shaft = contact.conductivity_w_m_k * math.pi**2 * diameter_m**3 / 4.0
    inside, outside = np.sqrt(contact.oil_film_w_m2_k * shaft), np.sqrt(contact.air_film_w_m2_k * shaft)
    lube, ambient = np.asarray(lube_cel, dtype=np.float64), np.asarray(ambient_cel, dtype=np.float64)
    return np.asarray((power_w + inside * lube + outside * ambient) / (inside + outside))


def life_used_per_h(
    lip_cel: ArrayLike,
    material: str,
    *,
    limit_cel: float | None = None,
    life_at_limit_h: float = LIFE_AT_HIGH_H,
    activation_energy_j_mol: float = ACTIVATION_ENERGY_J_MOL,
) -> Floats:
    """Return the fraction of a lip's life that one hour at a temperature takes, by Arrhenius' law (as ISO 11346 does).

    Parameters
    ----------
    lip_cel : array_like, any shape
        Temperature under the lip. [Cel]
    material : str
        Of :data:`ELASTOMERS`.
    limit_cel : float, optional
        Continuous limit; the supplier's chart if not given.
    life_at_limit_h, activation_energy_j_mol : float
        Life at that limit [h] and activation energy [J/mol]; both defaults are from memory.

    Examples
    --------
    >>> float(life_used_per_h(120.0, "NBR"))
    0.001
    """
    reference = elastomer(material).high_cel if limit_cel is None else limit_cel
    return np.asarray(arrhenius_rate(lip_cel, reference, activation_energy_j_mol) / life_at_limit_h)


def sealed_pressure_kpa(
    start_cel: ArrayLike, now_cel: ArrayLike, ambient_kpa: ArrayLike = STANDARD_ATMOSPHERE_KPA
) -> Floats:
    """Return the gauge pressure in a housing whose breather is blocked, closed at ambient pressure. [kPa]

    An ideal gas in a fixed volume; lube that expands makes it worse. Below 0 after cooling: a hot axle in water draws
    water.

    Examples
    --------
    >>> sealed_pressure_kpa(20.0, [90.0, 20.0, 0.0]).round(1)
    array([24.2,  0. , -6.9])
    """
    start = np.asarray(start_cel, dtype=np.float64) + ZERO_CEL_K
    now = np.asarray(now_cel, dtype=np.float64) + ZERO_CEL_K
    return np.asarray(np.asarray(ambient_kpa, dtype=np.float64) * (now / start - 1.0))


OFFSET_LIMIT_MM = 0.08
RUNOUT_LIMIT_MM = 0.13
SUM_LIMIT_MM = 0.20
LIP_PRESSURE_LIMIT_KPA = 50.0


def geometry_use(offset_mm: ArrayLike, runout_mm: ArrayLike) -> Floats:
    """Return the greatest of three ratios to a supplier's limits for longest life; above 1 is beyond.

    Shaft-to-bore offset at most 0.08 mm, dynamic runout at most 0.13 mm (total indicator reading), together at most
    0.20 mm.

    Examples
    --------
    >>> geometry_use([0.04, 0.08], [0.13, 0.13]).round(2)
    array([1.  , 1.05])
    """
    offset, runout = np.abs(np.asarray(offset_mm, dtype=np.float64)), np.abs(np.asarray(runout_mm, dtype=np.float64))
    parts = (offset / OFFSET_LIMIT_MM, runout / RUNOUT_LIMIT_MM, (offset + runout) / SUM_LIMIT_MM)
    return np.asarray(np.maximum(np.maximum(parts[0], parts[1]), parts[2]))
