"""What a wrong ride height does to a driveline: joint angles, excitation, and how they stand to the limit.

The geometry is in :mod:`~axlewright_models.driveline_geometry`, the joints themselves in
:mod:`~axlewright_models.joint_chain`; their everyday names are found here too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from axlewright_models.driveline_geometry import (
    Angles,
    DriveAxle,
    Driveline,
    Run,
    Shaft,
    angles_at,
)
from axlewright_models.errors import SpecificationError
from axlewright_models.joint_chain import equivalent_angle_deg, inertial_excitation, torsional_excitation
from axlewright_models.shaft_angles import joint_angles_deg, pinion_angle_change_deg, slopes_of_shaft_deg
from axlewright_models.spec import AxleSpec, ShaftSpec, VehicleSpec

__all__ = [
    "Angles",
    "Consequence",
    "DriveAxle",
    "Driveline",
    "Run",
    "Shaft",
    "angles_at",
    "driveline_of",
    "equivalent_angle_deg",
    "joint_angles_deg",
    "pinion_angle_change_deg",
    "ride_height_consequence",
    "slopes_of_shaft_deg",
    "torsional_excitation",
]

# Own choice for a heavy tandem, no published source: where the yokes stand from the axle's centre line. A rigid
# arm swings them about its pivot, so that a yoke ahead of the axle moves less than the axle does.
INPUT_AHEAD_MM = 400.0
OUTPUT_BEHIND_MM = 350.0


@dataclass(frozen=True)
class Consequence:
    """What a ride height does at one axle.

    Parameters
    ----------
    joint_names : tuple of str
        The joints that this axle's height bends: those of the run that ends at it and of the run that starts at it.
    joint_angles_deg : tuple of float
        Their working angles, in the same order. [deg]
    worst_joint : str
        The one with the greatest angle.
    equivalent_angle_deg : float
        Of the run that shakes most among these. [deg]
    excitation_rad_s2 : float
        Its torsional excitation at the shaft speed asked for. [rad/s2]
    ratio_to_limit : float
        Over the truck's ``torsional_limit_rad_s2``; above 1 is too much.
    pinion_angle_deg : float
        Inclination of this axle's input shaft. [deg]
    inertial_rad_s2 : float
        Greatest angular acceleration of any shaft of these runs, driven from either end. Two joints that cancel
        leave the excitation small, yet the shaft between them shakes with this. [rad/s2]
    angle_ratio_to_limit : float
        Worst joint angle over the truck's ``joint_angle_maximum_deg``. When both axles sink alike the excitation
        may hardly change: then this is what tells.
    """

    joint_names: tuple[str, ...]
    joint_angles_deg: tuple[float, ...]
    worst_joint: str
    equivalent_angle_deg: float
    excitation_rad_s2: float
    ratio_to_limit: float
    pinion_angle_deg: float
    inertial_rad_s2: float
    angle_ratio_to_limit: float


def driveline_of(vehicle: VehicleSpec) -> Driveline:
    """Return the driveline that a truck's specification describes.

    Raises
    ------
    SpecificationError
        There are fewer shafts than drive axles.
    """
    axles, shafts = vehicle.drive_axles, vehicle.driveline.shafts
    if len(shafts) < len(axles):
        raise SpecificationError(
            f"vehicle {vehicle.id!r}: driveline.shafts lists {len(shafts)} for {len(axles)} drive axles; "
            "list every shaft, front to rear, with the inter-axle shaft last"
        )
    # Only the first run can hold more than one shaft: its extra ones pass centre bearings.
    first = len(shafts) - len(axles) + 1
    runs = [Run(tuple(_shaft(shaft) for shaft in shafts[:first]), _axle(vehicle, axles[0]))]
    for axle, shaft in zip(axles[1:], shafts[first:], strict=True):
        runs.append(Run((_shaft(shaft),), _axle(vehicle, axle)))
    return Driveline(vehicle.driveline.transmission_angle_deg, tuple(runs))


def ride_height_consequence(
    vehicle: VehicleSpec,
    axle: int,
    height_change_mm: float,
    shaft_speed_1_min: float,
    other_changes_mm: Mapping[int, float] | None = None,
) -> Consequence:
    """Return what a departure from specified ride height does to the joints at an axle.

    Parameters
    ----------
    vehicle : VehicleSpec
        The truck.
    axle : int
        Position of the drive axle.
    height_change_mm : float
        Its ride height less the specified one; negative when low. [mm]
    shaft_speed_1_min : float
        Driveshaft speed to judge at. [1/min]
    other_changes_mm : mapping of int to float, or None
        The same for other drive axles, by position; those not named stand as specified. [mm]

    Raises
    ------
    SpecificationError
        The axle is not driven, or the shafts are not all described.
    ModelError
        The change is more than the suspension's geometry allows.
    """
    driveline = driveline_of(vehicle)
    positions = [run.axle.position for run in driveline.runs]
    if axle not in positions:
        raise SpecificationError(f"vehicle {vehicle.id!r}: axle {axle} is not driven; driven are {positions}")
    changes = {**(other_changes_mm or {}), axle: height_change_mm}
    angles = angles_at(driveline, np.array([changes.get(position, 0.0) for position in positions]))
    number = positions.index(axle)
    runs = [driveline.joints_of(position) for position in positions[number : number + 2]]
    equivalents = [float(equivalent_angle_deg(angles.joints_deg[run], angles.phases_deg[run])) for run in runs]
    joints = slice(runs[0].start, runs[-1].stop)
    bent = angles.joints_deg[joints]
    names = driveline.joint_names[joints]
    worst = max(equivalents)
    speed = shaft_speed_1_min * np.pi / 30.0
    excitation = float((np.deg2rad(worst) * speed) ** 2)
    inertial = [inertial_excitation(speed, angles.joints_deg[run], angles.phases_deg[run]) for run in runs]
    return Consequence(
        joint_names=names,
        joint_angles_deg=tuple(float(angle) for angle in bent),
        worst_joint=names[int(np.argmax(bent))],
        equivalent_angle_deg=worst,
        excitation_rad_s2=excitation,
        ratio_to_limit=excitation / vehicle.limit("torsional_limit_rad_s2"),
        pinion_angle_deg=float(angles.pinions_deg[number]),
        inertial_rad_s2=float(np.max(inertial)),
        angle_ratio_to_limit=float(bent.max()) / vehicle.limit("joint_angle_maximum_deg"),
    )


def _shaft(shaft: ShaftSpec) -> Shaft:
    return Shaft(shaft.length_mm, shaft.angle_deg, shaft.plan_angle_deg, shaft.phase_deg)


def _axle(vehicle: VehicleSpec, axle: AxleSpec) -> DriveAxle:
    suspension = vehicle.suspension
    return DriveAxle(
        position=axle.position,
        pinion_angle_deg=axle.pinion_angle_deg,
        arm_length_mm=float("inf") if suspension.kind == "parallel-link" else suspension.arm_length_mm,
        pivot_height_mm=0.0 if suspension.kind == "parallel-link" else suspension.pivot_height_mm,
        input_ahead_mm=INPUT_AHEAD_MM,
        output_behind_mm=OUTPUT_BEHIND_MM,
    )
