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
    # One height valve levels both drive axles of a tandem: what moves one moves the other.
    others = {axle.position: change_mm for axle in vehicle.drive_axles if axle.position != position}
    try:
        now = ride_height_consequence(vehicle, position, change_mm, speed_1_min, others)
        specified = ride_height_consequence(vehicle, position, 0.0, speed_1_min)
    except ModelError:
        # No geometry in the fleet file, or a height outside it: the height itself is finding enough.
        return ""
    angle, usual = max(now.joint_angles_deg), max(specified.joint_angles_deg)
    limit = vehicle.limit("joint_angle_maximum_deg")
    return (
        f"With the tandem at this height the joint at {now.worst_joint} works at {angle:.1f} degrees, "
        f"{now.angle_ratio_to_limit:.1f} times the {limit:.0f} degrees that last ({usual:.1f} at specified height); "
        f"at {CRUISE_KM_H:.0f} km/h (shaft {speed_1_min:,.0f} 1/min) it shakes the driveline with "
        f"{now.ratio_to_limit:.1f} times the usual torsional limit ({specified.ratio_to_limit:.1f} at specified height)"
    )
