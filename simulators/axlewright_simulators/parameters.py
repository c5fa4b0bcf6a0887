"""What one truck is made of: its specification, and how it differs from its sisters.

Values without a source beside them are our own choice, of the size that the check values make plausible.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from axlewright_models.spec import AxleSpec, VehicleSpec
from axlewright_simulators.roads import LONG_DISTANCE, STONE_AND_TIMBER, Work
from axlewright_simulators.trips import Traction

Array = NDArray[np.float64]
GEARS_J_K = 140.0 * 460.0  # 140 kg of steel
HOUSING_J_K = 190.0 * 460.0
HILL_RATIO = 3.3  # a shorter axle than this is geared for hills


@dataclass(frozen=True)
class AxleRows:
    """Parameters of all drive axles, one row per axle; `truck` (r,) is the index of its truck.

    Spin coefficients are watts per (wheel revolutions per second)^1, ^5/3 and ^2.5 at 82 Cel and full sump.
    """

    truck: NDArray[np.intp]
    position: NDArray[np.intp]
    forward: Array
    on_main_shaft: Array
    ride_height_mm: Array
    ratio: Array
    pinion_teeth: Array
    viscosity_40: Array
    viscosity_100: Array
    fill_l: Array
    preload_w: Array
    bearing_w: Array
    churning_w: Array
    mesh_share: Array
    shading: Array
    sensor_lag_s: Array
    sensor_bias_k: Array
    sensor_step_k: Array
    height_bias_left_mm: Array
    height_bias_right_mm: Array
    arm_length_mm: Array
    pivot_height_mm: Array
    joint_front_deg: Array
    joint_rear_deg: Array
    wheel_1: Array
    wheel_2: Array
    wheel_3: Array
    unbalance_kg_m: Array
    shaft_resonance_hz: Array
    mesh_gain: Array
    mesh_resonance_hz: Array
    full_channels: Array
    gears_j_k: Array
    housing_j_k: Array
    gears_oil_w_k: Array
    oil_housing_w_k: Array
    surface_m2: Array
    wear_pace: Array
    spall_race: Array


@dataclass(frozen=True)
class TruckRows:
    """Parameters of whole trucks, one row each."""

    revolutions_per_m: Array
    axle_ratio: Array
    cylinders: Array
    drive_axles: Array
    lowered_by_mm: Array
    set_error_mm: Array
    dead_band_mm: Array
    roughness: Array
    lean_share: Array


def place_number(vehicle_id: str) -> int:
    """Return a number that stays the same for this truck in every fleet and run.

    Examples
    --------
    >>> place_number("hv-101") == place_number("hv-101")
    True
    """
    return zlib.crc32(vehicle_id.encode())


def work_of(vehicle: VehicleSpec) -> Work:
    """Return the kind of work that the truck is geared for."""
    return STONE_AND_TIMBER if vehicle.drive_axles[0].ratio > HILL_RATIO else LONG_DISTANCE


def traction_of(vehicle: VehicleSpec) -> Traction:
    """Return what the truck pulls with."""
    hills = work_of(vehicle) is STONE_AND_TIMBER
    return Traction(
        revolutions_per_m=vehicle.tyre.revolutions_per_km / 1000.0,
        axle_ratio=vehicle.drive_axles[0].ratio,
        gear_ratios=vehicle.transmission.gear_ratios,
        power_w=390e3 if hills else 345e3,
        drag_area_m2=6.6 if hills else 5.6,
    )


def axle_rows(vehicles: Sequence[VehicleSpec], seed: int) -> AxleRows:
    """Return the rows of all drive axles, ordered by truck and position."""
    rows = [
        _axle_row(vehicle, index, axle, number, seed)
        for index, vehicle in enumerate(vehicles)
        for number, axle in enumerate(vehicle.drive_axles)
    ]
    integers = {"truck", "position"}
    return AxleRows(
        **{
            field.name: np.array([row[field.name] for row in rows], dtype=np.intp if field.name in integers else None)
            for field in fields(AxleRows)
        }
    )


def truck_rows(vehicles: Sequence[VehicleSpec], seed: int) -> TruckRows:
    """Return the rows of all trucks."""
    rows = []
    for vehicle in vehicles:
        random = np.random.default_rng([seed, place_number(vehicle.id), 22])
        rows.append(
            {
                "revolutions_per_m": vehicle.tyre.revolutions_per_km / 1000.0,
                "axle_ratio": vehicle.drive_axles[0].ratio,
                "cylinders": float(vehicle.engine.cylinders),
                "drive_axles": float(len(vehicle.drive_axles)),
                "lowered_by_mm": vehicle.suspension.lowered_by_mm,
                "set_error_mm": float(np.clip(random.normal(0.0, 1.2), -2.5, 2.5)),
                "dead_band_mm": random.uniform(1.5, 3.0),
                "roughness": random.uniform(0.85, 1.2),
                "lean_share": random.normal(0.006, 0.006),
            }
        )
    return TruckRows(**{field.name: np.array([row[field.name] for row in rows]) for field in fields(TruckRows)})


def _axle_row(vehicle: VehicleSpec, index: int, axle: AxleSpec, number: int, seed: int) -> dict[str, float]:
    random = np.random.default_rng([seed, place_number(vehicle.id), 23, axle.position])
    forward = float(axle.role == "forward-drive")
    front, rear = joint_angles_deg(vehicle, axle, number)
    spread = np.exp(random.normal(0.0, 0.06, 5))
    shares = np.exp(random.normal(0.0, 0.22, 6))
    return {
        "truck": index,
        "position": axle.position,
        "forward": forward,
        "on_main_shaft": float(number == 0),
        "ride_height_mm": vehicle.ride_height_mm(axle.position),
        "ratio": axle.ratio,
        "pinion_teeth": float(axle.pinion_teeth),
        "viscosity_40": axle.lube.viscosity_40_mm2_s,
        "viscosity_100": axle.lube.viscosity_100_mm2_s,
        "fill_l": axle.lube.fill_l,
        # Two axles together then lose about what 40 CFR 1037.528(h)(5) shows: 3.7 kW at 9.1 wheel turns a second.
        "preload_w": 35.0 * spread[0],
        "bearing_w": 18.0 * spread[1],
        "churning_w": 3.3 * spread[2],
        # The forward axle also carries the rear one's torque through its power divider.
        "mesh_share": (0.019 + 0.004 * forward) * spread[3],
        "shading": (0.47 if forward else 0.50) * spread[4],
        "sensor_lag_s": random.uniform(20.0, 45.0),
        "sensor_bias_k": random.normal(0.0, 0.6),
        "sensor_step_k": 0.5,
        "height_bias_left_mm": random.normal(0.0, 0.8),
        "height_bias_right_mm": random.normal(0.0, 0.8),
        "arm_length_mm": vehicle.suspension.arm_length_mm,
        "pivot_height_mm": vehicle.suspension.pivot_height_mm,
        "joint_front_deg": front + random.normal(0.0, 0.15),
        "joint_rear_deg": rear + random.normal(0.0, 0.15),
        "wheel_1": 0.10 * shares[0],
        "wheel_2": 0.045 * shares[1],
        "wheel_3": 0.03 * shares[2],
        "unbalance_kg_m": 1.1e-3 * shares[3],  # ISO 21940-11 G16 to G40 for a 45 kg shaft: 1.4e-3 to 3.6e-3 kg.m
        "shaft_resonance_hz": random.uniform(58.0, 68.0),
        "mesh_gain": 0.8 * shares[4],
        "mesh_resonance_hz": random.uniform(420.0, 520.0),
        "full_channels": float(work_of(vehicle) is STONE_AND_TIMBER),
        "gears_j_k": GEARS_J_K,
        "housing_j_k": HOUSING_J_K,
        "gears_oil_w_k": 260.0,
        "oil_housing_w_k": 300.0,
        "surface_m2": 1.3,
        # Drawn last, so that what was drawn before stays as it was.
        "wear_pace": np.exp(random.normal(0.0, 0.35)),
        "spall_race": float(random.choice(3, p=(0.5, 0.3, 0.2))),
    }


USUAL_JOINT_ANGLE_DEG = 2.0


def joint_angles_deg(vehicle: VehicleSpec, axle: AxleSpec, number: int) -> tuple[float, float]:
    """Return the signed working angles (side view) of the joints before and at a drive axle's pinion.

    The last shaft but `number` of the chain meets the first drive axle; each following shaft runs on from the
    pinion line of the axle before it. Without shafts in the fleet file both joints work at
    :data:`USUAL_JOINT_ANGLE_DEG` (own choice).
    """
    shafts = vehicle.driveline.shafts
    if not shafts:
        return USUAL_JOINT_ANGLE_DEG, -USUAL_JOINT_ANGLE_DEG
    drives = vehicle.drive_axles
    own = len(shafts) - len(drives) + number
    shaft = shafts[max(own, 0)]
    if number > 0:
        before = drives[number - 1].pinion_angle_deg
    elif own > 0:
        before = shafts[own - 1].angle_deg
    else:
        before = vehicle.driveline.transmission_angle_deg
    return shaft.angle_deg - before, axle.pinion_angle_deg - shaft.angle_deg
