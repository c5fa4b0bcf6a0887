"""What a wrong ride height means for the driveline: joint angle and shaking at cruise speed, against the limit."""

from __future__ import annotations

from axlewright_models.driveline import ride_height_consequence
from axlewright_models.errors import ModelError
from axlewright_models.orders import shaft_frequency
from axlewright_models.spec import VehicleSpec

CRUISE_KM_H = 90.0


def height_consequence(vehicle: VehicleSpec, position: int, change_mm: float) -> str:
    """Return the consequence of a ride height in words, "" where the specification does not describe the driveline.

    Parameters
    ----------
    vehicle : VehicleSpec
    position : int
        Of the axle, from the front.
    change_mm : float
        Its ride height less the specified one. [mm]
    """
    speed_hz = float(shaft_frequency(CRUISE_KM_H, vehicle.tyre.revolutions_per_km, vehicle.axle(position).ratio))
    speed_1_min = 60.0 * speed_hz
    try:
        now = ride_height_consequence(vehicle, position, change_mm, speed_1_min)
        specified = ride_height_consequence(vehicle, position, 0.0, speed_1_min)
    except ModelError:
        # No geometry in the fleet file, or a height outside it: the height itself is finding enough.
        return ""
    angle = max(now.joint_angles_deg)
    return (
        f"At {CRUISE_KM_H:.0f} km/h (shaft {speed_1_min:,.0f} 1/min) the joint at {now.worst_joint} works at "
        f"{angle:.1f} degrees and the run shakes with {now.ratio_to_limit:.1f} times the usual torsional limit "
        f"({specified.ratio_to_limit:.1f} times at specified height)"
    )
