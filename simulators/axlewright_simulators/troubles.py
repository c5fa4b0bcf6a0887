"""What driveline, wheel and engine faults add to the vibration lines; sizes are our own choice (see vibration.py)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_simulators.parameters import AxleRows

Array = NDArray[np.float64]
RACES = ("outer-race", "inner-race", "rolling-element")
CENTRE_SOFTENING = 0.35  # a loose centre bearing lets the shaft's resonance fall by this share


@dataclass(frozen=True)
class Troubles:
    """Sizes of vibration faults, (t, r) or none.

    ``wheel_1`` to ``wheel_3`` are multiples of the axle's own orders that are added; ``phase_deg`` is the angle
    between the yokes of its shaft; the rest are used lives, 1 = all: joints and splines, output bearing, centre
    bearing, one cylinder's missing work, spall in the pinion bearing, gear set.
    """

    wheel_1: Array | float = 0.0
    wheel_2: Array | float = 0.0
    wheel_3: Array | float = 0.0
    phase_deg: Array | float = 0.0
    play: Array | float = 0.0
    output: Array | float = 0.0
    centre: Array | float = 0.0
    misfire: Array | float = 0.0
    spall: Array | float = 0.0
    wear: Array | float = 0.0

    @property
    def unbalance(self) -> Array | float:
        """Return what looseness lets a shaft run out of its centre, as multiples of its own unbalance."""
        return 4.0 * self.play**2 + 2.0 * self.output + 2.5 * self.centre

    @property
    def softened(self) -> Array | float:
        """Return the factor of the shaft's resonance, at the centre bearing."""
        return 1.0 - CENTRE_SOFTENING * np.minimum(self.centre, 1.0)


NONE = Troubles()


def with_troubles(lines: dict[str, Array], axles: AxleRows, troubles: Troubles, ring: Array) -> dict[str, Array]:
    """Return the amplitudes (t, r) of all lines with the faults' shares; `ring` is a sound bearing's own level."""
    if troubles is NONE:
        return lines
    out = dict(lines)
    for order, more in enumerate((troubles.wheel_1, troubles.wheel_2, troubles.wheel_3), start=1):
        out[f"vib/order/wheel-{order}"] = lines[f"vib/order/wheel-{order}"] * (1.0 + more)
    twice, four_times = joint_growth(troubles)
    out["vib/order/driveshaft-2"] = lines["vib/order/driveshaft-2"] * (twice + 0.8 * troubles.centre)
    out["vib/order/driveshaft-4"] = lines["vib/order/driveshaft-4"] * four_times
    out["vib/order/engine-0.5"] = lines["vib/order/engine-0.5"] * (1.0 + 12.0 * troubles.misfire)
    out["vib/order/engine-1"] = lines["vib/order/engine-1"] * (1.0 + 3.0 * troubles.misfire)
    for number, factor in enumerate(mesh_growth(troubles), start=1):
        out[f"vib/order/mesh-{number}"] = lines[f"vib/order/mesh-{number}"] * factor
    out["vib/envelope/cage"] = lines["vib/envelope/cage"] + ring * (3.0 * troubles.spall + 0.8 * troubles.output)
    for number, race in enumerate(RACES):
        own = np.where(axles.spall_race == number, 1.0, 0.12)
        name = f"vib/envelope/{race}"
        out[name] = lines[name] + ring * (own * spall_growth(troubles) + 0.4 * troubles.wear)
    return out


def joint_growth(troubles: Troubles) -> tuple[Array | float, Array | float]:
    """Return the factors of the shaft's second and fourth line by play in its joints.

    Clearance knocks at every reversal, twice a turn, and its blows are rich in overtones.
    """
    return 1.0 + 1.5 * troubles.play, 1.0 + 3.0 * troubles.play


def mesh_growth(troubles: Troubles) -> tuple[Array | float, Array | float]:
    """Return the factors of both mesh lines by wear of the gear set and by play of the output bearing."""
    return 1.0 + 0.3 * troubles.output + 3.0 * troubles.wear, (1.0 + 3.0 * troubles.wear) ** 2


def spall_growth(troubles: Troubles) -> Array | float:
    """Return what a spall adds to the envelope line of its own race, as a multiple of a sound bearing's."""
    return 25.0 * troubles.spall**0.7


def blows(troubles: Troubles) -> Array | float:
    """Return what impacts add to the kurtosis: it rises with a spall and falls again when blows fill the whole turn."""
    return (
        14.0 * troubles.spall * np.exp(-1.2 * np.asarray(troubles.spall))
        + 1.2 * troubles.play
        + troubles.centre
        + 0.8 * troubles.wear
    )


def din_m_s2(troubles: Troubles) -> Array | float:
    """Return the broad-band vibration of impacts, rms. [m/s2]"""
    return 1.4 * np.asarray(troubles.spall) ** 2 + 0.35 * np.asarray(troubles.play) + 0.25 * np.asarray(troubles.output)
