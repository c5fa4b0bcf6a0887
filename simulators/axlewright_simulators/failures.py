"""When an axle stops doing its work: functional failure, by the physics alone.

The thresholds are our own choice except where a source is named. The truck drives on in the simulation; what it
sends after its failure is no longer of interest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LUBE_BURNS_CEL = 150.0  # additives of GL-5 lube begin to break down near 121 Cel (trade press)
BEARING_BURNS_CEL = 200.0
BRAKE_FIRE_CEL = 500.0  # of the drum's mean; grease and tyres near it catch fire
ON_STOPS_MM = -66.0  # within the last sixth of the travel down to the bump stop
ON_STOPS_S = 900.0  # of driving without a break within one block

HOW: tuple[str, ...] = (
    "gear set ruined",
    "lube burnt",
    "pinion bearing broken up",
    "pinion bearing burnt",
    "driveline joint broken",
    "brake on fire",
    "suspension on its stops",
)
"""The ways to fail, in the order in which they are told when several come at once."""


@dataclass(frozen=True)
class Strain:
    """What decides over failure, (t, r): used lives (1 = all), temperatures [Cel], height [mm], share moving."""

    gears: Array
    oil_cel: Array
    spall: Array
    bearing_cel: Array
    joints: Array
    drum_cel: Array
    height_mm: Array
    moving: Array


def first_failures(
    strain: Strain, ends_s: Array, length_s: Array, failed_s: Array, failed_how: Array
) -> tuple[Array, Array]:
    """Return when (Unix time, NaN: not yet) and how each row failed; what failed before stays as it was.

    Parameters
    ----------
    strain : Strain, (t, r)
    ends_s, length_s : ndarray, shape (t,)
        Ends and lengths of the windows. [s]
    failed_s, failed_how : ndarray, shape (r,)
        As they stood before. [s]
    """
    over = np.stack(
        [
            strain.gears >= 1.0,
            strain.oil_cel >= LUBE_BURNS_CEL,
            strain.spall >= 1.0,
            strain.bearing_cel >= BEARING_BURNS_CEL,
            strain.joints >= 1.0,
            strain.drum_cel >= BRAKE_FIRE_CEL,
            _standing_for((strain.height_mm <= ON_STOPS_MM) & (strain.moving > 0.9), length_s) >= ON_STOPS_S,
        ]
    )
    when, how = failed_s.copy(), failed_how.copy()
    for row in np.flatnonzero(over.any(axis=(0, 1)) & np.isnan(failed_s)):
        step = int(np.argmax(over[:, :, row].any(axis=0)))
        when[row], how[row] = ends_s[step], float(np.argmax(over[:, step, row]))
    return when, how


def _standing_for(holds: NDArray[np.bool_], length_s: Array) -> Array:
    """Return for how long a condition has held without a break, (t, r). [s]"""
    passed = np.cumsum(np.broadcast_to(length_s[:, None], holds.shape), axis=0)
    broken = np.maximum.accumulate(np.where(holds, 0.0, passed), axis=0)
    return np.asarray(passed - broken)
