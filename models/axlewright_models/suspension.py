"""Air suspension: springs and their frequency, load from bellows pressure, and leak-down.

Pressures are gauge (above ambient) unless a name says otherwise, as pressure sensors read them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]

GRAVITY_M_S2 = 9.80665
AMBIENT_KPA = 101.325
AIR_GAS_CONSTANT = 287.05
# Air between slow (1, isothermal) and sudden (1.4) change; 1.38 is customary for body motion.
POLYTROPIC = 1.38
# 49 CFR 393.207(f): leakage of an air suspension at most 3 psi in 5 minutes.
REGULATION_LEAK_KPA = 3 * 6.894757293168361
REGULATION_LEAK_S = 300.0


def air_spring_stiffness(
    pressure_kpa: ArrayLike,
    effective_area_cm2: ArrayLike,
    effective_height_mm: ArrayLike,
    area_slope_cm2_per_mm: ArrayLike = 0.0,
    polytropic: float = POLYTROPIC,
) -> Array:
    r"""Return the stiffness of an air spring at its working point.

    Parameters
    ----------
    pressure_kpa : array_like
        [kPa]
    effective_area_cm2 : array_like
        Force over pressure. [cm2]
    effective_height_mm : array_like
        Volume of air over effective area. [mm]
    area_slope_cm2_per_mm : array_like
        Growth of the area with compression; a straight piston has none. [cm2/mm]
    polytropic : float
        1 for slow changes, 1.4 for sudden ones.

    Returns
    -------
    ndarray, broadcast shape
        [N/mm]

    Notes
    -----
    :math:`F = (p - p_a) A(x)` with :math:`p V^n` constant and :math:`dV = -A\,dx` gives
    :math:`k = n p A / h + (p - p_a)\,dA/dx`, :math:`p` absolute.

    Examples
    --------
    >>> float(air_spring_stiffness(420.0, 700.0, 200.0).round(1))
    251.8
    """
    gauge, area = np.asarray(pressure_kpa, dtype=np.float64), np.asarray(effective_area_cm2, dtype=np.float64)
    # kPa x cm2 = 0.1 N.
    gas = polytropic * (gauge + AMBIENT_KPA) * area * 0.1 / np.asarray(effective_height_mm, dtype=np.float64)
    return np.asarray(gas + gauge * np.asarray(area_slope_cm2_per_mm, dtype=np.float64) * 0.1)


def air_spring_frequency(
    pressure_kpa: ArrayLike,
    effective_height_mm: ArrayLike,
    polytropic: float = POLYTROPIC,
    ambient_kpa: float = AMBIENT_KPA,
) -> Array:
    r"""Return the frequency of a mass that its air spring carries alone.

    Parameters
    ----------
    pressure_kpa, effective_height_mm, polytropic
        As in :func:`air_spring_stiffness`, with constant area.
    ambient_kpa : float
        Absolute pressure of the outside air. [kPa]

    Returns
    -------
    ndarray, broadcast shape
        [Hz]

    Notes
    -----
    :math:`f = \frac{1}{2\pi} \sqrt{n g\,p / ((p - p_a) h)}`, p absolute: the area cancels, and the load almost does,
    which is why air springs ride alike laden and empty.

    Examples
    --------
    >>> float(air_spring_frequency(420.0, 200.0).round(3))
    1.459
    """
    gauge = np.asarray(pressure_kpa, dtype=np.float64)
    if np.any(gauge <= 0.0):
        raise ModelError("pressure_kpa must be above 0 (gauge): an empty bellows carries nothing")
    height_m = np.asarray(effective_height_mm, dtype=np.float64) / 1000.0
    return np.asarray(np.sqrt(polytropic * GRAVITY_M_S2 * (gauge + ambient_kpa) / (gauge * height_m)) / (2.0 * np.pi))


def deflection_frequency(static_deflection_mm: ArrayLike) -> Array:
    r"""Return the frequency that goes with a static deflection, :math:`\sqrt{g / \delta} / 2 \pi`. [Hz]

    Examples
    --------
    >>> float(deflection_frequency(120.0).round(3))
    1.439
    """
    return np.asarray(
        np.sqrt(GRAVITY_M_S2 / (np.asarray(static_deflection_mm, dtype=np.float64) / 1000.0)) / (2 * np.pi)
    )


@dataclass(frozen=True)
class BellowsLoad:
    """How bellows pressure tells an axle's load.

    Parameters
    ----------
    kg_per_kpa : float
        Of the mean of both sides; effective area of both bellows times their lever on the arm, over gravity. [kg/kPa]
    unsprung_kg : float
        What the tyres carry but the bellows do not. [kg]
    """

    kg_per_kpa: float
    unsprung_kg: float

    def load_kg(self, left_kpa: ArrayLike, right_kpa: ArrayLike) -> Array:
        """Return the axle's load on the road. [kg]"""
        mean = 0.5 * (np.asarray(left_kpa, dtype=np.float64) + np.asarray(right_kpa, dtype=np.float64))
        return np.asarray(self.kg_per_kpa * mean + self.unsprung_kg)

    def pressure_kpa(self, load_kg: ArrayLike) -> Array:
        """Return the mean bellows pressure under a load. [kPa]"""
        return np.asarray((np.asarray(load_kg, dtype=np.float64) - self.unsprung_kg) / self.kg_per_kpa)


def bellows_load(
    effective_area_cm2: float, spring_from_pivot_mm: float, axle_from_pivot_mm: float, unsprung_kg: float
) -> BellowsLoad:
    """Return the relation from geometry: a spring behind the axle on a trailing arm carries less than the axle does.

    Examples
    --------
    >>> bellows_load(700.0, 900.0, 600.0, 1100.0).load_kg(400.0, 420.0).round()
    np.float64(9880.0)
    """
    lever = spring_from_pivot_mm / axle_from_pivot_mm
    return BellowsLoad(2.0 * effective_area_cm2 * 0.1 * lever / GRAVITY_M_S2, unsprung_kg)


