"""The stories of vibration.

Sizes are our own choice: each is one that a workshop would want to hear of; none is set to suit a detector.
"""

from __future__ import annotations

import numpy as np

from axlewright_models.spec import VehicleSpec
from axlewright_simulators.faults import Kind
from axlewright_simulators.parameters import joint_angles_deg
from axlewright_simulators.story import DAY_S, Course, Place, Story
from axlewright_simulators.vibration import COUPLE_ARM_KG_M, TORSION_GAIN

USUAL_TORQUE_N_M, CRUISE_RAD_S = 500.0, 160.0  # of the shaft, on the level at cruise
LEAST_RISE = 1.25  # of a line, that its scatter and the load's swing do not hide
ENVELOPE = ("vib/envelope/outer-race", "vib/envelope/inner-race", "vib/envelope/rolling-element")
_HIGHER: tuple[Kind, ...] = ("wheel-2", "wheel-3")


def _tyre(place: Place) -> Course:
    axle = place.axle()
    first = place.fault("wheel-1", place.between(2.0, 6.0), axle, place.between(0.0, 25.0))
    rest = [place.fault(kind, place.between(0.0, 3.0), axle, first.development_s / DAY_S) for kind in _HIGHER]
    return Course(axle, (first, *rest))


def _unbalance(place: Place) -> Course:
    axle = place.axle()
    days = 0.0 if place.random.random() < 0.6 else place.between(3.0, 20.0)
    fault = place.fault("shaft-unbalance", place.between(2.0, 7.0), axle, days)
    return Course(axle, (fault,), () if days else (place.service(axle, "driveshaft"),))


def _phase(place: Place) -> Course:
    axle = place.axle()
    teeth = float(place.random.choice([20, 24, 30]))
    off = 360.0 / teeth * round(place.between(40.0, 95.0) * teeth / 360.0)
    return Course(axle, (place.fault("joint-phase", off, axle),), (place.service(axle, "driveshaft"),))


def _phase_unseen(vehicle: VehicleSpec, course: Course) -> str:
    """Return why a shaft out of phase cannot be seen: at small angles its joints have little to oppose."""
    drives = vehicle.drive_axles
    number = [axle.position for axle in drives].index(course.axle)
    front, rear = np.radians(joint_angles_deg(vehicle, drives[number], number))
    turned = np.radians(2.0 * course.faults[0].severity)
    couple = USUAL_TORQUE_N_M * abs(rear) / COUPLE_ARM_KG_M
    before = np.hypot(couple, TORSION_GAIN * CRUISE_RAD_S**2 * abs(front**2 - rear**2))
    left = np.hypot(front**2 - rear**2 * np.cos(turned), rear**2 * np.sin(turned))
    after = np.hypot(couple, TORSION_GAIN * CRUISE_RAD_S**2 * left)
    if after > LEAST_RISE * before:
        return ""
    return (
        f"at its small joint angles it adds only {100.0 * (after / before - 1.0):.0f} % to the line at twice the shaft"
    )


def _centre_bearing(place: Place) -> Course:
    axle = place.positions[0]
    return Course(axle, (place.fault("centre-bearing", place.between(0.6, 1.0), axle, place.between(15.0, 50.0)),))


def _misfire(place: Place) -> Course:
    return Course(0, (place.fault("misfire", place.between(0.4, 1.0), 0, place.between(0.0, 5.0)),))


def _bearing(place: Place) -> Course:
    axle = place.axle()
    return Course(axle, (place.fault("bearing-spall", place.between(0.008, 0.028), axle),))


def _worn_yoke(place: Place) -> Course:
    axle = place.axle()
    play = place.fault("joint-play", place.between(0.8, 1.1), axle, place.between(25.0, 60.0), growth="accelerating")
    return Course(axle, (play,))


def _mesh(place: Place) -> Course:
    axle = place.axle()
    wear = place.fault("mesh-wear", place.between(0.6, 1.1), axle, place.between(25.0, 60.0), growth="accelerating")
    return Course(axle, (wear,))


def _output_play(place: Place) -> Course:
    axle = place.positions[0]  # the through-shaft that a tandem's forward axle hands on
    play = place.fault("output-play", place.between(0.6, 1.0), axle, place.between(20.0, 50.0), growth="accelerating")
    return Course(axle, (play,))


VIBRATION_STORIES: tuple[Story, ...] = (
    Story(
        "tyre-non-uniformity",
        "tyre or wheel out of round",
        "slow",
        _tyre,
        ("tyre-or-wheel",),
        source="wheel",
        needs=("vib/order/wheel-1",),
        watch_days=45,
    ),
    Story(
        "driveshaft-unbalance",
        "driveshaft out of balance",
        "sudden",
        _unbalance,
        ("driveshaft-unbalance",),
        source="driveshaft-unbalance",
        needs=("vib/order/driveshaft-1",),
        watch_days=35,
    ),
    Story(
        "phasing-error",
        "shaft put together out of phase at service",
        "sudden",
        _phase,
        ("phasing-error",),
        source="joint-angle",
        needs=("vib/order/driveshaft-2",),
        unseen=_phase_unseen,
    ),
    Story(
        "centre-bearing",
        "centre bearing works loose",
        "slow",
        _centre_bearing,
        ("centre-bearing-worn",),
        source="centre-bearing",
        needs=("vib/order/driveshaft-1",),
        watch_days=75,
    ),
    Story(
        "engine-misfire",
        "one cylinder misfires",
        "sudden",
        _misfire,
        ("engine-misfire",),
        source="engine",
        needs=("vib/order/engine-0.5",),
    ),
    Story(
        "pinion-bearing-defect",
        "a spall grows in the pinion bearing",
        "slow",
        _bearing,
        ("bearing-wear",),
        source="bearing",
        needs=(*ENVELOPE, "vib/kurtosis"),
        watch_days=90,
    ),
    Story(
        "worn-yoke",
        "joints and splines wear out",
        "slow",
        _worn_yoke,
        ("worn-yoke-or-splines",),
        source="worn-yoke",
        needs=("vib/order/driveshaft-1",),
        watch_days=75,
    ),
    Story(
        "gear-mesh-wear",
        "gear set wears",
        "slow",
        _mesh,
        ("gear-mesh-wear",),
        source="gear-mesh",
        needs=("vib/order/mesh-1",),
        watch_days=75,
    ),
    Story(
        "output-bearing-play",
        "output bearing works loose",
        "slow",
        _output_play,
        ("output-bearing-play",),
        source="bearing",
        needs=("vib/order/driveshaft-1",),
        watch_days=75,
    ),
)
