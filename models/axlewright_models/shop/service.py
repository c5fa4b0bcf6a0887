"""A recorded repair, as far as the monitor must know: when, on which axle, and what was touched.

What was touched is measured anew from then on: a new lube sensor has another bias, a new gear set another mesh line.
What was not touched keeps its baseline, so that a fault elsewhere isn't learnt as normal at each visit to the shop.
"""

from __future__ import annotations

import math

import msgspec

from axlewright_models.errors import ModelError

TOUCHED: frozenset[str] = frozenset(
    {
        "height-valve",
        "air-spring",
        "shock-absorber",
        "lube",
        "pinion-seal",
        "output-seal",
        "carrier-joint",
        "breather",
        "driveshaft",
        "joint",
        "centre-bearing",
        "bearing",
        "gear-set",
        "wheel-or-tyre",
        "brake",
        "lube-sensor",
        "height-sensor",
        "vibration-sensor",
        "carrier-assembly",
    }
)
"""The words for what a repair can touch: a closed set, own choice."""


class ServiceEvent(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One visit's work on one axle, or on the whole truck.

    Parameters
    ----------
    vehicle : str
        Id of the truck in the fleet file.
    axle : int
        Position from the front; 0 means every axle of the truck.
    time_s : float
        When the work was done, Unix time. [s]
    touched : frozenset of str
        Words of :data:`TOUCHED`, one or more.

    Raises
    ------
    ModelError
        A word is not in the set, none is given, the axle is negative or the time is not finite.

    Examples
    --------
    >>> ServiceEvent("hv-101", 2, 1.7e9, frozenset({"lube", "pinion-seal"})).axle
    2
    """

    vehicle: str
    axle: int
    time_s: float
    touched: frozenset[str]

    def __post_init__(self) -> None:
        strange = sorted(self.touched - TOUCHED)
        if strange or not self.touched:
            said = f"unknown: {', '.join(strange)}" if strange else "nothing is named"
            words = ", ".join(sorted(TOUCHED))
            raise ModelError(f"service of {self.vehicle!r}, what was touched: {said}; use one or more of {words}")
        if self.axle < 0 or not math.isfinite(self.time_s):
            raise ModelError(
                f"service of {self.vehicle!r}: axle {self.axle} and time {self.time_s} s; "
                "give the axle's position (0 = all) and a Unix time"
            )
