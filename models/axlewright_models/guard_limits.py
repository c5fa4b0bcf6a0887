"""The limits of the guard on board: made from a truck's specification, alike in the office and on the truck."""

from __future__ import annotations

import hashlib

import msgspec

from axlewright_models.errors import ModelError
from axlewright_models.limits import LIMITS
from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.messages import AxleLimits, LimitsMessage

BUILT_IN = "built-in"
# What a guard may be told, so that a slip of the pen does not silence it. Own choice.
_BOUNDS = {
    "lube_limit_cel": (80.0, 180.0),
    "lube_rise_limit_cel_per_min": (0.5, 20.0),
    "ride_height_mm": (50.0, 700.0),
    "height_loss_limit_mm": (10.0, 300.0),
}


def guard_limits(fleet: str, vehicle: VehicleSpec) -> LimitsMessage:
    """Return the limits of a truck's drive axles; the version changes with the limits and with nothing else.

    Loss of height is judged by ``height_reject_mm``: a departure that fails an inspection, come about within minutes.

    Examples
    --------
    >>> limits = guard_limits("yard", VehicleSpec(id="t-1", type="tractor"))
    >>> [(axle.axle, axle.lube_limit_cel) for axle in limits.axles], limits.version == guard_limits("yard", VehicleSpec(
    ...     id="t-1", type="tractor", limits={"lube_limit_cel": 115.0})).version
    ([(2, 121.0), (3, 121.0)], False)
    """
    axles = [
        AxleLimits(
            axle=axle.position,
            lube_limit_cel=vehicle.limit("lube_limit_cel"),
            lube_rise_limit_cel_per_min=vehicle.limit("lube_rise_limit_cel_per_min"),
            ride_height_mm=vehicle.ride_height_mm(axle.position),
            height_loss_limit_mm=vehicle.limit("height_reject_mm"),
        )
        for axle in vehicle.drive_axles
    ]
    version = hashlib.sha256(msgspec.json.encode(axles)).hexdigest()[:12]
    return LimitsMessage(version=version, fleet=fleet, vehicle=vehicle.id, axles=axles)


def built_in_limits(axle: int) -> AxleLimits:
    """Return the limits of an axle of which nothing is known: the defaults."""
    return AxleLimits(
        axle=axle,
        lube_limit_cel=LIMITS["lube_limit_cel"].value,
        lube_rise_limit_cel_per_min=LIMITS["lube_rise_limit_cel_per_min"].value,
        height_loss_limit_mm=LIMITS["height_reject_mm"].value,
    )


def check_guard_limits(limits: LimitsMessage, fleet: str, vehicle: str) -> None:
    """Refuse limits of another truck, or such as would silence its guard.

    Raises
    ------
    ModelError
        The text says what is wrong.

    Examples
    --------
    >>> check_guard_limits(LimitsMessage(version="a", fleet="yard", vehicle="t-2", axles=[]), "yard", "t-1")
    Traceback (most recent call last):
    ...
    axlewright_models.errors.ModelError: limits are those of yard/t-2, not of yard/t-1
    """
    if (limits.fleet, limits.vehicle) != (fleet, vehicle):
        raise ModelError(f"limits are those of {limits.fleet}/{limits.vehicle}, not of {fleet}/{vehicle}")
    positions = [axle.axle for axle in limits.axles]
    if len(set(positions)) != len(positions) or not positions:
        raise ModelError(f"limits {limits.version} name these axles: {positions}; each axle once, and one at least")
    for axle in limits.axles:
        if all(getattr(axle, name) is None for name in _BOUNDS if name != "ride_height_mm"):
            raise ModelError(f"limits {limits.version}, axle {axle.axle}: has no limit at all; give one")
        for name, (low, high) in _BOUNDS.items():
            value = getattr(axle, name)
            if value is not None and not low <= value <= high:
                raise ModelError(
                    f"limits {limits.version}, axle {axle.axle}: {name} is {value:g}, not {low:g} to {high:g}"
                )
