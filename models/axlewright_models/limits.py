"""Limits with a default, each with the source of its number. A fleet file may override any of them."""

from __future__ import annotations

from dataclasses import dataclass

COMMON_PRACTICE = "common practice, no published source"
OWN_CHOICE = "own choice for this monitor, no published source"


@dataclass(frozen=True)
class Limit:
    """One default limit: its value, its unit and where the number comes from."""

    name: str
    value: float
    unit: str
    source: str
    title: str


_LIMITS = (
    Limit("height_tolerance_mm", 6.0, "mm", COMMON_PRACTICE, "Ride height, greatest departure from specification"),
    Limit(
        "height_reject_mm",
        50.0,
        "mm",
        "Vehicle Safety Inspection Standards (British Columbia), section 2: reject above 50 mm, 4500 kg and over",
        "Ride height, departure that fails an inspection",
    ),
    Limit("lean_limit_mm", 12.0, "mm", OWN_CHOICE, "Difference in ride height left to right"),
    Limit("leak_down_limit_mm_per_h", 6.0, "mm/h", OWN_CHOICE, "Loss of ride height while parked"),
    Limit(
        "lube_caution_cel",
        110.0,
        "Cel",
        "a truck operator's manual (2021) gives 71 to 104 Cel as normal; own margin for short rises on grades",
        "Axle lube temperature, caution",
    ),
    Limit(
        "lube_limit_cel",
        121.0,
        "Cel",
        "trade press: GL-5 additives begin to decompose near 121 Cel (250 degF); continuous limit is common practice",
        "Axle lube temperature, limit",
    ),
    Limit("lube_rise_limit_cel_per_min", 4.0, "Cel", OWN_CHOICE, "Axle lube temperature, rise in one minute"),
    Limit("forward_rear_limit_cel", 14.0, "Cel", OWN_CHOICE, "Lube temperature, forward against rear drive axle"),
    Limit(
        "torsional_limit_rad_s2",
        400.0,
        "1/s2",
        "two-joint angle table after SAE AE-7 section 3.1.1: every entry equals 400 rad/s2",
        "Torsional excitation of the driveline",
    ),
    Limit("joint_angle_minimum_deg", 0.5, "deg", COMMON_PRACTICE, "Joint working angle, least (keeps needles rolling)"),
    Limit(
        "joint_angle_maximum_deg",
        3.0,
        "deg",
        "US Army TM 5-4210-230-14&P-1, propeller shafts: short-coupled joints equal and at most 3 degrees",
        "Joint working angle, greatest",
    ),
    Limit("order_ratio_limit", 2.0, "/", OWN_CHOICE, "Order amplitude against the axle's own baseline"),
    Limit("sump_pressure_limit_kpa", 15.0, "kPa", OWN_CHOICE, "Pressure in the axle housing: breather restricted"),
)

LIMITS: dict[str, Limit] = {limit.name: limit for limit in _LIMITS}
