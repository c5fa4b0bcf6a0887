"""Checks of air, height and brakes."""

from __future__ import annotations

from axlewright_models.limits import COMMON_PRACTICE, LIMITS
from axlewright_models.shop.check import Check

_UNDER = ("air-suspended-frame", "stands-and-chocks", "no-remote-proof", "maker-data-first")

SUSPENSION_CHECKS: tuple[Check, ...] = (
    Check(
        "ride-height",
        "Ride height against specification",
        "Truck on level ground, at its usual load, air above cut-in pressure, brakes released and wheels chocked; "
        "drive in, do not back in. Measure at the place the maker names, both sides of each axle. First check on "
        "any driveline complaint.",
        "Height gauge or rule",
        f"Within {LIMITS['height_tolerance_mm'].value:g} mm of the vehicle's specification unless the maker says "
        "otherwise",
        -LIMITS["height_tolerance_mm"].value,
        LIMITS["height_tolerance_mm"].value,
        "mm",
        COMMON_PRACTICE,
        _UNDER,
        "Set the height valve first; then measure all joint angles again.",
    ),
    Check(
        "height-valve-linkage",
        "Height valve, lever and link",
        "Look for a bent or slipped lever, a worn bush, a link off its stud, a valve loose on its bracket. Truck "
        "parked on level ground, nobody beneath while the lever is moved.",
        "Eyes, lamp, the maker's locating pin",
        "Lever clamped where the locating pin puts it; link straight; no free play in the bushes",
        None,
        None,
        "",
        COMMON_PRACTICE,
        _UNDER,
        "Replace worn links and bushes, reset with the locating pin, then measure ride height again.",
    ),
    Check(
        "air-leakage",
        "Loss of air pressure, suspension charged",
        "Charge above cut-in, engine off, brakes released, wheels chocked. Read the gauge, wait five minutes, read "
        "again. Then find the leak with soap solution at springs, fittings and valve.",
        "Pressure gauge, watch, soap solution",
        "No more than 3 psi (20.7 kPa) lost in 5 minutes",
        None,
        20.7,
        "kPa",
        "49 CFR 393.207(f): air suspension leakage no more than 3 psi in 5 minutes",
        ("air-under-pressure", *_UNDER),
        "Repair the leak before any height is set.",
    ),
    Check(
        "air-spring-condition",
        "Air springs",
        "Look all round each bellows for chafing, cracks to the cord, a shifted bead; compare left with right.",
        "Eyes, lamp",
        "No cord visible, no leak, bead seated; left and right alike",
        None,
        None,
        "",
        COMMON_PRACTICE,
        ("air-under-pressure", *_UNDER),
        "Replace the spring; out of service when deflated or leaking.",
    ),
    Check(
        "brake-drag",
        "Brake drag at each wheel end",
        "After a drive with little braking, compare the four hubs or rotors by infrared thermometer; then wheel "
        "off the ground on stands, turn by hand with brakes released.",
        "Infrared thermometer, stands",
        "The four wheel ends alike; each turns freely by hand. The maker's stroke limits hold",
        None,
        None,
        "",
        COMMON_PRACTICE,
        ("hot-brake", "spring-brake-energy", *_UNDER),
        "Find the cause: chamber, slack adjuster, caliper slide, return spring, trapped air.",
    ),
    Check(
        "tandem-tyre-match",
        "Tandem tyres matched",
        "Measure each tyre's circumference at the same pressure, all eight drive tyres; compare axle with axle.",
        "Tape round the tread, pressure gauge",
        "Rolling radius alike within 1/8 in (3.2 mm), that is circumference within 3/4 in (19 mm), axle to axle",
        None,
        19.05,
        "mm",
        "US Army TM 5-3810-300-24&P2 and TM 5-3805-254-14P-2: tandem tyres matched within 1/8 in rolling radius "
        "(3/4 in circumference)",
        ("stands-and-chocks", "maker-data-first"),
        "Never the four largest on one axle and the four smallest on the other: the axles fight and run hot.",
    ),
    Check(
        "sensor-and-wiring",
        "Sensor and its wiring",
        "Compare the reading with an independent instrument at the same place; wiggle the harness and watch the "
        "reading; look for rubbed wires and water in the connector.",
        "Reference thermometer or rule, multimeter",
        "Reading agrees with the instrument within the sensor's stated error, and does not jump",
        None,
        None,
        "",
        COMMON_PRACTICE,
        ("hot-lube", *_UNDER),
        "Replace or re-seat; then watch one drive before the advisory is closed.",
    ),
)
