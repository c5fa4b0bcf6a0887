"""Air suspension of the drive axles: air quantity, height valve, reservoir, leaks, load.

The frame is stiff and one height valve serves the tandem, so a truck's rear has two freedoms: bounce and roll.
Each side's bellows hold a quantity of air; load sets their pressure, and both set the height.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_simulators.parameters import TruckRows

Array = NDArray[np.float64]

ATMOSPHERE_KPA = 101.3
COLUMN_MM = 200.0  # bellows volume over area at specified height, lines included
SIDE_AREA_M2 = 0.20  # effective area of one side's bellows, two axles
LOWEST_MM, HIGHEST_MM = -78.0, 95.0  # bump stop and rebound strap, against specified height
VALVE_TIME_S = 7.0
DITHER_SHARE = 0.65  # the road moves the valve to and fro, which takes up this much of its dead band
FILL_MM_S, EXHAUST_MM_S = 2.2, 3.0
RESERVOIR_TOP_KPA = 880.0
PROTECTION_KPA = 620.0  # below this the suspension gets no air; 49 CFR 393.207(f) asks for at least 55 psi (379 kPa)
COMPRESSOR_TIME_S = 80.0
RESERVOIR_FADE_KPA_H = 6.0
RESERVOIR_SHARE = 1.4  # reservoir volume over the volume of all drive bellows
CROSS_FLOW_TIME_S = 300.0  # the anti-roll effect unloads the lower side's bellows, so air crosses over to it
ROLL_SHARE = 0.4  # axle tubes and arms act as an anti-roll bar: this share of a side difference is left
AIR_WARMTH_TIME_S = 1500.0
WORKING_AIR_K = 298.0
REAR_SHARE = 0.49  # of gross mass on the drive axles of a laden unit
HEIGHT_TO_WHEELBASE = 0.18  # centre of gravity over wheelbase, tractor under trailer
GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True)
class SuspensionState:
    """State of n trucks: air (n, 2) as pressure times column, reservoir (n,), air temperature (n,)."""

    air_kpa_mm: Array
    reservoir_kpa: Array
    air_k: Array


@dataclass(frozen=True)
class SuspensionInput:
    """What acts on n trucks for one step: load per side (n, 2), valve's set height and the rest (n,)."""

    load_n: Array
    set_mm: Array
    leak_per_h: Array
    ignition: Array
    ambient_cel: Array
    moving: Array


def side_loads_n(mass_kg: ArrayLike, force_n: ArrayLike, lean: ArrayLike) -> Array:
    """Return the load on each side's bellows, (..., 2), from gross mass, pull at the wheels and lean share.

    A pulling truck moves load onto its drive axles; `lean` is the share of the load that moves to the right.
    """
    axle_load = REAR_SHARE * np.asarray(mass_kg) * GRAVITY_M_S2 + HEIGHT_TO_WHEELBASE * np.asarray(force_n)
    share = np.stack([0.5 - np.asarray(lean), 0.5 + np.asarray(lean)], axis=-1)
    loads: Array = np.maximum(axle_load, 5e3)[..., None] * share
    return loads


def pressure_kpa(load_n: ArrayLike) -> Array:
    """Return the bellows' gauge pressure under a load on one side. [kPa]"""
    return np.asarray(np.asarray(load_n, dtype=np.float64) / SIDE_AREA_M2 / 1000.0)


def settle(load_n: Array, set_mm: Array, ambient_cel: Array) -> SuspensionState:
    """Return the state of trucks (n,) that stand level at their set height with a full reservoir."""
    pressure = pressure_kpa(load_n) + ATMOSPHERE_KPA
    return SuspensionState(
        pressure * (COLUMN_MM + set_mm[:, None]) * WORKING_AIR_K / (ambient_cel[:, None] + 273.15),
        np.full(set_mm.size, RESERVOIR_TOP_KPA),
        ambient_cel + 273.15,
    )


