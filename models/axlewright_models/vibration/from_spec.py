"""What the vibration is measured on, taken from a truck's specification."""

from __future__ import annotations

from axlewright_models.bearing_decision import Search
from axlewright_models.bearings import Geometry
from axlewright_models.orders import Train
from axlewright_models.spec import BearingSpec, VehicleSpec
from axlewright_models.vibration.features import Machine

# Wear alone takes about 2 % off a truck tyre's rolling radius: 15 mm of tread on 510 mm, of which two thirds tell.
# Own estimate, no published source.
ROAD_SPEED_TOLERANCE = 0.02


def train_of(vehicle: VehicleSpec, position: int) -> Train:
    """Return what turns between the engine and the wheels of an axle."""
    axle = vehicle.axle(position)
    return Train(vehicle.tyre.revolutions_per_km, axle.ring_teeth, axle.pinion_teeth, vehicle.engine.cylinders)


def geometry_of(bearing: BearingSpec) -> Geometry:
    """Return the geometry of a pinion bearing: its inner ring turns with the driveshaft."""
    return Geometry(
        bearing.rolling_elements, bearing.element_diameter_mm, bearing.pitch_diameter_mm, bearing.contact_angle_deg
    )


def search_of(vehicle: VehicleSpec, position: int) -> Search:
    """Return how to look for defects of an axle's pinion bearing: multiples of shaft and wheel are not counted."""
    return Search(own_orders=(1.0, 1.0 / vehicle.axle(position).ratio))


def machine_of(
    vehicle: VehicleSpec,
    position: int,
    gear_ratio: float | None = None,
    order_tolerance: float = ROAD_SPEED_TOLERANCE,
) -> Machine:
    """Return the machine for :func:`~axlewright_models.vibration.features.window_features`.

    Parameters
    ----------
    vehicle : VehicleSpec
        The truck.
    position : int
        Of the axle.
    gear_ratio : float or None
        Driven during the window, if known.
    order_tolerance : float
        0 if the turns come from a shaft tacho or the transmission's output speed; the default is for road speed and
        the tyre's nominal size.
    """
    bearing = vehicle.axle(position).bearing
    return Machine(
        train_of(vehicle, position), gear_ratio, None if bearing is None else geometry_of(bearing), order_tolerance
    )
