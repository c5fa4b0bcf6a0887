"""The rear of a truck on a road, step by step in time: body, two axles on tyres, air springs, dampers, friction, valve.

Years of a fleet cannot be driven at this step; :mod:`~axlewright_simulators.suspension` and the height's spread in
:mod:`~axlewright_simulators.sensors` are its summaries for a window, and the tests hold them against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

REFERENCE_C_M = 0.1  # reference spatial frequency of ISO 8608 [cycles/m]
LOWEST_C_M, HIGHEST_C_M = 0.011, 2.83  # range of spatial frequency in ISO 8608
# Geometric means of the classes [m3]; from memory, the upper limits of A to E (32 to 8192 e-6) are seen published.
CLASS_MEANS_M3: dict[str, float] = {"A": 16e-6, "B": 64e-6, "C": 256e-6, "D": 1024e-6, "E": 4096e-6}
MEAN_ROUGHNESS_M3 = 43e-6  # of a main road between classes A and B: what a roughness of 1 means here; own choice
GRAVITY_M_S2 = 9.80665


def road_profile(
    roughness_m3: float, length_m: float, step_m: float, random: np.random.Generator, waviness: float = 2.0
) -> Array:
    """Return a random road's height along its length, by the spectrum of ISO 8608. [m]

    Parameters
    ----------
    roughness_m3 : float
        Displacement density at 0.1 cycles/m, one-sided. [m3]
    length_m, step_m : float
        Length and distance between points. [m]
    random : Generator
        Draws the phases.
    waviness : float
        Exponent w of the spectrum G(n) = G(n0) (n / n0)^-w.

    Returns
    -------
    ndarray, shape (length / step,)

    Examples
    --------
    >>> road = road_profile(16e-6, 2000.0, 0.1, np.random.default_rng(1))
    >>> 0.003 < road.std() < 0.005  # class A's mean, 0.011 to 2.83 cycles/m: 3.81 mm
    np.True_
    """
    count = round(length_m / step_m)
    spatial = np.fft.rfftfreq(count, step_m)
    inside = (spatial >= LOWEST_C_M) & (spatial <= HIGHEST_C_M)
    density = np.zeros(spatial.size)
    density[inside] = roughness_m3 * (spatial[inside] / REFERENCE_C_M) ** -waviness
    amplitude = np.sqrt(2.0 * density / (count * step_m))
    phase = np.exp(2j * np.pi * random.random(spatial.size))
    return np.asarray(np.fft.irfft(0.5 * amplitude * phase * count, count))


@dataclass(frozen=True)
class HalfTruck:
    """The drive axles' corner of a truck; every number is a scalar or one array over trucks (n,).

    ``stiffness_n_m`` and ``damping_n_s_m`` are of one axle's suspension, ``friction_n`` its dry friction; tyres and
    unsprung mass of one axle, of the size that the literature on bridge loading uses.
    """

    mass_kg: Array
    stiffness_n_m: Array
    damping_n_s_m: Array
    friction_n: float = 1500.0
    unsprung_kg: float = 1000.0
    tyre_n_m: float = 2.0e6
    spacing_m: float = 1.35

    @classmethod
    def of(
        cls, load_n: ArrayLike, bounce_hz: ArrayLike, damping_ratio: float = 0.22, friction_n: float = 1500.0
    ) -> HalfTruck:
        """Return the truck that carries a load on its two drive axles and bounces at a frequency.

        A damping ratio of 0.2 is the least that Directive 96/53/EC asks of road-friendly suspensions.
        """
        mass = np.atleast_1d(np.asarray(load_n, dtype=np.float64)) / GRAVITY_M_S2
        rate = mass * (2.0 * np.pi * np.asarray(bounce_hz, dtype=np.float64)) ** 2
        damping = 2.0 * damping_ratio * np.sqrt(rate * mass)
        return cls(mass, 0.5 * rate, 0.5 * damping, friction_n)


@dataclass(frozen=True)
class Valve:
    """The height valve: it lets air in or out beyond its dead band, with a lag."""

    dead_band_mm: float = 2.0
    lag_s: float = 2.0
    approach_s: float = 7.0
    fill_mm_s: float = 2.2
    exhaust_mm_s: float = 3.0


SHUT = Valve(dead_band_mm=1e9)


def heights_over_time(
    truck: HalfTruck, road_m: Array, step_s: float, speed_m_s: float, start_mm: float = 0.0, valve: Valve = SHUT
) -> Array:
    """Return each axle's height against its set height over time, (t, 2, n). [mm]

    Parameters
    ----------
    truck : HalfTruck
        n trucks.
    road_m : ndarray, shape (t,) or (t, n)
        Road under the first axle at each step; the second meets it later. [m]
    step_s : float
        Step, at most 2 ms: wheel hop must be followed. [s]
    speed_m_s : float
        Road speed. [m/s]
    start_mm : float
        Height at which the air springs carry the load at the start. [mm]
    valve : Valve
        Shut when left out.
    """
    count = truck.mass_kg.size
    road = np.broadcast_to(road_m.reshape(road_m.shape[0], -1), (road_m.shape[0], count))
    lag = round(truck.spacing_m / max(speed_m_s, 0.1) / step_s)
    behind = np.concatenate([np.repeat(road[:1], min(lag, len(road)), axis=0), road])[: len(road)]
    body, body_v = np.full(count, start_mm / 1000.0), np.zeros(count)
    axle, axle_v = np.stack([road[0], behind[0]]), np.zeros((2, count))
    balance, felt = np.full(count, start_mm / 1000.0), np.full(count, start_mm / 1000.0)
    heights = np.empty((len(road), 2, count))
    band, approach = valve.dead_band_mm / 1000.0, step_s / valve.approach_s
    for now in range(len(road)):
        under = np.stack([road[now], behind[now]])
        travel, rate = body - axle, body_v - axle_v
        force = (
            truck.stiffness_n_m * (travel - balance)
            + truck.damping_n_s_m * rate
            + truck.friction_n * np.tanh(rate / 0.01)
        )
        body_v = body_v - step_s * force.sum(axis=0) / truck.mass_kg
        axle_v = axle_v + step_s * (force + truck.tyre_n_m * (under - axle)) / truck.unsprung_kg
        body, axle = body + step_s * body_v, axle + step_s * axle_v
        heights[now] = 1000.0 * (body - axle)
        felt = felt + (np.mean(body - axle, axis=0) - felt) * step_s / valve.lag_s
        wish = -np.sign(felt) * np.maximum(np.abs(felt) - band, 0.0) * approach
        balance = balance + np.clip(wish, -valve.exhaust_mm_s * step_s / 1000.0, valve.fill_mm_s * step_s / 1000.0)
    return heights
