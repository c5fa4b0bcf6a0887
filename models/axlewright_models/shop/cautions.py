"""What can hurt a person at a drive axle, said once, and shown wherever a check is.

The texts remind; they do not train. The vehicle maker's data, local codes and licensed practice come first.
"""

from __future__ import annotations

from axlewright_models.limits import COMMON_PRACTICE

_HSE = (
    "UK Health and Safety Executive guidance on vehicles with air suspension (INDG434 and alerts); "
    "New South Wales and Queensland safety alerts"
)

_FACTS: tuple[tuple[str, str, str], ...] = (
    (
        "air-suspended-frame",
        "An air-suspended frame can drop without warning: on a leak, when the ignition changes, when a height "
        "valve or sensor is touched, when a door or the key switches the suspension. Prop the frame, or exhaust "
        "all air, before anyone reaches under it. Do not move a height valve's lever with anyone near.",
        _HSE,
    ),
    (
        "stands-and-chocks",
        "Level, firm ground; wheels chocked; never work under a vehicle held by jacks alone. Use rated stands, and "
        "mind that a disconnected axle can roll off them.",
        _HSE,
    ),
    (
        "spring-brake-energy",
        "Spring-brake chambers hold stored energy that can kill. Cage the spring by the maker's procedure before "
        "work on a chamber; never cut or open one. Releasing the brakes lets the vehicle roll: chock it first.",
        COMMON_PRACTICE,
    ),
    (
        "air-under-pressure",
        "Exhaust the air tanks and springs before a line or fitting is opened. Wear eye protection.",
        COMMON_PRACTICE,
    ),
    (
        "hot-lube",
        "Axle lube at running temperature burns. Let it cool, or wear face shield, gloves and sleeves. A housing "
        "with a blocked breather is under pressure: loosen the plug slowly, standing aside.",
        COMMON_PRACTICE,
    ),
    (
        "hot-brake",
        "A dragging brake can be hot enough to burn skin or set a tyre alight after the vehicle has stopped. Keep "
        "to the tread side, measure from a distance, have an extinguisher at hand.",
        COMMON_PRACTICE,
    ),
    (
        "rotating-shaft",
        "A driveshaft that turns catches clothing, hair and hands. Engine off, key in your pocket, gear in "
        "neutral, before you touch it. Nobody under a vehicle whose wheels or shafts turn.",
        COMMON_PRACTICE,
    ),
    (
        "heavy-assembly",
        "A differential carrier weighs more than a person can hold. Use a rated jack or hoist with an adapter.",
        COMMON_PRACTICE,
    ),
    (
        "high-torque",
        "A torque multiplier's reaction arm crushes what it meets. Set it against the frame or a bar made for it, "
        "hands clear.",
        COMMON_PRACTICE,
    ),
    (
        "no-remote-proof",
        "A reading on a screen never proves that it is safe underneath a vehicle.",
        COMMON_PRACTICE,
    ),
    (
        "maker-data-first",
        "The vehicle and axle maker's published data, local codes and licensed practice come before any number "
        "shown here.",
        COMMON_PRACTICE,
    ),
)

CAUTIONS: dict[str, str] = {key: text for key, text, _ in _FACTS}
CAUTION_SOURCES: dict[str, str] = {key: source for key, _, source in _FACTS}
