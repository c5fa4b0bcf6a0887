"""Where things stand in the drawing of a truck from above."""

from __future__ import annotations

from dataclasses import dataclass

from axlewright_server.api.records import AxleState

_STEER_Y = 62
_WHEELBASE = 150
_TANDEM = 104
_ROOM_BELOW = 78


@dataclass(frozen=True)
class Plan:
    """Positions along the truck, front at the top, in units of the drawing."""

    height: int
    top: int
    bottom: int
    gearbox_y: int
    axles: list[tuple[AxleState, int]]
    shafts: list[tuple[int, int]]
    specified: str


def plan_of(axles: list[AxleState]) -> Plan:
    """Return the drawing of these axles, front to rear; driveshafts join the gearbox and the driven ones."""
    positions: list[int] = []
    for index, axle in enumerate(axles):
        near = index > 0 and axles[index - 1].role != "steer"
        positions.append(
            _STEER_Y if index == 0 else positions[-1] + (_TANDEM if near or axle.role == "steer" else _WHEELBASE)
        )
    gearbox = _STEER_Y + 14
    shafts: list[tuple[int, int]] = []
    start = gearbox + 46
    for axle, y in zip(axles, positions, strict=True):
        if axle.driven:
            shafts.append((start + 5, y - 24))
            start = y + 19
    last = positions[-1] if positions else _STEER_Y
    heights = sorted({axle.ride_height_specified_mm for axle in axles if axle.driven})
    specified = " and ".join(f"{height:.0f} mm" for height in heights)
    return Plan(last + _ROOM_BELOW, 26, last + 44, gearbox, list(zip(axles, positions, strict=True)), shafts, specified)
