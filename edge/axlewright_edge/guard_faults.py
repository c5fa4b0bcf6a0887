"""The guard's words as trouble codes of the vehicle bus."""

from __future__ import annotations

from collections.abc import Mapping

from axlewright_edge.sources.j1939.dm1 import Lamp, Lamps, TroubleCode
from axlewright_models.spec import VehicleSpec

# Suspect parameter numbers: 77 and 78 exist as faults alone (temperature of the forward and of the rear drive axle),
# 578 is the temperature of a drive axle, 1724 the level of the rear, left.
TEMPERATURE = {"forward-drive": 77, "rear-drive": 78, "single-drive": 578}
LEVEL = 1724
# Failure modes: 0 high, most severe; 10 abnormal rate of change; 1 low, most severe.
_MODES = {"lube-limit": 0, "lube-rise": 10, "height-loss": 1}
_STOP_WORDS = frozenset({"lube-limit", "lube-rise"})


def temperature_spn(vehicle: VehicleSpec, axle: int) -> int:
    """Return the number under which the temperature of an axle is at fault."""
    roles = {entry.position: entry.role for entry in vehicle.axles}
    return TEMPERATURE.get(roles.get(axle, ""), TEMPERATURE["single-drive"])


def trouble_of(words: Mapping[int, str], vehicle: VehicleSpec) -> tuple[Lamps, list[TroubleCode]]:
    """Return lamps and trouble codes for what the guard says.

    A lube word lights the red stop lamp, a loss of height the amber one; which side fell is not told.

    Examples
    --------
    >>> lamps, codes = trouble_of({2: "quiet", 3: "lube-limit"}, VehicleSpec(id="t-1", type="tractor"))
    >>> lamps.red_stop, [(code.spn, code.mode) for code in codes]
    (<Lamp.STEADY: (1, 3)>, [(78, 0)])
    """
    codes = {
        TroubleCode(LEVEL if word == "height-loss" else temperature_spn(vehicle, axle), _MODES[word])
        for axle, word in words.items()
        if word in _MODES
    }
    said = set(words.values())
    return (
        Lamps(
            red_stop=Lamp.STEADY if said & _STOP_WORDS else Lamp.OFF,
            amber=Lamp.STEADY if "height-loss" in said else Lamp.OFF,
        ),
        sorted(codes),
    )
