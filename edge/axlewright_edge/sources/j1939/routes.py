"""Which signal of the bus becomes which channel: those that need no more than a scale."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Route:
    """One signal, by parameter group and SPN, and the vehicle channel that it gives.

    ``rank`` orders signals that give the same channel, best first; value = signal * ``scale``.
    """

    group: int
    spn: int
    channel: str
    rank: int = 0
    scale: float = 1.0


AXLE_INFORMATION = 65273
VEHICLE_WEIGHT = 65258
ENGINE = 61444
ENGINE_FRICTION = 65247
ENGINE_CONFIGURATION = 65251
SHAFTS = 61442
GEARS = 61445
LEVEL_STATE = 65114
LEVELS = 65113
BELLOWS = 65112

ROUTES: tuple[Route, ...] = (
    Route(65265, 84, "speed"),
    Route(65215, 904, "speed", rank=1),
    Route(ENGINE, 190, "engine-speed"),
    Route(SHAFTS, 191, "shaft-speed"),
    Route(65269, 171, "ambient"),
    Route(61441, 521, "brake", scale=0.01),
    # A switch knows pressed or not; 1 stands for pressed, however far.
    Route(65265, 597, "brake", rank=1),
    Route(65265, 70, "parked"),
    Route(65274, 619, "parked", rank=1),
    Route(65217, 917, "odometer", scale=0.001),
    Route(65248, 245, "odometer", rank=1),
)

WANTED: frozenset[int] = frozenset(route.group for route in ROUTES) | {
    AXLE_INFORMATION,
    VEHICLE_WEIGHT,
    ENGINE,
    ENGINE_FRICTION,
    ENGINE_CONFIGURATION,
    SHAFTS,
    GEARS,
    LEVEL_STATE,
    LEVELS,
    BELLOWS,
}