def heights_mm(state: SuspensionState, load_n: Array) -> Array:
    """Return each side's height against specification, (n, 2). [mm]"""
    absolute = pressure_kpa(load_n) + ATMOSPHERE_KPA
    free = state.air_kpa_mm * (state.air_k / WORKING_AIR_K)[:, None] / absolute - COLUMN_MM
    middle = 0.5 * (free[:, :1] + free[:, 1:])
    return np.asarray(np.minimum(np.maximum(middle + ROLL_SHARE * (free - middle), LOWEST_MM), HIGHEST_MM))


def natural_frequency_hz(load_n: ArrayLike, height_mm: ArrayLike = 0.0, exponent: float = 1.38) -> Array:
    """Return the body's bounce frequency on its air springs. [Hz]

    Notes
    -----
    f = 1/(2 pi) sqrt(n g p_abs / (p_gauge h)), constant effective area.
    """
    gauge = pressure_kpa(load_n)
    column_m = (COLUMN_MM + np.asarray(height_mm)) / 1000.0
    return np.asarray(np.sqrt(exponent * GRAVITY_M_S2 * (gauge + ATMOSPHERE_KPA) / (gauge * column_m)) / (2.0 * np.pi))


def step(state: SuspensionState, trucks: TruckRows, acts: SuspensionInput, step_s: Array) -> SuspensionState:
    """Return the state after one step (n,); stable for any length, since the valve's approach is exponential."""
    warmth = 1.0 - np.exp(-step_s / AIR_WARMTH_TIME_S)
    air_k = state.air_k + (acts.ambient_cel + 273.15 - state.air_k) * warmth
    leaked = state.air_kpa_mm * np.exp(-acts.leak_per_h * (step_s / 3600.0)[:, None])
    leaked = _crossed(leaked, pressure_kpa(acts.load_n) + ATMOSPHERE_KPA, step_s)
    now = replace(state, air_kpa_mm=leaked, air_k=air_k)
    sides = heights_mm(now, acts.load_n)
    error = 0.5 * (sides[:, 0] + sides[:, 1]) - acts.set_mm
    dead_band = trucks.dead_band_mm * (1.0 - DITHER_SHARE * acts.moving)
    excess = np.sign(error) * np.maximum(np.abs(error) - dead_band, 0.0)
    wish = -excess * (1.0 - np.exp(-step_s / VALVE_TIME_S))
    move = np.clip(wish, -EXHAUST_MM_S * step_s, FILL_MM_S * step_s)
    pressure = pressure_kpa(0.5 * (acts.load_n[:, 0] + acts.load_n[:, 1]))
    can_fill = (state.reservoir_kpa > PROTECTION_KPA) & (state.reservoir_kpa > pressure + 20.0)
    move = np.where((move > 0.0) & ~can_fill, 0.0, move)
    air = np.maximum(leaked * (1.0 + move / COLUMN_MM)[:, None], 0.35 * ATMOSPHERE_KPA * COLUMN_MM)
    used = np.maximum(move, 0.0) / COLUMN_MM * (pressure + ATMOSPHERE_KPA) / RESERVOIR_SHARE
    return SuspensionState(air, _reservoir(state.reservoir_kpa - used, acts.ignition, step_s), air_k)


def _crossed(air_kpa_mm: Array, absolute_kpa: Array, step_s: Array) -> Array:
    """Return the air (n, 2) after it has flowed between the sides through the levelling line; none is lost."""
    columns = air_kpa_mm / absolute_kpa
    share = 0.5 * (1.0 - np.exp(-step_s / CROSS_FLOW_TIME_S))
    moved = share * (columns[:, 1] - columns[:, 0]) * absolute_kpa.min(axis=1)
    return np.asarray(air_kpa_mm + np.stack([moved, -moved], axis=1))


def _reservoir(reservoir_kpa: Array, ignition: Array, step_s: Array) -> Array:
    """Return the reservoir's pressure: the compressor fills it while the engine runs, else it fades slowly."""
    fading = np.maximum(reservoir_kpa - RESERVOIR_FADE_KPA_H * step_s / 3600.0, 0.0)
    filled = reservoir_kpa + (RESERVOIR_TOP_KPA - reservoir_kpa) * (1.0 - np.exp(-step_s / COMPRESSOR_TIME_S))
    return ignition * filled + (1.0 - ignition) * fading