def calibrate_bellows_load(mean_pressure_kpa: ArrayLike, load_kg: ArrayLike) -> BellowsLoad:
    """Return the relation from weighbridge tickets, by least squares; two different loads or more.

    Examples
    --------
    >>> calibrate_bellows_load([100.0, 400.0], [3500.0, 9500.0])
    BellowsLoad(kg_per_kpa=20.0, unsprung_kg=1500.0)
    """
    pressure, load = np.asarray(mean_pressure_kpa, dtype=np.float64), np.asarray(load_kg, dtype=np.float64)
    centred = pressure - pressure.mean()
    spread = float(centred @ centred)
    if pressure.shape != load.shape or pressure.size < 2 or spread == 0.0:
        raise ModelError("mean_pressure_kpa and load_kg must be pairs of at least two different loads; weigh once more")
    slope = float(centred @ (load - load.mean())) / spread
    return BellowsLoad(slope, float(load.mean() - slope * pressure.mean()))


def leak_down_rate_mm_per_h(leak_l_per_min: ArrayLike, pressure_kpa: ArrayLike, effective_area_cm2: ArrayLike) -> Array:
    r"""Return how fast a parked truck sinks at its springs while air leaks out.

    Parameters
    ----------
    leak_l_per_min : array_like
        Of free air, at ambient pressure, from the springs on one side. [l/min]
    pressure_kpa : array_like
        Of the bellows; load and so pressure stay while it sinks. [kPa]
    effective_area_cm2 : array_like
        Of the springs that the leak empties. [cm2]

    Returns
    -------
    ndarray, broadcast shape
        Not below 0. [mm/h]

    Notes
    -----
    Isothermal: :math:`p\,\dot V = -p_a q`, :math:`\dot h = -p_a q / (p A)`, p absolute.

    Examples
    --------
    >>> float(leak_down_rate_mm_per_h(0.05, 405.3, 700.0).round(2))
    8.57
    """
    absolute = np.asarray(pressure_kpa, dtype=np.float64) + AMBIENT_KPA
    # l/min over cm2: 1 l/h = 1e4 mm/h over a cm2.
    free = 60.0 * np.asarray(leak_l_per_min, dtype=np.float64) * 1e4 / np.asarray(effective_area_cm2, dtype=np.float64)
    return np.asarray(free * AMBIENT_KPA / absolute)


def orifice_leak_l_per_min(diameter_mm: ArrayLike, pressure_kpa: ArrayLike, air_cel: float = 20.0) -> Array:
    r"""Return the free air that a small hole lets out while the flow in it is sonic.

    Notes
    -----
    :math:`\dot m = 0.8\,A\,p \sqrt{\gamma / (R T)}\,(2 / (\gamma + 1))^{(\gamma + 1) / (2 (\gamma - 1))}`, the choked
    nozzle with a discharge coefficient of 0.8 (own choice). It holds above 90.5 kPa gauge; flow then goes with the
    absolute pressure, and so the truck sinks equally fast at any load.

    Examples
    --------
    >>> float(orifice_leak_l_per_min(0.3, 400.0).round(2))
    3.33
    """
    gauge = np.asarray(pressure_kpa, dtype=np.float64)
    critical = AMBIENT_KPA / 0.528282 - AMBIENT_KPA
    if np.any(gauge < critical):
        raise ModelError(f"pressure_kpa must be {critical:.1f} or more: below it the flow is not sonic")
    gamma, kelvin = 1.4, air_cel + 273.15
    area = 0.25 * np.pi * (np.asarray(diameter_mm, dtype=np.float64) / 1000.0) ** 2
    nozzle = np.sqrt(gamma / (AIR_GAS_CONSTANT * kelvin)) * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1)))
    mass = 0.8 * area * (gauge + AMBIENT_KPA) * 1000.0 * nozzle
    density = AMBIENT_KPA * 1000.0 / (AIR_GAS_CONSTANT * kelvin)
    return np.asarray(mass / density * 60_000.0)


def leak_from_pressure_drop_l_per_min(volume_l: ArrayLike, drop_kpa: ArrayLike, elapsed_s: ArrayLike) -> Array:
    """Return the free air that leaves a vessel of fixed volume while its pressure drops. [l/min]

    Examples
    --------
    The most that 49 CFR 393.207(f) allows of a suspension that holds 60 litres:

    >>> float(leak_from_pressure_drop_l_per_min(60.0, REGULATION_LEAK_KPA, REGULATION_LEAK_S).round(2))
    2.45
    """
    volume, drop = np.asarray(volume_l, dtype=np.float64), np.asarray(drop_kpa, dtype=np.float64)
    return np.asarray(volume * drop / AMBIENT_KPA / (np.asarray(elapsed_s, dtype=np.float64) / 60.0))


def cooling_height_change_mm(effective_height_mm: ArrayLike, before_cel: ArrayLike, after_cel: ArrayLike) -> Array:
    r"""Return how a parked truck's springs settle as their air cools, with no leak at all; negative when it sinks.

    Notes
    -----
    Under constant load, :math:`h \propto T`. A night's cooling can pass for a slow leak: take it off first.

    Examples
    --------
    >>> float(cooling_height_change_mm(200.0, 40.0, 10.0).round(1))
    -19.2
    """
    before, after = np.asarray(before_cel, dtype=np.float64) + 273.15, np.asarray(after_cel, dtype=np.float64) + 273.15
    return np.asarray(np.asarray(effective_height_mm, dtype=np.float64) * (after / before - 1.0))
