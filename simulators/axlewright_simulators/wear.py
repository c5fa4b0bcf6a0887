"""Slow damage, each kind feeding the next: a low truck's joints wear, a shaft in worn joints works the seals, lube
goes, gears and bearings run dry, and what is left burns.

No published wear rates were found for any of it: rates are our own choice, of the size that gives ordinary lives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_simulators.thermal import starvation

Array = NDArray[np.float64]

SEAL_LIFE_H = 25_000.0  # running hours to the end of a lip's life at the reference temperature; own choice
SEAL_REFERENCE_CEL = 100.0  # ageing doubles per 10 K above it, as for oil oxidation
LIP_RISE_K_PER_1_MIN = 0.008  # the lip runs hotter than the sump, rising with shaft speed
WORN_LEAK_PER_H = 0.004  # share of the sump per running hour, per unit of wear past the end of life
HOTTEST_LIP_CEL = 200.0  # beyond it the lip is burnt, not aged
LEAST_FILL = 0.06
DAMAGE_PER_H = 0.02  # a mesh that runs fully dry is ruined within some fifty hours
PRESSED_FROM_KPA = 7.0  # a lip lets lube by above this
PRESSED_LEAK_PER_H_KPA = 3.0e-4
LIP_PRESSURE_KPA = 20.0  # pressure that doubles a lip's ageing
RATED_N_M = 1500.0  # torque at the transmission output that counts as rated
JOINT_LIMIT_RAD_S2 = 400.0  # the torsional limit that published joint-angle tables imply
INERTIAL_LIMIT_RAD_S2 = 500.0  # speed squared times a joint's own angle squared, coasting: trade figure, from memory
JOINT_LIFE_H = 1200.0  # of joints that run at either limit
JOINT_EXPONENT = 3.0  # life falls with the third power of the load, as rolling bearings' does (10/3)
SHAKE_M_S2 = 0.5  # shaft vibration that doubles a lip's ageing
FIRST_FLAKE = 0.03  # size of a spall when it begins
DRY_SPALL_PER_H, HOT_BEARING_CEL = 0.02, 150.0


@dataclass(frozen=True)
class WearState:
    """State (r,): fill as share of a full sump; used life of seal, gears, pinion bearing and joints (1 = all)."""

    fill: Array
    seal: Array
    damage: Array
    spall: Array
    joint: Array


@dataclass(frozen=True)
class Stress:
    """What works on r axles for one step; every array is (r,).

    Sump and bearing temperature [Cel], shaft speed [1/min], share of the step spent moving, torque over rated, sump
    pressure [kPa], shaft vibration [m/s2], the faults' leaks [share of a full sump per hour of driving] and the growth
    of a spall [1/h].
    """

    oil_cel: Array
    bearing_cel: Array
    shaft_1_min: Array
    moving: Array
    load: Array
    sump_kpa: Array
    shake_m_s2: Array
    loss_per_h: Array
    torque_loss_per_h: Array
    spall_per_h: Array
    pace: Array


def fresh(count: int, seed: tuple[int, ...]) -> WearState:
    """Return the state of axles in ordinary service: sumps nearly full, seals somewhere in their life."""
    random = np.random.default_rng(list(seed))
    return WearState(random.uniform(0.94, 1.02, count), random.uniform(0.05, 0.5, count), *np.zeros((3, count)))


def joint_wear(torsion_rad_s2: Array, inertial_rad_s2: Array, moving: Array, pace: Array, step_s: Array) -> Array:
    """Return the life that joints use up in each step, (t, r), from what they excite together and alone (t, r)."""
    over = np.hypot(torsion_rad_s2 / JOINT_LIMIT_RAD_S2, inertial_rad_s2 / INERTIAL_LIMIT_RAD_S2)
    return np.asarray(over**JOINT_EXPONENT * pace * moving * step_s[:, None] / 3600.0 / JOINT_LIFE_H)


def step(state: WearState, acts: Stress, step_s: Array) -> WearState:
    """Return the state after one step of `step_s` (r,) seconds; joints are kept as they are."""
    hours = acts.moving * step_s / 3600.0
    lip = np.minimum(acts.oil_cel + LIP_RISE_K_PER_1_MIN * acts.shaft_1_min, HOTTEST_LIP_CEL)
    pressed = np.maximum(acts.sump_kpa, 0.0)
    harder = acts.pace * (1.0 + (acts.shake_m_s2 / SHAKE_M_S2) ** 2 + pressed / LIP_PRESSURE_KPA)
    seal = state.seal + hours * harder * 2.0 ** ((lip - SEAL_REFERENCE_CEL) / 10.0) / SEAL_LIFE_H
    # Thin oil leaks faster, and a low level reaches the lip less often.
    thin = np.minimum(np.maximum(0.3 + acts.oil_cel / 100.0, 0.2), 1.6)
    thin *= np.minimum(np.maximum(state.fill + 0.2, 0.3), 1.0)
    leak = acts.loss_per_h + acts.torque_loss_per_h * acts.load + WORN_LEAK_PER_H * np.maximum(seal - 1.0, 0.0)
    leak = leak + PRESSED_LEAK_PER_H_KPA * np.maximum(pressed - PRESSED_FROM_KPA, 0.0)
    fill = np.maximum(state.fill - leak * thin * hours, np.minimum(state.fill, LEAST_FILL))
    dry = starvation(fill)
    damage = np.minimum(state.damage + DAMAGE_PER_H * dry**2 * hours, 1.0)
    return WearState(fill, seal, damage, _spalled(state.spall, acts, dry, hours), state.joint)


def _spalled(spall: Array, acts: Stress, dry: Array, hours: Array) -> Array:
    """Return the spalls' sizes: one begins by a fault, or in a bearing that runs dry and hot; then it grows on."""
    begins = (acts.spall_per_h > 0.0) | ((dry > 0.3) & (acts.bearing_cel > HOT_BEARING_CEL))
    if not (begins.any() or spall.any()):
        return spall
    size = np.where(begins, np.maximum(spall, FIRST_FLAKE), spall)
    growth = acts.spall_per_h * (0.5 + 0.5 * acts.load) + DRY_SPALL_PER_H * dry
    return np.asarray(np.minimum(size * np.exp(growth * acts.pace * hours), 1.0))
