"""Slow damage: seal lips that age with heat, lube that goes, gears that suffer when it is gone."""

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
LEAST_FILL = 0.06
DAMAGE_PER_H = 0.02  # a mesh that runs fully dry is ruined within some fifty hours


@dataclass(frozen=True)
class WearState:
    """State (r,): fill as share of a full sump, seal life used (1 = worn out), gear damage (1 = ruined)."""

    fill: Array
    seal: Array
    damage: Array


def fresh(count: int, seed: tuple[int, ...]) -> WearState:
    """Return the state of axles in ordinary service: sumps nearly full, seals somewhere in their life."""
    random = np.random.default_rng(list(seed))
    return WearState(random.uniform(0.94, 1.02, count), random.uniform(0.05, 0.5, count), np.zeros(count))


def step(
    state: WearState, oil_cel: Array, shaft_1_min: Array, moving: Array, loss_per_h: Array, step_s: Array
) -> WearState:
    """Return the state after one step.

    Parameters
    ----------
    oil_cel, shaft_1_min, moving : ndarray, shape (r,)
        Sump temperature [Cel], shaft speed [1/min] and the share of the step spent moving.
    loss_per_h : ndarray, shape (r,)
        A fault's leak: share of a full sump per hour of driving, with a warm and full sump.
    step_s : ndarray, shape (r,)
        [s]
    """
    hours = step_s / 3600.0
    lip = oil_cel + LIP_RISE_K_PER_1_MIN * shaft_1_min
    ageing = 2.0 ** ((lip - SEAL_REFERENCE_CEL) / 10.0) / SEAL_LIFE_H
    seal = state.seal + moving * hours * ageing
    # Thin oil leaks faster, and a low level reaches the lip less often.
    thin = np.clip(0.3 + oil_cel / 100.0, 0.2, 1.6)
    leak = (loss_per_h + WORN_LEAK_PER_H * np.maximum(seal - 1.0, 0.0)) * thin * np.clip(state.fill + 0.2, 0.3, 1.0)
    fill = np.maximum(state.fill - leak * moving * hours, np.minimum(state.fill, LEAST_FILL))
    damage = np.minimum(state.damage + DAMAGE_PER_H * starvation(fill) ** 2 * moving * hours, 1.0)
    return WearState(fill, seal, damage)
